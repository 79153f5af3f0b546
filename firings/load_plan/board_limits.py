"""What one board can never hold: linear limits on the footprints it carries, each from a theorem about packings.

Every footprint is grown by half the zone's gap; grown footprints never overlap and lie on the board grown alike. A
limit gives each footprint a weight, so that the weights on any one board never add up to more than ``WHOLE``. A disc
may count as smaller discs that fit into it, a rectangle as discs that fit into it: what holds for those holds for it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import acos, asin, cos, floor, pi, sin, sqrt, tan
from typing import Any, Final

import numpy as np

from firings.load_plan.bound import TOLERANCE_MM
from firings.load_plan.problem import ZoneSpec

WHOLE: Final = 10**9
_SAFE: Final = 1e-9  # far above what floating point can be wrong by here, far below what matters
_MOST_SIZES: Final = 30
_MOST_COUNTED: Final = 120
_MOST_LARGEST: Final = 5
_LEAST_COUNTED_MM: Final = 25

Weights = np.ndarray[Any, np.dtype[np.float64]]

# So many equal discs fit into one disc of so many times their diameter: one ring, or a ring round a middle.
_RINGS: Final = (
    (1.0, 1),
    (2.0, 2),
    (1 + 2 / sqrt(3), 3),
    (1 + sqrt(2), 4),
    (1 + 1 / sin(pi / 5), 5),
    (3.0, 7),
    (1 + 1 / sin(pi / 7), 8),
    (1 + 1 / sin(pi / 8), 9),
    (1 + 1 / sin(pi / 9), 10),
    (1 + 1 / sin(pi / 10), 13),
    (1 + sqrt(2) + sqrt(6), 19),
)
_RATIOS: Final = np.array([ratio for ratio, _ in _RINGS])
_COUNTS: Final = np.array([0, *(count for _, count in _RINGS)], dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Footprint:
    """A footprint grown by half a gap all round; a disc has ``w == l`` and ``round``. ``w <= l``, mm."""

    round: bool
    w: int
    l: int  # noqa: E741 - as in the exchange file


_Post = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class _Board:
    """The grown board (``l`` the shorter side), its post spots grown alike, and what may stand on it.

    The board is larger and all else smaller by the checker's tolerance, so limits hold for what the checker passes.
    """

    w: float
    l: float  # noqa: E741
    gap: int
    posts: tuple[_Post, ...]
    round: np.ndarray[Any, np.dtype[np.bool_]]
    short: Weights
    long: Weights

    @property
    def discs(self) -> list[float]:
        return sorted(set(self.short[self.round].tolist()))

    @property
    def rounded_off_mm2(self) -> float:
        """What a grown rectangle or post lacks at its four corners."""
        return (1 - pi / 4) * self.gap**2

    @property
    def area_mm2(self) -> float:
        return self.w * self.l


Limit = tuple[Weights, float]


def limits_on(zone: ZoneSpec, footprints: Sequence[Footprint]) -> np.ndarray[Any, np.dtype[np.int64]]:
    """One row a limit, one column a footprint, in parts of ``WHOLE``; rounded to the safe side."""
    board = _board(zone, footprints)
    rows = [
        np.floor(weights / most * (1 - _SAFE) * WHOLE).astype(np.int64)
        for kind in (_areas, _counts, _lengths, _lines, _densities, _cells, _reach)
        for weights, most in kind(board)
        if most > 0 and weights.any()
    ]
    found = np.unique(np.array(rows), axis=0) if rows else np.zeros((0, len(footprints)), dtype=np.int64)
    return np.asarray(found)


def _board(zone: ZoneSpec, footprints: Sequence[Footprint]) -> _Board:
    gap = zone.gap_mm
    less = TOLERANCE_MM
    w, l = zone.board_w_mm + gap + less, zone.board_l_mm + gap + less  # noqa: E741
    posts = [(x0 + less, y0 + less, x1 + gap - less, y1 + gap - less) for x0, y0, x1, y1 in zone.keepouts]
    if w < l:
        w, l = l, w  # noqa: E741
        posts = [(y0, x0, y1, x1) for x0, y0, x1, y1 in posts]
    return _Board(
        w,
        l,
        gap,
        tuple(posts),
        np.array([one.round for one in footprints], dtype=np.bool_),
        np.array([one.w - less for one in footprints], dtype=np.float64),
        np.array([one.l - less for one in footprints], dtype=np.float64),
    )


def _thinned(sizes: Sequence[float], most: int) -> list[float]:
    step = -(-len(sizes) // most)
    return list(sizes[::step]) if sizes else []


def _clear_posts(board: _Board) -> Iterator[_Post]:
    """Posts that do not overlap one another when grown."""
    kept: list[_Post] = []
    for x0, y0, x1, y1 in board.posts:
        if all(x0 >= c or a >= x1 or y0 >= d or b >= y1 for a, b, c, d in kept):
            kept.append((x0, y0, x1, y1))
            yield x0, y0, x1, y1


# --- Area -----------------------------------------------------------------------------------


def _area_of(board: _Board) -> Weights:
    return np.where(board.round, pi / 4 * board.short**2, board.short * board.long - board.rounded_off_mm2)


def _opened(board: _Board, t: float) -> Weights:
    """Area of the points of each footprint that a disc ``t`` across inside it covers."""
    rect = board.short * board.long - (1 - pi / 4) * t * t
    return np.where(board.short >= t, np.where(board.round, pi / 4 * board.short**2, rect), 0.0)


def _areas(board: _Board) -> Iterator[Limit]:
    """No two overlap; and no disc ``t`` across reaches into the board's corners."""
    posts = sum((x1 - x0) * (y1 - y0) - board.rounded_off_mm2 for x0, y0, x1, y1 in _clear_posts(board))
    yield _area_of(board), board.area_mm2 - posts
    for t in _thinned(sorted(set(board.short.tolist())), _MOST_SIZES):
        if board.gap <= t <= board.l:
            yield _opened(board, t), board.area_mm2 - (1 - pi / 4) * t * t


