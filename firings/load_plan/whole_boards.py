"""Least stack of a small load by whole pots on whole boards: a program in integers that learns what no board holds.

Every layer has a height, every board whole pots within the limits of ``board_limits``. Of each answer the boards are
looked at: a set of pots of which it is proven that no board holds them together (``together``) is forbidden on all
boards, larger pots in their places too, and the program is solved again. What is left out of it (post spots, posts in
stock, what runs) only makes plans higher, so what it proves holds for every plan.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations, pairwise
from math import floor
from time import monotonic
from typing import Any, Final

import numpy as np
from ortools.sat.python import cp_model

from firings.load_plan import rules
from firings.load_plan.board_limits import WHOLE, Footprint, limits_on
from firings.load_plan.problem import PieceSpec, ZoneSpec
from firings.load_plan.together import Shape, cannot_stand

MOST_POTS: Final = 60
MOST_BOARDS: Final = 48
WORK_PER_SECOND: Final = 20_000  # boxes of places looked at; a slow machine of today does more
_COARSE: Final = 1000  # limits in parts of WHOLE / this: smaller numbers, rounded to the safe side
_LOOKS: Final = (3_000, 60_000)  # boxes to look at for one set, more where nothing else is learned
_MOST_CONDITIONS: Final = 5
_MOST_TOGETHER: Final = 10  # pots looked at on one board, the largest
_ROUNDED: Final = 1e-6  # bounds are whole numbers, told as floating point

clock = monotonic


@dataclass(frozen=True, slots=True)
class _Type:
    """Pots alike in footprint and height of layer."""

    shape: Shape
    clear_mm: int


@dataclass(slots=True)
class _Program:
    """The program for one zone; ``layers`` from the tallest down, unused ones last."""

    zone: ZoneSpec
    types: list[_Type]
    counts: list[int]
    layers: int
    model: cp_model.CpModel = field(default_factory=cp_model.CpModel)
    pots: dict[tuple[int, int, int], Any] = field(default_factory=dict)  # by type, layer, board
    few: dict[tuple[frozenset[int], int, int, int], Any] = field(default_factory=dict)
    known: dict[tuple[int, ...], tuple[bool, int]] = field(default_factory=dict)
    forbidden: set[tuple[int, ...]] = field(default_factory=set)
    boxes: int = 0  # work done on proofs

    def build(self, least: int, most: int) -> None:
        """All of it but what boards teach: a stack from ``least`` to ``most`` mm."""
        heights = sorted({one.clear_mm for one in self.types}, reverse=True)
        costs = [clear + self.zone.shelf_thickness_mm for clear in heights]
        total: list[Any] = []
        above: list[Any] = []
        for layer in range(self.layers):
            tall = [self.model.new_bool_var("") for _ in heights]  # at least as tall as this one
            for k in range(1, len(heights)):
                self.model.add_implication(tall[k - 1], tall[k])
            for k, of_above in enumerate(above):
                self.model.add_implication(tall[k], of_above)
            total += [cost * tall[k] - (cost * tall[k - 1] if k else 0) for k, cost in enumerate(costs)]
            self._add_layer(layer, dict(zip(heights, tall, strict=True)))
            above = tall
        for t, count in enumerate(self.counts):
            self.model.add(sum(self._of(t, layer) for layer in range(self.layers)) == count)
        self.model.add_linear_constraint(sum(total), least, most)
        self.model.minimize(sum(total))

    def _of(self, t: int, layer: int) -> Any:
        return sum(self.pots[t, layer, board] for board in range(self.zone.boards_per_layer))

    def _add_layer(self, layer: int, tall: dict[int, Any]) -> None:
        boards = range(self.zone.boards_per_layer)
        for board in boards:
            for t, count in enumerate(self.counts):
                self.pots[t, layer, board] = self.model.new_int_var(0, count, "")
            for limit in self._limits():
                held = [int(weight) * self.pots[t, layer, board] for t, weight in enumerate(limit) if weight]
                self.model.add(sum(held) <= WHOLE // _COARSE)
        for t, one in enumerate(self.types):
            self.model.add(self._of(t, layer) <= self.counts[t] * tall[one.clear_mm])
        sizes = [one.shape.w * one.shape.l // 100 for one in self.types]
        covered = [sum(size * self.pots[t, layer, board] for t, size in enumerate(sizes)) for board in boards]
        for one_board, next_board in pairwise(covered):
            self.model.add(one_board >= next_board)  # boards of a layer are alike: the fuller first

    def _limits(self) -> np.ndarray[Any, np.dtype[np.int64]]:
        gap = self.zone.gap_mm
        rows = limits_on(self.zone, [Footprint(s.round, s.w + gap, s.l + gap) for s in (t.shape for t in self.types)])
        rows = np.asarray(rows // _COARSE)
        return np.asarray(np.unique(rows[rows @ np.array(self.counts) > WHOLE // _COARSE], axis=0))

    # --- What boards teach ----------------------------------------------------------------

    def learn(self, boards: Sequence[Sequence[int]], most_boxes: int) -> bool:
        """Forbid what is proven not to stand on one of these boards (types of the pots on each); whether any was."""
        learned = False
        for types in boards:
            large_first = sorted(types, key=lambda t: (-self._size(t), t))
            for count in range(2, min(len(large_first), _MOST_TOGETHER) + 1):
                if self._cannot(large_first[:count], most_boxes):
                    learned |= self._forbid(self._fewest(large_first[:count], most_boxes))
                    break
        return learned

    def _size(self, t: int) -> int:
        return self.types[t].shape.w * self.types[t].shape.l

    def _cannot(self, types: Sequence[int], most_boxes: int) -> bool:
        key = tuple(sorted(types))
        proven, looked = self.known.get(key, (False, 0))
        if not proven and looked < most_boxes:
            proven, work = cannot_stand([self.types[t].shape for t in types], self.zone, most_boxes)
            self.boxes += work
            self.known[key] = proven, most_boxes
        return proven

    def _fewest(self, types: list[int], most_boxes: int) -> list[int]:
        """As few of them as are proven alike: the small ones are left out where they can be."""
        for t in sorted(types, key=self._size):
            fewer = types.copy()
            fewer.remove(t)
            if len(fewer) > 1 and self._cannot(fewer, most_boxes):
                types = fewer
        return types

    def _forbid(self, types: Sequence[int]) -> bool:
        """No board holds these, or pots in whose places they could stand.

        By Hall's theorem a board holds such pots exactly if of every choice among these there are as many pots that
        may stand in for one of them; so of one choice there must be fewer.
        """
        key = tuple(sorted(types))
        if key in self.forbidden:
            return False
        self.forbidden.add(key)
        conditions = self._conditions(Counter(key))
        for layer in range(self.layers):
            for board in range(self.zone.boards_per_layer):
                self.model.add_bool_or([self._fewer(held, count, layer, board) for held, count in conditions])
        return True

    def _conditions(self, counts: Counter[int]) -> list[tuple[frozenset[int], int]]:
        if len(counts) > _MOST_CONDITIONS:  # only these themselves: weaker, as true
            return [(frozenset({t}), count) for t, count in counts.items()]
        holding = {
            t: frozenset(u for u, one in enumerate(self.types) if one.shape.holds(self.types[t].shape)) for t in counts
        }
        most: dict[frozenset[int], int] = {}
        for size in range(1, len(counts) + 1):
            for chosen in combinations(sorted(counts), size):
                held = frozenset[int]().union(*(holding[t] for t in chosen))
                most[held] = max(most.get(held, 0), sum(counts[t] for t in chosen))
        return list(most.items())

    def _fewer(self, held: frozenset[int], count: int, layer: int, board: int) -> Any:
        key = held, count, layer, board
        if key not in self.few:
            self.few[key] = fewer = self.model.new_bool_var("")
            pots = sum(self.pots[t, layer, board] for t in sorted(held))
            self.model.add(pots <= count - 1).only_enforce_if(fewer)
        return self.few[key]


def suits(zone: ZoneSpec, pieces: Sequence[tuple[PieceSpec, int]], stack_mm: int) -> bool:
    """Whether the load is small enough for ``least_stack_mm``."""
    pots = sum(count for _, count in pieces)
    return 0 < pots <= MOST_POTS and _layers(zone, pieces, stack_mm) * zone.boards_per_layer <= MOST_BOARDS


def least_stack_mm(
    zone: ZoneSpec, pieces: Sequence[tuple[PieceSpec, int]], *, least_mm: int, stack_mm: int, seconds: float
) -> int:
    """No plan of these pots has a stack below this; ``stack_mm`` (that of a plan) if none is below that.

    ``least_mm`` is a bound known before. Pots that fit no board or height of the zone must not be among them. Ends by
    work done before the clock does, so the same seconds give the same answer.
    """
    cannot_stand((Shape(True, 1, 1),), zone, 1)  # compiled the first time, outside of the seconds given
    ends, budget = clock() + seconds, seconds
    found: Counter[_Type] = Counter()
    for piece, count in pieces:
        clear = rules.layer_height(zone, piece.h)
        if count and clear is not None:
            w, l = sorted(piece.footprint())  # noqa: E741
            found[_Type(Shape(piece.is_round, w, l), clear)] += count
    types = sorted(found, key=lambda one: (-one.clear_mm, one.shape))
    program = _Program(zone, types, [found[one] for one in types], _layers(zone, pieces, stack_mm))
    if not types or least_mm >= stack_mm or program.layers < 1:
        return least_mm
    program.build(least_mm, stack_mm - 1)
    best = least_mm
    while budget > 0 and clock() < ends:
        solver, before = _solver(budget, ends - clock()), program.boxes
        status = solver.solve(program.model)
        budget -= solver.response_proto.deterministic_time + 0.01
        if status == cp_model.INFEASIBLE:
            return stack_mm
        if status in (cp_model.OPTIMAL, cp_model.FEASIBLE, cp_model.UNKNOWN):
            best = max(best, min(floor(solver.best_objective_bound + _ROUNDED), stack_mm))
        if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            break
        boards = [
            [t for t in range(len(types)) for _ in range(solver.value(program.pots[t, layer, board]))]
            for layer in range(program.layers)
            for board in range(zone.boards_per_layer)
        ]
        learned = False
        for look in _LOOKS:
            left = budget - (program.boxes - before) / WORK_PER_SECOND
            if learned or left <= 0 or clock() >= ends:
                break
            learned = program.learn(boards, min(look, int(left * WORK_PER_SECOND)))
        if not learned:
            break
        budget -= (program.boxes - before) / WORK_PER_SECOND
    return best


def _layers(zone: ZoneSpec, pieces: Sequence[tuple[PieceSpec, int]], stack_mm: int) -> int:
    """More layers than these a plan below ``stack_mm`` cannot have: one for the tallest, the rest for the lowest."""
    clears = [clear for piece, count in pieces if count and (clear := rules.layer_height(zone, piece.h)) is not None]
    if not clears:
        return 0
    each = zone.shelf_thickness_mm
    rest = stack_mm - 1 - max(clears) - each
    return 0 if rest < 0 else 1 + rest // (min(clears) + each)


def _solver(budget: float, seconds: float) -> cp_model.CpSolver:
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 1
    solver.parameters.max_deterministic_time = budget
    solver.parameters.max_time_in_seconds = max(seconds, 0.01)
    return solver
