"""Spans of moments, and local times on the nights the clocks change."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.errors import Refused
from coop.periods import (
    Span,
    elapsed,
    first_overlap,
    is_ambiguous,
    local_moment,
    parse_local,
    show,
    show_length,
    show_span,
)

BERLIN, NEW_YORK, KOLKATA = ZoneInfo("Europe/Berlin"), ZoneInfo("America/New_York"), ZoneInfo("Asia/Kolkata")
START = datetime(2026, 3, 1, tzinfo=UTC)
hours = st.integers(min_value=0, max_value=500)
lengths = st.integers(min_value=1, max_value=100)


def span(start, length):
    return Span(START + timedelta(hours=start), START + timedelta(hours=start + length))


@given(a=hours, b=hours, la=lengths, lb=lengths)
def test_overlap_is_mutual_and_means_shared_time(a, b, la, lb):
    one, other = span(a, la), span(b, lb)
    assert one.overlaps(other) == other.overlaps(one) == (one.shared(other) > timedelta(0))
    assert one.shared(other) == other.shared(one)


def test_spans_that_touch_do_not_overlap():
    assert not span(0, 4).overlaps(span(4, 4))
    assert START + timedelta(hours=4) not in span(0, 4)
    assert START in span(0, 4)


@pytest.mark.parametrize("length", [0, -1])
def test_an_end_that_is_not_after_the_start_is_refused(length):
    with pytest.raises(Refused, match="end"):
        span(0, length)


def test_a_naive_moment_is_a_programming_error():
    with pytest.raises(ValueError):
        Span(datetime(2026, 1, 1), START)


@given(st.lists(st.tuples(hours, lengths), max_size=8))
def test_the_first_overlap_is_found_exactly_when_there_is_one(pairs):
    spans = [span(*pair) for pair in pairs]
    some = any(a.overlaps(b) for i, a in enumerate(spans) for b in spans[i + 1 :])
    found = first_overlap(spans)
    assert (found is not None) == some
    assert found is None or found[0].overlaps(found[1])


# tz database: EU changes on the last Sundays of March and October at 01:00 UTC, the US on the second of March
def test_a_local_time_the_clock_skips_is_refused_with_a_time_that_exists():
    with pytest.raises(Refused, match=r"no 02:30 on 2026-03-29.*03:30"):
        local_moment(date(2026, 3, 29), time(2, 30), BERLIN)
    with pytest.raises(Refused, match="02:30"):
        local_moment(date(2026, 3, 8), time(2, 30), NEW_YORK)


def test_a_local_time_shown_twice_means_the_first_unless_said_otherwise():
    night, at = date(2026, 10, 25), time(2, 30)
    assert is_ambiguous(night, at, BERLIN)
    assert local_moment(night, at, BERLIN) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert local_moment(night, at, BERLIN, fold=1) == datetime(2026, 10, 25, 1, 30, tzinfo=UTC)
    with pytest.raises(Refused, match="first or the second"):
        local_moment(night, at, BERLIN, fold=None)


def test_a_watch_over_the_clock_change_counts_real_hours():
    start = local_moment(date(2026, 10, 24), time(22), BERLIN)
    end = local_moment(date(2026, 10, 25), time(6), BERLIN)
    assert Span(start, end).hours == 9
    assert elapsed(start.astimezone(BERLIN), end.astimezone(BERLIN)) == timedelta(hours=9)


@given(
    moment=st.datetimes(min_value=datetime(2020, 1, 1), max_value=datetime(2035, 1, 1)),
    zone=st.sampled_from([BERLIN, NEW_YORK, KOLKATA]),
)
def test_every_moment_comes_back_from_its_local_time(moment, zone):
    moment = moment.replace(tzinfo=UTC)
    local = moment.astimezone(zone)
    assert local_moment(local.date(), local.time(), zone, fold=local.fold) == moment


def test_a_moment_shown_twice_that_night_says_which():
    assert show(datetime(2026, 10, 25, 0, 30, tzinfo=UTC), BERLIN) == "2026-10-25 02:30 CEST"
    assert show(datetime(2026, 10, 25, 1, 30, tzinfo=UTC), BERLIN) == "2026-10-25 02:30 CET"
    assert show(datetime(2026, 6, 1, 12, 0, tzinfo=UTC), BERLIN) == "2026-06-01 14:00"


def test_a_span_names_the_second_day_only_when_it_differs():
    day = Span(datetime(2026, 6, 1, 6, tzinfo=UTC), datetime(2026, 6, 1, 10, tzinfo=UTC))
    night = Span(datetime(2026, 6, 1, 20, tzinfo=UTC), datetime(2026, 6, 2, 0, tzinfo=UTC))
    assert show_span(day, BERLIN) == "2026-06-01 08:00 to 12:00"
    assert show_span(night, BERLIN) == "2026-06-01 22:00 to 2026-06-02 02:00"


@pytest.mark.parametrize("text", ["", "soon", "2026-02-30 10:00", "25:00", "2026-06-01 24:30"])
def test_text_that_is_no_date_is_refused_with_an_example(text):
    with pytest.raises(Refused, match="2026-03-14 18:30"):
        parse_local(text, BERLIN)


@pytest.mark.parametrize("year", [1, 1969, 9999])
def test_a_year_beyond_reason_is_refused(year):
    with pytest.raises(Refused, match="plausible"):
        local_moment(date(year, 12, 31), time(23, 59), NEW_YORK)


def test_a_written_local_time_becomes_a_moment():
    assert parse_local(" 2026-06-01T14:00 ", BERLIN) == datetime(2026, 6, 1, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("minutes", "shown"),
    [
        (0, "0 min"),
        (59, "59 min"),
        (65, "1 h 05 min"),
        (26 * 60 + 5, "26 h 05 min"),
        (76 * 60, "3 d 4 h"),
        (-90, "-1 h 30 min"),
    ],
)
def test_a_length_is_shown_in_the_units_people_speak_in(minutes, shown):
    assert show_length(timedelta(minutes=minutes)) == shown
