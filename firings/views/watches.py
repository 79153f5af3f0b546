"""Pages of watches: who is on when, wishes, offers, the proposed roster."""

from __future__ import annotations

from dataclasses import dataclass
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
from coop.templatetags.look import moment
from coop.transactions import reading
from firings.access import check_leads
from firings.forms.watches import ConfirmForm, LimitsForm, LongerForm, OfferForm, SwapForm, wishes_said
from firings.models import Firing, PlaceQuestion, Wish
from firings.queries import chores as chore_queries
from firings.queries import watches as queries
from firings.queries.firings import firing_of
from firings.queries.hours import terms_of
from firings.services import mending, skills
from firings.services import watches as services

LATE_BY = (15, 30, 45, 60, 90, 120, 180)
WISHES = [(value, label) for value, label in Wish.Value.choices]


@dataclass(frozen=True, slots=True)
class Asked:
    """A question to somebody at the fire, with its words."""

    row: PlaceQuestion
    text: str


def _to(request: CoopRequest, name: str, **kwargs: UUID) -> HttpResponse:
    return HttpResponseRedirect(reverse(name, kwargs={"coop": request.coop.slug, **kwargs}), status=303)


@coop_page
def firing_watches(request: CoopRequest, firing: UUID) -> HttpResponse:
    found, me, now = firing_of(request.coop, firing), request.membership, timezone.now()
    rows = queries.rows_for(found, me, now)
    gaps = [row for row in rows if row.has_gap]
    leads = allowed(check_leads, me, found)
    swaps_in, swaps_out = queries.swaps_of(found, me, now)
    questions = [Asked(one, mending.question_text(one)) for one in queries.questions_of(found)]
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
            "offers": queries.offers_to(found, me, now),
            "swaps_in": swaps_in,
            "swaps_out": swaps_out,
            "news": queries.news_of(found),
            "my_questions": [one for one in questions if one.row.member_id == me.pk],
            "open_questions": questions if leads else [],
            "chart": queries.chart_of(found, rows, now),
            "chores": chore_queries.rows_for(found, me, now),
            "leads": leads,
            "missing": skills.missing(found, rows, now) if leads else [],
            "proposal": queries.latest_proposal(found),
            "computing": queries.waiting_computation(found),
            "longer_form": LongerForm() if leads and rows and not all(row.is_over for row in rows) else None,
        },
    )


@coop_page
def watch(request: CoopRequest, firing: UUID, watch: UUID) -> HttpResponse:
    found, now = firing_of(request.coop, firing), timezone.now()
    row = queries.row_of(found, watch, request.membership, now)
    others = queries.rows_for(found, request.membership, now)
    leads = allowed(check_leads, request.membership, found)
    swap = None
    if row.mine and not row.has_begun:
        places = queries.could_swap(others, row.mine)
        swap = SwapForm(
            places=[(str(one.place.public_id), f"{moment(one.place.watch.starts_at)}: {one.name}") for one in places]
        )
    return render(
        request,
        "firings/watch.html",
        {
            "firing": found,
            "tab": "watches",
            "row": row,
            "form": OfferForm(people=queries.could_be_asked(request.coop, row)) if row.mine else None,
            "swap_form": swap,
            "late_choices": LATE_BY,
            "leads": leads,
            "may_confirm": row.is_over and (leads or any(other.mine for other in others)),
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
    """One form; with a script each tap sends its own part of it and gets back a word, without one all is sent."""
    me, now = request.membership, timezone.now()
    found = firing_of(request.coop, firing)
    rows = [row for row in queries.rows_for(found, me, now) if not row.has_begun]
    nights = queries.nights_of(found, rows)
    if request.method != "POST":
        limits = queries.limits_of(found, me)
        initial = {name: getattr(limits, name) for name in LimitsForm.base_fields}
        return _wishes_page(request, found, nights, LimitsForm(initial=initial))
    form = LimitsForm(request.POST) if "limits" in request.POST else None
    is_tap = request.headers.get("HX-Request") == "true"
    if form is not None and not form.is_valid():
        if is_tap:
            return render(request, "firings/_wish_saved.html", {"faults": form.errors.values()})
        with reading(request.coop):
            return _wishes_page(request, found, nights, form, status=400)
    said = wishes_said(request.POST.dict(), nights)
    given = None if form is None else services.Limits(**form.cleaned_data)
    try:
        services.wish_all(request.coop, by=me, now=now, firing_id=firing, values=said, limits=given)
    except Refused as no:
        if is_tap:
            return render(request, "firings/_wish_saved.html", {"faults": [[str(no)]]})
        raise
    if is_tap:
        return render(request, "firings/_wish_saved.html", {})
    messages.success(request, _("Your wishes are saved."))
    night = request.POST.get("whole", "").partition("|")[0]
    if any(group.key == night for group in nights):
        there = reverse("watch_wishes", kwargs={"coop": request.coop.slug, "firing": firing})
        return HttpResponseRedirect(f"{there}#night-{night}", status=303)
    return _to(request, "firing_watches", firing=firing)


def _wishes_page(
    request: CoopRequest, firing: Firing, nights: list[queries.WishNight], form: LimitsForm, status: int = 200
) -> HttpResponse:
    shown = {
        "firing": firing,
        "tab": "watches",
        "nights": nights,
        "choices": WISHES,
        "form": form,
        "terms": terms_of(firing),
    }
    return render(request, "firings/watch_wishes.html", shown, status=status)


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
    found, now = firing_of(request.coop, firing), timezone.now()
    shown = queries.proposal_of(found, proposal)
    leads = allowed(check_leads, request.membership, found)
    if shown.row.mends:
        mended = mending.effects(found, shown.row, now) if shown.is_open else None
        return render(
            request,
            "firings/watch_mending.html",
            {"firing": found, "tab": "watches", "proposal": shown, "effects": mended, "leads": leads},
        )
    return render(
        request,
        "firings/watch_proposal.html",
        {
            "firing": found,
            "tab": "watches",
            "proposal": shown,
            "chart": queries.chart_of_proposal(found, shown, now),
            "leads": leads,
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
