"""Shares out space when more is asked than fits: weighted max-min, exact, with a draw anyone can redo.

A kiln with several zones is one problem: what can only stand in the soda zone competes for the soda zone, what can
stand anywhere for what is left. With members i, zones Z and a set T of zones, let out_i(T) be what of i's ask may
stand outside T. Grants x can be housed exactly if for every T

    sum over i of max(0, x_i - out_i(T)) <= space of T

(the cuts of the network members -> parts -> zones). Such grants form a polymatroid, in which the fairest grants are
found by letting all rise by weight until a T is full, holding those who need it, and going on with the others
(Fujishige 1980, "Lexicographically optimal base of a polymatroid with respect to a weight vector"; Megiddo 1974 for
networks). With one zone this is plain water filling.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import combinations, zip_longest
from pathlib import Path
from typing import Any, Final

from coop.errors import Malformed, Refused
from firings import exchange

SCHEMA = exchange.read_schema(Path(__file__).with_name("allotment-1.schema.json"))
MOST_ZONES: Final = 8
_ALL: Final = "all"  # the one zone of a request that names none

Zones = tuple[str, ...]


class FloorsDoNotFit(Refused):
    """The space promised to everyone is more than there is."""


@dataclass(frozen=True, slots=True)
class Ask:
    """One member's wish in ml; of it they get at least ``floor_ml`` and at most ``cap_ml``.

    ``parts`` says, where the kiln has zones, how much of the ask may stand in which of them; the parts add up to
    ``ask_ml``. Empty: all of it anywhere.
    """

    member: str
    ask_ml: int
    weight: Fraction = Fraction(1)
    floor_ml: int = 0
    cap_ml: int | None = None
    parts: Mapping[Zones, int] = field(default_factory=dict)

    @property
    def most_ml(self) -> int:
        return self.ask_ml if self.cap_ml is None else min(self.ask_ml, self.cap_ml)

    @property
    def least_ml(self) -> int:
        return min(self.floor_ml, self.most_ml)

    def outside_ml(self, zones: frozenset[str]) -> int:
        """How much of the ask may stand outside these zones."""
        return sum(ml for where, ml in self.parts.items() if not zones.issuperset(where))


@dataclass(frozen=True, slots=True)
class Allotment:
    """``grants`` in ml; ``level`` is the ml per unit of weight at which the space is used up (or all asks are
    met), with zones the highest of ``levels`` (by member); ``waiting`` in the order in which freed space is offered;
    ``working`` one line per figure."""

    grants: dict[str, int]
    level: Fraction
    waiting: tuple[str, ...]
    working: tuple[str, ...]
    levels: dict[str, Fraction] = field(default_factory=dict)


def allot(
    capacity_ml: int, asks: Sequence[Ask], *, draw_seed: str = "", zones: Mapping[str, int] | None = None
) -> Allotment:
    """Nobody can get more without somebody with no more (by weight) getting less.

    The exact grant is level x weight, no less than the floor and no more than ask and cap, with the one
    level at which the grants use up the space; ``level`` is an exact fraction. ``zones`` gives the space by zone
    (adding up to ``capacity_ml``): whoever needs a zone that is full stops at its level, the others go on. Grants
    add up to the most that can be housed: without zones, the smaller of the space and the sum of asks (within
    caps). Millilitres that do not divide go to the largest remainders, ties in the order of the draw. Whoever got
    less than asked (within the cap) waits, the least served by weight first, ties in the order of the draw: SHA-256
    of ``seed|member``, lowest hexadecimal first. Raises Malformed for asks that make no sense, FloorsDoNotFit when
    floors exceed space.
    """
    _refuse_nonsense(capacity_ml, asks, zones)
    drawn = sorted(asks, key=lambda ask: draw_key(draw_seed, ask.member))
    walls = _walls(zones or {_ALL: capacity_ml}, drawn)
    exact, levels = _rise(walls, drawn)
    grants = _whole(walls, drawn, exact)
    short = [ask for ask in drawn if grants[ask.member] < ask.most_ml]
    waiting = tuple(ask.member for ask in sorted(short, key=lambda ask: exact[ask.member] / ask.weight))
    level = max(levels.values(), default=Fraction(0))
    return Allotment(
        grants={ask.member: grants[ask.member] for ask in sorted(asks, key=lambda ask: ask.member)},
        level=level,
        waiting=waiting,
        working=_working(capacity_ml, asks, levels, exact, grants, waiting, draw_seed, has_zones=bool(zones)),
        levels=levels if zones else {},
    )


def draw_key(seed: str, member: str) -> str:
    """Place in the draw: the lowest comes first. ``printf %s 'seed|member' | sha256sum`` gives the same."""
    return hashlib.sha256(f"{seed}|{member}".encode()).hexdigest()


def commitment(seed: str) -> str:
    """What is shown of a seed before it is opened: its SHA-256. ``printf %s 'seed' | sha256sum`` gives the same."""
    return hashlib.sha256(seed.encode()).hexdigest()


# --- Rising by weight -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Wall:
    """What these zones hold, and what of each ask may stand outside of them."""

    zones: Zones
    space_ml: int
    outside: dict[str, int]


def _walls(zones: Mapping[str, int], asks: Sequence[Ask]) -> list[_Wall]:
    """One wall per set of zones, the smallest sets first."""
    names = sorted(zones)
    sets = [frozenset(some) for size in range(1, len(names) + 1) for some in combinations(names, size)]
    return [
        _Wall(
            tuple(sorted(some)),
            sum(zones[name] for name in some),
            {ask.member: ask.outside_ml(some) for ask in asks},
        )
        for some in sets
    ]


def _rise(walls: Sequence[_Wall], asks: Sequence[Ask]) -> tuple[dict[str, Fraction], dict[str, Fraction]]:
    """Exact grants, and the level at which each member stopped."""
    rising = {ask.member: ask for ask in asks}
    exact: dict[str, Fraction] = {}
    levels: dict[str, Fraction] = {}
    while rising:
        full = {wall.zones: _full_at(wall, rising.values(), exact) for wall in walls}
        stops = [level for level in full.values() if level is not None]
        level = min(stops) if stops else max(ask.most_ml / ask.weight for ask in rising.values())
        held = [
            ask
            for ask in rising.values()
            if not stops
            or any(full[wall.zones] == level and _served(ask, level) >= wall.outside[ask.member] for wall in walls)
        ]
        for ask in held:
            exact[ask.member], levels[ask.member] = _served(ask, level), level
            del rising[ask.member]
    return exact, levels


def _served(ask: Ask, level: Fraction) -> Fraction:
    return min(Fraction(ask.most_ml), max(Fraction(ask.least_ml), level * ask.weight))


def _full_at(wall: _Wall, rising: Iterable[Ask], held: Mapping[str, Fraction]) -> Fraction | None:
    """The level above which these zones would be overfull; None where they take all that is asked of them."""
    left = wall.space_ml - sum(
        (max(Fraction(0), amount - wall.outside[member]) for member, amount in held.items()), Fraction(0)
    )
    turns: list[tuple[Fraction, Fraction]] = []
    for ask in rising:
        outside = wall.outside[ask.member]
        begins = max(ask.least_ml, outside)
        left -= max(0, ask.least_ml - outside)
        if begins < ask.most_ml:
            turns.append((begins / ask.weight, ask.weight))
            turns.append((ask.most_ml / ask.weight, -ask.weight))
    if left < 0:
        raise FloorsDoNotFit(
            f"The floors need {wall.space_ml - left} ml"
            + ("" if wall.zones == (_ALL,) else f" in {', '.join(wall.zones)}")
            + f", there are {wall.space_ml} ml; lower the floors or find more space."
        )
    turns.sort()
    level, slope = Fraction(0), Fraction(0)
    for turn, change in turns:
        if slope and left <= (turn - level) * slope:
            return level + left / slope
        left -= (turn - level) * slope
        level, slope = turn, slope + change
    return None


def _whole(walls: Sequence[_Wall], drawn: Sequence[Ask], exact: Mapping[str, Fraction]) -> dict[str, int]:
    """Grants in whole ml that can still be housed: what does not divide goes to the largest remainders.

    The members who may get one ml more form a matroid, so taking them one by one reaches the largest sum.
    """
    grants = {ask.member: int(exact[ask.member]) for ask in drawn}
    taken = {wall.zones: sum(max(0, grants[ask.member] - wall.outside[ask.member]) for ask in drawn) for wall in walls}
    neediest = sorted(exact, key=lambda member: grants[member] - exact[member])  # sorted() keeps the draw's order
    for member in neediest:
        if grants[member] == exact[member]:
            break
        inside = [wall for wall in walls if grants[member] >= wall.outside[member]]
        if all(taken[wall.zones] < wall.space_ml for wall in inside):
            grants[member] += 1
            for wall in inside:
                taken[wall.zones] += 1
    return grants


def _working(
    capacity_ml: int,
    asks: Sequence[Ask],
    levels: Mapping[str, Fraction],
    exact: Mapping[str, Fraction],
    grants: Mapping[str, int],
    waiting: Sequence[str],
    draw_seed: str,
    *,
    has_zones: bool,
) -> tuple[str, ...]:
    asked = sum(ask.most_ml for ask in asks)
    opening = f"{asked} ml asked (within caps), {capacity_ml} ml there: "
    if all(exact[ask.member] == ask.most_ml for ask in asks):
        opening += "everybody gets what they ask."
    elif has_zones:
        opening += "some zone is full; whoever needs it stops at its level, the others go on."
    else:
        opening += f"level {max(levels.values())} ml per unit of weight."
    lines = [opening]
    for ask in sorted(asks, key=lambda ask: ask.member):
        why = f"{why_granted(ask, levels[ask.member])}"
        rounded = "" if exact[ask.member] == grants[ask.member] else ", rounded"
        lines.append(f"{ask.member}: asks {ask.ask_ml}, gets {grants[ask.member]} ml ({why}{rounded}).")
    for place, member in enumerate(waiting, start=1):
        lines.append(f"Waiting {place}: {member}, draw {draw_key(draw_seed, member)[:12]}.")
    if waiting:
        lines.append(f"Draw: SHA-256 of {draw_seed + '|member'!r}, lowest first among equally served.")
    return tuple(lines)


def why_granted(ask: Ask, level: Fraction) -> str:
    """The sum behind one grant: all asked, the cap, the floor, or level x weight."""
    amount = _served(ask, level)
    if amount == ask.most_ml:
        return "all asked" if ask.most_ml == ask.ask_ml else f"the cap of {ask.cap_ml}"
    if amount == ask.least_ml and level * ask.weight < amount:
        return f"the floor of {ask.floor_ml}"
    return f"level {level} x weight {ask.weight} = {amount}"


def _refuse_nonsense(capacity_ml: int, asks: Sequence[Ask], zones: Mapping[str, int] | None) -> None:
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
        faults.extend(_part_faults(ask, zones))
    faults.extend(_zone_faults(capacity_ml, zones))
    if faults:
        raise Malformed(faults)


def _part_faults(ask: Ask, zones: Mapping[str, int] | None) -> Iterator[str]:
    if not zones:
        if ask.parts:
            yield f"{ask.member}: parts name zones, but the space of no zone is given; add zones_ml."
        return
    strange = sorted({name for where in ask.parts for name in where} - set(zones))
    if strange:
        yield f"{ask.member}: there is no zone {', '.join(strange)} in zones_ml; correct the parts."
    if any(not where or ml < 0 for where, ml in ask.parts.items()):
        yield f"{ask.member}: each part needs a zone and 0 ml or more."
    if sum(ask.parts.values()) != ask.ask_ml:
        yield f"{ask.member}: the parts add up to {sum(ask.parts.values())} ml, the ask is {ask.ask_ml} ml."


def _zone_faults(capacity_ml: int, zones: Mapping[str, int] | None) -> Iterator[str]:
    if zones is None:
        return
    if len(zones) > MOST_ZONES:
        yield f"{len(zones)} zones are more than {MOST_ZONES}; share out one chamber at a time."
    if any(ml < 0 for ml in zones.values()):
        yield "A zone has less than no space; give 0 ml or more."
    if sum(zones.values()) != capacity_ml:
        yield f"The zones add up to {sum(zones.values())} ml, capacity_ml says {capacity_ml}; correct one of them."


# --- From litres to pieces --------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Lot:
    """A row of pieces that goes in whole or not at all; ``ml`` is what it takes in each zone that suits it.

    Lots of a member come in the member's own order. ``stands_in``: the zone in which it holds space now.
    """

    id: str
    member: str
    ml: Mapping[str, int]
    stands_in: str = ""

    @property
    def most_ml(self) -> int:
        """What it counts for against a grant: the most it may take in any zone that suits it."""
        return max(self.ml.values())


@dataclass(frozen=True, slots=True)
class Dealt:
    """``zones`` by lot that goes in; ``beyond``: lots that go in beyond their member's grant, into space nobody
    else's grant could use; ``waiting``: the other lots in the order in which freed space is offered."""

    zones: dict[str, str]
    beyond: tuple[str, ...]
    waiting: tuple[str, ...]


