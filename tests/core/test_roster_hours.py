"""The hours account: what is owed, what is credited."""

from datetime import UTC, datetime, timedelta
from fractions import Fraction
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.errors import Malformed
from firings.roster.hours import (
    Night,
    carried_over,
    credited_minutes,
    night_seconds,
    outlook,
    owed_minutes,
    traded,
)

LISBON = ZoneInfo("Europe/Lisbon")
members = st.text(alphabet="abcdef", min_size=1, max_size=3)
spaces = st.dictionaries(members, st.integers(0, 200_000), min_size=1, max_size=8)


def test_half_by_heads_half_by_space_by_hand():
    # 1000 min, a = 0.5: 250 each by heads; by space 500 x 3/4 = 375 and 500 x 1/4 = 125.
    owed = owed_minutes(1000, {"ada": 30_000, "ben": 10_000}, equal_per_mille=500)
    assert owed.minutes == {"ada": 625, "ben": 375}
    assert owed.nobody == 0


def test_minutes_that_do_not_divide_go_to_the_lowest_id_among_equals():
    owed = owed_minutes(100, {"c": 1, "a": 1, "b": 1}, equal_per_mille=0)
    assert owed.minutes == {"a": 34, "b": 33, "c": 33}


def test_who_worked_more_before_owes_less_now_and_the_others_bear_it_alike():
    owed = owed_minutes(900, {"a": 1, "b": 1, "c": 1}, equal_per_mille=1000, carried_minutes={"a": 150})
    assert owed.minutes == {"a": 200, "b": 350, "c": 350}


def test_nobody_owes_less_than_nothing_nor_more_than_they_can_do():
    owed = owed_minutes(
        600, {"a": 1, "b": 1, "c": 1}, equal_per_mille=1000, carried_minutes={"a": 5000}, able_minutes={"b": 100}
    )
    assert owed.minutes == {"a": 0, "b": 100, "c": 500}


def test_work_beyond_what_all_can_do_is_left_and_said():
    owed = owed_minutes(600, {"a": 1, "b": 1}, equal_per_mille=0, able_minutes={"a": 100, "b": 150})
    assert owed.minutes == {"a": 100, "b": 150}
    assert owed.nobody == 350


def test_without_any_space_the_work_is_shared_by_heads():
    assert owed_minutes(10, {"a": 0, "b": 0}, equal_per_mille=0).minutes == {"a": 5, "b": 5}


@given(
    total=st.integers(0, 100_000),
    space=spaces,
    equal=st.integers(0, 1000),
    carry=st.integers(-3000, 3000),
    able=st.integers(0, 20_000),
)
def test_owed_minutes_add_up_exactly_and_order_does_not_matter(total, space, equal, carry, able):
    first = min(space)
    kwargs = {"equal_per_mille": equal, "carried_minutes": {first: carry}, "able_minutes": {first: able}}
    owed = owed_minutes(total, space, **kwargs)
    assert sum(owed.minutes.values()) + owed.nobody == total
    assert all(minutes >= 0 for minutes in owed.minutes.values())
    assert owed.minutes[first] <= able
    assert owed == owed_minutes(total, dict(reversed(space.items())), **kwargs)


@given(total=st.integers(0, 100_000), space=spaces, equal=st.integers(0, 1000))
def test_plain_shares_are_within_a_minute_of_the_formula(total, space, equal):
    owed = owed_minutes(total, space, equal_per_mille=equal).minutes
    whole = sum(space.values())
    for member, ml in space.items():
        share = ml / whole if whole else 1 / len(space)
        exact = total * (equal / 1000 / len(space) + (1 - equal / 1000) * share)
        assert abs(owed[member] - exact) < 1.001


@pytest.mark.parametrize(
    ("kwargs", "said"),
    [
        ({"total_minutes": -1, "space_ml": {"a": 1}, "equal_per_mille": 0}, "give none or more"),
        ({"total_minutes": 1, "space_ml": {}, "equal_per_mille": 0}, "Nobody has space"),
        ({"total_minutes": 1, "space_ml": {"a": -1}, "equal_per_mille": 0}, "space is -1 ml"),
        ({"total_minutes": 1, "space_ml": {"a": 1}, "equal_per_mille": 1001}, "choose 0 to 1000"),
        (
            {"total_minutes": 1, "space_ml": {"a": 1}, "equal_per_mille": 0, "able_minutes": {"z": 1}},
            "not in this firing",
        ),
    ],
)
def test_owed_hours_that_make_no_sense_are_refused(kwargs, said):
    with pytest.raises(Malformed, match=said):
        owed_minutes(**kwargs)


def local(day, hour, minute=0, fold=0, month=10):
    return datetime(2026, month, day, hour, minute, fold=fold, tzinfo=LISBON)


