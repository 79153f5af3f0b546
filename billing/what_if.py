"""What a firing may cost each member, and what other terms would change; knows no framework."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from math import ceil
from typing import Final

from billing import cost_shares
from billing.pools import FiringCosts, Outlay, Use, pooled
from coop import money
from coop.errors import Malformed

TO_COME: Final = "still to come "  # no member's id begins so
_MOST_HEADS: Final = 40
_USUAL_ML: Final = Fraction(30_000)  # what one takes where nobody has booked yet


@dataclass(frozen=True, slots=True)
class Range:
    """Minor units: with low bills and a full kiln, as likely, with high bills and a poorly filled one."""

    low: int
    likely: int
    high: int


@dataclass(frozen=True, slots=True)
class Fills:
    """The part of the kiln (0 to 1) that will be filled: at worst, as likely, at best."""

    worst: Fraction
    likely: Fraction
    best: Fraction


@dataclass(frozen=True, slots=True)
class Change:
    """What one member pays by the one terms and by the other, minor units."""

    member: str
    before: int
    after: int

    @property
    def difference(self) -> int:
        return self.after - self.before


@dataclass(frozen=True, slots=True)
class Comparison:
    """The same firing by two terms; what members do not pay the fund or the kiln reserve bears."""

    changes: tuple[Change, ...]
    fund_before: int
    fund_after: int
    reserve_before: int
    reserve_after: int


def compare(before: FiringCosts, after: FiringCosts) -> Comparison:
    """The same firing's costs by two terms, member by member, in the order of ids.

    What co-op and members bear together is the same twice but for the levy, which the reserve receives.
    """
    figures = []
    for costs in (before, after):
        made = pooled(costs)
        shares = cost_shares.amounts(made.table)
        fund = sum(shares.fund.values()) - made.reserve_bears
        figures.append((shares.totals, fund, made.reserve_bears - made.to_reserve))
    (first, fund_before, reserve_before), (second, fund_after, reserve_after) = figures
    names = sorted({*first, *second})
    return Comparison(
        changes=tuple(Change(name, first.get(name, 0), second.get(name, 0)) for name in names),
        fund_before=fund_before,
        fund_after=fund_after,
        reserve_before=reserve_before,
        reserve_after=reserve_after,
    )


def forecast(costs: FiringCosts, bills: Mapping[str, Range], fills: Fills) -> dict[str, Range]:
    """What each member of ``costs.use`` may pay, by three states of the firing.

    Who has booked stays as booked; what the fill leaves is taken by others who are like those, so a fuller kiln
    makes everybody's share smaller. ``bills`` are by pool, without levy, damage and hours, which are left out.
    """
    found: dict[str, list[int]] = {member: [] for member in costs.use}
    for state, fill in (("low", fills.best), ("likely", fills.likely), ("high", fills.worst)):
        outlays = tuple(Outlay(pool, pool, getattr(bill, state), None) for pool, bill in bills.items())
        filled = replace(costs, outlays=outlays, use=_filled(costs, fill), damage=(), hours={}, undecided_damage=0)
        totals = cost_shares.amounts(pooled(filled).table).totals
        for member, amounts in found.items():
            amounts.append(totals[member])
    return {who: Range(min(three), sorted(three)[1], max(three)) for who, three in found.items()}


def _filled(costs: FiringCosts, fill: Fraction) -> dict[str, Use]:
    """Present use, and as much by people still to come as the fill leaves."""
    space = sum((use.space_ml for use in costs.use.values()), Fraction(0))
    missing = fill * costs.capacity_ml - space
    if missing <= 0:
        return dict(costs.use)
    booked = [use for use in costs.use.values() if use.space_ml > 0]
    usual = space / len(booked) if booked else _USUAL_ML
    heads = min(_MOST_HEADS, ceil(missing / usual))
    soda = max(Fraction(0), fill * costs.soda_capacity_ml - sum((use.soda_ml for use in booked), Fraction(0)))
    like = missing / heads / space if space else Fraction(0)
    one = Use(
        space_ml=missing / heads,
        soda_ml=min(soda, missing) / heads,
        board_mm2=round(sum(use.board_mm2 for use in booked) * like),
        pieces=round(sum(use.pieces for use in booked) * like) or 1,
    )
    return {**costs.use, **{f"{TO_COME}{at}": one for at in range(heads)}}


def price_per_litre(costs: FiringCosts, bills: Mapping[str, Range], fill: Fraction) -> Range:
    """What members pay a litre (minor units, nearest) if the kiln is filled to ``fill`` (above 0) by people like those.

    Only the bills differ between low, likely and high.
    """
    litres = fill * costs.capacity_ml / 1000
    if litres <= 0:
        raise Malformed(["Give a fill above zero and a kiln that holds something."])
    space = sum((use.space_ml for use in costs.use.values()), Fraction(0))
    if space:
        times = litres * 1000 / space
        use = {
            who: Use(one.space_ml * times, one.soda_ml * times, round(one.board_mm2 * times), one.pieces)
            for who, one in costs.use.items()
        }
    else:
        use = _filled(costs, fill)
    amounts = []
    for state in ("low", "likely", "high"):
        outlays = tuple(Outlay(pool, pool, getattr(bill, state), None) for pool, bill in bills.items())
        filled = replace(costs, outlays=outlays, use=use, damage=(), hours={}, undecided_damage=0, late=())
        totals = cost_shares.amounts(pooled(filled).table).totals
        amounts.append(money.round_fraction(sum(totals.values()) / litres))
    return Range(*amounts)


def usual_bills(past: Iterable[Mapping[str, int]], estimate: int | None = None) -> dict[str, Range]:
    """Bills by pool from past firings of a kiln: least, mean and most; from one alone a fifth less and more.

    Without any, the lead's ``estimate`` counts as wood, a quarter less and more. Pools that a firing did without
    count as nothing in it.
    """
    rows = list(past)
    if not rows:
        return {} if estimate is None else {"wood": _around(estimate, Fraction(1, 4))}
    found = {}
    for pool in sorted({pool for row in rows for pool in row}):
        bills = [row.get(pool, 0) for row in rows]
        mean = money.round_fraction(Fraction(sum(bills), len(bills)))
        found[pool] = _around(mean, Fraction(1, 5)) if len(rows) == 1 else Range(min(bills), mean, max(bills))
    return found


def usual_fills(past: Iterable[Fraction], least: Fraction, present: Fraction) -> Fills:
    """How full the kiln will be, from past firings; from none, anything from ``least`` to all. Never below today's."""
    rows = sorted(past)
    worst, best = (rows[0], rows[-1]) if rows else (least, Fraction(1))
    likely = sum(rows, Fraction(0)) / len(rows) if rows else (least + 1) / 2
    return Fills(*(min(Fraction(1), max(present, fill)) for fill in (worst, likely, best)))


def _around(amount: int, part: Fraction) -> Range:
    return Range(*(money.round_fraction(amount * times) for times in (1 - part, Fraction(1), 1 + part)))
