"""A first honest planner: tallest first into the lowest layer that takes it, then take out and put back to improve."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Final

from firings.load_plan import bound, rules
from firings.load_plan.problem import LoadRequest, PieceSpec, ZoneSpec
from firings.load_plan.shelf import ORDERS, Meter, Shape, Shelf, shapes_of

_ENDLESS: Final = 1_000_000_000


@dataclass(slots=True)
class OpenLayer:
    """A layer being filled; ``height`` is its clear height, ``on_it`` names its pots.

    A layer that stands already keeps its height; under another standing one it is ``shut`` as well.
    """

    zone: int
    height: int
    shelves: list[Shelf]
    on_it: set[int] = field(default_factory=set)
    used_mm2: float = 0.0
    stands: bool = False
    shut: bool = False


@dataclass(frozen=True, slots=True)
class Pot:
    """One pot of a piece, as the search needs it."""

    key: int
    piece: PieceSpec
    shapes: tuple[Shape, ...]
    zones: tuple[int, ...]  # where it fits at all
    clear: tuple[int, ...]  # clear height its layer needs, by zone as numbered in the request
    grown_mm2: tuple[float, ...]

    @property
    def space(self) -> float:
        return self.grown_mm2[0] * self.piece.h


class Why:
    """Why a piece can stand nowhere, however empty the kiln: a sentence per zone, or nothing for the zones that do."""

    def __init__(self, request: LoadRequest, free_height: bool) -> None:
        self.request, self.free_height = request, free_height
        self._fits: dict[tuple[int, tuple[Shape, ...]], bool] = {}

    def not_in(self, at: int, piece: PieceSpec) -> str | None:
        zone = self.request.zones[at]
        if piece.zone not in (None, zone.id):
            return f"it is wanted in zone {piece.zone}"
        if not rules.stands_heat(piece, zone):
            return f"it stands cone {piece.cone}, the zone reaches cone {zone.cone}"
        if piece.soda and not zone.soda:
            return "it needs soda, this is no soda zone"
        if not self._fits_a_board(at, piece):
            spots = " with its post spots" if zone.keepouts else ""
            return f"{piece.size} do not fit on a board of {zone.board_w_mm} x {zone.board_l_mm} mm{spots}"
        return self._not_by_height(zone, piece)

    def nowhere(self, piece: PieceSpec) -> str | None:
        """The reason as a sentence, or None where the piece fits in some zone."""
        zones = self.request.zones
        if piece.zone is not None and self.request.zone(piece.zone) is None:
            names = ", ".join(zone.id for zone in zones)
            return f"There is no zone “{piece.zone}” (there is: {names}); choose another."
        asked = [at for at, zone in enumerate(zones) if piece.zone in (None, zone.id)]
        reasons = [(zones[at].id, self.not_in(at, piece)) for at in asked]
        if any(reason is None for _, reason in reasons):
            return None
        if len(reasons) == 1:
            return f"It cannot stand in zone {reasons[0][0]}: {reasons[0][1]}."
        return "It can stand in no zone: " + "; ".join(f"{zone}: {reason}" for zone, reason in reasons) + "."

    def _fits_a_board(self, at: int, piece: PieceSpec) -> bool:
        key = at, shapes_of(piece)
        if key not in self._fits:
            self._fits[key] = Shelf.empty(self.request.zones[at], Meter()).add(0, key[1], 0)
        return self._fits[key]

    def _not_by_height(self, zone: ZoneSpec, piece: PieceSpec) -> str | None:
        need, height = zone.clear_height_mm(piece.h), rules.layer_height(zone, piece.h)
        if height is None:
            highest = max(rules.makeable_heights(zone) or (0,))
            return f"it needs {need} mm between boards, the highest layer that can be made has {highest} mm"
        whole = height + zone.shelf_thickness_mm
        if whole > zone.height_mm and not self.free_height:
            return f"it needs {whole} mm with wad, air and board, the zone is {zone.height_mm} mm high"
        if not rules.posts_suffice(zone, [height]):
            return f"the posts do not suffice for one layer of {height} mm"
        return None


def pots_of(request: LoadRequest, why: Why, stand: Mapping[str, int]) -> list[Pot]:
    """Every pot that fits somewhere, by piece in the request's order; of the others those that ``stand`` already."""
    pots: list[Pot] = []
    for piece in request.pieces:
        zones = tuple(at for at in range(len(request.zones)) if why.not_in(at, piece) is None)
        count = piece.count if zones else stand.get(piece.id, 0)
        clear = tuple(rules.layer_height(zone, piece.h) or _ENDLESS for zone in request.zones)
        grown = tuple(bound.grown_mm2(piece, zone.gap_mm) for zone in request.zones)
        for _ in range(count):
            pots.append(Pot(len(pots), piece, shapes_of(piece), zones, clear, grown))
    return pots


