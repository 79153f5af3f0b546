"""Who pays whom so that all balances become zero with the fewest payments, and how few can be enough."""

from __future__ import annotations

import random
import time
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from coop import money
from coop.errors import Malformed, Refused
from firings import exchange

# Beyond this many balances (after pairs that cancel) subsets are too many to look at all of them.
EXACT_UP_TO = 20
_REPACK_UP_TO = 13
_SAMPLE = 18
_ROUNDS = 300

SCHEMA = Path(__file__).with_name("balances-1.schema.json")

Balance = tuple[str, int]


@dataclass(frozen=True, slots=True)
class PlannedPayment:
    """``payer`` gives ``payee`` so many minor units."""

    payer: str
    payee: str
    amount: int


@dataclass(frozen=True, slots=True)
class PaymentPlan:
    """Payments that clear all balances; no plan can have fewer than ``at_least``."""

    payments: tuple[PlannedPayment, ...]
    at_least: int

    @property
    def count(self) -> int:
        return len(self.payments)

    @property
    def proven(self) -> bool:
        return self.count == self.at_least


def plan(balances: Mapping[str, int], *, seconds: float = 10.0, seed: int = 1) -> PaymentPlan:
    """The fewest payments that clear ``balances`` (minor units by member; plus means to receive).

    Balances n split into k groups that each add up to zero need n - k payments, and the most groups give the
    fewest payments (Verhoeff 2004). Equal and opposite balances are paired first, without loss. Up to
    EXACT_UP_TO others are grouped exactly; more of them by triples, quadruples and exact repacking of small
    parts, with a bound. Only who owes pays, so no more money moves than must. The same balances give the same
    plan in any order, unless ``seconds`` cut the search short. Raises Malformed unless they add up to zero.
    """
    if total := sum(balances.values()):
        raise Malformed([f"The balances add up to {total}, not to 0; mend them before planning payments."])
    pairs, rest = _pairs(sorted(((who, amount) for who, amount in balances.items() if amount), key=_by_size))
    if len(rest) <= EXACT_UP_TO:
        groups = _most_groups(rest)
        most = len(groups)
    else:
        most = _at_most_groups(rest)
        groups = _search(rest, most, seconds=seconds, seed=seed)
    payments = [payment for group in [*pairs, *groups] for payment in _clear(group)]
    return PaymentPlan(
        payments=tuple(sorted(payments, key=lambda payment: (payment.payer, payment.payee))),
        at_least=len(pairs) + len(rest) - most,
    )


def _by_size(balance: Balance) -> tuple[int, str]:
    return balance[1], balance[0]


def _pairs(balances: Sequence[Balance]) -> tuple[list[list[Balance]], list[Balance]]:
    """All disjoint pairs a, -a, and what is left."""
    waiting: defaultdict[int, list[Balance]] = defaultdict(list)
    pairs: list[list[Balance]] = []
    for balance in balances:
        if waiting[-balance[1]]:
            pairs.append([waiting[-balance[1]].pop(0), balance])
        else:
            waiting[balance[1]].append(balance)
    return pairs, sorted((one for group in waiting.values() for one in group), key=_by_size)


def _clear(group: Sequence[Balance]) -> list[PlannedPayment]:
    """Largest debt to largest credit until nothing is left: fewer payments than the group has members."""
    open_now = dict(group)
    payments = []
    while open_now:
        payer = min(open_now, key=lambda who: (open_now[who], who))
        payee = min(open_now, key=lambda who: (-open_now[who], who))
        amount = min(-open_now[payer], open_now[payee])
        payments.append(PlannedPayment(payer, payee, amount))
        for who, change in ((payer, amount), (payee, -amount)):
            open_now[who] += change
            if not open_now[who]:
                del open_now[who]
    return payments


