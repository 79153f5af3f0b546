"""The rules a place on a watch must keep, each said in a sentence; and proposals for a whole roster."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import cast
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Q
from django.utils.translation import gettext as _

from coop.errors import Refused
from coop.models import Coop, Membership, SignOff
from coop.periods import Span, show_length, show_span
from coop.policy import Terms
from coop.transactions import use_case
from firings.models import Chore, ChorePlace, Firing, HoursEntry, Watch, WatchPlace, WatchProposal, Wish, WishLimits
from firings.queries import hours
from firings.roster import check, problem, reasons, solve, value
from firings.roster.hours import owed_minutes
from firings.roster.ways import ways_out

DAY = timedelta(hours=24)
NIGHT_MINUTES = 120  # a watch with this much night in it is a night watch
UNITS = (30, 15, 10, 5, 1)
PLAN_SECONDS = 2.0
WHY_SECONDS = 2.0
MOST_TRIES = 6  # to plan around what people's own limits do not bear


@dataclass(frozen=True, slots=True)
class Shift:
    """One stretch of work of one person: a watch or a chore."""

    span: Span
    called: str
    is_watch: bool
    night_of: date | None = None  # the evening a night watch belongs to


def is_novice(member: Membership, on: date) -> bool:
    """Neither signed off for stoking nor for leading."""
    return not (member.signed_off(SignOff.Kind.STOKING, on) or may_lead(member, on))


def may_lead(member: Membership, on: date) -> bool:
    return member.signed_off(SignOff.Kind.LEADING, on)


def day_of(shift: Watch | Chore) -> date:
    """The local day a shift begins on: sign-offs are judged on it."""
    return shift.starts_at.astimezone(ZoneInfo(shift.firing.coop.time_zone)).date()


def spoken(shift: Watch | Chore) -> str:
    """The shift in a sentence: ``2026-05-09 22:00 to 2026-05-10 04:00, Big kiln``."""
    span = Span(shift.starts_at, shift.ends_at)
    what = shift.firing.kiln.name if isinstance(shift, Watch) else shift.name
    return f"{show_span(span, ZoneInfo(shift.firing.coop.time_zone))}, {what}"


def as_shift(row: Watch | Chore, terms: Terms) -> Shift:
    zone, night_of = row.firing.coop.time_zone, None
    is_watch = isinstance(row, Watch)
    if is_watch and hours.night_minutes(row.starts_at, row.ends_at, zone, terms) >= NIGHT_MINUTES:
        night_of = (row.starts_at.astimezone(ZoneInfo(zone)) - timedelta(hours=12)).date()
    return Shift(Span(row.starts_at, row.ends_at), spoken(row), is_watch, night_of)


def shifts_of(
    coop: Coop, members: Collection[int], terms: Terms, *, around: Span, besides: Collection[int] = ()
) -> dict[int, list[Shift]]:
    """What these members have to do near ``around``, over all kilns; ``besides`` are watches (keys) left out."""
    margin = timedelta(days=terms.most_nights_in_a_row + 3)
    near = {"starts_at__lt": around.end + margin, "ends_at__gt": around.start - margin, "cancelled_at": None}
    found: dict[int, list[Shift]] = {member: [] for member in members}
    watches = WatchPlace.objects.of(coop).filter(
        member__in=members, given_up_at=None, **{f"watch__{key}": value for key, value in near.items()}
    )
    for place in watches.exclude(watch__in=besides).select_related("watch__firing__kiln", "watch__firing__coop"):
        found[place.member_id].append(as_shift(place.watch, terms))
    chores = ChorePlace.objects.of(coop).filter(
        member__in=members, given_up_at=None, **{f"chore__{key}": value for key, value in near.items()}
    )
    for place in chores.select_related("chore__firing__kiln", "chore__firing__coop"):
        found[place.member_id].append(as_shift(place.chore, terms))
    return found


def burden_faults(new: Shift, others: Sequence[Shift], terms: Terms) -> list[str]:
    """Why one person cannot take on ``new`` beside what they have: overlap, rest, hours in 24, nights in a row."""
    for other in others:
        if new.span.overlaps(other.span):
            return [_("%(other)s is at the same time; nobody is in two places at once.") % {"other": other.called}]
    return [*_rest_faults(new, others, terms), *_day_faults(new, others, terms), *_night_faults(new, others, terms)]


def _rest_faults(new: Shift, others: Sequence[Shift], terms: Terms) -> list[str]:
    due = timedelta(hours=terms.rest_hours)
    for other in others:
        rest = max(other.span.start - new.span.end, new.span.start - other.span.end)
        if new.is_watch and other.is_watch and rest < due:
            return [
                _("Only %(rest)s of rest between this watch and %(other)s; %(due)d h are due. Pick another one.")
                % {"rest": show_length(rest), "other": other.called, "due": terms.rest_hours}
            ]
    return []


def _day_faults(new: Shift, others: Sequence[Shift], terms: Terms) -> list[str]:
    """Tiredness counts where there is fire: only 24 hours that touch a watch are limited."""
    most, shifts = timedelta(hours=terms.most_hours_in_24), [new, *others]
    openings = {shift.span.start for shift in shifts} | {shift.span.end - DAY for shift in shifts}
    for opening in openings:
        day = Span(opening, opening + DAY)
        worked = sum((shift.span.shared(day) for shift in shifts), timedelta())
        has_watch = any(shift.is_watch and shift.span.overlaps(day) for shift in shifts)
        if worked > most and has_watch and new.span.overlaps(day):
            return [
                _("That would be %(worked)s of work within 24 hours; %(most)d h are allowed around a watch.")
                % {"worked": show_length(worked), "most": terms.most_hours_in_24}
            ]
    return []


def _night_faults(new: Shift, others: Sequence[Shift], terms: Terms) -> list[str]:
    if new.night_of is None:
        return []
    nights = sorted({shift.night_of for shift in (new, *others) if shift.night_of is not None})
    runs = [[nights[0]]]
    for before, night in pairwise(nights):
        if night - before == timedelta(days=1):
            runs[-1].append(night)
        else:
            runs.append([night])
    run = next(run for run in runs if new.night_of in run)
    if len(run) <= terms.most_nights_in_a_row:
        return []
    return [
        _("That would be %(run)d nights in a row; %(most)d are allowed. Pick a watch by day.")
        % {"run": len(run), "most": terms.most_nights_in_a_row}
    ]


def joining_faults(watch: Watch, crew: Sequence[Membership], new: Membership) -> list[str]:
    """Why the crew would not be sound with ``new`` on it: no place left for its lead, or too many novices."""
    on = day_of(watch)
    together = [*crew, new]
    leads = sum(may_lead(member, on) for member in together)
    free = watch.most_people - len(together)
    if watch.leads - leads > free:
        return [
            _("The last free place on this watch is for somebody signed off for leading. Pick another watch.")
            if watch.leads - leads == 1
            else _("The free places on this watch are for people signed off for leading. Pick another watch.")
        ]
    novices = sum(is_novice(member, on) for member in together)
    if is_novice(new, on) and novices > len(together) - novices:
        return [
            _(
                "Not signed off for stoking yet, and novices may not outnumber the experienced. Wait until "
                "one more experienced member is on this watch, or pick another."
            )
        ]
    return []


def replacing_faults(watch: Watch, crew: Sequence[Membership], leaving: Membership, new: Membership) -> list[str]:
    """Why ``new`` cannot stand in for ``leaving``: the crew must not lose its lead or its experience by it."""
    on, staying = day_of(watch), [member for member in crew if member.pk != leaving.pk]
    leads = sum(may_lead(member, on) for member in (*staying, new))
    if may_lead(leaving, on) and not may_lead(new, on) and leads < watch.leads:
        return [
            _("%(name)s leads this watch; only somebody signed off for leading can take it over.")
            % {"name": leaving.name}
        ]
    if may_lead(new, on):
        return []
    return joining_faults(watch, staying, new)


def check_can_stay_on(watch: Watch, member: Membership, terms: Terms, *, after: Watch) -> None:
    """Raise Refused unless they may go on from ``after`` into ``watch`` without a break: rest does not stand
    between the two, but the hours within 24 and the rest to everything else do."""
    new = as_shift(watch, terms)
    others = shifts_of(watch.firing.coop, [member.pk], terms, around=new.span, besides=[after.pk])[member.pk]
    first = as_shift(after, terms)
    whole = replace(new, span=Span(first.span.start, new.span.end))
    for fault in (*burden_faults(new, others, terms), *_day_faults(whole, others, terms)):
        raise Refused(fault)


def check_can_work(watch: Watch, member: Membership, terms: Terms, *, besides: Collection[int] = ()) -> None:
    """Raise Refused with the first reason why this member cannot take this watch beside their other work."""
    new = as_shift(watch, terms)
    others = shifts_of(watch.firing.coop, [member.pk], terms, around=new.span, besides=besides)[member.pk]
    for fault in burden_faults(new, others, terms):
        raise Refused(fault)


# --- A whole roster -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Asked:
    """A roster to be planned, what stands already, and who set limits of their own (by person id)."""

    request: problem.RosterRequest
    keep: dict[str, tuple[str, ...]]
    limits: dict[str, OwnLimits] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class OwnLimits:
    """The most units on watch in all, and the units of rest between watches, that one person wished; None: no limit."""

    most: int | None
    rest: int | None


def asked(firing: Firing, now: datetime) -> Asked:
    """The watch-roster/1 request of a firing from its rows: watches to come, who may be asked, their wishes.

    Who has said nothing counts as "rather not": whoever answered is asked first. Raises Refused when no watch
    is to come.
    """
    coop, terms = firing.coop, hours.terms_of(firing)
    watches = list(
        Watch.objects.of(coop)
        .filter(firing=firing, starts_at__gt=now)
        .standing()
        .select_related("firing__kiln", "firing__coop")
    )
    if not watches:
        raise Refused(_("There is no watch to come in this firing, so there is nothing to plan."))
    crews: dict[int, list[int]] = {watch.pk: [] for watch in watches}
    for watch_pk, member_pk in (
        WatchPlace.objects.of(coop).filter(watch__in=crews, given_up_at=None).values_list("watch", "member")
    ):
        crews[watch_pk].append(member_pk)
    people = may_be_asked(firing, {pk for crew in crews.values() for pk in crew})
    return as_request(firing, terms, watches, crews, people)


def may_be_asked(firing: Firing, on_watch: set[int]) -> list[Membership]:
    """Whoever has space, leads, stands on a watch already, or wished for one."""
    wished = Wish.objects.filter(coop=firing.coop_id, watch__firing=firing).exclude(value=Wish.Value.CANNOT)
    keys = {
        firing.lead_id,
        firing.deputy_id,
        *on_watch,
        *hours.space_of(firing),
        *wished.values_list("member", flat=True),
    }
    return list(Membership.objects.of(firing.coop).current().with_roles().filter(pk__in=keys - {None}))


def as_request(
    firing: Firing,
    terms: Terms,
    watches: Sequence[Watch],
    crews: Mapping[int, Sequence[int]],
    people: Sequence[Membership],
    *,
    out: Collection[tuple[int, int]] | None = None,
) -> Asked:
    """The request for these watches (by key; new ones need one too) and who stands on them already.

    Without ``out`` a place that is held is its holder's and new people come beside them. With it the roster is
    mended: places may change hands, and ``out`` (watch, member) are those who cannot keep theirs.
    """
    t0, zone = watches[0].starts_at, firing.coop.time_zone
    marks = [_minutes(moment - t0) for watch in watches for moment in (watch.starts_at, watch.ends_at)]
    unit = next(unit for unit in UNITS if all(mark % unit == 0 for mark in marks))
    tasks = tuple(_task(watch, len(crews[watch.pk]), t0, unit, terms) for watch in watches)
    total = sum(task.need * task.length for task in tasks) * unit
    owed = _owed(firing, terms, total, {member.pk for member in people})
    night = sum(task.need * task.night for task in tasks)
    last_day = day_of(watches[-1])
    limits = {one.member_id: one for one in WishLimits.objects.of(firing.coop).filter(firing=firing)}
    crewmates = tuple(
        problem.Crewmate(
            id=str(member.public_id),
            name=member.name,
            role="lead" if may_lead(member, last_day) else "novice" if is_novice(member, last_day) else "exp",
            signed_off=(firing.kiln.name,) if may_lead(member, last_day) else (),
            owed=_at_most(owed.get(member.pk, 0), limits.get(member.pk)) // unit,
            night_owed=night * owed.get(member.pk, 0) // total if total else 0,
        )
        for member in people
    )
    request = problem.RosterRequest(
        name=firing.name,
        unit_min=unit,
        t0=t0,
        zone=zone,
        rules=_rules(terms, unit),
        people=crewmates,
        tasks=tasks,
        wishes=tuple(_wishes(firing, terms, watches, crews, people, out)),
    )
    ids = {member.pk: str(member.public_id) for member in people}
    keep = {str(w.public_id): tuple(ids[pk] for pk in crews[w.pk] if pk in ids) for w in watches}
    own = {
        str(member.public_id): OwnLimits(
            None if (one := limits[member.pk]).most_hours is None else one.most_hours * 60 // unit,
            None if one.rest_hours is None else -(-one.rest_hours * 60 // unit),
        )
        for member in people
        if member.pk in limits
    }
    return Asked(request, keep, own)


def _at_most(minutes: int, limits: WishLimits | None) -> int:
    return minutes if limits is None or limits.most_hours is None else min(minutes, 60 * limits.most_hours)


def _minutes(length: timedelta) -> int:
    return length // timedelta(minutes=1)


def _task(watch: Watch, held: int, t0: datetime, unit: int, terms: Terms) -> problem.Task:
    night = hours.night_minutes(watch.starts_at, watch.ends_at, watch.firing.coop.time_zone, terms)
    need = max(watch.people, held)
    return problem.Task(
        id=str(watch.public_id),
        kind="watch",
        start=_minutes(watch.starts_at - t0) // unit,
        end=_minutes(watch.ends_at - t0) // unit,
        need=need,
        cap=max(watch.most_people, need),
        firing=watch.firing.name,
        kiln=watch.firing.kiln.name,
        lead=watch.leads,
        night=int(night // unit),
    )


def _rules(terms: Terms, unit: int) -> problem.Rules:
    return problem.Rules(
        rest_watch=-(-terms.rest_hours * 60 // unit),
        rest_other=0,
        max_in_24h=terms.most_hours_in_24 * 60 // unit,
        novice_per_exp=1,
        max_nights_72h=min(terms.most_nights_in_a_row, 3),
        night_task_min=max(1, NIGHT_MINUTES // unit),
    )


def _owed(firing: Firing, terms: Terms, total: int, people: set[int]) -> dict[int, int]:
    """Minutes on watch each should take: by space, less what was worked ahead in other firings."""
    space = {f"{pk:012d}": ml for pk, ml in hours.space_of(firing).items() if pk in people}
    if not space:
        return {}
    ahead: dict[str, int] = {}
    for pk, minutes in (
        HoursEntry.objects.filter(coop=firing.coop_id).exclude(firing=firing).values_list("member", "minutes")
    ):
        if f"{pk:012d}" in space:
            ahead[f"{pk:012d}"] = ahead.get(f"{pk:012d}", 0) + minutes
    owed = owed_minutes(total, space, equal_per_mille=round(terms.owed_share_even * 1000), carried_minutes=ahead)
    return {int(pk): minutes for pk, minutes in owed.minutes.items()}


def _wishes(
    firing: Firing,
    terms: Terms,
    watches: Sequence[Watch],
    crews: Mapping[int, Sequence[int]],
    people: Sequence[Membership],
    out: Collection[tuple[int, int]] | None,
) -> Iterable[str]:
    keys = [watch.pk for watch in watches]
    said = {
        (member, watch): value
        for member, watch, value in Wish.objects.of(firing.coop)
        .filter(watch__in=keys)
        .values_list("member", "watch", "value")
    }
    no_nights = set(
        WishLimits.objects.of(firing.coop).filter(firing=firing, no_nights=True).values_list("member", flat=True)
    )
    around = Span(watches[0].starts_at, max(watch.ends_at for watch in watches))
    elsewhere = shifts_of(firing.coop, [one.pk for one in people], terms, around=around, besides=keys)
    shifts = {watch.pk: as_shift(watch, terms) for watch in watches}
    # A watch that is only planned yet (its key is below 0) goes by what was wished for the last one there is.
    last = max((watch for watch in watches if watch.pk > 0), key=lambda one: one.ends_at, default=watches[-1]).pk
    for member in people:
        held = [shifts[watch.pk] for watch in watches if member.pk in crews[watch.pk]]
        others = [*elsewhere[member.pk], *(held if out is None else ())]
        signs = []
        for watch in watches:
            is_full = out is None and len(crews[watch.pk]) >= watch.people
            if out is not None and (watch.pk, member.pk) in out:
                signs.append(Wish.Value.CANNOT.value)
            elif member.pk in crews[watch.pk]:
                signs.append(Wish.Value.WANT.value)  # on it already: that place is theirs
            elif is_full or burden_faults(shifts[watch.pk], others, terms):
                signs.append(Wish.Value.CANNOT.value)  # it is full, or what they have already stands against it
            elif member.pk in no_nights and shifts[watch.pk].night_of is not None:
                signs.append(Wish.Value.CANNOT.value)
            else:
                signs.append(said.get((member.pk, watch.pk if watch.pk > 0 else last), Wish.Value.RATHER_NOT.value))
        yield "".join(signs)


def planned(wanted: Asked) -> tuple[dict[str, object], dict[str, object]]:
    """Plan a roster: watch-roster/1 and watch-assignment/1 as plain values. Touches no database."""
    roster = with_kept(wanted, solve.plan(wanted.request, seconds=PLAN_SECONDS, keep=wanted.keep))
    for _again in range(MOST_TRIES):
        if not (over := beyond_limits(wanted, roster.assigned)):
            break
        wanted = forbidding(wanted, over)
        roster = with_kept(wanted, solve.plan(wanted.request, seconds=PLAN_SECONDS, keep=wanted.keep))
    answer = json.loads(solve.write_roster(roster))
    return json.loads(problem.write_request(wanted.request)), with_reasons(wanted.request, answer)


def beyond_limits(wanted: Asked, assigned: Mapping[str, Sequence[str]]) -> set[tuple[str, str]]:
    """New places (person, task) that somebody's own limits do not bear; what they hold already is their choice."""
    tasks = {task.id: task for task in wanted.request.tasks}
    over = set()
    for person, own in wanted.limits.items():
        on = [task for task in tasks.values() if person in assigned.get(task.id, ())]
        borne = [task for task in on if person in wanted.keep.get(task.id, ())]
        for task in (task for task in on if task not in borne):
            hours = sum(one.length for one in borne) + task.length
            rest = min((max(task.start - one.end, one.start - task.end) for one in borne), default=None)
            tired = own.rest is not None and rest is not None and rest < own.rest
            if tired or (own.most is not None and hours > own.most):
                over.add((person, task.id))
            else:
                borne.append(task)
    return over


