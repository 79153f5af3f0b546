"""A load plan changed by hand, one step at a time: pots nudged, turned, carried, swapped, taken out, put in.

What stands in the kiln already is never moved. No step asks whether the new plan is a good one: the checker does.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from math import hypot, inf
from typing import Any, Final, Literal

from coop.errors import Malformed, Refused
from firings.load_plan import rules
from firings.load_plan.bound import lower_bound_mm
from firings.load_plan.problem import (
    LeftOut,
    LoadPlan,
    LoadRequest,
    PieceSpec,
    Placed,
    PlannedLayer,
    ZoneSpec,
)

TAKEN_OUT: Final = "Taken out by hand."
CAME_LATER: Final = "Listed after this plan was made."
_GRID_MM: Final = 5
_MOST_MM: Final = 1_000_000


@dataclass(frozen=True, slots=True, order=True)
class Spot:
    """Where one pot stands: layer from the zone's floor and board (1 is the first), centre in tenths of a mm."""

    zone: str
    layer: int
    board: int
    piece: str
    x_dmm: int
    y_dmm: int


@dataclass(frozen=True, slots=True)
class Nudge:
    """Move a pot on its board by whole mm; it stops at the board's edge."""

    spot: Spot
    dx_mm: int
    dy_mm: int


@dataclass(frozen=True, slots=True)
class Turn:
    """Turn a rectangular pot by 90 degrees where it stands."""

    spot: Spot


@dataclass(frozen=True, slots=True)
class Carry:
    """Carry a pot to a board; without a place it goes where there is room, or where it overlaps least.

    One layer above the zone's highest makes a new layer.
    """

    spot: Spot
    zone: str
    layer: int
    board: int
    x_dmm: int | None = None
    y_dmm: int | None = None


@dataclass(frozen=True, slots=True)
class Swap:
    """Two pots change places."""

    spot: Spot
    other: Spot


@dataclass(frozen=True, slots=True)
class TakeOut:
    """A pot does not go in; it is named as left out."""

    spot: Spot


@dataclass(frozen=True, slots=True)
class PutIn:
    """A pot that was left out goes onto a board, as ``Carry`` would have it."""

    piece: str
    zone: str
    layer: int
    board: int
    x_dmm: int | None = None
    y_dmm: int | None = None


@dataclass(frozen=True, slots=True)
class SetHeight:
    """Give a layer another clear height."""

    zone: str
    layer: int
    height_mm: int


Step = Nudge | Turn | Carry | Swap | TakeOut | PutIn | SetHeight
_STEPS: Final[Mapping[str, type[Any]]] = {
    "nudge": Nudge,
    "turn": Turn,
    "carry": Carry,
    "swap": Swap,
    "take_out": TakeOut,
    "put_in": PutIn,
    "height": SetHeight,
}
STEPS: Final = tuple(_STEPS)


@dataclass(frozen=True, slots=True)
class Change:
    """One pot that stands otherwise than before; ``before`` or ``after`` is None where it was or is out."""

    piece: str
    kind: Literal["in", "out", "layer", "board", "place", "turned"]
    before: Spot | None
    after: Spot | None


def tenths(mm: float) -> int:
    return round(mm * 10)


def spot_text(spot: Spot, zones: Sequence[str]) -> str:
    """``2.1.1.153.1234.567``: the spot with its zone as a number (1 is the first of ``zones``), for an address."""
    numbers = (zones.index(spot.zone) + 1, spot.layer, spot.board)
    return ".".join(map(str, (*numbers, spot.piece, spot.x_dmm, spot.y_dmm)))


def spot_from(text: str, zones: Sequence[str]) -> Spot:
    """The spot of ``spot_text``. Raises Malformed."""
    parts = text.split(".")
    try:
        zone, layer, board, x, y = (int(part) for part in (*parts[:3], *parts[-2:]))
        piece = ".".join(parts[3:-2])
        if not piece or not 1 <= zone <= len(zones):
            raise ValueError
    except ValueError:
        raise Malformed([f"“{text[:40]}” names no pot on a load plan; choose one on the page."]) from None
    return Spot(zones[zone - 1], layer, board, piece, x, y)