class Loading:
    """Layers under construction, with what is left out; ``insert`` keeps every rule."""

    def __init__(self, request: LoadRequest, pots: Sequence[Pot], meter: Meter, free_height: bool) -> None:
        self.request, self.pots, self.meter, self.free_height = request, pots, meter, free_height
        self.room = [bound.board_room_mm2(zone) * zone.boards_per_layer for zone in request.zones]
        self.layers: list[OpenLayer] = []
        self.stack = [0] * len(request.zones)
        self.left: set[int] = {pot.key for pot in pots}
        self.standing: frozenset[int] = frozenset()
        self.order = 0
        self.blink: Random | None = None
        self.runs = any(pot.piece.runny for pot in pots)

    def copy(self) -> Loading:
        """Layers are shared until ``take_off`` or ``insert`` changes one: each changed layer is replaced."""
        twin = Loading.__new__(Loading)
        twin.request, twin.pots, twin.meter, twin.free_height = self.request, self.pots, self.meter, self.free_height
        twin.room, twin.layers, twin.stack, twin.left = self.room, self.layers[:], self.stack[:], set(self.left)
        twin.order, twin.runs, twin.blink = self.order, self.runs, None
        twin.standing = self.standing
        return twin

    def value(self) -> tuple[tuple[int, ...], int, int]:
        """What to make least: pots left out, the important ones first; millimetres of stack; layers."""
        missing: dict[int, int] = {}
        for key in self.left:
            level = self.pots[key].piece.importance
            missing[level] = missing.get(level, 0) + 1
        levels = sorted({pot.piece.importance for pot in self.pots}) if missing else ()
        return tuple(missing.get(level, 0) for level in levels), sum(self.stack), len(self.layers)

    def insert(self, pot: Pot, *, new_layers: bool = True, raising: bool = True) -> bool:
        """Stand the pot where it adds the least height; False (and nothing changed) where it fits nowhere."""
        options: list[tuple[float, int, int, int]] = []
        for at, layer in enumerate(self.layers):
            if layer.shut or (layer.stands and pot.clear[layer.zone] > layer.height):
                continue
            if layer.zone in pot.zones and layer.used_mm2 + pot.grown_mm2[layer.zone] <= self.room[layer.zone]:
                need = pot.clear[layer.zone]
                higher = max(0, need - layer.height)
                if raising or not higher:
                    options.append((higher / self.room[layer.zone], abs(layer.height - need), at, higher))
        if new_layers:
            for at in pot.zones:
                higher = pot.clear[at] + self.request.zones[at].shelf_thickness_mm
                options.append((higher / self.room[at], 0, -1 - at, higher))
        return any(self._try(pot, at, higher) for _, _, at, higher in sorted(options))

    def _try(self, pot: Pot, at: int, higher: int) -> bool:
        zone_at = self.layers[at].zone if at >= 0 else -1 - at
        zone = self.request.zones[zone_at]
        if higher and not self._height_allows(zone, zone_at, at, pot, higher):
            return False
        if self.runs and not self._drips_allow(zone_at, at, pot):
            return False
        if at < 0:
            boards = [Shelf.empty(zone, self.meter) for _ in range(zone.boards_per_layer)]
            layer = OpenLayer(zone_at, pot.clear[zone_at], boards)
        else:
            layer = self.layers[at]
        for number, shelf in enumerate(layer.shelves):
            if shelf.has_no_room_for(pot.shapes) or (at >= 0 and self._blinks()):
                continue
            changed = shelf.copy()
            if changed.add(pot.key, pot.shapes, self.order):
                shelves = [changed if n == number else other for n, other in enumerate(layer.shelves)]
                self._put(at, layer, shelves, pot, higher)
                return True
            shelf.full_for = changed.full_for
        return False

    def _blinks(self) -> bool:
        """Overlooking a board now and then leads out of dead ends."""
        return self.blink is not None and self.blink.random() < 0.04

    def _put(self, at: int, layer: OpenLayer, shelves: list[Shelf], pot: Pot, higher: int) -> None:
        made = OpenLayer(
            layer.zone,
            max(layer.height, pot.clear[layer.zone]),
            shelves,
            layer.on_it | {pot.key},
            layer.used_mm2 + pot.grown_mm2[layer.zone],
            layer.stands,
        )
        if at < 0:
            self.layers.append(made)
        else:
            self.layers[at] = made
        self.stack[layer.zone] += higher
        self.left.discard(pot.key)

    def _height_allows(self, zone: ZoneSpec, zone_at: int, at: int, pot: Pot, higher: int) -> bool:
        if not self.free_height and self.stack[zone_at] + higher > zone.height_mm:
            return False
        if not zone.posts:
            return True
        heights = [layer.height for n, layer in enumerate(self.layers) if layer.zone == zone_at and n != at]
        return rules.posts_suffice(zone, [*heights, pot.clear[zone_at]])

    def _drips_allow(self, zone_at: int, at: int, pot: Pot) -> bool:
        free = [[pot.piece]] if at < 0 else []
        standing: list[list[PieceSpec]] = []
        for n, layer in enumerate(self.layers):
            if layer.zone == zone_at:
                here = [*self.pieces_on(layer), *([pot.piece] if n == at else [])]
                (standing if layer.stands else free).append(here)
        if not standing:
            return rules.drips_are_caught(free)
        joins = self.layers[at].stands if at >= 0 else False
        return drips_allow_above(standing, free, pot.piece if joins else None)

    def drips_allow_layer(self, new: OpenLayer) -> bool:
        """Whether a whole layer can join those of its zone."""
        here = [layer for layer in self.layers if layer.zone == new.zone]
        standing = [self.pieces_on(layer) for layer in here if layer.stands]
        free = [self.pieces_on(layer) for layer in (*here, new) if not layer.stands]
        return drips_allow_above(standing, free, None)

    def pieces_on(self, layer: OpenLayer) -> list[PieceSpec]:
        return [self.pots[key].piece for key in sorted(layer.on_it)]

    def take_off(self, keys: set[int]) -> None:
        """Take pots off again; emptied layers go, the others sink to what their pots need."""
        kept: list[OpenLayer] = []
        for layer in self.layers:
            if not (gone := layer.on_it & keys):
                kept.append(layer)
                continue
            zone = self.request.zones[layer.zone]
            if layer.stands:
                kept.append(self._thinned(layer, gone, layer.height))
                continue
            self.stack[layer.zone] -= layer.height + zone.shelf_thickness_mm
            if rest := layer.on_it - gone:
                height = max(self.pots[key].clear[layer.zone] for key in rest)
                kept.append(self._thinned(layer, gone, height))
                self.stack[layer.zone] += height + zone.shelf_thickness_mm
        self.layers = kept
        self.left |= keys

    def _thinned(self, layer: OpenLayer, gone: set[int], height: int) -> OpenLayer:
        rest = layer.on_it - gone
        used = sum(self.pots[key].grown_mm2[layer.zone] for key in rest)
        shelves = [s.without(gone) if gone.intersection(s.keys) else s for s in layer.shelves]
        return OpenLayer(layer.zone, height, shelves, rest, used, layer.stands, layer.shut)


