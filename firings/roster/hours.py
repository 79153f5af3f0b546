"""The hours account: what each member owes for a firing, and what a watch or chore is credited with."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from fractions import Fraction
from math import floor
from zoneinfo import ZoneInfo

from coop.errors import Malformed


@dataclass(frozen=True, slots=True)
class Night:
    """The co-op's night, whole hours on its clock; equal hours mean all day and night. Raises Malformed."""

    from_hour: int = 22
    to_hour: int = 6

    def __post_init__(self) -> None:
        if not (0 <= self.from_hour <= 23 and 0 <= self.to_hour <= 23):
            raise Malformed(["The night begins and ends at an hour from 0 to 23; correct it."])


USUAL_NIGHT = Night()


@dataclass(frozen=True, slots=True)
class OwedHours:
    """Minutes owed by member; ``nobody`` is work that is left because all have as much as they can do."""

    minutes: dict[str, int]
    nobody: int


def owed_minutes(
    total_minutes: int,
    space_ml: Mapping[str, int],
    *,
    equal_per_mille: int,
    carried_minutes: Mapping[str, int] | None = None,
    able_minutes: Mapping[str, int] | None = None,
) -> OwedHours:
    """Share ``total_minutes`` of work: total x (a/n + (1-a) x space share), n members, a in per mille.

    ``carried_minutes`` is the balance from earlier firings, plus where somebody worked more than owed;
    it lowers what they owe now. ``able_minutes`` caps a member. What caps and balances take away or add,
    all others bear alike, so many minutes more or less each; nobody owes less than nothing. The minutes
    and ``nobody`` add up to ``total_minutes`` exactly; minutes that do not divide go to the largest
    remainders, ties to the lowest id. Raises Malformed.
    """
    carried, able = carried_minutes or {}, able_minutes or {}
    _refuse_nonsense(total_minutes, space_ml, equal_per_mille, carried, able)
    members = sorted(space_ml)
    space = sum(space_ml.values())
    equal = Fraction(equal_per_mille, 1000) if space else Fraction(1)
    shares = {
        member: total_minutes
        * (equal / len(members) + (1 - equal) * (Fraction(space_ml[member], space) if space else 0))
        - carried.get(member, 0)
        for member in members
    }
    caps = {member: min(total_minutes, able.get(member, total_minutes)) for member in members}
    work = min(total_minutes, sum(caps.values()))
    exact = _levelled(shares, caps, work)
    minutes = {member: int(exact[member]) for member in members}
    neediest = sorted(members, key=lambda member: (minutes[member] - exact[member], member))
    for member in neediest[: work - sum(minutes.values())]:
        minutes[member] += 1
    return OwedHours(minutes, total_minutes - work)


def _levelled(shares: Mapping[str, Fraction], caps: Mapping[str, int], work: int) -> dict[str, Fraction]:
    """``min(cap, max(0, share + level))`` with the one level at which they add up to ``work``."""

    def at(level: Fraction) -> dict[str, Fraction]:
        return {member: min(Fraction(caps[member]), max(Fraction(0), shares[member] + level)) for member in shares}

    turns = sorted({turn for member in shares for turn in (-shares[member], caps[member] - shares[member])})
    below = turns[0]
    for turn in turns:
        if sum(at(turn).values()) >= work:
            low, high = sum(at(below).values()), sum(at(turn).values())
            level = turn if high == low else below + (turn - below) * (work - low) / (high - low)
            return at(level)
        below = turn
    return at(turns[-1])


def night_seconds(starts_at: datetime, ends_at: datetime, zone: str, night: Night = USUAL_NIGHT) -> int:
    """Seconds of ``[starts_at, ends_at)`` inside the night on the clocks of ``zone``.

    Counted on instants: the night in which the clocks go back has an hour more of it.
    """
    place, over = ZoneInfo(zone), timedelta(days=1 if night.to_hour <= night.from_hour else 0)
    start, end = starts_at.astimezone(UTC), ends_at.astimezone(UTC)
    day, last = start.astimezone(place).date() - timedelta(days=1), end.astimezone(place).date()
    seconds = 0
    while day <= last:
        begins = _instant(day, time(night.from_hour), place)
        finishes = _instant(day + over, time(night.to_hour), place)
        overlap = min(end, finishes) - max(start, begins)
        seconds += max(0, int(overlap.total_seconds()))
        day += timedelta(days=1)
    return seconds


def _instant(day: date, clock: time, place: ZoneInfo) -> datetime:
    return datetime.combine(day, clock, place).astimezone(UTC)


