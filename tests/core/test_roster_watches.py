"""Cutting a burn into watches."""

from datetime import UTC, datetime, timedelta
from fractions import Fraction
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.errors import Malformed
from firings.roster.check import faults
from firings.roster.problem import Crewmate, RosterRequest, Rules, Task
from firings.roster.watches import CrewPhase, cut_watches

LISBON = ZoneInfo("Europe/Lisbon")
PHASES = (
    CrewPhase("light-up", 0, 250, 2, 1, 3),
    CrewPhase("climb", 250, 700, 3, 1, 4),
    CrewPhase("side-stoking", 700, 950, 5, 1, 6),
    CrewPhase("sealing", 950, 1000, 5, 2, 6),
)
LIT = datetime(2026, 10, 24, 18, 0, tzinfo=UTC)


def test_watches_end_where_the_phase_changes_and_take_its_crew():
    watches = cut_watches(PHASES, LIT, LIT + timedelta(hours=40), 6)
    assert [(w.ends_at - w.starts_at) / timedelta(hours=1) for w in watches] == [5, 5, 6, 6, 6, 6, 6]
    assert [w.people for w in watches] == [2, 2, 3, 3, 3, 5, 5]
    assert watches[-1].phases == ("side-stoking", "sealing")
    assert watches[-1].leads == 2


def test_a_night_when_the_clocks_go_back_is_covered_by_what_it_is_long():
    lit = datetime(2026, 10, 24, 22, 0, tzinfo=LISBON)
    end = datetime(2026, 10, 25, 10, 0, tzinfo=LISBON)  # twelve hours on the wall, thirteen at the fire
    watches = cut_watches((CrewPhase("all", 0, 1000, 2, 1, 3),), lit, end, 6)
    assert sum((w.ends_at - w.starts_at for w in watches), timedelta()) == timedelta(hours=13)
    assert [w.ends_at - w.starts_at for w in watches] == [timedelta(hours=6, minutes=30)] * 2
    assert all(w.starts_at.tzinfo is UTC for w in watches)


# In Germany the clocks went back on 25 October 2026 at 03:00 and go forward on 28 March 2027 at 02:00
# (Directive 2000/84/EC: last Sunday of March and October, 01:00 UTC).
BERLIN = ZoneInfo("Europe/Berlin")
BACK, FORWARD = datetime(2026, 10, 24, 18, 0, tzinfo=BERLIN), datetime(2027, 3, 27, 18, 0, tzinfo=BERLIN)


def over_the_night(evening, *tasks, rest_hours=8, most_in_24h=10):
    rules = Rules(2 * rest_hours, 2, 2 * most_in_24h, 1, 2, 4)
    people = tuple(Crewmate(name, "lead", signed_off=("K1",)) for name in ("ada", "ben"))
    return RosterRequest("r", 30, evening, rules, people, tasks, ("." * len(tasks),) * 2, zone="Europe/Berlin")


def watch(name, start, end):
    return Task(name, "watch", start, end, 2, 2, firing="F1", kiln="K1", lead=1)


@pytest.mark.parametrize(("evening", "wall_hours", "hours"), [(BACK, 14, 15), (FORWARD, 14, 13)])
def test_a_burn_over_the_clock_change_is_cut_by_the_hours_at_the_fire(evening, wall_hours, hours):
    end = evening + timedelta(hours=wall_hours)  # wall clock arithmetic: what the sheet on the door says
    watches = cut_watches((CrewPhase("all", 0, 1000, 2, 1, 3),), evening, end, 5)
    assert sum((one.ends_at - one.starts_at for one in watches), timedelta()) == timedelta(hours=hours)
    assert all(a.ends_at == b.starts_at for a, b in pairwise(watches))


def test_half_past_two_comes_twice_when_the_clocks_go_back_and_each_says_which_it_is():
    request = over_the_night(BACK, watch("first", 15, 17), watch("second", 17, 19))
    assert request.when(request.tasks[0]) == "Sun 01:30-02:30 CEST, kiln K1"
    assert request.when(request.tasks[1]) == "Sun 02:30 CEST-02:30 CET, kiln K1"


def test_no_half_past_two_is_shown_when_the_clocks_go_forward():
    request = over_the_night(FORWARD, watch("first", 14, 16), watch("second", 16, 18))
    assert [request.when(task) for task in request.tasks] == ["Sun 01:00-03:00, kiln K1", "Sun 03:00-04:00, kiln K1"]


