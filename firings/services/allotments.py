"""More is asked than fits: the space is proposed to be shared out by the co-op's policy, and the lead accepts."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db.models import Max
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from coop.errors import NotFound, Refused, Taken
from coop.models import Coop, Membership
from coop.notices import queue
from coop.transactions import say, use_case
from firings import allotment as core
from firings.access import check_leads
from firings.allotment import AllotmentRequest, Ask, Dealt, FloorsDoNotFit, Lot
from firings.models import Allotment, Firing, FiringZone, Piece
from firings.queries import allotments as queries
from firings.queries.firings import firing_of
from firings.queries.space import litres, terms_of
from firings.services import firings, material_gate, space
from firings.services.fit_plans import ask_fit_plan

BOOKING_ORDER = "booking_order"

say(
    space_shared_out_once=gettext_lazy("Somebody shared out the space of this firing just now. Load the page again."),
    allotment_version_used_once=gettext_lazy("Another proposal was made at the same moment. Load the page again."),
)


class PiecesChanged(Refused):
    """Pieces came, went or changed since the proposal was made; it is not what anybody would accept now."""

    kind = "pieces-changed"
    status = 409


@use_case
def propose(coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID) -> Allotment:
    """Work out how the space is shared out by the firing's policy. Nothing changes for anybody until it is accepted.

    The first proposal opens the seed of the draw. Refused outside of booking and where nobody asks for space.
    """
    firing = firing_of(coop, firing_id)
    check_leads(by, firing)
    _check_stage(firing)
    zones = space.zones_kept_still(firing)
    pieces = queries.standing_pieces(firing)
    if not pieces:
        raise Refused(_("Nobody asks for space in this firing yet, so there is nothing to share out."))
    shared = _share(firing, zones, pieces, now)
    return _keep(firing, by, now, shared, queries.fingerprint(pieces, zones))


@use_case
def accept(coop: Coop, *, by: Membership | None, now: datetime, allotment_id: UUID) -> Allotment:
    """Share out the space as proposed: pieces hold space or wait in order, the firing is allotted, everyone is told.

    Refused by somebody else than the lead, outside of booking and for a proposal another has replaced;
    PiecesChanged where it is not about the pieces that stand now. Then nothing is changed.
    """
    row, firing = _allotment(coop, allotment_id)
    check_leads(by, firing)
    _check_stage(firing)
    if row.state != Allotment.State.PROPOSED:
        raise Refused(_("This proposal has been replaced; look at the newest one."))
    zones = space.zones_kept_still(firing)
    pieces = queries.standing_pieces(firing)
    if row.pieces != queries.fingerprint(pieces, zones):
        raise PiecesChanged(_("Since this proposal was made pieces were listed, changed or withdrawn."))
    proposed = Allotment.objects.of(coop).filter(pk=row.pk, state=Allotment.State.PROPOSED)
    if not proposed.update(state=Allotment.State.ACCEPTED, accepted_at=now, accepted_by=by):
        raise Taken(_("Somebody accepted or replaced this proposal just now. Load the page again."))
    row.refresh_from_db()
    _carry_out(row, firing, zones, pieces, now)
    firings.record_move(firing, to=Firing.Stage.ALLOTTED, by=by, now=now, note=_note(row))
    _tell_everyone(row, firing, pieces, now)
    ask_fit_plan(firing, now)
    return row


def accept_or_propose(coop: Coop, *, by: Membership | None, now: datetime, allotment_id: UUID) -> Allotment:
    """Accept; where the pieces have changed since, propose anew and say so, so that the lead looks again."""
    try:
        return accept(coop, by=by, now=now, allotment_id=allotment_id)
    except PiecesChanged as changed:
        row = Allotment.objects.of(coop).select_related("firing").get(public_id=allotment_id)
        anew = propose(coop, by=by, now=now, firing_id=row.firing.public_id)
        raise PiecesChanged(
            _("%(why)s So nothing was shared out; proposal %(version)s is about the pieces as they are now.")
            % {"why": changed, "version": anew.version}
        ) from changed


def _allotment(coop: Coop, allotment_id: UUID) -> tuple[Allotment, Firing]:
    row: Allotment | None = Allotment.objects.of(coop).filter(public_id=allotment_id).select_related("firing").first()
    if row is None:
        raise NotFound(_("There is no such allotment here."))
    return row, firing_of(coop, row.firing.public_id)


def _check_stage(firing: Firing) -> None:
    if firing.stage == Firing.Stage.CALLED:
        raise Refused(_("Booking is not open yet; the space is shared out when members have asked for it."))
    if firing.stage == Firing.Stage.ALLOTTED:
        raise Refused(_("The space of this firing is shared out already; what is freed moves up the waiting list."))
    if firing.stage != Firing.Stage.BOOKING:
        raise Refused(
            _("This firing is at the stage “%(stage)s”; its space cannot be shared out any more.")
            % {"stage": firing.get_stage_display()}
        )


# --- Working it out ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Shared:
    """What a proposal is made of."""

    rule: str
    request: AllotmentRequest
    allotment: core.Allotment
    lots: Sequence[Lot]
    dealt: Dealt
    weights: dict[str, queries.Weighed]
    nowhere: Sequence[Piece]
    notes: list[str]


def _share(firing: Firing, zones: Sequence[FiringZone], pieces: Sequence[Piece], now: datetime) -> _Shared:
    rule = terms_of(firing).allotment_rule
    lots, nowhere = queries.lots_of(firing, zones, pieces, material_gate.suitable)
    members = list({piece.booking.member_id: piece.booking.member for piece in pieces}.values())
    weights = queries.weights_of(firing, members, rule, now)
    request = queries.request_of(firing, zones, lots, weights)
    notes: list[str] = []
    if rule == BOOKING_ORDER:
        request, dealt = _in_order_of_asking(request, lots, pieces)
        return _Shared(rule, request, request.answer(), lots, dealt, weights, nowhere, notes)
    try:
        answer = request.answer()
    except FloorsDoNotFit:
        notes.append(
            _("The floor of %(ml)s l for everyone needs more space than there is, so it was left out.")
            % {"ml": litres(terms_of(firing).floor_ml_per_member)}
        )
        request = replace(request, asks=tuple(replace(ask, floor_ml=0) for ask in request.asks))
        answer = request.answer()
    dealt = core.deal(request.zones or {}, lots, request.asks, answer.grants, draw_seed=request.draw_seed)
    return _Shared(rule, request, answer, lots, dealt, weights, nowhere, notes)


def _in_order_of_asking(
    request: AllotmentRequest, lots: Sequence[Lot], pieces: Sequence[Piece]
) -> tuple[AllotmentRequest, Dealt]:
    """By this policy what holds space keeps it; so each member's cap is what they hold, and the rest waits on."""
    known = {lot.id: lot for lot in lots}
    held = {str(piece.public_id) for piece in pieces if piece.state == Piece.State.HELD}
    stands = {lot.id: lot.stands_in for lot in lots if lot.id in held and lot.stands_in in lot.ml}
    ask_ml: dict[str, int] = defaultdict(int)
    for lot_id in stands:
        ask_ml[known[lot_id].member] += known[lot_id].most_ml
    asks: list[Ask] = [replace(ask, floor_ml=0, cap_ml=min(ask.most_ml, ask_ml[ask.member])) for ask in request.asks]
    line = sorted(pieces, key=lambda piece: (piece.asked_at, piece.pk))
    waiting = tuple(one for one in (str(piece.public_id) for piece in line) if one in known and one not in stands)
    return replace(request, asks=tuple(asks)), Dealt(stands, (), waiting)


