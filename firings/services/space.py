"""Pieces ask for space: booked, waiting, changed, withdrawn, brought. No zone is ever oversold."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from uuid import UUID

from django.db.models import F, Sum
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop.access import allowed
from coop.errors import Malformed, NotAllowed, NotFound, Refused, Taken
from coop.models import Coop, Membership
from coop.notices import queue
from coop.transactions import say, use_case
from firings.access import check_leads, check_loads, check_takes_part
from firings.fire import cones
from firings.models import Booking, Firing, FiringZone, Material, Piece, StageMove
from firings.queries.firings import firing_of
from firings.queries.space import asked_ml, litres, terms_of
from firings.services import material_gate
from firings.services.fit_plans import ask_fit_plan
from firings.services.material_gate import Sizes
from firings.tables import PieceRow

_BEFORE_THE_FIRE = (Firing.Stage.BOOKING, Firing.Stage.ALLOTTED, Firing.Stage.LOADING)
_TEXT_MOST = {"name": 80, "body": 80, "glaze": 80, "note": 200}

say(
    zone_not_oversold=gettext_lazy("Somebody got there first: this space has just been taken. Load the page again."),
    piece_has_the_sizes_of_its_shape=gettext_lazy(
        "Give a round piece its diameter, a rectangular one its width and length."
    ),
    piece_count_makes_sense=gettext_lazy("Give how many pieces are alike, 1 to 500."),
    piece_has_a_height=gettext_lazy("Give the height of the piece, up to 3000 mm."),
)


class NoSpace(Taken):
    """The piece does not fit any more, and its owner does not want to wait."""

    kind = "no-space"


@dataclass(frozen=True, slots=True)
class PieceSpec:
    """One pot, or ``count`` alike, as a member describes it. Lengths in mm.

    ``body`` names a clay body of the co-op's materials or any other; ``cone`` is the cone the piece stands and
    may be "" where the body is a known one. ``zone`` is a zone's name (or the start of it), the public id
    of the firing's zone, or "" for any that suits. ``may_wait``: with no space left it goes on the waiting list.
    """

    name: str
    height_mm: int
    count: int = 1
    shape: str = "round"
    diameter_mm: int | None = None
    width_mm: int | None = None
    length_mm: int | None = None
    body: str = ""
    cone: str = ""
    glaze: str = ""
    zone: str = ""
    importance: int = 1
    is_runny: bool = False
    is_fragile: bool = False
    wants_soda: bool = False
    note: str = ""
    may_wait: bool = True


def as_asked(
    coop: Coop,
    firing: Firing,
    *,
    by: Membership | None,
    now: datetime,
    piece: PieceSpec,
    member_id: UUID | None = None,
    instead_of: Piece | None = None,
) -> tuple[Piece, list[FiringZone], Membership]:
    """The row a booking of this piece would make, the zones that suit it and whose it is; nothing is written.

    Refuses what the booking itself would refuse before it looks for space. ``instead_of``: the piece it changes.
    """
    if instead_of is None:
        member = _member(coop, firing, by, member_id)
    else:
        _check_own_or_lead(firing, by, instead_of)
        _check_stands(instead_of)
        member = instead_of.booking.member
    _check_open(firing, by, now)
    zones = _zones(firing)
    row = _described(firing, zones, piece, _materials(coop))
    return row, material_gate.suitable(firing, zones, row), member


@use_case
def list_piece(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    firing_id: UUID,
    piece: PieceSpec,
    member_id: UUID | None = None,
) -> Piece:
    """Ask for space for one row of pieces: it holds space at once, or waits in line.

    ``member_id``: the lead or the coordinator lists for another member. Once loading has begun only they
    may list; what they list then has been brought and must fit. Raises NoSpace where it would have to wait
    and may not, Refused by the material gate, by the cap per member and outside of booking.
    """
    firing = firing_of(coop, firing_id)
    member = _member(coop, firing, by, member_id)
    _check_open(firing, by, now)
    is_loading = firing.stage == Firing.Stage.LOADING
    if is_loading:
        piece = replace(piece, may_wait=False)
    zones = _zones(firing)
    row = _described(firing, zones, piece, _materials(coop))
    fit = material_gate.suitable(firing, zones, row)
    booking = _booking(firing, member, now)
    row.booking, row.asked_at = booking, now
    _hold(row, fit)
    if row.state == Piece.State.HELD:
        _check_cap(firing, booking, row.asked_ml)
    elif not piece.may_wait:
        raise NoSpace(_no_space(row, fit))
    if is_loading:
        row.brought = row.count
    row.save()
    ask_fit_plan(firing, now)
    return row


@use_case
def list_pieces(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    firing_id: UUID,
    rows: Sequence[PieceRow],
    member_id: UUID | None = None,
    by_name: bool = False,
) -> list[Piece]:
    """Take a whole list or none of it: what fits holds space, the rest waits, in order of importance.

    With ``by_name`` the lead or the coordinator lists for the members named in the rows (name or e-mail);
    else the rows' member column counts for nothing. Raises Malformed with one sentence per faulty row.
    """
    firing = firing_of(coop, firing_id)
    _check_open(firing, by, now)
    if by_name:
        _check_for_others(firing, by)
    else:
        whose = _member(coop, firing, by, member_id)
    zones = zones_kept_still(firing)
    materials, members = _materials(coop), _Members(coop) if by_name else None
    asks: list[_Ask] = []
    owners: dict[int, Membership] = {}
    faults: list[str] = []
    for row in rows:
        try:
            owner = members.named(row.member) if members else whose
            if members:
                check_takes_part(owner, firing)
            piece = _described(firing, zones, spec_of(row), materials)
            asks.append(_Ask(row.row, owner.pk, piece, material_gate.suitable(firing, zones, piece)))
            owners[owner.pk] = owner
        except Refused as no:
            faults.append(_("Row %(row)s: %(why)s") % {"row": row.row, "why": no})
    if faults:
        raise Malformed(faults)
    made = _hold_all(firing, zones, asks, {pk: _booking(firing, owner, now) for pk, owner in owners.items()}, now)
    ask_fit_plan(firing, now)
    return made


@dataclass(frozen=True, slots=True)
class _Ask:
    """One row of a list on its way to a place: whose it is and where it may stand."""

    row: int
    owner: int
    piece: Piece
    fit: list[FiringZone]


@use_case
def change_piece(coop: Coop, *, by: Membership | None, now: datetime, piece_id: UUID, piece: PieceSpec) -> Piece:
    """Describe a piece anew; it asks again for space in its zone or another that suits.

    A piece that holds space keeps holding or nothing is changed (NoSpace). One that waits keeps its place in
    line unless it asks for more than before. Freed space goes to the waiting list.
    """
    old, firing = _piece(coop, piece_id)
    _check_own_or_lead(firing, by, old)
    _check_open(firing, by, now)
    zones = zones_kept_still(firing)
    old.refresh_from_db()
    _check_stands(old)
    new = _described(firing, zones, piece, _materials(coop))
    fit = material_gate.suitable(firing, zones, new)
    was_held, was_ml = old.state == Piece.State.HELD, old.asked_ml
    if was_held:
        _give_back({old.zone_id: old.asked_ml})
        fit = sorted(fit, key=lambda zone: zone.pk != old.zone_id)
    _copy(new, old)
    if not was_held and asked_ml(new, fit[0].zone) > was_ml:
        old.asked_at, old.allotted_place = now, None
    _hold(old, fit)
    if old.state == Piece.State.HELD:
        old.save()
        _check_cap(firing, old.booking)
    elif was_held:
        raise NoSpace(
            _("There is not enough space for this change, so nothing was changed. %(why)s")
            % {"why": _no_space(old, fit)}
        )
    else:
        old.save()
    _move_up(firing, now)
    ask_fit_plan(firing, now)
    old.refresh_from_db()
    return old


@use_case
def withdraw_piece(coop: Coop, *, by: Membership | None, now: datetime, piece_id: UUID) -> Piece:
    """Take a piece out of the firing. Its space is free at once and offered down the waiting list."""
    piece, firing = _piece(coop, piece_id)
    _check_own_or_lead(firing, by, piece)
    if firing.stage not in _BEFORE_THE_FIRE:
        raise Refused(_("The pieces are in the kiln; nothing can be withdrawn any more. Speak with the lead."))
    zones_kept_still(firing)
    piece.refresh_from_db()
    _check_stands(piece)
    if piece.state == Piece.State.HELD:
        _give_back({piece.zone_id: piece.asked_ml})
    piece.state, piece.withdrawn_at = Piece.State.WITHDRAWN, now
    piece.save(update_fields=["state", "withdrawn_at"])
    if not Piece.objects.of(coop).filter(booking=piece.booking).exclude(state=Piece.State.WITHDRAWN).exists():
        Booking.objects.of(coop).filter(pk=piece.booking_id).update(withdrawn_at=now)
    _move_up(firing, now)
    ask_fit_plan(firing, now)
    return piece


@use_case
def bring(coop: Coop, *, by: Membership | None, now: datetime, piece_id: UUID, brought: int) -> Piece:
    """Note how many of a row of pieces were really brought to the kiln; booked and brought are kept apart."""
    piece, firing = _piece(coop, piece_id)
    check_takes_part(by, firing)
    if firing.stage not in (Firing.Stage.ALLOTTED, Firing.Stage.LOADING):
        raise Refused(_("Pieces are counted in between the end of booking and the lighting of the kiln."))
    _check_stands(piece)
    if not 0 <= brought <= piece.count:
        raise Refused(
            _("Of “%(piece)s” %(count)s are booked; give a number from 0 to %(count)s. List more as new pieces.")
            % {"piece": piece.name, "count": piece.count}
        )
    Piece.objects.of(coop).filter(pk=piece.pk).update(brought=brought)
    piece.brought = brought
    ask_fit_plan(firing, now)
    return piece


def release_all(firing: Firing, now: datetime) -> None:
    """The firing is called off: nobody holds or waits for anything in it. Call inside a use case."""
    zones_kept_still(firing)
    standing = Piece.objects.filter(coop=firing.coop_id, booking__firing=firing).exclude(state=Piece.State.WITHDRAWN)
    standing.update(state=Piece.State.WITHDRAWN, withdrawn_at=now)
    FiringZone.objects.filter(coop=firing.coop_id, firing=firing).update(taken_ml=0)
    Booking.objects.filter(coop=firing.coop_id, firing=firing, withdrawn_at=None).update(withdrawn_at=now)


def spec_of(row: PieceRow) -> PieceSpec:
    """A piece from a row of a list; what the list leaves open stays open."""
    return PieceSpec(
        name=row.piece,
        count=row.count,
        shape=row.shape,
        diameter_mm=row.diameter_mm,
        width_mm=row.width_mm,
        length_mm=row.length_mm,
        height_mm=row.height_mm,
        body=row.body,
        cone=row.cone,
        glaze=row.glaze,
        zone=row.zone,
        importance=row.importance or 1,
        note=row.note,
    )


# --- Whose, and when ----------------------------------------------------------------------


def _piece(coop: Coop, piece_id: UUID) -> tuple[Piece, Firing]:
    piece: Piece | None = (
        Piece.objects.of(coop)
        .filter(public_id=piece_id)
        .select_related(
            "booking__member__person",
            "booking__firing__lead__person",
            "booking__firing__policy",
            "booking__firing__coop",
        )
        .first()
    )
    if piece is None:
        raise NotFound(_("There is no such piece here."))
    return piece, piece.booking.firing


def _member(coop: Coop, firing: Firing, by: Membership | None, member_id: UUID | None) -> Membership:
    """The member whose pieces they are: oneself, or another one for whom the lead lists."""
    if member_id is None:
        if by is None:
            raise Refused(_("Say whose pieces these are."))
        check_takes_part(by, firing)
        return by
    member: Membership | None = Membership.objects.of(coop).current().with_roles().filter(public_id=member_id).first()
    if member is None:
        raise NotFound(_("There is no such member here."))
    if by is None or by.pk != member.pk:
        _check_for_others(firing, by)
    check_takes_part(member, firing)
    return member


def _check_for_others(firing: Firing, by: Membership | None) -> None:
    if not allowed(check_loads, by, firing):
        raise NotAllowed(
            _("Only the lead of this firing (%(lead)s) or the coordinator can list pieces for others.")
            % {"lead": firing.lead.name}
        )


def _check_own_or_lead(firing: Firing, by: Membership | None, piece: Piece) -> None:
    if by is not None and by.pk == piece.booking.member_id:
        check_takes_part(by, firing)
    elif not allowed(check_leads, by, firing):
        raise NotAllowed(
            _("This piece belongs to %(owner)s; only they or the lead (%(lead)s) can change it.")
            % {"owner": piece.booking.member.name, "lead": firing.lead.name}
        )


def _check_stands(piece: Piece) -> None:
    if piece.state == Piece.State.WITHDRAWN:
        raise Refused(_("“%(piece)s” was withdrawn already; list it anew.") % {"piece": piece.name})


def _check_open(firing: Firing, by: Membership | None, now: datetime) -> None:
    """Everyone books while booking is open; until the kiln is lit the lead can still add and change."""
    lead = {"lead": firing.lead.name}
    if firing.stage == Firing.Stage.CALLED:
        raise Refused(_("Booking is not open yet; %(lead)s, who leads this firing, opens it.") % lead)
    if firing.stage not in _BEFORE_THE_FIRE:
        raise Refused(
            _("This firing is at the stage “%(stage)s”; nothing more goes in. List the pieces in the next firing.")
            % {"stage": firing.get_stage_display()}
        )
    if firing.stage == Firing.Stage.BOOKING and now < firing.booking_closes_at:
        return
    if not allowed(check_loads, by, firing):
        closed_at = firing.booking_closes_at
        if firing.stage != Firing.Stage.BOOKING:
            closed_at = min(closed_at, _left_booking_at(firing) or closed_at)
        raise Refused(
            _("Booking closed on %(when)s. Ask %(lead)s, who leads this firing and can still add or change pieces.")
            % {**lead, "when": date_format(timezone.localtime(closed_at), "j F Y, H:i")}
        )


def _left_booking_at(firing: Firing) -> datetime | None:
    moves = StageMove.objects.filter(coop=firing.coop_id, firing=firing, from_stage=Firing.Stage.BOOKING)
    return moves.values_list("at", flat=True).last()


class _Members:
    """The co-op's members as a list names them: by name or by e-mail, upper and lower case alike."""

    def __init__(self, coop: Coop) -> None:
        rows = list(Membership.objects.of(coop).current().with_roles())
        self._by: dict[str, list[Membership]] = {}
        for row in rows:
            for key in {row.person.name.casefold(), row.person.email.casefold()}:
                self._by.setdefault(key, []).append(row)

    def named(self, text: str) -> Membership:
        found = self._by.get(" ".join(text.split()).casefold(), [])
        if len(found) == 1:
            return found[0]
        if found:
            raise Refused(_("There are two members called “%(name)s”; give the e-mail address.") % {"name": text})
        raise Refused(
            _("There is no member “%(name)s” in this co-op; write the name as on the members page, or the e-mail.")
            % {"name": text}
        )