def credited_minutes(
    starts_at: datetime,
    ends_at: datetime,
    zone: str,
    *,
    night_weight: Fraction | int = 1,
    work_weight: Fraction | int = 1,
    night: Night = USUAL_NIGHT,
    minutes: int | None = None,
) -> int:
    """Minutes credited for work: as long as it took, at night times ``night_weight``, all times ``work_weight``.

    ``minutes`` is how long somebody was really there; the weight of the whole span is then shared out evenly
    over it. Half a minute and more counts as one. Raises Malformed for a span that ends before it begins,
    lacks its offset from UTC or is longer than 31 days.
    """
    if starts_at.tzinfo is None or ends_at.tzinfo is None:
        raise Malformed(["Start and end of the work need their offset from UTC; give both with one."])
    length = ends_at.astimezone(UTC) - starts_at.astimezone(UTC)
    if not timedelta(0) <= length <= timedelta(days=31):
        raise Malformed(["The work must end after it begins and within 31 days; correct one of the moments."])
    if night_weight < 0 or work_weight < 0:
        raise Malformed(["The weight of the hours is below zero; give 1 for one to one, or more."])
    if not length:
        return 0
    dark, seconds = night_seconds(starts_at, ends_at, zone, night), int(length.total_seconds())
    weighted = Fraction(work_weight) * (seconds - dark + dark * Fraction(night_weight)) / 60
    if minutes is not None:
        weighted = weighted * minutes * 60 / seconds
    return floor(weighted + Fraction(1, 2))


def carried_over(balance: int, owed: int) -> int:
    """What of an earlier balance goes into a firing: all that is behind, and of what is ahead as much as is owed."""
    return balance if balance < 0 else min(balance, owed)


def traded(balances: Mapping[str, int]) -> dict[str, int]:
    """The minutes that change hands when those behind pay those ahead, as many on one side as on the other.

    Plus for who is behind (made up for), minus for who is ahead; the smaller side is evened out, the larger in
    proportion, whole minutes to the largest remainders, ties to the lowest id. They add up to zero and nobody
    passes nought.
    """
    behind = {member: -minutes for member, minutes in balances.items() if minutes < 0}
    ahead = {member: minutes for member, minutes in balances.items() if minutes > 0}
    work = min(sum(behind.values()), sum(ahead.values()))
    if not work:
        return {}
    return {
        **{member: minutes for member, minutes in _in_proportion(work, behind).items() if minutes},
        **{member: -minutes for member, minutes in _in_proportion(work, ahead).items() if minutes},
    }


def _in_proportion(work: int, parts: Mapping[str, int]) -> dict[str, int]:
    whole = sum(parts.values())
    minutes = {member: work * part // whole for member, part in parts.items()}
    neediest = sorted(parts, key=lambda member: (-(work * parts[member] % whole), member))
    for member in neediest[: work - sum(minutes.values())]:
        minutes[member] += 1
    return minutes


@dataclass(frozen=True, slots=True)
class Outlook:
    """How one member stands before loading, minutes: what they would owe, and what stands against it.

    ``carried`` is the balance from other firings (plus is ahead), ``worked`` what is confirmed for this one,
    ``planned`` the places they hold that nobody has confirmed yet.
    """

    owed: int
    carried: int
    worked: int
    planned: int

    @property
    def short(self) -> int:
        """What is still missing if they do all they signed up for; never below zero."""
        return max(0, self.owed - self.carried - self.worked - self.planned)

    @property
    def ahead(self) -> int:
        return max(0, self.carried + self.worked + self.planned - self.owed)


def outlook(
    total_minutes: int,
    space_ml: Mapping[str, int],
    *,
    equal_per_mille: int,
    carried: Mapping[str, int],
    worked: Mapping[str, int],
    planned: Mapping[str, int],
) -> dict[str, Outlook]:
    """Where each member stands, by id: all who have space, and all who have work in hand without space.

    What each would owe is their share as :func:`owed_minutes` gives it, before any balance is counted, so the
    shares add up to ``total_minutes``. Without space nothing is owed. Raises Malformed.
    """
    owed = owed_minutes(total_minutes, space_ml, equal_per_mille=equal_per_mille).minutes if space_ml else {}
    return {
        member: Outlook(owed.get(member, 0), carried.get(member, 0), worked.get(member, 0), planned.get(member, 0))
        for member in sorted({*space_ml, *worked, *planned})
    }


def _refuse_nonsense(
    total: int,
    space_ml: Mapping[str, int],
    equal_per_mille: int,
    carried: Mapping[str, int],
    able: Mapping[str, int],
) -> None:
    faults = []
    if total < 0:
        faults.append(f"The work is {total} minutes; give none or more.")
    if not 0 <= equal_per_mille <= 1000:
        faults.append(f"The part shared by heads is {equal_per_mille} per mille; choose 0 to 1000.")
    if not space_ml:
        faults.append("Nobody has space in this firing, so nobody can owe hours; add a member.")
    faults += [f"{member}: space is {ml} ml; give none or more." for member, ml in space_ml.items() if ml < 0]
    faults += [f"{member}: can do {most} minutes; give none or more." for member, most in able.items() if most < 0]
    for member in sorted((set(carried) | set(able)) - set(space_ml)):
        faults.append(f"{member}: has a balance or a limit but is not in this firing; add or remove them.")
    if faults:
        raise Malformed(faults)
