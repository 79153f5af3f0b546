"""Takes the tiers in order: each is solved, proven or bounded, then kept while the next is solved."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, inf
from typing import TYPE_CHECKING

from firings.roster import value
from firings.roster.problem import RosterRequest

if TYPE_CHECKING:
    from ortools.sat.python.cp_model import CpSolver

    from firings.roster.model import Built

# What one second buys in the solver's own, repeatable measure of work; the clock is only the brake.
WORK_PER_SECOND = 0.5
BRAKE = 1.5
NO_SOLVER = (
    "The solver could not be loaded ({error}); this roster is sound and improved by exchanges, but not proven to "
    "be the best. Have whoever runs the service install its requirements."
)


@dataclass(frozen=True, slots=True)
class Answer:
    """A roster with its tiers, what none can beat, and which tiers are proven (see ``solve.Roster``)."""

    assigned: dict[str, tuple[str, ...]]
    tiers: tuple[int, ...]
    bounds: tuple[int, ...]
    proven: tuple[bool, ...]
    note: str = ""


def improve(request: RosterRequest, start: Answer, *, seconds: float, seed: int, by_clock: bool = True) -> Answer:
    """The best roster found, never worse than ``start`` in the tiers' order.

    Places and wishes over single places, fairness and likings over whole schedules. A tier that cannot be
    proven in its share of the time keeps its best value and its bound; the bounds of later tiers then hold
    with that value. Without OR-tools ``start`` comes back with a note.
    """
    ends = time.monotonic() + BRAKE * seconds if by_clock else inf
    search = Search(request, start, seconds=seconds, seed=seed, ends=ends)
    try:
        search.run(value.TIERS[:2])
        return _fairer(search) or _by_places(search)
    except ImportError as error:
        return replace(search.answer(), note=NO_SOLVER.format(error=error))


def _fairer(search: Search) -> Answer | None:
    """The tiers of fairness over whole schedules; None where what that needs is not installed."""
    try:
        from firings.roster import fairness

        return fairness.improve(search.request, search.answer(), ends=search.ends, seed=search.seed)
    except ImportError:
        return None


def _by_places(search: Search) -> Answer:
    search.run(value.TIERS[2:])
    return search.answer()


class Search:
    """Over single places; the model is made when the first tier needs it."""

    def __init__(self, request: RosterRequest, start: Answer, *, seconds: float, seed: int, ends: float) -> None:
        self.request, self.best, self.seed, self.ends = request, start, seed, ends
        self.simple = self.bounds = start.bounds
        self.work = seconds * WORK_PER_SECOND
        self.made: Built | None = None
        self.kept = 0  # tiers before this one are kept by the model

    @property
    def built(self) -> Built:
        if self.made is None:
            from firings.roster.model import build

            self.made = build(self.request)
        return self.made

    def run(self, tiers: Sequence[str]) -> None:
        """Solve these tiers, in order; those before them stay at most as they are."""
        for tier in map(value.TIERS.index, tiers):
            known = self._known(tier)
            if self.best.tiers[tier] > known:
                known = max(known, self._solve(tier))
            self.bounds = (*self.bounds[:tier], min(known, self.best.tiers[tier]), *self.bounds[tier + 1 :])

    def answer(self) -> Answer:
        """The best so far; ``bounds`` of tiers not yet solved are the simple ones."""
        proven = tuple(least == reached for least, reached in zip(self.bounds, self.best.tiers, strict=True))
        return replace(self.best, bounds=self.bounds, proven=proven)

    def _known(self, tier: int) -> int:
        """The simple bound, where it holds: on wishes only once the tiers before it are at theirs."""
        rests_on = {1: 1, 4: 2}.get(tier, 0)
        holds = self.best.tiers[:rests_on] == self.simple[:rests_on]
        return self.simple[tier] if holds else 0

    def _solve(self, tier: int) -> int:
        """Make the tier as small as time lets; its bound with the earlier tiers kept."""
        share = 1 / (len(value.TIERS) - tier)
        left = self.ends - time.monotonic()
        if self.work <= 0 or left <= 0:
            return 0
        model = self.built.model
        for before in range(self.kept, tier):
            model.add(self.built.tiers[before] <= self.best.tiers[before])
        self.kept = tier
        model.clear_hints()  # type: ignore[no-untyped-call]
        for (person, task), here in self.built.on.items():
            model.add_hint(here, person in self.best.assigned[task])
        model.minimize(self.built.tiers[tier])
        solver = self._solver(max(share, 0.5) * self.work, max(share, 0.5) * left)
        found = solver.solve(model)
        self.work -= solver.response_proto.deterministic_time
        if found in _found():
            self._take(solver)
        return ceil(solver.best_objective_bound - 1e-6)

    def _solver(self, work: float, seconds: float) -> CpSolver:
        from ortools.sat.python.cp_model import CpSolver

        solver = CpSolver()
        solver.parameters.num_workers = 1
        solver.parameters.random_seed = self.seed
        solver.parameters.linearization_level = 2
        solver.parameters.max_deterministic_time = work
        if seconds < inf:
            solver.parameters.max_time_in_seconds = seconds
        return solver

    def _take(self, solver: CpSolver) -> None:
        request = self.request
        assigned: dict[str, list[str]] = {task.id: [] for task in request.tasks}
        for (person, task), here in self.built.on.items():
            if solver.boolean_value(here):
                assigned[task].append(person)
        crews = {task: tuple(sorted(crew)) for task, crew in assigned.items()}
        reached = value.tiers(request, crews)
        if reached < self.best.tiers:
            self.best = replace(self.best, assigned=crews, tiers=reached)


def _found() -> tuple[object, ...]:
    from ortools.sat.python.cp_model import FEASIBLE, OPTIMAL

    return (OPTIMAL, FEASIBLE)
