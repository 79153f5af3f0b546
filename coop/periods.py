"""Half-open spans of moments, and local times that exist: the nights the clocks change included."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from coop.errors import Refused


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """The moments from ``start`` up to but not including ``end``; both aware. Raises Refused if empty."""

    start: datetime
    end: datetime

    def __post_init__(self) -> None:
        if self.start.tzinfo is None or self.end.tzinfo is None:
            raise ValueError("a span needs aware datetimes")
        object.__setattr__(self, "start", self.start.astimezone(UTC))
        object.__setattr__(self, "end", self.end.astimezone(UTC))
        if self.end <= self.start:
            raise Refused("The end comes before the start; give an end that is later than the start.")

    def __contains__(self, moment: datetime) -> bool:
        return self.start <= moment < self.end

    def overlaps(self, other: Span) -> bool:
        """True if some moment lies in both; spans that only touch do not overlap."""
        return self.start < other.end and other.start < self.end

    def shared(self, other: Span) -> timedelta:
        """How long both run at once; zero if they do not overlap."""
        return max(timedelta(0), min(self.end, other.end) - max(self.start, other.start))

    @property
    def length(self) -> timedelta:
        """Elapsed time, from instants: a night the clocks change does not count an hour twice."""
        return self.end - self.start

    @property
    def hours(self) -> float:
        return self.length / timedelta(hours=1)


def elapsed(start: datetime, end: datetime) -> timedelta:
    """Real time between two aware moments; subtracting inside one zone would count by the clock."""
    if start.tzinfo is None or end.tzinfo is None:
        raise ValueError("elapsed time needs aware datetimes")
    return end.astimezone(UTC) - start.astimezone(UTC)


def first_overlap(spans: Iterable[Span]) -> tuple[Span, Span] | None:
    """The earliest two spans that overlap, or None."""
    latest: Span | None = None
    for span in sorted(spans):
        if latest is not None and span.start < latest.end:
            return latest, span
        if latest is None or span.end > latest.end:
            latest = span
    return None


def is_ambiguous(day: date, at: time, zone: ZoneInfo) -> bool:
    """True if the clock shows this local time twice that night."""
    wall = datetime.combine(day, at.replace(tzinfo=None))
    first, second = (wall.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    return _exists(first) and first.utcoffset() != second.utcoffset()


def local_moment(day: date, at: time, zone: ZoneInfo, *, fold: int | None = 0) -> datetime:
    """The UTC moment of a local date and time in ``zone``.

    A time the clock skips is refused. A time shown twice means the first by default; ``fold=1`` is the
    second, and ``fold=None`` refuses and asks which.
    """
    if not 1970 <= day.year <= 2200:
        raise Refused(f"The year {day.year} is not plausible; give a date between 1970 and 2200.")
    wall = datetime.combine(day, at.replace(tzinfo=None))
    if fold is None and is_ambiguous(day, at, zone):
        raise Refused(
            f"The clocks go back in the night of {day:%Y-%m-%d} and {at:%H:%M} comes twice; "
            "say whether you mean the first or the second."
        )
    moment = wall.replace(tzinfo=zone, fold=fold or 0)
    if not _exists(moment):
        after = moment.astimezone(UTC).astimezone(zone)
        raise Refused(
            f"There is no {at:%H:%M} on {day:%Y-%m-%d}: the clocks go forward then; "
            f"give another time, for example {after:%H:%M}."
        )
    return moment.astimezone(UTC)


def parse_local(text: str, zone: ZoneInfo, *, fold: int | None = 0) -> datetime:
    """``YYYY-MM-DD HH:MM`` (or with T) in ``zone`` as a UTC moment; raises Refused for anything else."""
    try:
        wall = datetime.fromisoformat(text.strip())
    except ValueError:
        raise Refused(f"“{text.strip()[:30]}” is no date and time; write it like 2026-03-14 18:30.") from None
    if wall.tzinfo is not None:
        return wall.astimezone(UTC)
    return local_moment(wall.date(), wall.time(), zone, fold=fold)


def show(moment: datetime, zone: ZoneInfo) -> str:
    """``2026-10-25 02:30``; where the clock shows that time twice, with the zone's short name after it."""
    local = moment.astimezone(zone)
    text = f"{local:%Y-%m-%d %H:%M}"
    return f"{text} {local:%Z}" if is_ambiguous(local.date(), local.time(), zone) else text


def show_time(moment: datetime, zone: ZoneInfo) -> str:
    """``02:30``, with the zone's short name where the clock shows that time twice."""
    return show(moment, zone).split(" ", 1)[1]


def show_span(span: Span, zone: ZoneInfo) -> str:
    """``2026-03-14 18:00 to 22:00``; the second date only where it differs."""
    start, end = span.start.astimezone(zone), span.end.astimezone(zone)
    last = show_time(span.end, zone) if start.date() == end.date() else show(span.end, zone)
    return f"{show(span.start, zone)} to {last}"


def show_length(length: timedelta) -> str:
    """``26 h 05 min``, ``40 min``, ``3 d 4 h``; rounded down to the minute, minus sign before."""
    minutes = int(abs(length).total_seconds()) // 60
    sign = "-" if length < timedelta(0) and minutes else ""
    if minutes < 60:
        return f"{sign}{minutes} min"
    if minutes < 48 * 60:
        return f"{sign}{minutes // 60} h {minutes % 60:02d} min"
    return f"{sign}{minutes // 1440} d {minutes % 1440 // 60} h"


def _exists(moment: datetime) -> bool:
    return moment.astimezone(UTC).astimezone(moment.tzinfo).replace(tzinfo=None) == moment.replace(tzinfo=None)
