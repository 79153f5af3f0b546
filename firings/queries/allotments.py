"""How the space of a firing is shared out: who asks what with which weight, and what a page tells of a proposal."""

from __future__ import annotations

import hashlib
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from typing import Any, Final
from uuid import UUID

from django.db.models import Count, Q, Sum
from django.utils.translation import gettext as _

from coop.errors import NotFound, Refused
from coop.models import Coop, Membership
from firings import allotment as core
from firings.allotment import AllotmentRequest, Ask, Lot
from firings.models import Allotment, Firing, FiringZone, HoursEntry, Piece
from firings.queries.space import asked_ml, litres, terms_of

HOURS_COUNT_FOR: Final = timedelta(days=365)
TURNS_COUNT_FOR: Final = timedelta(days=3 * 365)
Suitable = Callable[[Firing, Sequence[FiringZone], Piece], list[FiringZone]]


@dataclass(frozen=True, slots=True)
class Draw:
    """The draw of a firing: ``commitment`` is shown from the call on, ``seed`` once a proposal was made."""

    commitment: str
    seed: str
    opened_at: datetime | None


@dataclass(frozen=True, slots=True)
class Weighed:
    """A member's weight, and in words where it comes from."""

    weight: Fraction
    why: str


@dataclass(frozen=True, slots=True)
class PieceView:
    piece: str
    ml: int
    zone: str
    is_beyond: bool = False


@dataclass(frozen=True, slots=True)
class MemberView:
    """One line of the working. ``why`` is the sum behind ``granted_ml``; ``used_ml`` what their pieces that go in
    take, ``beyond_ml`` the part of it that no grant could use; ``out`` the pieces that wait."""

    member_id: str
    name: str
    asked_ml: int
    weight: str
    weight_why: str
    granted_ml: int
    why: str
    used_ml: int
    beyond_ml: int
    draw: str
    inside: tuple[PieceView, ...]
    out: tuple[PieceView, ...]
    is_mine: bool

    @property
    def goes_without(self) -> bool:
        return not self.inside


@dataclass(frozen=True, slots=True)
class WaitingView:
    place: int
    piece: str
    member: str
    ml: int
    is_mine: bool


@dataclass(frozen=True, slots=True)
class AllotmentView:
    row: Allotment
    members: tuple[MemberView, ...]
    waiting: tuple[WaitingView, ...]
    zones: tuple[tuple[str, int, int], ...]  # name, space, what of it is given
    capacity_ml: int
    asked_ml: int
    notes: tuple[str, ...]
    is_stale: bool

    @property
    def drawn(self) -> list[MemberView]:
        """The members in the order of the draw."""
        return sorted(self.members, key=lambda member: member.draw)

    @property
    def mine(self) -> MemberView | None:
        return next((member for member in self.members if member.is_mine), None)


def draw_of(firing: Firing) -> Draw:
    """What of the draw is open now."""
    first = Allotment.objects.filter(coop=firing.coop_id, firing=firing).order_by("version")
    opened_at = first.values_list("made_at", flat=True).first()
    return Draw(core.commitment(firing.draw_seed), firing.draw_seed if opened_at else "", opened_at)


def allotment_of(coop: Coop, firing: Firing, allotment_id: UUID | None = None) -> Allotment | None:
    """This allotment; else the accepted one; else the newest proposal. Raises NotFound for an id that is not there."""
    rows = Allotment.objects.of(coop).filter(firing=firing).select_related("made_by__person", "accepted_by__person")
    if allotment_id is None:
        accepted: Allotment | None = rows.filter(state=Allotment.State.ACCEPTED).first()
        newest: Allotment | None = rows.exclude(state=Allotment.State.REPLACED).first()
        return accepted or newest
    found: Allotment | None = rows.filter(public_id=allotment_id).first()
    if found is None:
        raise NotFound(_("There is no such allotment here."))
    return found


def standing_pieces(firing: Firing) -> list[Piece]:
    """Everything that holds space or waits, each member's by their own order."""
    rows = Piece.objects.filter(coop=firing.coop_id, booking__firing=firing).exclude(state=Piece.State.WITHDRAWN)
    return list(
        rows.select_related("booking__member__person", "wished_zone__zone", "zone__zone").order_by(
            "importance", "asked_at", "pk"
        )
    )


