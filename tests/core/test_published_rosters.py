"""The solver, as rosters use it, reaches the proven costs of published staff-rostering instances.

T. Curtois, R. Qu, "Computational results on new staff scheduling benchmark instances", Technical report, University
of Nottingham, 2014: instances 1 to 3 cost at least 607, 828 and 1001.
"""

from pathlib import Path

import pytest

from tests.staff_instances import BEST_KNOWN, broken, cost, read, solve

FILES = Path(__file__).parent / "staffing"
ONE = read(FILES / "Instance1.txt")


@pytest.mark.parametrize(
    "number", [1, pytest.param(2, marks=pytest.mark.slow), pytest.param(3, marks=pytest.mark.slow)]
)
def test_the_published_least_cost_is_reached_and_proven(number):
    instance = read(FILES / f"Instance{number}.txt")
    solved = solve(instance, seconds=300)
    assert broken(instance, solved.assigned) == []
    assert cost(instance, solved.assigned) == solved.cost == solved.bound == BEST_KNOWN[number]


def test_the_instance_is_read_as_it_is_written():
    assert (ONE.days, ONE.minutes, len(ONE.employees)) == (14, {"D": 480}, 8)
    ada = ONE.employees["A"]
    assert (ada.most_minutes, ada.least_minutes, ada.most_in_a_row, ada.least_in_a_row) == (4320, 3360, 5, 2)
    assert (ada.least_days_off, ada.most_weekends, ada.days_off) == (2, 1, {0})
    assert sum(cover.need for cover in ONE.covers) == 71
    assert len(ONE.on) + len(ONE.off) == 26


def roster(*worked):
    """Employee A on these days, nobody else."""
    return {("A", day): "D" for day in worked}


@pytest.mark.parametrize(
    ("days", "said"),
    [
        ((1, 2, 3, 4, 5, 6), "6 days in a row"),
        ((2, 3, 5, 6), "only 1 days off"),
        ((3, 6, 7), "only 1 days in a row"),
        ((0, 1), "works on a day off"),
        ((5, 6, 12, 13), "too many weekends"),
        ((1, 2), "960 minutes"),
    ],
)
def test_each_broken_rule_is_seen(days, said):
    assert any(said in text for text in broken(ONE, roster(*days)) if text.startswith("A:"))


def test_a_sound_row_breaks_nothing_and_costs_what_is_missing():
    days = (1, 2, 3, 4, 7, 8, 9)
    assert not [text for text in broken(ONE, roster(*days)) if text.startswith("A:")]
    nobody = cost(ONE, {})
    assert nobody == 100 * 71 + sum(one.weight for one in ONE.on)
    assert cost(ONE, roster(*days)) == nobody - 100 * len(days) - sum(
        one.weight for one in ONE.on if one.employee == "A" and one.day in days
    )
