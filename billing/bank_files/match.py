"""Whose payment is it? By reference for certain; by account, name or amount only as a proposal with its reason."""

from __future__ import annotations

import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from billing.bank_files.movements import Movement
from billing.references import rf_plain, rf_valid

_RUN: Final = re.compile(r"(?<![0-9A-Z])RF(?: ?[0-9]){3,60}(?![0-9A-Z])", re.ASCII)
_WORD: Final = re.compile(r"(?<![0-9A-Z])RF[0-9]{3,60}(?![0-9A-Z])", re.ASCII)


@dataclass(frozen=True, slots=True)
class Member:
    """Who may have paid: the references on their statements, what they have to pay (minus: to receive), and the
    accounts they paid from before."""

    id: str
    name: str
    balance_minor: int = 0
    references: tuple[str, ...] = ()
    ibans: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Match:
    """Whose a movement is (``member`` empty: nobody knows), whether for certain, and why."""

    member: str
    is_certain: bool
    reason: str


@dataclass(slots=True)
class _Index:
    by_reference: dict[str, str] = field(default_factory=dict)
    by_iban: dict[str, set[str]] = field(default_factory=lambda: defaultdict(set))
    by_balance: dict[int, set[str]] = field(default_factory=lambda: defaultdict(set))
    words: dict[str, frozenset[str]] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)


def match(movements: Iterable[Movement], members: Sequence[Member]) -> list[Match]:
    """One match a movement, in their order.

    Certain only by a whole reference of ours, whatever the amount: the reference field, the payer's own reference, or
    the text, where it stands alone (with or without its spaces). References of two members in one payment are no
    proof of either.
    """
    index = _index(members)
    return [_match(movement, index) for movement in movements]


def _index(members: Sequence[Member]) -> _Index:
    index = _Index()
    for member in members:
        index.names[member.id] = member.name
        index.words[member.id] = _words(member.name)
        for reference in member.references:
            index.by_reference[rf_plain(reference)] = member.id
        for iban in member.ibans:
            index.by_iban[iban].add(member.id)
        if member.balance_minor:
            index.by_balance[member.balance_minor].add(member.id)
    return index


def _match(movement: Movement, index: _Index) -> Match:
    found = {reference: index.by_reference[reference] for reference in _references(movement, index.by_reference)}
    whose = set(found.values())
    if len(whose) == 1:
        (reference,) = sorted(found)[:1]
        return Match(whose.pop(), True, f"the reference {reference}")
    if len(whose) > 1:
        return Match("", False, "it names references of several members; split it by hand")
    return _proposal(movement, index)


def _references(movement: Movement, known: Mapping[str, str]) -> set[str]:
    """Our references in it. In a text the longest run of figures counts where it is a reference itself, so that
    somebody else's longer one is never cut down to ours; else the word that stands alone."""
    whole = {rf_plain(movement.reference), rf_plain(movement.end_to_end)}
    for text in (movement.text, movement.reference, movement.end_to_end):
        said = " ".join(text.upper().split())
        for run in _RUN.findall(said):
            plain = run.replace(" ", "")
            whole |= {plain} if rf_valid(plain) else set(_WORD.findall(run))
    return whole & known.keys()


def _proposal(movement: Movement, index: _Index) -> Match:
    by_name = [who for who, words in index.words.items() if words and words <= _words(movement.name)]
    by_amount = index.by_balance.get(movement.amount_minor, set())
    by_iban = index.by_iban.get(movement.iban, set()) if movement.iban else set()
    if len(by_iban) == 1:
        (who,) = by_iban
        return Match(who, False, f"{index.names[who]} paid from this account before")
    if len(by_name) == 1 and by_name[0] in by_amount:
        return Match(by_name[0], False, f"the name is {index.names[by_name[0]]}'s and the amount is what is open")
    if len(by_name) == 1:
        return Match(
            by_name[0], False, f"the name is {index.names[by_name[0]]}'s; the amount is another than what is open"
        )
    if len(by_name) > 1:
        return Match("", False, "the name fits several members")
    if len(by_amount) == 1:
        (who,) = by_amount
        return Match(who, False, f"only {index.names[who]} has exactly this open; the name is another")
    return Match("", False, "no reference of a statement, and no member's name, account or open amount fits")


def _words(name: str) -> frozenset[str]:
    """The words of a name without accents and case: banks write Zoe Marsh, MARSH ZOE."""
    plain = unicodedata.normalize("NFKD", name.casefold())
    letters = "".join(sign for sign in plain if not unicodedata.combining(sign))
    return frozenset(re.findall(r"\w+", letters))
