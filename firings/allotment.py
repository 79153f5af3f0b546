"""Shares out space when more is asked than fits: weighted max-min, exact, with a draw anyone can redo."""

from __future__ import annotations

import hashlib
import json
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from coop.errors import Malformed, Refused
from firings import exchange

SCHEMA = exchange.read_schema(Path(__file__).with_name("allotment-1.schema.json"))


class FloorsDoNotFit(Refused):
    """The space promised to everyone is more than there is."""


@dataclass(frozen=True, slots=True)
class Ask:
    """One member's wish in ml; of it they get at least ``floor_ml`` and at most ``cap_ml``."""

    member: str
    ask_ml: int
    weight: Fraction = Fraction(1)
    floor_ml: int = 0
    cap_ml: int | None = None

    @property
    def most_ml(self) -> int:
        return self.ask_ml if self.cap_ml is None else min(self.ask_ml, self.cap_ml)

    @property
    def least_ml(self) -> int:
        return min(self.floor_ml, self.most_ml)


@dataclass(frozen=True, slots=True)
class Allotment:
    """``grants`` in ml; ``level`` is the ml per unit of weight at which the space is used up (or all asks are
    met); ``waiting`` in the order in which freed space is offered; ``working`` one line per figure."""

    grants: dict[str, int]
    level: Fraction
    waiting: tuple[str, ...]
    working: tuple[str, ...]


def allot(capacity_ml: int, asks: Sequence[Ask], *, draw_seed: str = "") -> Allotment:
    """Nobody can get more without somebody with no more (by weight) getting less.

    The exact grant is level x weight, no less than the floor and no more than ask and cap, with the one
    level at which the grants use up the space; ``level`` is an exact fraction. Grants add up to the
    smaller of the space and the sum of asks (within caps). Millilitres that do not divide go to the
    largest remainders, ties in the order of the draw. Whoever got less than asked (within the cap) waits,
    the least served by weight first, ties in the order of the draw: SHA-256 of ``seed|member``, lowest
    hexadecimal first. Raises Malformed for asks that make no sense, FloorsDoNotFit when floors exceed space.
    """
    _refuse_nonsense(capacity_ml, asks)
    if sum(ask.least_ml for ask in asks) > capacity_ml:
        raise FloorsDoNotFit(
            f"The floors add up to {sum(ask.least_ml for ask in asks)} ml, there are {capacity_ml} ml; "
            "lower the floors or find more space."
        )
    drawn = sorted(asks, key=lambda ask: draw_key(draw_seed, ask.member))
    level = _level(capacity_ml, drawn)
    exact = {ask.member: _served(ask, level) for ask in drawn}
    grants = {member: int(amount) for member, amount in exact.items()}
    left_over = min(capacity_ml, sum(ask.most_ml for ask in drawn)) - sum(grants.values())
    neediest = sorted(exact, key=lambda member: grants[member] - exact[member])  # sorted() keeps the draw's order
    for member in neediest[:left_over]:
        grants[member] += 1
    short = [ask for ask in drawn if grants[ask.member] < ask.most_ml]
    waiting = tuple(ask.member for ask in sorted(short, key=lambda ask: exact[ask.member] / ask.weight))
    return Allotment(
        grants={ask.member: grants[ask.member] for ask in sorted(asks, key=lambda ask: ask.member)},
        level=level,
        waiting=waiting,
        working=_working(capacity_ml, asks, level, exact, grants, waiting, draw_seed),
    )


def draw_key(seed: str, member: str) -> str:
    """Place in the draw: the lowest comes first. ``printf %s 'seed|member' | sha256sum`` gives the same."""
    return hashlib.sha256(f"{seed}|{member}".encode()).hexdigest()


def _served(ask: Ask, level: Fraction) -> Fraction:
    return min(Fraction(ask.most_ml), max(Fraction(ask.least_ml), level * ask.weight))


def _level(capacity_ml: int, asks: Sequence[Ask]) -> Fraction:
    """Lowest level at which the grants use up the space or meet every ask (water filling)."""
    rising: list[tuple[Fraction, Fraction]] = []
    for ask in asks:
        if ask.least_ml < ask.most_ml:
            rising.append((ask.least_ml / ask.weight, ask.weight))
            rising.append((ask.most_ml / ask.weight, -ask.weight))
    rising.sort()
    level, slope = Fraction(0), Fraction(0)
    left = Fraction(capacity_ml - sum(ask.least_ml for ask in asks))
    for turn, change in rising:
        if slope and left <= (turn - level) * slope:
            return level + left / slope
        left -= (turn - level) * slope
        level, slope = turn, slope + change
    return level


