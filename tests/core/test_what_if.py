"""What a firing may cost, and what other terms would change, follow from the same shares."""

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from billing import cost_shares, what_if
from billing.pools import FiringCosts, Outlay, Use, pooled
from billing.what_if import Fills, Range
from coop.errors import Malformed
from coop.policy import Terms

ALL = Terms(fill_guarantee=Fraction(0))
ANY_FILL = Fills(Fraction(1, 2), Fraction(3, 4), Fraction(1))
spaces = st.dictionaries(st.sampled_from("abcdef"), st.integers(1, 30_000), min_size=1)


def costs(use, *outlays, terms=ALL):
    rows = tuple(Outlay(str(at), *outlay, None) for at, outlay in enumerate(outlays))
    uses = {who: Use(Fraction(ml), Fraction(ml // 2), ml, 1) for who, ml in use.items()}
    return FiringCosts("F1", "EUR", terms, rows, uses, 100_000, 50_000)


def test_by_heads_small_bookings_lose_and_large_ones_gain():
    here = costs({"a": 10_000, "b": 30_000}, ("wood", 4000))
    heads = replace(here, terms=replace(ALL, cost_keys={**ALL.cost_keys, "wood": "heads"}))
    found = what_if.compare(here, heads)
    assert [(c.member, c.before, c.after, c.difference) for c in found.changes] == [
        ("a", 1000, 2000, 1000),
        ("b", 3000, 2000, -1000),
    ]
    assert (found.fund_before, found.fund_after) == (0, 0)


def test_what_members_save_the_fund_or_the_reserve_bears():
    here = costs({"a": 20_000, "b": 20_000}, ("wood", 8000))
    fund = replace(here, terms=Terms(fill_guarantee=Fraction(4, 5)))
    reserve = replace(here, terms=Terms(fill_guarantee=Fraction(4, 5), empty_borne_by="reserve"))
    by_fund, by_reserve = what_if.compare(here, fund), what_if.compare(here, reserve)
    assert [c.difference for c in by_fund.changes] == [-2000, -2000]
    assert (by_fund.fund_after, by_fund.reserve_after) == (4000, 0)
    assert (by_reserve.fund_after, by_reserve.reserve_after) == (0, 4000)


@given(use=spaces, bill=st.integers(0, 10**6), guarantee=st.fractions(0, 1, max_denominator=20))
def test_two_terms_share_the_same_bills(use, bill, guarantee):
    here = costs(use, ("wood", bill + 1))
    there = replace(here, terms=Terms(fill_guarantee=guarantee, empty_borne_by="reserve", levy_minor_per_litre=3))
    found = what_if.compare(here, there)
    assert sum(c.before for c in found.changes) + found.fund_before + found.reserve_before == bill + 1
    assert sum(c.after for c in found.changes) + found.fund_after + found.reserve_after == bill + 1
    assert all(c.difference == 0 for c in what_if.compare(here, here).changes)


def test_a_fuller_kiln_makes_ones_share_smaller():
    found = what_if.forecast(costs({"a": 20_000}), {"wood": Range(8000, 9000, 10_000)}, ANY_FILL)
    assert found == {"a": Range(1600, 2400, 4000)}


def test_a_kiln_already_full_has_the_range_of_its_bills_alone():
    found = what_if.forecast(costs({"a": 20_000, "b": 80_000}), {"wood": Range(800, 900, 1000)}, ANY_FILL)
    assert found == {"a": Range(160, 180, 200), "b": Range(640, 720, 800)}


@settings(deadline=None, max_examples=40)
@given(
    use=spaces,
    bills=st.lists(st.integers(0, 10**6), min_size=3, max_size=3).map(sorted),
    fills=st.lists(st.fractions(0, 1, max_denominator=50), min_size=3, max_size=3).map(sorted),
    truth=st.fractions(0, 1, max_denominator=20),
)
def test_the_likely_lies_in_the_range_and_so_does_what_comes_between(use, bills, fills, truth):
    here = costs(use)
    found = what_if.forecast(here, {"wood": Range(*bills), "permit": Range(*bills)}, Fills(*fills))
    assert set(found) == set(use)
    assert all(one.low <= one.likely <= one.high for one in found.values())
    bill = bills[0] + round((bills[2] - bills[0]) * truth)
    fill = fills[0] + (fills[2] - fills[0]) * truth
    between = what_if.forecast(
        here, {"wood": Range(bill, bill, bill), "permit": Range(bill, bill, bill)}, Fills(fill, fill, fill)
    )
    for who, one in found.items():
        assert one.low - 2 <= between[who].likely <= one.high + 2, "two pools, each within a unit"


def test_a_cost_by_heads_falls_with_the_people_still_to_come():
    terms = replace(ALL, cost_keys={**ALL.cost_keys, "permit": "heads"})
    found = what_if.forecast(costs({"a": 25_000}, terms=terms), {"permit": Range(400, 400, 400)}, ANY_FILL)
    assert found == {"a": Range(100, 133, 200)} or found == {"a": Range(100, 134, 200)}


def test_bills_come_from_past_firings_or_from_the_leads_estimate():
    assert what_if.usual_bills([{"wood": 300, "soda": 50}, {"wood": 500}]) == {
        "wood": Range(300, 400, 500),
        "soda": Range(0, 25, 50),
    }
    assert what_if.usual_bills([{"wood": 500}]) == {"wood": Range(400, 500, 600)}
    assert what_if.usual_bills([], 1000) == {"wood": Range(750, 1000, 1250)}
    assert what_if.usual_bills([]) == {}


@pytest.mark.parametrize(
    ("past", "present", "fills"),
    [
        ([], "1/10", ("7/10", "17/20", "1")),
        ([], "9/10", ("9/10", "9/10", "1")),
        (["1/2", "4/5"], "0", ("1/2", "13/20", "4/5")),
        (["6/5"], "0", ("1", "1", "1")),
    ],
)
def test_fills_come_from_past_firings_and_are_never_below_todays(past, present, fills):
    found = what_if.usual_fills(map(Fraction, past), Fraction(7, 10), Fraction(present))
    assert (found.worst, found.likely, found.best) == tuple(map(Fraction, fills))


def test_people_still_to_come_take_the_rest_and_no_more():
    here = costs({"a": 20_000, "b": 10_000})
    filled = what_if._filled(here, Fraction(9, 10))
    assert sum(use.space_ml for use in filled.values()) == 90_000
    assert cost_shares.amounts(pooled(replace(here, use=filled)).table).totals.keys() == filled.keys()


def test_a_litre_gets_cheaper_the_fuller_the_kiln_down_to_what_the_fund_guarantees():
    bills = {"wood": Range(8000, 9000, 10_000)}
    here = costs({"a": 20_000, "b": 10_000})
    assert what_if.price_per_litre(here, bills, Fraction(1, 2)) == Range(160, 180, 200)
    assert what_if.price_per_litre(here, bills, Fraction(1)) == Range(80, 90, 100)
    assert what_if.price_per_litre(costs({}), bills, Fraction(1)) == Range(80, 90, 100), "by people still to come"
    guaranteed = costs({"a": 20_000}, terms=Terms(fill_guarantee=Fraction(4, 5)))
    assert what_if.price_per_litre(guaranteed, bills, Fraction(1, 2)).likely == 113, "9000 for 80 l, not for 50 l"
    with pytest.raises(Malformed, match="above zero"):
        what_if.price_per_litre(here, bills, Fraction(0))
