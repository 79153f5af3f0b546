"""What the cost shares of a firing come from: receipts, use of the kiln, hours, damage, terms."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from fractions import Fraction
from zoneinfo import ZoneInfo

from django.db.models import Q, Sum

from billing.models import Receipt, Settlement
from billing.pools import Bearer, DamageDecision, FiringCosts, LateSpace, Outlay, Use, credits, pooled, request
from coop.models import Coop, Membership, Role
from coop.policy import Terms
from firings.models import Damage, Firing, FiringZone, GuestPass, Piece
from firings.queries import hours, load_plans

STANDING = (Settlement.State.DRAFT, Settlement.State.QUESTIONS, Settlement.State.POSTED)


def costs_of(firing: Firing, terms: Terms | None = None) -> FiringCosts:
    """Everything the cost shares of this firing are computed from, as it stands now; ``terms`` in place of its own.

    Hours owed and worked are as the firing's own terms count them.
    """
    coop = firing.coop
    terms = terms or hours.terms_of(firing)
    ids = _public_ids(coop)
    capacity = FiringZone.objects.of(coop).filter(firing=firing)
    sums = capacity.aggregate(all=Sum("capacity_ml"), soda=Sum("capacity_ml", filter=Q(zone__is_soda=True)))
    decided, undecided = _damage(firing, ids)
    used = load_plans.usage(firing)
    absent = {pk for pk, one in used.items() if one.booked_ml and not one.ml}
    return FiringCosts(
        firing=str(firing.public_id),
        currency=coop.currency,
        terms=terms,
        outlays=tuple(
            Outlay(str(row.public_id), row.pool, row.amount_minor, ids[row.paid_by_id] if row.paid_by_id else None)
            for row in standing_receipts(firing)
        ),
        use=_use(terms, {pk: one for pk, one in used.items() if pk not in absent}, ids, _failed(firing)),
        capacity_ml=sums["all"] or 0,
        soda_capacity_ml=sums["soda"] or 0,
        guests=frozenset(_guests(firing)),
        hours={str(one.member.public_id): one.balance for one in hours.for_firing(coop, firing)},
        damage=decided,
        undecided_damage=undecided,
        has_failed=firing.has_failed,
        late=_late(firing, absent, ids),
    )


def standing_receipts(firing: Firing) -> list[Receipt]:
    """Receipts that count, by date."""
    rows = Receipt.objects.of(firing.coop).filter(firing=firing).standing()
    return list(rows.select_related("paid_by__person", "entered_by__person").prefetch_related("pictures__picture"))


def is_out_of_date(settlement: Settlement, costs: FiringCosts) -> bool:
    """Whether receipts, use, hours, damage or terms have changed since these shares were drafted."""
    now = pooled(costs)
    return bool(
        settlement.request != request(now.table)
        or settlement.answer.get("credits") != credits_json(costs.outlays)
        or settlement.answer.get("to_reserve") != now.to_reserve
        or settlement.answer.get("reserve_bears", 0) != now.reserve_bears
    )


def credits_json(outlays: Iterable[Outlay]) -> dict[str, int]:
    """What each payer is credited with, minor units by member id; "" is the co-op's account."""
    return {payer or "": amount for payer, amount in sorted(credits(outlays).items(), key=lambda item: item[0] or "")}


def _public_ids(coop: Coop) -> dict[int, str]:
    return {pk: str(public_id) for pk, public_id in Membership.objects.of(coop).values_list("pk", "public_id")}


def _use(
    terms: Terms,
    usage: Mapping[int, load_plans.Usage],
    ids: Mapping[int, str],
    failed: Mapping[int, tuple[Fraction, Fraction]],
) -> dict[str, Use]:
    """Use by member: space as the terms count it (loaded, booked, the larger); soda space, boards, pots as loaded."""
    none = (Fraction(0), Fraction(0))
    return {
        ids[member]: Use(
            space_ml=terms.used_ml(booked_ml=used.booked_ml, loaded_ml=used.ml),
            soda_ml=Fraction(used.soda_ml),
            board_mm2=used.area_mm2,
            pieces=used.pots,
            loaded_ml=used.ml,
            booked_ml=used.booked_ml,
            failed=failed.get(member, none)[0],
            soda_failed=failed.get(member, none)[1],
        )
        for member, used in usage.items()
    }