def _keep(firing: Firing, by: Membership | None, now: datetime, shared: _Shared, pieces: str) -> Allotment:
    rows = Allotment.objects.filter(coop=firing.coop_id, firing=firing)
    highest = rows.aggregate(version=Max("version"))["version"] or 0
    rows.filter(state=Allotment.State.PROPOSED).update(state=Allotment.State.REPLACED)
    own: dict[str, list[str]] = defaultdict(list)
    for lot in shared.lots:
        own[lot.member].append(lot.id)
    zones = shared.dealt.zones
    answer: dict[str, Any] = {
        "allotment": core.answer_document(shared.allotment),
        "weights": {member: weighed.why for member, weighed in shared.weights.items()},
        "lots": own,
        "ml": {lot.id: lot.ml[zones[lot.id]] if lot.id in zones else lot.most_ml for lot in shared.lots},
        "zones": zones,
        "beyond": list(shared.dealt.beyond),
        "waiting": [*shared.dealt.waiting, *(str(piece.public_id) for piece in shared.nowhere)],
        "notes": shared.notes,
    }
    answer["ml"] |= {str(piece.public_id): piece.asked_ml for piece in shared.nowhere}
    made: Allotment = Allotment.objects.create(
        coop_id=firing.coop_id,
        firing=firing,
        version=highest + 1,
        rule=shared.rule,
        request=core.request_document(shared.request),
        answer=answer,
        pieces=pieces,
        made_at=now,
        made_by=by,
    )
    return made