def deal(
    zones: Mapping[str, int], lots: Sequence[Lot], asks: Sequence[Ask], grants: Mapping[str, int], *, draw_seed: str
) -> Dealt:
    """Turn grants into pieces, which do not divide.

    Everybody's first lot comes before anybody's second, members in the order of the draw. A lot goes in while its
    member's lots stay within the grant, a zone has room, and what it takes there is not needed for the grants of
    others; one that does not is passed over and the member's next is tried. What is left is offered once more,
    members with the least by weight first, one lot each a round, within their caps.
    """
    hall, own = _Hall(zones), _by_member(lots)
    promises = _Promises(zones, own, grants)
    asked = {ask.member: ask for ask in asks}
    drawn = sorted(own, key=lambda member: draw_key(draw_seed, member))
    used: Counter[str] = Counter()
    for lot in _in_turns(own, drawn):
        goes_in = promises.leave_room_for(lot) and hall.takes(lot)
        promises.settle(lot, goes_in=goes_in)
        used[lot.member] += lot.most_ml if goes_in else 0
    rest = {member: [lot for lot in own[member] if lot.id not in hall.stands] for member in own}
    hungry = sorted(drawn, key=lambda member: used[member] / asked[member].weight)
    beyond, waiting = [], []
    for lot in _in_turns(rest, hungry):
        total = used[lot.member] + lot.most_ml
        if total <= asked[lot.member].most_ml and hall.takes(lot):
            used[lot.member] = total
            if total > grants[lot.member]:
                beyond.append(lot.id)
        else:
            waiting.append(lot.id)
    return Dealt(zones=dict(hall.stands), beyond=tuple(beyond), waiting=tuple(waiting))