def _most_groups(balances: Sequence[Balance]) -> list[list[Balance]]:
    """The most disjoint groups that each add up to zero, by dynamic programming over subsets.

    The last balance is in the last group, so subsets of the others are enough. A chain of growing zero-sum
    subsets is a list of groups: each step adds one.
    """
    if not balances:
        return []
    others = [amount for _, amount in balances[:-1]]
    sums = [0]
    for amount in others:
        sums += [before + amount for before in sums]
    zero = [subset for subset, total in enumerate(sums) if not total and subset]
    chain = _longest_chain_of_few(zero) if len(zero) <= 1500 else _longest_chain(sums, len(others))
    steps = [*chain, (1 << len(balances)) - 1]
    groups, before = [], 0
    for subset in steps:
        added = subset & ~before
        groups.append([balance for at, balance in enumerate(balances) if added >> at & 1])
        before = subset
    return groups


def _longest_chain_of_few(zero: Sequence[int]) -> list[int]:
    """The longest chain of nested subsets, comparing each with each; ``zero`` in ascending order."""
    length: dict[int, int] = {}
    under: dict[int, int] = {}
    for place, subset in enumerate(zero):
        length[subset], under[subset] = 1, 0
        for smaller in zero[:place]:
            if smaller & subset == smaller and length[smaller] >= length[subset]:
                length[subset], under[subset] = length[smaller] + 1, smaller
    chain = []
    top = max(zero, key=lambda subset: (length[subset], -subset), default=0)
    while top:
        chain.append(top)
        top = under[top]
    return chain[::-1]


def _longest_chain(sums: Sequence[int], size: int) -> list[int]:
    """The same over all subsets, one element at a time, for balances with very many zero-sum subsets."""
    best = [0] * len(sums)
    bits = [1 << at for at in range(size)]
    for subset in range(1, len(sums)):
        most = max([best[subset ^ bit] for bit in bits if subset & bit])
        best[subset] = most + (not sums[subset])
    chain, subset = [], len(sums) - 1
    while subset:
        if not sums[subset]:
            chain.append(subset)
            wanted = best[subset] - 1
        else:
            wanted = best[subset]
        subset = next(subset ^ bit for bit in bits if subset & bit and best[subset ^ bit] == wanted)
    return chain[::-1]


