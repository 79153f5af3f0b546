"""Mends a roster with the least change after news from the crew: what is to be computed, and what would come of it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise, zip_longest
from typing import Any
from uuid import UUID, uuid4
from zoneinfo import ZoneInfo

from django.db.models import F
from django.utils.translation import gettext as _

from coop.errors import Refused
from coop.models import Membership
from coop.periods import show_length, show_time
from firings.models import CrewNews, Firing, PlaceQuestion, Watch, WatchPlace, WatchProposal
from firings.queries import hours
from firings.roster import problem
from firings.roster.changes import Change, Retimed
from firings.roster.replan import Replan, least_change
from firings.services import rosters

SECONDS = 3.0
MINUTE = timedelta(minutes=1)
_DEEP = ("firing__kiln", "firing__coop", "firing__policy", "firing__lead__person")


@dataclass(frozen=True, slots=True)
class Stay:
    """Somebody of a watch who would be asked to stay beyond its end."""

    place: WatchPlace
    until: datetime


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be mended: the roster as it stands with who is out, and what the news does to the watches."""

    firing: Firing
    news: tuple[CrewNews, ...]
    asked: rosters.Asked
    changes: tuple[Change, ...]
    now_units: int
    may_move: frozenset[str]  # who leaves the watch they are on because they said so
    mends: dict[str, Any]


# --- What is to be computed ---------------------------------------------------------------


def wanted(firing: Firing, now: datetime) -> Wanted:
    """Gather the open news of a firing and the roster it upsets. Raises Refused where there is nothing to mend."""
    news = tuple(
        CrewNews.objects.of(firing.coop)
        .open()
        .filter(firing=firing)
        .select_related("place__member__person", *[f"place__watch__{path}" for path in _DEEP])
    )
    if not news:
        raise Refused(_("Nothing has upset this roster, so there is nothing to mend."))
    watches = list(
        Watch.objects.of(firing.coop).filter(firing=firing, ends_at__gt=now).standing().select_related(*_DEEP)
    )
    crews = _crews(watches)
    out, stays, gaps = _absent(news, watches, crews, now)
    added, retimed, on = _longer(firing, news, watches, crews, now)
    stays += on
    if not (watches or added):
        raise Refused(_("There is no watch left in this firing, so there is nothing to mend."))
    held = {watch.pk: [place.member_id for place in crews[watch.pk]] for watch in watches}
    held |= {watch.pk: [] for watch in added}
    people = rosters.may_be_asked(firing, {member for crew in held.values() for member in crew})
    terms = hours.terms_of(firing)
    asked = rosters.as_request(firing, terms, [*watches, *added], held, people, out=out)
    request = asked.request
    units = (now - request.t0) // timedelta(minutes=request.unit_min)
    changes = tuple(_retimed(watch, ends_at, request, terms) for watch, ends_at in retimed)
    return Wanted(
        firing=firing,
        news=news,
        asked=asked,
        changes=changes,
        now_units=units,
        may_move=frozenset(
            str(place.member.public_id)
            for watch in watches
            if watch.starts_at <= now
            for place in crews[watch.pk]
            if _key(place) in out
        ),
        mends={
            "news": [str(one.public_id) for one in news],
            "out": [str(place.public_id) for crew in crews.values() for place in crew if _key(place) in out],
            "added": [_added(watch) for watch in added],
            "retimed": {str(watch.public_id): ends_at.isoformat() for watch, ends_at in retimed},
            "stays": [{"place": str(one.place.public_id), "until": one.until.isoformat()} for one in stays],
            "gaps": gaps,
        },
    )


def _key(place: WatchPlace) -> tuple[int, int]:
    return (place.watch_id, place.member_id)


def _crews(watches: Sequence[Watch]) -> dict[int, list[WatchPlace]]:
    crews: dict[int, list[WatchPlace]] = {watch.pk: [] for watch in watches}
    places = WatchPlace.objects.filter(watch__in=crews, given_up_at=None)
    for place in places.select_related("member__person").prefetch_related("member__sign_offs").order_by("taken_at"):
        crews[place.watch_id].append(place)
    return crews


