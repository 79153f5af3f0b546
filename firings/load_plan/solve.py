"""From a load request to a load plan."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from random import Random
from time import monotonic
from typing import Final

from firings.load_plan import rules
from firings.load_plan.bound import grown_mm2, lower_bound_mm
from firings.load_plan.given import begin_with_plan, begin_with_standing, check_standing
from firings.load_plan.greedy import Loading, OpenLayer, Pot, Why, pots_of, search
from firings.load_plan.problem import Filler, LeftOut, LoadPlan, LoadRequest, PieceSpec, Placed, PlannedLayer
from firings.load_plan.shelf import TENTHS, Meter, Shelf, shapes_of

WORK_PER_SECOND: Final = 200_000  # places looked at; a slow machine of today does more
FILLERS: Final = ((260, 40), (150, 70), (95, 110), (80, 60))
MOST_FILLER: Final = 99


def plan(
    request: LoadRequest,
    *,
    seconds: float = 2.0,
    seed: int = 1,
    free_height: bool = False,
    start: LoadPlan | None = None,
    standing: LoadPlan | None = None,
) -> LoadPlan:
    """A load plan that breaks no rule; every pot it does not place is named with the reason.

    Ends by work done (in proportion to ``seconds``) before the clock does, so the same seed and seconds give the same
    plan. With ``free_height`` the zones' heights do not limit the stack. ``proven`` is true where the stack is known
    to be least and nothing is left out that could stand in the kiln.

    ``start``: an earlier plan of these or similar pieces, which the search betters. ``standing``: the layers that
    stand already, from the floor up, with the pots on them. They keep their places and heights; other pots may join
    the topmost standing layer of a zone, not those below. Raises Refused where ``standing`` holds pots, zones or
    boards that the request does not know.
    """
    started = monotonic()
    if standing:
        check_standing(request, standing)
    meter, why = Meter(), Why(request, free_height)
    stand = Counter(one.id for layer in standing.layers for one in layer.placed) if standing else Counter[str]()
    pots = pots_of(request, why, stand)
    most_work = int(seconds * WORK_PER_SECOND)

    def enough() -> bool:
        return meter.work >= most_work or monotonic() - started >= seconds

    least = sum(lower_bound_mm(request, Counter(pot.piece.id for pot in pots)).values())

    def good(loading: Loading) -> bool:
        return not loading.left and sum(loading.stack) <= least

    empty = Loading(request, pots, meter, free_height)
    if standing:
        begin_with_standing(empty, standing)
    given = None
    if start:
        given = empty.copy()
        begin_with_plan(given, start)
    loading = search(empty, Random(seed), enough, good, given)  # noqa: S311 - no secret
    layers = _layers(loading)
    placed = Counter(placed.id for layer in layers for placed in layer.placed)
    bounds = lower_bound_mm(request, placed)
    stack_mm = {zone.id: loading.stack[at] for at, zone in enumerate(request.zones)}
    return LoadPlan(
        request=request.name,
        layers=layers,
        stack_mm=stack_mm,
        lower_bound_mm=bounds,
        proven=not loading.left and stack_mm == bounds,
        seconds=round(monotonic() - started, 2),
        seed=seed,
        left_out=_left_out(request, loading, why, stand),
        space_ml=rules.space_by_owner(request, layers),
        filler=_filler(loading),
    )


def volume(piece: PieceSpec) -> float:
    """Rough size of one pot, for comparing pots with one another."""
    return grown_mm2(piece, 0) * piece.h


def _layers(loading: Loading) -> tuple[PlannedLayer, ...]:
    """Zone by zone from the floor up: what runs below all else, then the tallest layers."""
    planned: list[PlannedLayer] = []
    for zone_at, zone in enumerate(loading.request.zones):
        layers = [layer for layer in loading.layers if layer.zone == zone_at]
        standing = [layer for layer in layers if layer.stands]
        free = [layer for layer in layers if not layer.stands]
        owners = {p.owner for layer in free for p in loading.pieces_on(layer) if p.runny}

        def from_the_floor(layer: OpenLayer, owners: set[str] = owners) -> tuple[int, int, int]:
            return rules.floor_first(loading.pieces_on(layer), owners), -layer.height, min(layer.on_it)

        planned.extend(
            PlannedLayer(zone.id, layer.height, tuple(_board(loading, shelf) for shelf in layer.shelves))
            for layer in (*standing, *sorted(free, key=from_the_floor))
        )
    return tuple(planned)


def _board(loading: Loading, shelf: Shelf) -> tuple[Placed, ...]:
    made = []
    for key, stand in zip(shelf.keys, shelf.stands[shelf.posts :], strict=True):
        pot: Pot = loading.pots[key]
        made.append(Placed(pot.piece.id, stand.x / TENTHS, stand.y / TENTHS, stand.shape != pot.shapes[0]))
    return tuple(sorted(made, key=lambda placed: (placed.y, placed.x)))


def _left_out(request: LoadRequest, loading: Loading, why: Why, stand: Mapping[str, int]) -> tuple[LeftOut, ...]:
    left = Counter(loading.pots[key].piece.id for key in loading.left)
    found = []
    for piece in request.pieces:
        if (reason := why.nowhere(piece)) is not None:
            if piece.count > stand.get(piece.id, 0):
                found.append(LeftOut(piece.id, piece.count - stand.get(piece.id, 0), reason))
        elif left[piece.id]:
            found.append(LeftOut(piece.id, left[piece.id], _no_room(request, loading, why, piece)))
    return tuple(found)


def _no_room(request: LoadRequest, loading: Loading, why: Why, piece: PieceSpec) -> str:
    zones = [at for at in range(len(request.zones)) if why.not_in(at, piece) is None]
    names = ", ".join(request.zones[at].id for at in zones)
    if piece.runny and not any(_may_run(loading, at, piece) for at in zones):
        return (
            f"Its glaze runs, and in zone {names} it would stand above a fragile piece or another owner's; "
            "give it a catching cookie and list it as not runny."
        )
    return f"No room is left in zone {names} beside the pieces that come before it."


def _may_run(loading: Loading, zone_at: int, piece: PieceSpec) -> bool:
    layers = [loading.pieces_on(layer) for layer in loading.layers if layer.zone == zone_at]
    return rules.drips_are_caught([*layers, [piece]])


def _filler(loading: Loading) -> tuple[Filler, ...]:
    """Handy round sizes that still find room, all of them together, above what is planned.

    A probe, not a promise: it stands them one by one without moving anything and without making a layer higher.
    """
    request, found, key = loading.request, [], len(loading.pots)
    trial = loading.copy()
    pots = list(loading.pots)
    trial.pots = pots
    why = Why(request, False)
    for d, h in FILLERS:
        piece = PieceSpec(f"filler {d}", "", 1, "circle", h, d=d)
        zones = tuple(at for at in range(len(request.zones)) if why.not_in(at, piece) is None)
        count = 0
        while zones and count < MOST_FILLER:
            clear = tuple(rules.layer_height(zone, h) or 0 for zone in request.zones)
            pot = Pot(key, piece, shapes_of(piece), zones, clear, tuple(0.0 for _ in request.zones))
            pots.append(pot)
            if not trial.insert(pot, new_layers=not loading.free_height, raising=False):
                break
            count, key = count + 1, key + 1
        if count:
            found.append(Filler(count, d, h))
    return tuple(found)