def step_document(step: Step) -> dict[str, Any]:
    """The step as JSON: ``{"do": "nudge", "spot": {...}, "dx_mm": 5, "dy_mm": 0}``."""
    do = next(name for name, kind in _STEPS.items() if isinstance(step, kind))
    return {"do": do} | {key: value for key, value in asdict(step).items() if value is not None}


def step_from(document: Mapping[str, Any]) -> Step:
    """The step of ``step_document``. Raises Malformed."""
    kind = _STEPS.get(str(document.get("do", "")))
    if kind is None:
        raise Malformed([f"'do' is none of: {', '.join(STEPS)}."])
    values = {key: value for key, value in document.items() if key != "do"}
    try:
        for key in ("spot", "other"):
            if key in values:
                values[key] = Spot(**_plain(values[key]))
        made: Step = kind(**_plain(values))
    except (TypeError, ValueError):
        said = ", ".join(sorted(map(str, values)))[:200] or "nothing"
        raise Malformed([f"The step “{document['do']}” needs other things than: {said}."]) from None
    return made


def _plain(values: Any) -> dict[str, Any]:
    """Values of the kinds their names promise: whole numbers within reason, words, spots. Raises TypeError."""
    for key, value in dict(values).items():
        if key in ("zone", "piece"):
            good = isinstance(value, str)
        elif key in ("spot", "other"):
            good = isinstance(value, Spot)
        else:
            good = value is None or (type(value) is int and abs(value) <= _MOST_MM)
        if not good:
            raise TypeError(key)
    return dict(values)


def spots_of(plan: LoadPlan) -> Iterator[tuple[Spot, Placed]]:
    """Every pot of the plan with its spot, layer by layer."""
    for layer, number in _numbered(plan.layers):
        for board, stands in enumerate(layer.boards, 1):
            for one in stands:
                yield Spot(layer.zone, number, board, one.id, tenths(one.x), tenths(one.y)), one


def take(
    request: LoadRequest, plan: LoadPlan, step: Step, standing: Iterable[Spot] = ()
) -> tuple[LoadPlan, Spot | None]:
    """The plan after one step, and where the pot stands then (None where it is out, or no pot was moved).

    Layers that lose or gain a pot get the height their tallest pot needs; emptied ones go. Neither happens below
    what is ``standing``. Raises Refused where the pot is not there, stands already, or the board does not exist.
    """
    draft = _Draft(request, plan, frozenset(standing))
    moved = draft.take(step)
    return draft.finished(moved)


def onto(request: LoadRequest, plan: LoadPlan, standing: Iterable[Spot] = ()) -> LoadPlan:
    """The plan carried over to pieces that changed since: what is gone leaves, what is new is left out for now."""
    draft = _Draft(request, plan, frozenset(standing))
    draft.fit_to_request()
    return draft.finished(None)[0]


def standing_part(plan: LoadPlan, standing: Iterable[Spot]) -> LoadPlan:
    """The plan with only the pots that stand, and every layer up to the highest of them in each zone."""
    kept = frozenset(standing)
    highest: dict[str, int] = {}
    for spot in kept:
        highest[spot.zone] = max(highest.get(spot.zone, 0), spot.layer)
    layers = tuple(
        replace(
            layer,
            boards=tuple(
                tuple(
                    one
                    for one in stands
                    if Spot(layer.zone, number, board, one.id, tenths(one.x), tenths(one.y)) in kept
                )
                for board, stands in enumerate(layer.boards, 1)
            ),
        )
        for layer, number in _numbered(plan.layers)
        if number <= highest.get(layer.zone, 0)
    )
    return LoadPlan(request=plan.request, layers=layers)


def disturbed(before: LoadPlan, after: LoadPlan, standing: Iterable[Spot], pieces: Iterable[PieceSpec]) -> list[str]:
    """What the new plan would move of what stands in the kiln already, in a loader's words; empty is well."""
    kept, called = sorted(set(standing)), {piece.id: piece.called for piece in pieces}
    turned = {spot: one.turned for spot, one in spots_of(before)}
    now = {(spot, one.turned) for spot, one in spots_of(after)}
    found = [
        f"{called.get(spot.piece, spot.piece)} stands in zone {spot.zone}, layer {spot.layer}, board {spot.board} "
        "already, but this plan has it elsewhere; take its tick back, or plan around it."
        for spot in kept
        if (spot, turned.get(spot, False)) not in now
    ]
    was, will = _heights(before), _heights(after)
    highest: dict[str, int] = {}
    for spot in kept:
        highest[spot.zone] = max(highest.get(spot.zone, 0), spot.layer)
    for (zone, number), height in sorted(was.items()):
        if number < highest.get(zone, 0) and will.get((zone, number)) != height:
            found.append(
                f"Zone {zone}, layer {number} is built over already at {height} mm, but this plan has "
                f"{will.get((zone, number), 0)} mm; keep its height."
            )
    return found