def _absent(
    news: Iterable[CrewNews], watches: Sequence[Watch], crews: Mapping[int, list[WatchPlace]], now: datetime
) -> tuple[set[tuple[int, int]], list[Stay], list[str]]:
    """Who is out (watch, member), who would stay on for somebody late, and what nobody can bridge."""
    there = {watch.pk: watch for watch in watches}
    out: set[tuple[int, int]] = set()
    late: dict[int, list[tuple[WatchPlace, datetime]]] = {}
    for one in news:
        place = one.place
        if place is None or place.watch_id not in there or place.given_up_at is not None:
            continue
        watch = there[place.watch_id]
        comes_at = watch.starts_at + timedelta(minutes=one.minutes or 0)
        if one.kind == CrewNews.Kind.OUT or 2 * (comes_at - watch.starts_at) > watch.ends_at - watch.starts_at:
            out.add((watch.pk, place.member_id))
        else:
            late.setdefault(watch.pk, []).append((place, comes_at))
    stays: list[Stay] = []
    gaps: list[str] = []
    for key, missing in late.items():
        watch = there[key]
        absent = {place.pk for place, _at in missing} | {p.pk for p in crews[key] if _key(p) in out}
        present = [place for place in crews[key] if place.pk not in absent]
        before = next((w for w in watches if w.ends_at == watch.starts_at), None)
        free = [] if before is None else [p for p in crews[before.pk] if _key(p) not in out]
        until = max(at for _place, at in missing)
        if until <= now:
            continue
        chosen = _bridged(watch, present, free, until)
        stays += [Stay(place, until) for place in chosen]
        if not _is_sound(watch, [*present, *chosen]):
            gaps.append(
                _("%(watch)s: until %(until)s the crew is not complete, and nobody of the watch before can stay.")
                % {"watch": rosters.spoken(watch), "until": _clock(until, watch.firing)}
            )
    return out, stays, gaps


def _bridged(
    watch: Watch, present: Sequence[WatchPlace], free: Sequence[WatchPlace], until: datetime
) -> list[WatchPlace]:
    """The fewest of the watch before who make the crew sound until the late have come; leads and experience first."""
    on = rosters.day_of(watch)
    rank = sorted(
        (place for place in free if _may_stay(place, watch, until)),
        key=lambda place: (not rosters.may_lead(place.member, on), rosters.is_novice(place.member, on), place.pk),
    )
    leads = any(rosters.may_lead(place.member, on) for place in present)
    if leads:  # whoever led the watch before is let go first
        rank.sort(key=lambda place: (rosters.is_novice(place.member, on), place.is_leading, place.pk))
    chosen: list[WatchPlace] = []
    while rank and not _is_sound(watch, [*present, *chosen]):
        chosen.append(rank.pop(0))
    return chosen


def _is_sound(watch: Watch, crew: Sequence[WatchPlace]) -> bool:
    on = rosters.day_of(watch)
    leads = sum(rosters.may_lead(place.member, on) for place in crew)
    novices = sum(rosters.is_novice(place.member, on) for place in crew)
    return len(crew) >= max(2, watch.people) and leads >= watch.leads and novices <= len(crew) - novices


def _may_stay(place: WatchPlace, after: Watch, until: datetime) -> bool:
    longer = Watch(firing=after.firing, coop=after.coop, starts_at=after.starts_at, ends_at=until)
    try:
        own = Watch.objects.select_related(*_DEEP).get(pk=place.watch_id)
        rosters.check_can_stay_on(longer, place.member, hours.terms_of(after.firing), after=own)
    except Refused:
        return False
    return True


