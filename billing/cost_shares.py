"""Who bears what of a firing: exact shares, rounded as one table so that bills and totals are both right."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from math import floor, lcm
from pathlib import Path
from typing import Any

from coop import money
from coop.errors import Malformed, Refused
from firings import exchange

FUND = "fund"  # the co-op's own part; no member may be called so
SCHEMA = Path(__file__).with_name("cost-shares-1.schema.json")
_ONE = Fraction(1)
_RATIO = re.compile(r"[0-9]{1,18}(/0*[1-9][0-9]{0,17}|\.[0-9]{1,18})?", re.ASCII)
_MOST = 10**15
# How a weight of a key (in ml, mm², minutes or a count) is printed: divided by what, in which unit.
_UNITS: dict[str, tuple[int, str]] = {
    "litres": (1000, "l"),
    "soda_litres": (1000, "l"),
    "board_area": (100, "cm²"),
    "hours": (60, "h"),
    "pieces": (1, "pieces"),
    "heads": (1, "heads"),
}


@dataclass(frozen=True, slots=True)
class Member:
    """Who shares: ``factor`` multiplies the shares; ``floor`` (0: none) and ``cap`` bound the total."""

    id: str
    factor: Fraction = _ONE
    floor: int = 0
    cap: int | None = None


@dataclass(frozen=True, slots=True)
class Pool:
    """One bill in minor units (a refund is negative) and the weights it is shared by, the fund's own too.

    A ``direct`` pool (damage, hours) comes on top of what a member's factor, floor and cap count for.
    """

    id: str
    bill: int
    key: str
    weights: Mapping[str, Fraction | int]
    fund_weight: Fraction | int = 0
    direct: bool = False


@dataclass(frozen=True, slots=True)
class CostTable:
    """What is to be shared: the firing (its id breaks ties), the currency, members and pools."""

    firing: str
    currency: str
    members: tuple[Member, ...]
    pools: tuple[Pool, ...]


@dataclass(frozen=True, slots=True)
class Working:
    """How one amount came about; ``member`` may be FUND, ``sentence`` can be redone with a calculator."""

    pool: str
    member: str
    weight: Fraction
    weight_of_all: Fraction
    exact: Fraction
    amount: int
    sentence: str


@dataclass(frozen=True, slots=True)
class CostShares:
    """``table[pool][member]``, ``totals[member]``, ``fund[pool]`` in minor units; each pool sums to its bill.

    A negative entry of ``fund`` is what the fund receives (surcharges of guests). ``notes`` say in words
    which rules moved money beyond plain proportion.
    """

    table: Mapping[str, Mapping[str, int]]
    totals: Mapping[str, int]
    fund: Mapping[str, int]
    working: tuple[Working, ...]
    exact_totals: Mapping[str, Fraction]
    total_sentences: Mapping[str, str]
    notes: tuple[str, ...] = field(default=())


@dataclass(frozen=True, slots=True)
class Amounts:
    """``table[pool][member]``, ``totals[member]`` and ``fund[pool]`` in minor units, without the working."""

    table: Mapping[str, Mapping[str, int]]
    totals: Mapping[str, int]
    fund: Mapping[str, int]


class NothingToSplit(Refused):
    """No weight above zero: there is nobody to share the amount."""

    kind = "nothing-to-split"


# --- One pool ---------------------------------------------------------------------------------


def tie_hash(firing: str, member: str) -> str:
    """What decides between equal remainders: SHA-256 of firing and member, so the odd cent wanders."""
    return hashlib.sha256(f"{firing}|{member}".encode()).hexdigest()


def largest_remainder(amount: int, weights: Mapping[str, Fraction | int], *, firing: str = "") -> dict[str, int]:
    """Share ``amount`` minor units in proportion to ``weights`` by largest remainders (Hamilton's method).

    The shares add up exactly, negative amounts too. Equal remainders: larger weight, then ``tie_hash``.
    Raises NothingToSplit without a weight above zero, Refused for a weight below it.
    """
    if any(weight < 0 for weight in weights.values()):
        raise Refused("A weight is below zero; give weights of zero or more.")
    whole = Fraction(sum(weights.values()))
    if not whole:
        raise NothingToSplit("All weights are zero; give a weight to somebody, or let the fund bear the amount.")
    exact = {member: amount * Fraction(weight) / whole for member, weight in weights.items()}
    shares = {member: floor(share) for member, share in exact.items()}
    neediest = sorted(exact, key=lambda m: (-(exact[m] - shares[m]), -weights[m], tie_hash(firing, m)))
    for member in neediest[: amount - sum(shares.values())]:
        shares[member] += 1
    return shares


# --- The whole table --------------------------------------------------------------------------


def share(request: CostTable) -> CostShares:
    """Share all bills of a firing among its members and the fund, with the working behind every figure.

    Exact share of member i in pool p: bill * w_ip / (sum of all w_p and the fund's), times the member's
    factor; what the factor adds or takes goes to or comes from the fund and changes nobody else's share.
    Floors and caps hold for a member's total: one common scale lets the other totals take up the difference,
    the fund the rest. A pool in which nobody has a weight is borne by the fund. Then every cell and every
    total, the fund's too, becomes one of its two neighbouring integers while every pool keeps its bill
    (controlled rounding: Bacharach 1966). The order of members and pools makes no difference. Raises
    Malformed with one sentence per fault.
    """
    return _result(request, _amounts(request))


def amounts(request: CostTable) -> Amounts:
    """The figures of ``share`` alone, several times as fast: for comparing many tables."""
    made = _amounts(request)
    table = {pool.id: {m.id: made.rounded[pool.id][m.id] for m in request.members} for pool in request.pools}
    return Amounts(
        table=table,
        totals={m.id: sum(row[m.id] for row in table.values()) for m in request.members},
        fund={pool.id: made.rounded[pool.id][FUND] for pool in request.pools},
    )


@dataclass(frozen=True, slots=True)
class _Made:
    """Exact cells as whole numbers over one denominator a pool, and what they were rounded to."""

    numerators: Mapping[str, Mapping[str, int]]
    denominators: Mapping[str, int]
    rounded: Mapping[str, Mapping[str, int]]
    whole: Mapping[str, Fraction]
    scales: Mapping[str, Fraction]
    minimum: Mapping[str, Mapping[str, Fraction]]
    notes: Sequence[str]

    def exact(self, pool: str, member: str) -> Fraction:
        return Fraction(self.numerators[pool][member], self.denominators[pool])


def _amounts(request: CostTable) -> _Made:
    if faults := _faults(request):
        raise Malformed(faults)
    members = sorted(request.members, key=lambda member: tie_hash(request.firing, member.id))
    pools = sorted(request.pools, key=lambda pool: pool.id)
    whole = {p.id: Fraction(sum(p.weights.values())) + p.fund_weight for p in pools}
    scales, minimum, notes = _scales(members, pools, whole)
    numerators: dict[str, dict[str, int]] = {}
    denominators: dict[str, int] = {}
    for pool in pools:
        row, denominators[pool.id] = _exact_row(pool, members, whole[pool.id], scales, minimum)
        row[FUND] = pool.bill * denominators[pool.id] - sum(row.values())
        numerators[pool.id] = row
    order = [*(member.id for member in members), FUND]
    rounded = _UnitFlow(numerators, denominators, order).solve()
    for pool in pools:
        if not whole[pool.id] and pool.bill:
            notes.append(f"Nobody has a share in {pool.id} ({pool.key}), so the fund bears all of it.")
    return _Made(numerators, denominators, rounded, whole, scales, minimum, notes)


def _exact_row(
    pool: Pool,
    members: Sequence[Member],
    whole: Fraction,
    scales: Mapping[str, Fraction],
    minimum: Mapping[str, Mapping[str, Fraction]],
) -> tuple[dict[str, int], int]:
    """What each member bears of one pool as whole numbers over a common denominator, and that denominator."""
    by = {m.id: _times(pool, m, scales) for m in members}
    least = {name: cells[pool.id] for name, cells in minimum.items() if pool.id in cells}
    steps = lcm(*{one.denominator for one in (*by.values(), *least.values())})
    fine = lcm(whole.denominator, *{weight.denominator for weight in pool.weights.values()})
    denominator = (whole.numerator * (fine // whole.denominator) or 1) * steps
    unit = pool.bill if whole else 0
    row = {}
    for name, times in by.items():
        weight = pool.weights.get(name, 0)
        row[name] = (
            unit * (weight.numerator * (fine // weight.denominator)) * (times.numerator * (steps // times.denominator))
        )
        if name in least:
            row[name] += least[name].numerator * (denominator // least[name].denominator)
    return row, denominator


def _times(pool: Pool, member: Member, scales: Mapping[str, Fraction]) -> Fraction:
    """By what a member's plain share of this pool is multiplied."""
    if pool.direct:
        return _ONE
    return member.factor * scales.get(member.id, _ONE) if pool.bill > 0 else member.factor


def controlled_rounding(exact: Mapping[str, Mapping[str, Fraction]], order: Sequence[str]) -> dict[str, dict[str, int]]:
    """Round a table ``exact[row][column]`` whose rows add up to integers.

    Every row keeps its sum; every cell and every column's sum becomes the integer below or above its exact
    value. ``order`` holds the columns, first among equals first. Largest remainders get their unit first;
    where that cannot be completed, units move along shortest alternating paths (a flow of unit capacities).
    With one row the result is that of ``largest_remainder``.
    """
    denominators = {row: lcm(*(share.denominator for share in cells.values())) for row, cells in exact.items()}
    numerators = {
        row: {name: share.numerator * (denominators[row] // share.denominator) for name, share in cells.items()}
        for row, cells in exact.items()
    }
    return _UnitFlow(numerators, denominators, order).solve()


class _UnitFlow:
    """Which cells are rounded up: in each row an exact number, in each column one of two neighbours."""

    def __init__(
        self, numerators: Mapping[str, Mapping[str, int]], denominators: Mapping[str, int], order: Sequence[str]
    ) -> None:
        self.rows = list(numerators)
        self.columns = list(order)
        self.below: list[list[int]] = []
        self.open_in_row: list[list[int]] = []  # columns whose cell is no integer, neediest first
        self.wanted: list[int] = []
        self.rows_of: list[list[int]] = [[] for _ in order]
        common = lcm(*denominators.values())
        parts = [0] * len(order)  # what the cells of a column have above their floors, over ``common``
        for at, row in enumerate(self.rows):
            cells, denominator = numerators[row], denominators[row]
            times, left, below = common // denominator, 0, []
            keyed = []
            for column, name in enumerate(order):
                share = cells.get(name, 0)
                whole, part = divmod(share, denominator)
                below.append(whole)
                if part:
                    keyed.append((-part, -abs(share), column))
                    parts[column] += part * times
                    self.rows_of[column].append(at)
                    left += part
            keyed.sort()  # largest remainder, larger share, earlier place
            self.below.append(below)
            self.open_in_row.append([column for _, _, column in keyed])
            self.wanted.append(left // denominator)
        self.least = [part // common for part in parts]
        self.most = [-(-part // common) for part in parts]
        self.load = [0] * len(order)
        self.up: list[set[int]] = [set() for _ in self.rows]

    def solve(self) -> dict[str, dict[str, int]]:
        for row, columns in enumerate(self.open_in_row):
            for column in columns:
                if len(self.up[row]) < self.wanted[row] and self.load[column] < self.most[column]:
                    self._raise(row, column)
        for row in range(len(self.rows)):
            while len(self.up[row]) < self.wanted[row]:
                self._give_row_a_unit(row)
        for column in range(len(self.columns)):
            while self.load[column] < self.least[column]:
                self._give_column_a_unit(column)
        return {
            name: {column: self.below[row][at] + (at in self.up[row]) for at, column in enumerate(self.columns)}
            for row, name in enumerate(self.rows)
        }

    def _raise(self, row: int, column: int) -> None:
        self.up[row].add(column)
        self.load[column] += 1

    def _lower(self, row: int, column: int) -> None:
        self.up[row].remove(column)
        self.load[column] -= 1

    def _give_row_a_unit(self, start: int) -> None:
        """Breadth first from a row that lacks a unit to a column that can take one more."""
        came_from: dict[int, tuple[int, int]] = {}  # row: (row before it, column that moves to that row)
        queue, columns_seen = [start], set[int]()
        for row in queue:
            for column in self.open_in_row[row]:
                if column in self.up[row] or column in columns_seen:
                    continue
                columns_seen.add(column)
                if self.load[column] < self.most[column]:
                    self._raise(row, column)
                    while row != start:
                        before, moved = came_from[row]
                        self._lower(row, moved)
                        self._raise(before, moved)
                        row = before
                    return
                for other in self.rows_of[column]:
                    if column in self.up[other] and other not in came_from and other != start:
                        came_from[other] = (row, column)
                        queue.append(other)
        raise AssertionError("a table whose rows add up to integers always has a controlled rounding")

    def _give_column_a_unit(self, start: int) -> None:
        """Breadth first from a column that lacks a unit to one that can spare one; rows keep their number."""
        came_from: dict[int, tuple[int, int]] = {}  # column: (column before it, their row)
        queue = [start]
        for column in queue:
            for row in self.rows_of[column]:
                if column in self.up[row]:
                    continue
                for other in reversed(self.open_in_row[row]):
                    if other not in self.up[row] or other in came_from or other == start:
                        continue
                    came_from[other] = (column, row)
                    if self.load[other] > self.least[other]:
                        while other != start:
                            before, at = came_from[other]
                            self._lower(at, other)
                            self._raise(at, before)
                            other = before
                        return
                    queue.append(other)
        raise AssertionError("a table whose rows add up to integers always has a controlled rounding")


def _plain_shares(pool: Pool, members: Sequence[Member], whole: Fraction) -> dict[str, Fraction]:
    if not whole:
        return {}
    unit = pool.bill / whole
    return {
        member.id: unit * pool.weights[member.id] * member.factor for member in members if pool.weights.get(member.id)
    }


def _scales(
    members: Sequence[Member], pools: Sequence[Pool], whole: Mapping[str, Fraction]
) -> tuple[dict[str, Fraction], dict[str, dict[str, Fraction]], list[str]]:
    """By what each member's shares of charges are multiplied so that floors and caps hold (none: 1).

    Also what a member without any share pays in each pool because of a floor, and notes in words. Members'
    totals become clip(scale * charges + refunds, floor, cap) with the one scale that keeps their sum.
    """
    scales: dict[str, Fraction] = {}
    pools = [pool for pool in pools if not pool.direct]
    bills = {pool.id: pool.bill for pool in pools if pool.bill > 0}
    if not any(member.floor or member.cap is not None for member in members):
        return scales, {}, []
    plain = {pool.id: _plain_shares(pool, members, whole[pool.id]) for pool in pools}
    if not bills:
        return scales, {}, ["There is nothing to charge, so minimum and cap do not count."]
    charges: dict[str, Fraction] = {}
    refunds: dict[str, Fraction] = {}
    for member in members:
        shares = {pool: row.get(member.id, Fraction(0)) for pool, row in plain.items()}
        charges[member.id] = sum((shares[pool] for pool in shares if pool in bills), Fraction(0))
        refunds[member.id] = sum((shares[pool] for pool in shares if pool not in bills), Fraction(0))

    def totals(scale: Fraction) -> dict[str, Fraction]:
        return {m.id: _clip(scale * charges[m.id] + refunds[m.id], m) for m in members}

    target = sum(charges.values(), Fraction(0)) + sum(refunds.values(), Fraction(0))
    turns = {Fraction(0)} | {
        (limit - refunds[m.id]) / charges[m.id]
        for m in members
        if charges[m.id]
        for limit in (m.floor, m.cap)
        if limit is not None
    }
    scale = _scale_for(target, sorted(turn for turn in turns if turn >= 0), totals, charges)
    paid = totals(scale)
    minimum: dict[str, dict[str, Fraction]] = {}
    for member in members:
        due = paid[member.id] - refunds[member.id]
        if charges[member.id]:
            scales[member.id] = due / charges[member.id]
        elif due:
            minimum[member.id] = {pool: due * bill / sum(bills.values()) for pool, bill in bills.items()}
    notes = []
    if paid != {m: charges[m] + refunds[m] for m in charges}:
        notes.append(
            "A minimum or a cap moved the totals; the other totals take up the difference by one common "
            "scale, and the fund evens out what this moves between the pools."
        )
    if short := target - sum(paid.values()):
        notes.append(f"Minimum and cap leave a rest; the fund {'bears' if short > 0 else 'receives'} it.")
    return scales, minimum, notes


def _clip(amount: Fraction, member: Member) -> Fraction:
    if member.floor:
        amount = max(amount, Fraction(member.floor))
    return amount if member.cap is None else min(amount, Fraction(member.cap))


def _scale_for(
    target: Fraction,
    turns: Sequence[Fraction],
    totals: Callable[[Fraction], Mapping[str, Fraction]],
    charges: Mapping[str, Fraction],
) -> Fraction:
    """The scale at which all totals together reach the target, else the nearest one; piecewise linear."""

    def sum_at(scale: Fraction) -> Fraction:
        return sum(totals(scale).values(), Fraction(0))

    low, high = 0, len(turns) - 1
    if sum_at(turns[low]) >= target:
        return turns[low]
    if sum_at(turns[high]) < target:
        before, after = turns[high], turns[high] + 1
        slope = sum_at(after) - sum_at(before)
        return before + (target - sum_at(before)) / slope if slope else before
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if sum_at(turns[middle]) >= target else (middle, high)
    before, after = turns[low], turns[high]
    at_before, at_after = sum_at(before), sum_at(after)
    return before + (target - at_before) * (after - before) / (at_after - at_before)


# --- Words ------------------------------------------------------------------------------------


def _result(request: CostTable, made: _Made) -> CostShares:
    """The answer in the order the request was given in."""
    working: list[Working] = []
    exact_totals: dict[str, Fraction] = {}
    total_sentences: dict[str, str] = {}
    totals: dict[str, int] = {}
    words = _Words(request.currency, sum(pool.bill for pool in request.pools if pool.bill > 0 and not pool.direct))
    rounded = made.rounded
    exact = {pool.id: {name: made.exact(pool.id, name) for name in made.numerators[pool.id]} for pool in request.pools}
    for member in request.members:
        cells = {pool.id: rounded[pool.id][member.id] for pool in request.pools}
        exact_totals[member.id] = sum((exact[pool][member.id] for pool in cells), Fraction(0))
        totals[member.id] = sum(cells.values())
        total_sentences[member.id] = words.total(list(cells.values()), exact_totals[member.id])
    for pool in request.pools:
        whole = made.whole[pool.id]
        for member in request.members:
            share, amount = exact[pool.id][member.id], rounded[pool.id][member.id]
            least = made.minimum.get(member.id, {}).get(pool.id, Fraction(0))
            scale = made.scales.get(member.id, _ONE) if pool.bill > 0 and not pool.direct else _ONE
            sentence = words.share(pool, member, whole, scale, least, share, amount)
            weight = Fraction(pool.weights.get(member.id, 0))
            working.append(Working(pool.id, member.id, weight, whole, share, amount, sentence))
        share, amount = exact[pool.id][FUND], rounded[pool.id][FUND]
        sentence = words.fund(pool, whole, share, amount)
        working.append(Working(pool.id, FUND, Fraction(pool.fund_weight), whole, share, amount, sentence))
    return CostShares(
        table={p.id: {m.id: rounded[p.id][m.id] for m in request.members} for p in request.pools},
        totals=totals,
        fund={pool.id: rounded[pool.id][FUND] for pool in request.pools},
        working=tuple(working),
        exact_totals=exact_totals,
        total_sentences=total_sentences,
        notes=tuple(made.notes),
    )


class _Words:
    """Sentences that can be redone with a pocket calculator; four decimals more than the currency has."""

    def __init__(self, currency: str, charged: int) -> None:
        self.currency = currency
        self.places = money.digits(currency)
        self.weights: dict[tuple[Fraction, str], str] = {}  # many cells name the same weights
        self.charged = charged  # all bills over which a minimum without a share is spread

    def share(
        self,
        pool: Pool,
        member: Member,
        whole: Fraction,
        scale: Fraction,
        least: Fraction,
        share: Fraction,
        amount: int,
    ) -> str:
        weight = Fraction(pool.weights.get(member.id, 0))
        if least:
            due = least * self.charged / pool.bill
            return (
                f"The minimum: {self.exact(due)} {self.currency} x {self.amount(pool.bill)} / "
                f"{self.amount(self.charged)} of all bills = {self.exact(share)}{self.rounded(share, amount)}."
            )
        if not weight:
            return f"No share in {pool.id}: 0."
        plain = (member.factor == 1 or pool.direct) and scale == 1
        value = share if plain else pool.bill * weight / whole
        text = (
            f"{self.amount(pool.bill)} {self.currency} x {self.weight(weight, pool.key)} / "
            f"{self.weight(whole, pool.key)} = {self.exact(value)}"
        )
        if plain:
            return f"{text}{self.rounded(share, amount)}."
        if member.factor != 1 and not pool.direct:
            value *= member.factor
            text += f", x {decimal_text(member.factor, 10)} (factor) = {self.exact(value)}"
        if scale != 1:
            text += f", x {decimal_text(scale, 12)} (minimum and cap) = {self.exact(share)}"
        return f"{text}{self.rounded(share, amount)}."

    def fund(self, pool: Pool, whole: Fraction, share: Fraction, amount: int) -> str:
        if not whole:
            return f"Nobody has a share in {pool.id} ({pool.key}), so the fund bears {self.amount(amount)}."
        members = pool.bill - share
        return (
            f"{self.amount(pool.bill)} {self.currency} less the members' {self.exact(members)} = "
            f"{self.exact(share)}{self.rounded(share, amount)}."
        )

    def total(self, amounts: Sequence[int], exact: Fraction) -> str:
        listed = [self.amount(amount) for amount in amounts if amount] or [self.amount(0)]
        text = " + ".join(listed).replace("+ -", "- ")
        if len(listed) > 1:
            text += f" = {self.amount(sum(amounts))}"
        if exact == sum(amounts):
            return f"{text} {self.currency}."
        return f"{text} {self.currency}; before rounding {self.exact(exact)}."

    def weight(self, weight: Fraction, key: str) -> str:
        if (weight, key) not in self.weights:
            self.weights[weight, key] = weight_text(weight, key)
        return self.weights[weight, key]

    def amount(self, minor: int) -> str:
        return money.format_plain(minor, self.currency)

    def exact(self, minor: Fraction) -> str:
        return decimal_text(minor, self.places + 4, least=self.places, per=10**self.places)

    def rounded(self, share: Fraction, amount: int) -> str:
        if share == amount:
            return ""
        return f", rounded {'up' if amount > share else 'down'} to {self.amount(amount)}"


def weight_text(weight: Fraction, key: str) -> str:
    """A weight with the unit of its key: 41200 of ``litres`` (ml) is ``41.2 l``; unknown keys as they are.

    What six decimals would cut is given to twelve, so that the sum still comes out.
    """
    per, unit = _UNITS.get(key, (1, key))
    text = decimal_text(weight, 6, per=per)
    return f"{decimal_text(weight, 12, per=per) if text.endswith('...') else text} {unit}"


def decimal_text(value: Fraction, most: int, *, least: int = 0, per: int = 1) -> str:
    """``value / per`` cut after ``most`` decimals, with ``...`` if more follow; never fewer than ``least``."""
    scaled, rest = divmod(abs(value.numerator) * 10**most, value.denominator * per)
    digits = f"{scaled:0{most + 1}d}"
    whole, part = digits[: len(digits) - most], digits[len(digits) - most :]
    if not rest:
        part = part.rstrip("0").ljust(least, "0")
    return f"{'-' if value < 0 else ''}{whole}{'.' if part else ''}{part}{'...' if rest else ''}"


# --- What may be shared -----------------------------------------------------------------------


def _faults(request: CostTable) -> list[str]:
    """What keeps the table from being shared, one sentence each: where, what, how to mend it."""
    faults: list[str] = []
    try:
        money.digits(request.currency)
    except Refused as refused:
        faults.append(f"currency: {refused}")
    known = {member.id for member in request.members}
    faults += [f"members: {name!r} stands twice; keep one." for name in _twice(m.id for m in request.members)]
    faults += [f"pools: {name!r} stands twice; give each its own id." for name in _twice(p.id for p in request.pools)]
    for member in request.members:
        where = f"members, {member.id}"
        if member.id == FUND:
            faults.append(f"{where}: this id stands for the co-op's fund; give the member another one.")
        if not 0 <= member.factor <= 100:
            faults.append(f"{where}: the factor is {member.factor}; give one from 0 to 100.")
        if member.floor < 0 or (member.cap is not None and member.cap < 0):
            faults.append(f"{where}: floor and cap cannot be below zero; give minor units from 0.")
        if member.cap is not None and member.floor > member.cap:
            faults.append(f"{where}: the floor {member.floor} is above the cap {member.cap}; lower it.")
    for pool in request.pools:
        where = f"pools, {pool.id}"
        if abs(pool.bill) > _MOST:
            faults.append(f"{where}: the bill is too large; give at most {_MOST} minor units.")
        if pool.fund_weight < 0:
            faults.append(f"{where}: the fund's weight is below zero; give 0 or more.")
        for name, weight in pool.weights.items():
            if name not in known:
                faults.append(f"{where}: {name!r} is not among the members; add or remove it.")
            if weight < 0:
                faults.append(f"{where}: the weight of {name!r} is below zero; give 0 or more.")
    return faults


def _twice(names: Iterable[str]) -> list[str]:
    seen: set[str] = set()
    return sorted({name for name in names if name in seen or seen.add(name)})  # type: ignore[func-returns-value]


# --- Exchange files ---------------------------------------------------------------------------


def parse(text: str) -> CostTable:
    """The table of a ``cost-shares/1`` file. Raises Malformed with one sentence per fault."""
    content = exchange.read(text, exchange.read_schema(SCHEMA))
    reader = _Reader()
    request = CostTable(
        firing=content["firing"],
        currency=content["currency"],
        members=tuple(reader.member(f"members[{at}]", member) for at, member in enumerate(content["members"])),
        pools=tuple(reader.pool(f"pools[{at}]", pool) for at, pool in enumerate(content["pools"])),
    )
    if faults := reader.faults + _faults(request):
        raise Malformed(faults)
    return request


class _Reader:
    """Numbers out of JSON, where 412.0 passes for an integer and a fraction is any text."""

    def __init__(self) -> None:
        self.faults: list[str] = []

    def member(self, where: str, member: Mapping[str, Any]) -> Member:
        cap = member.get("cap")
        return Member(
            id=member["id"],
            factor=self.ratio(f"{where}.factor", member.get("factor", 1)),
            floor=self.amount(f"{where}.floor", member.get("floor", 0)),
            cap=None if cap is None else self.amount(f"{where}.cap", cap),
        )

    def pool(self, where: str, pool: Mapping[str, Any]) -> Pool:
        weights = {name: self.ratio(f"{where}.weights.{name}", w) for name, w in pool["weights"].items()}
        fund = weights.pop(FUND, Fraction(0))
        bill = self.amount(f"{where}.bill", pool["bill"])
        return Pool(pool["id"], bill, pool["key"], weights, fund, direct=pool.get("direct", False))

    def amount(self, where: str, value: object) -> int:
        if isinstance(value, int):
            return value
        self.faults.append(f"{where}: {value} has a point; give minor units as a whole number.")
        return 0

    def ratio(self, where: str, value: object) -> Fraction:
        if isinstance(value, int):
            return Fraction(value)
        if isinstance(value, str) and _RATIO.fullmatch(value):
            return Fraction(value)
        self.faults.append(
            f'{where}: {value!r} is no weight; give a whole number from 0, or a fraction as text ("100/3").'
        )
        return Fraction(1)


def answer(shares: CostShares) -> dict[str, Any]:
    """The answer to a ``cost-shares/1`` file, ready for JSON; exact values are fractions as text."""
    pools: dict[str, dict[str, Any]] = {pool: {} for pool in shares.table}
    for line in shares.working:
        pools[line.pool][line.member] = {
            "weight": str(line.weight),
            "of": str(line.weight_of_all),
            "exact": str(line.exact),
            "amount": line.amount,
            "sentence": line.sentence,
        }
    totals = {
        member: {"exact": str(shares.exact_totals[member]), "sentence": sentence}
        for member, sentence in shares.total_sentences.items()
    }
    return {
        "table": {pool: dict(row) for pool, row in shares.table.items()},
        "totals": dict(shares.totals),
        "fund": dict(shares.fund),
        "working": {"pools": pools, "totals": totals, "notes": list(shares.notes)},
    }


# --- Weights for the pools ----------------------------------------------------------


def fill_guarantee(
    weights: Mapping[str, Fraction | int], capacity: Fraction | int, least_fill: Fraction | int
) -> Fraction:
    """The fund's weight when members never pay for less than ``least_fill`` (0 to 1) of ``capacity`` in use.

    The bill is shared over max(sum of weights, least_fill * capacity); the fund bears what is missing. With 0
    the members bear all empty space, with 1 the fund does.
    """
    return max(Fraction(0), Fraction(least_fill) * capacity - sum(weights.values()))