def changes(before: LoadPlan, after: LoadPlan) -> tuple[Change, ...]:
    """Every pot that stands otherwise, as few as the two plans allow; alike pots of a row are the same to anyone."""
    was, will = _by_piece(before), _by_piece(after)
    found: list[Change] = []
    for piece in dict.fromkeys((*was, *will)):
        found.extend(_pair(piece, was.get(piece, []), will.get(piece, [])))
    return tuple(found)


def heights_changed(before: LoadPlan, after: LoadPlan) -> tuple[tuple[str, int, int, int], ...]:
    """Zone, number, clear height before and after (0: no such layer) of each layer that is not as high as before."""
    was, will = _heights(before), _heights(after)
    return tuple(
        (zone, number, was.get((zone, number), 0), will.get((zone, number), 0))
        for zone, number in dict.fromkeys((*was, *will))
        if was.get((zone, number)) != will.get((zone, number))
    )


Place = tuple[str, int, int]


def by_board(request: LoadRequest, faults: Iterable[str]) -> dict[Place | None, list[str]]:
    """The checker's sentences by zone, layer and board (0: the whole layer), without these words; the rest by None.

    Knows only that the checker begins a sentence with where it looked.
    """
    zones = sorted((zone.id for zone in request.zones), key=len, reverse=True)
    found: dict[Place | None, list[str]] = {}
    for fault in faults:
        place, said = _where(fault, zones)
        found.setdefault(place, []).append(said)
    return found


def _where(fault: str, zones: Iterable[str]) -> tuple[Place | None, str]:
    for zone in zones:
        head = f"Zone {zone}, layer "
        if not fault.startswith(head):
            continue
        where, colon, said = fault[len(head) :].partition(": ")
        number, _, board = where.partition(", board ")
        if colon and number.isdigit() and (board.isdigit() or not board):
            return (zone, int(number), int(board or 0)), said
    return None, fault


# --- One plan under somebody's hands -------------------------------------------------------


@dataclass(slots=True)
class _Layer:
    zone: ZoneSpec
    height: int
    boards: list[list[Placed]]

    @property
    def placed(self) -> list[Placed]:
        return [one for board in self.boards for one in board]