def _longer(
    firing: Firing,
    news: Iterable[CrewNews],
    watches: Sequence[Watch],
    crews: Mapping[int, list[WatchPlace]],
    now: datetime,
) -> tuple[list[Watch], list[tuple[Watch, datetime]], list[Stay]]:
    """What a longer fire asks for: watches to add, watches that end later, and who would stay on.

    Less than half a watch more lengthens the last watch if it has not begun; if it runs, a short one is added
    and its crew asked to go on into it. More than that is cut into watches like the last one.
    """
    minutes = sum(one.minutes or 0 for one in news if one.kind == CrewNews.Kind.LONGER)
    if not minutes:
        return [], [], []
    last = max(watches, key=lambda watch: watch.ends_at, default=None) or _last_of(firing)
    ends_at, usual = last.ends_at + minutes * MINUTE, timedelta(hours=firing.kiln.watch_hours)
    short = minutes * MINUTE < usual / 2
    if short and last.starts_at > now:
        return [], [(last, ends_at)], []
    pieces = max(1, round(minutes * MINUTE / usual))
    cuts = [last.ends_at + round(minutes * number / pieces) * MINUTE for number in range(pieces + 1)]
    numbers = Watch.objects.filter(coop=firing.coop_id, firing=firing).standing().order_by("-number")
    first = 1 + max(numbers.values_list("number", flat=True)[:1], default=0)
    added = [
        Watch(
            pk=-1 - place,  # a key to plan by; saved without it
            public_id=uuid4(),
            coop=firing.coop,
            firing=firing,
            number=first + place,
            phase=last.phase,
            starts_at=starts,
            ends_at=ends,
            people=last.people,
            most_people=last.most_people,
            leads=last.leads,
        )
        for place, (starts, ends) in enumerate(pairwise(cuts))
    ]
    if short and last.ends_at > now:
        stays = [Stay(place, ends_at) for place in crews.get(last.pk, []) if _may_stay(place, added[0], ends_at)]
        if _is_sound(added[0], [one.place for one in stays]):
            return added, [], stays
    return added, [], []


def _last_of(firing: Firing) -> Watch:
    last: Watch | None = (
        Watch.objects.filter(coop=firing.coop_id, firing=firing)
        .standing()
        .select_related(*_DEEP)
        .order_by("-ends_at")
        .first()
    )
    if last is None:
        raise Refused(_("This firing has no watches yet, so none can be added behind them."))
    return last