def _at_most_groups(balances: Sequence[Balance]) -> int:
    """A bound that holds for every plan: a group has both signs and three balances or more (pairs are gone).

    Only balances in some zero-sum triple can be in a group of three; all other groups have four or more.
    """
    amounts = [amount for _, amount in balances]
    count = len(amounts)
    places: defaultdict[int, list[int]] = defaultdict(list)
    for at, amount in enumerate(amounts):
        places[amount].append(at)
    in_triple: set[int] = set()
    for first in range(count):
        for second in range(first + 1, count):
            thirds = [at for at in places.get(-amounts[first] - amounts[second], ()) if at > second]
            if thirds:
                in_triple.update((first, second, *thirds))
    triples = len(in_triple) // 3
    plus = sum(amount > 0 for amount in amounts)
    return min(plus, count - plus, triples + (count - 3 * triples) // 4)


def _search(balances: Sequence[Balance], most: int, *, seconds: float, seed: int) -> list[list[Balance]]:
    """Many groups: peeled in several random orders, the best improved by exact repacking of parts."""
    end = time.monotonic() + seconds
    chance = random.Random(seed)  # noqa: S311 - no secret, a repeatable search
    best: list[list[Balance]] = [list(balances)]
    for _ in range(20):
        order = list(balances)
        chance.shuffle(order)
        groups = _peel(order)
        best = max(best, groups, key=len)
        if len(best) >= most or time.monotonic() > end:
            return best
    best = _split(best, chance, end)
    for _ in range(_ROUNDS):
        if len(best) >= most or time.monotonic() > end:
            break
        best = _repacked(best, chance)
    return best


def _peel(order: Sequence[Balance]) -> list[list[Balance]]:
    """Disjoint zero-sum triples, then quadruples, in the given order; the rest exactly if small."""
    left = list(order)
    groups: list[list[Balance]] = []
    for found_in in (_triple, _quadruple):
        while group := found_in(left):
            groups.append(group)
            left = [balance for balance in left if balance not in group]
    rest = sorted(left, key=_by_size)
    if len(rest) <= _REPACK_UP_TO:
        return groups + _most_groups(rest)
    return [*groups, rest]


def _split(groups: Sequence[list[Balance]], chance: random.Random, end: float) -> list[list[Balance]]:
    """The same groups with the largest one split by zero-sum subsets of random samples of it."""
    *done, left = sorted(groups, key=len)
    misses = 0
    while len(left) > EXACT_UP_TO and misses < 5 and time.monotonic() < end:
        sample = chance.sample(left, _SAMPLE)
        sums = [0]
        for _, amount in sample:
            sums += [before + amount for before in sums]
        zero = [subset for subset, total in enumerate(sums) if not total and subset]
        if not zero:
            misses += 1
            continue
        smallest = min(zero, key=int.bit_count)
        group = [balance for at, balance in enumerate(sample) if smallest >> at & 1]
        done.append(group)
        left = [balance for balance in left if balance not in group]
    return [*done, *(_most_groups(left) if len(left) <= EXACT_UP_TO else [left])]


def _triple(left: Sequence[Balance]) -> list[Balance]:
    at = {amount: place for place, (_, amount) in enumerate(left)}
    for first in range(len(left)):
        for second in range(first + 1, len(left)):
            third = at.get(-left[first][1] - left[second][1], -1)
            if third > second:
                return [left[first], left[second], left[third]]
    return []


def _quadruple(left: Sequence[Balance]) -> list[Balance]:
    pair_with: dict[int, tuple[int, int]] = {}
    for second in range(len(left)):
        for first in range(second):
            total = left[first][1] + left[second][1]
            other = pair_with.get(-total)
            if other and not {first, second} & set(other):
                return [left[place] for place in (*other, first, second)]
            pair_with.setdefault(total, (first, second))
    return []


def _repacked(groups: list[list[Balance]], chance: random.Random) -> list[list[Balance]]:
    """Some groups taken together and grouped anew exactly; never fewer groups than before."""
    order = list(range(len(groups)))
    chance.shuffle(order)
    taken: list[int] = []
    size = 0
    for place in order:
        if size + len(groups[place]) <= _REPACK_UP_TO:
            taken.append(place)
            size += len(groups[place])
    part = [balance for place in taken for balance in groups[place]]
    chance.shuffle(part)
    kept = [group for place, group in enumerate(groups) if place not in taken]
    return kept + _most_groups(part)


# --- Exchange files ---------------------------------------------------------------------------


def parse(text: str) -> tuple[str, dict[str, int]]:
    """Currency and balances of a ``balances/1`` file. Raises Malformed with one sentence per fault."""
    content = exchange.read(text, exchange.read_schema(SCHEMA))
    currency, balances = content["currency"], content["balances"]
    faults = [
        f"balances.{who}: {amount} has a point; give minor units as a whole number."
        for who, amount in balances.items()
        if not isinstance(amount, int)
    ]
    try:
        money.digits(currency)
    except Refused as refused:
        faults.append(f"currency: {refused}")
    if not faults and (total := sum(balances.values())):
        shown = money.format_plain(total, currency)
        faults.append(f"balances: they add up to {shown} {currency}, not to 0; mend them before planning.")
    if faults:
        raise Malformed(faults)
    return currency, balances


def answer(made: PaymentPlan) -> dict[str, Any]:
    """The answer to a ``balances/1`` file, ready for JSON."""
    return {
        "payments": [
            {"from": payment.payer, "to": payment.payee, "amount": payment.amount} for payment in made.payments
        ],
        "count": made.count,
        "at_least": made.at_least,
        "proven": made.proven,
    }