class _Draft:
    def __init__(self, request: LoadRequest, plan: LoadPlan, standing: frozenset[Spot]) -> None:
        self.request, self.plan, self.standing = request, plan, standing
        self.pieces = {piece.id: piece for piece in request.pieces}
        self.layers: dict[str, list[_Layer]] = {zone.id: [] for zone in request.zones}
        for layer in plan.layers:
            if (zone := request.zone(layer.zone)) is not None:
                boards = [list(board) for board in layer.boards]
                boards += [[] for _ in range(zone.boards_per_layer - len(boards))]
                self.layers[zone.id].append(_Layer(zone, layer.height_mm, boards))
        self.out: Counter[str] = Counter()
        self.why: dict[str, str] = {}
        for left in plan.left_out:
            self.out[left.id] += left.count
            self.why[left.id] = left.reason
        self.touched: list[_Layer] = []
        self.built_over = {
            zone: max((spot.layer for spot in standing if spot.zone == zone), default=0) for zone in self.layers
        }

    def take(self, step: Step) -> Placed | None:
        does: dict[type[Any], Callable[[Any], Placed | None]] = {
            Nudge: self._nudge,
            Turn: self._turn,
            Carry: self._carry,
            Swap: self._swap,
            TakeOut: self._take_out,
            PutIn: self._put_in,
            SetHeight: self._set_height,
        }
        return does[type(step)](step)

    def _nudge(self, step: Nudge) -> Placed:
        board, at, layer = self._find(step.spot)
        one = board[at]
        board[at] = self._on_board(layer.zone, replace(one, x=one.x + step.dx_mm, y=one.y + step.dy_mm))
        return board[at]

    def _turn(self, step: Turn) -> Placed:
        board, at, layer = self._find(step.spot)
        piece = self._piece(board[at].id)
        if piece.is_round:
            raise Refused(f"{piece.called} is round; turning it changes nothing.")
        board[at] = self._on_board(layer.zone, replace(board[at], turned=not board[at].turned))
        return board[at]

    def _carry(self, step: Carry) -> Placed:
        board, at, layer = self._find(step.spot)
        one = board.pop(at)
        placed = self._put(one, step.zone, step.layer, step.board, step.x_dmm, step.y_dmm)
        self.touched.append(layer)
        return placed

    def _swap(self, step: Swap) -> Placed:
        board, at, layer = self._find(step.spot)
        other_board, other_at, other_layer = self._find(step.other)
        if board is other_board and at == other_at:
            raise Refused("A pot cannot change places with itself; choose another one.")
        one, other = board[at], other_board[other_at]
        moved = self._on_board(other_layer.zone, replace(one, x=other.x, y=other.y))
        board[at] = self._on_board(layer.zone, replace(other, x=one.x, y=one.y))
        other_board[other_at] = moved
        self.touched += [layer, other_layer]
        return moved

    def _take_out(self, step: TakeOut) -> None:
        board, at, layer = self._find(step.spot)
        one = board.pop(at)
        self.out[one.id] += 1
        self.why[one.id] = TAKEN_OUT
        self.touched.append(layer)

    def _put_in(self, step: PutIn) -> Placed:
        piece = self._piece(step.piece)
        if not self.out[piece.id]:
            raise Refused(f"All of {piece.called} stand on the plan already.")
        self.out[piece.id] -= 1
        return self._put(Placed(piece.id, 0, 0), step.zone, step.layer, step.board, step.x_dmm, step.y_dmm)

    def _set_height(self, step: SetHeight) -> None:
        layer = self._layer(step.zone, step.layer)
        if step.layer < self.built_over[step.zone]:
            raise Refused(f"Layer {step.layer} is built over already; its height stays.")
        if not 1 <= step.height_mm <= layer.zone.height_mm:
            raise Refused(f"Give a height from 1 to {layer.zone.height_mm} mm.")
        layer.height = step.height_mm

    def _put(self, one: Placed, zone_id: str, number: int, board: int, x: int | None, y: int | None) -> Placed:
        layer = self._layer(zone_id, number, may_be_new=True)
        if not 1 <= board <= len(layer.boards):
            raise Refused(f"A layer of zone {zone_id} has {len(layer.boards)} boards; choose one of them.")
        onto_board = layer.boards[board - 1]
        if x is not None and y is not None:
            placed = self._on_board(layer.zone, replace(one, x=x / 10, y=y / 10))
        else:
            placed = self._room(layer.zone, onto_board, one)
        onto_board.append(placed)
        self.touched.append(layer)
        return placed

    def _room(self, zone: ZoneSpec, stands: Sequence[Placed], one: Placed) -> Placed:
        """The first place with room, from the lower left corner, as it lies or turned; else where it overlaps least."""
        piece = self._piece(one.id)
        taken = [(other.x, other.y, *self._half(other), self._piece(other.id).is_round) for other in stands]
        taken += [
            ((x0 + x1) / 2, (y0 + y1) / 2, (x1 - x0) / 2, (y1 - y0) / 2, False) for x0, y0, x1, y1 in zone.keepouts
        ]
        best, most = one, -inf
        for turned in (one.turned,) if piece.is_round else (one.turned, not one.turned):
            trial = replace(one, turned=turned)
            for x, y in _grid(zone, *self._half(trial)):
                free = min((_apart(x, y, *self._half(trial), piece.is_round, other) for other in taken), default=inf)
                if free > most:
                    best, most = replace(trial, x=x, y=y), free
                if most >= zone.gap_mm:
                    return best
        return best

    def _on_board(self, zone: ZoneSpec, one: Placed) -> Placed:
        half_x, half_y = self._half(one)
        x = min(max(one.x, half_x), max(zone.board_w_mm - half_x, half_x))
        y = min(max(one.y, half_y), max(zone.board_l_mm - half_y, half_y))
        return replace(one, x=round(x, 1), y=round(y, 1))

    def _half(self, one: Placed) -> tuple[float, float]:
        along_x, along_y = self._piece(one.id).footprint(one.turned)
        return along_x / 2, along_y / 2

    def _piece(self, piece_id: str) -> PieceSpec:
        if (piece := self.pieces.get(piece_id)) is None:
            raise Refused("This piece was withdrawn; load the page again.")
        return piece

    def _layer(self, zone_id: str, number: int, *, may_be_new: bool = False) -> _Layer:
        zone, layers = self.request.zone(zone_id), self.layers.get(zone_id, [])
        if zone is not None and 1 <= number <= len(layers):
            return layers[number - 1]
        if zone is None or not may_be_new or number != len(layers) + 1:
            raise Refused(f"There is no layer {number} in zone {zone_id}; load the page again.")
        layers.append(_Layer(zone, 1, [[] for _ in range(zone.boards_per_layer)]))
        return layers[-1]

    def _find(self, spot: Spot) -> tuple[list[Placed], int, _Layer]:
        if spot in self.standing:
            raise Refused("This pot stands in the kiln already; take its tick back before moving it.")
        layers = self.layers.get(spot.zone, [])
        if 1 <= spot.layer <= len(layers) and 1 <= spot.board <= len(layers[spot.layer - 1].boards):
            layer = layers[spot.layer - 1]
            board = layer.boards[spot.board - 1]
            for at, one in enumerate(board):
                if (one.id, tenths(one.x), tenths(one.y)) == (spot.piece, spot.x_dmm, spot.y_dmm):
                    return board, at, layer
        raise Refused("This pot does not stand there any more; load the page again.")

    def fit_to_request(self) -> None:
        """Pots of withdrawn or miscounted rows leave (never those that stand); rows that came later are left out."""
        placed: Counter[str] = Counter()
        for layers in self.layers.values():
            for layer in layers:
                placed.update(one.id for one in layer.placed)
        too_many = Counter(
            {
                piece_id: count - (self.pieces[piece_id].count if piece_id in self.pieces else 0)
                for piece_id, count in placed.items()
            }
        )
        for zone_id, layers in self.layers.items():
            for number in range(len(layers), 0, -1):
                self._thin(zone_id, number, layers[number - 1], too_many, placed)
        for piece in self.request.pieces:
            left = max(piece.count - placed[piece.id], 0)
            if left and not self.out[piece.id]:
                self.why[piece.id] = CAME_LATER
            self.out[piece.id] = left

    def _thin(self, zone_id: str, number: int, layer: _Layer, too_many: Counter[str], placed: Counter[str]) -> None:
        for board_number, board in enumerate(layer.boards, 1):
            for one in reversed(list(board)):
                spot = Spot(zone_id, number, board_number, one.id, tenths(one.x), tenths(one.y))
                if too_many[one.id] > 0 and spot not in self.standing:
                    board.remove(one)
                    too_many[one.id] -= 1
                    placed[one.id] -= 1
                    self.touched.append(layer)

    def finished(self, moved: Placed | None) -> tuple[LoadPlan, Spot | None]:
        for zone_id, layers in self.layers.items():
            for number in range(len(layers), 0, -1):
                layer = layers[number - 1]
                if number < self.built_over[zone_id] or not any(layer is one for one in self.touched):
                    continue
                if not layer.placed:
                    del layers[number - 1]
                else:
                    layer.height = self._height(layer)
        return self._plan(), self._spot(moved)

    def _height(self, layer: _Layer) -> int:
        tallest = max((self.pieces[one.id].h for one in layer.placed if one.id in self.pieces), default=0)
        return rules.layer_height(layer.zone, tallest) or layer.zone.clear_height_mm(tallest)

    def _spot(self, moved: Placed | None) -> Spot | None:
        for zone_id, layers in self.layers.items():
            for number, layer in enumerate(layers, 1):
                for board, stands in enumerate(layer.boards, 1):
                    for one in stands:
                        if one is moved:
                            return Spot(zone_id, number, board, one.id, tenths(one.x), tenths(one.y))
        return None

    def _plan(self) -> LoadPlan:
        layers = tuple(
            PlannedLayer(zone.id, layer.height, tuple(tuple(board) for board in layer.boards))
            for zone in self.request.zones
            for layer in self.layers[zone.id]
        )
        made = replace(
            self.plan,
            request=self.request.name,
            layers=layers,
            space_ml=rules.space_by_owner(self.request, layers),
            left_out=tuple(
                LeftOut(piece.id, self.out[piece.id], self.why.get(piece.id, TAKEN_OUT))
                for piece in self.request.pieces
                if self.out[piece.id] > 0
            ),
            filler=(),
            seconds=0.0,
        )
        stack_mm = dict(rules.stacks(self.request, made))
        bounds = self._bounds(made)
        return replace(
            made,
            stack_mm=stack_mm,
            lower_bound_mm={zone: min(mm, stack_mm.get(zone, 0)) for zone, mm in bounds.items()},
            proven=not made.left_out and stack_mm == bounds,
        )

    def _bounds(self, made: LoadPlan) -> Mapping[str, int]:
        """A bound holds for the same pots however they stand; other pots need another one."""
        now, before = _stands(made), _stands(self.plan)
        if now == before and self.plan.lower_bound_mm:
            return self.plan.lower_bound_mm
        known = Counter({piece: count for piece, count in now.items() if piece in self.pieces})
        return lower_bound_mm(self.request, known)


