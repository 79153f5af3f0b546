"""An iCalendar feed as text (RFC 5545, its updates in RFC 7986): events in, bytes out. Knows no framework.

Times are written in UTC, so a night the clocks change needs no rule of ours. There is no METHOD: this is a
calendar to be read, not a message, so DTSTAMP says when the row was last changed (RFC 5545, 3.8.7.2) and equal
events give equal bytes. SEQUENCE and STATUS follow RFC 5546, 2.1.4 and 3.2.1: a change raises the one, what was
called off stays as CANCELLED for a while.
"""

from __future__ import annotations

import hashlib
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from icalendar import Calendar, Event, vText

from coop.errors import Malformed

PRODID = "-//Shared kiln co-op//Calendar feed 1//EN"
REFRESH = timedelta(hours=1)
# Names of CSS3 colours (RFC 7986, 5.9), earthen ones that tell kilns apart.
COLOURS = ("sienna", "darkolivegreen", "steelblue", "darkgoldenrod", "slategray", "indianred", "rosybrown", "teal")


@dataclass(frozen=True, slots=True)
class FeedEvent:
    """One event, ``[starts_at, ends_at)`` or (no end) a moment; all moments aware. Raises Malformed.

    ``uid`` stays the same as long as the thing is the same; ``sequence`` never falls. ``is_busy`` is whether it
    takes the reader's own time.
    """

    uid: str
    sequence: int
    changed_at: datetime
    starts_at: datetime
    ends_at: datetime | None
    summary: str
    description: str = ""
    location: str = ""
    url: str = ""
    category: str = ""
    is_cancelled: bool = False
    is_busy: bool = True

    def __post_init__(self) -> None:
        moments = [self.changed_at, self.starts_at, *([self.ends_at] if self.ends_at else [])]
        faults = []
        if any(moment.tzinfo is None for moment in moments):
            faults.append(f"{self.summary}: every moment needs its offset from UTC.")
        elif self.ends_at is not None and self.ends_at <= self.starts_at:
            faults.append(f"{self.summary}: it ends before it begins.")
        if not self.uid or self.sequence < 0:
            faults.append(f"{self.summary}: an event needs an id, and a sequence from 0 up.")
        if faults:
            raise Malformed(faults)


@dataclass(frozen=True, slots=True)
class Feed:
    """One calendar of events; ``uid`` is the calendar's own id (RFC 7986, 5.3)."""

    uid: str
    name: str
    description: str
    colour: str
    url: str
    changed_at: datetime
    events: tuple[FeedEvent, ...]


def write(feed: Feed) -> bytes:
    """The feed as ``text/calendar`` in UTF-8, events in order of time, lines folded at 75 octets.

    Raises Malformed where two events have one id.
    """
    ids = [event.uid for event in feed.events]
    if len(set(ids)) < len(ids):
        raise Malformed(["Two events of a calendar have the same id."])
    calendar = Calendar()
    calendar.add("prodid", PRODID)
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("uid", feed.uid)
    calendar.add("name", vText(clean(feed.name)))  # the library does not know NAME as text and would not escape it
    if feed.description:
        calendar.add("description", clean(feed.description))
    calendar.add("last-modified", _second(feed.changed_at))
    if feed.url:
        calendar.add("url", feed.url)
    calendar.add("color", feed.colour)
    calendar.add("refresh-interval", REFRESH, parameters={"VALUE": "DURATION"})
    for event in sorted(feed.events, key=lambda one: (one.starts_at, one.uid)):
        calendar.add_component(_component(event))
    return bytes(calendar.to_ical())


def _component(event: FeedEvent) -> Event:
    row = Event()
    row.add("uid", event.uid)
    row.add("dtstamp", _second(event.changed_at))
    row.add("last-modified", _second(event.changed_at))
    row.add("sequence", event.sequence)
    row.add("dtstart", _second(event.starts_at))
    if event.ends_at is not None:
        row.add("dtend", _second(event.ends_at))
    row.add("summary", clean(event.summary))
    if event.description:
        row.add("description", clean(event.description))
    if event.location:
        row.add("location", clean(event.location))
    if event.url:
        row.add("url", event.url)
    if event.category:
        row.add("categories", [clean(event.category)])
    row.add("status", "CANCELLED" if event.is_cancelled else "CONFIRMED")
    row.add("transp", "OPAQUE" if event.is_busy and not event.is_cancelled else "TRANSPARENT")
    return row


def _second(moment: datetime) -> datetime:
    return moment.astimezone(UTC).replace(microsecond=0)


def clean(text: str) -> str:
    """Text without control characters, which RFC 5545 allows nowhere; line breaks stay, tabs become spaces."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").replace("\t", " ")
    return "".join(one for one in lines if one == "\n" or unicodedata.category(one) not in ("Cc", "Cs"))


def stamp(parts: Iterable[object]) -> str:
    """A strong entity tag (quoted) over what decides the bytes of a feed."""
    told = "\x1f".join(str(part) for part in parts)
    return f'"{hashlib.sha256(told.encode()).hexdigest()[:32]}"'