# --- What it is ---------------------------------------------------------------------------


def _materials(coop: Coop) -> dict[tuple[str, str], Material]:
    rows = Material.objects.of(coop).filter(retired_at=None, kind__in=[Material.Kind.BODY, Material.Kind.GLAZE])
    return {(row.kind, row.name.casefold()): row for row in rows}


def _described(
    firing: Firing,
    zones: Sequence[FiringZone],
    spec: PieceSpec,
    materials: Mapping[tuple[str, str], Material],
) -> Piece:
    """The row as described, checked by itself, not yet asked into a zone."""
    texts = {field: " ".join(getattr(spec, field).split()) for field in _TEXT_MOST}
    _check_texts(texts)
    material_gate.check_sizes(
        Sizes(spec.shape, spec.diameter_mm, spec.width_mm, spec.length_mm, spec.height_mm), spec.count
    )
    if not 1 <= spec.importance <= 999:
        text = _("Give the order of importance as 1 for what matters most, 2, 3 and so on up to 999.")
        raise Refused(text, fields={"importance": [text]})
    body = materials.get((Material.Kind.BODY, texts["body"].casefold()))
    glaze = materials.get((Material.Kind.GLAZE, texts["glaze"].casefold()))
    return Piece(
        coop_id=firing.coop_id,
        name=texts["name"],
        count=spec.count,
        shape=spec.shape,
        diameter_mm=spec.diameter_mm,
        width_mm=spec.width_mm,
        length_mm=spec.length_mm,
        height_mm=spec.height_mm,
        body=body,
        body_name=body.name if body else texts["body"],
        cone=_cone(spec.cone, body, glaze),
        glaze=texts["glaze"],
        is_runny=spec.is_runny or (glaze is not None and glaze.is_runny),
        is_fragile=spec.is_fragile,
        wants_soda=spec.wants_soda,
        importance=spec.importance,
        note=texts["note"],
        wished_zone=_wished(zones, spec.zone),
    )


