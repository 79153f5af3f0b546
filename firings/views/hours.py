"""Pages of the hours account: mine over all firings, and everybody's in one firing."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from coop.access import allowed, check_holds
from coop.errors import Refused
from coop.forms import add_refusal
from coop.http import CoopRequest, coop_form, coop_page
from coop.models import Membership, Role
from coop.transactions import reading
from firings.access import check_leads
from firings.forms.hours import AdjustForm
from firings.models import Firing
from firings.queries import hours as queries
from firings.queries.firings import firing_of
from firings.services import hours as services


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
    accounts = queries.for_firing(request.coop, firing)
    may_adjust = allowed(check_holds, request.membership, Role.Kind.COORDINATOR, to="")
    if may_adjust and form is None:
        form = AdjustForm(people=Membership.objects.of(request.coop).select_related("person"))
    shown: dict[str, Any] = {
        "firing": firing,
        "tab": "watches",
        "sees_all": sees_all,
        "accounts": [one for one in accounts if sees_all or one.member.pk == request.membership.pk],
        "work_asked": queries.work_asked(firing),
        "form": form if may_adjust else None,
    }
    return render(request, "firings/firing_hours.html", shown, status=status)


_FIRING = "firings/<uuid:firing>/"
urls = [
    path("hours/", hours, name="hours"),
    path(f"{_FIRING}hours/", firing_hours, name="firing_hours"),
]
