"""Proves of footprints that no board holds them together, whatever their places.

Each footprint's centre has a box of places. A box no point of which keeps its distance from any point of another's box
is cut away; boxes are halved until none is left, which is the proof, or until one too small to halve remains.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any, Final

import numpy as np

from firings.load_plan.bound import TOLERANCE_MM
from firings.load_plan.kernel import Floats, Ints, compiled
from firings.load_plan.problem import ZoneSpec

_SMALL_MM: Final = 1.0  # boxes are not halved below this
_DEEPEST: Final = 2000
_MOST_TURNINGS: Final = 64


@dataclass(frozen=True, slots=True, order=True)
class Shape:
    """A footprint, mm: a disc (``w == l``) or a rectangle with ``w <= l``."""

    round: bool
    w: int
    l: int  # noqa: E741 - as in the exchange file

    def holds(self, other: Shape) -> bool:
        """Whether ``other`` could stand wherever this stands, whatever stands beside it.

        A rectangle in a disc could not: two rectangles keep the gap along one axis, which a disc need not.
        """
        if other.round:
            return self.w >= other.w
        return not self.round and self.w >= other.w and self.l >= other.l


def cannot_stand(shapes: Sequence[Shape], zone: ZoneSpec, most_work: int) -> tuple[bool, int]:
    """Whether it is proven that no board of the zone holds all the shapes; and the work done (boxes looked at).

    Valid for what the checker passes: its tolerance is granted twice. Post spots are left aside.
    """
    work = 0
    ordered = sorted(shapes, key=lambda shape: (-shape.w * shape.l, shape))
    for sides in _turnings(ordered):
        boxes, apart = _boxes(ordered, sides, zone), _apart(ordered, sides, zone.gap_mm)
        if (boxes[:, 0] > boxes[:, 1]).any() or (boxes[:, 2] > boxes[:, 3]).any():
            continue
        alike = _alike(ordered, sides)
        _mirrored(boxes, alike, zone)
        proven, done = _none_is_left(boxes, apart, alike, most_work - work)
        work += int(done)
        if not proven:
            return False, work
    return True, work


Sides = list[tuple[int, int]]


def _turnings(shapes: Sequence[Shape]) -> Iterator[Sides]:
    """Extents along x and y, rectangles turned in all ways that differ."""
    turn = [n for n, shape in enumerate(shapes) if shape.w != shape.l]
    ways = product((False, True), repeat=len(turn))
    if 2 ** len(turn) > _MOST_TURNINGS:  # too many to look at: all squares, which the rectangles hold
        yield [(shape.w, shape.w) for shape in shapes]
        return
    for way in ways:
        turned = dict(zip(turn, way, strict=True))
        if all(
            turned[n] >= turned.get(n - 1, False) or shapes[n - 1] != shapes[n] for n in turn
        ):  # of alike ones the turned stand last
            yield [(shape.l, shape.w) if turned.get(n, False) else (shape.w, shape.l) for n, shape in enumerate(shapes)]


def _boxes(shapes: Sequence[Shape], sides: Sides, zone: ZoneSpec) -> Floats:
    less, across, up = TOLERANCE_MM, zone.board_w_mm, zone.board_l_mm
    return np.array(
        [(w / 2 - less, across - w / 2 + less, l / 2 - less, up - l / 2 + less) for w, l in sides]  # noqa: E741
    ).reshape(len(shapes), 4)


def _apart(shapes: Sequence[Shape], sides: Sides, gap: int) -> Floats:
    """By two shapes: half sides of a rectangle and a radius round it that their centres' difference stays out of."""
    count, near = len(shapes), gap - 2 * TOLERANCE_MM
    apart = np.zeros((count, count, 3))
    for i, j in product(range(count), repeat=2):
        (w, l), (v, m) = sides[i], sides[j]  # noqa: E741
        if shapes[i].round and shapes[j].round:
            apart[i, j] = 0, 0, (w + v) / 2 + near
        elif shapes[i].round:
            apart[i, j] = v / 2, m / 2, w / 2 + near
        elif shapes[j].round:
            apart[i, j] = w / 2, l / 2, v / 2 + near
        else:
            apart[i, j] = (w + v) / 2 + near, (l + m) / 2 + near, 0
    return apart


