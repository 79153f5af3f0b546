"""Least stack any plan of the same pieces can have, by zone and in all: valid for the rules, never a promise.

At once a count by area and number; with ``seconds`` a linear program over layers (``layer_program``), which needs numpy
and HiGHS and is imported only then.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil, floor, pi, sqrt
from time import monotonic
from typing import Final

from firings.load_plan import rules
from firings.load_plan.problem import LoadPlan, LoadRequest, PieceSpec, ZoneSpec

WORK_PER_SECOND: Final = 4_000_000  # simplex steps x rows; a slow machine of today does more
TOLERANCE_MM: Final = 0.001  # by so much the checker lets pieces stand closer, or over the edge
_SLACK: Final = 1e-9
_MOST_SIZES: Final = 12
_MOST_LOOKS: Final = 1_000_000  # a coarser look at many pieces gives a lower bound, still a valid one


@dataclass(frozen=True, slots=True)
class Bounds:
    """No plan of the same pots has a lower stack: by zone id, and added up over the zones.

    A zone answers only for pots that may stand nowhere else, so ``total_mm`` can be more than the zones' sum.
    """

    by_zone: Mapping[str, int]
    total_mm: int


def lower_bound_mm(request: LoadRequest, counts: Mapping[str, int], *, seconds: float = 0.0) -> dict[str, int]:
    """Bound by zone id for loading ``counts`` pots of each piece id; see ``lower_bounds``."""
    return dict(lower_bounds(request, counts, seconds=seconds).by_zone)


def lower_bounds(request: LoadRequest, counts: Mapping[str, int], *, seconds: float = 0.0) -> Bounds:
    """Bounds for loading ``counts`` pots of each piece id, in milliseconds without ``seconds``.

    A zone is charged only with pots that may stand nowhere else, the total with all. Of the pots at least h tall, at
    least k(h) layers must be tall enough, k being the larger of an area count and a count of round pots; the j-th
    tallest layer is then at least as tall as the tallest h with k(h) >= j needs. With ``seconds`` the bounds are at
    least as high; the search for them ends by work done before the clock does, so they are the same every time.
    """
    own = _own(request, counts)
    by_zone = {zone.id: _bound(zone, own[zone.id]) for zone in request.zones}
    if seconds > 0:
        return _with_program(request, counts, own, by_zone, seconds)
    return Bounds(by_zone, sum(by_zone.values()))


def _own(request: LoadRequest, counts: Mapping[str, int]) -> Mapping[str, list[tuple[PieceSpec, int]]]:
    """By zone id the pots that may stand there and nowhere else."""
    own: dict[str, list[tuple[PieceSpec, int]]] = defaultdict(list)
    for piece in request.pieces:
        zones = [zone for zone in request.zones if rules.may_stand(piece, zone) and rules.may_fit(piece, zone)]
        if len(zones) == 1 and counts.get(piece.id, 0):
            own[zones[0].id].append((piece, counts[piece.id]))
    return own


def strengthened(request: LoadRequest, plan: LoadPlan, *, seconds: float) -> LoadPlan:
    """The plan with the best bounds that ``seconds`` give; proven where it leaves nothing out and cannot be lower.

    Bounds and proof the plan already has stay where they are better. The plan must be without faults. A bound above the
    stack is not cut down to it: the checker must be able to see it. Where the linear program leaves a gap on a small
    load, the second half of the time goes to whole pots on whole boards (``whole_boards``).
    """
    counts: dict[str, int] = defaultdict(int)
    for layer in plan.layers:
        for one in layer.placed:
            counts[one.id] += 1
    stacks = rules.stacks(request, plan)
    found = lower_bounds(request, counts, seconds=seconds / 2)
    by_zone = {zone: max(mm, plan.lower_bound_mm.get(zone, 0)) for zone, mm in found.by_zone.items()}
    by_zone = _with_whole_boards(request, counts, by_zone, stacks, seconds / 2)
    total = max(found.total_mm, plan.lower_bound_total_mm or 0, sum(by_zone.values()))
    in_all = sum(stacks.values())
    proven = plan.proven or (in_all <= total and not _could_stand(request, plan))
    return replace(plan, lower_bound_mm=by_zone, lower_bound_total_mm=total, proven=proven)


def _with_whole_boards(
    request: LoadRequest,
    counts: Mapping[str, int],
    by_zone: Mapping[str, int],
    stacks: Mapping[str, int],
    seconds: float,
) -> dict[str, int]:
    """The bounds by zone id, higher where a small load's whole pots prove more than the linear program."""
    own = _own(request, counts)
    open_zones = [zone for zone in request.zones if own.get(zone.id) and by_zone[zone.id] < stacks[zone.id]]
    better = dict(by_zone)
    for zone in open_zones:
        from firings.load_plan import whole_boards

        pieces, known = own[zone.id], {"least_mm": by_zone[zone.id], "stack_mm": stacks[zone.id]}
        if whole_boards.suits(zone, pieces, stacks[zone.id]):
            better[zone.id] = whole_boards.least_stack_mm(zone, pieces, seconds=seconds / len(open_zones), **known)
    return better


