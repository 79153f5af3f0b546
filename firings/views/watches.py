"""Pages of watches: who is on when, wishes, offers, the proposed roster."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from coop.access import allowed
from coop.errors import Refused
from coop.http import CoopRequest, coop_action, coop_form, coop_page
from firings.access import check_leads
from firings.forms.watches import ConfirmForm, OfferForm, wishes_said
from firings.models import Wish
from firings.queries import chores as chore_queries
from firings.queries import watches as queries
from firings.queries.firings import firing_of
from firings.services import watches as services

WISHES = [(value, label) for value, label in Wish.Value.choices]


def _to(request: CoopRequest, name: str, **kwargs: UUID) -> HttpResponse:
    return HttpResponseRedirect(reverse(name, kwargs={"coop": request.coop.slug, **kwargs}), status=303)


@coop_page
def firing_watches(request: CoopRequest, firing: UUID) -> HttpResponse:
    found, now = firing_of(request.coop, firing), timezone.now()
    rows = queries.rows_for(found, request.membership, now)
    gaps = [row for row in rows if row.has_gap]
    return render(
        request,
        "firings/firing_watches.html",
        {
            "firing": found,
            "tab": "watches",
            "rows": rows,
            "gaps": gaps,
            "open_places": sum(row.open for row in gaps),
            "mine": [row for row in rows if row.mine],
            "to_come": [row for row in rows if not row.has_begun],
            "has_wished": any(row.wish for row in rows),
            "offers": queries.offers_to(found, request.membership, now),
            "chart": queries.chart_of(found, rows),
            "chores": chore_queries.rows_for(found, request.membership, now),
            "leads": allowed(check_leads, request.membership, found),
            "proposal": queries.latest_proposal(found),
            "computing": queries.waiting_computation(found),
        },
    )


@coop_page
def watch(request: CoopRequest, firing: UUID, watch: UUID) -> HttpResponse:
    found, now = firing_of(request.coop, firing), timezone.now()
    row = queries.row_of(found, watch, request.membership, now)
    return render(
        request,
        "firings/watch.html",
        {
            "firing": found,
            "tab": "watches",
            "row": row,
            "form": OfferForm(people=queries.could_be_asked(request.coop, row)) if row.mine else None,
            "leads": allowed(check_leads, request.membership, found),
            "may_confirm": row.is_over
            and (
                allowed(check_leads, request.membership, found)
                or any(other.mine for other in queries.rows_for(found, request.membership, now))
            ),
        },
    )


@coop_action(back="firing_watches")
def watch_sign_up(request: CoopRequest, firing: UUID, watch: UUID) -> HttpResponse | None:
    services.sign_up(request.coop, by=request.membership, now=timezone.now(), watch_id=watch)
    messages.success(request, _("You are on this watch. Thank you."))
    return None


@coop_action(back="firing_watches")
def watch_give_up(request: CoopRequest, firing: UUID, watch: UUID) -> HttpResponse | None:
    services.give_up(request.coop, by=request.membership, now=timezone.now(), watch_id=watch)
    messages.success(request, _("Your place is free for somebody else, and the lead knows."))
    return None


@coop_action(back="firing_watches")
def place_offer(request: CoopRequest, firing: UUID, place: UUID) -> HttpResponse | None:
    form = OfferForm(request.POST)
    if not form.is_valid():
        raise Refused(_("Pick somebody from the list, or “whoever takes it”."))
    to = form.cleaned_data["to"]
    services.offer(request.coop, by=request.membership, now=timezone.now(), place_id=place, to_member_id=to)
    messages.success(request, _("Your place is on offer. It stays yours until somebody agrees."))
    return None


@coop_action(back="firing_watches")
def offer_take(request: CoopRequest, firing: UUID, offer: UUID) -> HttpResponse | None:
    services.take_over(request.coop, by=request.membership, now=timezone.now(), offer_id=offer)
    messages.success(request, _("The place is yours. Thank you."))
    return None


@coop_action(back="firing_watches")
def offer_decline(request: CoopRequest, firing: UUID, offer: UUID) -> HttpResponse | None:
    services.decline(request.coop, by=request.membership, now=timezone.now(), offer_id=offer)
    messages.success(request, _("The offer is closed; the place stays where it was."))
    return None


@coop_action(back="firing_watches")
def place_confirm(request: CoopRequest, firing: UUID, place: UUID) -> HttpResponse | None:
    services.confirm(
        request.coop, by=request.membership, now=timezone.now(), place_id=place, minutes=minutes_in(request)
    )
    messages.success(request, _("Confirmed; the hours are in the account."))
    return None


def minutes_in(request: CoopRequest) -> int | None:
    """The minutes typed beside a confirmation; nothing typed means the whole time."""
    form = ConfirmForm({"place": "00000000-0000-0000-0000-000000000000", "minutes": request.POST.get("minutes", "")})
    if not form.is_valid():
        raise Refused(_("Give the minutes as a whole number: 0 if they did not come, at most 24 hours."))
    minutes: int | None = form.cleaned_data["minutes"]
    return minutes


# --- Wishes -------------------------------------------------------------------------------


@coop_form
def watch_wishes(request: CoopRequest, firing: UUID) -> HttpResponse:
    now = timezone.now()
    if request.method == "POST":
        found = firing_of(request.coop, firing)
        to_come = [row for row in queries.rows_for(found, request.membership, now) if not row.has_begun]
        nights = [row.watch.public_id for row in to_come if queries.is_at_night(row.watch, found)]
        said = wishes_said(request.POST.dict(), [row.watch.public_id for row in to_come], nights=nights)
        services.wish_all(request.coop, by=request.membership, now=now, firing_id=firing, values=said)
        messages.success(request, _("Your wishes are saved."))
        return _to(request, "firing_watches", firing=firing)
    found = firing_of(request.coop, firing)
    rows = [row for row in queries.rows_for(found, request.membership, now) if not row.has_begun]
    wishes = [{"row": row, "is_night": queries.is_at_night(row.watch, found)} for row in rows]
    return render(
        request,
        "firings/watch_wishes.html",
        {"firing": found, "tab": "watches", "wishes": wishes, "choices": WISHES},
    )


# --- The proposed roster ------------------------------------------------------------------


@coop_action(back="firing_watches")
def roster_propose(request: CoopRequest, firing: UUID) -> HttpResponse:
    asked = services.propose_roster(request.coop, by=request.membership, now=timezone.now(), firing_id=firing)
    return _wait_for(request, asked.public_id, firing)


@coop_action(back="firing_watches")
def roster_print(request: CoopRequest, firing: UUID) -> HttpResponse:
    asked = services.print_roster(request.coop, by=request.membership, now=timezone.now(), firing_id=firing)
    return _wait_for(request, asked.public_id, firing)


def _wait_for(request: CoopRequest, computation: UUID, firing: UUID) -> HttpResponse:
    wait = reverse("computation", kwargs={"coop": request.coop.slug, "computation": computation})
    back = reverse("firing_watches", kwargs={"coop": request.coop.slug, "firing": firing})
    return HttpResponseRedirect(f"{wait}?next={back}", status=303)


@coop_page
def watch_proposal(request: CoopRequest, firing: UUID, proposal: UUID) -> HttpResponse:
    found = firing_of(request.coop, firing)
    shown = queries.proposal_of(found, proposal)
    return render(
        request,
        "firings/watch_proposal.html",
        {
            "firing": found,
            "tab": "watches",
            "proposal": shown,
            "chart": queries.chart_of_proposal(found, shown),
            "leads": allowed(check_leads, request.membership, found),
        },
    )


@coop_action(back="firing_watches")
def roster_accept(request: CoopRequest, firing: UUID, proposal: UUID) -> HttpResponse:
    done = services.accept_roster(request.coop, by=request.membership, now=timezone.now(), proposal_id=proposal)
    count = len(done.seated)
    messages.success(request, ngettext("%(n)d place was filled.", "%(n)d places were filled.", count) % {"n": count})
    for reason in done.left_out:
        messages.warning(request, reason)
    return _to(request, "firing_watches", firing=firing)


_FIRING = "firings/<uuid:firing>/"
urls = [
    path(f"{_FIRING}watches/", firing_watches, name="firing_watches"),
    path(f"{_FIRING}watches/wishes/", watch_wishes, name="watch_wishes"),
    path(f"{_FIRING}watches/propose/", roster_propose, name="roster_propose"),
    path(f"{_FIRING}watches/print/", roster_print, name="roster_print"),
    path(f"{_FIRING}watches/proposals/<uuid:proposal>/", watch_proposal, name="watch_proposal"),
    path(f"{_FIRING}watches/proposals/<uuid:proposal>/accept/", roster_accept, name="roster_accept"),
    path(f"{_FIRING}watches/<uuid:watch>/", watch, name="watch"),
    path(f"{_FIRING}watches/<uuid:watch>/sign-up/", watch_sign_up, name="watch_sign_up"),
    path(f"{_FIRING}watches/<uuid:watch>/give-up/", watch_give_up, name="watch_give_up"),
    path(f"{_FIRING}watch-places/<uuid:place>/offer/", place_offer, name="place_offer"),
    path(f"{_FIRING}watch-places/<uuid:place>/confirm/", place_confirm, name="place_confirm"),
    path(f"{_FIRING}watch-offers/<uuid:offer>/take/", offer_take, name="offer_take"),
    path(f"{_FIRING}watch-offers/<uuid:offer>/decline/", offer_decline, name="offer_decline"),
]
