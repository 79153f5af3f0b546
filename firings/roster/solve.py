"""Proposes a whole roster: greedy first, then proven tier by tier; judged by the checker."""

from __future__ import annotations

import json
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

from firings.roster import greedy, lexicographic, value
from firings.roster.check import faults, gaps, may_lead
from firings.roster.problem import RosterRequest

# Before the solver is called this share of the time goes into exchanges, but no more than so many seconds.
GREEDY_SHARE, GREEDY_SECONDS = 0.1, 0.5


@dataclass(frozen=True, slots=True)
class Unfilled:
    task: str
    places: int
    why: str


@dataclass(frozen=True, slots=True)
class Roster:
    """Who is on what. ``tiers`` and ``bounds`` go by ``value.TIERS``; ``proven[k]`` says that no roster
    has a better value in tier k with the earlier tiers as they are. ``told`` are the people whose places
    differ from the roster that was to be kept. ``note`` says what went another way than usual."""

    name: str
    assigned: dict[str, tuple[str, ...]]
    tiers: tuple[int, ...]
    bounds: tuple[int, ...]
    proven: tuple[bool, ...]
    unfilled: tuple[Unfilled, ...]
    reasons: tuple[str, ...]
    told: tuple[str, ...]
    seconds: float
    seed: int
    note: str = ""

    @property
    def gap(self) -> tuple[float, ...]:
        """How far each tier may be from the best there is, as a share of its value; 0 where proven."""
        return tuple(
            round((reached - least) / reached, 4) if reached > least else 0.0
            for reached, least in zip(self.tiers, self.bounds, strict=True)
        )


def plan(
    request: RosterRequest,
    *,
    seconds: float = 2.0,
    seed: int = 1,
    keep: Mapping[str, Sequence[str]] | None = None,
    repeatable: bool = False,
) -> Roster:
    """A roster that breaks no rule; what cannot be filled without breaking one stays open, with the reason.

    Greedy answers first, exchanges improve it, then the solver takes the tiers in order and proves what it
    can; the best so far is answered when time ends, with its bounds. Without the solver the greedy roster
    is answered and ``note`` says so. ``keep`` is the roster people already know: after filling places, as
    few people as possible are told anything new. ``seconds`` buys so much work; the same seed and seconds
    give the same roster unless the machine is so slow that the clock ends the search at one and a half
    ``seconds``. With ``repeatable`` the clock is not looked at.
    """
    began = time.monotonic()
    least = value.bounds(request)
    bench = greedy.Bench(request, keep)
    greedy.first_proposal(bench)
    exchanging = min(GREEDY_SHARE * seconds, GREEDY_SECONDS) if keep is None else seconds
    greedy.improve(bench, seconds=exchanging, seed=seed, target=least, by_clock=not repeatable)
    first = bench.stood_down()
    start = lexicographic.Answer(first, value.tiers(request, first), least, _proven(request, first, least))
    if keep is None and seconds > 0 and not all(start.proven):
        start = lexicographic.improve(request, start, seconds=seconds - exchanging, seed=seed, by_clock=not repeatable)
    assigned = start.assigned
    broken = faults(request, assigned)
    if broken:
        raise AssertionError("a proposed roster broke a rule: " + " ".join(broken))
    unfilled = _unfilled(request, assigned)
    return Roster(
        name=request.name,
        assigned=assigned,
        tiers=start.tiers,
        bounds=start.bounds,
        proven=start.proven,
        unfilled=unfilled,
        reasons=tuple(one.why for one in unfilled),
        told=_told(request, assigned, keep),
        seconds=round(time.monotonic() - began, 3),
        seed=seed,
        note=start.note,
    )


def write_roster(roster: Roster) -> str:
    """The watch-assignment/1 file."""
    document = {
        "format": "watch-assignment/1",
        "roster": roster.name,
        "assigned": roster.assigned,
        "tiers": roster.tiers,
        "bounds": roster.bounds,
        "proven": roster.proven,
        "gap": roster.gap,
        "unfilled": [asdict(one) for one in roster.unfilled],
        "reasons": roster.reasons,
        "told": roster.told,
        "seconds": roster.seconds,
        "seed": roster.seed,
    }
    if roster.note:
        document["note"] = roster.note
    return json.dumps(document, ensure_ascii=False, indent=1)


def _proven(request: RosterRequest, assigned: Mapping[str, Sequence[str]], least: Sequence[int]) -> tuple[bool, ...]:
    """Deviations' bounds hold for every roster; those on wishes only where the places are proven filled."""
    reached = value.tiers(request, assigned)
    unfilled, rather_not, largest, spread, merely = (a == b for a, b in zip(reached, least, strict=True))
    return (unfilled, unfilled and rather_not, largest, spread, unfilled and rather_not and merely)


def _told(
    request: RosterRequest,
    assigned: Mapping[str, Sequence[str]],
    keep: Mapping[str, Sequence[str]] | None,
) -> tuple[str, ...]:
    if keep is None:
        return ()
    tasks = {task.id for task in request.tasks}

    def places(roster: Mapping[str, Sequence[str]], person: str) -> set[str]:
        return {task for task, crew in roster.items() if person in crew and task in tasks}

    people = [person.id for person in request.people]
    return tuple(one for one in people if places(assigned, one) != places(keep, one))


def _unfilled(request: RosterRequest, assigned: Mapping[str, Sequence[str]]) -> tuple[Unfilled, ...]:
    columns = {task.id: column for column, task in enumerate(request.tasks)}
    return tuple(
        Unfilled(gap.task, gap.places, _why(request, columns[gap.task], assigned)) for gap in gaps(request, assigned)
    )


def _why(request: RosterRequest, column: int, assigned: Mapping[str, Sequence[str]]) -> str:
    """The nearest reason in words: too few can come, none may lead, too many novices, or busy elsewhere."""
    task = request.tasks[column]
    able = [
        person
        for person, signs in zip(request.people, request.wishes, strict=True)
        if value.may_do(person, task, signs[column])
    ]
    leads = sum(may_lead(person, task) for person in able)
    come = f"{len(able) or 'nobody'} can come"
    skilled = f" with a sign-off for {task.skill}" if task.skill else ""
    when = request.when(task)
    if leads < task.lead:
        may = f"{leads or 'none'} of them may lead kiln {task.kiln}"
        return f"{when}: {come}{skilled}, {may}, {task.lead} must."
    if len(able) < task.need:
        return f"{when}: {come}{skilled}, {task.need} are needed."
    if value.most_places(request, column) < task.need:
        experienced = sum(person.role != "novice" for person in able)
        return f"{when}: {come}, only {experienced} of them experienced; novices may not outnumber them."
    there = assigned.get(task.id, ())
    elsewhere = {person for crew in assigned.values() for person in crew} - set(there)
    busy = sum(person.id in elsewhere for person in able)
    why = "rest, hours in a day, nights or the crew's mix"
    if busy == len(able):
        return f"{when}: {come}, but all of them have other watches or chores, and {why} keep them off this one."
    return f"{when}: {come}, but {busy} of them have other watches or chores, and {why} keep the others off."