# --- Geometry and pairing -------------------------------------------------------------------


def _grid(zone: ZoneSpec, half_x: float, half_y: float) -> Iterator[tuple[float, float]]:
    wide, deep = zone.board_w_mm - 2 * half_x, zone.board_l_mm - 2 * half_y
    for row in range(int(max(deep, 0) // _GRID_MM) + 1):
        for column in range(int(max(wide, 0) // _GRID_MM) + 1):
            yield half_x + column * _GRID_MM, half_y + row * _GRID_MM


def _apart(
    x: float, y: float, half_x: float, half_y: float, is_round: bool, other: tuple[float, float, float, float, bool]
) -> float:
    """Free mm between two footprints; below nothing where they overlap."""
    away_x, away_y = abs(x - other[0]), abs(y - other[1])
    if is_round and other[4]:
        return hypot(away_x, away_y) - half_x - other[2]
    if is_round == other[4]:
        return max(away_x - half_x - other[2], away_y - half_y - other[3])
    radius = half_x if is_round else other[2]
    wide, deep = (other[2], other[3]) if is_round else (half_x, half_y)
    dx, dy = away_x - wide, away_y - deep
    return (hypot(max(dx, 0), max(dy, 0)) if max(dx, dy) > 0 else max(dx, dy)) - radius


def _numbered(layers: Iterable[PlannedLayer]) -> Iterator[tuple[PlannedLayer, int]]:
    numbers: Counter[str] = Counter()
    for layer in layers:
        numbers[layer.zone] += 1
        yield layer, numbers[layer.zone]


def _heights(plan: LoadPlan) -> dict[tuple[str, int], int]:
    return {(layer.zone, number): layer.height_mm for layer, number in _numbered(plan.layers)}


def _stands(plan: LoadPlan) -> Counter[str]:
    return Counter(one.id for layer in plan.layers for one in layer.placed)


_Where = tuple[Spot, bool]


def _by_piece(plan: LoadPlan) -> dict[str, list[_Where]]:
    found: dict[str, list[_Where]] = {}
    for spot, one in spots_of(plan):
        found.setdefault(one.id, []).append((spot, one.turned))
    return found


def _pair(piece: str, was: Sequence[_Where], will: Sequence[_Where]) -> Iterator[Change]:
    """Pots of one row, before and after: first those that stayed, then the nearest; what remains went in or out."""
    before, after = list(was), list(will)
    alike: tuple[tuple[Literal["", "turned", "place", "board", "layer"], Callable[[_Where], Any]], ...] = (
        ("", lambda one: one),
        ("turned", lambda one: one[0]),
        ("place", lambda one: (one[0].zone, one[0].layer, one[0].board)),
        ("board", lambda one: (one[0].zone, one[0].layer)),
        ("layer", lambda one: None),
    )
    for kind, key in alike:
        for one in list(before):
            other = next((other for other in after if key(other) == key(one)), None)
            if other is not None:
                before.remove(one)
                after.remove(other)
                if kind:
                    yield Change(piece, kind, one[0], other[0])
    for one in before:
        yield Change(piece, "out", one[0], None)
    for one in after:
        yield Change(piece, "in", None, one[0])