def _could_stand(request: LoadRequest, plan: LoadPlan) -> bool:
    """Whether anything left out might fit some zone when that is empty."""
    left = {out.id for out in plan.left_out}
    return any(
        piece.id in left and any(rules.may_stand(piece, zone) and rules.may_fit(piece, zone) for zone in request.zones)
        for piece in request.pieces
    )


def _with_program(
    request: LoadRequest,
    counts: Mapping[str, int],
    own: Mapping[str, Sequence[tuple[PieceSpec, int]]],
    by_zone: dict[str, int],
    seconds: float,
) -> Bounds:
    """Half of the time for all zones together, the rest for each alone; one zone alone has it all."""
    from firings.load_plan.layer_program import least_stack_mm

    several = len(request.zones) > 1
    each = seconds / 2 / len(request.zones) if several else seconds
    for zone in request.zones:
        if own.get(zone.id):
            by_zone[zone.id] = max(by_zone[zone.id], least_stack_mm([zone], own[zone.id], _until(each)))
    together = 0
    if several:
        everything = [(piece, counts.get(piece.id, 0)) for piece in request.pieces]
        together = least_stack_mm(request.zones, everything, _until(seconds / 2))
    return Bounds(by_zone, max(together, sum(by_zone.values())))


def _until(seconds: float) -> Callable[[int], bool]:
    ends, most_work = monotonic() + seconds, int(seconds * WORK_PER_SECOND)
    return lambda work: work >= most_work or monotonic() >= ends


def _bound(zone: ZoneSpec, pieces: Sequence[tuple[PieceSpec, int]]) -> int:
    bound = layers = 0
    heights = sorted({piece.h for piece, _ in pieces}, reverse=True)
    step = 1 + len(heights) * len(pieces) * _MOST_SIZES // _MOST_LOOKS
    for height in heights[::step]:
        needed = _layers_needed(zone, [(piece, count) for piece, count in pieces if piece.h >= height])
        clear = rules.layer_height(zone, height)
        if clear is not None and needed > layers:
            bound += (needed - layers) * (clear + zone.shelf_thickness_mm)
            layers = needed
    return bound


def _layers_needed(zone: ZoneSpec, pieces: Sequence[tuple[PieceSpec, int]]) -> int:
    room = zone.boards_per_layer * board_room_mm2(zone)
    by_area = sum(count * grown_mm2(piece, zone.gap_mm) for piece, count in pieces) / room * (1 - 1e-4)  # tolerance
    return max(1, ceil(by_area - _SLACK), _layers_for_round(zone, pieces))


def _layers_for_round(zone: ZoneSpec, pieces: Sequence[tuple[PieceSpec, int]]) -> int:
    diameters = sorted({piece.d for piece, _ in pieces if piece.is_round})
    most = 0
    for d in diameters[:: 1 + len(diameters) // _MOST_SIZES]:
        pots = sum(count for piece, count in pieces if piece.is_round and piece.d >= d)
        if (fit := round_pots_on_a_board(zone, d)) > 0:
            most = max(most, -(-pots // (fit * zone.boards_per_layer)))
    return most


def round_pots_on_a_board(zone: ZoneSpec, d: int) -> int:
    """No more round pots at least ``d`` across stand on one board (post spots left aside).

    Their centres are d + gap apart inside a rectangle (W - d) x (L - d); the number of points at mutual distance 1
    in a convex region is at most 2/sqrt(3) area + perimeter / 2 + 1 (Oler, Acta Math. 105, 1961, 19-48).
    """
    if d > min(zone.board_w_mm, zone.board_l_mm):
        return 0
    less = TOLERANCE_MM
    width, length, apart = zone.board_w_mm - d + 2 * less, zone.board_l_mm - d + 2 * less, d + zone.gap_mm - less
    most = floor(2 / sqrt(3) * width * length / apart**2 + (width + length) / apart + 1 + _SLACK)
    across, up = max(width, length), min(width, length)
    if up < apart:  # no two one above the other: neighbours lie that far apart along the board
        most = min(most, floor(across / sqrt(apart**2 - up**2) + 1 + _SLACK))
    return most


def grown_mm2(piece: PieceSpec, gap: int) -> float:
    """Area of the footprint grown by half a gap all round; such areas never overlap on a board."""
    return pi / 4 * (piece.d + gap) ** 2 if piece.is_round else _grown(piece.w, piece.l, gap)


def board_room_mm2(zone: ZoneSpec) -> float:
    """Area of a board grown by half a gap, less post spots grown alike where these lie clear of one another."""
    room, counted = _grown(zone.board_w_mm, zone.board_l_mm, zone.gap_mm), list[tuple[int, int, int, int]]()
    for x0, y0, x1, y1 in zone.keepouts:
        gap = zone.gap_mm
        if all(x0 >= c + gap or a >= x1 + gap or y0 >= d + gap or b >= y1 + gap for a, b, c, d in counted):
            counted.append((x0, y0, x1, y1))
            room -= _grown(x1 - x0, y1 - y0, gap)
    return max(room, 1.0)


def _grown(width: int, length: int, gap: int) -> float:
    return width * length + gap * (width + length) + pi / 4 * gap * gap
