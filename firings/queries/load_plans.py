"""A firing's load plan as pages and papers show it, and what of the kiln each member used."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from uuid import UUID

from django.db.models import Count
from django.utils.translation import gettext as _

from coop.errors import NotFound
from coop.models import Coop, Membership
from firings.load_plan import check, drawing, furniture, moves, rules
from firings.load_plan.moves import Place, Spot
from firings.load_plan.problem import (
    ONLY_ZONE,
    LoadRequest,
    PieceSpec,
    Placed,
    PlannedLayer,
    Posts,
    ZoneSpec,
    plan_from,
    request_from,
)
from firings.load_plan.stacking import LayerUse
from firings.models import Firing, FiringZone, Kiln, Layer, LoadPlan, Outcome, Piece, Placement, StageMove
from firings.queries.furniture import stock_of
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
    """One pot on a board as a loader reads it: ``number`` on its board, ``spot`` for an address; ``placement`` only on
    an accepted plan; ``is_locked``: it stands in the kiln already; ``is_hit``: it is one of those looked for."""

    piece: PieceSpec
    owner: str
    placed: Placed
    placement: Placement | None
    is_mine: bool
    is_locked: bool = False
    number: int = 0
    spot: str = ""
    is_hit: bool = False

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
    """``faults``: what the checker says of this board."""

    number: int
    svg: str
    stands: tuple[Stand, ...]
    faults: tuple[str, ...] = ()

    @property
    def hits(self) -> int:
        return sum(stand.is_hit for stand in self.stands)


@dataclass(frozen=True, slots=True)
class LayerView:
    """One layer, 1 is the lowest; ``layer_id`` (public id) only on an accepted plan.
    ``anchor`` is its id on the page, ``value`` how a form names it (``2.1``: zone, layer). ``is_next``: the lowest of
    an accepted plan that is not all in; ``is_open``: shown unfolded."""

    zone: str
    number: int
    height_mm: int
    boards: tuple[BoardView, ...]
    layer_id: str
    anchor: str
    value: str
    faults: tuple[str, ...] = ()
    is_next: bool = False
    is_open: bool = False

    @property
    def pots(self) -> int:
        return sum(len(board.stands) for board in self.boards)

    @property
    def loaded(self) -> int:
        return sum(stand.is_loaded for board in self.boards for stand in board.stands)

    @property
    def hits(self) -> int:
        return sum(board.hits for board in self.boards)

    @property
    def is_loaded(self) -> bool:
        return self.loaded == self.pots

    @property
    def has_faults(self) -> bool:
        return bool(self.faults) or any(board.faults for board in self.boards)


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
    """``piece_id`` is the piece's id in the plan."""

    piece_id: str
    piece: str
    owner: str
    count: int
    reason: str
    is_hit: bool = False


@dataclass(frozen=True, slots=True)
class OwnerView:
    """One member's part of the plan, with the hatch and initials of their pots in the drawings."""

    name: str
    initials: str
    swatch: str
    ml: int
    pots: int
    is_mine: bool


@dataclass(frozen=True, slots=True)
class BoardChoice:
    """A board a pot can be carried to, ``value`` as ``2.1.3`` (zone, layer, board); ``is_new``: its layer is to be."""

    value: str
    zone: str
    layer: int
    board: int
    is_new: bool
    is_here: bool


@dataclass(frozen=True, slots=True)
class PotChoice:
    """A pot to change places with."""

    spot: str
    number: int
    piece: str
    owner: str
    where: str


