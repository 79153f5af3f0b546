"""What a firing's receipts, use, hours, damage and terms make of the pools that are shared; knows no framework."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, Final, Literal

from billing.cost_shares import FUND, CostTable, Member, Pool, fill_guarantee
from coop import money
from coop.policy import POOLS, Terms

HOURS_OWED: Final = "hours_owed"
HOURS_MORE: Final = "hours_more"
Bearer = Literal["member", "all", "fund"]
Weights = dict[str, Fraction]


@dataclass(frozen=True, slots=True)
class Use:
    """What one member used of a firing: space as money counts it (ml), in soda zones (ml), boards (mm²), pots."""

    space_ml: Fraction
    soda_ml: Fraction
    board_mm2: int
    pieces: int


@dataclass(frozen=True, slots=True)
class Outlay:
    """One standing receipt in minor units; minus is a refund; ``paid_by`` None is the co-op's account."""

    id: str
    pool: str
    amount: int
    paid_by: str | None


@dataclass(frozen=True, slots=True)
class DamageDecision:
    """What decided damage to the co-op's things costs (minor units) and who bears it."""

    amount: int
    bearer: Bearer
    borne_by: str | None = None


@dataclass(frozen=True, slots=True)
class FiringCosts:
    """Everything the cost shares of one firing come from; members by id, ``hours`` worked less owed in minutes."""

    firing: str
    currency: str
    terms: Terms
    outlays: tuple[Outlay, ...]
    use: Mapping[str, Use]
    capacity_ml: int
    soda_capacity_ml: int
    guests: frozenset[str] = frozenset()
    hours: Mapping[str, int] = field(default_factory=dict)
    damage: tuple[DamageDecision, ...] = ()
    undecided_damage: int = 0
    has_failed: bool = False


@dataclass(frozen=True, slots=True)
class PooledCosts:
    """The table to share, what of its bills goes to the kiln reserve, and what else moved money, in words."""

    table: CostTable
    to_reserve: int
    notes: tuple[str, ...]


def pooled(costs: FiringCosts) -> PooledCosts:
    """Pools with bills and weights from a firing's costs.

    The bills add up to the receipts plus ``to_reserve``; the two pools of hours add up to zero.
    """
    notes: list[str] = []
    bills = _bills(costs.outlays)
    receipts = sum(bills.values())
    litres = {member: used.space_ml for member, used in costs.use.items() if used.space_ml > 0}
    levy = money.round_fraction(Fraction(costs.terms.levy_minor_per_litre, 1000) * sum(litres.values()))
    if levy:
        bills["reserve"] = bills.get("reserve", 0) + levy
        notes.append(
            f"The levy of {money.format_plain(costs.terms.levy_minor_per_litre, costs.currency)} {costs.currency} "
            f"a litre for the kiln reserve is part of the pool reserve."
        )
    breakage = _breakage(costs, bills.get("breakage", 0), litres)
    if breakage is not None:
        bills["breakage"] = breakage.bill
    pools = [
        breakage if name == "breakage" and breakage is not None else _pool(costs, name, bills[name], litres, notes)
        for name in POOLS
        if name in bills
    ]
    if costs.undecided_damage:
        notes.append(
            f"Damage that nobody has decided on ({costs.undecided_damage}) is not in these shares; "
            "decide who bears it and draft again, or leave it out."
        )
    pools += _hours(costs, notes)
    if not litres and any(pool.bill for pool in pools):
        notes.append("No member used any space in this firing, so there is nobody to pay and the fund bears the bills.")
    table = CostTable(costs.firing, costs.currency, _members(costs, pools), tuple(pools))
    return PooledCosts(table, sum(bills.values()) - receipts, tuple(notes))


def credits(outlays: Iterable[Outlay]) -> dict[str | None, int]:
    """What each payer laid out, minor units by member id (None: the co-op's account)."""
    paid: defaultdict[str | None, int] = defaultdict(int)
    for outlay in outlays:
        paid[outlay.paid_by] += outlay.amount
    return dict(paid)


def request(table: CostTable) -> dict[str, Any]:
    """The table as a ``cost-shares/1`` file, ready for JSON."""
    return {
        "format": "cost-shares/1",
        "firing": table.firing,
        "currency": table.currency,
        "members": [
            {"id": member.id, **({} if member.factor == 1 else {"factor": str(member.factor)})}
            for member in table.members
        ],
        "pools": [
            {
                "id": pool.id,
                "bill": pool.bill,
                "key": pool.key,
                "weights": {
                    **{name: _json(weight) for name, weight in pool.weights.items()},
                    **({FUND: _json(pool.fund_weight)} if pool.fund_weight else {}),
                },
            }
            for pool in table.pools
        ],
    }


def _json(weight: Fraction | int) -> int | str:
    exact = Fraction(weight)
    return exact.numerator if exact.denominator == 1 else str(exact)