def _check_texts(texts: Mapping[str, str]) -> None:
    faults = {
        field: _("This text has %(n)s characters; shorten it to %(most)s.")
        % {"n": len(text), "most": _TEXT_MOST[field]}
        for field, text in texts.items()
        if len(text) > _TEXT_MOST[field]
    }
    if not texts["name"]:
        faults["name"] = _("Give the piece a name, for example “mug”.")
    if faults:
        raise Refused(" ".join(faults.values()), fields={field: [text] for field, text in faults.items()})


def _cone(text: str, body: Material | None, glaze: Material | None) -> str:
    """The cone the piece stands: the coolest of what its owner says, its body and its glaze stand."""
    try:
        said = [cones.canonical(text)] if text.strip() else []
    except Refused as no:
        raise Refused(no, fields={"cone": [str(no)]}) from no
    known = [m.stands_cone for m in (body, glaze) if m is not None and m.stands_cone]
    if not said and (body is None or not known):
        sentence = _("Pick the cone this clay stands (look at the bag), or a clay body from the co-op's list.")
        raise Refused(sentence, fields={"cone": [sentence]})
    return min([*said, *known], key=cones.rank)


def _wished(zones: Sequence[FiringZone], text: str) -> FiringZone | None:
    wish = " ".join(text.split()).casefold()
    if not wish or wish == "any":
        return None
    exact = [z for z in zones if wish in (z.zone.name.casefold(), str(z.public_id))]
    begins = exact or [z for z in zones if z.zone.name.casefold().startswith(wish)]
    if len(begins) != 1:
        names = ", ".join(z.zone.name for z in zones)
        sentence = _("There is no one zone “%(zone)s” in this firing; pick one of: %(names)s. Or leave it empty.") % {
            "zone": text[:40],
            "names": names,
        }
        raise Refused(sentence, fields={"zone": [sentence]})
    return begins[0]