def _alike(shapes: Sequence[Shape], sides: Sides) -> Ints:
    """By shape the one before it where both are alike, which then stands no farther right; else -1."""
    return np.array(
        [n - 1 if n and shapes[n] == shapes[n - 1] and sides[n] == sides[n - 1] else -1 for n in range(len(shapes))],
        dtype=np.int64,
    )


def _mirrored(boxes: Floats, alike: Ints, zone: ZoneSpec) -> None:
    """The first shape stands in one quarter of the board; in one half, where alike ones are in order along x."""
    if len(alike) < 2 or alike[1] < 0:
        boxes[0, 1] = min(boxes[0, 1], zone.board_w_mm / 2 + TOLERANCE_MM)
    boxes[0, 3] = min(boxes[0, 3], zone.board_l_mm / 2 + TOLERANCE_MM)


@compiled
def _too_near(apart: Any, dx: float, dy: float) -> bool:
    across: float = abs(dx) - apart[0]
    up: float = abs(dy) - apart[1]
    if apart[2] == 0.0:
        return across < 0.0 and up < 0.0
    across, up = max(across, 0.0), max(up, 0.0)
    near: float = apart[2]
    return across * across + up * up < near * near


@compiled
def _all_too_near(apart: Any, x0: float, x1: float, y0: float, y1: float, other: Any) -> bool:
    """What keeps two centres apart is convex, so the corners of the box of their differences tell for all of it."""
    left, right, low, high = other[0] - x1, other[1] - x0, other[2] - y1, other[3] - y0
    return (
        _too_near(apart, left, low)
        and _too_near(apart, left, high)
        and _too_near(apart, right, low)
        and _too_near(apart, right, high)
    )


@compiled
def _cut(boxes: Any, apart: Any, alike: Any) -> bool:
    """Cut away what no place of another leaves free, from each side; whether something of every box is left."""
    count = boxes.shape[0]
    for _round in range(4):
        changed = False
        for i in range(count):
            j = alike[i]
            if j >= 0:
                boxes[i, 0] = max(boxes[i, 0], boxes[j, 0])
                boxes[j, 1] = min(boxes[j, 1], boxes[i, 1])
                if boxes[i, 0] > boxes[i, 1] or boxes[j, 0] > boxes[j, 1]:
                    return False
            for j in range(count):
                if i == j:
                    continue
                keep, one, other = apart[i, j], boxes[i], boxes[j]
                if _all_too_near(keep, one[0], one[1], one[2], one[3], other):
                    return False
                wide, high = 2 * (keep[0] + keep[2]), 2 * (keep[1] + keep[2])
                if other[1] - other[0] >= wide or other[3] - other[2] >= high:
                    continue
                for side in range(4):
                    size = one[1] - one[0] if side < 2 else one[3] - one[2]
                    for part in (0.5, 0.25, 0.125, 0.0625, 0.03125):
                        x0, x1, y0, y1 = one[0], one[1], one[2], one[3]
                        if side == 0:
                            x1 = x0 + size * part
                        elif side == 1:
                            x0 = x1 - size * part
                        elif side == 2:
                            y1 = y0 + size * part
                        else:
                            y0 = y1 - size * part
                        if _all_too_near(keep, x0, x1, y0, y1, other):
                            if side == 0:
                                one[0] = x1
                            elif side == 1:
                                one[1] = x0
                            elif side == 2:
                                one[2] = y1
                            else:
                                one[3] = y0
                            changed = True
                            break
        if not changed:
            return True
    return True


@compiled
def _none_is_left(boxes: Any, apart: Any, alike: Any, most_work: int) -> tuple[bool, int]:
    count = boxes.shape[0]
    waiting = np.zeros((_DEEPEST, count, 4))
    waiting[0] = boxes
    top, work = 1, 0
    while top > 0:
        top -= 1
        work += 1
        if work > most_work:
            return False, work
        here = waiting[top].copy()
        if not _cut(here, apart, alike):
            continue
        widest, at, low = _SMALL_MM, -1, 0
        for i in range(count):
            for side in (0, 2):
                if here[i, side + 1] - here[i, side] > widest:
                    widest, at, low = here[i, side + 1] - here[i, side], i, side
        if at < 0 or top + 2 > _DEEPEST:
            return False, work
        middle = (here[at, low] + here[at, low + 1]) / 2
        waiting[top] = here
        waiting[top, at, low] = middle
        waiting[top + 1] = here
        waiting[top + 1, at, low + 1] = middle
        top += 2
    return True, work
