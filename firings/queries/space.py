"""How full a firing is, what a member has in it, who waits; and the litres a piece asks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from django.db.models import Count, Q, Sum

from coop.models import Membership
from coop.money import round_fraction
from coop.policy import Terms
from firings.fire import cones
from firings.load_plan.problem import PieceSpec, ZoneSpec
from firings.load_plan.rules import asked_space_ml
from firings.models import Firing, FiringZone, Piece, Zone

PAGE = 50


@dataclass(frozen=True, slots=True)
class ZoneSpace:
    """One zone's space in a firing, ml; ``mine_ml`` is the reader's part of ``taken_ml``."""

    firing_zone: FiringZone
    name: str
    cone: str
    is_soda: bool
    capacity_ml: int
    taken_ml: int
    pieces: int
    mine_ml: int = 0

    @property
    def free_ml(self) -> int:
        return self.capacity_ml - self.taken_ml

    @property
    def percent(self) -> int:
        """Rounded down, so that only a full zone says 100."""
        return 100 * self.taken_ml // self.capacity_ml if self.capacity_ml else 100

    @property
    def how_full(self) -> str:
        """``empty``, ``room``, ``nearly`` (under a tenth free) or ``full`` (under a hundredth free)."""
        if self.taken_ml == 0:
            return "empty"
        if self.free_ml * 100 < self.capacity_ml:
            return "full"
        return "nearly" if self.free_ml * 10 < self.capacity_ml else "room"


def pot_spec(piece: Piece) -> PieceSpec:
    """The row of pieces as the load plan's core knows it; owner and piece by primary key."""
    is_round = piece.shape == Piece.Shape.ROUND
    return PieceSpec(
        id=str(piece.pk or 0),
        owner=str(piece.booking.member_id if piece.booking_id else 0),
        count=piece.count,
        shape="circle" if is_round else "rect",
        h=piece.height_mm,
        d=(piece.diameter_mm or 0) if is_round else 0,
        w=0 if is_round else (piece.width_mm or 0),
        l=0 if is_round else (piece.length_mm or 0),
        cone=piece.cone,
        soda=piece.wants_soda,
        runny=piece.is_runny,
        fragile=piece.is_fragile,
        importance=piece.importance,
        label=piece.name,
    )


def zone_spec(zone: Zone) -> ZoneSpec:
    """The zone as the load plan's core knows it, by its name, without post spots and posts."""
    return ZoneSpec(
        id=zone.name,
        boards_per_layer=zone.boards_per_layer,
        board_w_mm=zone.board_w_mm,
        board_l_mm=zone.board_l_mm,
        height_mm=zone.usable_height_mm,
        shelf_thickness_mm=zone.board_thickness_mm,
        clearance_above_mm=zone.air_above_mm,
        wadding_mm=zone.wad_mm,
        gap_mm=zone.gap_mm,
        posts_per_board=zone.posts_per_board,
        cone=zone.cone,
        soda=zone.is_soda,
    )


def cone_needed(firing: Firing, zone: Zone, zones: Sequence[FiringZone]) -> str:
    """The hottest cone a piece meets there: the zone's own, or the target of a firing hotter than all zones."""
    if all(cones.rank(firing.target_cone) > cones.rank(other.zone.cone) for other in zones):
        return firing.target_cone
    return zone.cone


def asked_ml(piece: Piece, zone: Zone) -> int:
    """Space asked for the whole row in this zone, ml (``firings.load_plan.rules.asked_space_ml``)."""
    return max(asked_space_ml(pot_spec(piece), zone_spec(zone), zone.stacking_permille), 1)


def litres(ml: int) -> str:
    """``41.2``: litres to a tenth, as sentences and papers show them."""
    return f"{ml / 1000:.1f}"


def terms_of(firing: Firing) -> Terms:
    """The terms frozen into the firing when booking opened; the defaults before that."""
    return Terms.from_json(firing.policy.terms) if firing.policy is not None else Terms()


def rough_cost_minor(firing: Firing, ml: int, spaces: Sequence[ZoneSpace], terms: Terms) -> int | None:
    """A guess at the cost of ``ml`` litres of this firing, minor units; None without an estimate.

    The estimate is shared over the litres taken, or over the share of the kiln the terms guarantee
    (``fill_guarantee``) while less is taken: what empty space costs beyond that falls on no member.
    """
    if firing.cost_estimate_minor is None:
        return None
    capacity = sum(space.capacity_ml for space in spaces)
    shared = max(Fraction(sum(space.taken_ml for space in spaces)), terms.fill_guarantee * capacity, Fraction(ml))
    return round_fraction(Fraction(firing.cost_estimate_minor * ml) / shared) if shared else None


def space_by_zone(firing: Firing, member: Membership | None = None) -> list[ZoneSpace]:
    """Every zone of the firing with what is taken, in the kiln's order."""
    rows = (
        FiringZone.objects.filter(coop=firing.coop_id, firing=firing)
        .select_related("zone")
        .annotate(held=Count("pieces", filter=Q(pieces__state=Piece.State.HELD)))
    )
    mine: dict[int | None, int] = {}
    if member is not None:
        held = Piece.objects.filter(coop=firing.coop_id, booking__firing=firing, booking__member=member).held()
        mine = dict(held.order_by().values_list("zone").annotate(ml=Sum("asked_ml")))
    return [
        ZoneSpace(
            firing_zone=row,
            name=row.zone.name,
            cone=row.zone.cone,
            is_soda=row.zone.is_soda,
            capacity_ml=row.capacity_ml,
            taken_ml=row.taken_ml,
            pieces=row.held,
            mine_ml=mine.get(row.pk, 0),
        )
        for row in rows
    ]


def pieces_of(firing: Firing, member: Membership) -> list[Piece]:
    """A member's pieces in this firing that hold space or wait, most important first."""
    return list(
        Piece.objects.filter(coop=firing.coop_id, booking__firing=firing, booking__member=member)
        .exclude(state=Piece.State.WITHDRAWN)
        .select_related("zone__zone", "wished_zone__zone")
        .order_by("importance", "pk")
    )


def held_ml(firing: Firing, member: Membership) -> int:
    """Space this member holds in this firing, ml."""
    held = Piece.objects.filter(coop=firing.coop_id, booking__firing=firing, booking__member=member).held()
    return held.aggregate(ml=Sum("asked_ml"))["ml"] or 0


def waiting_list(firing: Firing) -> list[Piece]:
    """Who waits, in the order in which freed space is offered."""
    rows = Piece.objects.filter(coop=firing.coop_id, booking__firing=firing).waiting()
    return list(rows.select_related("booking__member__person", "wished_zone__zone"))


def places_in_line(firing: Firing) -> dict[int, int]:
    """Place on the waiting list (1 is next) by the piece's primary key."""
    rows = Piece.objects.filter(coop=firing.coop_id, booking__firing=firing).waiting()
    return {pk: place for place, pk in enumerate(rows.values_list("pk", flat=True), start=1)}


def all_pieces(firing: Firing) -> list[Piece]:
    """Everybody's pieces that hold space or wait, by member: what is looked for when pieces are brought."""
    return list(
        Piece.objects.filter(coop=firing.coop_id, booking__firing=firing)
        .exclude(state=Piece.State.WITHDRAWN)
        .select_related("booking__member__person", "zone__zone", "wished_zone__zone")
        .order_by("booking__member__person__name", "booking__member", "importance", "pk")
    )
