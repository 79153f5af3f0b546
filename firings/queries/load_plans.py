"""A firing's load plan as pages and papers show it, and what of the kiln each member used."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace

from coop.models import Membership
from firings.load_plan import check, drawing, rules
from firings.load_plan.problem import (
    LoadPlan as Plan,
)
from firings.load_plan.problem import (
    LoadRequest,
    PieceSpec,
    Placed,
    PlannedLayer,
    Posts,
    ZoneSpec,
    plan_from,
    request_from,
)
from firings.models import Firing, FiringZone, LoadPlan, Piece, Placement
from firings.queries.space import cone_needed, pot_spec, zone_spec


@dataclass(frozen=True, slots=True)
class Usage:
    """What one member used of a firing: space and board area (with gap) as loaded, else as held.

    ``soda_ml`` is the part of ``ml`` in soda zones; ``booked_ml`` what they hold by booking; ``pots`` counts pots.
    """

    member_pk: int
    ml: int
    soda_ml: int
    booked_ml: int
    area_mm2: int
    pots: int


@dataclass(frozen=True, slots=True)
class Stand:
    """One pot on a board as a loader reads it; ``placement`` only on an accepted plan."""

    piece: PieceSpec
    owner: str
    placed: Placed
    placement: Placement | None
    is_mine: bool

    @property
    def is_loaded(self) -> bool:
        return self.placement is not None and self.placement.loaded_at is not None

    @property
    def x_mm(self) -> int:
        return round(self.placed.x)

    @property
    def y_mm(self) -> int:
        return round(self.placed.y)


@dataclass(frozen=True, slots=True)
class BoardView:
    number: int
    svg: str
    stands: tuple[Stand, ...]


@dataclass(frozen=True, slots=True)
class LayerView:
    """One layer, 1 is the lowest; ``layer_id`` (public id) only on an accepted plan.
    ``is_next``: the lowest layer of an accepted plan that is not all in."""

    number: int
    height_mm: int
    boards: tuple[BoardView, ...]
    layer_id: str
    is_next: bool = False

    @property
    def pots(self) -> int:
        return sum(len(board.stands) for board in self.boards)

    @property
    def loaded(self) -> int:
        return sum(stand.is_loaded for board in self.boards for stand in board.stands)

    @property
    def is_loaded(self) -> bool:
        return self.loaded == self.pots


@dataclass(frozen=True, slots=True)
class ZoneView:
    """``least_mm``: no plan for these pieces needs less; ``gap_mm`` how far this one is from it."""

    name: str
    height_mm: int
    stack_mm: int
    least_mm: int
    svg: str
    layers: tuple[LayerView, ...]

    @property
    def gap_mm(self) -> int:
        return max(self.stack_mm - self.least_mm, 0)


@dataclass(frozen=True, slots=True)
class LeftOutView:
    piece: str
    owner: str
    count: int
    reason: str


@dataclass(frozen=True, slots=True)
class OwnerView:
    """One member's part of the plan."""

    name: str
    ml: int
    pots: int
    is_mine: bool


@dataclass(frozen=True, slots=True)
class PlanView:
    """A plan with everything a page or a paper shows of it."""

    row: LoadPlan
    zones: tuple[ZoneView, ...]
    owners: tuple[OwnerView, ...]
    left_out: tuple[LeftOutView, ...]
    faults: tuple[str, ...]
    proven: bool
    filler: tuple[str, ...]
    unplanned: tuple[str, ...]

    @property
    def pots(self) -> int:
        return sum(layer.pots for zone in self.zones for layer in zone.layers)

    @property
    def loaded(self) -> int:
        return sum(layer.loaded for zone in self.zones for layer in zone.layers)


