"""Pages of firings: the list, one firing, calling one, its dates, its stages, guests."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop.access import allowed
from coop.errors import Refused
from coop.forms import add_refusal
from coop.http import CoopRequest, coop_action, coop_form, coop_page
from coop.transactions import reading
from firings import lifecycle
from firings.access import check_leads, check_may_call
from firings.forms.firings import CallForm, DatesForm
from firings.queries import firings as queries
from firings.services import firings as services

NEXT = {
    "called": gettext_lazy("The lead opens booking; then members list their pieces."),
    "booking": gettext_lazy("Members list pieces and ask for space. The lead closes booking."),
    "allotted": gettext_lazy("The space is shared out. The lead starts loading."),
    "loading": gettext_lazy("Pieces go in by the load plan. The lead lights the kiln when the first watch is there."),
    "lit": gettext_lazy("The crew keeps the log. The lead ends the fire when the cones are down."),
    "cooling": gettext_lazy("Nobody opens early. The lead opens the kiln when it is cool enough."),
    "unpacking": gettext_lazy("Write down what came out, piece by piece. Then the lead starts the clean-up."),
    "cleanup": gettext_lazy("Everyone does their lines; a kiln steward signs off and the kiln is free."),
    "settling": gettext_lazy("The treasurer drafts the cost shares, answers questions and posts them."),
}
CAUTIONS = {"loading": "watch", "lit": "watch", "cooling": "unpacking", "unpacking": "unpacking"}
# heading and button of a form
CALL = (gettext_lazy("Call a firing"), gettext_lazy("Call it and tell everyone"))
DATES = (gettext_lazy("Change the dates"), gettext_lazy("Change the dates and tell who takes part"))
NOTES = {
    "lit": gettext_lazy("Only where no piece has space: why is it lit empty?"),
    "cooling": gettext_lazy("Why does the fire end? Cones by place, or what forced it."),
    "unpacking": gettext_lazy("If it is hotter than allowed or nobody has measured: on whose word does it open?"),
}


@coop_page
def firings(request: CoopRequest) -> HttpResponse:
    which = "past" if request.GET.get("which") == "past" else "open"
    return render(
        request,
        "firings/firings.html",
        {
            "page": queries.listed(request.coop, which=which, page=request.GET.get("page", 1)),
            "which": which,
            "may_call": allowed(check_may_call, request.membership),
        },
    )


@coop_page
def firing(request: CoopRequest, firing: UUID) -> HttpResponse:
    found = queries.firing_of(request.coop, firing)
    shown = queries.overview(found, request.membership)
    return render(
        request,
        "firings/firing.html",
        {
            "firing": found,
            "overview": shown,
            "moves": [_shown(move) for move in shown.next_moves if lifecycle.LEAD in move.roles],
            "next_words": NEXT.get(found.stage, ""),
            "caution": CAUTIONS.get(found.stage, ""),
            "before_lit": found.stage in lifecycle.BEFORE_LIT,
            "may_invite_guest": found.stage in ("called", "booking")
            and allowed(services.check_may_bring_guest, request.membership),
        },
    )


def _shown(move: lifecycle.Move) -> dict[str, Any]:
    return {
        "to": move.to,
        "word": move.word,
        "asks_note": move.to in NOTES,
        "note_label": NOTES.get(move.to, ""),
    }


@coop_form
def firing_call(request: CoopRequest) -> HttpResponse:
    check_may_call(request.membership)
    if request.method != "POST":
        return _form_page(request, CallForm(coop=request.coop, person=request.user), CALL)
    form = CallForm(request.POST, coop=request.coop, person=request.user)
    if form.is_valid():
        try:
            called = services.call(request.coop, by=request.membership, now=timezone.now(), **form.call())
        except Refused as no:
            add_refusal(form, no)
            return _again(request, form, CALL, no.status)
        messages.success(request, _("The firing is called, the kiln is taken, and everyone is told."))
        return _to_firing(request, called.public_id)
    return _again(request, form, CALL, 400)


@coop_form
def firing_dates(request: CoopRequest, firing: UUID) -> HttpResponse:
    if request.method != "POST":
        found = queries.firing_of(request.coop, firing)
        check_leads(request.membership, found)
        names = ("occupied_from", "lights_at")
        now_set = {name: timezone.localtime(getattr(found, name)) for name in names}
        return _form_page(request, DatesForm(coop=request.coop, initial=now_set), DATES)
    form = DatesForm(request.POST, coop=request.coop)
    if form.is_valid():
        try:
            services.put_off(request.coop, by=request.membership, now=timezone.now(), firing_id=firing, **form.dates())
        except Refused as no:
            add_refusal(form, no)
            return _again(request, form, DATES, no.status)
        messages.success(request, _("The dates are changed, and everyone who takes part is told."))
        return _to_firing(request, firing)
    return _again(request, form, DATES, 400)


def _form_page(request: CoopRequest, form: DatesForm, words: tuple[Any, Any], status: int = 200) -> HttpResponse:
    heading, button = words
    shown = {"form": form, "heading": heading, "button": button}
    return render(request, "firings/firing_form.html", shown, status=status)


def _again(request: CoopRequest, form: DatesForm, words: tuple[Any, Any], status: int) -> HttpResponse:
    with reading(request.coop):
        return _form_page(request, form, words, status)


@coop_action(back="firing")
def firing_move(request: CoopRequest, firing: UUID) -> HttpResponse | None:
    said = request.POST
    moved = services.move_on(
        request.coop,
        by=request.membership,
        now=timezone.now(),
        firing_id=firing,
        to=said.get("to", ""),
        note=said.get("note", ""),
        failed=said.get("failed") == "1",
    )
    messages.success(request, _("Now: %(stage)s.") % {"stage": moved.get_stage_display()})
    return None


@coop_action(back="firing")
def firing_call_off(request: CoopRequest, firing: UUID) -> HttpResponse | None:
    services.call_off(
        request.coop, by=request.membership, now=timezone.now(), firing_id=firing, why=request.POST.get("why", "")
    )
    messages.success(request, _("The firing is called off; everything it held is free and everyone is told."))
    return None


@coop_action(back="firing")
def firing_guest(request: CoopRequest, firing: UUID) -> HttpResponse | None:
    services.bring_guest(
        request.coop,
        by=request.membership,
        now=timezone.now(),
        firing_id=firing,
        email=request.POST.get("email", ""),
        name=request.POST.get("name", ""),
    )
    messages.success(request, _("The invitation is on its way."))
    return None


def _to_firing(request: CoopRequest, firing: UUID) -> HttpResponse:
    return HttpResponseRedirect(reverse("firing", kwargs={"coop": request.coop.slug, "firing": firing}), status=303)


urls = [
    path("firings/", firings, name="firings"),
    path("firings/call/", firing_call, name="firing_call"),
    path("firings/<uuid:firing>/", firing, name="firing"),
    path("firings/<uuid:firing>/dates/", firing_dates, name="firing_dates"),
    path("firings/<uuid:firing>/move/", firing_move, name="firing_move"),
    path("firings/<uuid:firing>/call-off/", firing_call_off, name="firing_call_off"),
    path("firings/<uuid:firing>/guests/", firing_guest, name="firing_guest"),
]
