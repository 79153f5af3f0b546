"""What a bank's file says, whatever its form: statements whose movements lead from opening to closing."""

from __future__ import annotations

import hashlib
import json
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import Any, Final

from coop import money
from coop.errors import Malformed

MAX_BYTES: Final = 10_000_000
MAX_MOVEMENTS: Final = 20_000
MOST_MINOR: Final = 10**9  # ten million in a currency of two digits; the ledger takes no more in one payment
MOST_TEXT: Final = 500
FIRST_YEAR: Final = 1990
_PLAIN_AMOUNT: Final = re.compile(r"[+-]?[0-9]{1,15}(?:\.[0-9]{1,8})?", re.ASCII)


@dataclass(frozen=True, slots=True)
class Movement:
    """Money that moved on the account: plus came in, minus went out, in minor units.

    ``name`` and ``iban`` are of the other side; ``reference`` is the structured one, ``bank_reference`` the bank's
    own; ``note`` says what a person should know (a batch whose parts do not add up). Empty where the file says none.
    """

    on: date
    amount_minor: int
    name: str = ""
    iban: str = ""
    reference: str = ""
    end_to_end: str = ""
    text: str = ""
    bank_reference: str = ""
    note: str = ""

    def to_json(self) -> dict[str, Any]:
        """Plain values for ``json.dumps``; what is empty is left out."""
        said = {name: getattr(self, name) for name in self.__slots__ if getattr(self, name)}
        return {**said, "on": self.on.isoformat()}

    @classmethod
    def from_json(cls, said: dict[str, Any]) -> Movement:
        """The movement ``to_json`` made."""
        return cls(**{**said, "on": date.fromisoformat(said["on"])})


@dataclass(frozen=True, slots=True)
class BankStatement:
    """One statement: what the account held before and after its movements. ``iban`` is empty where a CSV has none."""

    number: str
    iban: str
    currency: str
    opening_minor: int
    closing_minor: int
    movements: tuple[Movement, ...]

    @property
    def off_minor(self) -> int:
        """Opening and movements less closing: zero in a whole statement."""
        return self.opening_minor + sum(row.amount_minor for row in self.movements) - self.closing_minor


def check_size(data: bytes) -> None:
    """Raise Malformed for a file with nothing in it or beyond ``MAX_BYTES``."""
    if not data.strip():
        raise Malformed(["The file is empty; download it again from the bank."])
    if len(data) > MAX_BYTES:
        raise Malformed([f"The file is larger than {MAX_BYTES // 1_000_000} MB; export a shorter span of time."])


def check(statements: Sequence[BankStatement], *, iban: str, currency: str, not_after: date) -> None:
    """Raise Malformed, a sentence a fault, unless every statement is of this account and currency and adds up.

    A movement later than the day after ``not_after``, or beyond what one payment may be, is a fault too.
    """
    faults = [fault for row in statements for fault in _faults(row, iban, currency, not_after)]
    if not statements:
        faults.append("The file has no statement in it; download it again from the bank.")
    if sum(len(row.movements) for row in statements) > MAX_MOVEMENTS:
        faults.append(f"The file has more than {MAX_MOVEMENTS} movements; export a shorter span of time.")
    if faults:
        raise Malformed(faults[:20])


def _faults(row: BankStatement, iban: str, currency: str, not_after: date) -> Iterable[str]:
    which = f"Statement {row.number}" if row.number else "The statement"
    if row.iban and row.iban != iban:
        yield f"{which} is of the account {row.iban[:34]}, not of the co-op's {iban}; choose the file of that account."
        return
    if row.currency != currency:
        yield f"{which} is in {row.currency[:12]}; this co-op keeps its money in {currency}."
        return
    if row.off_minor:
        opens, moved, closes = (
            money.format_plain(minor, currency)
            for minor in (row.opening_minor, sum(one.amount_minor for one in row.movements), row.closing_minor)
        )
        yield (
            f"{which} does not add up: it opens with {opens}, its movements come to {moved}, but it closes with "
            f"{closes} {currency}. Download it again from the bank; nothing was taken."
        )
    for one in row.movements:
        if abs(one.amount_minor) > MOST_MINOR:
            amount = money.format_plain(one.amount_minor, currency)
            yield f"The movement of {one.on} over {amount} {currency} is too large to be right; check the file."
        if one.on.year < FIRST_YEAR or one.on > not_after + timedelta(days=1):
            yield f"A movement is dated {one.on}; a bank's file holds what has happened. Check the date form."


def follow(statements: Sequence[BankStatement]) -> list[str]:
    """Where a statement does not open with what the one before it closed with, in words; empty when all follow."""
    return [
        f"Statement {after.number or 'later'} opens with {money.format_plain(after.opening_minor, after.currency)}, "
        f"the one before closed with {money.format_plain(before.closing_minor, before.currency)} {after.currency}: "
        "a statement in between is missing."
        for before, after in pairwise(statements)
        if before.closing_minor != after.opening_minor
    ]


def keys(iban: str, movements: Iterable[Movement]) -> list[str]:
    """One name a movement, the same in every file that holds it: SHA-256 over all it says.

    Movements alike in every word on one day are numbered, so that twins stay two and an overlapping file adds
    neither again. The bank's own reference alone would not do: the parts of one batch share it.
    """
    seen: Counter[str] = Counter()
    names = []
    for row in movements:
        said = row.to_json()
        said.pop("note", None)
        alike = json.dumps([iban, said], sort_keys=True)
        seen[alike] += 1
        names.append(hashlib.sha256(f"{alike}#{seen[alike]}".encode()).hexdigest())
    return names


def amount_minor(text: str, currency: str, where: str) -> int:
    """Minor units of a plain decimal with a point (``-12.50``). Raises Malformed saying ``where``."""
    plain = text.strip()
    if not _PLAIN_AMOUNT.fullmatch(plain):
        raise Malformed([f"{where}: “{plain[:40]}” is no amount; the file is damaged."])
    places = money.digits(currency)
    whole, _, fraction = plain.lstrip("+-").partition(".")
    if fraction[places:].strip("0"):
        raise Malformed([f"{where}: “{plain[:40]}” has more decimals than {currency} has."])
    minor = int(whole + fraction[:places].ljust(places, "0"))
    return -minor if plain.startswith("-") else minor


def tidy(text: str, most: int = MOST_TEXT) -> str:
    """One line of printable text, no longer than ``most``."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())[:most]
