"""What came out of the kiln: an outcome per row of pieces, and damage with who bears it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from uuid import UUID

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop.errors import NotAllowed, NotFound, Refused
from coop.models import Coop, Membership, Role
from coop.transactions import say, use_case
from firings.access import check_leads, check_takes_part
from firings.models import Damage, Firing, FiringZone, Outcome, Piece
from firings.queries.firings import firing_of

# Until the cost shares are posted what came out, and who bears what broke, may still be put right.
OUTCOME_STAGES = (Firing.Stage.UNPACKING, Firing.Stage.CLEANUP, Firing.Stage.SETTLING)
DAMAGE_STAGES = (Firing.Stage.LOADING, Firing.Stage.LIT, Firing.Stage.COOLING, *OUTCOME_STAGES)
HIGHEST_MINOR = 10**11

say(
    outcome_once_per_result=gettext_lazy("Somebody wrote down the same pieces just now; load the page again."),
    outcome_counts_something=gettext_lazy("Give at least one piece, or leave the result out."),
    damage_cost_is_not_negative=gettext_lazy("The cost of damage cannot be negative."),
    bearing_member_is_named=gettext_lazy("Say which member bears it."),
    damage_not_decided_by_who_bears_it=gettext_lazy(
        "Whoever bears the damage cannot decide on it; the lead or the coordinator does."
    ),
    damage_agreed_by_another=gettext_lazy("Somebody else than who decided or bears it has to agree."),
    under_fired_zone_is_named=gettext_lazy("Say which zone stayed under-fired."),
)


@use_case
def set_outcome(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    piece_id: UUID,
    counts: Mapping[str, int],
    note: str = "",
) -> list[Outcome]:
    """Write down what became of one row of pieces, in place of what was said before.

    The counts add up to at most the row's pieces. A member says it of their own, the lead of all.
    """
    piece = (
        Piece.objects.of(coop)
        .select_for_update(of=("self",))
        .select_related("booking__firing__coop", "booking__firing__lead__person", "booking__member")
        .filter(public_id=piece_id)
        .first()
    )
    if piece is None:
        raise NotFound(_("There is no such piece here."))
    firing: Firing = piece.booking.firing
    if by is None or by.pk != piece.booking.member_id:
        _check_leads_unpacking(by, firing)
    _check_stage(firing)
    if piece.state != Piece.State.HELD:
        raise Refused(_("“%(piece)s” had no space in this firing, so nothing came out.") % {"piece": piece.name})
    kept = _counts(piece, counts)
    tidy = _note(note)
    who = by or firing.lead
    Outcome.objects.of(coop).filter(piece=piece).exclude(result__in=kept).delete()
    for result, count in kept.items():
        Outcome.objects.update_or_create(
            coop=coop, piece=piece, result=result, defaults={"count": count, "note": tidy, "by": who, "at": now}
        )
    return list(Outcome.objects.of(coop).filter(piece=piece))


def _counts(piece: Piece, counts: Mapping[str, int]) -> dict[str, int]:
    unknown = [result for result in counts if result not in Outcome.Result.values]
    if unknown:
        raise Refused(
            _("There is no result “%(result)s”; use: %(results)s.")
            % {"result": unknown[0][:20], "results": ", ".join(Outcome.Result.values)}
        )
    if any(count < 0 for count in counts.values()):
        raise Refused(_("A count cannot be negative; leave it empty where there is none."))
    kept = {result: count for result, count in counts.items() if count}
    total = sum(kept.values())
    if not kept:
        raise Refused(_("Say what became of “%(piece)s”: how many good, flawed, broken.") % {"piece": piece.name})
    if total > piece.count:
        raise Refused(
            _("“%(piece)s” is %(count)s pieces, and %(total)s are written down. Correct the numbers.")
            % {"piece": piece.name, "count": piece.count, "total": total}
        )
    return kept


@use_case
def rest_is_good(coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID) -> int:
    """The lead says of every row nobody has said anything of that all of it is good; returns how many rows."""
    firing = firing_of(coop, firing_id)
    _check_leads_unpacking(by, firing)
    _check_stage(firing)
    rest = Piece.objects.of(coop).held().filter(booking__firing=firing, outcomes=None)
    rows = [
        Outcome(coop=coop, piece=piece, result=Outcome.Result.GOOD, count=piece.count, by=by or firing.lead, at=now)
        for piece in rest
    ]
    Outcome.objects.bulk_create(rows)
    return len(rows)


@use_case
def report_damage(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    firing_id: UUID,
    what: str,
    note: str,
    count: int = 1,
    cause: str = Damage.Cause.UNKNOWN,
    piece_id: UUID | None = None,
    zone_id: UUID | None = None,
) -> Damage:
    """Write down that something was damaged or a zone stayed under-fired; who bears it is decided later.

    Anybody who takes part may.
    """
    firing = firing_of(coop, firing_id)
    check_takes_part(by, firing)
    if firing.stage not in DAMAGE_STAGES:
        raise Refused(_("Damage is written down from loading until the firing is settled."))
    if what not in Damage.What.values:
        raise Refused(
            _("Say what was damaged: board, post, kiln, piece or zone."), fields={"what": [_("What was it?")]}
        )
    if cause not in Damage.Cause.values:
        raise Refused(_("Pick a cause from the list; “unknown” is one."), fields={"cause": [_("Pick a cause.")]})
    if not 1 <= count <= 500:
        raise Refused(_("Give how many as a number from 1 to 500."), fields={"count": [_("From 1 to 500.")]})
    if not (told := note.strip()):
        raise Refused(_("Say in a sentence what happened."), fields={"note": [_("Say what happened.")]})
    return Damage.objects.create(
        coop=coop,
        firing=firing,
        what=what,
        zone=_zone(firing, zone_id) if what == Damage.What.ZONE else None,
        count=count,
        cause=cause,
        piece=None if piece_id is None else _piece(firing, piece_id),
        note=told[:2000],
        reported_by=by or firing.lead,
        reported_at=now,
    )


@use_case
def decide_damage(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    damage_id: UUID,
    bearer: str,
    borne_by_id: UUID | None = None,
    amount_minor: int | None = None,
) -> Damage:
    """Propose who bears damage and what it costs: the lead or the coordinator, never its owner or who would bear it.

    It counts once a second person agrees; deciding anew asks for that again.
    """
    damage = _damage(coop, damage_id)
    check_leads(by, damage.firing)
    _check_still_open(damage)
    if bearer not in Damage.Bearer.values or bearer == Damage.Bearer.OPEN:
        raise Refused(_("Say who bears it: a member, everyone, the kiln reserve, or nobody."))
    if amount_minor is not None and not 0 <= amount_minor <= HIGHEST_MINOR:
        raise Refused(
            _("The cost of damage is zero or more; leave it empty where there is none."),
            fields={"amount": [_("Zero or more.")]},
        )
    who = None
    if bearer == Damage.Bearer.MEMBER:
        who = _bearing_member(damage, borne_by_id)
        if by is not None and who.pk == by.pk:
            raise NotAllowed(_("You would bear this yourself, so somebody else decides: the lead or the coordinator."))
    if damage.what == Damage.What.ZONE and who is not None:
        raise Refused(_("No single member bears an under-fired zone: everyone, the kiln reserve, or nobody."))
    damage.bearer, damage.borne_by, damage.amount_minor = bearer, who, amount_minor
    damage.decided_by, damage.decided_at = by, now
    damage.agreed_by = damage.agreed_at = None
    damage.save(
        update_fields=["bearer", "borne_by", "amount_minor", "decided_by", "decided_at", "agreed_by", "agreed_at"]
    )
    return damage


@use_case
def agree_on_damage(coop: Coop, *, by: Membership | None, now: datetime, damage_id: UUID) -> Damage:
    """Agree with what was decided, so that it counts: any member but who decided, bears it, or owns the piece."""
    damage = _damage(coop, damage_id)
    check_takes_part(by, damage.firing)
    _check_still_open(damage)
    if damage.bearer == Damage.Bearer.OPEN:
        raise Refused(_("Nobody has decided who bears it; the lead or the coordinator does that first."))
    if damage.agreed_at is not None:
        raise Refused(_("A second person has agreed already; it counts."))
    if by is not None:
        if by.pk == damage.decided_by_id:
            raise NotAllowed(_("You decided this yourself; a second person has to agree."))
        if by.pk in _owners(damage):
            raise NotAllowed(_("It is yours or you would bear it, so two others decide."))
        if not by.holds(*(kind for kind in Role.Kind.values if kind != Role.Kind.GUEST)):
            raise NotAllowed(_("A member agrees, not a guest."))
    damage.agreed_by, damage.agreed_at = by, now
    damage.save(update_fields=["agreed_by", "agreed_at"])
    return damage


def _damage(coop: Coop, damage_id: UUID) -> Damage:
    found: Damage | None = (
        Damage.objects.of(coop)
        .select_for_update(of=("self",))
        .select_related("firing__coop", "firing__lead__person", "piece__booking")
        .filter(public_id=damage_id)
        .first()
    )
    if found is None:
        raise NotFound(_("There is no such damage here."))
    return found


def _check_still_open(damage: Damage) -> None:
    if damage.firing.stage not in DAMAGE_STAGES:
        raise Refused(_("This firing is settled; what damage cost is in its cost shares."))


def _owners(damage: Damage) -> set[int]:
    """Who must not agree: whose piece it is, and who would bear it."""
    owners = {damage.borne_by_id} if damage.borne_by_id is not None else set()
    return owners | {damage.piece.booking.member_id} if damage.piece is not None else owners


def _zone(firing: Firing, zone_id: UUID | None) -> FiringZone:
    found: FiringZone | None = FiringZone.objects.filter(firing=firing, public_id=zone_id).first() if zone_id else None
    if found is None:
        raise Refused(
            _("Say which zone of this firing stayed under-fired."), fields={"zone": [_("Which zone was it?")]}
        )
    return found


def _bearing_member(damage: Damage, member_id: UUID | None) -> Membership:
    if member_id is None:
        raise Refused(_("Say which member bears it."), fields={"borne_by": [_("Which member?")]})
    found: Membership | None = Membership.objects.of(damage.firing.coop).filter(public_id=member_id).first()
    if found is None:
        raise NotFound(_("There is no such member here."))
    return found


def _check_leads_unpacking(by: Membership | None, firing: Firing) -> None:
    try:
        check_leads(by, firing)
    except NotAllowed:
        raise NotAllowed(
            _("You write down your own pieces; %(lead)s (or the deputy) writes down all others.")
            % {"lead": firing.lead.name}
        ) from None


def _check_stage(firing: Firing) -> None:
    if firing.stage in OUTCOME_STAGES:
        return
    if firing.stage == Firing.Stage.CLOSED:
        raise Refused(_("This firing is closed and its record is read-only."))
    raise Refused(_("The kiln has not been opened yet; write down what came out once it has."))


def _note(text: str) -> str:
    tidy = " ".join(text.split())
    if len(tidy) > 200:
        raise Refused(_("Keep the note under 200 letters."), fields={"note": [_("At most 200 letters.")]})
    return tidy


def _piece(firing: Firing, piece_id: UUID) -> Piece:
    found: Piece | None = Piece.objects.of(firing.coop).filter(booking__firing=firing, public_id=piece_id).first()
    if found is None:
        raise NotFound(_("There is no such piece in this firing."))
    return found