def fingerprint(pieces: Iterable[Piece], zones: Iterable[FiringZone]) -> str:
    """The same as long as the same pieces ask for the same space; another one when anything of it changes."""
    told = [
        *((zone.pk, zone.capacity_ml) for zone in sorted(zones, key=lambda zone: zone.pk)),
        *(
            (
                *(piece.pk, piece.booking.member_id, piece.count, piece.shape, piece.diameter_mm, piece.width_mm),
                *(piece.length_mm, piece.height_mm, piece.cone, piece.wants_soda, piece.importance),
                *(piece.wished_zone_id, piece.zone_id, piece.asked_ml, piece.state, piece.allotted_place),
            )
            for piece in sorted(pieces, key=lambda piece: piece.pk)
        ),
    ]
    return hashlib.sha256(repr(told).encode()).hexdigest()


# --- Asks and weights -------------------------------------------------------------------------


def lots_of(
    firing: Firing, zones: Sequence[FiringZone], pieces: Sequence[Piece], suitable: Suitable
) -> tuple[list[Lot], list[Piece]]:
    """The pieces as lots, and those that no zone suits any more (the kiln or the firing was changed)."""
    lots, nowhere = [], []
    for piece in pieces:
        try:
            fit = suitable(firing, zones, piece)
        except Refused:
            nowhere.append(piece)
            continue
        lots.append(
            Lot(
                id=str(piece.public_id),
                member=str(piece.booking.member.public_id),
                ml={zone.zone.name: asked_ml(piece, zone.zone) for zone in fit},
                stands_in=piece.zone.zone.name if piece.zone is not None else "",
            )
        )
    return lots, nowhere


def request_of(
    firing: Firing, zones: Sequence[FiringZone], lots: Sequence[Lot], weights: Mapping[str, Weighed]
) -> AllotmentRequest:
    """The asks of these lots as allotment/1, members by public id, zones by name."""
    terms = terms_of(firing)
    parts: dict[str, Counter[tuple[str, ...]]] = defaultdict(Counter)
    for lot in lots:
        parts[lot.member][tuple(sorted(lot.ml))] += lot.most_ml
    return AllotmentRequest(
        capacity_ml=sum(zone.capacity_ml for zone in zones),
        asks=tuple(
            Ask(
                member=member,
                ask_ml=sum(own.values()),
                weight=weights[member].weight,
                floor_ml=terms.floor_ml_per_member,
                cap_ml=terms.cap_ml_per_member,
                parts=dict(own),
            )
            for member, own in sorted(parts.items())
        ),
        draw_seed=firing.draw_seed,
        zones={zone.zone.name: zone.capacity_ml for zone in zones},
    )


def weights_of(firing: Firing, members: Sequence[Membership], rule: str, now: datetime) -> dict[str, Weighed]:
    """Each member's weight by the policy's rule, by public id."""
    if rule == "hours_worked":
        return _by_hours(firing, members, now)
    if rule == "turns_left_out":
        return _by_turns(firing, members, now)
    return {str(member.public_id): Weighed(Fraction(1), _("the same for everyone")) for member in members}


def _by_hours(firing: Firing, members: Sequence[Membership], now: datetime) -> dict[str, Weighed]:
    """1 + minutes worked in the last year over the average of all who ask: a newcomer counts 1, the average 2."""
    rows = HoursEntry.objects.filter(coop=firing.coop_id, member__in=members, at__gt=now - HOURS_COUNT_FOR)
    worked = rows.exclude(kind=HoursEntry.Kind.OWED).order_by().values_list("member").annotate(sum=Sum("minutes"))
    minutes = {member.pk: 0 for member in members} | {pk: max(0, total) for pk, total in worked}
    whole = sum(minutes.values())
    weighed = {}
    for member in members:
        share = Fraction(minutes[member.pk] * len(members), whole) if whole else Fraction(0)
        why = _("1 + %(own)s min worked in a year / %(average)s min on average") % {
            "own": minutes[member.pk],
            "average": Fraction(whole, len(members)),
        }
        weighed[str(member.public_id)] = Weighed(1 + share, why if whole else _("1, nobody has hours yet"))
    return weighed


def _by_turns(firing: Firing, members: Sequence[Membership], now: datetime) -> dict[str, Weighed]:
    """1 + the firings in a row, back from the last, in which some of the member's pieces waited until it was lit."""
    rows = (
        Piece.objects.filter(coop=firing.coop_id, booking__member__in=members)
        .filter(booking__firing__lit_at__gt=now - TURNS_COUNT_FOR)
        .exclude(state=Piece.State.WITHDRAWN)
        .order_by()
        .values("booking__member", "booking__firing__lit_at")
        .annotate(waited=Count("pk", filter=Q(state=Piece.State.WAITING)))
        .order_by("-booking__firing__lit_at")
    )
    streak: Counter[int] = Counter()
    over: set[int] = set()
    for row in rows:
        member = row["booking__member"]
        if not row["waited"]:
            over.add(member)
        elif member not in over:
            streak[member] += 1
    return {
        str(member.public_id): Weighed(
            Fraction(1 + streak[member.pk]),
            _("1 + %(turns)s firings in a row in which something of theirs was left out") % {"turns": streak[member.pk]}
            if streak[member.pk]
            else _("1, nothing was left out last time"),
        )
        for member in members
    }


