"""Least stack by a linear program over layers, proven in whole numbers whatever the floating point says.

For every zone and every height a layer can have there is a number of layers, and for every piece how many of it stand
in those; boards hold no more than ``board_limits`` allow. The program's duals, rounded, prove a bound in integers: any
duals do, so an inexact or unfinished answer of the solver costs height but never truth. Numbers of layers are whole,
which a search over ``at most k / at least k + 1 layers this tall`` uses, each leaf proven in the same way.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil, floor
from typing import Any, Final

import highspy
import numpy as np

from firings.load_plan import rules
from firings.load_plan.board_limits import WHOLE, Footprint, limits_on
from firings.load_plan.bound import board_room_mm2, grown_mm2, round_pots_on_a_board
from firings.load_plan.problem import PieceSpec, ZoneSpec

_PENALTY_MM: Final = 20_000.0  # a pot that stands nowhere; keeps every program solvable
_MOST_TYPES: Final = 160
_ROWS_A_ROUND: Final = 3
_MOST_ROUNDS: Final = 60
_VIOLATED: Final = 1e-6
_INTEGRAL: Final = 1e-6

Counts = Sequence[tuple[PieceSpec, int]]


@dataclass(frozen=True, slots=True)
class _Type:
    """Pots alike in size, height and zones they may stand in (by number)."""

    round: bool
    w: int
    l: int  # noqa: E741 - as in the exchange file
    h: int
    zones: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class _Pots:
    """Pots of one piece and the zones they may stand in (by number)."""

    piece: PieceSpec
    count: int
    zones: tuple[int, ...]


@dataclass(slots=True)
class _Class:
    """Layers of one clear height in one zone; ``types`` may stand in them. Columns of the program."""

    zone: int
    clear_mm: int
    cost_mm: int
    boards: int
    types: list[int]
    layers: int  # column
    pots: dict[int, int] = field(default_factory=dict)  # column by type


@dataclass(slots=True)
class _Tall:
    """Row: how many layers of these classes there are, all that are tall enough for some pot; at least ``least``."""

    classes: list[int]
    row: int
    least: int


@dataclass(order=True, slots=True)
class _Node:
    bound: int
    number: int
    least: tuple[int, ...] = field(compare=False)
    most: tuple[int | None, ...] = field(compare=False)
    branch: tuple[int, int] | None = field(compare=False)


def least_stack_mm(zones: Sequence[ZoneSpec], pieces: Counts, enough: Callable[[int], bool]) -> int:
    """No plan of these pots needs less stack, summed over the zones.

    ``enough(work)`` ends the search early, given the simplex steps times rows so far; the answer then is lower but
    as true. Pots that fit no zone's board or height count nothing.
    """
    types = _types(zones, pieces)
    if not types:
        return 0
    program = _Program(zones, types, _may_stand_in(zones, pieces))
    return _search(program, enough)


# --- Types ----------------------------------------------------------------------------------


def _types(zones: Sequence[ZoneSpec], pieces: Counts) -> dict[_Type, int]:
    """Counts by type; where there are very many, sizes are rounded down until there are few enough."""
    step = 1
    while True:
        found: dict[_Type, int] = {}
        for piece, count in pieces:
            where = tuple(at for at, zone in enumerate(zones) if _may_stand(piece, zone))
            if not (count and where):
                continue
            w, l = sorted((piece.d, piece.d) if piece.is_round else (piece.w, piece.l))  # noqa: E741
            one = _Type(piece.is_round, _down(w, step), _down(l, step), _down(piece.h, step), where)
            found[one] = found.get(one, 0) + count
        if len(found) <= _MOST_TYPES:
            return dict(sorted(found.items(), key=lambda item: (-item[0].h, item[0].w, item[0].l, item[0].zones)))
        step *= 2


def _may_stand_in(zones: Sequence[ZoneSpec], pieces: Counts) -> list[_Pots]:
    found = [
        _Pots(piece, count, tuple(at for at, zone in enumerate(zones) if _may_stand(piece, zone)))
        for piece, count in pieces
        if count
    ]
    return [one for one in found if one.zones]


def _layers_needed(zones: Sequence[ZoneSpec], pots: Sequence[_Pots]) -> int:
    """At least so many layers, in whatever zones, hold these pots: by area and by number of round pots."""
    rooms = [zone.boards_per_layer * board_room_mm2(zone) for zone in zones]
    area = sum(one.count * min(grown_mm2(one.piece, zones[at].gap_mm) / rooms[at] for at in one.zones) for one in pots)
    most = max(1, ceil(area * (1 - 1e-4))) if pots else 0
    for d in sorted({one.piece.d for one in pots if one.piece.is_round}):
        as_wide = [one for one in pots if one.piece.is_round and one.piece.d >= d]
        fit = max(
            round_pots_on_a_board(zones[at], d) * zones[at].boards_per_layer
            for at in {z for p in as_wide for z in p.zones}
        )
        most = max(most, -(-sum(one.count for one in as_wide) // max(fit, 1)))
    return most


def _down(size: int, step: int) -> int:
    return max(size // step * step, 1)


def _may_stand(piece: PieceSpec, zone: ZoneSpec) -> bool:
    return rules.may_stand(piece, zone) and rules.may_fit(piece, zone)


# --- The program ----------------------------------------------------------------------------


class _Solver(highspy.Highs):
    """HiGHS without a word: its own constructor greets on standard output, where a plan may be going."""

    def __init__(self) -> None:
        super(highspy.Highs, self).__init__()
        for option, value in (("output_flag", False), ("threads", 1), ("presolve", "off")):
            self.setOptionValue(option, value)


class _Program:
    """The linear program with the limits found to matter so far; grows as it is solved."""

    def __init__(self, zones: Sequence[ZoneSpec], types: Mapping[_Type, int], pots: Sequence[_Pots]) -> None:
        self.types, self.counts = list(types), list(types.values())
        self.pots = sum(self.counts)
        self.limits = [self._limits(at, zone) for at, zone in enumerate(zones)]
        self.solver = _Solver()
        self.classes = [one for at, zone in enumerate(zones) for one in self._classes(at, zone)]
        self._add_cover()
        self.tall = [*self._tall_together(zones, pots), *self._tall(zones, pots)]
        self.rows: dict[tuple[int, int], int] = {}  # class, limit -> row
        self.work = 0
        for at in range(len(self.classes)):
            if len(self.limits[self.classes[at].zone]):
                self._add_limit(at, 0)

    def _limits(self, at: int, zone: ZoneSpec) -> np.ndarray[Any, np.dtype[np.int64]]:
        """Weights by limit and type; types that may not stand in the zone weigh nothing."""
        gap = zone.gap_mm
        here = [number for number, one in enumerate(self.types) if at in one.zones]
        rows = limits_on(zone, [Footprint(t.round, t.w + gap, t.l + gap) for t in (self.types[n] for n in here)])
        whole = np.zeros((len(rows), len(self.types)), dtype=np.int64)
        whole[:, here] = rows
        return whole

    def _classes(self, at: int, zone: ZoneSpec) -> Iterator[_Class]:
        need = {
            number: clear
            for number, one in enumerate(self.types)
            if at in one.zones and (clear := rules.layer_height(zone, one.h)) is not None
        }
        for clear in sorted(set(need.values()), reverse=True):
            types = [number for number, one in need.items() if one <= clear]
            cost = clear + zone.shelf_thickness_mm
            made = _Class(at, clear, cost, zone.boards_per_layer, types, self._column(float(cost)))
            made.pots = {number: self._column(0.0) for number in types}
            yield made

    def _column(self, cost: float) -> int:
        self.solver.addVar(0.0, highspy.kHighsInf)
        at = int(self.solver.getNumCol()) - 1
        self.solver.changeColCost(at, cost)
        return at

    def _row(self, low: float, high: float, columns: Sequence[int], values: Sequence[float]) -> int:
        self.solver.addRow(low, high, len(columns), np.array(columns, dtype=np.int32), np.array(values))
        return int(self.solver.getNumRow()) - 1

    def _add_cover(self) -> None:
        for number, count in enumerate(self.counts):
            columns = [one.pots[number] for one in self.classes if number in one.pots]
            columns.append(self._column(_PENALTY_MM))
            self._row(float(count), highspy.kHighsInf, columns, [1.0] * len(columns))

    def _tall(self, zones: Sequence[ZoneSpec], pots: Sequence[_Pots]) -> Iterator[_Tall]:
        for at, zone in enumerate(zones):
            own = [one for one in pots if one.zones == (at,)]
            inside: list[int] = []
            for number, one in enumerate(self.classes):
                if one.zone == at:
                    inside.append(number)
                    tall = [pot for pot in own if (rules.layer_height(zone, pot.piece.h) or 0) >= one.clear_mm]
                    yield self._tall_row(inside[:], _layers_needed(zones, tall))

    def _tall_together(self, zones: Sequence[ZoneSpec], pots: Sequence[_Pots]) -> Iterator[_Tall]:
        """Layers of all zones that take pots of a height; only where there are several zones."""
        for height in sorted({one.piece.h for one in pots}, reverse=True) if len(zones) > 1 else ():
            need = [rules.layer_height(zone, height) for zone in zones]
            inside = [n for n, one in enumerate(self.classes) if one.clear_mm >= (need[one.zone] or one.clear_mm + 1)]
            if inside:
                tall = [pot for pot in pots if pot.piece.h >= height]
                yield self._tall_row(inside, _layers_needed(zones, tall))

    def _tall_row(self, classes: list[int], least: int) -> _Tall:
        columns = [self.classes[n].layers for n in classes]
        return _Tall(classes, self._row(float(least), highspy.kHighsInf, columns, [1.0] * len(columns)), least)

    def _add_limit(self, at: int, limit: int) -> None:
        one = self.classes[at]
        weights = self.limits[one.zone][limit]
        held = [number for number in one.types if weights[number]]
        columns = [*(one.pots[number] for number in held), one.layers]
        values = [*(float(weights[number]) / WHOLE for number in held), -float(one.boards)]
        self.rows[at, limit] = self._row(-highspy.kHighsInf, 0.0, columns, values)

    def solve(
        self, least: Sequence[int], most: Sequence[int | None], enough: Callable[[int], bool]
    ) -> tuple[int, list[float]]:
        """The proven bound, and how many layers at least as tall as each class the program would have."""
        for tall, low, high in zip(self.tall, least, most, strict=True):
            self.solver.changeRowBounds(tall.row, float(low), highspy.kHighsInf if high is None else float(high))
        best, stacked = 0, list[float]()
        for left in reversed(range(_MOST_ROUNDS)):
            self.solver.run()
            self.work += (int(self.solver.getInfo().simplex_iteration_count) + 20) * int(self.solver.getNumRow())
            answer = self.solver.getSolution()
            if not (answer.dual_valid and answer.value_valid):
                break
            values = np.array(answer.col_value)
            duals, more = np.array(answer.row_dual), self._add_violated(values)
            if not (more and left) or enough(self.work):
                best = self.proven(duals, least, most)
                stacked = [sum(values[self.classes[n].layers] for n in tall.classes) for tall in self.tall]
                break
        return best, stacked

    def _add_violated(self, values: np.ndarray[Any, np.dtype[np.float64]]) -> int:
        added = 0
        for at, one in enumerate(self.classes):
            limits = self.limits[one.zone]
            stands = np.zeros(len(self.types))
            for number, column in one.pots.items():
                stands[number] = values[column]
            over = limits @ stands / WHOLE - one.boards * values[one.layers]
            for limit in np.argsort(-over)[:_ROWS_A_ROUND]:
                if over[limit] > _VIOLATED and (at, int(limit)) not in self.rows:
                    self._add_limit(at, int(limit))
                    added += 1
        return added

    def proven(
        self, duals: np.ndarray[Any, np.dtype[np.float64]], least: Sequence[int], most: Sequence[int | None]
    ) -> int:
        """The bound that rounded duals prove, in whole numbers, rounded up to the next millimetre.

        Prices in units of 1e-9: a limit's price for its boards, a row's price for tall layers. Layers of a class are
        then worth at least what remains of their cost; where that is below nothing, at most one layer a pot is
        charged. A pot is worth what the limits say in the class where it is cheapest.
        """
        unit = 10**9
        prices: list[dict[int, int]] = [{} for _ in self.classes]
        for (at, limit), row in self.rows.items():
            if row < len(duals) and (price := floor(-duals[row] * unit)) > 0:
                prices[at][limit] = price
        total, left = 0, [one.cost_mm * unit for one in self.classes]
        for tall, low, high in zip(self.tall, least, most, strict=True):
            price = floor(duals[tall.row] * unit)
            if price == 0 or (price < 0 and high is None):
                continue
            total += price * (low if price > 0 else (high or 0))
            for number in tall.classes:
                left[number] -= price
        for at, one in enumerate(self.classes):
            left[at] -= sum(prices[at].values()) * one.boards
            total += min(left[at], 0) * self.pots
        total *= WHOLE
        for number, count in enumerate(self.counts):
            total += count * self._worth(number, prices)
        return max(-(-total // (unit * WHOLE)), 0)

    def _worth(self, number: int, prices: Sequence[Mapping[int, int]]) -> int:
        worth = [
            sum(price * int(self.limits[one.zone][limit][number]) for limit, price in prices[at].items())
            for at, one in enumerate(self.classes)
            if number in one.pots
        ]
        return min(worth, default=0)


# --- Whole layers ---------------------------------------------------------------------------


def _search(program: _Program, enough: Callable[[int], bool]) -> int:
    """Best first over numbers of layers; the answer is the least bound of all that is still open."""
    made = 0

    def node(least: tuple[int, ...], most: tuple[int | None, ...], above: int) -> _Node:
        nonlocal made
        made += 1
        bound, stacked = program.solve(least, most, enough)
        return _Node(max(bound, above), made, least, most, _branch(stacked))

    open_nodes = [node(tuple(t.least for t in program.tall), (None,) * len(program.tall), 0)]
    while (best := open_nodes[0]).branch is not None and not enough(program.work):
        at, layers = best.branch
        fewer = node(best.least, _with(best.most, at, layers), best.bound)
        more = node(_with(best.least, at, layers + 1), best.most, best.bound)
        heapq.heapreplace(open_nodes, fewer)
        heapq.heappush(open_nodes, more)
    return open_nodes[0].bound


def _branch(stacked: Sequence[float]) -> tuple[int, int] | None:
    """The row whose number of layers is farthest from whole, and that number rounded down."""
    apart = [(abs(value - round(value)), -at) for at, value in enumerate(stacked)]
    most, at = max(apart, default=(0.0, 0))
    return (-at, floor(stacked[-at])) if most > _INTEGRAL else None


def _with(values: tuple[Any, ...], at: int, value: int) -> tuple[Any, ...]:
    return (*values[:at], value, *values[at + 1 :])