def drips_allow_above(
    standing: Sequence[Sequence[PieceSpec]], free: Sequence[Sequence[PieceSpec]], joins: PieceSpec | None
) -> bool:
    """Whether ``free`` layers can be put on ``standing`` ones (from the floor up), ``joins`` being on the topmost.

    What stands already is not judged against itself.
    """
    if joins and joins.runny and any(_hurts([joins], below) for below in standing[:-1]):
        return False
    return not any(_hurts(layer, below) for layer in free for below in standing) and rules.drips_are_caught(free)


def _hurts(above: Iterable[PieceSpec], below: Iterable[PieceSpec]) -> bool:
    runny = [piece for piece in above if piece.runny]
    return any(under.fragile or under.owner != piece.owner for piece in runny for under in below)


def search(
    empty: Loading,
    rng: Random,
    enough: Callable[[], bool],
    good: Callable[[Loading], bool],
    start: Loading | None = None,
) -> Loading:
    """The best loading found, from ``start`` if given, until ``enough`` says stop or ``good`` that none is better."""
    best = _filled(start) if start else _first(empty, enough)
    if start and best.left:
        best = min(best, _first(empty, enough), key=Loading.value)
    current = best
    slack = 0.003 * sum(best.stack)
    while best.layers and not good(best) and not enough():
        trial = current.copy()
        trial.order, trial.blink = rng.randrange(len(ORDERS)), rng
        taken = _some_pots(trial, rng)
        waiting = [pot for pot in trial.pots if pot.key in trial.left]
        trial.take_off(taken)
        back = _back_in_order([trial.pots[key] for key in sorted(taken)], rng)
        for pot in back:
            trial.insert(pot)
        for pot in sorted(waiting, key=_importance):
            trial.insert(pot)
        if trial.value()[0] <= current.value()[0] and _guide(trial) <= max(_guide(current), _guide(best) + slack):
            current = trial
        if trial.value() < best.value():
            best = current = trial
    return best


