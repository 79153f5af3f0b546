"""Cuts the burn of one firing into watches by the kiln's crew phases."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from itertools import pairwise

from coop.errors import Malformed

_QUARTER = timedelta(minutes=15)  # people meet at a quarter past, not at 13:36


@dataclass(frozen=True, slots=True)
class CrewPhase:
    """Part of the burn, ``[from, to)`` in per mille of its length, with the crew it takes."""

    name: str
    from_per_mille: int
    to_per_mille: int
    people: int
    leads: int
    most: int


@dataclass(frozen=True, slots=True)
class WatchSpan:
    """One watch, ``[starts_at, ends_at)`` in UTC; the larger need of the phases it touches."""

    starts_at: datetime
    ends_at: datetime
    phases: tuple[str, ...]
    people: int
    leads: int
    most: int


def cut_watches(
    phases: Sequence[CrewPhase],
    lit_at: datetime,
    ends_at: datetime,
    watch_hours: int | Fraction,
) -> list[WatchSpan]:
    """Watches that cover ``[lit_at, ends_at)`` exactly, one after the other, each close to ``watch_hours``.

    A watch ends where the phase changes; a phase shorter than half a watch joins its shorter neighbour.
    None is shorter than half of ``watch_hours`` unless the whole burn is; none is longer than one and a
    half. Cuts fall on quarters of an hour after lighting, or on minutes where a phase or a watch is too
    short for that; the hours are elapsed time, so a night when the clocks change is as long as it is.
    Raises Malformed, one sentence per fault.
    """
    _refuse_nonsense(phases, lit_at, ends_at, watch_hours)
    start, end = lit_at.astimezone(UTC), ends_at.astimezone(UTC)
    length = end - start
    watch = timedelta(minutes=int(Fraction(watch_hours) * 60))
    shortest = min(length * (phase.to_per_mille - phase.from_per_mille) / 1000 for phase in phases)
    step = _QUARTER if watch >= 4 * _QUARTER and shortest >= 2 * _QUARTER else timedelta(minutes=1)
    edges = [_down_to(step, length * phase.from_per_mille / 1000) for phase in phases] + [length]
    stretches = _long_enough(edges, watch / 2)
    cuts = [timedelta(0)]
    for begins, finishes in stretches:
        whole = finishes - begins
        pieces = max(1, round(Fraction(whole // timedelta(microseconds=1), watch // timedelta(microseconds=1))))
        cuts += [begins + _down_to(step, whole * number / pieces) for number in range(1, pieces)] + [finishes]
    return [_span(phases, edges, start, begins, finishes) for begins, finishes in pairwise(cuts)]


def _down_to(step: timedelta, length: timedelta) -> timedelta:
    return length // step * step


def _long_enough(edges: Sequence[timedelta], least: timedelta) -> list[tuple[timedelta, timedelta]]:
    """Stretches between phase changes, the too short ones joined to their shorter neighbour."""
    stretches = [(a, b) for a, b in pairwise(edges) if b > a]
    while len(stretches) > 1:
        lengths = [b - a for a, b in stretches]
        shortest = min(range(len(stretches)), key=lambda one: lengths[one])
        if lengths[shortest] >= least:
            break
        beside = [one for one in (shortest - 1, shortest + 1) if 0 <= one < len(stretches)]
        first = min(shortest, min(beside, key=lambda one: lengths[one]))
        stretches[first : first + 2] = [(stretches[first][0], stretches[first + 1][1])]
    return stretches


def _span(
    phases: Sequence[CrewPhase],
    edges: Sequence[timedelta],
    start: datetime,
    begins: timedelta,
    finishes: timedelta,
) -> WatchSpan:
    touched = [
        phase for phase, (a, b) in zip(phases, pairwise(edges), strict=True) if max(a, begins) < min(b, finishes)
    ]
    people = max(phase.people for phase in touched)
    return WatchSpan(
        starts_at=start + begins,
        ends_at=start + finishes,
        phases=tuple(phase.name for phase in touched),
        people=people,
        leads=max(phase.leads for phase in touched),
        most=max(people, max(phase.most for phase in touched)),
    )


def _refuse_nonsense(
    phases: Sequence[CrewPhase], lit_at: datetime, ends_at: datetime, watch_hours: int | Fraction
) -> None:
    faults = []
    if lit_at.tzinfo is None or ends_at.tzinfo is None:
        raise Malformed(["Lighting and end of fire need their offset from UTC; give both with one."])
    if ends_at.astimezone(UTC) <= lit_at.astimezone(UTC):
        faults.append("The end of fire is not after the lighting; correct one of them.")
    if not 1 <= watch_hours <= 24:
        faults.append(f"A watch of {watch_hours} hours is not possible; choose 1 to 24 hours.")
    if not phases:
        faults.append("The kiln has no crew phases; give at least one from 0 to 1000 per mille.")
    reached = 0
    for phase in phases:
        if phase.from_per_mille != reached or phase.to_per_mille <= phase.from_per_mille:
            faults.append(
                f"Phase {phase.name}: runs from {phase.from_per_mille} to {phase.to_per_mille} per mille; "
                f"it must begin at {reached}, where the one before ends, and end later."
            )
        if phase.people < 2:
            faults.append(f"Phase {phase.name}: needs at least two people, nobody is alone at the fire.")
        if not 0 <= phase.leads <= phase.people <= phase.most:
            faults.append(f"Phase {phase.name}: leads, people and most people must rise in this order.")
        reached = phase.to_per_mille
    if phases and reached != 1000:
        faults.append(f"The phases end at {reached} per mille of the burn; the last must end at 1000.")
    if faults:
        raise Malformed(faults)
