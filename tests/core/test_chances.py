"""Chances of fill, crew and wood, and the levy of the reserve, against known values and plain logic."""

from dataclasses import replace
from math import comb

import pytest
from hypothesis import given
from hypothesis import strategies as st

from billing import chances
from billing.chances import Booked, Rebuild
from coop.errors import Malformed

rates = st.floats(0.1, 200)


def test_boys_in_families_of_twelve_come_out_as_published():
    # Geissler 1889, 6,115 families in Saxony; fitted parameters and counts as in the encyclopedia article on the
    # beta-binomial distribution (from memory; all thirteen figures agree when recomputed)
    fitted = [2.3, 22.6, 104.8, 310.9, 655.7, 1036.2, 1257.9, 1182.1, 853.6, 461.9, 177.9, 43.8, 5.2]
    found = [6115 * chance for chance in chances.beta_binomial(12, 34.09558, 31.5715)]
    assert found == pytest.approx(fitted, abs=0.05)


@given(n=st.integers(0, 60))
def test_knowing_nothing_every_number_is_as_likely(n):
    # Laplace's rule of succession: with Beta(1, 1) each of 0 to n has the chance 1 / (n + 1)
    assert chances.beta_binomial(n, 1, 1) == pytest.approx([1 / (n + 1)] * (n + 1))
    assert chances.crew_chance(n, 0, 0) == pytest.approx(1 / (n + 1))


@given(n=st.integers(1, 40), alpha=rates, beta=rates)
def test_mean_and_variance_are_those_of_the_textbook(n, alpha, beta):
    # Johnson, Kemp & Kotz, Univariate Discrete Distributions, section 6.2 (from memory)
    found = chances.beta_binomial(n, alpha, beta)
    mean = sum(k * chance for k, chance in enumerate(found))
    variance = sum((k - mean) ** 2 * chance for k, chance in enumerate(found))
    whole = alpha + beta
    assert sum(found) == pytest.approx(1)
    assert mean == pytest.approx(n * alpha / whole)
    assert variance == pytest.approx(n * alpha * beta * (whole + n) / (whole**2 * (whole + 1)))


def test_much_history_comes_near_the_binomial():
    found = chances.beta_binomial(6, 3e6, 1e6)
    assert found == pytest.approx([comb(6, k) * 0.75**k * 0.25 ** (6 - k) for k in range(7)], abs=1e-5)


def test_who_always_brought_everything_fills_the_kiln():
    sure = [Booked(50, 10, 10**7, 10**7), Booked(30, 6, 10**7, 10**7)]
    found = chances.fill_chances(sure, 100)
    assert chances.at_least(found, 0.8) == pytest.approx(1, abs=1e-4)
    assert chances.at_least(found, 0.81) == pytest.approx(0, abs=1e-4)


@given(
    booked=st.lists(
        st.builds(Booked, st.floats(1, 40), st.integers(1, 12), st.integers(0, 30), st.just(0)), max_size=5
    ),
    brought=st.integers(0, 30),
)
def test_the_fill_keeps_its_mean_and_falls_with_what_is_asked(booked, brought):
    rows = [replace(one, past_brought=min(brought, one.past_booked)) for one in booked]
    found = chances.fill_chances(rows, 1000)
    mean = sum(one.litres * (9 + one.past_brought) / (10 + one.past_booked) for one in rows)
    assert sum(found) == pytest.approx(1)
    assert sum(at * chance for at, chance in enumerate(found)) / chances.GRID * 1000 == pytest.approx(mean, rel=1e-6)
    falling = [chances.at_least(found, part / 20) for part in range(21)]
    assert falling == sorted(falling, reverse=True)


def test_a_covered_crew_is_sure_and_history_helps():
    assert chances.crew_chance(0, 0, 9) == 1
    assert chances.crew_chance(3, 40, 0) > chances.crew_chance(3, 4, 0) > chances.crew_chance(3, 4, 4)


def test_wood_is_enough_by_the_quantiles_of_the_normal():
    # standard normal: 0.9 at 1.2816 (any table)
    assert chances.wood_chance(500, 500, 400, 600) == pytest.approx(0.5)
    assert chances.wood_chance(600, 500, 400, 600) == pytest.approx(0.9, abs=1e-4)
    assert (chances.wood_chance(499, 500, 500, 500), chances.wood_chance(500, 500, 500, 500)) == (0, 1)


PLAN = Rebuild(fund=200_000, cost=1_000_000, cost_margin=0, firings=20, firings_margin=0, litres=400, litres_margin=0)


def test_when_all_is_known_the_levy_is_what_is_missing_by_litres():
    assert chances.levy_for(PLAN, 0.5) == pytest.approx((1_000_000 - 200_000) / (20 * 400))
    assert chances.levy_for(replace(PLAN, fund=1_000_000), 0.9) == 0


def test_with_an_uncertain_cost_alone_the_levy_is_that_of_its_quantile():
    unsure = replace(PLAN, cost_margin=200_000)  # 80 % within 0.8 and 1.2 million: 90 % below 1.2 million
    assert chances.levy_for(unsure, 0.5) == pytest.approx(100)
    assert chances.levy_for(unsure, 0.9) == pytest.approx(125, rel=1e-3)


@given(margin=st.floats(0, 8), litres_margin=st.floats(0, 200), levy=st.floats(1, 300), more=st.floats(0.1, 100))
def test_a_higher_levy_never_makes_it_less_likely_enough(margin, litres_margin, levy, more):
    plan = replace(PLAN, cost_margin=100_000, firings_margin=margin, litres_margin=litres_margin)
    assert chances.chance_to_reach(plan, levy + more) >= chances.chance_to_reach(plan, levy) - 1e-9
    found = chances.levy_for(plan, 0.8)
    assert found is not None
    assert chances.chance_to_reach(plan, found) == pytest.approx(0.8, abs=1e-6)


def test_the_path_begins_with_the_fund_and_widens():
    steps = chances.path(replace(PLAN, litres_margin=100), 100)
    assert (steps[0].low, steps[0].likely, steps[0].high) == (200_000,) * 3
    assert (steps[20].likely, len(steps)) == (1_000_000, 21)
    widths = [step.high - step.low for step in steps]
    assert widths == sorted(widths)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"cost": 0}, "above zero"),
        ({"cost": float("nan")}, "above zero"),
        ({"firings": 0}, "from 1 to 1000"),
        ({"litres": 0}, "litres of a firing"),
        ({"cost_margin": -1}, "how far off the cost"),
        ({"firings_margin": 21}, "how far off the firings"),
    ],
)
def test_a_plan_that_makes_no_sense_is_refused(change, says):
    with pytest.raises(Malformed, match=says):
        chances.levy_for(replace(PLAN, **change), 0.8)
