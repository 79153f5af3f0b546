"""The end of a fire and its cooling: decided, foretold, and the day of unpacking told to everyone."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import URLPattern, path, reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from coop.errors import Malformed, Refused
from coop.forms import add_refusal
from coop.http import CoopRequest, coop_form
from coop.transactions import reading
from firings.forms.fire_end import EndForm, OpenForm, UnpackingForm
from firings.models import Firing
from firings.queries import fire_end as queries
from firings.services import firings as services


@coop_form
def fire_end(request: CoopRequest, firing: UUID) -> HttpResponse:
    if request.method != "POST":
        return _page(request, firing, {})
    zone, now = ZoneInfo(request.coop.time_zone), timezone.now()
    what = request.POST.get("what", "")
    made: dict[str, forms.Form] = {
        "end": EndForm(request.POST, zone=zone),
        "day": UnpackingForm(request.POST, zone=zone),
        "open": OpenForm(request.POST),
    }
    if what not in made:
        raise Malformed([_("Press one of the buttons; this page did not say what it is about.")])
    form = made[what]
    if not form.is_valid():
        with reading(request.coop):
            return _page(request, firing, {what: form}, status=400)
    try:
        messages.success(request, _done(request, firing, what, form.cleaned_data, now))
    except Refused as no:
        add_refusal(form, no)
        with reading(request.coop):
            return _page(request, firing, {what: form}, status=no.status)
    there = reverse("fire_end", kwargs={"coop": request.coop.slug, "firing": firing})
    return HttpResponseRedirect(there, status=303)


def _done(request: CoopRequest, firing: UUID, what: str, said: dict[str, Any], now: datetime) -> str:
    """Call the one service the form is about; what to say afterwards."""
    who: dict[str, Any] = {"by": request.membership, "now": now, "firing_id": firing}
    if what == "day":
        services.set_unpacking(request.coop, opens_at=said["opens_at"], **who)
        return _("The day stands, and everyone who takes part is told.")
    if what == "end":
        services.move_on(
            request.coop, to=Firing.Stage.COOLING, note=said["note"], at=said["at"], failed=said["failed"], **who
        )
        return _("The fire has ended. Now nobody opens before the lead says so.")
    services.move_on(request.coop, to=Firing.Stage.UNPACKING, note=said["note"], **who)
    return _("The kiln is open.")


def _page(request: CoopRequest, firing: UUID, faulty: dict[str, forms.Form], *, status: int = 200) -> HttpResponse:
    zone = ZoneInfo(request.coop.time_zone)
    page = queries.end_page(request.coop, firing, request.membership, now=timezone.now())
    day = page.proposed if page.proposes_other else page.firing.opens_at
    initial = {"opens_at": day.astimezone(zone) if day else None}
    context = {
        "firing": page.firing,
        "tab": "fire",
        "page": page,
        "end_form": faulty.get("end") or EndForm(initial={"note": page.cones_said}, zone=zone, auto_id="end_%s"),
        "day_form": faulty.get("day") or UnpackingForm(initial=initial, zone=zone, auto_id="day_%s"),
        "open_form": faulty.get("open") or OpenForm(auto_id="open_%s"),
    }
    return render(request, "firings/fire_end.html", context, status=status)


urls: list[URLPattern] = [path("firings/<uuid:firing>/fire/end/", fire_end, name="fire_end")]