def _by_member(lots: Sequence[Lot]) -> dict[str, list[Lot]]:
    own: dict[str, list[Lot]] = defaultdict(list)
    for lot in lots:
        own[lot.member].append(lot)
    return own


def _in_turns(own: Mapping[str, Sequence[Lot]], order: Sequence[str]) -> Iterator[Lot]:
    """Everybody's first, then everybody's second, and so on."""
    for turn in zip_longest(*(own[member] for member in order)):
        yield from (lot for lot in turn if lot is not None)


class _Promises:
    """What every set of zones must still hold so that all grants can be used: lots that are in, and what members
    can only use there. A lot that suits few zones may not take there what somebody else was granted."""

    def __init__(self, zones: Mapping[str, int], own: Mapping[str, Sequence[Lot]], grants: Mapping[str, int]) -> None:
        names = sorted(zones)
        sets = [frozenset(some) for size in range(1, len(names) + 1) for some in combinations(names, size)]
        self.space = {some: sum(zones[name] for name in some) for some in sets}
        self.left = {member: grants[member] for member in own}
        self.open = {member: list(lots) for member, lots in own.items()}
        self.inside: dict[str, Counter[frozenset[str]]] = {member: Counter() for member in own}
        self.needs = {member: self._needs(member) for member in own}
        self.total = {some: sum(needs[some] for needs in self.needs.values()) for some in sets}

    def leave_room_for(self, lot: Lot) -> bool:
        """Whether the lot is within its member's grant and takes nothing that others' grants need."""
        if lot.most_ml > self.left[lot.member]:
            return False
        needs = self._needs(lot.member, also=lot)
        before = self.needs[lot.member]
        return all(
            self.total[some] - before[some] + need <= max(self.space[some], self.total[some])
            for some, need in needs.items()
        )

    def settle(self, lot: Lot, *, goes_in: bool) -> None:
        """The lot is in, or passed over."""
        member = lot.member
        self.open[member].remove(lot)
        if goes_in:
            self.left[member] -= lot.most_ml
            self.inside[member].update({some: lot.most_ml for some in self.space if some.issuperset(lot.ml)})
        before, self.needs[member] = self.needs[member], self._needs(member)
        for some in self.total:
            self.total[some] += self.needs[member][some] - before[some]

    def _needs(self, member: str, also: Lot | None = None) -> dict[frozenset[str], int]:
        """By set of zones, what of it this member has and what more of the grant can be used nowhere else."""
        left = self.left[member] - (also.most_ml if also else 0)
        usable = [lot for lot in self.open[member] if lot is not also and lot.most_ml <= left]
        more = min(left, sum(lot.most_ml for lot in usable))
        needs = {}
        for some in self.space:
            outside = sum(lot.most_ml for lot in usable if not some.issuperset(lot.ml))
            taken = self.inside[member][some] + (also.most_ml if also and some.issuperset(also.ml) else 0)
            needs[some] = taken + max(0, more - outside)
        return needs


