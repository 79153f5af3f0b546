"""Whether boards and posts at hand carry a load plan; what is missing, in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from firings.load_plan.problem import LoadPlan, LoadRequest, ZoneSpec

_MOST_STATES: Final = 20_000

Stack = tuple[int, ...]  # post heights, one on another


@dataclass(frozen=True, slots=True)
class BoardStock:
    """Boards alike that may be used; ``zone`` None means in any zone."""

    w_mm: int
    l_mm: int
    thickness_mm: int
    count: int
    zone: str | None = None


@dataclass(frozen=True, slots=True)
class PostStock:
    """Posts of one height that may be used; ``zone`` None means in any zone."""

    height_mm: int
    count: int
    zone: str | None = None


@dataclass(frozen=True, slots=True)
class _Course:
    """The posts of one layer: ``each`` stacks, all made alike in one of ``ways``."""

    zone: str
    height_mm: int
    each: int
    ways: tuple[Stack, ...]


def shortfalls(
    request: LoadRequest,
    plan: LoadPlan,
    boards: Sequence[BoardStock] | None = None,
    posts: Sequence[PostStock] | None = None,
) -> list[str]:
    """What the plan needs beyond the stock, one sentence each; empty where the stock suffices.

    Every layer takes the zone's boards of one layer. Stock kept for a zone is used there before what may go
    anywhere. None for boards (or posts) means that nobody keeps a list of them, so nothing is known to be missing.
    """
    return [
        *(() if boards is None else _boards_missing(request, plan, boards)),
        *(() if posts is None else _posts_missing(request, plan, posts)),
    ]


def boards_needed(request: LoadRequest, plan: LoadPlan) -> dict[str, int]:
    """Boards by zone id, zones without a layer left out."""
    layers = Counter(layer.zone for layer in plan.layers)
    return {zone.id: layers[zone.id] * zone.boards_per_layer for zone in request.zones if layers[zone.id]}


def _boards_missing(request: LoadRequest, plan: LoadPlan, boards: Sequence[BoardStock]) -> Iterator[str]:
    left = [stock.count for stock in boards]
    needed = boards_needed(request, plan)
    for zone in request.zones:
        want = needed.get(zone.id, 0)
        usable = sorted((s.zone is None, at) for at, s in enumerate(boards) if _suits(s, zone))
        for _, at in usable:
            taken = min(want, left[at])
            want, left[at] = want - taken, left[at] - taken
        if want:
            yield (
                f"Zone {zone.id} needs {needed[zone.id]} boards of {zone.board_w_mm} x {zone.board_l_mm} mm, at most "
                f"{zone.shelf_thickness_mm} mm thick; {needed[zone.id] - want} fit for use are there, "
                f"{want} are missing."
            )


def _suits(stock: BoardStock, zone: ZoneSpec) -> bool:
    size = sorted((stock.w_mm, stock.l_mm)) == sorted((zone.board_w_mm, zone.board_l_mm))
    return size and stock.thickness_mm <= zone.shelf_thickness_mm and stock.zone in (None, zone.id)


def _posts_missing(request: LoadRequest, plan: LoadPlan, posts: Sequence[PostStock]) -> Iterator[str]:
    courses = list(_courses(request, plan, posts))
    for course in courses:
        if not course.ways:
            yield f"Zone {course.zone}: no posts in stock make a layer of {course.height_mm} mm."
    courses = sorted((c for c in courses if c.ways), key=lambda c: (len(c.ways), -c.height_mm))
    have: Counter[tuple[str | None, int]] = Counter()
    for stock in posts:
        have[stock.zone, stock.height_mm] += stock.count
    if _carried(courses, have):
        return
    needed, short = _least_short(courses, have)
    for height in sorted(short):
        yield (
            f"Posts of {height} mm: {needed[height]} are needed, {needed[height] - short[height]} fit for use are "
            f"there, {short[height]} are missing."
        )


def _courses(request: LoadRequest, plan: LoadPlan, posts: Sequence[PostStock]) -> Iterator[_Course]:
    """Layers of zones whose posts are counted; elsewhere any height can be made."""
    for zone in request.zones:
        if not zone.posts:
            continue
        heights = {p.height_mm for p in zone.posts if p.count} | {
            p.height_mm for p in posts if p.zone in (None, zone.id)
        }
        for layer in plan.layers:
            if layer.zone == zone.id:
                ways = tuple(_ways(sorted(heights), layer.height_mm))
                yield _Course(zone.id, layer.height_mm, zone.boards_per_layer * zone.posts_per_board, ways)


def _ways(heights: Sequence[int], height: int) -> Iterator[Stack]:
    """One post alone, or one on another; never three."""
    if height in heights:
        yield (height,)
    yield from ((low, height - low) for low in heights if low <= height - low in heights)


def _take(have: Counter[tuple[str | None, int]], zone: str, height: int, count: int) -> int:
    """Take posts, the zone's own first; returns how many are missing."""
    for key in ((zone, height), (None, height)):
        taken = min(count, have[key])
        have[key] -= taken
        count -= taken
    return count


def _carried(courses: Sequence[_Course], have: Counter[tuple[str | None, int]]) -> bool:
    """Whether all courses can stand at once: a search through the ways to make each, bounded in states."""
    waiting = [(0, have)]
    seen: set[tuple[int, tuple[tuple[tuple[str | None, int], int], ...]]] = set()
    while waiting and len(seen) < _MOST_STATES:
        at, left = waiting.pop()
        if at == len(courses):
            return True
        course = courses[at]
        for way in reversed(course.ways):
            rest = left.copy()
            if any(_take(rest, course.zone, height, course.each) for height in way):
                continue
            state = (at + 1, tuple(sorted(rest.items(), key=str)))
            if state not in seen:
                seen.add(state)
                waiting.append((at + 1, rest))
    return False


def _least_short(
    courses: Sequence[_Course], have: Counter[tuple[str | None, int]]
) -> tuple[Counter[int], Counter[int]]:
    """Posts needed and missing by height, course by course in the way that misses least."""
    left, needed, short = have.copy(), Counter[int](), Counter[int]()
    for course in courses:
        way, rest, missing = min(
            (_tried(left, course, way) for way in course.ways), key=lambda tried: sum(tried[2].values())
        )
        left = rest
        for height in way:
            needed[height] += course.each
        short += missing
    return needed, short


def _tried(
    have: Counter[tuple[str | None, int]], course: _Course, way: Stack
) -> tuple[Stack, Counter[tuple[str | None, int]], Counter[int]]:
    rest, missing = have.copy(), Counter[int]()
    for height in way:
        missing[height] += _take(rest, course.zone, height, course.each)
    return way, rest, missing