def _working(
    capacity_ml: int,
    asks: Sequence[Ask],
    level: Fraction,
    exact: dict[str, Fraction],
    grants: dict[str, int],
    waiting: Sequence[str],
    draw_seed: str,
) -> tuple[str, ...]:
    asked = sum(ask.most_ml for ask in asks)
    if asked <= capacity_ml:
        opening = f"{asked} ml asked (within caps), {capacity_ml} ml there: everybody gets what they ask."
    else:
        opening = f"{asked} ml asked (within caps), {capacity_ml} ml there: level {level} ml per unit of weight."
    lines = [opening]
    for ask in sorted(asks, key=lambda ask: ask.member):
        amount = exact[ask.member]
        if amount == ask.most_ml:
            why = "all asked" if ask.most_ml == ask.ask_ml else f"the cap of {ask.cap_ml}"
        elif amount == ask.least_ml and level * ask.weight < amount:
            why = f"the floor of {ask.floor_ml}"
        else:
            why = f"level {level} x weight {ask.weight} = {amount}"
        rounded = "" if amount == grants[ask.member] else ", rounded"
        lines.append(f"{ask.member}: asks {ask.ask_ml}, gets {grants[ask.member]} ml ({why}{rounded}).")
    for place, member in enumerate(waiting, start=1):
        lines.append(f"Waiting {place}: {member}, draw {draw_key(draw_seed, member)[:12]}.")
    if waiting:
        lines.append(f"Draw: SHA-256 of {draw_seed + '|member'!r}, lowest first among equally served.")
    return tuple(lines)


def _refuse_nonsense(capacity_ml: int, asks: Sequence[Ask]) -> None:
    faults = []
    if capacity_ml < 0:
        faults.append(f"The space is {capacity_ml} ml; give none or more.")
    for member, times in Counter(ask.member for ask in asks).items():
        if times > 1:
            faults.append(f"{member}: asks {times} times; put it into one ask.")
    for ask in asks:
        if ask.ask_ml < 0 or ask.floor_ml < 0 or (ask.cap_ml is not None and ask.cap_ml < 0):
            faults.append(f"{ask.member}: ask, floor and cap cannot be below zero; correct them.")
        if ask.weight <= 0:
            faults.append(f"{ask.member}: weight {ask.weight} must be above zero; give 1 for everybody alike.")
        if ask.cap_ml is not None and ask.cap_ml < ask.floor_ml:
            faults.append(f"{ask.member}: cap {ask.cap_ml} is below floor {ask.floor_ml}; correct one of them.")
    if faults:
        raise Malformed(faults)


def read_allotment(text: str) -> tuple[int, list[Ask], str]:
    """Space, asks and seed of an allotment/1 file. Raises Malformed with one sentence per fault."""
    document = exchange.read(text, SCHEMA)
    faults: list[str] = []
    asks = []
    for number, row in enumerate(document["asks"]):
        weight = str(row.get("weight", 1))
        if not re.fullmatch(r"[0-9]+(\.[0-9]+)?|[0-9]+/[0-9]*[1-9][0-9]*", weight):
            faults.append(f'asks[{number}].weight: {weight!r} is no fraction; write it like 3 or "100/3".')
            continue
        cap = row.get("cap_ml")
        asks.append(
            Ask(
                member=row["member"],
                ask_ml=int(row["ask_ml"]),
                weight=Fraction(weight),
                floor_ml=int(row.get("floor_ml", 0)),
                cap_ml=None if cap is None else int(cap),
            )
        )
    if faults:
        raise Malformed(faults)
    return int(document["capacity_ml"]), asks, document.get("draw_seed", "")


def write_allotment(allotment: Allotment) -> str:
    """The answer as JSON; ``level`` as the text of an exact fraction."""
    document = {
        "grants": allotment.grants,
        "level": str(allotment.level),
        "waiting": allotment.waiting,
        "working": allotment.working,
    }
    return json.dumps(document, ensure_ascii=False, indent=1)