# --- Counting equal discs -------------------------------------------------------------------


def equal_discs_in(footprint_round: bool, short: float, long: float, t: float) -> int:
    """How many discs ``t`` across certainly fit into a disc (or a rectangle), by construction."""
    if footprint_round:
        return int(_COUNTS[int(np.searchsorted(_RATIOS, short / t, side="right"))])
    best = 0
    for across, up in ((short, long), (long, short)):
        best = max(best, floor(across / t) * floor(up / t))
        if across >= t and up >= t:
            rows = floor((up / t - 1) * 2 / sqrt(3)) + 1
            best = max(best, (rows + 1) // 2 * floor(across / t) + rows // 2 * floor(across / t - 0.5))
    return best


def most_equal_discs(w: float, l: float, t: float, cut: tuple[float, float] = (0.0, 0.0)) -> int:  # noqa: E741
    """No more discs ``t`` across lie in ``w`` x ``l`` (``l`` the shorter), by two theorems.

    Points at mutual distance 1 in a convex region number at most 2/sqrt(3) area + perimeter/2 + 1 (Oler, Acta Math.
    105, 1961, 19-48); ``cut`` is area and length of border by which post spots at corners lessen that region. Where no
    two can lie one above the other (t > l/2), neighbours are sqrt(t^2 - (l - t)^2) apart along ``w``.
    """
    across, up = w - t, l - t
    if across < 0 or up < 0:
        return 0
    area, border = across * up - cut[0], across + up - cut[1] / 2
    most = floor(2 / sqrt(3) * area / t**2 + border / t + 1 + _SAFE)
    if 2 * t > l:
        most = min(most, floor(across / sqrt(t * t - up * up) + 1 + _SAFE))
    return max(most, 1)


def _counts(board: _Board) -> Iterator[Limit]:
    """Every footprint counted as so many discs of one size, against the most a board holds."""
    sizes = set(board.short.tolist())
    divided = {d / ratio for d in board.discs for ratio in _RATIOS}
    halves = {s / k for s in (*board.short[~board.round], *board.long[~board.round]) for k in (1, 2, 3, 4)}
    tried = sorted(t for t in divided | halves if t >= _LEAST_COUNTED_MM)
    for size in sorted({*_thinned(sorted(sizes), _MOST_COUNTED), *_thinned(tried, _MOST_COUNTED)}):
        t = size * (1 - 1e-10)  # so that what just fits does fit in floating point too
        if t < board.gap:
            continue
        weights = np.array(
            [
                equal_discs_in(bool(r), s, l, t)
                for r, s, l in zip(board.round, board.short, board.long, strict=True)  # noqa: E741
            ],
            dtype=np.float64,
        )
        yield weights, most_equal_discs(board.w, board.l, t, _corner_cut(board, t))


def _corner_cut(board: _Board, t: float) -> tuple[float, float]:
    """Area and border cut off the region of centres by post spots at the board's corners.

    A post keeps centres of discs ``t`` across out of a corner; the triangle between the nearest centres on either
    edge is then outside of the convex hull of all centres.
    """
    area, border = 0.0, 0.0
    used: dict[tuple[bool, bool], tuple[float, float]] = {}
    for x0, y0, x1, y1 in board.posts:
        for right in (False, True):
            for top in (False, True):
                a = _into_corner(x0, x1, board.w, far=right)
                b = _into_corner(y0, y1, board.l, far=top)
                if a > 0 and b > 0:
                    used[right, top] = _legs(a, b, board.gap, t)
    for (right, top), (along, up) in used.items():
        beside_a = used.get((not right, top), (0.0, 0.0))[0]
        beside_b = used.get((right, not top), (0.0, 0.0))[1]
        if along + beside_a <= board.w - t and up + beside_b <= board.l - t:
            area += along * up / 2
            border += along + up - sqrt(along**2 + up**2)
    return area, border


def _into_corner(low: float, high: float, side: float, *, far: bool) -> float:
    """How far a grown post reaches from the near or far end of a side, 0 where it does not begin there."""
    near = 3 * TOLERANCE_MM
    if far:
        return side - low if high >= side - near else 0.0
    return high if low <= near else 0.0


def _legs(a: float, b: float, gap: int, t: float) -> tuple[float, float]:
    """From the corner of the region of centres along both edges to the nearest centre beside a post a x b (grown).

    The post itself ends half a gap before, and centres stay (t + gap) / 2 from it.
    """
    reach, edge = (t + gap) / 2, t / 2
    over_a, over_b = max(edge - (b - gap / 2), 0.0), max(edge - (a - gap / 2), 0.0)
    along_a = a - gap / 2 + sqrt(max(reach**2 - over_a**2, 0.0)) - edge - 2 * TOLERANCE_MM
    along_b = b - gap / 2 + sqrt(max(reach**2 - over_b**2, 0.0)) - edge - 2 * TOLERANCE_MM
    return max(along_a, 0.0), max(along_b, 0.0)


# --- Lengths --------------------------------------------------------------------------------


def _lengths(board: _Board) -> Iterator[Limit]:
    """Discs wider than half the board queue up along it.

    Two of diameters a, b lie at least sqrt(l (a + b - l)) apart along the board of height l; that is concave in
    (a + b)/2, so at least the mean of their own lengths sqrt(l (2 d - l)), and every length is below its diameter.
    """
    for along, across in ((board.w, board.l), (board.l, board.w)):
        fits = (2 * board.short > across) & (board.short <= across)
        yield np.where(fits, np.sqrt(np.maximum(across * (2 * board.short - across), 0)), 0.0), along


def _lines(board: _Board) -> Iterator[Limit]:
    """Along every line across the board the chords add up to no more than the line; so do their rounded parts.

    floor((k + 1) z) / k, for z no multiple of 1 / (k + 1), is a dual feasible function (Lueker 1983; Fekete and
    Schepers, Math. Programming 91, 2001): summed over chords z of a line of length 1 it stays at most 1.
    """
    for along, across in ((board.w, board.l), (board.l, board.w)):
        for k in range(1, 8):
            part = across / (k + 1)
            chords = [np.sqrt(np.maximum(board.short**2 - (j * part) ** 2, 0)) for j in range(1, k + 1)]
            disc = np.sum(chords, axis=0) / k

            def rect(up: Weights, wide: Weights, part: float = part, k: int = k) -> Weights:
                return np.asarray((wide - board.gap) * np.clip(np.ceil(up / part - 1e-7) - 1, 0, k) / k)

            turned = np.minimum(rect(board.short, board.long), rect(board.long, board.short))
            yield np.where(board.round, disc, turned), along


# --- Density --------------------------------------------------------------------------------


def density(q: float) -> float:
    """Most of the plane that discs cover whose smallest is ``q`` times the largest.

    Florian, Rend. Circ. Mat. Palermo 9 (1960) 300-312: no triangle of a saturated packing's triangulation is covered
    more than that of one large and two small discs touching one another.
    """
    return (pi * q * q + 2 * (1 - q * q) * asin(q / (1 + q))) / (2 * q * sqrt(2 * q + 1))


def wall_density(q: float) -> float:
    """Most that is covered of the trapezoid between a wall and two neighbours: both touch it and one another."""
    angle = acos((1 - q) / (1 + q))
    return (angle / 2 + q * q / 2 * (pi - angle)) / (sqrt(q) * (1 + q))


def _densities(board: _Board) -> Iterator[Limit]:
    """Discs between ``t`` and ``largest`` (larger ones and rectangles count as discs inside them).

    Mirrored in the board's edges the discs become a packing of the plane, so Florian's density holds for the board.
    Along the edges less is covered: there the cells are trapezoids, ``wall_density`` at most, that hold a strip t/2
    wide all round (see ``_strip``).
    """
    discs = board.discs
    for t in _thinned(discs, _MOST_SIZES):
        above = [d for d in discs if d >= t]
        for largest in {*_thinned(above, _MOST_LARGEST), discs[-1]}:
            q = t / largest
            most = density(q) * board.area_mm2 - _strip(board, t, largest) * (density(q) - wall_density(q))
            weights = [
                _discs_inside(bool(r), s, l, t, largest)
                for r, s, l in zip(board.round, board.short, board.long, strict=True)  # noqa: E741
            ]
            yield np.array(weights), most


def _strip(board: _Board, t: float, largest: float) -> float:
    """Area along the edges that the trapezoids hold for certain, mm2; 0 where that cannot be said.

    Where a disc t fits in between a disc and its mirror image it is put there, on the edge: half of it covers
    nothing of the board, which outweighs the strip it displaces as long as the largest is not too large.
    """
    q = t / largest
    less = density(q) - wall_density(q)
    displaced = t + sqrt(largest / 2 * t + t * t / 4)
    on_edge = pi / 8 * t >= less * displaced
    at_corner = pi / 16 * t + less * t / 2 >= less * displaced
    if not (on_edge and at_corner):
        return 0.0
    return max(t * (board.w + board.l) - 3 * t * t, 0.0)


def _discs_inside(is_round: bool, short: float, long: float, t: float, largest: float) -> float:
    """Area of discs between ``t`` and ``largest`` across that certainly fit into a footprint, mm2."""
    if short < t:
        return 0.0
    best = 0.0
    if is_round:
        if short <= largest:
            return pi / 4 * short**2
        for ratio, count in _RINGS:
            if (d := min(short / ratio, largest)) >= t:
                best = max(best, count * d * d)
        if short - largest >= t:
            best = max(best, largest**2 + min(largest, short - largest) ** 2)
        return pi / 4 * best * (1 - _SAFE)
    for k in range(1, 5):
        for side in (short, long):
            d = min(side / k, largest, short)
            if d >= t:
                fit = floor(short / d + _SAFE) * floor(long / d + _SAFE)
                best = max(best, fit * d * d)
    row = min(short, largest)
    best = max(best, floor(long / row + _SAFE) * row * row + _last_in_row(short, long, row, t, largest) ** 2)
    return pi / 4 * best * (1 - 10 * _SAFE)


def _last_in_row(short: float, long: float, row: float, t: float, largest: float) -> float:
    """Diameter of a disc in the corner behind a row of discs, 0 for none."""
    last = (floor(long / row + _SAFE) - 0.5) * row
    for step in range(40):
        d = largest - (largest - t) * step / 39
        if d <= min(short, long):
            dx, dy = long - d / 2 - last, short - d / 2 - row / 2
            if dx >= 0 and dx * dx + dy * dy >= ((row + d) / 2) ** 2:
                return d
    return 0.0


# --- Cells ----------------------------------------------------------------------------------


def _cells(board: _Board) -> Iterator[Limit]:
    """Every footprint has a convex cell of its own, with six sides on average at most.

    L. Fejes Toth (Lagerungen in der Ebene, 1953): convex bodies in a polygon of at most six sides extend to convex
    polygons with at most six sides on average. A polygon of v sides round a disc has at least r^2 v tan(pi/v); so for
    any price of a side the sum over cells of area + price (v - 6) is at most the board.
    """
    sides = np.arange(3, 60)
    round_discs = np.outer((board.short / 2) ** 2, sides * np.tan(pi / sides))
    slope = pi / 6 / cos(pi / 6) ** 2 - tan(pi / 6)  # what the sixth side of a unit disc's cell is worth
    for d in _thinned(board.discs, _MOST_SIZES):
        price = slope * (d / 2) ** 2
        discs = np.maximum((round_discs + price * (sides - 6)).min(axis=1), 0)
        rects = np.maximum(board.short * board.long - board.rounded_off_mm2 - 2 * price, 0)
        posts = sum(
            max((x1 - x0) * (y1 - y0) - board.rounded_off_mm2 - 2 * price, 0) for x0, y0, x1, y1 in _clear_posts(board)
        )
        yield np.where(board.round, discs, rects), board.area_mm2 - posts


# --- What nothing reaches -------------------------------------------------------------------


def _reach(board: _Board) -> Iterator[Limit]:
    """Beside a disc nearly as wide as the board lies area that no other disc ``t`` across reaches.

    Such discs queue up along the board (``_lengths``); each is charged with what cannot be reached within half its
    own length to either side, so that nothing is counted twice.
    """
    big = [d for d in board.discs if 2 * d > board.l and d <= board.l]
    for t in _thinned(sorted({*board.discs, *board.short.tolist()}), _MOST_SIZES):
        unreached = {d: _unreached(d, t, board.l) for d in big if d >= t and board.l - d < t}
        if t < board.gap or not any(unreached.values()):
            continue
        extra = np.array([unreached.get(s, 0.0) if r else 0.0 for r, s in zip(board.round, board.short, strict=True)])
        yield _opened(board, t) + extra, float(board.area_mm2)


def _unreached(d: float, t: float, height: float) -> float:
    """Least area above and below a disc ``d`` in a strip that no disc ``t`` reaches, however the disc lies, mm2."""
    free, steps = height - d, 24
    heights = np.linspace(0, free, steps + 1)
    above = _unreached_above(d, t, heights, half=sqrt(height * (2 * d - height)) / 2)
    return float((above + above[::-1]).min())


def _unreached_above(d: float, t: float, heights: Weights, half: float) -> Weights:
    """For each interval of free height above the disc a lower bound of the area, within ``half`` of its middle.

    The disc t that comes nearest touches disc and wall. In strips of x: wall height at its least, disc at its most,
    the part of the disc t at its most over the interval.
    """
    big, small = d / 2, t / 2
    low, high = heights[:-1], heights[1:]
    level = big + heights - small  # of the touching disc's centre
    away = np.sqrt(np.maximum((big + small) ** 2 - level**2, 0))
    nearest, farthest = away[1:], away[:-1]
    touches = big * nearest / (big + small)
    moved = np.hypot(farthest - nearest, high - low)
    radius = small + moved
    edges = np.linspace(0, 1, 33)[None, :] * np.minimum(half, nearest)[:, None]
    left, right = edges[:, :-1], edges[:, 1:]
    top = (big + low)[:, None]
    ceiling = np.sqrt(np.maximum(big**2 - left**2, 0))
    # the disc t at its nearest, widened by how far it moves within the interval
    reach = np.sqrt(np.maximum(radius[:, None] ** 2 - np.maximum(nearest[:, None] - right, 0) ** 2, 0))
    upper, lower = level[1:, None] + reach, level[1:, None] - reach
    taken = np.maximum(np.minimum(upper, top) - np.maximum(lower, ceiling), 0)
    taken = np.where(nearest[:, None] - right > radius[:, None], 0, taken)
    free = np.where(right <= touches[:, None], top - ceiling - taken, np.maximum(top - upper, 0))
    return np.asarray(2 * (np.maximum(free, 0) * (right - left)).sum(axis=1))