def _bills(outlays: Iterable[Outlay]) -> dict[str, int]:
    bills: defaultdict[str, int] = defaultdict(int)
    for outlay in outlays:
        bills[outlay.pool] += outlay.amount
    return dict(bills)


def _members(costs: FiringCosts, pools: Iterable[Pool]) -> tuple[Member, ...]:
    names = sorted({*costs.use, *(name for pool in pools for name in pool.weights)})
    return tuple(
        Member(name, factor=costs.terms.guest_factor if name in costs.guests else Fraction(1)) for name in names
    )


def _pool(costs: FiringCosts, name: str, bill: int, litres: Mapping[str, Fraction], notes: list[str]) -> Pool:
    key = costs.terms.cost_keys[name]
    weights = _weights(costs, key, litres)
    fund = Fraction(0)
    if key in ("fund", "decision"):
        fund = Fraction(1)
        if key == "decision":
            notes.append(f"Nobody decided who bears {name}, so the fund bears it.")
    elif name != "reserve" and costs.terms.empty_borne_by == "fund":
        capacity = {"litres": costs.capacity_ml, "soda_litres": costs.soda_capacity_ml}.get(key, 0)
        fund = Fraction(fill_guarantee(weights, capacity, costs.terms.fill_guarantee))
        if fund:
            notes.append(
                f"The fund bears the empty space below {_percent(costs.terms.fill_guarantee)} of the kiln in {name}."
            )
    refund = costs.terms.failed_refund.get(name, Fraction(0)) if costs.has_failed and bill > 0 else Fraction(0)
    if refund and weights:
        notes.append(f"This firing failed, so the fund bears {_percent(refund)} of what members would pay for {name}.")
        # The fund joins in with as much weight as lowers every member's share to (1 - refund) of it.
        all_of_it = sum(weights.values(), fund)
        weights, fund = ({}, all_of_it) if refund == 1 else (weights, fund + all_of_it * refund / (1 - refund))
    return Pool(name, bill, key, weights, fund)


def _percent(share: Fraction) -> str:
    percent = share * 100
    return f"{percent} %" if percent.denominator == 1 else f"{share}"


def _weights(costs: FiringCosts, key: str, litres: Mapping[str, Fraction]) -> Weights:
    heads = [member for member, used in costs.use.items() if used.space_ml > 0 or used.pieces > 0]
    if key == "litres":
        found = dict(litres)
    elif key == "soda_litres":
        found = {member: used.soda_ml for member, used in costs.use.items()}
    elif key == "board_area":
        found = {member: Fraction(used.board_mm2) for member, used in costs.use.items()}
    elif key == "pieces":
        found = {member: Fraction(used.pieces) for member, used in costs.use.items()}
    elif key == "heads":
        found = {member: Fraction(1) for member in heads}
    else:
        found = {}
    return {member: weight for member, weight in sorted(found.items()) if weight > 0}


def _breakage(costs: FiringCosts, receipts: int, litres: Mapping[str, Fraction]) -> Pool | None:
    """Breakage as it was decided; None where nothing was, or the co-op shares it by another key.

    Receipts above what members bear stay with the fund; what members bear above the receipts (boards from the
    co-op's own store) goes to the kiln reserve.
    """
    if costs.terms.cost_keys["breakage"] != "decision" or not costs.damage:
        return None
    weights: defaultdict[str, Fraction] = defaultdict(Fraction)
    whole = sum(litres.values(), Fraction(0))
    for one in costs.damage:
        if one.bearer == "member" and one.borne_by is not None:
            weights[one.borne_by] += one.amount
        elif one.bearer == "all" and whole:
            for member, space in litres.items():
                weights[member] += one.amount * space / whole
    charged = int(sum(weights.values()))
    bill = max(receipts, charged) if charged else receipts
    if not bill:
        return None
    fund = Fraction(bill - charged) if charged else Fraction(1)
    unit = 10 ** money.digits(costs.currency)
    return Pool(
        "breakage",
        bill,
        f"{costs.currency} by decision",
        {member: weight / unit for member, weight in sorted(weights.items()) if weight},
        fund / unit,
    )


def _hours(costs: FiringCosts, notes: list[str]) -> list[Pool]:
    """A charge for hours below and a credit for hours above what was owed: as many hours in one as in the other."""
    rate = costs.terms.hour_rate_minor
    below = {member: -minutes for member, minutes in sorted(costs.hours.items()) if minutes < 0}
    above = {member: minutes for member, minutes in sorted(costs.hours.items()) if minutes > 0}
    minutes = min(sum(below.values()), sum(above.values()))
    bill = money.round_fraction(Fraction(rate * minutes, 60))
    if not bill:
        return []
    notes.append(
        f"Hours that one member left and another worked count {money.format_plain(rate, costs.currency)} "
        f"{costs.currency} each; what is charged for them is paid for them."
    )
    return [Pool(HOURS_OWED, bill, "hours", below), Pool(HOURS_MORE, -bill, "hours", above)]
