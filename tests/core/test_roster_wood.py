"""Wood that is missing becomes chores."""

from decimal import Decimal
from math import ceil, inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.errors import Malformed
from firings.roster.wood import wood_chores


def test_the_shortfall_over_the_rate_is_hours_of_work():
    # 12 m3 needed, 7 stacked, half a cubic metre an hour: 5 / 0.5 = 10 person-hours.
    chores = wood_chores(12, 7, Decimal("0.5"))
    assert [(c.work, c.person_minutes) for c in chores] == [("cut", 180), ("split", 210), ("stack", 120), ("haul", 90)]
    assert chores[1].elapsed_minutes == 105


def test_splitting_takes_the_sign_off_and_nobody_works_alone():
    chores = {c.work: c for c in wood_chores(3, 0, 1)}
    assert chores["split"].sign_off == "wood splitter"
    assert chores["stack"].sign_off is None
    assert all(c.crew == 2 for c in chores.values())


def test_enough_wood_makes_no_chores():
    assert wood_chores(5, 5, 1) == []
    assert wood_chores(5, 9, 1) == []


@given(st.decimals(0, 100, places=2), st.decimals(0, 100, places=2), st.decimals("0.05", 5, places=2))
def test_more_stacked_wood_is_never_more_work_and_none_is_lost(need, stacked, rate):
    minutes = sum(c.person_minutes for c in wood_chores(need, stacked, rate))
    assert minutes >= max(0, ceil((need - stacked) / rate * 60 - Decimal("1e-9")))
    assert minutes <= max(0, (need - stacked) / rate * 60) + 4
    assert sum(c.person_minutes for c in wood_chores(need, stacked + 1, rate)) <= minutes


@pytest.mark.parametrize(
    ("args", "kwargs", "said"),
    [
        ((-1, 0, 1), {}, "cannot be below zero"),
        ((1, -1, 1), {}, "cannot be below zero"),
        ((1, 0, 0), {}, "above zero"),
        ((nan, 0, 1), {}, "must be numbers"),
        ((inf, 0, 1), {}, "must be numbers"),
        ((1, 0, 1), {"party": 1}, "works alone"),
        ((1, 0, 1), {"parts_per_mille": {"cut": 500}}, "add up to 1000"),
    ],
)
def test_wood_plans_that_make_no_sense_are_refused(args, kwargs, said):
    with pytest.raises(Malformed, match=said):
        wood_chores(*args, **kwargs)
