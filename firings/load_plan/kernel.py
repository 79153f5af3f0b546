"""The planner's inner loops, compiled by numba: exact places on boards, and ruin and recreate over layers.

Imported only where a plan is made (``search``), so that nothing else pays for the compiler. Places are whole tenths
of a mm, so that every test of distance is exact; heights whole mm; areas whole mm². Few arrays with numbered columns
instead of many: they are what keeps compiling short. Everything random comes from one number, so that a seed gives
one answer.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from math import ceil, floor, log, sqrt
from typing import Any, Final, NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt

_F = TypeVar("_F", bound=Callable[..., Any])
_numba: Any = importlib.import_module("numba")


def compiled(function: _F) -> _F:
    """Compiled at the first call and kept on disk; without a place to write, compiled anew by each process."""
    options = {"nogil": True, "error_model": "numpy"}
    try:
        made: _F = _numba.njit(cache=True, **options)(function)
    except RuntimeError:
        made = _numba.njit(**options)(function)
    return made


Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

# columns of Task.zones
WIDTH, LENGTH, GAP, BOARDS, THICK, LIMIT, ROOM, SPOTS, SIZES, POSTS_A_LAYER = range(10)
# columns of Task.kinds
ROUND, HALF_X, HALF_Y, TURNS, LEVEL, OWNER, RUNNY, FRAGILE = range(8)
# columns of Task.at: by kind and zone
CLEAR, AREA = range(2)
# columns of Load.layers. FIXED: 1 stands already, 2 under another that stands; RUNS_FOR: owner of what is runny, -1
# nothing, -2 several; SAFE_FOR: owner of all that stands there, -1 nothing, -2 several or something fragile
ZONE, HEIGHT, FIXED, USED, RUNS_FOR, SAFE_FOR = range(6)
# columns of Load.boards. FULL_ROUND: least half diameter that found no place; FULL_X, FULL_Y: a rectangle that did not
COUNT, BOARD_USED, FULL_ROUND, FULL_X, FULL_Y = range(5)
# columns of Load.pots
KIND, X, Y, TURNED, STAYS = range(5)
# columns of Bench.ints
RNG, WORK, NO_SLOT = range(3)
# columns of Bench.status: worth missing now, most mm of stack, rounds, rounds since the best, worth that may be missing
# at the first step from a whole load (a little more after every refusal), whether we are at that step
NOW, TARGET, ROUNDS, SINCE, AFTER, FROM_WHOLE = range(6)
NO_SHAPE: Final = 1 << 40
NOWHERE: Final = 1e17


class Task(NamedTuple):
    """What is to be loaded."""

    zones: Ints
    spots: Ints  # zone, spot, (x, y, half x, half y)
    posts: Ints  # zone, size, (height mm, count)
    kinds: Ints
    at: Ints  # kind, zone; CLEAR is -1 where the kind may not stand
    value: Floats  # of one pot of a kind
    runs: int  # whether anything is runny
    turning: int  # whether rectangles may turn


class Load(NamedTuple):
    """Layers in slots (ZONE is -1 where a slot is free) with what stands on their boards, and what is left out."""

    layers: Ints
    boards: Ints
    pots: Ints
    stack: Ints
    left: Ints


class Bench(NamedTuple):
    """Room to work in."""

    regions: Floats  # x, y, half x, half y, kept apart
    points: Floats
    way: Floats  # from the left or right, from below or above, weight of x, of y, along the edges, rather not lying so
    ints: Ints
    order: Ints
    weight: Floats
    heights: Ints
    dirty: Ints
    keys: Floats
    names: Ints
    missing: Ints  # pots left out by level, now and in the best
    status: Floats


@compiled
def _random(ints: Ints) -> float:
    """Uniform in [0, 1)."""
    ints[RNG] = ints[RNG] * 6364136223846793005 + 1442695040888963407
    return float((ints[RNG] >> 33) & 0x3FFFFFFF) / 1073741824.0


@compiled
def _blocked(regions: Floats, m: int, x: float, y: float, slack: float) -> bool:
    for k in range(m):
        reach = regions[k, 4] - slack
        dx = abs(x - regions[k, 0]) - regions[k, 2]
        dy = abs(y - regions[k, 1]) - regions[k, 3]
        if dx >= reach or dy >= reach:
            continue
        if regions[k, 4] == 0.0:
            return True
        if dx < 0.0:
            dx = 0.0
        if dy < 0.0:
            dy = 0.0
        if dx * dx + dy * dy < reach * reach:
            return True
    return False


@compiled
def place(task: Task, load: Load, bench: Bench, layer: int, board: int, t: int) -> bool:
    """Stand one pot of kind ``t`` on the board at the free place ``bench.way`` prefers; False if there is none.

    The centre of a new footprint must stay out of one region per thing on the board: a rectangle grown by a radius
    (a disc, a rounded or a plain rectangle). Good places lie where two such borders, or a border and the edge of
    what the centre can reach, meet.
    """
    z = load.layers[layer, ZONE]
    n = load.boards[layer, board, COUNT]
    if n >= load.pots.shape[2]:
        return False
    r, points, way = bench.regions, bench.points, bench.way
    is_round = task.kinds[t, ROUND]
    gap = float(task.zones[z, GAP])
    best, best_x, best_y, best_turned = NOWHERE, 0.0, 0.0, 0
    spots = task.zones[z, SPOTS]
    m = spots + n
    work = 1
    for turned in range(1 + task.kinds[t, TURNS]):
        hx = float(task.kinds[t, HALF_X if turned == 0 else HALF_Y])
        hy = float(task.kinds[t, HALF_Y if turned == 0 else HALF_X])
        low_x, low_y, high_x, high_y = hx, hy, task.zones[z, WIDTH] - hx, task.zones[z, LENGTH] - hy
        if high_x < low_x or high_y < low_y:
            continue
        lies = 0.0  # a rectangle is turned against the preference only where it finds no other place
        if way[5] != 0.0 and hx != hy and not is_round and (hx > hy) == (way[5] > 0.0):
            lies = 1e7
        for k in range(m):
            if k < spots:
                other_round = 0
                r[k, 0], r[k, 1] = task.spots[z, k, 0], task.spots[z, k, 1]
                tx, ty = float(task.spots[z, k, 2]), float(task.spots[z, k, 3])
            else:
                u = load.pots[layer, board, k - spots, KIND]
                other_round = task.kinds[u, ROUND]
                r[k, 0], r[k, 1] = load.pots[layer, board, k - spots, X], load.pots[layer, board, k - spots, Y]
                on_side = load.pots[layer, board, k - spots, TURNED]
                tx = float(task.kinds[u, HALF_Y if on_side else HALF_X])
                ty = float(task.kinds[u, HALF_X if on_side else HALF_Y])
            if is_round:
                if other_round:
                    r[k, 2], r[k, 3], r[k, 4] = 0.0, 0.0, gap + hx + tx
                else:
                    r[k, 2], r[k, 3], r[k, 4] = tx, ty, gap + hx
            elif other_round:
                r[k, 2], r[k, 3], r[k, 4] = hx, hy, gap + tx
            else:
                r[k, 2], r[k, 3], r[k, 4] = hx + tx + gap, hy + ty + gap, 0.0
        # round a: its own meetings with the edges, then with every earlier b; round 0 begins with the corners
        for a in range(-1, m):
            p = 0
            if a < 0:
                points[0, 0], points[0, 1], points[1, 0], points[1, 1] = low_x, low_y, low_x, high_y
                points[2, 0], points[2, 1], points[3, 0], points[3, 1] = high_x, low_y, high_x, high_y
                p = 4
            else:
                ax, ay, ahx, ahy, arho = r[a, 0], r[a, 1], r[a, 2], r[a, 3], r[a, 4]
                for side in range(2):
                    x = low_x if side == 0 else high_x
                    away = abs(x - ax)
                    if away <= ahx + arho:
                        over = max(away - ahx, 0.0)
                        rise = ahy + sqrt(arho * arho - over * over)
                        points[p, 0], points[p, 1], points[p + 1, 0], points[p + 1, 1] = x, ay - rise, x, ay + rise
                        p += 2
                    y = low_y if side == 0 else high_y
                    away = abs(y - ay)
                    if away <= ahy + arho:
                        over = max(away - ahy, 0.0)
                        reach = ahx + sqrt(arho * arho - over * over)
                        points[p, 0], points[p, 1], points[p + 1, 0], points[p + 1, 1] = ax - reach, y, ax + reach, y
                        p += 2
                for b in range(a):
                    dx, dy = abs(ax - r[b, 0]), abs(ay - r[b, 1])
                    if dx > ahx + arho + r[b, 2] + r[b, 4] or dy > ahy + arho + r[b, 3] + r[b, 4]:
                        continue
                    work += 1
                    if ahx > 0 or r[b, 2] > 0:
                        # straight parts of one border (c) with the border of the other (d)
                        for pair in range(8):
                            c, d = (a, b) if pair & 4 else (b, a)
                            sign = 1.0 if pair & 2 else -1.0
                            over_x = pair & 1
                            if over_x:
                                line = r[c, 0] + sign * (r[c, 2] + r[c, 4])
                                along, half, away = r[c, 1], r[c, 3], abs(line - r[d, 0])
                                d_half, d_other, d_at = r[d, 2], r[d, 3], r[d, 1]
                                inside = line >= low_x and line <= high_x
                            else:
                                line = r[c, 1] + sign * (r[c, 3] + r[c, 4])
                                along, half, away = r[c, 0], r[c, 2], abs(line - r[d, 1])
                                d_half, d_other, d_at = r[d, 3], r[d, 2], r[d, 0]
                                inside = line >= low_y and line <= high_y
                            if not inside or (half == 0.0 and r[c, 4] > 0.0) or away > d_half + r[d, 4]:
                                continue
                            over = max(away - d_half, 0.0)
                            rise = d_other + sqrt(r[d, 4] * r[d, 4] - over * over)
                            for end in range(2):
                                at = d_at - rise if end == 0 else d_at + rise
                                if abs(at - along) <= half:
                                    points[p, 0] = line if over_x else at
                                    points[p, 1] = at if over_x else line
                                    p += 1
                    if arho > 0 and r[b, 4] > 0:
                        brho = r[b, 4]
                        corners = (1 if ahx == 0.0 else 4) * (1 if r[b, 2] == 0.0 else 4)
                        for corner in range(corners):
                            ca = corner if ahx > 0.0 else 0
                            cb = corner >> 2 if ahx > 0.0 else corner
                            cx = ax + (ahx if ca & 1 else -ahx)
                            cy = ay + (ahy if ca & 2 else -ahy)
                            dx = r[b, 0] + (r[b, 2] if cb & 1 else -r[b, 2]) - cx
                            dy = r[b, 1] + (r[b, 3] if cb & 2 else -r[b, 3]) - cy
                            apart2 = dx * dx + dy * dy
                            if apart2 == 0 or apart2 > (arho + brho) ** 2 or apart2 < (arho - brho) ** 2:
                                continue
                            share = (apart2 + arho * arho - brho * brho) / (2 * apart2)
                            off2 = arho * arho / apart2 - share * share
                            off = sqrt(off2) if off2 > 0 else 0.0
                            mx, my = cx + share * dx, cy + share * dy
                            points[p, 0], points[p, 1] = mx - off * dy, my + off * dx
                            points[p + 1, 0], points[p + 1, 1] = mx + off * dy, my - off * dx
                            p += 2
            for q in range(p):
                x, y = points[q, 0], points[q, 1]
                if x < low_x - 0.7 or x > high_x + 0.7 or y < low_y - 0.7 or y > high_y + 0.7:
                    continue
                # how far the far side is from the preferred corner, or from the nearest edges
                from_x = x - low_x if way[0] > 0 else high_x - x
                from_y = y - low_y if way[1] > 0 else high_y - y
                if way[4] > 0:
                    from_x, from_y = min(x - low_x, high_x - x), min(y - low_y, high_y - y)
                key = (from_x + 2 * hx) * way[2] + (from_y + 2 * hy) * way[3] + lies
                if key >= best:
                    continue
                work += 1
                if _blocked(r, m, x, y, 0.8):
                    continue
                x0, x1, y0, y1 = floor(x), ceil(x), floor(y), ceil(y)
                nearest = NOWHERE
                for corner in range(4):
                    px = float(x1 if corner & 1 else x0)
                    py = float(y1 if corner & 2 else y0)
                    if (corner & 1 and x0 == x1) or (corner & 2 and y0 == y1):
                        continue
                    if px < low_x or px > high_x or py < low_y or py > high_y:
                        continue
                    away = (px - x) ** 2 + (py - y) ** 2
                    if away < nearest and not _blocked(r, m, px, py, 0.0):
                        nearest = away
                        best, best_x, best_y, best_turned = key, px, py, turned
    bench.ints[WORK] += work
    if best == NOWHERE:
        return False
    load.pots[layer, board, n, KIND] = t
    load.pots[layer, board, n, X] = int(best_x)
    load.pots[layer, board, n, Y] = int(best_y)
    load.pots[layer, board, n, TURNED] = best_turned
    load.pots[layer, board, n, STAYS] = 0
    load.boards[layer, board, COUNT] = n + 1
    load.boards[layer, board, BOARD_USED] += task.at[t, z, AREA]
    load.layers[layer, USED] += task.at[t, z, AREA]
    return True


@compiled
def mark_drips(task: Task, load: Load, layer: int, t: int) -> None:
    """Note what one more pot of kind t means for what may stand above and below."""
    owner = task.kinds[t, OWNER]
    runs_for, safe_for = load.layers[layer, RUNS_FOR], load.layers[layer, SAFE_FOR]
    if task.kinds[t, RUNNY]:
        load.layers[layer, RUNS_FOR] = owner if runs_for == -1 or runs_for == owner else -2
    if task.kinds[t, FRAGILE] or not (safe_for == -1 or safe_for == owner):
        load.layers[layer, SAFE_FOR] = -2
    else:
        load.layers[layer, SAFE_FOR] = owner


@compiled
def drips_allow(task: Task, load: Load, zone: int, at: int, t: int) -> bool:
    """Whether a pot of kind t may join layer ``at`` (-1: a new one) by the rule for what runs."""
    was_runs, was_safe = -1, -1
    if at >= 0:
        was_runs, was_safe = load.layers[at, RUNS_FOR], load.layers[at, SAFE_FOR]
        mark_drips(task, load, at, t)
    runny, owner = task.kinds[t, RUNNY], task.kinds[t, OWNER]
    runs_for, layers, unsafe = -1, 0, 0
    if at < 0 and runny:
        runs_for, layers = owner, 1
        unsafe = task.kinds[t, FRAGILE]
    for n in range(load.layers.shape[0]):
        runs = load.layers[n, RUNS_FOR]
        if load.layers[n, ZONE] == zone and load.layers[n, FIXED] == 0 and runs != -1:
            layers += 1
            runs_for = runs if runs_for == -1 or runs_for == runs else -2
            if load.layers[n, SAFE_FOR] == -2 or load.layers[n, SAFE_FOR] != runs:
                unsafe += 1
    allowed = layers < 2 or (runs_for != -2 and unsafe < 2)
    joins = at >= 0 and load.layers[at, FIXED] == 1 and runny
    for n in range(load.layers.shape[0]):
        safe_for = load.layers[n, SAFE_FOR]
        if load.layers[n, ZONE] == zone and load.layers[n, FIXED] > 0 and safe_for != -1:
            if layers > 0 and (runs_for == -2 or safe_for != runs_for):
                allowed = False
            if joins and load.layers[n, FIXED] == 2 and safe_for != owner:
                allowed = False
    if at >= 0:
        load.layers[at, RUNS_FOR], load.layers[at, SAFE_FOR] = was_runs, was_safe
    return allowed


@compiled
def _posts_suffice(task: Task, load: Load, bench: Bench, zone: int, at: int, height: int) -> bool:
    """Whether the post set carries all layers of the zone with layer ``at`` (-1: a new one) at ``height``.

    A walk over the ways to deal out posts: one of size k is way k, a pair with the lower of size k is way sizes + k.
    """
    sizes = task.zones[zone, SIZES]
    if sizes == 0:
        return True
    each = task.zones[zone, POSTS_A_LAYER]
    heights, choice, have, size = bench.heights[0], bench.heights[1], bench.heights[2], bench.heights[3]
    heights[0], choice[0] = height, -1
    n = 1
    for layer in range(load.layers.shape[0]):
        if load.layers[layer, ZONE] == zone and layer != at:
            heights[n], choice[n] = load.layers[layer, HEIGHT], -1
            n += 1
    for k in range(sizes):
        size[k], have[k] = task.posts[zone, k, 0], task.posts[zone, k, 1]
    depth = 0
    for _ in range(4000):
        if depth == n:
            return True
        bench.ints[WORK] += 1
        way = choice[depth]
        if way >= 0:  # give back what the last try took
            if way < sizes:
                have[way] += each
            else:
                have[way - sizes] += each
                for k in range(sizes):
                    if size[k] == heights[depth] - size[way - sizes]:
                        have[k] += each
        way += 1
        while way < 2 * sizes:
            low = way if way < sizes else way - sizes
            if way < sizes:
                if size[low] == heights[depth] and have[low] >= each:
                    have[low] -= each
                    break
            else:
                high = -1
                for k in range(low, sizes):
                    if size[k] == heights[depth] - size[low]:
                        high = k
                if high >= 0 and have[low] >= each * (2 if high == low else 1) and have[high] >= each:
                    have[low] -= each
                    have[high] -= each
                    break
            way += 1
        if way == 2 * sizes:
            choice[depth] = -1
            depth -= 1
            if depth < 0:
                return False
        else:
            choice[depth] = way
            depth += 1
    return False


@compiled
def _whole(load: Load) -> int:
    whole = 0
    for z in range(load.stack.shape[0]):
        whole += load.stack[z]
    return whole


@compiled
def _insert(task: Task, load: Load, bench: Bench, t: int, target: int, blink: float, fit: int) -> bool:
    """Stand one pot of kind t where it adds the least height within ``target`` mm in all; False: nowhere."""
    slots, zones = load.layers.shape[0], load.stack.shape[0]
    whole = _whole(load)
    order, weight = bench.order, bench.weight
    n, free = 0, -1
    for layer in range(slots):
        z = load.layers[layer, ZONE]
        if z < 0:
            free = layer
            continue
        if load.layers[layer, FIXED] == 2 or task.at[t, z, CLEAR] < 0:
            continue
        rise = task.at[t, z, CLEAR] - load.layers[layer, HEIGHT]
        if rise > 0 and (
            load.layers[layer, FIXED] == 1 or whole + rise > target or load.stack[z] + rise > task.zones[z, LIMIT]
        ):
            continue
        if load.layers[layer, USED] + task.at[t, z, AREA] > task.zones[z, ROOM] * task.zones[z, BOARDS]:
            continue
        order[n] = layer
        if rise > 0:
            weight[n] = 1e6 + 1e9 * rise / (task.zones[z, ROOM] * task.zones[z, BOARDS])
        elif fit == 0:
            weight[n] = -rise
        elif fit == 1:
            weight[n] = layer
        else:
            weight[n] = -rise * (0.5 + _random(bench.ints))
        n += 1
    for z in range(zones):
        rise = task.at[t, z, CLEAR] + task.zones[z, THICK]
        if task.at[t, z, CLEAR] < 0 or whole + rise > target or load.stack[z] + rise > task.zones[z, LIMIT]:
            continue
        if free < 0:
            bench.ints[NO_SLOT] = 1
            continue
        order[n] = -1 - z
        weight[n] = 1e6 + 1e9 * rise / (task.zones[z, ROOM] * task.zones[z, BOARDS])
        n += 1
    half_x, half_y = task.kinds[t, HALF_X], task.kinds[t, HALF_Y]
    is_round, short = task.kinds[t, ROUND], min(half_x, half_y)
    # a rectangle that may turn is known by its long side first; one that may not only if none on the task may
    wide, deep = (max(half_x, half_y), short) if task.turning else (half_x, half_y)
    backwards = _random(bench.ints) < 0.5
    for _ in range(n):
        best = 0
        for k in range(1, n):
            if weight[k] < weight[best]:
                best = k
        weight[best] = 1e18
        layer = order[best]
        new = layer < 0
        z = -1 - layer if new else load.layers[layer, ZONE]
        height = task.at[t, z, CLEAR] if new else max(load.layers[layer, HEIGHT], task.at[t, z, CLEAR])
        if (new or height > load.layers[layer, HEIGHT]) and not _posts_suffice(task, load, bench, z, layer, height):
            continue
        if task.runs and not drips_allow(task, load, z, layer, t):
            continue
        boards = task.zones[z, BOARDS]
        if new:
            layer = free
            load.layers[layer, ZONE] = z
            load.layers[layer, HEIGHT], load.layers[layer, FIXED], load.layers[layer, USED] = 0, 0, 0
            load.layers[layer, RUNS_FOR], load.layers[layer, SAFE_FOR] = -1, -1
            for board in range(boards):
                load.boards[layer, board, COUNT], load.boards[layer, board, BOARD_USED] = 0, 0
                for column in range(FULL_ROUND, FULL_Y + 1):
                    load.boards[layer, board, column] = NO_SHAPE
        placed = False
        for k in range(boards):
            b = boards - 1 - k if backwards else k
            full_x, full_y = load.boards[layer, b, FULL_X], load.boards[layer, b, FULL_Y]
            if load.boards[layer, b, BOARD_USED] + task.at[t, z, AREA] > task.zones[z, ROOM]:
                continue
            if short >= load.boards[layer, b, FULL_ROUND] or (not is_round and wide >= full_x and deep >= full_y):
                continue
            if blink > 0 and not new and _random(bench.ints) < blink:
                continue
            if place(task, load, bench, layer, b, t):
                placed = True
                break
            if is_round:
                load.boards[layer, b, FULL_ROUND] = short
            elif full_x == NO_SHAPE or wide * deep < full_x * full_y:
                load.boards[layer, b, FULL_X], load.boards[layer, b, FULL_Y] = wide, deep
        if not placed:
            if new:
                load.layers[layer, ZONE] = -1
            continue
        load.stack[z] += height + task.zones[z, THICK] if new else height - load.layers[layer, HEIGHT]
        load.layers[layer, HEIGHT] = height
        load.left[t] -= 1
        bench.dirty[layer] = 1
        if task.runs:
            mark_drips(task, load, layer, t)
        return True
    return False


@compiled
def _clear(task: Task, load: Load, bench: Bench, layer: int, only: int, share: float, above: int) -> None:
    """Take off pots of a board (-1: all) by chance, if they need more than ``above`` mm; an empty layer goes."""
    z = load.layers[layer, ZONE]
    bench.dirty[layer] = 1
    height, used, pots = 0, 0, 0
    load.layers[layer, RUNS_FOR], load.layers[layer, SAFE_FOR] = -1, -1
    for board in range(task.zones[z, BOARDS]):
        kept, board_used = 0, 0
        count = load.boards[layer, board, COUNT]
        for k in range(count):
            t = load.pots[layer, board, k, KIND]
            if only == -1 or only == board:
                high = above < 0 or task.at[t, z, CLEAR] > above
                if not load.pots[layer, board, k, STAYS] and high and (share >= 1.0 or _random(bench.ints) < share):
                    load.left[t] += 1
                    continue
            if kept < k:
                for column in range(5):
                    load.pots[layer, board, kept, column] = load.pots[layer, board, k, column]
            kept += 1
            height = max(height, task.at[t, z, CLEAR])
            board_used += task.at[t, z, AREA]
            if task.runs:
                mark_drips(task, load, layer, t)
        if kept < count:
            for column in range(FULL_ROUND, FULL_Y + 1):
                load.boards[layer, board, column] = NO_SHAPE
            load.boards[layer, board, COUNT] = kept
        load.boards[layer, board, BOARD_USED] = board_used
        used += board_used
        pots += kept
    load.layers[layer, USED] = used
    if load.layers[layer, FIXED]:
        return
    if pots == 0:
        load.stack[z] -= load.layers[layer, HEIGHT] + task.zones[z, THICK]
        load.layers[layer, ZONE] = -1
    else:
        load.stack[z] += height - load.layers[layer, HEIGHT]
        load.layers[layer, HEIGHT] = height


@compiled
def copy_load(task: Task, there: Load, here: Load, dirty: Ints, every: bool) -> None:
    """Copy the layers that are marked in ``dirty``, or all, and what is left out."""
    for layer in range(there.layers.shape[0]):
        if dirty[layer] or every:
            for column in range(6):
                here.layers[layer, column] = there.layers[layer, column]
            z = there.layers[layer, ZONE]
            if z >= 0:
                for board in range(task.zones[z, BOARDS]):
                    for column in range(5):
                        here.boards[layer, board, column] = there.boards[layer, board, column]
                    for k in range(there.boards[layer, board, COUNT]):
                        for column in range(5):
                            here.pots[layer, board, k, column] = there.pots[layer, board, k, column]
    for z in range(there.stack.shape[0]):
        here.stack[z] = there.stack[z]
    for t in range(there.left.shape[0]):
        here.left[t] = there.left[t]


@compiled
def recreate(task: Task, load: Load, bench: Bench, target: int, blink: float, style: int, by_level: bool) -> None:
    """Put back whatever is left out, in an order of the given style, as far as it goes."""
    kinds, zones = load.left.shape[0], load.stack.shape[0]
    keys, names = bench.keys, bench.names
    n = 0
    power = _random(bench.ints)
    for t in range(kinds):
        if load.left[t] == 0:
            continue
        tall, area = 0, 0
        for z in range(zones):
            tall, area = max(tall, task.at[t, z, CLEAR]), max(area, task.at[t, z, AREA])
        noise = _random(bench.ints)
        if style == 0:
            key = float(tall)
        elif style == 1:
            key = tall * (0.85 + 0.3 * noise)
        elif style == 2:
            key = area * (0.8 + 0.4 * noise)
        elif style == 3:
            key = tall ** (2 * power) * area ** (1 - power) * (0.9 + 0.2 * noise)
        else:
            key = tall * area * (0.8 + 0.4 * noise)
        if task.kinds[t, RUNNY]:
            key += 1e15
        if by_level:
            key += 1e9 * (bench.missing.shape[1] - task.kinds[t, LEVEL])
        keys[n] = key
        names[n] = t
        n += 1
    gap = n // 2
    while gap > 0:  # Shell's sort, the greatest first
        for i in range(gap, n):
            key, t, k = keys[i], names[i], i
            while k >= gap and keys[k - gap] < key:
                keys[k], names[k] = keys[k - gap], names[k - gap]
                k -= gap
            keys[k], names[k] = key, t
        gap //= 2
    fit = int(3 * _random(bench.ints))
    for k in range(n):
        t = names[k]
        while load.left[t] > 0:
            if not _insert(task, load, bench, t, target, blink, fit):
                break


@compiled
def _pick(load: Load, bench: Bench, near: int) -> int:
    """A random layer that may be changed, -1 if there is none; with ``near`` >= 0 rather one of about that height."""
    n, chosen = 0.0, -1
    for layer in range(load.layers.shape[0]):
        if load.layers[layer, ZONE] >= 0 and load.layers[layer, FIXED] != 2:
            odds = 1.0
            if near >= 0:
                odds = 1.0 / (10.0 + abs(load.layers[layer, HEIGHT] - near))
            n += odds
            if _random(bench.ints) * n < odds:
                chosen = layer
    return chosen


@compiled
def is_better(task: Task, one: Load, other: Load, bench: Bench) -> bool:
    """Whether ``one`` leaves out less than ``other``, the important levels first, or as much with a lower stack."""
    missing = bench.missing
    for level in range(missing.shape[1]):
        missing[0, level] = missing[1, level] = 0
    for t in range(one.left.shape[0]):
        missing[0, task.kinds[t, LEVEL]] += one.left[t]
        missing[1, task.kinds[t, LEVEL]] += other.left[t]
    for level in range(missing.shape[1]):
        if missing[0, level] != missing[1, level]:
            return bool(missing[0, level] < missing[1, level])
    return _whole(one) < _whole(other)


@compiled
def improve(task: Task, now: Load, trial: Load, best: Load, bench: Bench, tune: Floats, work: int, heat: float) -> None:
    """Ruin and recreate until ``work`` more places were looked at.

    ``now`` and ``trial`` are equal on entry and on return. A load with nothing missing becomes the best, and from
    then on the target is 1 mm less than its stack.
    """
    status, ints, way = bench.status, bench.ints, bench.way
    until = ints[WORK] + work
    while ints[WORK] < until:
        ints[WORK] += 50
        status[ROUNDS] += 1
        status[SINCE] += 1
        # where to begin on a board, and along which side
        way[0] = 1.0 if _random(ints) < 0.5 else -1.0
        way[1] = 1.0 if _random(ints) < 0.5 else -1.0
        draw = _random(ints)
        way[2], way[3], way[4] = 1.0, 0.001, 0.0
        if draw < tune[0]:
            way[2], way[3] = 0.001, 1.0
        elif draw < tune[1]:
            way[2], way[3] = 1.0, 0.2 + 1.6 * _random(ints)
        elif draw < tune[2]:
            way[2], way[3], way[4] = 1.0, 1.0, 1.0
        draw = _random(ints)
        way[5] = 0.0 if not task.turning or draw < 0.5 else 1.0 if draw < 0.75 else -1.0
        # ruin
        draw = _random(ints)
        near = -1
        kind = 0 if draw < tune[3] else 1 if draw < tune[4] else 2 if draw < tune[5] else 3
        times = 1 + int(_random(ints) * tune[6 + kind])
        local = _random(ints) < tune[10]
        share = 1.0 if kind < 2 else 0.2 + 0.5 * _random(ints)
        for n in range(times):
            layer = _pick(trial, bench, near if local else -1)
            if layer < 0:
                break
            near = trial.layers[layer, HEIGHT]
            only, above = -1, -1
            if kind == 1 or (kind == 3 and n > 0):
                only = int(_random(ints) * task.zones[trial.layers[layer, ZONE], BOARDS])
            elif kind == 3:
                above, share = int(near * (0.5 + 0.5 * _random(ints))), 1.0
            _clear(task, trial, bench, layer, only, share, above)
        target = int(status[TARGET])
        for _ in range(4 * trial.layers.shape[0]):  # where all that is left stands already, no clearing helps
            layer = _pick(trial, bench, -1)
            if layer < 0 or _whole(trial) <= target:
                break
            _clear(task, trial, bench, layer, -1, 1.0, -1)
        draw = _random(ints)
        style = 1 if draw < tune[11] else 2 if draw < tune[12] else 3 if draw < tune[13] else 4
        by_level = bench.missing.shape[1] > 1 and _random(ints) < 0.5
        recreate(task, trial, bench, target, tune[14], style, by_level)
        worth = 0.0
        for t in range(trial.left.shape[0]):
            worth += trial.left[t] * task.value[t]
        if worth <= status[NOW] - heat * log(1.0 - _random(ints)):
            status[NOW], status[FROM_WHOLE] = worth, 0.0
            copy_load(task, trial, now, bench.dirty, False)
            if is_better(task, now, best, bench):
                status[SINCE] = 0
                copy_load(task, now, best, bench.dirty, True)
            if worth == 0.0:
                status[TARGET] = float(_whole(now) - 1)
                status[NOW], status[FROM_WHOLE] = status[AFTER], 1.0
        else:
            copy_load(task, now, trial, bench.dirty, False)
            if status[FROM_WHOLE] > 0.0:
                status[NOW] *= 1.003
        for layer in range(bench.dirty.shape[0]):
            bench.dirty[layer] = 0
