"""What a firing's receipts, use, hours, damage and terms make of the pools that are shared; knows no framework."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, Final, Literal

from billing.cost_shares import FUND, CostTable, Member, Pool, fill_guarantee, weight_text
from coop import money
from coop.policy import POOLS, Terms

HOURS_OWED: Final = "hours_owed"
HOURS_MORE: Final = "hours_more"
Bearer = Literal["member", "all", "fund"]
Weights = dict[str, Fraction]


@dataclass(frozen=True, slots=True)
class Use:
    """What one member used of a firing: space as money counts it (ml), in soda zones (ml), boards (mm²), pots.

    ``loaded_ml`` and ``booked_ml`` are what ``space_ml`` came from; ``failed`` and ``soda_failed`` the parts (0 to 1)
    of the space loaded, and of that in soda zones, whose zone did not reach its temperature.
    """

    space_ml: Fraction
    soda_ml: Fraction
    board_mm2: int
    pieces: int
    loaded_ml: int | None = None
    booked_ml: int | None = None
    failed: Fraction = Fraction(0)
    soda_failed: Fraction = Fraction(0)


@dataclass(frozen=True, slots=True)
class LateSpace:
    """Space (ml) withdrawn ``days`` before loading, or booked and not brought (None); soda zones' part of it."""

    member: str
    space_ml: int
    soda_ml: int = 0
    days: int | None = None


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
    late: tuple[LateSpace, ...] = ()


@dataclass(frozen=True, slots=True)
class PooledCosts:
    """The table to share, and what happens beside it, in minor units and in words.

    ``to_reserve`` of the bills goes to the kiln reserve; of what the table leaves to the fund the reserve bears
    ``reserve_bears``. ``space`` says by member how the litres that count came about.
    """

    table: CostTable
    to_reserve: int
    notes: tuple[str, ...]
    reserve_bears: int = 0
    space: Mapping[str, str] = field(default_factory=dict)


def pooled(costs: FiringCosts) -> PooledCosts:
    """Pools with bills and weights from a firing's costs.

    The bills add up to the receipts plus ``to_reserve``; the two pools of hours add up to zero. Space withdrawn
    late or not brought counts, as far as it stayed empty, with the part the terms name: those who stayed have
    less to bear, and nobody is charged for space that another took.
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
    late = _late(costs)
    if late.words:
        notes.append("Space withdrawn late or not brought counts in part, as far as it stayed empty.")
    pools, from_reserve = [], 0
    for name in POOLS:
        if name not in bills:
            continue
        if name == "breakage" and breakage is not None:
            pools.append(breakage)
            continue
        pool, reserve = _pool(costs, name, bills[name], late, notes)
        pools.append(pool)
        if reserve:
            whole = Fraction(sum(pool.weights.values())) + pool.fund_weight
            from_reserve += money.round_fraction(pool.bill * reserve / whole)
    if costs.undecided_damage:
        notes.append(
            f"Damage that nobody has decided on ({costs.undecided_damage}) is not in these shares; "
            "decide who bears it and draft again, or leave it out."
        )
    pools += _hours(costs, notes)
    if not litres and any(pool.bill for pool in pools):
        notes.append("No member used any space in this firing, so there is nobody to pay and the fund bears the bills.")
    members = _members(costs, pools)
    if any(member.floor or member.cap is not None for member in members):
        notes.append(_limits_words(costs))
    return PooledCosts(
        table=CostTable(costs.firing, costs.currency, members, tuple(pools)),
        to_reserve=sum(bills.values()) - receipts,
        notes=tuple(notes),
        reserve_bears=from_reserve,
        space=_space_words(costs, late),
    )


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
            {
                "id": member.id,
                **({} if member.factor == 1 else {"factor": str(member.factor)}),
                **({"floor": member.floor} if member.floor else {}),
                **({} if member.cap is None else {"cap": member.cap}),
            }
            for member in table.members
        ],
        "pools": [
            {
                "id": pool.id,
                "bill": pool.bill,
                "key": pool.key,
                **({"direct": True} if pool.direct else {}),
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
    """Everybody with a weight; the least and the most a firing costs hold for who took part with space or pots."""
    names = sorted({*costs.use, *(name for pool in pools for name in pool.weights)})
    part = {member for member, used in costs.use.items() if used.space_ml > 0 or used.pieces > 0}
    terms = costs.terms
    return tuple(
        Member(
            name,
            factor=terms.guest_factor if name in costs.guests else Fraction(1),
            floor=terms.floor_minor_per_member if name in part else 0,
            cap=terms.cap_minor_per_member if name in part else None,
        )
        for name in names
    )


def _limits_words(costs: FiringCosts) -> str:
    least, most = costs.terms.floor_minor_per_member, costs.terms.cap_minor_per_member
    words = [f"at least {money.format_plain(least, costs.currency)}"] if least else []
    if most is not None:
        words.append(f"at most {money.format_plain(most, costs.currency)}")
    return f"Whoever fires pays {' and '.join(words)} {costs.currency}; damage and hours come on top."


# --- Space withdrawn late ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Late:
    """What counts besides the space used, in ml by member; and how that came about."""

    space: Weights
    soda: Weights
    words: Mapping[str, tuple[str, ...]]


def _late(costs: FiringCosts) -> _Late:
    """Late space x the part that stayed empty x the terms' share, for all zones and for soda zones alone."""
    space: defaultdict[str, Fraction] = defaultdict(Fraction)
    soda: defaultdict[str, Fraction] = defaultdict(Fraction)
    words: defaultdict[str, list[str]] = defaultdict(list)
    used = sum((use.space_ml for use in costs.use.values()), Fraction(0))
    used_soda = sum((use.soda_ml for use in costs.use.values()), Fraction(0))
    left = _part_left_empty(costs.capacity_ml - used, sum(one.space_ml for one in costs.late))
    soda_left = _part_left_empty(costs.soda_capacity_ml - used_soda, sum(one.soda_ml for one in costs.late))
    for one in costs.late:
        share = costs.terms.no_show_share if one.days is None else costs.terms.cancel_share(one.days)
        counts = one.space_ml * left * share
        soda[one.member] += one.soda_ml * soda_left * share
        if counts:
            space[one.member] += counts
            how = "booked and not brought" if one.days is None else f"withdrawn {one.days} days before loading"
            words[one.member].append(
                f"{_litres(one.space_ml)} {how}, {_litres(one.space_ml * left)} of it left empty, "
                f"x {share} = {_litres(counts)}"
            )
    return _Late(dict(space), dict(soda), {member: tuple(said) for member, said in words.items()})


