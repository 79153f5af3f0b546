"""Least stack any plan of the same pieces can have, by zone: valid for the rules, never a promise."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from math import ceil, pi, sqrt
from typing import Final

from firings.load_plan import rules
from firings.load_plan.problem import LoadRequest, PieceSpec, ZoneSpec

_SLACK: Final = 1e-9
_MOST_SIZES: Final = 12
_MOST_LOOKS: Final = 1_000_000  # a coarser look at many pieces gives a lower bound, still a valid one


def lower_bound_mm(request: LoadRequest, counts: Mapping[str, int]) -> dict[str, int]:
    """Bound by zone id for loading ``counts`` pots of each piece id.

    A zone is charged only with pieces that may stand nowhere else. Of the pots at least h tall, at least k(h)
    layers must be tall enough, k being the larger of an area count and a count of round pots; the j-th tallest layer is
    then at least as tall as the tallest h with k(h) >= j needs.
    """
    own: dict[str, list[tuple[PieceSpec, int]]] = defaultdict(list)
    for piece in request.pieces:
        zones = [zone for zone in request.zones if rules.may_stand(piece, zone)]
        if len(zones) == 1 and counts.get(piece.id, 0):
            own[zones[0].id].append((piece, counts[piece.id]))
    return {zone.id: _bound(zone, own[zone.id]) for zone in request.zones}


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
    by_area = sum(count * grown_mm2(piece, zone.gap_mm) for piece, count in pieces) / room
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
    width, length, apart = zone.board_w_mm - d, zone.board_l_mm - d, d + zone.gap_mm
    if width < 0 or length < 0:
        return 0
    return int(2 / sqrt(3) * width * length / apart**2 + (width + length) / apart + 1 + _SLACK)


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