def _copy(new: Piece, old: Piece) -> None:
    """Everything a member says about a piece, from one row to the other."""
    said = ("name", "count", "shape", "diameter_mm", "width_mm", "length_mm", "height_mm", "body_id", "body_name")
    wishes = ("cone", "glaze", "is_runny", "is_fragile", "wants_soda", "importance", "note", "wished_zone_id")
    for field in (*said, *wishes):
        setattr(old, field, getattr(new, field))


# --- Space --------------------------------------------------------------------------------


def _zones(firing: Firing) -> list[FiringZone]:
    rows = FiringZone.objects.filter(coop=firing.coop_id, firing=firing).select_related("zone__kiln")
    return list(rows.prefetch_related("zone__kiln__posts"))


def zones_kept_still(firing: Firing) -> list[FiringZone]:
    """The firing's zones, locked in one order (SQLite's writers are alone anyway), as they stand now."""
    rows = FiringZone.objects.filter(coop=firing.coop_id, firing=firing).order_by("pk")
    list(rows.select_for_update().values_list("pk"))
    return _zones(firing)


def _booking(firing: Firing, member: Membership, now: datetime) -> Booking:
    booking, is_new = Booking.objects.get_or_create(
        coop_id=firing.coop_id, firing=firing, member=member, defaults={"made_at": now}
    )
    if not is_new and booking.withdrawn_at is not None:
        Booking.objects.filter(pk=booking.pk).update(withdrawn_at=None)
        booking.withdrawn_at = None
    return booking