def forbidding(wanted: Asked, over: Collection[tuple[str, str]]) -> Asked:
    """The same roster asked for, with these (person, task) ruled out."""
    request = wanted.request
    wishes = tuple(
        "".join(
            Wish.Value.CANNOT.value if (person.id, task.id) in over else sign
            for task, sign in zip(request.tasks, row, strict=True)
        )
        for person, row in zip(request.people, request.wishes, strict=True)
    )
    return replace(wanted, request=replace(request, wishes=wishes))


def with_reasons(request: problem.RosterRequest, answer: dict[str, object]) -> dict[str, object]:
    """The answer with why its places stay empty, in the fewest reasons, and the cheapest ways out, each tried."""
    if not answer["unfilled"]:
        return answer
    assigned = cast("dict[str, list[str]]", answer["assigned"])
    found = reasons.why(request, assigned, seconds=WHY_SECONDS)
    ways = ways_out(request, assigned, found, seconds=WHY_SECONDS)
    return {**answer, "reasons": [one.text for one in found], "ways_out": [one.text for one in ways]}


def with_kept(wanted: Asked, roster: solve.Roster) -> solve.Roster:
    """The roster with everybody on it who holds a place already; new people only where places remain.

    The planner sends a crew home that cannot stand and may exchange people; but a place that is held is its
    holder's, so here it stays theirs and what is missing beside them is said.
    """
    request = wanted.request
    people = {person.id: person for person in request.people}
    assigned: dict[str, tuple[str, ...]] = {}
    for task in request.tasks:
        kept = wanted.keep.get(task.id, ())
        new = sorted(
            (one for one in roster.assigned.get(task.id, ()) if one not in kept),
            key=lambda one: (not check.may_lead(people[one], task), people[one].role == "novice", one),
        )
        assigned[task.id] = (*kept, *new[: max(0, task.need - len(kept))])
    if {task: set(crew) for task, crew in assigned.items()} == {
        task: set(crew) for task, crew in roster.assigned.items()
    }:
        return roster
    why = {one.task: one.why for one in roster.unfilled}
    unfilled = tuple(
        solve.Unfilled(gap.task, gap.places, why.get(gap.task, gap.text)) for gap in check.gaps(request, assigned)
    )
    return replace(
        roster,
        assigned=assigned,
        tiers=value.tiers(request, assigned),
        proven=tuple(False for _tier in roster.tiers),
        unfilled=unfilled,
        reasons=tuple(one.why for one in unfilled),
        told=tuple(
            one for one in people if any(one in assigned[t] and one not in wanted.keep.get(t, ()) for t in assigned)
        ),
    )


@use_case
def keep_proposal(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    firing_id: UUID,
    request: Mapping[str, object],
    answer: Mapping[str, object],
    mends: Mapping[str, object] | None = None,
) -> WatchProposal:
    """Lay a computed roster before the lead; the one that lay there is replaced."""
    firing = Firing.objects.of(coop).get(public_id=firing_id)
    WatchProposal.objects.of(coop).filter(Q(firing=firing, replaced_at=None, accepted_at=None)).update(replaced_at=now)
    proposal: WatchProposal = WatchProposal.objects.create(
        coop=coop,
        firing=firing,
        request=dict(request),
        answer=dict(answer),
        mends=dict(mends or {}),
        made_at=now,
        made_by=by,
    )
    return proposal