def _part_left_empty(empty_ml: Fraction, late_ml: int) -> Fraction:
    return min(Fraction(1), max(Fraction(0), empty_ml) / late_ml) if late_ml else Fraction(0)


def _space_words(costs: FiringCosts, late: _Late) -> dict[str, str]:
    """By member how the litres that count came about, for who checks a statement by hand."""
    found = {}
    for member in sorted({*costs.use, *late.words}):
        parts = []
        used = costs.use.get(member)
        if used is not None and used.space_ml and used.loaded_ml is not None and used.booked_ml is not None:
            loaded, booked, unused = _litres(used.loaded_ml), _litres(used.booked_ml), costs.terms.booked_unused_share
            if costs.terms.used == "larger":
                part = _litres(used.booked_ml * unused)
                parts.append(
                    f"{loaded} loaded, {booked} booked x {unused} = {part}; the larger counts: {_litres(used.space_ml)}"
                )
            else:
                parts.append(f"{_litres(used.space_ml)} {costs.terms.used}")
        parts += late.words.get(member, ())
        if parts:
            found[member] = "; ".join(parts) + "."
    return found


def _litres(ml: Fraction | int) -> str:
    return weight_text(Fraction(ml), "litres")


# --- Pools ------------------------------------------------------------------------------------


def _pool(costs: FiringCosts, name: str, bill: int, late: _Late, notes: list[str]) -> tuple[Pool, Fraction]:
    """One pool, and how much of the fund's weight in it the kiln reserve bears."""
    terms = costs.terms
    key = terms.cost_keys[name]
    weights = _weights(costs, key, _Late({}, {}, {}) if name == "reserve" else late)
    fund = reserve = Fraction(0)
    if key in ("fund", "decision"):
        fund = Fraction(1)
        if key == "decision":
            notes.append(f"Nobody decided who bears {name}, so the fund bears it.")
    elif name != "reserve" and terms.empty_borne_by != "members":
        capacity = {"litres": costs.capacity_ml, "soda_litres": costs.soda_capacity_ml}.get(key, 0)
        fund = Fraction(fill_guarantee(weights, capacity, terms.fill_guarantee))
        if fund:
            bearer = "fund" if terms.empty_borne_by == "fund" else "kiln reserve"
            reserve = fund if terms.empty_borne_by == "reserve" else reserve
            notes.append(
                f"The {bearer} bears the empty space below {_percent(terms.fill_guarantee)} of the kiln in {name}."
            )
    back = terms.failed_refund.get(name, Fraction(0)) if bill > 0 else Fraction(0)
    given = {member: weights[member] * back * _failed(costs, member, key) for member in weights} if back else {}
    if total := sum(given.values(), Fraction(0)):
        if costs.has_failed:
            notes.append(
                f"This firing failed, so the fund bears {_percent(back)} of what members would pay for {name}."
            )
        else:
            reserve += total
            notes.append(
                f"For space in a zone that did not reach its temperature the kiln reserve bears {_percent(back)} of "
                f"what members would pay for {name}."
            )
        fund += total
        weights = {member: weight - given[member] for member, weight in weights.items() if weight > given[member]}
    return Pool(name, bill, key, weights, fund), reserve


def _failed(costs: FiringCosts, member: str, key: str) -> Fraction:
    """The part of a member's space that stood where the temperature was not reached."""
    used = costs.use.get(member)
    if costs.has_failed:
        return Fraction(1)
    if used is None:
        return Fraction(0)
    return used.soda_failed if key == "soda_litres" else used.failed


def _percent(share: Fraction) -> str:
    percent = share * 100
    return f"{percent} %" if percent.denominator == 1 else f"{share}"


def _weights(costs: FiringCosts, key: str, late: _Late) -> Weights:
    found: defaultdict[str, Fraction] = defaultdict(Fraction)
    for member, used in costs.use.items():
        takes_part = used.space_ml > 0 or used.pieces > 0
        found[member] += {
            "litres": used.space_ml,
            "soda_litres": used.soda_ml,
            "board_area": Fraction(used.board_mm2),
            "pieces": Fraction(used.pieces),
            "heads": Fraction(int(takes_part)),
        }.get(key, Fraction(0))
    for member, ml in {"litres": late.space, "soda_litres": late.soda}.get(key, {}).items():
        found[member] += ml
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
        direct=True,
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
    return [
        Pool(HOURS_OWED, bill, "hours", below, direct=True),
        Pool(HOURS_MORE, -bill, "hours", above, direct=True),
    ]