@pytest.mark.parametrize(
    ("starts", "ends", "hours"),
    [
        (local(10, 10), local(10, 16), 0),
        (local(10, 20), local(11, 2), 4),
        (local(10, 22), local(11, 6), 8),
        (local(10, 0), local(11, 0), 8),
        (local(24, 22), local(25, 6), 9),  # the clocks go back in this night
        (local(28, 22, month=3), local(29, 6, month=3), 7),  # and forward in this one
        (local(25, 1, 30), local(25, 1, 30, fold=1), 1),
    ],
)
def test_night_is_counted_by_instants_on_the_co_ops_clock(starts, ends, hours):
    assert night_seconds(starts, ends, "Europe/Lisbon") == hours * 3600


def test_night_hours_weigh_by_policy():
    assert credited_minutes(local(10, 20), local(11, 2), "Europe/Lisbon", night_weight=Fraction(3, 2)) == 120 + 360
    assert credited_minutes(local(10, 20), local(11, 2), "Europe/Lisbon") == 360


@given(
    st.datetimes(datetime(2026, 3, 1), datetime(2026, 11, 30)),
    st.lists(st.integers(0, 40_000), min_size=1, max_size=4),
)
def test_night_of_the_parts_is_night_of_the_whole(start, parts):
    moments = [start.replace(tzinfo=UTC, microsecond=0)]
    for part in parts:
        moments.append(moments[-1] + timedelta(seconds=part))
    pieces = [night_seconds(a, b, "Europe/Lisbon") for a, b in pairwise(moments)]
    assert sum(pieces) == night_seconds(moments[0], moments[-1], "Europe/Lisbon")


@pytest.mark.parametrize(
    ("starts", "ends", "weight", "said"),
    [
        (local(10, 10), local(10, 9), 1, "must end after"),
        (local(1, 10), local(1, 10, month=12), 1, "within 31 days"),
        (datetime(2026, 5, 1), local(10, 9), 1, "offset"),
        (local(10, 10), local(10, 11), -1, "below zero"),
    ],
)
def test_work_that_cannot_have_been_is_refused(starts, ends, weight, said):
    with pytest.raises(Malformed, match=said):
        credited_minutes(starts, ends, "Europe/Lisbon", night_weight=weight)


@pytest.mark.parametrize(
    ("night", "hours"),
    [(Night(1, 5), 4), (Night(20, 7), 9), (Night(0, 0), 9), (Night(23, 1), 2)],
)
def test_the_night_is_the_co_ops_own(night, hours):
    assert night_seconds(local(10, 22), local(11, 7), "Europe/Lisbon", night) == hours * 3600


@pytest.mark.parametrize("hours", [(24, 6), (22, -1)])
def test_a_night_that_is_no_hour_is_refused(hours):
    with pytest.raises(Malformed, match="from 0 to 23"):
        Night(*hours)


def test_heavy_work_weighs_more_and_half_the_time_counts_half():
    day = {"starts_at": local(10, 9), "ends_at": local(10, 13), "zone": "Europe/Lisbon"}
    assert credited_minutes(**day, work_weight=Fraction(5, 4)) == 300
    assert credited_minutes(**day, work_weight=Fraction(5, 4), minutes=120) == 150
    assert credited_minutes(local(10, 21), local(10, 23), "Europe/Lisbon", night_weight=2, minutes=60) == 90


@given(
    st.integers(0, 10_000),
    st.dictionaries(st.sampled_from("abcd"), st.integers(0, 50_000)),
    st.dictionaries(st.sampled_from("cdef"), st.integers(-500, 500)),
    st.dictionaries(st.sampled_from("adef"), st.integers(0, 500)),
)
def test_the_outlook_owes_all_the_work_and_misses_what_nothing_covers(total, space, carried, planned):
    seen = outlook(total, space, equal_per_mille=500, carried=carried, worked={}, planned=planned)
    assert sum(one.owed for one in seen.values()) == (total if space else 0)
    assert set(seen) == set(space) | set(planned)
    for member, one in seen.items():
        assert one.owed - one.short + one.ahead == carried.get(member, 0) + planned.get(member, 0)
        assert one.short == 0 or one.ahead == 0


@pytest.mark.parametrize(("balance", "owed", "goes"), [(300, 100, 100), (60, 100, 60), (0, 100, 0), (-40, 100, -40)])
def test_what_is_ahead_goes_into_a_firing_as_far_as_it_is_owed(balance, owed, goes):
    assert carried_over(balance, owed) == goes


def test_hours_change_hands_in_proportion_by_hand():
    # Two are behind by 100 and 50, one is ahead by 90: 90 are paid for, 60 and 30.
    assert traded({"a": -100, "b": -50, "c": 90}) == {"a": 60, "b": 30, "c": -90}
    assert traded({"a": -100, "b": -50}) == {}
    assert traded({}) == {}


@given(st.dictionaries(members, st.integers(-10_000, 10_000)))
def test_what_changes_hands_adds_up_to_nothing_and_passes_nobodys_nought(balances):
    moved = traded(balances)
    assert sum(moved.values()) == 0
    after = {member: minutes + moved.get(member, 0) for member, minutes in balances.items()}
    assert all(min(0, balances[member]) <= after[member] <= max(0, balances[member]) for member in balances)
    assert not (min(after.values(), default=0) < 0 < max(after.values(), default=0))
    assert moved == traded(dict(reversed(balances.items())))