class _Hall:
    """Zones and the lots in them. A lot that finds no room may make the others change zones, never leave."""

    def __init__(self, zones: Mapping[str, int]) -> None:
        self.space = dict(zones)
        self.free = dict(zones)
        self.lots: list[Lot] = []
        self.stands: dict[str, str] = {}

    def takes(self, lot: Lot) -> bool:
        zone = _roomiest(self.free, lot) or self._cleared(lot)
        if zone:
            self.free[zone] -= lot.ml[zone]
            self.stands[lot.id] = zone
        elif not self._rearranged(lot):
            return False
        self.lots.append(lot)
        return True

    def _cleared(self, lot: Lot) -> str:
        """A zone in which there is room once others have moved on, each to a zone that suits it; "" if none."""
        if not self._could_fit(lot):
            return ""
        before = dict(self.free), dict(self.stands)
        for zone, ml in lot.ml.items():
            if self._clear(zone, ml, {zone}, {}):
                return zone
            self.free, self.stands = dict(before[0]), dict(before[1])
        return ""

    def _clear(self, zone: str, ml: int, passed: set[str], hopeless: dict[str, int]) -> bool:
        """Move lots out of the zone, along a chain of zones not passed yet, until this much is free in it."""
        here = [held for held in self.lots if self.stands[held.id] == zone and len(held.ml) > 1]
        missing = ml - self.free[zone]
        for held in sorted(here, key=lambda held: (held.ml[zone] < missing, held.ml[zone])):
            if self.free[zone] >= ml:
                break
            for other, needed in held.ml.items():
                if other in passed or needed >= hopeless.get(other, needed + 1):
                    continue
                if self.free[other] < needed and not self._clear(other, needed, passed | {other}, hopeless):
                    hopeless[other] = needed
                    continue
                self.free[other] -= needed
                self.free[zone] += held.ml[zone]
                self.stands[held.id] = other
                break
        return self.free[zone] >= ml

    def _could_fit(self, lot: Lot) -> bool:
        """Whether the zones reachable by moving others still have as much free space as the lot needs."""
        reach = set(lot.ml)
        while more := {
            zone for held in self.lots if self.stands[held.id] in reach for zone in held.ml if zone not in reach
        }:
            reach |= more
        return sum(self.free[zone] for zone in reach) >= min(lot.ml.values())

    def _rearranged(self, lot: Lot) -> bool:
        """Stand all anew: what suits few zones first, the largest first; keep it only if everything stands."""
        if len(self.space) == 1 or not self._could_fit(lot):
            return False
        free, stands = dict(self.space), {}
        for each in sorted([*self.lots, lot], key=lambda each: (len(each.ml), -each.most_ml)):
            zone = _roomiest(free, each)
            if not zone:
                return False
            free[zone] -= each.ml[zone]
            stands[each.id] = zone
        self.free, self.stands = free, stands
        return True


