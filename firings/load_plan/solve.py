"""From a load request to a load plan."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from threading import Event, Lock, Thread
from time import monotonic
from typing import TYPE_CHECKING, Final

from firings.load_plan import rules
from firings.load_plan.bound import grown_mm2, lower_bound_mm
from firings.load_plan.problem import Filler, LeftOut, LoadPlan, LoadRequest, PieceSpec, Placed, PlannedLayer
from firings.load_plan.reasons import Why

if TYPE_CHECKING:
    from firings.load_plan import kernel
    from firings.load_plan.search import Search

WORK_PER_SECOND = 12_000_000  # places looked at; a slow machine of today does about as much
FILLERS: Final = ((260, 40), (150, 70), (95, 110), (80, 60))
MOST_FILLER: Final = 99
clock = monotonic


_ready = Event()
_making_ready = Lock()


def warm() -> None:
    """Make the planner ready, so that no one who waits for a plan pays for it. Later calls do nothing.

    The first time on a machine this compiles for some 20 s of processor time, later it takes under a second.
    """
    if _ready.is_set():
        return
    with _making_ready:
        from firings.load_plan import search

        search.warm()
        _ready.set()


def is_warm() -> bool:
    """Whether a plan can begin at once in this process; if not, it is made ready beside whatever goes on."""
    if not _ready.is_set() and not _making_ready.locked():
        Thread(target=warm, name="warm the planner", daemon=True).start()
    return _ready.is_set()


def plan(
    request: LoadRequest,
    *,
    seconds: float = 2.0,
    seed: int = 1,
    free_height: bool = False,
    start: LoadPlan | None = None,
    standing: LoadPlan | None = None,
    turning: bool = True,
    stop_when_all_in: bool = False,
) -> LoadPlan:
    """A load plan that breaks no rule; every pot it does not place is named with the reason.

    Ends by work done (in proportion to ``seconds``) before the clock does, so the same seed and seconds give the same
    plan. With ``free_height`` the zones' heights do not limit the stack. ``proven`` is true where the stack is known
    to be least and nothing is left out that could stand in the kiln.

    ``start``: an earlier plan of these or similar pieces, which the search betters. ``standing``: the layers that
    stand already, from the floor up, with the pots on them. They keep their places and heights; other pots may join
    the topmost standing layer of a zone, not those below. Raises Refused where ``standing`` holds pots, zones or
    boards that the request does not know. ``turning`` False: rectangles stay as they are given.
    ``stop_when_all_in``: the stack does not matter, only that nothing is left out.
    """
    warm()
    from firings.load_plan.given import check_standing

    started = clock()
    if standing:
        check_standing(request, standing)
    if not request.zones:
        return _empty(request, seed)
    job = _job(request, free_height, start, standing, turning)
    search = job.search

    def enough() -> bool:
        return clock() - started >= seconds

    least = sum(lower_bound_mm(request, job.counts()).values())

    def good(load: kernel.Load) -> bool:
        return not load.left.any() and (stop_when_all_in or int(load.stack.sum()) <= least)

    search.begin(seed)
    search.improve(seed, int(seconds * WORK_PER_SECOND), enough, good)
    layers = _layers(job)
    bounds = lower_bound_mm(request, Counter(placed.id for layer in layers for placed in layer.placed))
    stack_mm = {zone.id: int(search.best.stack[z]) for z, zone in enumerate(request.zones)}
    return LoadPlan(
        request=request.name,
        layers=layers,
        stack_mm=stack_mm,
        lower_bound_mm=bounds,
        proven=not search.best.left.any() and stack_mm == bounds,
        seconds=round(clock() - started, 2),
        seed=seed,
        left_out=_left_out(job, layers),
        space_ml=rules.space_by_owner(request, layers),
        filler=_filler(job, seed),
    )


def _empty(request: LoadRequest, seed: int) -> LoadPlan:
    left = tuple(LeftOut(piece.id, piece.count, "The kiln has no zone; add one.") for piece in request.pieces)
    return LoadPlan(request=request.name, layers=(), proven=not left, seed=seed, left_out=left)


@dataclass(slots=True)
class _Job:
    request: LoadRequest
    why: Why
    search: Search
    standing: tuple[PlannedLayer, ...]
    stand: Mapping[str, int]
    fillers: tuple[PieceSpec, ...]

    def counts(self) -> Counter[str]:
        """Pots that can stand in the kiln, by piece."""
        counts = Counter(self.stand)
        for kind in self.search.kinds:
            counts.update(kind.ids)
        return counts


def _job(
    request: LoadRequest, free_height: bool, start: LoadPlan | None, standing: LoadPlan | None, turning: bool = True
) -> _Job:
    from firings.load_plan import search as searching
    from firings.load_plan.given import Given, count_standing

    stand = count_standing(standing)
    fillers = tuple(PieceSpec(f"filler {d}", "", 0, "circle", h, d=d) for d, h in FILLERS)
    boards = searching.EmptyBoards(request, (*request.pieces, *fillers))
    why = Why(request, free_height, boards.fits)
    kinds = searching.kinds_of(request.pieces, why.zones, stand)
    last = max((kind.level for kind in kinds), default=0)
    kinds.extend(searching.Kind(piece, why.zones(piece), last) for piece in fillers)
    layers = standing.layers if standing else ()
    search = searching.Search(
        request, kinds, free_height, turning, standing_layers=len(layers),
        standing_pots=max((len(board) for layer in layers for board in layer.boards), default=0),
    )  # fmt: skip
    given = Given(search, searching.numbers(kinds, request.pieces))
    if standing:
        given.stand(standing)
    if start:
        given.plan(start, stand)
    return _Job(request, why, search, layers, stand, fillers)


def volume(piece: PieceSpec) -> float:
    """Rough size of one pot, for comparing pots with one another."""
    return grown_mm2(piece, 0) * piece.h


def _layers(job: _Job) -> tuple[PlannedLayer, ...]:
    """Zone by zone from the floor up: what stands, what runs below all else, then the tallest layers.

    Alike pots of several pieces are dealt out in order, owner by owner, so that an owner's pots stand together.
    """
    from firings.load_plan import kernel

    load, kinds = job.search.best, job.search.kinds
    order: list[tuple[int, int]] = []
    stands_at = dict(enumerate(job.standing))
    for z in range(len(job.request.zones)):
        slots = [slot for slot in range(job.search.slots) if load.layers[slot, kernel.ZONE] == z]
        free = {slot: _pieces(job, slot) for slot in slots if slot not in stands_at}
        owners = {piece.owner for pieces in free.values() for piece in pieces if piece.runny}

        def from_the_floor(
            slot: int, free: Mapping[int, list[PieceSpec]] = free, owners: set[str] = owners
        ) -> tuple[int, int, int]:
            return rules.floor_first(free[slot], owners), -int(load.layers[slot, kernel.HEIGHT]), slot

        order.extend((z, slot) for slot in slots if slot in stands_at)
        order.extend((z, slot) for slot in sorted(free, key=from_the_floor))
    owner_of = {piece.id: piece.owner for piece in job.request.pieces}
    waiting = [sorted(kind.ids, key=lambda one: (owner_of[one], one), reverse=True) for kind in kinds]
    return tuple(
        PlannedLayer(
            job.request.zones[z].id,
            int(load.layers[slot, kernel.HEIGHT]),
            tuple(
                _board(job, slot, board, stands_at.get(slot), waiting)
                for board in range(job.request.zones[z].boards_per_layer)
            ),
        )
        for z, slot in order
    )


def _pieces(job: _Job, slot: int) -> list[PieceSpec]:
    from firings.load_plan import kernel

    load, kinds = job.search.best, job.search.kinds
    return [
        kinds[t].piece
        for board, count in enumerate(load.boards[slot, :, kernel.COUNT].tolist())
        for t in load.pots[slot, board, :count, kernel.KIND].tolist()
    ]


def _board(
    job: _Job, slot: int, board: int, stands: PlannedLayer | None, waiting: list[list[str]]
) -> tuple[Placed, ...]:
    from firings.load_plan import kernel
    from firings.load_plan.search import TENTHS

    load = job.search.best
    there = stands.boards[board] if stands and board < len(stands.boards) else ()
    count = int(load.boards[slot, board, kernel.COUNT])
    added = sorted(load.pots[slot, board, len(there) : count].tolist(), key=lambda pot: (pot[kernel.Y], pot[kernel.X]))
    return (
        *there,
        *(Placed(waiting[t].pop(), x / TENTHS, y / TENTHS, bool(turned)) for t, x, y, turned, _ in added),
    )


def _left_out(job: _Job, layers: tuple[PlannedLayer, ...]) -> tuple[LeftOut, ...]:
    placed = Counter(one.id for layer in layers for one in layer.placed)
    found = []
    for piece in job.request.pieces:
        left = piece.count - placed[piece.id]
        if left > 0:
            found.append(LeftOut(piece.id, left, job.why.nowhere(piece) or _no_room(job, piece, layers)))
    return tuple(found)


def _no_room(job: _Job, piece: PieceSpec, layers: tuple[PlannedLayer, ...]) -> str:
    zones = job.why.zones(piece)
    names = ", ".join(job.request.zones[at].id for at in zones)
    if piece.runny and not any(_may_run(job, at, piece, layers) for at in zones):
        return (
            f"Its glaze runs, and in zone {names} it would stand above a fragile piece or another owner's; "
            "give it a catching cookie and list it as not runny."
        )
    return f"No room is left in zone {names} beside the pieces that come before it."


def _may_run(job: _Job, zone_at: int, piece: PieceSpec, layers: tuple[PlannedLayer, ...]) -> bool:
    """Whether a layer of its own for the piece would break no rule for what runs."""
    pieces = {piece.id: piece for piece in job.request.pieces}
    here = [layer for layer in layers if layer.zone == job.request.zones[zone_at].id]
    standing = sum(layer.zone == job.request.zones[zone_at].id for layer in job.standing)
    on = [[pieces[one.id] for one in layer.placed] for layer in here]
    below = [under for layer in on[:standing] for under in layer]
    if any(under.fragile or under.owner != piece.owner for under in below):
        return False
    return rules.drips_are_caught([*on[standing:], [piece]])


def _filler(job: _Job, seed: int) -> tuple[Filler, ...]:
    """Handy round sizes that still find room, all of them together, above what is planned.

    A probe, not a promise: it stands them one by one without moving anything, first without raising a layer.
    """
    from firings.load_plan.search import ENDLESS

    search, found = job.search, []
    trial = search.copy(search.best)
    trial.left[:] = 0
    first = len(search.kinds) - len(job.fillers)
    for t, piece in enumerate(job.fillers, first):
        trial.left[t] = MOST_FILLER
        search.fill(trial, seed, target=int(trial.stack.sum()))
        if not search.free_height:
            search.fill(trial, seed, target=ENDLESS)
        count = MOST_FILLER - int(trial.left[t])
        trial.left[t] = 0
        if count:
            found.append(Filler(count, piece.d, piece.h))
    return tuple(found)