# --- Pages ------------------------------------------------------------------------------------


def view_of(row: Allotment, *, member: Membership | None = None) -> AllotmentView:
    """A proposal with its working, as everybody may read it."""
    request, answer = row.request, row.answer
    pieces = {
        str(piece.public_id): piece
        for piece in Piece.objects.filter(coop=row.coop_id, booking__firing=row.firing_id)
        .select_related("booking__member__person")
        .order_by("importance", "asked_at", "pk")
    }
    names = {
        str(public_id): name
        for public_id, name in Membership.objects.filter(
            coop=row.coop_id, public_id__in=[ask["member"] for ask in request["asks"]]
        ).values_list("public_id", "person__name")
    }
    me = str(member.public_id) if member is not None else ""
    members = [_member_view(ask, row, pieces, names, me) for ask in request["asks"]]
    placed = Counter[str]()
    for piece_id, zone in answer["zones"].items():
        placed[zone] += answer["ml"][piece_id]
    return AllotmentView(
        row=row,
        members=tuple(sorted(members, key=lambda one: (not one.is_mine, one.name))),
        waiting=tuple(
            WaitingView(place, _called(pieces[piece_id]), pieces[piece_id].booking.member.name, ml, owner == me)
            for place, piece_id in enumerate(answer["waiting"], start=1)
            if piece_id in pieces
            for ml, owner in [(answer["ml"][piece_id], str(pieces[piece_id].booking.member.public_id))]
        ),
        zones=tuple((name, ml, placed[name]) for name, ml in request["zones_ml"].items()),
        capacity_ml=request["capacity_ml"],
        asked_ml=sum(ask["ask_ml"] for ask in request["asks"]),
        notes=tuple(answer["notes"]),
        is_stale=row.state == Allotment.State.PROPOSED and row.pieces != _fingerprint_now(row),
    )


def _fingerprint_now(row: Allotment) -> str:
    zones = FiringZone.objects.filter(coop=row.coop_id, firing=row.firing_id)
    return fingerprint(standing_pieces(row.firing), zones)


def _member_view(
    ask: Mapping[str, Any], row: Allotment, pieces: Mapping[str, Piece], names: Mapping[str, str], me: str
) -> MemberView:
    answer, member = row.answer, ask["member"]
    own = [piece_id for piece_id in answer["lots"].get(member, []) if piece_id in pieces]
    beyond = set(answer["beyond"])
    inside = tuple(
        PieceView(_called(pieces[one]), answer["ml"][one], answer["zones"][one], one in beyond)
        for one in own
        if one in answer["zones"]
    )
    return MemberView(
        member_id=member,
        name=names.get(member, ""),
        asked_ml=ask["ask_ml"],
        weight=str(ask["weight"]),
        weight_why=answer["weights"][member],
        granted_ml=answer["allotment"]["grants"][member],
        why=_why(ask, Fraction(answer["allotment"]["levels"][member])),
        used_ml=sum(one.ml for one in inside),
        beyond_ml=sum(one.ml for one in inside if one.is_beyond),
        draw=core.draw_key(row.request["draw_seed"], member),
        inside=inside,
        out=tuple(PieceView(_called(pieces[one]), answer["ml"][one], "") for one in own if one not in answer["zones"]),
        is_mine=member == me,
    )


def _called(piece: Piece) -> str:
    return f"{piece.count} × {piece.name}" if piece.count > 1 else piece.name


def _why(ask: Mapping[str, Any], level: Fraction) -> str:
    """The sum behind a grant in litres, so that a member can redo it with a pocket calculator."""
    own = Ask(ask["member"], ask["ask_ml"], Fraction(ask["weight"]), ask["floor_ml"], ask["cap_ml"])
    amount = min(Fraction(own.most_ml), max(Fraction(own.least_ml), level * own.weight))
    if amount == own.most_ml:
        if own.most_ml == own.ask_ml:
            return _("all that is asked")
        return _("the cap of %(ml)s l") % {"ml": litres(own.most_ml)}
    if amount == own.least_ml and level * own.weight < amount:
        return _("the floor of %(ml)s l") % {"ml": litres(own.least_ml)}
    return _("%(level)s l x weight %(weight)s = %(ml)s l") % {
        "level": f"{float(level) / 1000:.3f}",
        "weight": own.weight if own.weight.denominator < 1000 else f"{float(own.weight):.4f}",
        "ml": f"{float(amount) / 1000:.3f}",
    }
