"""When a fire reaches its target: from its own pace, earlier fires, and the kiln's sheet."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firings.fire import ahead

LIT = datetime(2026, 10, 24, 18, tzinfo=UTC)


def at(hours):
    return LIT + timedelta(hours=hours)


def usual(hours, *, until=1.0, target=1280.0, every=0.25):
    """Readings of a fire that takes the usual course in so many hours, up to a share of them."""

    marks, passed = zip(*ahead.usual_course(), strict=True)

    def c(share):
        if share >= 1:
            return target
        place = max(i for i, one in enumerate(passed) if one <= share)
        part = (share - passed[place]) / (passed[place + 1] - passed[place])
        return target * (marks[place] + (marks[place + 1] - marks[place]) * part)

    return [(at(n * every), c(n * every / hours)) for n in range(round(until * hours / every) + 1)]


def due(readings, *, sheet=24.0, past=()):
    return ahead.to_target(readings, lit_at=LIT, target_c=1280, hours_likely=sheet, past=past)


def test_a_fire_on_its_usual_course_is_due_when_the_sheet_says():
    for until in (0.3, 0.5, 0.7):
        made = due(usual(24, until=until))
        assert made.likely == pytest.approx(at(24), abs=timedelta(hours=6))
        assert made.span(made.most)[0] <= at(24) <= made.span(made.most)[1]


def test_a_slow_fire_is_believed_the_more_the_longer_it_goes():
    late = [due(usual(36, until=until)).likely - at(36) for until in (0.15, 0.5, 0.8)]
    assert late[0] < late[1] < timedelta(0)
    assert abs(late[2]) < timedelta(hours=4)


def test_earlier_fires_of_the_kiln_count_against_a_wrong_sheet():
    course = ahead.course_of(usual(36), LIT, 1280)
    alone, known = due(usual(36, until=0.2)), due(usual(36, until=0.2), past=[course] * 3)
    assert abs(known.likely - at(36)) < abs(alone.likely - at(36))
    assert "3 earlier fires" in known.based_on


@given(until=st.floats(0.05, 0.99), hours=st.floats(6, 100), sheet=st.floats(6, 100))
def test_the_intervals_hold_each_other_and_the_forecast(until, hours, sheet):
    made = due(usual(hours, until=until), sheet=sheet)
    assert 0 <= made.most[0] <= made.half[0] <= made.likely_h <= made.half[1] <= made.most[1]


def test_a_target_already_reached_is_due_now():
    made = due(usual(24))
    assert made.likely_h == 0
    assert made.most == (0, 0)


def test_nothing_is_foretold_without_a_reading():
    assert due([]) is None
    assert ahead.outlook([], lit_at=LIT, target_c=1280, hours_to_end=24) is None


def test_a_fire_that_never_came_near_the_target_teaches_nothing():
    assert ahead.course_of(usual(24, until=0.6), LIT, 1280) is None


def test_one_dead_probe_reading_does_not_move_the_forecast_by_an_hour():
    readings = usual(24, until=0.6)
    broken = [*readings[:-1], (readings[-1][0], 20.0)]
    assert abs(due(broken).likely - due(readings).likely) < timedelta(hours=1)


def test_the_night_of_the_clock_change_is_as_long_as_it_is():
    # 25 October 2026, Europe: 18:00 to 06:00 local are 13 hours. Instants carry no clock, so nothing jumps.
    readings = usual(24, until=0.6)
    shifted = [(moment.astimezone(), c) for moment, c in readings]
    assert due(shifted).likely_h == pytest.approx(due(readings).likely_h)


def test_the_end_of_the_fire_follows_the_target_by_what_earlier_fires_took():
    earlier = [ahead.Earlier(ahead.course_of(usual(24), LIT, 1280), soak) for soak in (2.0, 3.0, 4.0)]
    seen = ahead.outlook(usual(24, until=0.6), lit_at=LIT, target_c=1280, hours_to_end=27, earlier=earlier)
    assert seen.end.likely - seen.target.likely == timedelta(hours=3)


def test_once_the_target_is_reached_the_hours_since_count():
    held = [*usual(24), *((at(24 + n / 4), 1285.0) for n in range(1, 9))]
    earlier = [ahead.Earlier(ahead.course_of(usual(24), LIT, 1280), 3.0)]
    seen = ahead.outlook(held, lit_at=LIT, target_c=1280, hours_to_end=27, earlier=earlier)
    assert seen.end.likely == pytest.approx(at(27), abs=timedelta(minutes=45))