def _filled(start: Loading) -> Loading:
    best = start.copy()
    for pot in sorted(
        (best.pots[key] for key in best.left), key=lambda pot: (pot.piece.importance, -pot.space, pot.key)
    ):
        best.insert(pot)
    return best


def _first(empty: Loading, enough: Callable[[], bool]) -> Loading:
    """All pots if they fit; else as many as go in by importance, then whatever finds a gap."""
    by_importance = [pot for pot in sorted(empty.pots, key=_importance) if pot.key in empty.left]
    if any(pot.piece.runny for pot in by_importance):
        by_importance = _drop_runny_that_cannot(empty, by_importance)
    high = _at_most(empty, by_importance)
    whole = _packed(empty, by_importance[:high])
    low, best = 0, empty
    if not whole.left.intersection(pot.key for pot in by_importance[:high]):
        low, best = high, whole
    while high - low > 1 and not (best.layers and enough()):
        middle = (low + high) // 2
        trial = _packed(empty, by_importance[:middle])
        if trial.left.intersection(pot.key for pot in by_importance[:middle]):
            high = middle
        else:
            low, best = middle, trial
    best = best.copy()
    for pot in by_importance[low:]:
        best.insert(pot)
    return min(best, whole, key=Loading.value)


def _at_most(empty: Loading, pots: Sequence[Pot]) -> int:
    """How many of the first pots can go in at all: their volume does not exceed the zones'."""
    if empty.free_height:
        return len(pots)
    zones = empty.request.zones
    free = sum(room * zone.height_mm for room, zone in zip(empty.room, zones, strict=True))
    for number, pot in enumerate(pots):
        free -= min(pot.grown_mm2) * pot.piece.h
        if free < 0:
            return number
    return len(pots)


def _drop_runny_that_cannot(empty: Loading, pots: list[Pot]) -> list[Pot]:
    """Without runny pots that find no place beside the more important runny ones, even in an empty kiln."""
    trial = empty.copy()
    dropped = {pot.key for pot in pots if pot.piece.runny and not trial.insert(pot)}
    return [pot for pot in pots if pot.key not in dropped]


def _packed(empty: Loading, pots: Iterable[Pot]) -> Loading:
    trial = empty.copy()
    for pot in sorted(pots, key=lambda pot: _tallest_first(pot, 1.0)):
        trial.insert(pot)
    return trial


def _importance(pot: Pot) -> tuple[int, float, int]:
    return pot.piece.importance, pot.space, pot.key


def _tallest_first(pot: Pot, noise: float) -> tuple[bool, float, int, float, int]:
    """Runny pots choose their layer before anything else stands there."""
    return not pot.piece.runny, -pot.piece.h * noise, len(pot.zones), -pot.grown_mm2[0], pot.key


def _back_in_order(pots: list[Pot], rng: Random) -> list[Pot]:
    """Tall before low, broad before narrow, or both weighed, a little shuffled; runny pots first as ever."""
    tall = rng.choice((0.0, 0.5, 1.0, 1.0, 2.0))
    weight = {pot.key: pot.piece.h**tall * pot.grown_mm2[0] ** 0.5 * rng.uniform(0.8, 1.25) for pot in pots}
    if tall > 1.0:
        weight = {pot.key: pot.piece.h * rng.uniform(0.9, 1.1) for pot in pots}
    return sorted(pots, key=lambda pot: (not pot.piece.runny, -weight[pot.key], pot.key))


def _some_pots(loading: Loading, rng: Random) -> set[int]:
    """One or two whole layers, or a few boards."""
    layers = loading.layers
    if rng.random() < 0.5:
        chosen = rng.sample(range(len(layers)), min(len(layers), rng.choice((1, 2, 2))))
        return set[int]().union(*(layers[at].on_it for at in chosen)) - loading.standing
    boards = [shelf for layer in layers for shelf in layer.shelves if shelf.keys]
    return {
        key for shelf in rng.sample(boards, min(len(boards), rng.randint(1, 4))) for key in shelf.keys
    } - loading.standing


def _guide(loading: Loading) -> float:
    """Stack in mm, a little less where pots crowd together: a nearly empty layer is nearly gone."""
    crowd = sum(layer.height * (layer.used_mm2 / loading.room[layer.zone]) ** 2 for layer in loading.layers)
    return sum(loading.stack) - 0.1 * crowd
