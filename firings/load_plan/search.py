"""Prepares a request for the compiled kernel, drives its search, and keeps the best load."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from math import ceil
from typing import Final

import numpy as np

from firings.load_plan import bound, kernel, rules
from firings.load_plan.problem import LoadRequest, PieceSpec, ZoneSpec

TENTHS: Final = 10
HALF: Final = TENTHS // 2
ENDLESS: Final = 1 << 40
CHUNK: Final = 60_000  # work between two looks at the clock
# In mean worths of a pot: what may be lost for a way out of a dead end, and what may be missing at the first step from
# a whole load towards a lower one. Measured: a first step without limit ends 2 % higher.
_HEAT: Final = 0.03
_AFTER: Final = 1.8

# how the kernel ruins and recreates: shares of the orders of places, of the kinds of ruin, how many layers or boards at
# most, how often of like height, shares of the orders of pots, how often a board is overlooked
_TUNE: Final = (0.35, 0.65, 0.85, 0.4, 0.7, 0.9, 3.0, 4.0, 4.0, 3.0, 0.5, 0.2, 0.3, 0.8, 0.03)


@dataclass(frozen=True, slots=True)
class Kind:
    """Pots that are alike for the planner: one number in the kernel.

    ``zones``: where they may stand, by number. ``level``: 0 goes in first. ``ids``: the pots' pieces, one id a pot.
    """

    piece: PieceSpec
    zones: tuple[int, ...]
    level: int
    ids: tuple[str, ...] = ()

    @property
    def count(self) -> int:
        return len(self.ids)


@dataclass(slots=True)
class Search:
    """One search: the task, the best load so far and what the kernel needs to go on."""

    request: LoadRequest
    kinds: Sequence[Kind]
    free_height: bool
    turning: bool = True
    standing_layers: int = 0
    standing_pots: int = 0  # most on one board
    slots: int = field(init=False)
    task: kernel.Task = field(init=False)
    best: kernel.Load = field(init=False)

    def __post_init__(self) -> None:
        self.task = task_of(self.request, self.kinds, self.free_height, self.turning)
        counts = [kind.count for kind in self.kinds]
        self.slots = _slots(self.request, self.task, counts, self.free_height) + self.standing_layers
        self.best = empty_load(self.task, counts, self.slots, self.standing_pots)

    def copy(self, load: kernel.Load) -> kernel.Load:
        return kernel.Load(*(array.copy() for array in load))

    def bench(self, seed: int) -> kernel.Bench:
        return bench_for(self.task, self.best, seed)

    def fill(self, load: kernel.Load, seed: int, *, by_level: bool = False, target: int = ENDLESS) -> kernel.Bench:
        """Stand what is left out, tall pots first, where it adds least. NO_SLOT tells if layers ran out."""
        bench = self.bench(seed)
        kernel.recreate(self.task, load, bench, target, 0.0, 0, by_level)
        return bench

    def begin(self, seed: int) -> None:
        """Fill the best load: all pots if they fit; else as many as go in by importance, then what finds a gap."""
        empty = self.best
        whole = self.copy(empty)
        while self.fill(whole, seed).ints[kernel.NO_SLOT]:
            empty = self._with_more_slots(empty)
            whole = self.copy(empty)
        if whole.left.any():
            whole = self._by_importance(empty, whole, seed)
        self.best = whole

    def _with_more_slots(self, load: kernel.Load) -> kernel.Load:
        counts = [kind.count for kind in self.kinds]
        more = empty_load(self.task, counts, 2 * self.slots, self.standing_pots)
        more.layers[: self.slots], more.boards[: self.slots] = load.layers, load.boards
        more.pots[: self.slots] = load.pots
        more.stack[:], more.left[:] = load.stack, load.left
        self.slots *= 2
        return more

    def _by_importance(self, empty: kernel.Load, whole: kernel.Load, seed: int) -> kernel.Load:
        """The longest prefix of the pots, by importance, that goes in as a whole; then the others."""
        runny = self.copy(empty)
        runny.left[self.task.kinds[:, kernel.RUNNY] == 0] = 0
        self.fill(runny, seed, by_level=True)
        wanted = empty.left - runny.left
        order = sorted(
            (t for t in range(len(self.kinds)) for _ in range(int(wanted[t]))),
            key=lambda t: (self.kinds[t].level, self.task.value[t], t),
        )
        low, high, best = 0, len(order), None
        while high - low > 1:
            middle = (low + high) // 2
            trial = self.copy(empty)
            trial.left[:] = np.bincount(order[:middle], minlength=len(self.kinds))
            self.fill(trial, seed)
            if trial.left.any():
                high = middle
            else:
                low, best = middle, trial
        rest = self.copy(empty) if best is None else best
        rest.left[:] = empty.left - np.bincount(order[:low], minlength=len(self.kinds))
        bench = self.fill(rest, seed, by_level=True)
        return rest if kernel.is_better(self.task, rest, whole, bench) else whole

    def improve(self, seed: int, work: int, enough: Callable[[], bool], good: Callable[[kernel.Load], bool]) -> None:
        """Better the best load until ``work`` places were looked at, ``enough`` is true or the load is ``good``."""
        task, bench = self.task, self.bench(seed)
        now, trial = self.copy(self.best), self.copy(self.best)
        tune = np.array(_TUNE)
        counts = np.array([kind.count for kind in self.kinds])
        mean = float((task.value * counts).sum()) / max(1, counts.sum())
        bench.status[kernel.AFTER] = _AFTER * mean
        bench.status[kernel.NOW] = float((self.best.left * task.value).sum())
        if not self.best.left.any():
            bench.status[kernel.TARGET] = float(self.best.stack.sum() - 1)
            bench.status[kernel.NOW], bench.status[kernel.FROM_WHOLE] = bench.status[kernel.AFTER], 1.0
        while bench.ints[kernel.WORK] < work and not enough() and not good(self.best):
            chunk = min(CHUNK, work - int(bench.ints[kernel.WORK]))
            kernel.improve(task, now, trial, self.best, bench, tune, chunk, _HEAT * mean)


def task_of(request: LoadRequest, kinds: Sequence[Kind], free_height: bool, turning: bool = True) -> kernel.Task:
    zones = request.zones
    spots = np.zeros((len(zones), max([1, *(len(zone.keepouts) for zone in zones)]), 4), dtype=np.int64)
    sets = [_posts(zone) for zone in zones]
    posts = np.zeros((len(zones), max([1, *map(len, sets)]), 2), dtype=np.int64)
    table = np.zeros((len(zones), 10), dtype=np.int64)
    for z, zone in enumerate(zones):
        for n, (x0, y0, x1, y1) in enumerate(zone.keepouts):
            spots[z, n] = (x0 + x1) * HALF, (y0 + y1) * HALF, (x1 - x0) * HALF, (y1 - y0) * HALF
        for n, post in enumerate(sets[z]):
            posts[z, n] = post
        table[z] = (
            zone.board_w_mm * TENTHS, zone.board_l_mm * TENTHS, zone.gap_mm * TENTHS, zone.boards_per_layer,
            zone.shelf_thickness_mm, ENDLESS if free_height else zone.height_mm, ceil(bound.board_room_mm2(zone)),
            len(zone.keepouts), len(sets[z]), zone.boards_per_layer * zone.posts_per_board,
        )  # fmt: skip
    rows = np.zeros((len(kinds), 8), dtype=np.int64)
    owners: dict[str, int] = {}
    for t, kind in enumerate(kinds):
        piece = kind.piece
        along_x, along_y = piece.footprint()
        rows[t] = (
            piece.is_round, along_x * HALF, along_y * HALF, turning and along_x != along_y, kind.level,
            owners.setdefault(piece.owner, len(owners)), piece.runny, piece.fragile,
        )  # fmt: skip
    at = _clear_and_area(zones, kinds)
    return kernel.Task(
        table, spots, posts, rows, at, _values(zones, kinds, at), int(any(k.piece.runny for k in kinds)), int(turning)
    )


def _posts(zone: ZoneSpec) -> list[tuple[int, int]]:
    counts: dict[int, int] = {}
    for posts in zone.posts:
        if posts.count:
            counts[posts.height_mm] = counts.get(posts.height_mm, 0) + posts.count
    return sorted(counts.items())


def _clear_and_area(zones: Sequence[ZoneSpec], kinds: Sequence[Kind]) -> kernel.Ints:
    at = np.full((len(kinds), len(zones), 2), -1, dtype=np.int64)
    for t, kind in enumerate(kinds):
        for z, zone in enumerate(zones):
            at[t, z, kernel.AREA] = int(bound.grown_mm2(kind.piece, zone.gap_mm))
        for z in kind.zones:
            at[t, z, kernel.CLEAR] = rules.layer_height(zones[z], kind.piece.h) or -1
    return at


def _values(zones: Sequence[ZoneSpec], kinds: Sequence[Kind], at: kernel.Ints) -> kernel.Floats:
    """Litres of one pot with its layer's height; a more important level weighs more than all below it together.

    With very many levels nearly so: numbers have 16 digits. The best load is compared exactly.
    """
    levels = 1 + max((kind.level for kind in kinds), default=0)
    weight = min(1e5, 1e13 ** (1 / levels))
    made = np.zeros(len(kinds))
    for t, kind in enumerate(kinds):
        if kind.zones:
            z = kind.zones[0]
            height = at[t, z, kernel.CLEAR] + zones[z].shelf_thickness_mm
            made[t] = at[t, z, kernel.AREA] * height / 1e6 * weight ** (levels - 1 - kind.level)
    return made


def _slots(request: LoadRequest, task: kernel.Task, counts: Sequence[int], free_height: bool) -> int:
    """More layers than a sensible load has."""
    area = sum(count * int(task.at[t, :, kernel.AREA].max()) for t, count in enumerate(counts))
    room = min(int(zone[kernel.ROOM] * zone[kernel.BOARDS]) for zone in task.zones)
    most = min(sum(counts), 16 + 6 * area // room)
    if not free_height:
        most = min(most, sum(zone.height_mm // (zone.clear_height_mm(1) + 1) + 1 for zone in request.zones))
    return most + 1


def empty_load(task: kernel.Task, counts: Sequence[int], slots: int, more_pots: int = 0) -> kernel.Load:
    boards = int(task.zones[:, kernel.BOARDS].max())
    least = max(1, int(task.at[:, :, kernel.AREA].min())) if len(counts) else 1
    pots = min(sum(counts), int(task.zones[:, kernel.ROOM].max()) // least) + 1 + more_pots
    layers = np.zeros((slots, 6), dtype=np.int64)
    layers[:, kernel.ZONE] = -1
    return kernel.Load(
        layers=layers,
        boards=np.zeros((slots, boards, 5), dtype=np.int64),
        pots=np.zeros((slots, boards, pots, 5), dtype=np.int64),
        stack=np.zeros(len(task.zones), dtype=np.int64),
        left=np.array(counts, dtype=np.int64),
    )


def bench_for(task: kernel.Task, load: kernel.Load, seed: int) -> kernel.Bench:
    slots = load.layers.shape[0]
    things = load.pots.shape[2] + task.spots.shape[1] + 1
    levels = 1 + int(task.kinds[:, kernel.LEVEL].max()) if len(task.kinds) else 1
    return kernel.Bench(
        regions=np.zeros((things, 5)),
        points=np.zeros((16 + 64 * things, 2)),
        way=np.array([1.0, 1.0, 0.001, 1.0, 0.0, 0.0]),
        ints=np.array([seed % (1 << 31) * 7919 + 12345, 0, 0], dtype=np.int64),
        order=np.zeros(slots + len(task.zones) + 1, dtype=np.int64),
        weight=np.zeros(slots + len(task.zones) + 1),
        heights=np.zeros((4, max(slots, task.posts.shape[1]) + 2), dtype=np.int64),
        dirty=np.zeros(slots, dtype=np.int64),
        keys=np.zeros(len(task.kinds)),
        names=np.zeros(len(task.kinds), dtype=np.int64),
        missing=np.zeros((2, levels), dtype=np.int64),
        status=np.array([1e300, float(ENDLESS), 0.0, 0.0, 1e300, 0.0]),
    )


class EmptyBoards:
    """Whether a piece finds a place on an empty board of a zone (by number)."""

    def __init__(self, request: LoadRequest, pieces: Sequence[PieceSpec]) -> None:
        shapes = {_shape(piece): piece for piece in pieces}
        self._number = {shape: t for t, shape in enumerate(shapes)}
        self._task = task_of(request, [Kind(piece, (), 0) for piece in shapes.values()], True)
        self._load = empty_load(self._task, [1] * len(shapes), len(request.zones))
        self._load.layers[:, kernel.ZONE] = np.arange(len(request.zones))
        self._bench = bench_for(self._task, self._load, 1)
        self._known: dict[tuple[int, int], bool] = {}

    def fits(self, at: int, piece: PieceSpec) -> bool:
        key = at, self._number[_shape(piece)]
        if key not in self._known:
            self._known[key] = kernel.place(self._task, self._load, self._bench, at, 0, key[1])
            self._load.boards[at, 0, kernel.COUNT] = 0
        return self._known[key]


def _shape(piece: PieceSpec) -> tuple[int, int, int]:
    return piece.d, min(piece.w, piece.l), max(piece.w, piece.l)


def kinds_of(
    pieces: Sequence[PieceSpec], zones: Callable[[PieceSpec], tuple[int, ...]], standing: Mapping[str, int]
) -> list[Kind]:
    """Pots by kind. Of a piece that can stand nowhere only the pots that stand already are kept, as a kind.

    ``standing`` pots are no part of a kind's count: they are laid out beforehand.
    """
    runs = any(piece.runny for piece in pieces)
    levels = {importance: n for n, importance in enumerate(sorted({piece.importance for piece in pieces}))}
    found: dict[tuple[object, ...], tuple[PieceSpec, tuple[int, ...], list[str]]] = {}
    for piece in pieces:
        where, stand = zones(piece), standing.get(piece.id, 0)
        if not where and not stand:
            continue
        key: tuple[object, ...] = (piece.shape, piece.d, piece.w, piece.l, piece.h, where, piece.importance)
        if runs:
            key = (*key, piece.owner, piece.runny, piece.fragile)
        _, _, ids = found.setdefault(key, (piece, where, []))
        ids.extend([piece.id] * (piece.count - stand if where else 0))
    return [Kind(piece, where, levels[piece.importance], tuple(ids)) for piece, where, ids in found.values()]


def numbers(kinds: Sequence[Kind], pieces: Sequence[PieceSpec]) -> dict[str, int]:
    """Number of its kind by piece id."""
    by_id = {one: t for t, kind in enumerate(kinds) for one in (kind.piece.id, *kind.ids)}
    return {piece.id: by_id[piece.id] for piece in pieces if piece.id in by_id}


@lru_cache(maxsize=1)
def warm() -> None:
    """Compile (some 20 s of processor time the first time on a machine) or load the kernel; later calls do nothing."""
    zone = ZoneSpec("kiln", 1, 100, 100, 100, 1, 1, 1, 1)
    piece = PieceSpec("mug", "", 2, "circle", 50, d=70)
    search = Search(LoadRequest("warm", (zone,), (piece,)), [Kind(piece, (0,), 0, ("mug", "mug"))], False)
    EmptyBoards(search.request, (piece,)).fits(0, piece)
    search.begin(1)
    search.improve(1, 1000, lambda: False, lambda load: False)
