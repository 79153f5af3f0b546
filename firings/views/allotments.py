"""The allotment of a firing: the seed of its draw, the proposal with its working, and the lead's word."""

from __future__ import annotations

import json
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import render
from django.urls import path
from django.utils import timezone
from django.utils.text import slugify
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop.access import allowed
from coop.errors import NotFound
from coop.http import CoopRequest, coop_action, coop_page
from firings.access import check_leads
from firings.models import Firing
from firings.queries import allotments as queries
from firings.queries.firings import firing_of
from firings.queries.space import terms_of
from firings.services import allotments as services

RULES = {
    "equal": gettext_lazy("Equal parts: everyone counts the same, nobody gets more than they asked for."),
    "hours_worked": gettext_lazy(
        "By hours worked: everyone counts 1, and on top their hours of the last year over the average of all who ask."
    ),
    "turns_left_out": gettext_lazy(
        "By turns left out: everyone counts 1, and 1 more for each firing in a row in which something of theirs "
        "was left out."
    ),
    "booking_order": gettext_lazy("By order of booking: what holds space keeps it, the rest waits in its order."),
}


@coop_page
def allotment(request: CoopRequest, firing: UUID) -> HttpResponse:
    row = firing_of(request.coop, firing)
    shown = queries.allotment_of(request.coop, row)
    return render(
        request,
        "firings/allotment.html",
        {
            "firing": row,
            "draw": queries.draw_of(row),
            "allotment": queries.view_of(shown, member=request.membership) if shown is not None else None,
            "rule": RULES[shown.rule if shown is not None else terms_of(row).allotment_rule],
            "leads": allowed(check_leads, request.membership, row),
            "can_propose": row.stage == Firing.Stage.BOOKING,
            "booking_is_open": row.stage == Firing.Stage.BOOKING and timezone.now() < row.booking_closes_at,
        },
    )


@coop_action(back="allotment")
def allotment_propose(request: CoopRequest, firing: UUID) -> None:
    row = services.propose(request.coop, by=request.membership, now=timezone.now(), firing_id=firing)
    messages.success(
        request,
        _("Proposal %(version)s is worked out. Nothing has changed for anybody yet.") % {"version": row.version},
    )


@coop_action(back="allotment")
def allotment_accept(request: CoopRequest, firing: UUID, allotment: UUID) -> None:
    found = queries.allotment_of(request.coop, firing_of(request.coop, firing), allotment)
    if found is None:
        raise NotFound(_("There is no such allotment here."))
    services.accept_or_propose(request.coop, by=request.membership, now=timezone.now(), allotment_id=found.public_id)
    messages.success(request, _("The space is shared out, and everyone who asked for it is told."))


@coop_page
def allotment_file(request: CoopRequest, firing: UUID, allotment: UUID) -> HttpResponse:
    """The proposal as allotment/1: ``allot_space`` gives the same grants and the same order from it."""
    row = firing_of(request.coop, firing)
    found = queries.allotment_of(request.coop, row, allotment)
    assert found is not None
    text = json.dumps(found.request, ensure_ascii=False, indent=1)
    response = HttpResponse(text, content_type="application/json")
    name = f"allotment-{slugify(row.name) or 'firing'}-{found.version}.json"
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


_ALLOTMENT = "firings/<uuid:firing>/space/allotment/"
urls = [
    path(_ALLOTMENT, allotment, name="allotment"),
    path(f"{_ALLOTMENT}propose/", allotment_propose, name="allotment_propose"),
    path(f"{_ALLOTMENT}<uuid:allotment>/accept/", allotment_accept, name="allotment_accept"),
    path(f"{_ALLOTMENT}<uuid:allotment>/file/", allotment_file, name="allotment_file"),
]
