"""The curve beside its plan and earlier fires, and any two firings side by side."""

from __future__ import annotations

from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import URLPattern, path
from django.utils.safestring import mark_safe
from django.utils.translation import gettext as _

from coop.errors import Malformed
from coop.http import CoopRequest, coop_page
from firings.fire.courses import Course
from firings.queries import compare as queries


@coop_page
def fire_curve(request: CoopRequest, firing: UUID) -> HttpResponse:
    """Without a choice the last three fires of the kiln stand beside; ``?beside=`` (repeated) chooses."""
    chosen = [_id(text) for text in request.GET.getlist("beside")] if "choose" in request.GET else None
    page = queries.curve_page(request.coop, firing, request.membership, chosen)
    context = {
        "firing": page.firing,
        "tab": "fire",
        "page": page,
        "curve": mark_safe(page.svg),  # noqa: S308 (made by the core, which escapes what people typed)
        "letters": [(chr(ord("A") + place), course.name) for place, course in enumerate(_drawn(page.courses))],
        "most": queries.EARLIER,
    }
    return render(request, "firings/fire_curve.html", context)


@coop_page
def firing_compare(request: CoopRequest, firing: UUID) -> HttpResponse:
    """``?with=`` names the other firing."""
    told = request.GET.get("with", "")
    page = queries.compare_page(request.coop, firing, request.membership, _id(told) if told else None)
    context = {
        "firing": page.one.firing,
        "page": page,
        "curve": mark_safe(page.svg),  # noqa: S308
        "sides": [page.one, page.other] if page.other else [],
    }
    return render(request, "firings/compare.html", context)


def _drawn(courses: tuple[Course, ...]) -> list[Course]:
    return [course for course in courses if course.points]


def _id(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError as error:
        raise Malformed([_("Choose a firing from the list; this address names none.")]) from error


urls: list[URLPattern] = [
    path("firings/<uuid:firing>/fire/curve/", fire_curve, name="fire_curve"),
    path("firings/<uuid:firing>/compare/", firing_compare, name="firing_compare"),
]