@dataclass(frozen=True, slots=True)
class HandView:
    """One layer of a plan for work by hand.

    ``chosen``: the pot in hand, on board ``board``. ``heights``: what the shown layer can have (empty: any).
    """

    row: LoadPlan
    layers: tuple[LayerView, ...]
    shown: LayerView | None
    chosen: Stand | None
    board: int
    left_out: tuple[LeftOutView, ...]
    faults: tuple[str, ...]
    other_faults: tuple[str, ...]
    boards: tuple[BoardChoice, ...]
    pots: tuple[PotChoice, ...]
    heights: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class PlanView:
    """A plan with everything a page or a paper shows of it.

    ``faults`` are all the checker says; ``other_faults`` those of no one layer or board. ``lacks``: what the stores
    do not have. ``least_mm``: no plan of these pots needs less over all zones. ``hits``: how many pots were found by
    what was looked for.
    """

    row: LoadPlan
    zones: tuple[ZoneView, ...]
    owners: tuple[OwnerView, ...]
    left_out: tuple[LeftOutView, ...]
    faults: tuple[str, ...]
    other_faults: tuple[str, ...]
    lacks: tuple[str, ...]
    proven: bool
    filler: tuple[str, ...]
    unplanned: tuple[str, ...]
    least_mm: int = 0
    hits: int = 0

    @property
    def stack_mm(self) -> int:
        return sum(zone.stack_mm for zone in self.zones)

    @property
    def gap_percent(self) -> int:
        """The part of all stacks together that a better plan could save at most, rounded up."""
        return -(-(self.stack_mm - self.least_mm) * 100 // self.stack_mm) if self.stack_mm else 0

    @property
    def pots(self) -> int:
        return sum(layer.pots for zone in self.zones for layer in zone.layers)

    @property
    def loaded(self) -> int:
        return sum(layer.loaded for zone in self.zones for layer in zone.layers)

    @property
    def next_layer(self) -> LayerView | None:
        return next((layer for zone in self.zones for layer in zone.layers if layer.is_next), None)


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the loading of the accepted plan is, in pots."""

    loaded: int
    pots: int


@dataclass(frozen=True, slots=True)
class ChangeView:
    """One kind of change of pots alike: ``before`` and ``after`` as ``Front 2/1`` or "" where it was or is out."""

    piece: str
    owner: str
    count: int
    kind: str
    before: str
    after: str
    is_mine: bool


@dataclass(frozen=True, slots=True)
class ChangesView:
    """What one plan changes of another, pot by pot and layer by layer."""

    before: LoadPlan
    svg: str
    rows: tuple[ChangeView, ...]
    heights: tuple[tuple[str, int, int, int], ...]

    @property
    def pots(self) -> int:
        return sum(row.count for row in self.rows)


@dataclass(frozen=True, slots=True)
class Brought:
    """Booked against brought: rows not counted yet, rows short, rows that were never booked."""

    uncounted: tuple[Piece, ...]
    short: tuple[Piece, ...]
    unbooked: tuple[Piece, ...]


@dataclass(frozen=True, slots=True)
class PieceView:
    """One row of pieces for whoever holds one of them: where each stands, and what came out."""

    piece: Piece
    places: tuple[Placement, ...]
    outcomes: tuple[Outcome, ...]

    @property
    def loaded(self) -> int:
        return sum(place.loaded_at is not None for place in self.places)


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


def plan_at(coop: Coop, firing: Firing, plan_id: UUID) -> LoadPlan:
    """A plan of this firing by its public id. Raises NotFound."""
    rows = LoadPlan.objects.of(coop).filter(firing=firing).select_related("made_by__person", "based_on")
    found: LoadPlan | None = rows.filter(public_id=plan_id).first()
    if found is None:
        raise NotFound(_("There is no such load plan here."))
    return found


def view_of(
    row: LoadPlan, *, member: Membership | None = None, only_mine: bool = False, words: str = "", least_text: float = 22
) -> PlanView:
    """The plan drawn and listed; with ``only_mine`` or ``words`` (of piece or owner) just the boards that hold a pot
    looked for. ``least_text`` as in ``drawing.board_svg``."""
    reader = _Reader(row, member, only_mine=only_mine, words=words, least_text=least_text)
    faults = check.faults(reader.request, reader.plan)
    zones = reader.zones(moves.by_board(reader.request, faults))
    boards, posts = stock_of(row.firing.kiln)
    listed = boards is not None or posts is not None
    return PlanView(
        row=row,
        zones=zones,
        owners=reader.owners(),
        left_out=reader.left_out(),
        faults=tuple(faults),
        other_faults=tuple(moves.by_board(reader.request, faults).get(None, ())),
        lacks=tuple(furniture.shortfalls(reader.request, reader.plan, boards, posts)) if listed else (),
        proven=reader.plan.proven,
        filler=tuple(f"{one.count} x Ø {one.d} x {one.h} mm" for one in reader.plan.filler),
        unplanned=_unplanned(row, reader.request),
        least_mm=reader.plan.lower_bound_total_mm or sum(reader.plan.lower_bound_mm.values()),
        hits=sum(layer.hits for zone in zones for layer in zone.layers),
    )


def zone_ids(row: LoadPlan) -> list[str]:
    """Zones of a plan in its order: what the numbers in a spot's address stand for."""
    named = row.request.get("zones") or [{"id": ONLY_ZONE}]
    return [zone["id"] for zone in named]


def layers_of(
    row: LoadPlan, wanted: Collection[UUID], *, member: Membership | None = None, prefix: str = ""
) -> list[LayerView]:
    """Some layers of an accepted plan as ``view_of`` shows them, from the floor up; for a tick that is to be quick.

    ``prefix`` keeps their ids apart from others on the page.
    """
    found = Layer.objects.filter(coop=row.coop_id, plan=row, public_id__in=wanted).select_related("zone__zone")
    numbers = {(layer.zone.zone.name, layer.number) for layer in found}
    reader = _Reader(row, member, prefix=prefix)
    layers = reader.layers({}, draw=lambda zone, number: (zone, number) in numbers)
    return [layer for layer in layers if (layer.zone, layer.number) in numbers]


def hand_view(
    row: LoadPlan,
    spot: Spot | None,
    *,
    member: Membership | None = None,
    zone: str = "",
    layer: int = 0,
    href: Callable[[str], str],
) -> HandView:
    """One layer of a plan for work by hand: the one that holds ``spot``, else the one named, else the first.

    Every pot is a link (``href`` of its spot).
    """
    reader = _Reader(row, member, href=href)
    chosen = reader.stand_at(spot)
    if spot is not None and chosen is not None:
        zone, layer, reader.marked = spot.zone, spot.layer, spot
    numbers = reader.layer_numbers()
    here = (zone, layer) if (zone, layer) in numbers else next(iter(numbers), None)
    faults = check.faults(reader.request, reader.plan)
    said = moves.by_board(reader.request, faults)
    layers = reader.layers(said, draw=lambda zone, number: (zone, number) == here)
    shown = next((one for one in layers if (one.zone, one.number) == here), None)
    heights = rules.makeable_heights(reader.zone(shown.zone)) if shown is not None else ()
    board = spot.board if spot is not None and chosen is not None else 0
    return HandView(
        row=row,
        layers=tuple(layers),
        shown=shown,
        chosen=chosen,
        board=board,
        left_out=reader.left_out(),
        faults=tuple(faults),
        other_faults=tuple(said.get(None, ())),
        boards=tuple(reader.board_choices((*here, board) if here else None)),
        pots=tuple(reader.pot_choices(spot)) if chosen is not None else (),
        heights=tuple(heights or ()),
    )


def changes_of(row: LoadPlan, *, member: Membership | None = None) -> ChangesView | None:
    """What a proposal changes of the plan to load by, or of the plan it was made from; None where there is neither."""
    accepted = LoadPlan.objects.filter(coop=row.coop_id, firing=row.firing_id, state=LoadPlan.State.ACCEPTED)
    before = row.based_on if row.state == LoadPlan.State.ACCEPTED else accepted.first() or row.based_on
    if before is None or before.pk == row.pk:
        return None
    request, old, new = request_from(row.request), plan_from(before.plan), plan_from(row.plan)
    changed = moves.changes(old, new)
    pieces = {piece.id: piece for piece in (*request_from(before.request).pieces, *request.pieces)}
    names, me = _names(pieces.values()), str(member.pk) if member is not None else ""
    alike = Counter((one.piece, one.kind, _place(one.before), _place(one.after)) for one in changed)
    rows = tuple(
        ChangeView(pieces[piece].label, names.get(pieces[piece].owner, ""), count, kind, was, will,
                   pieces[piece].owner == me)
        for (piece, kind, was, will), count in alike.items()
        if piece in pieces
    )  # fmt: skip
    svg = drawing.changes_svg(request, old, new, changed)
    return ChangesView(before, svg, rows, moves.heights_changed(old, new))


def faults_of(row: LoadPlan) -> list[str]:
    """Every rule the plan breaks, in a loader's words."""
    return check.faults(request_from(row.request), plan_from(row.plan))


def standing_of(firing: Firing) -> dict[Spot, Placement]:
    """Pots that stand in the kiln already (ticked on the accepted plan), by where they stand."""
    return {
        Spot(p.layer.zone.zone.name, p.layer.number, p.board, str(p.piece_id), p.x_dmm, p.y_dmm): p
        for p in _loaded(firing)
    }


def progress_of(row: LoadPlan) -> Progress:
    """How many pots of the accepted plan are in."""
    counted = Placement.objects.filter(coop=row.coop_id, layer__plan=row).aggregate(
        pots=Count("pk"), loaded=Count("loaded_at")
    )
    return Progress(counted["loaded"], counted["pots"])


def next_layer(row: LoadPlan, after: Layer | None = None) -> UUID | None:
    """Public id of the layer to load next: in the zone of ``after`` while that is not full, else in the first zone."""
    open_layers = Layer.objects.filter(coop=row.coop_id, plan=row, placements__loaded_at=None, placements__isnull=False)
    rows = list(open_layers.distinct().order_by("zone__zone__position", "zone", "number"))
    same = [layer for layer in rows if after is not None and layer.zone_id == after.zone_id]
    return next((layer.public_id for layer in [*same, *rows]), None)


def last_tick_of(row: LoadPlan, member: Membership) -> Placement | None:
    """The pot this member ticked last on the accepted plan."""
    mine = Placement.objects.filter(coop=row.coop_id, layer__plan=row, loaded_by=member, loaded_at__isnull=False)
    return mine.select_related("piece__booking__member__person").order_by("-loaded_at").first()


def brought_of(firing: Firing) -> Brought:
    """Booked against brought, by member; what was listed once loading had begun counts as not booked."""
    rows = list(
        Piece.objects.filter(coop=firing.coop_id, booking__firing=firing)
        .held()
        .select_related("booking__member__person")
        .order_by("booking__member__person__name", "booking__member", "importance", "pk")
    )
    moved = StageMove.objects.filter(coop=firing.coop_id, firing=firing, to_stage=Firing.Stage.LOADING)
    began = moved.values_list("at", flat=True).first()
    late = {piece.pk for piece in rows if began is not None and piece.asked_at >= began and piece.moved_up_at is None}
    return Brought(
        uncounted=tuple(piece for piece in rows if piece.brought is None),
        short=tuple(piece for piece in rows if piece.brought is not None and piece.brought < piece.count),
        unbooked=tuple(piece for piece in rows if piece.pk in late),
    )


def piece_view(coop: Coop, piece_id: UUID) -> PieceView:
    """A row of pieces by public id, with where it stands on the accepted plan and its outcome. Raises NotFound."""
    rows = Piece.objects.of(coop).select_related(
        "booking__member__person", "booking__firing__kiln", "booking__firing__lead__person", "zone__zone"
    )
    piece: Piece | None = rows.filter(public_id=piece_id).first()
    if piece is None:
        raise NotFound(_("There is no such piece here."))
    places = piece.placements.filter(layer__plan__state=LoadPlan.State.ACCEPTED).select_related("layer__zone__zone")
    return PieceView(piece, tuple(places.order_by("copy")), tuple(piece.outcomes.order_by("result")))


def layer_uses(kiln: Kiln, most: int = 5) -> dict[int, list[list[LayerUse]]]:
    """The layers of the kiln's last loads by zone primary key, a list for each load: what they took and held.

    Pots that were not ticked count where nobody ticked any in that load.
    """
    lit = Firing.objects.filter(coop=kiln.coop_id, kiln=kiln, lit_at__isnull=False).order_by("-lit_at")[:most]
    rows = Placement.objects.filter(
        coop=kiln.coop_id, layer__plan__firing__in=list(lit), layer__plan__state=LoadPlan.State.ACCEPTED
    ).select_related("piece__booking", "layer__zone__zone", "layer__plan")
    of_plan: dict[int, list[Placement]] = defaultdict(list)
    for row in rows:
        of_plan[row.layer.plan_id].append(row)
    found: dict[int, list[list[LayerUse]]] = defaultdict(list)
    for placements in of_plan.values():
        ticked = any(row.loaded_at for row in placements)
        asked: Counter[Layer] = Counter()
        for row in placements:
            if row.loaded_at or not ticked:
                spec = zone_spec(row.layer.zone.zone)
                asked[row.layer] += rules.asked_space_ml(replace(pot_spec(row.piece), count=1), spec, 1000)
        by_zone: dict[int, list[LayerUse]] = defaultdict(list)
        for layer, ml in asked.items():
            zone = layer.zone.zone
            area = zone.boards_per_layer * zone.board_w_mm * zone.board_l_mm
            takes = area * (layer.height_mm + zone.board_thickness_mm) // 1000
            by_zone[zone.pk].append(LayerUse(takes, ml))
        for zone_pk, layers in by_zone.items():
            found[zone_pk].append(layers)
    return found


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


class _Reader:
    """One plan read once: who owns what, where, which is mine or looked for."""

    def __init__(
        self,
        row: LoadPlan,
        member: Membership | None,
        *,
        only_mine: bool = False,
        words: str = "",
        least_text: float = 22,
        href: Callable[[str], str] | None = None,
        prefix: str = "",
    ) -> None:
        self.prefix = prefix
        self.row, self.me = row, str(member.pk) if member is not None else ""
        self.only_mine, self.words = only_mine, " ".join(words.casefold().split())
        self.least_text, self.href = least_text, href
        self.marked: Spot | None = None
        self.request, self.plan = request_from(row.request), plan_from(row.plan)
        self.pieces = {piece.id: piece for piece in self.request.pieces}
        self.names = _names(self.request.pieces)
        self.initials = _initials(self.names)
        self.patterns = drawing.owner_patterns(self.request)
        self.zone_ids = [zone.id for zone in self.request.zones]
        self.placements = _placements(row)
        accepted = row.state == LoadPlan.State.ACCEPTED
        loaded = {spot for spot, placement in self.placements.items() if placement.loaded_at is not None}
        self.standing = loaded if accepted else set(standing_of(row.firing))
        self._stands = list(self._read())

    def zone(self, zone_id: str) -> ZoneSpec:
        return self.request.zones[self.zone_ids.index(zone_id)]

    def stands(self) -> list[Stand]:
        return [stand for *_, stand in self._stands]

    def stand_at(self, spot: Spot | None) -> Stand | None:
        return next((stand for at, stand in self._stands if at == spot), None)

    def layer_numbers(self) -> list[tuple[str, int]]:
        """Zone and number of every layer, zone by zone from the floor up."""
        numbers = Counter(layer.zone for layer in self.plan.layers)
        return [(zone, number) for zone in self.zone_ids for number in range(1, numbers[zone] + 1)]

    def board_choices(self, here: tuple[str, int, int] | None) -> Iterator[BoardChoice]:
        numbers = Counter(layer.zone for layer in self.plan.layers)
        for at, zone in enumerate(self.request.zones, 1):
            top = numbers[zone.id] + 1
            for layer in range(1, top + 1):
                for board in range(1, zone.boards_per_layer + 1):
                    is_here = (zone.id, layer, board) == here
                    yield BoardChoice(f"{at}.{layer}.{board}", zone.id, layer, board, layer == top, is_here)

    def pot_choices(self, chosen: Spot | None) -> Iterator[PotChoice]:
        for spot, stand in self._stands:
            if spot != chosen and not stand.is_locked:
                yield PotChoice(stand.spot, stand.number, stand.piece.label, stand.owner, _place(spot))

    def _read(self) -> Iterator[tuple[Spot, Stand]]:
        numbers: Counter[tuple[str, int, int]] = Counter()
        for spot, placed in moves.spots_of(self.plan):
            if (piece := self.pieces.get(spot.piece)) is None or spot.zone not in self.zone_ids:
                continue
            at = (spot.zone, spot.layer, spot.board)
            numbers[at] += 1
            yield (
                spot,
                Stand(
                    piece,
                    self.names.get(piece.owner, ""),
                    placed,
                    self.placements.get(spot),
                    piece.owner == self.me,
                    is_locked=spot in self.standing,
                    number=numbers[at],
                    spot=moves.spot_text(spot, self.zone_ids),
                    is_hit=self.is_hit(piece),
                ),
            )

    def is_hit(self, piece: PieceSpec) -> bool:
        if self.only_mine and piece.owner == self.me:
            return True
        owner = self.names.get(piece.owner, "").casefold()
        return bool(self.words) and (self.words in piece.label.casefold() or self.words in owner)

    def zones(self, faults: Mapping[Place | None, list[str]]) -> tuple[ZoneView, ...]:
        layers = self.layers(faults)
        first = next((layer for layer in layers if layer.is_next), None)
        stacks = rules.stacks(self.request, self.plan)
        return tuple(
            ZoneView(
                name=zone.id,
                height_mm=zone.height_mm,
                stack_mm=stacks[zone.id],
                least_mm=self.plan.lower_bound_mm.get(zone.id, 0),
                svg=drawing.stack_svg(self.request, self.plan, zone.id, names=self.names,
                                      done=[one.number for one in layers if one.layer_id and one.is_loaded
                                            and one.zone == zone.id]),
                layers=tuple(
                    replace(layer, is_open=layer is first or bool(layer.hits) or layer.has_faults)
                    for layer in layers if layer.zone == zone.id
                ),
            )
            for zone in self.request.zones
        )  # fmt: skip

    def layers(
        self, faults: Mapping[Place | None, list[str]], *, draw: Callable[[str, int], bool] = lambda zone, number: True
    ) -> list[LayerView]:
        """Layers zone by zone from the floor up; where something is looked for only those that hold it."""
        on_board: dict[tuple[str, int, int], list[Stand]] = defaultdict(list)
        for spot, stand in self._stands:
            on_board[spot.zone, spot.layer, spot.board].append(stand)
        looked_for = self.only_mine or bool(self.words)
        found: list[LayerView] = []
        for at, zone in enumerate(self.request.zones, 1):
            planned = [layer for layer in self.plan.layers if layer.zone == zone.id]
            of_zone = [
                self._layer(zone.id, layer, number, on_board, faults, f"{at}-{number}", draw(zone.id, number))
                for number, layer in enumerate(planned, 1)
            ]
            following = next((n for n, view in enumerate(of_zone) if view.layer_id and not view.is_loaded), None)
            if following is not None:
                of_zone[following] = replace(of_zone[following], is_next=True)
            found += [
                replace(view, boards=tuple(board for board in view.boards if board.hits or not looked_for))
                for view in of_zone
                if view.hits or not looked_for
            ]
        return found

    def _layer(
        self,
        zone: str,
        layer: PlannedLayer,
        number: int,
        on_board: Mapping[tuple[str, int, int], list[Stand]],
        faults: Mapping[Place | None, list[str]],
        anchor: str,
        draw: bool,
    ) -> LayerView:
        boards = []
        for board in range(1, len(layer.boards) + 1):
            stands = on_board.get((zone, number, board), [])
            svg = ""
            if draw:
                svg = drawing.board_svg(
                    self.request, layer, board, number=number, names=self.names, patterns=self.patterns,
                    prefix=self.prefix,
                    looks=[self._look(stand) for stand in stands], least_text=self.least_text,
                )  # fmt: skip
            boards.append(BoardView(board, svg, tuple(stands), tuple(faults.get((zone, number, board), ()))))
        placed = [s.placement for b in boards for s in b.stands if s.placement is not None]
        layer_id = str(placed[0].layer.public_id) if placed else ""
        said = tuple(faults.get((zone, number, 0), ()))
        value = anchor.replace("-", ".")
        return LayerView(
            zone, number, layer.height_mm, tuple(boards), layer_id, f"{self.prefix}layer-{anchor}", value, said
        )

    def _look(self, stand: Stand) -> drawing.Look:
        chosen = self.marked is not None and stand.spot == moves.spot_text(self.marked, self.zone_ids)
        return drawing.Look(
            number=stand.number,
            initials=self.initials.get(stand.piece.owner, ""),
            marked=stand.is_hit or chosen,
            loaded=stand.is_locked,
            href=self.href(stand.spot) if self.href else "",
            spot=stand.spot if self.href and not stand.is_locked else "",
        )

    def owners(self) -> tuple[OwnerView, ...]:
        pots = Counter(stand.piece.owner for stand in self.stands())
        views = [
            OwnerView(
                self.names.get(owner, ""),
                self.initials.get(owner, ""),
                drawing.swatch_svg(self.patterns[owner], name=self.names.get(owner, ""), prefix=f"o{owner}"),
                ml,
                pots[owner],
                owner == self.me,
            )
            for owner, ml in self.plan.space_ml.items()
            if owner in self.patterns
        ]
        return tuple(sorted(views, key=lambda view: (-view.ml, view.name)))

    def left_out(self) -> tuple[LeftOutView, ...]:
        return tuple(
            LeftOutView(out.id, piece.label, self.names.get(piece.owner, ""), out.count, out.reason, self.is_hit(piece))
            for out in self.plan.left_out
            if (piece := self.pieces.get(out.id)) is not None
        )


def _names(pieces: Iterable[PieceSpec]) -> dict[str, str]:
    owners = {int(piece.owner) for piece in pieces}
    rows = Membership.objects.filter(pk__in=owners).values_list("pk", "person__name")
    return {str(pk): name for pk, name in rows}


def _initials(names: Mapping[str, str]) -> dict[str, str]:
    """Two or three letters each; whoever would share them gets a number behind."""
    found: dict[str, str] = {}
    times: Counter[str] = Counter()
    for owner, name in sorted(names.items(), key=lambda item: (item[1], item[0])):
        letters = "".join(word[0] for word in name.split() if word[:1].isalnum())[:3].upper() or "?"
        times[letters] += 1
        found[owner] = letters if times[letters] == 1 else f"{letters}{times[letters]}"
    return found


def _place(spot: Spot | None) -> str:
    return f"{spot.zone} {spot.layer}/{spot.board}" if spot is not None else ""


def _placements(row: LoadPlan) -> dict[Spot, Placement]:
    """Placements of an accepted plan by where they stand."""
    rows = Placement.objects.filter(coop=row.coop_id, layer__plan=row).select_related("layer__zone__zone")
    return {Spot(p.layer.zone.zone.name, p.layer.number, p.board, str(p.piece_id), p.x_dmm, p.y_dmm): p for p in rows}


def _unplanned(row: LoadPlan, request: LoadRequest) -> tuple[str, ...]:
    """Pieces that hold space and that the plan does not know, because they came later."""
    known = {int(piece.id) for piece in request.pieces}
    held = Piece.objects.filter(coop=row.coop_id, booking__firing=row.firing_id).held().exclude(brought=0)
    rows = held.exclude(pk__in=known).select_related("booking__member__person")[:50]
    return tuple(f"{piece.name} ({piece.booking.member.name})" for piece in rows)
