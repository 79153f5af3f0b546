"""Buttons that change a roster between two people, or mend it: swaps, news from the crew, questions to it."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from coop.errors import Refused
from coop.http import CoopRequest, coop_action, coop_page
from firings.forms.watches import LateForm, LongerForm, SwapForm
from firings.queries import watches as queries
from firings.services import crew_news, swaps


@coop_action(back="firing_watches")
def swap_ask(request: CoopRequest, firing: UUID, place: UUID) -> HttpResponse | None:
    form = SwapForm(request.POST)
    if not form.is_valid():
        raise Refused(_("Pick the watch and the name you would swap with."))
    there = form.cleaned_data["for_place"]
    swaps.ask(request.coop, by=request.membership, now=timezone.now(), place_id=place, for_place_id=there)
    messages.success(request, _("They have been asked. Both places stay as they are until they agree."))
    return None


@coop_action(back="firing_watches")
def swap_agree(request: CoopRequest, firing: UUID, swap: UUID) -> HttpResponse | None:
    swaps.agree(request.coop, by=request.membership, now=timezone.now(), swap_id=swap)
    messages.success(request, _("Swapped: both places have changed hands."))
    return None


@coop_action(back="firing_watches")
def swap_decline(request: CoopRequest, firing: UUID, swap: UUID) -> HttpResponse | None:
    swaps.decline(request.coop, by=request.membership, now=timezone.now(), swap_id=swap)
    messages.success(request, _("The swap is off; both places stay where they were."))
    return None


@coop_action(back="firing_watches")
def place_out(request: CoopRequest, firing: UUID, place: UUID) -> HttpResponse | None:
    crew_news.cannot_come(request.coop, by=request.membership, now=timezone.now(), place_id=place)
    messages.success(request, _("The lead knows, and a mended roster is being computed."))
    return None


@coop_action(back="firing_watches")
def place_late(request: CoopRequest, firing: UUID, place: UUID) -> HttpResponse | None:
    form = LateForm(request.POST)
    if not form.is_valid():
        raise Refused(_("Say by how many minutes you come late, from 1 to 720."))
    minutes = form.cleaned_data["minutes"]
    crew_news.comes_late(request.coop, by=request.membership, now=timezone.now(), place_id=place, minutes=minutes)
    messages.success(request, _("The lead knows. Come as soon as you can, and drive with care."))
    return None


@coop_action(back="firing_watches")
def news_take_back(request: CoopRequest, firing: UUID, news: UUID) -> HttpResponse | None:
    crew_news.take_back(request.coop, by=request.membership, now=timezone.now(), news_id=news)
    messages.success(request, _("Taken back; the roster stands as it did."))
    return None


@coop_action(back="firing_watches")
def fire_longer(request: CoopRequest, firing: UUID) -> HttpResponse | None:
    form = LongerForm(request.POST)
    if not form.is_valid():
        raise Refused(_("Say how many hours longer the fire runs, from a quarter of an hour to 72 hours."))
    minutes = round(form.cleaned_data["hours"] * 60)
    crew_news.runs_longer(request.coop, by=request.membership, now=timezone.now(), firing_id=firing, minutes=minutes)
    messages.success(request, _("Watches for the longer fire are being computed; nothing is fixed until you accept."))
    return None


@coop_action(back="firing_watches")
def fire_shorter(request: CoopRequest, firing: UUID) -> HttpResponse | None:
    try:
        until: datetime | None = datetime.fromisoformat(request.POST.get("until", ""))
    except ValueError:
        until = None
    if until is None or until.tzinfo is None:
        raise Refused(_("Say by when the fire is over; load the fire page again and press its button."))
    off = crew_news.runs_shorter(request.coop, by=request.membership, now=timezone.now(), firing_id=firing, until=until)
    said = ngettext("%(n)d watch is off, its crew is told.", "%(n)d watches are off, their crews are told.", len(off))
    messages.success(request, said % {"n": len(off)})
    return None


@coop_action(back="firing_watches")
def roster_mend(request: CoopRequest, firing: UUID) -> HttpResponse | None:
    asked = crew_news.mend(request.coop, by=request.membership, now=timezone.now(), firing_id=firing)
    wait = reverse("computation", kwargs={"coop": request.coop.slug, "computation": asked.public_id})
    back = reverse("firing_watches", kwargs={"coop": request.coop.slug, "firing": firing})
    return HttpResponseRedirect(f"{wait}?next={back}", status=303)


@coop_action(back="firing_watches")
def mending_accept(request: CoopRequest, firing: UUID, proposal: UUID) -> HttpResponse | None:
    done = crew_news.accept_mending(
        request.coop,
        by=request.membership,
        now=timezone.now(),
        proposal_id=proposal,
        seen=request.POST.get("seen", ""),
    )
    told, asked = len(done.told), len(done.asked)
    said = ngettext("%(n)d person is told.", "%(n)d people are told.", told) % {"n": told}
    if asked:
        said += " " + ngettext("%(n)d person is asked.", "%(n)d people are asked.", asked) % {"n": asked}
    messages.success(request, said)
    for reason in done.left_out:
        messages.warning(request, reason)
    return HttpResponseRedirect(
        reverse("firing_watches", kwargs={"coop": request.coop.slug, "firing": firing}), status=303
    )


@coop_action(back="firing_watches")
def question_answer(request: CoopRequest, firing: UUID, question: UUID) -> HttpResponse | None:
    agrees = request.POST.get("answer") == "yes"
    if not agrees and request.POST.get("answer") != "no":
        raise Refused(_("Say yes or no."))
    crew_news.answer(request.coop, by=request.membership, now=timezone.now(), question_id=question, agrees=agrees)
    messages.success(
        request, _("Thank you; it is so from now on.") if agrees else _("All stays as it is, and the lead knows.")
    )
    return None


@coop_page
def watches_by_kiln(request: CoopRequest) -> HttpResponse:
    shown = queries.charts_by_kiln(request.coop, request.membership, timezone.now())
    return render(request, "firings/watches_by_kiln.html", {"shown": shown})


_FIRING = "firings/<uuid:firing>/"
urls = [
    path("watches/", watches_by_kiln, name="watches_by_kiln"),
    path(f"{_FIRING}watches/mend/", roster_mend, name="roster_mend"),
    path(f"{_FIRING}watches/longer/", fire_longer, name="fire_longer"),
    path(f"{_FIRING}watches/shorter/", fire_shorter, name="fire_shorter"),
    path(f"{_FIRING}watches/proposals/<uuid:proposal>/mend/", mending_accept, name="mending_accept"),
    path(f"{_FIRING}watch-places/<uuid:place>/swap/", swap_ask, name="swap_ask"),
    path(f"{_FIRING}watch-places/<uuid:place>/cannot-come/", place_out, name="place_out"),
    path(f"{_FIRING}watch-places/<uuid:place>/late/", place_late, name="place_late"),
    path(f"{_FIRING}watch-swaps/<uuid:swap>/agree/", swap_agree, name="swap_agree"),
    path(f"{_FIRING}watch-swaps/<uuid:swap>/decline/", swap_decline, name="swap_decline"),
    path(f"{_FIRING}crew-news/<uuid:news>/take-back/", news_take_back, name="news_take_back"),
    path(f"{_FIRING}watch-questions/<uuid:question>/answer/", question_answer, name="question_answer"),
]
