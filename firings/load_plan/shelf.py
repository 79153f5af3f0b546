"""One board being filled: where the next footprint can stand. Whole tenths of a mm, so tests are exact.

The centre of a new footprint must stay outside one forbidden region per thing on the board: a rectangle grown by a
radius (round against round: a disc; round against rectangle: a rounded rectangle; two rectangles: a plain one). Good
places lie where two such borders, or a border and the board's edge, meet.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import ceil, floor, sqrt
from typing import Final, NamedTuple

from firings.load_plan.problem import PieceSpec, ZoneSpec

TENTHS: Final = 10


class Shape(NamedTuple):
    """Half extents of a footprint as it stands, in tenths of a mm."""

    round: bool
    half_x: int
    half_y: int


class Stand(NamedTuple):
    """A footprint on the board: centre and shape, tenths of a mm. ``post`` spots belong to no piece."""

    x: int
    y: int
    shape: Shape


class Region(NamedTuple):
    """Where the new centre must not be: closer than ``rho`` to the rectangle x +- hx, y +- hy."""

    x: int
    y: int
    hx: int
    hy: int
    rho: int


Point = tuple[float, float]
ORDERS: Final = (
    lambda p: (p[1], p[0]),
    lambda p: (p[0], p[1]),
    lambda p: (p[0] + p[1], p[0]),
)


def shapes_of(piece: PieceSpec) -> tuple[Shape, ...]:
    """The ways a piece can stand: one, or two for a rectangle that can turn."""
    half = TENTHS // 2
    if piece.is_round:
        return (Shape(True, piece.d * half, piece.d * half),)
    straight = Shape(False, piece.w * half, piece.l * half)
    return (straight,) if piece.w == piece.l else (straight, Shape(False, piece.l * half, piece.w * half))


def region(new: Shape, there: Stand, gap: int) -> Region:
    x, y, shape = there
    if new.round:
        hx, hy = (0, 0) if shape.round else (shape.half_x, shape.half_y)
        return Region(x, y, hx, hy, gap + new.half_x + (shape.half_x if shape.round else 0))
    if shape.round:
        return Region(x, y, new.half_x, new.half_y, gap + shape.half_x)
    return Region(x, y, new.half_x + shape.half_x + gap, new.half_y + shape.half_y + gap, 0)


def blocks(area: Region, x: float, y: float, slack: float = 0.0) -> bool:
    """Whether a centre at x, y lies inside by more than ``slack`` tenths of a mm."""
    cx, cy, hx, hy, rho = area
    dx, dy = abs(x - cx) - hx, abs(y - cy) - hy
    if not rho:
        return dx < -slack and dy < -slack
    reach = rho - slack
    if dx >= reach or dy >= reach:
        return False
    if dx < 0:
        dx = 0
    if dy < 0:
        dy = 0
    return dx * dx + dy * dy < reach * reach


@dataclass(slots=True)
class Meter:
    """Work done, in places looked at: ends a search at the same point on every machine."""

    work: int = 0


@dataclass(slots=True)
class _Spots:
    """Places for one shape, kept up to date as the board fills."""

    seen: int
    regions: list[Region]
    points: list[Point]


@dataclass(slots=True)
class Shelf:
    """One board. ``stands`` begins with its post spots; ``keys`` names the pot on each other stand."""

    width: int
    length: int
    gap: int
    posts: int
    meter: Meter
    stands: list[Stand]
    keys: list[int] = field(default_factory=list)
    full_for: list[Shape] = field(default_factory=list)
    spots: dict[Shape, _Spots] = field(default_factory=dict)

    @classmethod
    def empty(cls, zone: ZoneSpec, meter: Meter) -> Shelf:
        half = TENTHS // 2
        posts = [
            Stand((x0 + x1) * half, (y0 + y1) * half, Shape(False, (x1 - x0) * half, (y1 - y0) * half))
            for x0, y0, x1, y1 in zone.keepouts
        ]
        return cls(zone.board_w_mm * TENTHS, zone.board_l_mm * TENTHS, zone.gap_mm * TENTHS, len(posts), meter, posts)

    def copy(self) -> Shelf:
        return Shelf(
            self.width, self.length, self.gap, self.posts, self.meter, self.stands[:], self.keys[:], self.full_for[:],
            {shape: _Spots(s.seen, s.regions[:], s.points[:]) for shape, s in self.spots.items()},
        )  # fmt: skip

    def without(self, keys: set[int]) -> Shelf:
        """A board with the pots ``keys`` taken off; the others stay where they are."""
        kept = [at for at, key in enumerate(self.keys) if key not in keys]
        stands = [*self.stands[: self.posts], *(self.stands[self.posts + at] for at in kept)]
        keys_kept = [self.keys[at] for at in kept]
        return Shelf(self.width, self.length, self.gap, self.posts, self.meter, stands, keys_kept)

    def add(self, key: int, shapes: tuple[Shape, ...], order: int) -> bool:
        """Stand a pot in the first good place by ``ORDERS[order]``; False if there is none."""
        best: Stand | None = None
        best_key: tuple[Point, Point] = ((0.0, 0.0), (0.0, 0.0))
        for shape in shapes:
            found = None if self._is_full_for(shape) else self._first_place(shape, order)
            if found is None:
                continue
            # the far corner decides, so that turning a rectangle is judged fairly
            high = ORDERS[order]((found.x + shape.half_x, found.y + shape.half_y))
            low = ORDERS[order]((found.x - shape.half_x, found.y - shape.half_y))
            if best is None or (high, low) < best_key:
                best, best_key = found, (high, low)
        if best is None:
            return False
        self.stands.append(best)
        self.keys.append(key)
        return True

    def has_no_room_for(self, shapes: tuple[Shape, ...]) -> bool:
        """Known from earlier tries; False means it is worth trying."""
        return all(self._is_full_for(shape) for shape in shapes)

    def _is_full_for(self, shape: Shape) -> bool:
        if 2 * shape.half_x > self.width or 2 * shape.half_y > self.length:
            return True
        return any(
            shape.round == small.round and shape.half_x >= small.half_x and shape.half_y >= small.half_y
            for small in self.full_for
        )

    def _first_place(self, shape: Shape, order: int) -> Stand | None:
        spots = self._spots(shape)
        points = spots.points
        while points:
            best = min(points, key=ORDERS[order])
            if (exact := self._on_the_grid(best, spots, shape)) is not None:
                return Stand(*exact, shape)
            points.remove(best)
        self.full_for.append(shape)
        return None

    def _on_the_grid(self, point: Point, spots: _Spots, shape: Shape) -> tuple[int, int] | None:
        """The nearest whole tenth of a mm that is free."""
        x, y = point
        near = [
            (px, py)
            for px in {floor(x), ceil(x)}
            for py in {floor(y), ceil(y)}
            if shape.half_x <= px <= self.width - shape.half_x and shape.half_y <= py <= self.length - shape.half_y
        ]
        near.sort(key=lambda p: ((p[0] - x) ** 2 + (p[1] - y) ** 2, p))
        close = [r for r in spots.regions if blocks(r, x, y, slack=-3.0)]
        return next((p for p in near if not any(blocks(r, *p) for r in close)), None)

    def _spots(self, shape: Shape) -> _Spots:
        spots = self.spots.get(shape)
        if spots is None:
            spots = self.spots[shape] = _Spots(0, [], list(self._corners(shape)))
        while spots.seen < len(self.stands):
            self._learn(shape, spots, self.stands[spots.seen])
            spots.seen += 1
        return spots

    def _corners(self, shape: Shape) -> Iterator[Point]:
        for x in {shape.half_x, self.width - shape.half_x}:
            for y in {shape.half_y, self.length - shape.half_y}:
                yield float(x), float(y)

    def _learn(self, shape: Shape, spots: _Spots, stand: Stand) -> None:
        """Drop the places the newcomer covers, add those where its border meets another border or an edge."""
        new = region(shape, stand, self.gap)
        spots.points = [point for point in spots.points if not blocks(new, *point, slack=0.5)]
        near = [
            old
            for old in spots.regions
            if abs(old.x - new.x) <= old.hx + old.rho + new.hx + new.rho
            and abs(old.y - new.y) <= old.hy + old.rho + new.hy + new.rho
        ]
        low_x, high_x = shape.half_x, self.width - shape.half_x
        low_y, high_y = shape.half_y, self.length - shape.half_y
        found = list(_meetings_with_edges(new, low_x, high_x, low_y, high_y))
        for old in near:
            found.extend(_meetings(new, old))
        spots.regions.append(new)
        self.meter.work += 1 + len(found)
        near.append(new)  # a straight line or arc drawn on may run through the newcomer's own region
        for x, y in found:
            if low_x - 0.5 <= x <= high_x + 0.5 and low_y - 0.5 <= y <= high_y + 0.5:
                for area in near:
                    if blocks(area, x, y, 0.5):
                        break
                else:
                    # only ``near`` can cover a point on the newcomer's border
                    spots.points.append((x, y))


def _lines(area: Region) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """x of the upright and y of the level straight parts of a border."""
    upright = (area.x - area.hx - area.rho, area.x + area.hx + area.rho)
    level = (area.y - area.hy - area.rho, area.y + area.hy + area.rho)
    return upright, level


def _arcs(area: Region) -> tuple[Point, ...]:
    """Centres of the round corners."""
    if not area.rho:
        return ()
    if not area.hx and not area.hy:
        return ((area.x, area.y),)
    return tuple((area.x + sx * area.hx, area.y + sy * area.hy) for sx in (-1, 1) for sy in (-1, 1))


def _on_upright(area: Region, x: float) -> Iterator[Point]:
    """Where the border of ``area`` crosses the upright line at x."""
    away = abs(x - area.x)
    if away > area.hx + area.rho:
        return
    over = max(away - area.hx, 0)
    rise = area.hy + sqrt(area.rho * area.rho - over * over)
    yield x, area.y - rise
    yield x, area.y + rise


def _on_level(area: Region, y: float) -> Iterator[Point]:
    away = abs(y - area.y)
    if away > area.hy + area.rho:
        return
    over = max(away - area.hy, 0)
    reach = area.hx + sqrt(area.rho * area.rho - over * over)
    yield area.x - reach, y
    yield area.x + reach, y


def _meetings_with_edges(area: Region, low_x: int, high_x: int, low_y: int, high_y: int) -> Iterator[Point]:
    for x in {low_x, high_x}:
        yield from _on_upright(area, x)
    for y in {low_y, high_y}:
        yield from _on_level(area, y)


def _meetings(new: Region, old: Region) -> Iterator[Point]:
    """Points on both borders (some on the straight lines through them; the caller tests each)."""
    for one, other in ((new, old), (old, new)):
        upright, level = _lines(one)
        if one.hy or not one.rho:
            for x in upright:
                for point in _on_upright(other, x):
                    if abs(point[1] - one.y) <= one.hy:
                        yield point
        if one.hx or not one.rho:
            for y in level:
                for point in _on_level(other, y):
                    if abs(point[0] - one.x) <= one.hx:
                        yield point
    for ax, ay in _arcs(new):
        for bx, by in _arcs(old):
            yield from _circles_meet(ax, ay, new.rho, bx, by, old.rho)


def _circles_meet(ax: float, ay: float, ar: int, bx: float, by: float, br: int) -> Iterator[Point]:
    dx, dy = bx - ax, by - ay
    apart2 = dx * dx + dy * dy
    if not apart2 or apart2 > (ar + br) ** 2 or apart2 < (ar - br) ** 2:
        return
    along = (apart2 + ar * ar - br * br) / (2 * apart2)
    off2 = ar * ar / apart2 - along * along
    off = sqrt(off2) if off2 > 0 else 0.0
    mx, my = ax + along * dx, ay + along * dy
    yield mx - off * dy, my + off * dx
    yield mx + off * dy, my - off * dx