def _roomiest(free: Mapping[str, int], lot: Lot) -> str:
    """The zone in which it stands already, else the one with most room of those that suit; "" if none has room."""
    fit = [zone for zone, ml in lot.ml.items() if ml <= free[zone]]
    if lot.stands_in in fit:
        return lot.stands_in
    return max(fit, key=lambda zone: free[zone], default="")


# --- allotment/1 ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class AllotmentRequest:
    """What an allotment/1 file asks."""

    capacity_ml: int
    asks: tuple[Ask, ...]
    draw_seed: str = ""
    zones: Mapping[str, int] | None = None

    def answer(self) -> Allotment:
        return allot(self.capacity_ml, self.asks, draw_seed=self.draw_seed, zones=self.zones)


def read_allotment(text: str) -> AllotmentRequest:
    """An allotment/1 file. Raises Malformed with one sentence per fault."""
    document = exchange.read(text, SCHEMA)
    faults: list[str] = []
    asks = []
    for number, row in enumerate(document["asks"]):
        weight = str(row.get("weight", 1))
        if not re.fullmatch(r"[0-9]+(\.[0-9]+)?|[0-9]+/[0-9]*[1-9][0-9]*", weight):
            faults.append(f'asks[{number}].weight: {weight!r} is no fraction; write it like 3 or "100/3".')
            continue
        cap = row.get("cap_ml")
        parts: Counter[Zones] = Counter()
        for part in row.get("parts", ()):
            parts[tuple(sorted(set(part["zones"])))] += int(part["ml"])
        asks.append(
            Ask(
                member=row["member"],
                ask_ml=int(row["ask_ml"]),
                weight=Fraction(weight),
                floor_ml=int(row.get("floor_ml", 0)),
                cap_ml=None if cap is None else int(cap),
                parts=dict(parts),
            )
        )
    if faults:
        raise Malformed(faults)
    zones = {name: int(ml) for name, ml in document["zones_ml"].items()} if "zones_ml" in document else None
    return AllotmentRequest(int(document["capacity_ml"]), tuple(asks), document.get("draw_seed", ""), zones)


