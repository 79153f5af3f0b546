"""Who pays whom so that all balances become zero with the fewest payments, and how few can be enough."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from billing import zero_groups
from coop import money
from coop.errors import Malformed, Refused
from firings import exchange

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
    fewest payments (Verhoeff 2004). Equal and opposite balances are paired first, without loss; the others are
    grouped by ``zero_groups``, a few exactly, many with a bound. Only who owes pays, so no more money moves than
    must. The same balances give the same plan in any order, unless ``seconds`` cut the search short. Raises
    Malformed unless they add up to zero.
    """
    if total := sum(balances.values()):
        raise Malformed([f"The balances add up to {total}, not to 0; mend them before planning payments."])
    pairs, rest = _pairs(sorted(((who, amount) for who, amount in balances.items() if amount), key=_by_size))
    packed = zero_groups.pack([amount for _, amount in rest], seconds=seconds, seed=seed)
    groups = [[rest[at] for at in group] for group in packed.groups]
    payments = [payment for group in [*pairs, *groups] for payment in _clear(group)]
    return PaymentPlan(
        payments=tuple(sorted(payments, key=lambda payment: (payment.payer, payment.payee))),
        at_least=len(pairs) + len(rest) - packed.at_most,
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
