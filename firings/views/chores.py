"""Buttons and the form of chores; they are shown on the watches page of their firing."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from coop.access import allowed
from coop.errors import Refused
from coop.forms import add_refusal
from coop.http import CoopRequest, coop_action, coop_form, coop_page
from coop.transactions import reading
from firings.access import check_leads
from firings.forms.chores import ChoreForm
from firings.queries import chores as queries
from firings.queries.firings import firing_of
from firings.services import chores as services
from firings.views.watches import minutes_in


@coop_page
def firing_chores(request: CoopRequest, firing: UUID) -> HttpResponse:
    """All chores of a firing, and for its lead what wood is missing and whether the wood days suffice."""
    found, now = firing_of(request.coop, firing), timezone.now()
    rows = queries.rows_for(found, request.membership, now)
    leads = allowed(check_leads, request.membership, found)
    shown = {
        "firing": found,
        "tab": "watches",
        "chores": rows,
        "short": [row for row in rows if row.has_gap],
        "leads": leads,
        "wood": queries.wood_need(found),
        "wood_minutes": queries.wood_minutes_to_come(rows),
        "may_size": leads and found.stage in services.BEFORE_THE_FIRE and found.occupied_from > now,
    }
    return render(request, "firings/firing_chores.html", shown)


@coop_action(back="firing_chores")
def wood_days(request: CoopRequest, firing: UUID) -> HttpResponse | None:
    services.size_wood_days(request.coop, by=request.membership, now=timezone.now(), firing_id=firing)
    messages.success(request, _("The wood days fit the wood that is missing now."))
    return None


@coop_page
def chore(request: CoopRequest, firing: UUID, chore: UUID) -> HttpResponse:
    found, now = firing_of(request.coop, firing), timezone.now()
    row = queries.row_of(found, chore, request.membership, now)
    leads = allowed(check_leads, request.membership, found)
    return render(
        request,
        "firings/chore.html",
        {
            "firing": found,
            "tab": "watches",
            "row": row,
            "leads": leads,
            "may_confirm": row.is_over and (leads or row.mine is not None),
        },
    )


@coop_form
def chore_add(request: CoopRequest, firing: UUID) -> HttpResponse:
    form, status = ChoreForm(request.POST if request.method == "POST" else None), 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            try:
                services.add(
                    request.coop, by=request.membership, now=timezone.now(), firing_id=firing, **form.cleaned_data
                )
            except Refused as no:
                add_refusal(form, no)
                status = no.status
            else:
                messages.success(request, _("The chore is on the page; people can sign up."))
                there = reverse("firing_watches", kwargs={"coop": request.coop.slug, "firing": firing})
                return HttpResponseRedirect(there, status=303)
        with reading(request.coop):
            return _add_page(request, firing, form, status)
    return _add_page(request, firing, form, status)


def _add_page(request: CoopRequest, firing: UUID, form: ChoreForm, status: int) -> HttpResponse:
    found = firing_of(request.coop, firing)
    return render(request, "firings/chore_add.html", {"firing": found, "tab": "watches", "form": form}, status=status)


@coop_action(back="firing_watches")
def chore_sign_up(request: CoopRequest, firing: UUID, chore: UUID) -> HttpResponse | None:
    services.sign_up(request.coop, by=request.membership, now=timezone.now(), chore_id=chore)
    messages.success(request, _("You are on this chore. Thank you."))
    return None


@coop_action(back="firing_watches")
def chore_give_up(request: CoopRequest, firing: UUID, chore: UUID) -> HttpResponse | None:
    services.give_up(request.coop, by=request.membership, now=timezone.now(), chore_id=chore)
    messages.success(request, _("Your place is free for somebody else."))
    return None


@coop_action(back="firing_watches")
def chore_cancel(request: CoopRequest, firing: UUID, chore: UUID) -> HttpResponse | None:
    services.cancel(request.coop, by=request.membership, now=timezone.now(), chore_id=chore)
    messages.success(request, _("The chore is off, and its people are told."))
    return None


@coop_action(back="firing_watches")
def chore_confirm(request: CoopRequest, firing: UUID, place: UUID) -> HttpResponse | None:
    services.confirm(
        request.coop, by=request.membership, now=timezone.now(), place_id=place, minutes=minutes_in(request)
    )
    messages.success(request, _("Confirmed; the hours are in the account."))
    return None


_FIRING = "firings/<uuid:firing>/"
urls = [
    path(f"{_FIRING}chores/", firing_chores, name="firing_chores"),
    path(f"{_FIRING}chores/wood/", wood_days, name="wood_days"),
    path(f"{_FIRING}chores/add/", chore_add, name="chore_add"),
    path(f"{_FIRING}chores/<uuid:chore>/", chore, name="chore"),
    path(f"{_FIRING}chores/<uuid:chore>/sign-up/", chore_sign_up, name="chore_sign_up"),
    path(f"{_FIRING}chores/<uuid:chore>/give-up/", chore_give_up, name="chore_give_up"),
    path(f"{_FIRING}chores/<uuid:chore>/cancel/", chore_cancel, name="chore_cancel"),
    path(f"{_FIRING}chore-places/<uuid:place>/confirm/", chore_confirm, name="chore_confirm"),
]