def _take(zone: FiringZone, ml: int) -> bool:
    """Take this much of the zone, or nothing. The condition is the database's, so no race oversells."""
    fits = FiringZone.objects.filter(coop=zone.coop_id, pk=zone.pk, taken_ml__lte=F("capacity_ml") - ml)
    return bool(fits.update(taken_ml=F("taken_ml") + ml))


def _give_back(by_zone: Mapping[int | None, int]) -> None:
    for zone_id, ml in by_zone.items():
        FiringZone.objects.filter(pk__in=[zone_id]).update(taken_ml=F("taken_ml") - ml)


def _hold(piece: Piece, fit: Sequence[FiringZone]) -> None:
    """Hold space in the first of the zones that has it, the emptiest first; else wait. Not saved."""
    kept = [zone for zone in fit if zone.pk == piece.zone_id]
    others = sorted((zone for zone in fit if zone.pk != piece.zone_id), key=lambda zone: -zone.free_ml)
    for zone in [*kept, *others]:
        ml = asked_ml(piece, zone.zone)
        if _take(zone, ml):
            piece.zone, piece.asked_ml, piece.state = zone, ml, Piece.State.HELD
            return
    piece.zone, piece.asked_ml, piece.state = None, asked_ml(piece, fit[0].zone), Piece.State.WAITING


