"""Proposes a whole roster: greedy first, then proven tier by tier; judged by the checker."""

from __future__ import annotations

import json
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

from firings.roster import greedy, lexicographic, reasons, replan, value
from firings.roster.check import faults, gaps
from firings.roster.problem import RosterRequest

# Before the solver is called exchanges get this share of the time, but no more than the roster is large.
GREEDY_SHARE, MANY_SHARE, EXCHANGING_PER_PLACE = 0.1, 0.35, 0.0001
MANY_PEOPLE = 60  # from here on exchanges get further in the same time than the solver does


@dataclass(frozen=True, slots=True)
class Unfilled:
    task: str
    places: int
    why: str


@dataclass(frozen=True, slots=True)
class Roster:
    """Who is on what. ``tiers`` and ``bounds`` go by ``value.TIERS``; ``proven[k]`` says that no roster
    has a better value in tier k with the earlier tiers as they are. ``told`` are the people whose places
    differ from the roster that was to be kept; fewer than ``told_at_least`` can be in no roster as full,
    and later tiers are proven with the people told as they are. ``note`` says what went another way than
    usual."""

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
    told_at_least: int | None = None

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
    if keep is not None and seconds > 0:
        mended = _mended(request, keep, seconds=seconds, seed=seed, repeatable=repeatable)
        if mended is not None:
            return mended
    began = time.monotonic()
    least = value.bounds(request)
    bench = greedy.Bench(request, keep)
    greedy.first_proposal(bench)
    exchanging = _exchanging(request, seconds) if keep is None else seconds
    greedy.improve(bench, seconds=exchanging, seed=seed, target=least, by_clock=not repeatable)
    first = bench.stood_down()
    start = lexicographic.Answer(first, value.tiers(request, first), least, _proven(request, first, least))
    if keep is None and seconds > 0 and not all(start.proven):
        start = lexicographic.improve(request, start, seconds=seconds - exchanging, seed=seed, by_clock=not repeatable)
    assigned = start.assigned
    _insist(request, assigned)
    unfilled = _unfilled(request, assigned)
    return Roster(
        name=request.name,
        assigned=assigned,
        tiers=start.tiers,
        bounds=start.bounds,
        proven=start.proven,
        unfilled=unfilled,
        reasons=_texts(unfilled),
        told=_told(request, assigned, keep),
        seconds=round(time.monotonic() - began, 3),
        seed=seed,
        note=start.note,
    )


def _mended(
    request: RosterRequest, keep: Mapping[str, Sequence[str]], *, seconds: float, seed: int, repeatable: bool
) -> Roster | None:
    """The roster with the least change against ``keep``; None without the solver."""
    try:
        found = replan.least_change(request, keep, seconds=seconds, seed=seed, repeatable=repeatable)
    except ImportError:
        return None
    _insist(request, found.assigned)
    unfilled = _unfilled(request, found.assigned)
    skipped = ("told", "moved")
    places = [number for number, tier in enumerate(replan.TIERS) if tier not in skipped]
    return Roster(
        name=request.name,
        assigned=found.assigned,
        tiers=value.tiers(request, found.assigned),
        bounds=tuple(found.bounds[place] for place in places),
        proven=tuple(found.proven[place] for place in places),
        unfilled=unfilled,
        reasons=_texts(unfilled),
        told=found.told,
        seconds=found.seconds,
        seed=seed,
        told_at_least=found.bounds[replan.TIERS.index("told")],
    )


def _insist(request: RosterRequest, assigned: Mapping[str, Sequence[str]]) -> None:
    broken = faults(request, assigned)
    if broken:
        raise AssertionError("a proposed roster broke a rule: " + " ".join(broken))


def _exchanging(request: RosterRequest, seconds: float) -> float:
    if len(request.people) >= MANY_PEOPLE:
        return MANY_SHARE * seconds
    return min(GREEDY_SHARE * seconds, EXCHANGING_PER_PLACE * len(request.people) * len(request.tasks))


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
    if roster.told_at_least is not None:
        document["told_at_least"] = roster.told_at_least
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
    found = reasons.why(request, assigned)
    return tuple(
        Unfilled(gap.task, gap.places, " ".join(one.text for one in found if gap.task in one.open))
        for gap in gaps(request, assigned)
    )


def _texts(unfilled: Sequence[Unfilled]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(one.why for one in unfilled))