def request_document(request: AllotmentRequest) -> dict[str, Any]:
    """The allotment/1 form of a request; ``allot_space`` answers it as ``answer()`` does."""
    document: dict[str, Any] = {"format": "allotment/1", "capacity_ml": request.capacity_ml}
    if request.zones is not None:
        document["zones_ml"] = dict(request.zones)
    document["draw_seed"] = request.draw_seed
    document["asks"] = [_ask_document(ask) for ask in request.asks]
    return document


def _ask_document(ask: Ask) -> dict[str, Any]:
    document: dict[str, Any] = {"member": ask.member, "ask_ml": ask.ask_ml}
    if ask.parts:
        document["parts"] = [{"zones": list(where), "ml": ml} for where, ml in ask.parts.items()]
    document["weight"] = str(ask.weight)
    document["floor_ml"] = ask.floor_ml
    document["cap_ml"] = ask.cap_ml
    return document


def answer_document(allotment: Allotment) -> dict[str, Any]:
    """The answer as plain values; levels as the text of exact fractions."""
    document: dict[str, Any] = {"grants": allotment.grants, "level": str(allotment.level)}
    if allotment.levels:
        document["levels"] = {member: str(level) for member, level in sorted(allotment.levels.items())}
    return document | {"waiting": list(allotment.waiting), "working": list(allotment.working)}


def write_allotment(allotment: Allotment) -> str:
    """The answer as JSON; ``level`` as the text of an exact fraction."""
    return json.dumps(answer_document(allotment), ensure_ascii=False, indent=1)