def _no_space(piece: Piece, fit: Sequence[FiringZone]) -> str:
    free = ", ".join(
        _("%(zone)s has %(free)s l free") % {"zone": zone.zone.name, "free": litres(zone.free_ml)} for zone in fit
    )
    return _("“%(piece)s” asks %(ml)s l and does not fit: %(free)s.") % {
        "piece": piece.name,
        "ml": litres(piece.asked_ml),
        "free": free,
    }


def _check_cap(firing: Firing, booking: Booking, more_ml: int = 0) -> None:
    """Refuse what takes the member over the cap; locks the booking, so that two asks at once cannot pass it."""
    cap = terms_of(firing).cap_ml_per_member
    if cap is None:
        return
    Booking.objects.filter(pk=booking.pk).update(withdrawn_at=None)
    held = _held_ml(booking)
    if held + more_ml > cap:
        raise Refused(
            _("A member may hold %(cap)s l in this firing; with this it would be %(sum)s l. List less.")
            % {"cap": litres(cap), "sum": litres(held + more_ml)}
        )


def _held_ml(booking: Booking) -> int:
    return int(Piece.objects.filter(booking=booking).held().aggregate(ml=Sum("asked_ml"))["ml"] or 0)


def _hold_all(
    firing: Firing, zones: Sequence[FiringZone], asks: Sequence[_Ask], bookings: Mapping[int, Booking], now: datetime
) -> list[Piece]:
    """Give each piece space or a place in line; the zones are locked, so their free space is known."""
    free = {zone.pk: zone.free_ml for zone in zones}
    for ask in sorted(asks, key=lambda ask: (ask.piece.importance, ask.row)):
        piece = ask.piece
        piece.booking, piece.asked_at = bookings[ask.owner], now
        piece.asked_ml, piece.state = asked_ml(piece, ask.fit[0].zone), Piece.State.WAITING
        for zone in sorted(ask.fit, key=lambda zone: -free[zone.pk]):
            if (ml := asked_ml(piece, zone.zone)) <= free[zone.pk]:
                piece.zone, piece.asked_ml, piece.state = zone, ml, Piece.State.HELD
                free[zone.pk] -= ml
                break
    _check_caps(firing, asks, bookings)
    for zone in zones:
        ml = zone.free_ml - free[zone.pk]
        if ml and not _take(zone, ml):
            raise NoSpace(_("This space has just been taken. Load the page again."))
    made: list[Piece] = Piece.objects.bulk_create([ask.piece for ask in asks], batch_size=200)
    return made


