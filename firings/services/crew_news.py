"""News that upsets a roster, the mended roster the lead accepts, and what people at the fire are asked first."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.db.models import F
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop import computations
from coop.errors import Malformed, NotAllowed, NotFound, Refused, Taken
from coop.models import Computation, Coop, Membership
from coop.periods import show_length
from coop.transactions import reading, say, use_case
from firings.access import check_leads
from firings.models import CrewNews, Firing, PlaceQuestion, Watch, WatchPlace, WatchProposal
from firings.queries.firings import firing_of
from firings.services import mending, rosters
from firings.services.mending import Effects, Step
from firings.services.watches import (
    check_takes_crew,
    credit_stood,
    held_place,
    let_go,
    lock_member,
    name_leads,
    page_of,
    put_on,
    take_off_watches,
    tell,
    tell_lead,
    to_come,
)

MOST_LONGER = timedelta(days=3)
MOST_LATE = timedelta(hours=12)

say(
    one_open_news_per_place=gettext_lazy("This was said already; the lead knows."),
    one_open_longer_per_firing=gettext_lazy("That the fire runs longer was said already; take it back to change it."),
    news_says_what_it_must=gettext_lazy("Say by how many minutes, at least one."),
    question_asks_something=gettext_lazy("There is nothing to ask."),
    answer_closes_question=gettext_lazy("This question was answered already."),
    one_open_question_per_place=gettext_lazy("They have been asked about this place already; wait for their answer."),
    one_open_question_per_watch=gettext_lazy("They have been asked about this watch already; wait for their answer."),
)


# --- News ---------------------------------------------------------------------------------


@use_case
def cannot_come(coop: Coop, *, by: Membership | None, now: datetime, place_id: UUID) -> CrewNews:
    """Say that the holder of a place cannot come, however near or running the watch; the lead is told at once and
    a mended roster is computed. The place stays theirs until the lead accepts that roster or takes it over by hand.
    """
    place = _own_place(coop, by, place_id, now)
    CrewNews.objects.of(coop).open().filter(place=place).update(closed_at=now)  # late has become not at all
    made = _told(place.watch.firing, by, now, kind=CrewNews.Kind.OUT, place=place)
    left = place.watch.starts_at - now
    when = _("begins in %(left)s") % {"left": show_length(left)} if left > timedelta(0) else _("is running")
    tell_lead(
        place.watch.firing,
        besides=by or place.member,
        key=f"crew-out:{made.public_id}",
        subject=_("%(who)s cannot come; the watch %(when)s") % {"who": place.member.name, "when": when},
        text=_("%(watch)s. A mended roster is being computed; look at it and accept it, or find somebody yourself.")
        % {"watch": rosters.spoken(place.watch)},
        now=now,
    )
    _ask(place.watch.firing, by, now)
    return made


@use_case
def comes_late(coop: Coop, *, by: Membership | None, now: datetime, place_id: UUID, minutes: int) -> CrewNews:
    """Say that the holder of a place comes so many minutes after the watch begins."""
    place = _own_place(coop, by, place_id, now)
    if not 1 <= minutes <= MOST_LATE // timedelta(minutes=1):
        raise Malformed(
            [_("Say by how many minutes, from 1 to %(most)d.") % {"most": MOST_LATE // timedelta(minutes=1)}]
        )
    if place.watch.starts_at + timedelta(minutes=minutes) >= place.watch.ends_at:
        raise Refused(_("That is after the watch has ended; say that you cannot come instead."))
    CrewNews.objects.of(coop).open().filter(place=place).update(closed_at=now)
    made = _told(place.watch.firing, by, now, kind=CrewNews.Kind.LATE, place=place, minutes=minutes)
    words = {
        "who": place.member.name,
        "late": show_length(timedelta(minutes=minutes)),
        "watch": rosters.spoken(place.watch),
    }
    tell_lead(
        place.watch.firing,
        besides=by or place.member,
        key=f"crew-late:{made.public_id}",
        subject=_("%(who)s comes %(late)s late") % words,
        text=_("%(watch)s. Who could stay until then is being computed.") % words,
        now=now,
    )
    _ask(place.watch.firing, by, now)
    return made


@use_case
def runs_longer(coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID, minutes: int) -> CrewNews:
    """The lead says that the fire will run so many minutes longer than planned; watches for it are computed."""
    firing = firing_of(coop, firing_id)
    check_leads(by, firing)
    check_takes_crew(firing)
    if not 1 <= minutes <= MOST_LONGER // timedelta(minutes=1):
        raise Malformed(
            [_("Say how much longer, from a minute to %(most)d hours.") % {"most": MOST_LONGER // timedelta(hours=1)}]
        )
    longer = CrewNews.objects.of(coop).open().filter(firing=firing, kind=CrewNews.Kind.LONGER)
    longer.update(closed_at=now)  # the later word counts
    made = _told(firing, by, now, kind=CrewNews.Kind.LONGER, minutes=minutes)
    _ask(firing, by, now)
    return made


@use_case
def runs_shorter(coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID, until: datetime) -> list[Watch]:
    """The lead says that the fire is over by ``until``: watches that begin then or later are taken off.

    Their people are told; a watch under way keeps its crew. That a fire runs longer can be said again any time.
    """
    firing = firing_of(coop, firing_id)
    check_leads(by, firing)
    if firing.stage != Firing.Stage.LIT:
        raise Refused(_("The kiln is not burning; before it is lit, change its dates instead."))
    if until <= now:
        raise Refused(_("That moment has passed; end the fire instead, or give a later one."))
    spare = list(to_come(firing, now).filter(starts_at__gte=until).select_for_update(of=("self",)))
    if not spare:
        raise Refused(_("No watch begins after that, so there is none to take off."))
    take_off_watches(
        firing, spare, now, why=_("The fire is likely to end before it: nobody is needed for the watch %(watch)s.")
    )
    CrewNews.objects.of(coop).open().filter(firing=firing, kind=CrewNews.Kind.LONGER).update(closed_at=now)
    _replace_open(firing, now)
    ends_at = max(min(until, firing.ends_at), firing.lights_at + timedelta(hours=1))
    Firing.objects.of(coop).filter(pk=firing.pk).update(ends_at=ends_at)
    return spare


@use_case
def take_back(coop: Coop, *, by: Membership | None, now: datetime, news_id: UUID) -> CrewNews:
    """It is not so after all: who said it, whose place it is, or the lead takes the news back."""
    news = (
        CrewNews.objects.of(coop)
        .filter(public_id=news_id)
        .select_related("firing__lead__person", "firing__coop", "firing__kiln", "place__member__person")
        .first()
    )
    if news is None:
        raise NotFound(_("There is no such news here."))
    if by is None or by.pk not in (news.said_by_id, news.place.member_id if news.place else None):
        check_leads(by, news.firing)
    if not CrewNews.objects.of(coop).open().filter(pk=news.pk).update(closed_at=now):
        raise Taken(_("This is settled already: a mended roster was accepted, or it was taken back."))
    _replace_open(news.firing, now)
    if news.place is not None:
        tell_lead(
            news.firing,
            besides=by or news.place.member,
            key=f"crew-news-back:{news.public_id}",
            subject=_("%(who)s comes after all") % {"who": news.place.member.name},
            text=_("The place is theirs as before; the roster needs no mending for it."),
            now=now,
        )
    if CrewNews.objects.of(coop).open().filter(firing=news.firing).exists():
        _ask(news.firing, by, now)
    taken_back: CrewNews = CrewNews.objects.of(coop).get(pk=news.pk)
    return taken_back


@use_case
def mend(coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID) -> Computation:
    """Ask for the mended roster anew, as things stand now."""
    firing = firing_of(coop, firing_id)
    check_leads(by, firing)
    if not CrewNews.objects.of(coop).open().filter(firing=firing).exists():
        raise Refused(_("Nothing has upset this roster, so there is nothing to mend."))
    return _ask(firing, by, now)


def _own_place(coop: Coop, by: Membership | None, place_id: UUID, now: datetime) -> WatchPlace:
    place = held_place(coop, place_id)
    if by is not None and by.pk != place.member_id:
        check_leads(by, place.watch.firing)
    check_takes_crew(place.watch.firing)
    if place.watch.ends_at <= now or place.confirmed_at is not None:
        raise Refused(_("This watch is over; there is nothing to mend."))
    return place


def _told(firing: Firing, by: Membership | None, now: datetime, **what: Any) -> CrewNews:
    made: CrewNews = CrewNews.objects.create(coop_id=firing.coop_id, firing=firing, said_by=by, said_at=now, **what)
    return made


def _ask(firing: Firing, by: Membership | None, now: datetime) -> Computation:
    return computations.ask(firing.coop, kind="watch_mending", subject=firing.public_id, by=by, now=now)


def _replace_open(firing: Firing, now: datetime) -> None:
    """A proposal that answers news which is no more is no longer one."""
    open_ones = WatchProposal.objects.of(firing.coop).filter(firing=firing, accepted_at=None, replaced_at=None)
    open_ones.exclude(mends={}).update(replaced_at=now)


# --- The mended roster --------------------------------------------------------------------


@computations.work("watch_mending")
def compute_mending(row: Computation, now: datetime) -> dict[str, Any]:
    """Mend the roster and lay it before the lead. Twice gives two proposals, the later of which counts."""
    with reading(row.coop):
        firing = firing_of(row.coop, row.subject)
        what = mending.wanted(firing, now)
    request, answer, mends = mending.computed(what)
    proposal = rosters.keep_proposal(
        row.coop, by=None, now=now, firing_id=firing.public_id, request=request, answer=answer, mends=mends
    )
    return {"proposal": str(proposal.public_id), "link": page_of(firing, "watch_proposal", proposal=proposal.public_id)}


@dataclass(slots=True)
class Mended:
    """What became of a mended roster: people told, people asked, and what the rules no longer let through."""

    proposal: WatchProposal
    told: list[Membership] = field(default_factory=list)
    asked: list[PlaceQuestion] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)


@use_case
def accept_mending(
    coop: Coop, *, by: Membership | None, now: datetime, proposal_id: UUID, seen: str | None = None
) -> Mended:
    """The lead accepts a mended roster: places change hands, and exactly those who were listed are told or asked.

    ``seen`` is the mark of the list the lead saw (``Effects.seen``); if the list is another one by now, nothing is
    done. Whoever is at the fire is asked and stays where they are until they agree.
    """
    proposal = (
        WatchProposal.objects.of(coop)
        .filter(public_id=proposal_id)
        .select_related("firing__kiln", "firing__coop", "firing__policy", "firing__lead__person")
        .first()
    )
    if proposal is None or not proposal.mends:
        raise NotFound(_("There is no such proposal here."))
    firing = proposal.firing
    check_leads(by, firing)
    open_one = WatchProposal.objects.of(coop).filter(pk=proposal.pk, accepted_at=None, replaced_at=None)
    if not open_one.update(accepted_at=now):
        raise Taken(_("This proposal was accepted or replaced already; ask for a new one."))
    found = mending.effects(firing, proposal, now)
    if seen is not None and seen != found.seen:
        raise Taken(_("The roster has changed since you looked, and others would be told now. Look at it again."))
    proposal.refresh_from_db()
    done = Mended(proposal)
    _carry_out(firing, proposal, found, done, by, now)
    _close_news(firing, proposal, done, now)
    return done


def _carry_out(
    firing: Firing, proposal: WatchProposal, found: Effects, done: Mended, by: Membership | None, now: datetime
) -> None:
    for watch in found.added:
        watch.pk = None
        watch.save(force_insert=True)
    for watch, ends_at in found.retimed:
        Watch.objects.of(firing.coop).filter(pk=watch.pk).update(ends_at=ends_at)
    if found.added or found.retimed:
        mending.make_longer(
            firing, max(*(w.ends_at for w in found.added), *(e for _w, e in found.retimed), firing.ends_at)
        )
    at_once = [step for step in found.steps if not step.asks]
    for step in at_once:
        if step.place is not None:
            take_off(step.place, by, now)
    failed: set[int] = set()
    for step in sorted((step for step in at_once if step.watch is not None), key=_rank):
        assert step.watch is not None
        try:
            put_on(step.watch, step.member, now)
        except Refused as no:
            failed.add(step.member.pk)
            done.left_out.append(f"{step.member.name}, {rosters.spoken(step.watch)}: {no}")
    for step in found.steps:
        if step.asks:
            done.asked.append(_question(firing, proposal, step, now))
    for one in found.told:
        if one.asks or one.member.pk in failed:
            continue
        done.told.append(one.member)
        tell(
            firing,
            one.member,
            key=f"roster-mended:{proposal.public_id}:{one.member.public_id}",
            subject=_("Your watches have changed"),
            text="\n".join([*one.lines, _("If you cannot come, say so at once; nobody is alone at the fire.")]),
            now=now,
        )


def _rank(step: Step) -> tuple[datetime, int, int]:
    """Leads first, novices last, so that each joins a sound crew."""
    assert step.watch is not None
    on = rosters.day_of(step.watch)
    rank = 0 if rosters.may_lead(step.member, on) else 2 if rosters.is_novice(step.member, on) else 1
    return (step.watch.starts_at, rank, step.member.pk)


def take_off(place: WatchPlace, by: Membership | None, now: datetime) -> None:
    """Free a place, the rules of leaving aside: what has happened at the fire is written down as it is, and what
    was stood of a running watch counts."""
    if not WatchPlace.objects.filter(coop=place.coop_id, pk=place.pk, given_up_at=None).update(given_up_at=now):
        raise Taken(_("This place was given up or taken over already."))
    Watch.objects.filter(coop=place.coop_id, pk=place.watch_id).update(taken=F("taken") - 1)
    credit_stood(place, by, now)
    let_go(place.watch.firing.coop, [place.pk], now)
    name_leads(place.watch)


def _question(firing: Firing, proposal: WatchProposal, step: Step, now: datetime) -> PlaceQuestion:
    asked: PlaceQuestion = PlaceQuestion.objects.create(
        coop_id=firing.coop_id,
        firing=firing,
        member=step.member,
        proposal=proposal,
        place=step.place,
        takes=step.watch,
        until=step.until,
        asked_at=now,
    )
    tell(
        firing,
        step.member,
        key=f"place-question:{asked.public_id}",
        subject=_("A question from the lead"),
        text=mending.sentence(step)
        + " "
        + _("Say yes or no on the page of the watches; until then all stays as it is."),
        now=now,
    )
    return asked


def _close_news(firing: Firing, proposal: WatchProposal, done: Mended, now: datetime) -> None:
    answered = CrewNews.objects.of(firing.coop).open().filter(public_id__in=proposal.mends["news"])
    late = answered.filter(kind=CrewNews.Kind.LATE)
    keep = list(late.values_list("pk", flat=True))  # shown until the watch begins: they still come late
    answered.exclude(pk__in=keep).update(closed_at=now)


# --- Questions to people at the fire ------------------------------------------------------


@use_case
def answer(coop: Coop, *, by: Membership, now: datetime, question_id: UUID, agrees: bool) -> PlaceQuestion:
    """Somebody at the fire says yes or no; yes changes their places at once, every rule checked, no leaves them."""
    asked = (
        PlaceQuestion.objects.of(coop)
        .filter(public_id=question_id)
        .select_related(
            *[f"takes__firing__{path}" for path in ("kiln", "coop", "policy", "lead__person")],
            *[f"place__watch__firing__{path}" for path in ("kiln", "coop", "policy", "lead__person")],
            *[f"firing__{path}" for path in ("kiln", "coop", "policy", "lead__person")],
            "member__person",
            "place__member__person",
        )
        .first()
    )
    if asked is None:
        raise NotFound(_("There is no such question here."))
    if by.pk != asked.member_id:
        raise NotAllowed(_("Only %(name)s can answer this.") % {"name": asked.member.name})
    lock_member(by)
    open_one = PlaceQuestion.objects.of(coop).open().filter(pk=asked.pk)
    if not open_one.update(closed_at=now, agreed=agrees):
        raise Taken(_("This question is closed already."))
    if agrees:
        _as_agreed(asked, by, now)
    step = Step(by, asked.place, asked.takes, asked.until, asks=True)
    tell_lead(
        asked.firing,
        besides=by,
        key=f"place-answer:{asked.public_id}",
        subject=(_("%(who)s says yes") if agrees else _("%(who)s says no")) % {"who": by.name},
        text=mending.sentence(step),
        now=now,
    )
    answered: PlaceQuestion = PlaceQuestion.objects.of(coop).get(pk=asked.pk)
    return answered


def _as_agreed(asked: PlaceQuestion, by: Membership, now: datetime) -> None:
    if asked.until is not None and asked.place is not None:
        if asked.until <= now:
            raise Refused(_("That time has passed; there is nothing to stay for any more."))
        held = WatchPlace.objects.filter(coop=asked.coop_id, pk=asked.place.pk, given_up_at=None)
        if not held.update(stays_until=asked.until):
            raise Taken(_("You no longer hold this place."))
        return
    if asked.place is not None:
        if asked.takes is None and asked.place.watch.starts_at <= now:
            raise Refused(_("You are on this watch now; leave only when somebody has taken over."))
        take_off(asked.place, by, now)
    if asked.takes is not None:
        put_on(asked.takes, by, now, goes_on=True)