# --- Carrying it out --------------------------------------------------------------------------


def _carry_out(
    row: Allotment, firing: Firing, zones: Sequence[FiringZone], pieces: Sequence[Piece], now: datetime
) -> None:
    """Pieces take their new states, zones their new sums; the zones are locked, the CHECK has the last word."""
    by_name = {zone.zone.name: zone for zone in zones}
    taken = dict.fromkeys(by_name, 0)
    places = {piece_id: place for place, piece_id in enumerate(row.answer["waiting"], start=1)}
    for piece in pieces:
        key = str(piece.public_id)
        name = row.answer["zones"].get(key)
        if name is None:
            piece.zone, piece.state, piece.allotted_place = None, Piece.State.WAITING, places[key]
        else:
            if piece.state == Piece.State.WAITING:
                piece.moved_up_at = now
            piece.zone, piece.state, piece.allotted_place = by_name[name], Piece.State.HELD, None
            taken[name] += row.answer["ml"][key]
        piece.asked_ml = row.answer["ml"][key]
    fields = ["zone", "state", "asked_ml", "allotted_place", "moved_up_at"]
    Piece.objects.bulk_update(pieces, fields, batch_size=200)
    for name, zone in by_name.items():
        FiringZone.objects.filter(coop=firing.coop_id, pk=zone.pk).update(taken_ml=taken[name])


def _note(row: Allotment) -> str:
    waiting = len(row.answer["waiting"])
    if not waiting:
        return _("Everything that is asked fits.")
    return ngettext(
        "Shared out by proposal %(version)s; %(n)s row of pieces waits.",
        "Shared out by proposal %(version)s; %(n)s rows of pieces wait.",
        waiting,
    ) % {"version": row.version, "n": waiting}


def _tell_everyone(row: Allotment, firing: Firing, pieces: Sequence[Piece], now: datetime) -> None:
    """Each member who asked reads what of theirs goes in, and at which place the rest waits."""
    link = reverse("allotment", kwargs={"coop": firing.coop.slug, "firing": firing.public_id})
    own: dict[int, list[Piece]] = defaultdict(list)
    for piece in pieces:
        own[piece.booking.member_id].append(piece)
    for mine in own.values():
        member = mine[0].booking.member
        queue(
            firing.coop,
            key=f"allotted:{row.public_id}:{member.public_id}",
            kind="allotted",
            to=member,
            subject=_("The space in %(firing)s is shared out") % {"firing": firing.name},
            text=_told(mine),
            link=link,
            now=now,
        )


def _told(mine: Sequence[Piece]) -> str:
    inside = [piece for piece in mine if piece.state == Piece.State.HELD]
    lines = []
    if inside:
        lines.append(_("Yours go in with %(litres)s l:") % {"litres": litres(sum(piece.asked_ml for piece in inside))})
        for piece in inside:
            zone = piece.zone.zone.name if piece.zone is not None else ""
            lines.append(f"- {piece.count} × {piece.name}, {zone}, {litres(piece.asked_ml)} l")
    waiting = [piece for piece in mine if piece.state == Piece.State.WAITING]
    if waiting:
        lines.append(_("Of yours wait, and move up by themselves when space is freed:"))
        for piece in waiting:
            place = _("number %(place)s in line") % {"place": piece.allotted_place}
            lines.append(f"- {piece.count} × {piece.name}, {place}")
    lines.append(_("The page shows the sum behind every figure and how to redo the draw."))
    return "\n".join(lines)