def _check_caps(firing: Firing, asks: Sequence[_Ask], bookings: Mapping[int, Booking]) -> None:
    cap = terms_of(firing).cap_ml_per_member
    if cap is None:
        return
    held = {pk: _held_ml(booking) for pk, booking in bookings.items()}
    faults: list[str] = []
    for ask in asks:
        if ask.piece.state != Piece.State.HELD:
            continue
        held[ask.owner] += ask.piece.asked_ml
        if held[ask.owner] > cap:
            said = {"row": ask.row, "piece": ask.piece.name, "sum": litres(held[ask.owner]), "cap": litres(cap)}
            faults.append(
                _("Row %(row)s: with “%(piece)s” the member would hold %(sum)s l; at most %(cap)s l may be held.")
                % said
            )
    if faults:
        raise Malformed(faults)


def _move_up(firing: Firing, now: datetime) -> None:
    """Offer free space down the waiting list: whoever comes first and fits holds it, and is told."""
    waiting = Piece.objects.filter(coop=firing.coop_id, booking__firing=firing).waiting()
    rows = list(waiting.select_related("booking__member__person", "wished_zone__zone"))
    if not rows:
        return
    zones = _zones(firing)
    cap = terms_of(firing).cap_ml_per_member
    for piece in rows:
        fit = _still_suitable(firing, zones, piece)
        if not any(asked_ml(piece, zone.zone) <= zone.free_ml for zone in fit):
            continue
        if cap is not None and _held_ml(piece.booking) + asked_ml(piece, fit[0].zone) > cap:
            continue
        _hold(piece, fit)
        if piece.state != Piece.State.HELD:
            continue
        piece.moved_up_at = now
        piece.save(update_fields=["zone", "asked_ml", "state", "moved_up_at"])
        for zone in zones:
            if zone.pk == piece.zone_id:
                zone.taken_ml += piece.asked_ml
        _tell_moved_up(firing, piece, now)


def _still_suitable(firing: Firing, zones: Iterable[FiringZone], piece: Piece) -> list[FiringZone]:
    try:
        return material_gate.suitable(firing, list(zones), piece)
    except Refused:
        return []


def _tell_moved_up(firing: Firing, piece: Piece, now: datetime) -> None:
    member, zone = piece.booking.member, piece.zone
    assert zone is not None
    queue(
        firing.coop,
        key=f"moved-up:{piece.public_id}:{now:%Y%m%d%H%M%S%f}",
        kind="moved_up",
        to=member,
        subject=_("There is space for “%(piece)s” in %(firing)s") % {"piece": piece.name, "firing": firing.name},
        text=_(
            "“%(piece)s” (%(count)s) has moved up from the waiting list and now holds %(litres)s l in %(zone)s. "
            "If you no longer want it in this firing, withdraw it, so that the next one moves up."
        )
        % {
            "piece": piece.name,
            "count": piece.count,
            "litres": litres(piece.asked_ml),
            "zone": zone.zone.name,
        },
        link=reverse("firing_space", kwargs={"coop": firing.coop.slug, "firing": firing.public_id}),
        now=now,
    )