@pytest.mark.parametrize(("evening", "morning", "rested"), [(BACK, 28, 8), (FORWARD, 26, 7)])
def test_rest_over_the_clock_change_is_what_somebody_really_slept(evening, morning, rested):
    """From midnight to seven or eight on the wall: the hour comes on top, or is missing."""
    request = over_the_night(evening, watch("late", 6, 12), watch("early", morning, morning + 6))
    everybody = {task.id: ("ada", "ben") for task in request.tasks}
    assert request.moment(morning).hour == {8: 7, 7: 8}[rested]
    said = faults(request, everybody)
    assert (said == []) == (rested >= 8)
    assert all(f"only {rested} h rest" in text for text in said)


def test_hours_within_a_day_are_hours_at_the_fire_when_the_clocks_change():
    long_night = over_the_night(BACK, watch("night", 8, 30), rest_hours=0)  # 22:00 to 08:00 on the wall
    assert "11 h within 24 hours, 10 h are allowed" in faults(long_night, {"night": ("ada", "ben")})[0]
    short_night = over_the_night(FORWARD, watch("night", 8, 28), rest_hours=0)  # 22:00 to 09:00 on the wall
    assert short_night.moment(28).hour == 9
    assert faults(short_night, {"night": ("ada", "ben")}) == []


def test_crews_change_on_a_quarter_of_an_hour_after_lighting():
    phases = (
        CrewPhase("climb", 0, 600, 2, 1, 3),
        CrewPhase("soda", 600, 950, 3, 1, 4),
        CrewPhase("sealing", 950, 1000, 3, 1, 4),
    )
    watches = cut_watches(phases, LIT, LIT + timedelta(hours=28), 6)
    assert [(one.ends_at - LIT) / timedelta(hours=1) for one in watches] == [5.5, 11, 16.75, 22.25, 28]


def test_a_burn_too_short_for_quarters_is_cut_on_minutes_and_loses_no_phase():
    watches = cut_watches(PHASES, LIT, LIT + timedelta(hours=3), 1)
    assert {name for one in watches for name in one.phases} == {phase.name for phase in PHASES}


@st.composite
def phase_lists(draw):
    cuts = sorted(draw(st.sets(st.integers(1, 999), max_size=5)))
    people = st.integers(2, 6)
    return tuple(
        CrewPhase(f"phase {n}", a, b, draw(people), draw(st.integers(0, 2)), 6)
        for n, (a, b) in enumerate(zip([0, *cuts], [*cuts, 1000], strict=True))
    )


@given(
    phase_lists(),
    st.datetimes(datetime(2026, 10, 20), datetime(2027, 4, 10), timezones=st.just(LISBON)),
    st.integers(1, 120 * 3600),
    st.sampled_from([2, 3, 4, 6, 8, Fraction(9, 2)]),
)
def test_watches_cover_the_burn_exactly_and_are_neither_short_nor_long(phases, lit, seconds, hours):
    end = lit.astimezone(UTC) + timedelta(seconds=seconds)
    watches = cut_watches(phases, lit, end, hours)
    assert watches[0].starts_at == lit.astimezone(UTC)
    assert watches[-1].ends_at == end
    assert all(a.ends_at == b.starts_at for a, b in pairwise(watches))
    watch = timedelta(minutes=int(hours * 60))
    slack = timedelta(minutes=2)  # cuts fall on whole minutes
    for one in watches:
        length = one.ends_at - one.starts_at
        assert length > timedelta(0)
        assert length >= min(watch / 2, timedelta(seconds=seconds))
        assert length <= watch * 3 / 2 + slack
        touched = [phase for phase in phases if phase.name in one.phases]
        assert one.people == max(phase.people for phase in touched)
        assert one.leads == max(phase.leads for phase in touched)
    needed = {phase.name for phase in phases if seconds * (phase.to_per_mille - phase.from_per_mille) >= 120_000}
    assert needed <= {name for one in watches for name in one.phases}


def one(**change):
    return CrewPhase(
        **{"name": "all", "from_per_mille": 0, "to_per_mille": 1000, "people": 2, "leads": 1, "most": 3} | change
    )


@pytest.mark.parametrize(
    ("phases", "hours", "span", "said"),
    [
        ((one(),), 6, -1, "not after the lighting"),
        ((one(),), 6, 0, "not after the lighting"),
        ((one(),), 0, 10, "0 hours is not possible"),
        ((), 6, 10, "no crew phases"),
        ((one(to_per_mille=900),), 6, 10, "end at 900 per mille"),
        ((one(from_per_mille=100),), 6, 10, "must begin at 0"),
        ((one(people=1, leads=1),), 6, 10, "at least two people"),
        ((one(leads=3),), 6, 10, "must rise in this order"),
    ],
)
def test_nonsense_is_refused(phases, hours, span, said):
    with pytest.raises(Malformed, match=said):
        cut_watches(phases, LIT, LIT + timedelta(hours=span), hours)


def test_moments_without_offset_are_refused():
    with pytest.raises(Malformed, match="offset"):
        cut_watches(PHASES, datetime(2026, 5, 1, 8), LIT, 6)
