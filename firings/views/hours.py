"""Pages of the hours account: mine over all firings, and everybody's in one firing."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from coop.access import allowed, check_holds
from coop.errors import NotFound, Refused
from coop.forms import add_refusal
from coop.http import CoopRequest, coop_form, coop_page
from coop.models import Membership, Role
from coop.transactions import reading
from firings import lifecycle
from firings.access import check_leads
from firings.forms.hours import AdjustForm, CorrectForm
from firings.models import Firing
from firings.queries import hours as queries
from firings.queries.firings import firing_of
from firings.services import hours as services

MOST_OPEN = 8


@coop_page
def hours(request: CoopRequest) -> HttpResponse:
    """My hours account over all firings."""
    return render(request, "firings/hours.html", queries.for_member(request.coop, request.membership))


@coop_form
def firing_hours(request: CoopRequest, firing: UUID) -> HttpResponse:
    """Hours owed and worked in one firing: the lead's and coordinator's view of all, a member's of themselves."""
    if request.method == "POST":
        people = list(Membership.objects.of(request.coop).select_related("person"))
        form = AdjustForm(request.POST, people=people)
        status = 400
        if form.is_valid():
            try:
                services.adjust(
                    request.coop,
                    by=request.membership,
                    now=timezone.now(),
                    member_id=form.cleaned_data["member"],
                    minutes=form.cleaned_data["minutes"],
                    why=form.cleaned_data["why"],
                    key=request.POST.get("once", "")[:80] or f"{timezone.now().timestamp()}",
                    firing_id=firing,
                )
            except Refused as no:
                add_refusal(form, no)
                status = no.status
            else:
                messages.success(request, _("The hours account was adjusted and the member told."))
                there = reverse("firing_hours", kwargs={"coop": request.coop.slug, "firing": firing})
                return HttpResponseRedirect(there, status=303)
        with reading(request.coop):
            return _hours_page(request, firing_of(request.coop, firing), form, status)
    return _hours_page(request, firing_of(request.coop, firing), None, 200)


def _hours_page(request: CoopRequest, firing: Firing, form: AdjustForm | None, status: int) -> HttpResponse:
    sees_all = allowed(check_leads, request.membership, firing)
    me = request.membership.pk
    may_adjust = allowed(check_holds, request.membership, Role.Kind.COORDINATOR, to="")
    if may_adjust and form is None:
        form = AdjustForm(people=Membership.objects.of(request.coop).select_related("person"))
    before = firing.stage in lifecycle.BEFORE_LIT
    outlook = queries.outlook_of(firing) if before else []
    shown: dict[str, Any] = {
        "firing": firing,
        "tab": "watches",
        "sees_all": sees_all,
        "accounts": [one for one in queries.for_firing(request.coop, firing) if sees_all or one.member.pk == me],
        "work_asked": queries.work_asked(firing),
        "before": before,
        "outlook": [row for row in outlook if sees_all or row.member.pk == me],
        "mine": next((row for row in outlook if row.member.pk == me), None),
        "open_work": queries.open_work(firing, timezone.now())[:MOST_OPEN] if before else [],
        "form": form if may_adjust else None,
        "may_adjust": may_adjust,
    }
    return render(request, "firings/firing_hours.html", shown, status=status)


@coop_page
def member_hours(request: CoopRequest, member: UUID) -> HttpResponse:
    """The coordinator's view of somebody's hours account, with each line to be corrected."""
    check_holds(request.membership, Role.Kind.COORDINATOR, to=_("look into an hours account"))
    found = Membership.objects.of(request.coop).select_related("person").filter(public_id=member).first()
    if found is None:
        raise NotFound(_("There is no such member here."))
    context = {**queries.for_member(request.coop, found), "whose": found, "may_correct": True}
    return render(request, "firings/hours.html", context)


@coop_form
def hours_correct(request: CoopRequest, entry: UUID) -> HttpResponse:
    """Say what a line should have been."""
    form, status = CorrectForm(request.POST if request.method == "POST" else None), 422
    if request.method == "POST":
        if form.is_valid():
            try:
                made = services.correct(
                    request.coop, by=request.membership, now=timezone.now(), entry_id=entry, **form.cleaned_data
                )
            except Refused as no:
                add_refusal(form, no)
                status = no.status
            else:
                messages.success(request, _("The line is corrected and the member told."))
                return redirect("member_hours", coop=request.coop.slug, member=made.member.public_id)
        with reading(request.coop):
            return _correct_page(request, entry, form, status)
    return _correct_page(request, entry, form, 200)


def _correct_page(request: CoopRequest, entry: UUID, form: CorrectForm, status: int) -> HttpResponse:
    check_holds(request.membership, Role.Kind.COORDINATOR, to=_("correct an hours account"))
    context = {"line": queries.line_of(request.coop, entry), "form": form}
    return render(request, "firings/hours_correct.html", context, status=status)


_FIRING = "firings/<uuid:firing>/"
urls = [
    path("hours/", hours, name="hours"),
    path("hours/lines/<uuid:entry>/correct/", hours_correct, name="hours_correct"),
    path("members/<uuid:member>/hours/", member_hours, name="member_hours"),
    path(f"{_FIRING}hours/", firing_hours, name="firing_hours"),
]