def _retimed(watch: Watch, ends_at: datetime, request: problem.RosterRequest, terms: Any) -> Retimed:
    unit = request.unit_min
    night = hours.night_minutes(watch.starts_at, ends_at, watch.firing.coop.time_zone, terms)
    start, end = ((moment - request.t0) // MINUTE for moment in (watch.starts_at, ends_at))
    return Retimed(str(watch.public_id), start // unit, -(-end // unit), int(night // unit))


def _added(watch: Watch) -> dict[str, Any]:
    return {
        "id": str(watch.public_id),
        "number": watch.number,
        "phase": watch.phase,
        "starts_at": watch.starts_at.isoformat(),
        "ends_at": watch.ends_at.isoformat(),
        "people": watch.people,
        "most_people": watch.most_people,
        "leads": watch.leads,
    }


def computed(what: Wanted) -> tuple[dict[str, object], dict[str, object], dict[str, object]]:
    """The mended roster as plain values: watch-roster/1, watch-assignment/1, and what it mends. Touches no rows."""
    goes_on = {entry["id"] for entry in what.mends["added"]} if _all_stay(what.mends) else set()
    request = what.asked.request
    kept = [number for number, task in enumerate(request.tasks) if task.id not in goes_on]
    if goes_on:  # the crew that runs goes on into the short watch: nobody else is called for it
        request = replace(
            request,
            tasks=tuple(request.tasks[number] for number in kept),
            wishes=tuple("".join(row[number] for number in kept) for row in request.wishes),
        )
    asked = replace(what.asked, request=request)
    found = _least(asked, what)
    for _again in range(rosters.MOST_TRIES):
        if not (over := rosters.beyond_limits(asked, found.assigned)):
            break
        asked = rosters.forbidding(asked, over)
        found = _least(asked, what)
    mends = {
        **what.mends,
        "told": len(found.told),
        "fewest_told": found.bounds[1],
        "is_fewest": all(found.proven[:2]),
        "seconds": found.seconds,
    }
    answer = rosters.with_reasons(found.request, _answer(found))
    return json.loads(problem.write_request(found.request)), answer, mends


def _least(asked: rosters.Asked, what: Wanted) -> Replan:
    return least_change(
        asked.request, asked.keep, what.changes, what.now_units, may_move=what.may_move, seconds=SECONDS
    )


def _all_stay(mends: Mapping[str, Any]) -> bool:
    """Whether the short watch at the end is stood by those who are at the fire."""
    ends = {entry["ends_at"] for entry in mends["added"]}
    return len(ends) == 1 and any(stay["until"] in ends for stay in mends["stays"])


def _answer(found: Replan) -> dict[str, object]:
    request, people = found.request, {person.id: person for person in found.request.people}
    gaps = [
        {"task": task.id, "places": task.need - len(found.assigned.get(task.id, ())), "why": ""}
        for task in request.tasks
        if len(found.assigned.get(task.id, ())) < task.need
    ]
    return {
        "format": "watch-assignment/1",
        "roster": request.name,
        "assigned": {task: list(crew) for task, crew in found.assigned.items()},
        "tiers": [found.tiers[0], *found.tiers[3:]],
        "bounds": [found.bounds[0], *found.bounds[3:]],
        "proven": [found.proven[0], *found.proven[3:]],
        "unfilled": gaps,
        "reasons": [],
        "told": [one for one in found.told if one in people],
        "seconds": found.seconds,
        "seed": 1,
    }


# --- What would come of it ----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Step:
    """One person's place that changes: they leave ``place``, stand ``watch``, or stay at ``place`` ``until``."""

    member: Membership
    place: WatchPlace | None = None
    watch: Watch | None = None
    until: datetime | None = None
    asks: bool = False  # nobody at the fire is moved without their word


@dataclass(frozen=True, slots=True)
class Told:
    """One person who must be told, with what, and whether they are asked rather than told."""

    member: Membership
    lines: tuple[str, ...]
    asks: bool


@dataclass(frozen=True, slots=True)
class Effects:
    """What accepting a mended roster does, from the rows as they are now."""

    steps: tuple[Step, ...]
    added: tuple[Watch, ...]
    retimed: tuple[tuple[Watch, datetime], ...]
    told: tuple[Told, ...] = ()

    @property
    def seen(self) -> str:
        """A mark of who is told what: who accepts sends back the one they saw."""
        lines = [(str(one.member.public_id), one.asks, one.lines) for one in self.told]
        return hashlib.sha256(repr(sorted(lines)).encode()).hexdigest()[:20]


def effects(firing: Firing, proposal: WatchProposal, now: datetime) -> Effects:
    """Compare a mended roster with the rows: who leaves, comes, stays; who is told and who is asked."""
    mends, assigned = proposal.mends, proposal.answer["assigned"]
    watches = {
        str(watch.public_id): watch
        for watch in Watch.objects.of(firing.coop).filter(firing=firing).standing().select_related(*_DEEP)
        if watch.ends_at > now
    }
    added = [_unsaved(firing, entry) for entry in mends["added"] if entry["id"] not in watches]
    known = {**watches, **{str(watch.public_id): watch for watch in added}}
    crews = _crews(list(watches.values()))
    members = _members(firing, assigned)
    at_fire = _at_the_fire(firing, now)
    out = set(mends["out"])
    steps: list[Step] = []
    for task, names in assigned.items():
        if (watch := known.get(task)) is None:
            continue
        held = {str(place.member.public_id): place for place in crews.get(watch.pk, [])}
        for name, place in held.items():
            if str(place.public_id) in out:
                steps.append(Step(place.member, place=place))
            elif name not in names and watch.starts_at > now:
                steps.append(Step(place.member, place=place, asks=place.member_id in at_fire))
        steps += [
            Step(members[name], watch=watch, asks=members[name].pk in at_fire)
            for name in names
            if name not in held and name in members
        ]
    steps = _paired(steps, out)
    steps += _stayers(firing, mends, added)
    retimed = tuple(
        (watches[task], datetime.fromisoformat(ends_at))
        for task, ends_at in mends["retimed"].items()
        if task in watches
    )
    return Effects(tuple(steps), tuple(added), retimed, _told(steps, retimed, crews))


def _unsaved(firing: Firing, entry: Mapping[str, Any]) -> Watch:
    moments = {name: datetime.fromisoformat(entry[name]) for name in ("starts_at", "ends_at")}
    rest = {name: entry[name] for name in ("number", "phase", "people", "most_people", "leads")}
    return Watch(public_id=UUID(entry["id"]), coop=firing.coop, firing=firing, **moments, **rest)


def _members(firing: Firing, assigned: Mapping[str, Sequence[str]]) -> dict[str, Membership]:
    names = {name for crew in assigned.values() for name in crew}
    found = Membership.objects.of(firing.coop).current().with_roles().filter(public_id__in=names)
    return {str(member.public_id): member for member in found.select_related("person")}


def _at_the_fire(firing: Firing, now: datetime) -> set[int]:
    """Members (keys) who are on a watch of any kiln right now."""
    places = WatchPlace.objects.of(firing.coop).filter(given_up_at=None, watch__cancelled_at=None)
    running = places.filter(watch__starts_at__lte=now).filter(watch__ends_at__gt=now)
    late = CrewNews.objects.of(firing.coop).open().filter(place__in=running).values_list("place", flat=True)
    return set(
        running.exclude(pk__in=late).filter(watch__firing__lit_at__isnull=False).values_list("member", flat=True)
    )


def _paired(steps: Sequence[Step], out: set[str]) -> list[Step]:
    """A place left and a watch taken by one person at the fire are one question."""
    done: list[Step] = [step for step in steps if not step.asks]
    asked: dict[int, list[Step]] = {}
    for step in steps:
        if step.asks:
            asked.setdefault(step.member.pk, []).append(step)
    for own in asked.values():
        leaves = [step for step in own if step.place is not None]
        takes = [step for step in own if step.watch is not None]
        for leave, take in zip_longest(leaves, takes):
            step = leave or take
            done.append(Step(step.member, leave.place if leave else None, take.watch if take else None, asks=True))
    return done


def _stayers(firing: Firing, mends: Mapping[str, Any], added: Sequence[Watch]) -> list[Step]:
    untils = {stay["place"]: datetime.fromisoformat(stay["until"]) for stay in mends["stays"]}
    places = WatchPlace.objects.of(firing.coop).filter(public_id__in=untils, given_up_at=None)
    steps = []
    for place in places.select_related("member__person", *[f"watch__{path}" for path in _DEEP]).order_by("pk"):
        until = untils[str(place.public_id)]
        into = next((watch for watch in added if watch.ends_at == until), None)
        steps.append(
            Step(place.member, watch=into, asks=True) if into else Step(place.member, place, until=until, asks=True)
        )
    return steps


def _told(
    steps: Sequence[Step], retimed: Sequence[tuple[Watch, datetime]], crews: Mapping[int, list[WatchPlace]]
) -> tuple[Told, ...]:
    lines: dict[int, list[str]] = {}
    people: dict[int, tuple[Membership, bool]] = {}
    for step in steps:
        people[step.member.pk] = (step.member, step.asks)
        lines.setdefault(step.member.pk, []).append(sentence(step))
    for watch, ends_at in retimed:
        leaving = {step.place.pk for step in steps if step.place is not None}
        for place in crews.get(watch.pk, []):
            if place.pk not in leaving:
                people.setdefault(place.member_id, (place.member, False))
                lines.setdefault(place.member_id, []).append(
                    _("%(watch)s now ends at %(ends)s.")
                    % {"watch": rosters.spoken(watch), "ends": _clock(ends_at, watch.firing)}
                )
    return tuple(
        Told(member, tuple(lines[pk]), asks)
        for pk, (member, asks) in sorted(people.items(), key=lambda one: one[1][0].name)
    )


def question_text(asked: PlaceQuestion) -> str:
    return sentence(Step(asked.member, asked.place, asked.takes, asked.until, asks=True))


def sentence(step: Step) -> str:
    """What one person is told or asked, in a sentence."""
    if step.until is not None and step.place is not None:
        words = {
            "until": _clock(step.until, step.place.watch.firing),
            "more": show_length(step.until - step.place.watch.ends_at),
            "watch": rosters.spoken(step.place.watch),
        }
        return _("Stay until %(until)s, %(more)s beyond the end of %(watch)s?") % words
    if step.place is not None and step.watch is not None:
        words = {"old": rosters.spoken(step.place.watch), "new": rosters.spoken(step.watch)}
        return _("Stand %(new)s instead of %(old)s?") % words
    if step.watch is not None:
        words = {"watch": rosters.spoken(step.watch)}
        return (_("Stand %(watch)s?") if step.asks else _("You stand %(watch)s.")) % words
    assert step.place is not None
    words = {"watch": rosters.spoken(step.place.watch)}
    return (_("Leave %(watch)s to somebody else?") if step.asks else _("You are free of %(watch)s.")) % words


def _clock(moment: datetime, firing: Firing) -> str:
    return show_time(moment, ZoneInfo(firing.coop.time_zone))


def make_longer(firing: Firing, ends_at: datetime) -> None:
    """The fire is now likely to end at ``ends_at``; what comes after it moves only where it must."""
    later = max(timedelta(0), ends_at - firing.opens_at)
    Firing.objects.filter(coop=firing.coop_id, pk=firing.pk).update(
        ends_at=ends_at, opens_at=F("opens_at") + later, occupied_until=F("occupied_until") + later
    )