def _late(firing: Firing, absent: Iterable[int], ids: Mapping[int, str]) -> tuple[LateSpace, ...]:
    """Space that was withdrawn, by day, and that of members who booked and brought nothing (``absent``).

    Only pieces that held space count; calling a firing off makes nobody late.
    """
    if firing.called_off_at is not None:
        return ()
    zone = ZoneInfo(firing.coop.time_zone)
    loading = firing.occupied_from.astimezone(zone).date()
    rows = Piece.objects.of(firing.coop).filter(booking__firing=firing, zone__isnull=False)
    late: defaultdict[tuple[int, int | None], list[int]] = defaultdict(lambda: [0, 0])
    gone = rows.filter(Q(state=Piece.State.WITHDRAWN) | Q(state=Piece.State.HELD, booking__member__in=list(absent)))
    for piece in gone.select_related("booking", "zone__zone"):
        days = None
        if piece.withdrawn_at is not None:
            days = max(0, (loading - piece.withdrawn_at.astimezone(zone).date()).days)
        space = late[piece.booking.member_id, days]
        space[0] += piece.asked_ml
        space[1] += piece.asked_ml if piece.zone is not None and piece.zone.zone.is_soda else 0
    ordered = sorted(late.items(), key=lambda item: (ids[item[0][0]], -1 if item[0][1] is None else item[0][1]))
    return tuple(LateSpace(ids[member], all_ml, soda_ml, days) for (member, days), (all_ml, soda_ml) in ordered)


def _guests(firing: Firing) -> set[str]:
    """Whoever takes part as a guest: invited to this firing, or holding no other role."""
    invited = GuestPass.objects.of(firing.coop).filter(firing=firing, guest__isnull=False).values("guest")
    full = Role.objects.of(firing.coop).exclude(kind=Role.Kind.GUEST).values("membership")
    guests = (
        Membership.objects.of(firing.coop)
        .filter(Q(pk__in=invited) | Q(roles__kind=Role.Kind.GUEST))
        .exclude(pk__in=full)
    )
    return {str(public_id) for public_id in guests.values_list("public_id", flat=True)}


def _damage(firing: Firing, ids: dict[int, str]) -> tuple[tuple[DamageDecision, ...], int]:
    """Damage to the co-op's things that two people agree on, and how many reports wait for that.

    Damage to pieces is between their makers and is no cost of the firing; of an under-fired zone see ``_failed``.
    """
    rows = list(Damage.objects.of(firing.coop).filter(firing=firing).exclude(what=Damage.What.PIECE))
    bearers: dict[str, Bearer] = {Damage.Bearer.MEMBER: "member", Damage.Bearer.ALL: "all"}
    decided = tuple(
        DamageDecision(row.amount_minor, bearers.get(row.bearer, "fund"), ids.get(row.borne_by_id))
        for row in rows
        if row.amount_minor and row.agreed_at is not None and row.what != Damage.What.ZONE
    )
    return decided, sum(row.agreed_at is None for row in rows)


def _failed(firing: Firing) -> dict[int, tuple[Fraction, Fraction]]:
    """By member the part of their space, and of that in soda zones, in zones whose under-firing the reserve bears."""
    agreed = Damage.objects.of(firing.coop).filter(firing=firing, what=Damage.What.ZONE, agreed_at__isnull=False)
    zones = set(agreed.filter(bearer=Damage.Bearer.RESERVE).values_list("zone", flat=True))
    if not zones:
        return {}
    soda = set(FiringZone.objects.filter(firing=firing, zone__is_soda=True).values_list("pk", flat=True))
    found = {}
    for member, by_zone in load_plans.space_used_ml(firing).items():
        in_soda = {zone: ml for zone, ml in by_zone.items() if zone in soda}
        found[member] = (_part(by_zone, zones), _part(in_soda, zones))
    return found


def _part(by_zone: Mapping[int, int], zones: set[int]) -> Fraction:
    whole = sum(by_zone.values())
    return Fraction(sum(ml for zone, ml in by_zone.items() if zone in zones), whole) if whole else Fraction(0)
