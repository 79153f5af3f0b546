"""The calendar writer: what goes in comes out of three readers, and nothing hostile gets through."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from icalendar import Calendar

from coop.errors import Malformed
from firings.calendar_feed import Feed, FeedEvent, clean, stamp, write
from tests import calendar_client
from tests.strict_calendar import read

moments = st.datetimes(datetime(1990, 1, 1), datetime(2100, 1, 1)).map(lambda at: at.replace(tzinfo=UTC, microsecond=0))
texts = st.text(max_size=200)
AT = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)


def event(**changes) -> FeedEvent:
    return FeedEvent(
        **{
            "uid": "1",
            "sequence": 0,
            "changed_at": AT,
            "starts_at": AT,
            "ends_at": AT + timedelta(hours=6),
            "summary": "Watch",
            **changes,
        }
    )


def feed(*events, **changes) -> Feed:
    return Feed(
        **{
            "uid": "f",
            "name": "Hollow Lane",
            "description": "All of it",
            "colour": "sienna",
            "url": "https://kiln.example/hollow-lane/calendar/",
            "changed_at": AT,
            "events": events,
            **changes,
        }
    )


def test_a_feed_says_its_name_colour_and_how_often_to_look():
    calendar, _events = read(write(feed(event())))
    assert (calendar["NAME"], calendar["COLOR"], calendar["CALSCALE"]) == ("Hollow Lane", "sienna", "GREGORIAN")
    assert calendar["REFRESH-INTERVAL"] == timedelta(hours=1)


@given(summary=texts, description=texts, location=texts, starts=moments, minutes=st.integers(1, 10_000))
def test_whatever_is_written_is_read_the_same_by_every_reader(summary, description, location, starts, minutes):
    ends = starts + timedelta(minutes=minutes)
    text = write(
        feed(event(summary=summary, description=description, location=location, starts_at=starts, ends_at=ends))
    )
    _calendar, [strict] = read(text)
    [library] = Calendar.from_ical(text).events
    assert strict["SUMMARY"] == clean(summary) == str(library["summary"])
    assert strict.get("DESCRIPTION", "") == clean(description)
    assert strict.get("LOCATION", "") == clean(location)
    assert (strict["DTSTART"], strict["DTEND"]) == (starts, ends)
    assert (library.start, library.end) == (starts, ends)
    assert calendar_client.read(text) == {"1": strict}


@pytest.mark.parametrize(
    "hostile",
    [
        "x\r\nATTENDEE:mailto:eve@example.org",
        "x\nEND:VEVENT\nBEGIN:VALARM",
        "x\x00\x07\x1b[31m\x7f",
        "semi;colon, comma \\n backslash\\",
        "ä" * 200,
        "😀" * 60,
    ],
)
def test_hostile_text_stays_text(hostile):
    _calendar, [only] = read(write(feed(event(summary=hostile, description=hostile, location=hostile), name=hostile)))
    assert set(only) <= {
        "UID", "DTSTAMP", "LAST-MODIFIED", "SEQUENCE", "DTSTART", "DTEND", "SUMMARY", "DESCRIPTION", "LOCATION",
        "STATUS", "TRANSP",
    }  # fmt: skip


def test_equal_feeds_are_equal_bytes_in_any_order():
    first, second = event(uid="1"), event(uid="2", starts_at=AT - timedelta(days=1))
    assert write(feed(first, second)) == write(feed(second, first))


def test_what_is_cancelled_takes_nobodys_time():
    _calendar, [only] = read(write(feed(event(is_cancelled=True, sequence=3))))
    assert (only["STATUS"], only["TRANSP"], only["SEQUENCE"]) == ("CANCELLED", "TRANSPARENT", 3)


@pytest.mark.parametrize(
    "change",
    [
        {"starts_at": datetime(2026, 1, 1)},
        {"changed_at": datetime(2026, 1, 1)},
        {"ends_at": AT},
        {"uid": ""},
        {"sequence": -1},
    ],
)
def test_an_event_that_cannot_be_is_refused(change):
    with pytest.raises(Malformed):
        event(**change)


def test_two_events_with_one_id_are_refused():
    with pytest.raises(Malformed, match="same id"):
        write(feed(event(), event()))


def test_a_stamp_tells_apart_what_only_looks_alike_joined():
    assert stamp(["ab", "c"]) != stamp(["a", "bc"])
    assert stamp([1, "x"]) == stamp([1, "x"])