def request_for(firing: Firing) -> LoadRequest:
    """What is to be planned: pieces that hold space (as brought, once counted) and the kiln's furniture.

    A zone is known by its name, pieces and owners by primary key. The kiln has one post set for all zones; each
    zone gets its part of it by boards and height, so that no two zones count on the same post.
    """
    zones = list(
        FiringZone.objects.filter(coop=firing.coop_id, firing=firing)
        .select_related("zone")
        .prefetch_related("zone__post_spots")
    )
    pieces = list(
        Piece.objects.filter(coop=firing.coop_id, booking__firing=firing)
        .held()
        .select_related("booking", "wished_zone__zone")
        .order_by("importance", "pk")
    )
    posts = list(firing.kiln.posts.all())
    weights = [z.zone.boards_per_layer * z.zone.usable_height_mm for z in zones]
    return LoadRequest(
        name=firing.name,
        zones=tuple(
            replace(
                zone_spec(zone.zone),
                cone=cone_needed(firing, zone.zone, zones),
                soda=zone.zone.is_soda and firing.with_soda,
                keepouts=tuple((s.x0_mm, s.y0_mm, s.x1_mm, s.y1_mm) for s in zone.zone.post_spots.all()),
                posts=tuple(Posts(p.height_mm, p.count * weight // sum(weights)) for p in posts),
            )
            for zone, weight in zip(zones, weights, strict=True)
        ),
        pieces=tuple(
            replace(
                pot_spec(piece),
                count=piece.count if piece.brought is None else piece.brought,
                zone=piece.wished_zone.zone.name if piece.wished_zone else None,
            )
            for piece in pieces
            if piece.brought != 0
        ),
    )


def names_of(request: LoadRequest) -> dict[str, str]:
    """Names of the owners in a request."""
    owners = {int(piece.owner) for piece in request.pieces}
    rows = Membership.objects.filter(pk__in=owners).values_list("pk", "person__name")
    return {str(pk): name for pk, name in rows}


def plans_of(firing: Firing) -> list[LoadPlan]:
    """The latest plans of a firing, newest first, without their drawings."""
    rows = LoadPlan.objects.filter(coop=firing.coop_id, firing=firing).defer("request", "plan")
    return list(rows.select_related("made_by__person", "accepted_by__person")[:10])


def plan_of(firing: Firing, version: int | None = None) -> LoadPlan | None:
    """The version asked for; else the accepted plan; else the newest proposal."""
    rows = LoadPlan.objects.filter(coop=firing.coop_id, firing=firing).select_related("made_by__person")
    if version is not None:
        return rows.filter(version=version).first()
    return rows.filter(state=LoadPlan.State.ACCEPTED).first() or rows.first()


def view_of(row: LoadPlan, *, member: Membership | None = None, only_mine: bool = False) -> PlanView:
    """The plan drawn and listed; with ``only_mine`` just the boards on which this member's pots stand."""
    request, plan = request_from(row.request), plan_from(row.plan)
    names, me = names_of(request), str(member.pk) if member is not None else ""
    placements = _placements(row)
    pieces = {piece.id: piece for piece in request.pieces}
    zones = tuple(
        _zone_view(request, plan, zone, pieces, names, me, placements, only_mine=only_mine) for zone in request.zones
    )
    return PlanView(
        row=row,
        zones=zones,
        owners=_owners(request, plan, names, me),
        left_out=tuple(
            LeftOutView(pieces[out.id].label, names.get(pieces[out.id].owner, ""), out.count, out.reason)
            for out in plan.left_out
            if out.id in pieces
        ),
        faults=tuple(check.faults(request, plan)),
        proven=plan.proven,
        filler=tuple(f"{one.count} x Ø {one.d} x {one.h} mm" for one in plan.filler),
        unplanned=_unplanned(row, request),
    )


def board_area_used(firing: Firing) -> dict[int, int]:
    """Board area with gap by member primary key, mm2: as loaded, else as held."""
    return {pk: used.area_mm2 for pk, used in usage(firing).items()}


def space_used_ml(firing: Firing) -> dict[int, dict[int, int]]:
    """Space used by member primary key and firing zone primary key, ml: as loaded, else as held."""
    used: dict[int, dict[int, int]] = defaultdict(lambda: defaultdict(int))
    loaded = _loaded(firing)
    for placement in loaded:
        zone = placement.layer.zone
        ml = rules.pot_space_ml(pot_spec(placement.piece), zone.zone.gap_mm, placement.layer.height_mm)
        used[placement.piece.booking.member_id][zone.pk] += ml
    if not loaded:
        for piece in _held(firing):
            used[piece.booking.member_id][piece.zone_id or 0] += piece.asked_ml
    return {member: dict(by_zone) for member, by_zone in used.items()}


def usage(firing: Firing) -> dict[int, Usage]:
    """What every member used or holds of a firing, by member primary key: the weights of the cost shares.

    Once pots are ticked as loaded on the accepted plan those count; without any tick what is held counts.
    """
    loaded, held = _loaded(firing), _held(firing)
    soda_zones = {
        pk for pk, soda in FiringZone.objects.filter(firing=firing).values_list("pk", "zone__is_soda") if soda
    }
    booked: Counter[int] = Counter()
    for piece in held:
        booked[piece.booking.member_id] += piece.asked_ml
    area: Counter[int] = Counter()
    pots: Counter[int] = Counter()
    if loaded:
        for placement in loaded:
            owner = placement.piece.booking.member_id
            area[owner] += _area_mm2(placement.piece, placement.layer.zone.zone.gap_mm)
            pots[owner] += 1
    else:
        for piece in held:
            gap = piece.zone.zone.gap_mm if piece.zone is not None else 0
            area[piece.booking.member_id] += piece.count * _area_mm2(piece, gap)
            pots[piece.booking.member_id] += piece.count
    used = space_used_ml(firing)
    return {
        pk: Usage(
            member_pk=pk,
            ml=sum(used.get(pk, {}).values()),
            soda_ml=sum(ml for zone, ml in used.get(pk, {}).items() if zone in soda_zones),
            booked_ml=booked[pk],
            area_mm2=area[pk],
            pots=pots[pk],
        )
        for pk in sorted({*used, *booked})
    }


def where_pieces_stand(firing: Firing) -> dict[int, str]:
    """``Front, layer 2, board 1`` by piece primary key, on the accepted plan; for labels."""
    rows = (
        Placement.objects.filter(coop=firing.coop_id, layer__plan__firing=firing)
        .filter(layer__plan__state=LoadPlan.State.ACCEPTED)
        .select_related("layer__zone__zone")
    )
    found: dict[int, list[str]] = defaultdict(list)
    for row in rows:
        where = f"{row.layer.zone.zone.name} {row.layer.number}/{row.board}"
        if where not in found[row.piece_id]:
            found[row.piece_id].append(where)
    return {pk: ", ".join(where) for pk, where in found.items()}


def _loaded(firing: Firing) -> list[Placement]:
    rows = Placement.objects.filter(coop=firing.coop_id, layer__plan__firing=firing, loaded_at__isnull=False)
    accepted = rows.filter(layer__plan__state=LoadPlan.State.ACCEPTED)
    return list(accepted.select_related("piece__booking", "layer__zone__zone"))


def _held(firing: Firing) -> list[Piece]:
    rows = Piece.objects.filter(coop=firing.coop_id, booking__firing=firing).held()
    return list(rows.select_related("booking", "zone__zone"))


def _area_mm2(piece: Piece, gap_mm: int) -> int:
    """Footprint of one pot with its gap, mm2: the space of a layer 1000 mm high, in ml."""
    return rules.pot_space_ml(pot_spec(piece), gap_mm, 1000)


Spot = tuple[str, int, int, int, int, int]


def _placements(row: LoadPlan) -> dict[Spot, Placement]:
    """Placements of an accepted plan by zone, layer, board, piece and place."""
    rows = Placement.objects.filter(coop=row.coop_id, layer__plan=row)
    return {
        (p.layer.zone.zone.name, p.layer.number, p.board, p.piece_id, p.x_dmm, p.y_dmm): p
        for p in rows.select_related("loaded_by__person", "layer__zone__zone")
    }


def tenths(mm: float) -> int:
    return round(mm * 10)


def _zone_view(
    request: LoadRequest,
    plan: Plan,
    zone: ZoneSpec,
    pieces: Mapping[str, PieceSpec],
    names: Mapping[str, str],
    me: str,
    placements: Mapping[Spot, Placement],
    *,
    only_mine: bool,
) -> ZoneView:
    def stand(layer: int, board: int, one: Placed) -> Stand:
        piece = pieces[one.id]
        spot = (zone.id, layer, board, int(one.id), tenths(one.x), tenths(one.y))
        return Stand(piece, names.get(piece.owner, ""), one, placements.get(spot), piece.owner == me)

    def board_view(layer: PlannedLayer, number: int, board: int) -> BoardView:
        placed = layer.boards[board - 1]
        svg = drawing.board_svg(request, layer, board, number=number, names=names)
        return BoardView(board, svg, tuple(stand(number, board, one) for one in placed))

    views: list[LayerView] = []
    layers = [layer for layer in plan.layers if layer.zone == zone.id]
    for number, layer in enumerate(layers, start=1):
        wanted = [
            board
            for board, placed in enumerate(layer.boards, start=1)
            if not only_mine or any(pieces[one.id].owner == me for one in placed)
        ]
        if not wanted:
            continue
        boards = tuple(board_view(layer, number, board) for board in wanted)
        known = [s.placement.layer.public_id for b in boards for s in b.stands if s.placement is not None]
        views.append(LayerView(number, layer.height_mm, boards, str(known[0]) if known else ""))
    following = next((at for at, view in enumerate(views) if view.layer_id and not view.is_loaded), None)
    if following is not None:
        views[following] = replace(views[following], is_next=True)
    return ZoneView(
        name=zone.id,
        height_mm=zone.height_mm,
        stack_mm=rules.stacks(request, plan)[zone.id],
        least_mm=plan.lower_bound_mm.get(zone.id, 0),
        svg=drawing.stack_svg(request, plan, zone.id, names=names),
        layers=tuple(views),
    )


def _owners(request: LoadRequest, plan: Plan, names: Mapping[str, str], me: str) -> tuple[OwnerView, ...]:
    owner_of = {piece.id: piece.owner for piece in request.pieces}
    pots = Counter(owner_of[one.id] for layer in plan.layers for one in layer.placed)
    views = [OwnerView(names.get(owner, ""), ml, pots[owner], owner == me) for owner, ml in plan.space_ml.items()]
    return tuple(sorted(views, key=lambda view: (-view.ml, view.name)))


def _unplanned(row: LoadPlan, request: LoadRequest) -> tuple[str, ...]:
    """Pieces that hold space and that the plan does not know, because they came later."""
    known = {int(piece.id) for piece in request.pieces}
    held = Piece.objects.filter(coop=row.coop_id, booking__firing=row.firing_id).held().exclude(brought=0)
    rows = held.exclude(pk__in=known).select_related("booking__member__person")[:50]
    return tuple(f"{piece.name} ({piece.booking.member.name})" for piece in rows)
