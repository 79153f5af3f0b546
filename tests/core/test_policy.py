"""A co-op's terms: defaults, checks, and a faithful trip through JSON."""

import json
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.errors import Malformed
from coop.policy import POOLS, FeeStep, Terms

shares = st.fractions(min_value=0, max_value=1, max_denominator=1000)


def test_the_defaults_say_how_every_pool_is_shared():
    terms = Terms()
    assert set(terms.cost_keys) == set(POOLS)
    assert terms.cost_keys["soda"] == "soda_litres"
    assert terms.question_days == 7


@given(a=shares, b=shares, cap=st.one_of(st.none(), st.integers(1, 10**9)), days=st.integers(0, 90))
def test_terms_survive_json_exactly(a, b, cap, days):
    terms = Terms(owed_share_even=a, failed_refund={"wood": b}, cap_ml_per_member=cap, question_days=days)
    assert Terms.from_json(json.loads(json.dumps(terms.to_json()))) == terms


def test_what_is_not_said_takes_the_default():
    assert Terms.from_json({}) == Terms()
    assert Terms.from_json({"cost_keys": {"wood": "heads"}}).cost_keys["soda"] == "soda_litres"


def test_an_unknown_rule_is_refused_by_name():
    with pytest.raises(Malformed, match="question_day: there is no such rule"):
        Terms.from_json({"question_day": 7})


def test_every_fault_is_named_at_once():
    with pytest.raises(Malformed) as caught:
        Terms.from_json({"question_days": "seven", "fill_guarantee": 0.7, "nights": 1})
    assert len(caught.value.faults) == 3


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("used", "both"),
        ("allotment_rule", "loudest"),
        ("minimum_fill", "3/2"),
        ("minimum_fill", "1/0"),
        ("minimum_fill", "1e5"),
        ("minimum_fill", True),
        ("cap_ml_per_member", 0),
        ("cap_ml_per_member", -5),
        ("cap_minor_per_member", 0),
        ("floor_minor_per_member", -1),
        ("floor_ml_per_member", -1),
        ("floor_ml_per_member", "much"),
        ("cost_keys", {"glitter": "litres"}),
        ("cost_keys", {"wood": "beauty"}),
        ("cost_keys", ["wood"]),
        ("failed_refund", {"wood": "2"}),
        ("late_cancel", [{"days_before": 3}]),
        ("late_cancel", [{"days_before": 3, "share": "1"}, {"days_before": 1, "share": "1/2"}]),
        ("deposit_minor", -1),
        ("question_days", None),
        ("most_hours_in_24", 25),
        ("rest_hours", 20),
    ],
)
def test_a_value_that_cannot_be_meant_is_refused_under_its_name(name, value):
    with pytest.raises(Malformed, match=name):
        Terms.from_json({name: value})


@pytest.mark.parametrize("data", [None, [], "terms", 7])
def test_terms_that_are_no_object_are_refused(data):
    with pytest.raises(Malformed, match="object"):
        Terms.from_json(data)


def test_withdrawing_nearer_to_loading_costs_more():
    terms = Terms(late_cancel=(FeeStep(13, Fraction(1, 2)), FeeStep(1, Fraction(1))))
    assert [terms.cancel_share(days) for days in (14, 13, 2, 1, 0, -1)] == [
        0,
        Fraction(1, 2),
        Fraction(1, 2),
        1,
        1,
        1,
    ]


def test_what_counts_as_used_follows_the_terms():
    booked_more = {"booked_ml": 100, "loaded_ml": 60}
    assert Terms(used="loaded").used_ml(**booked_more) == 60
    assert Terms(used="booked").used_ml(**booked_more) == 100
    assert Terms(booked_unused_share=Fraction(1, 2)).used_ml(**booked_more) == 60
    assert Terms(booked_unused_share=Fraction(1, 2)).used_ml(booked_ml=200, loaded_ml=60) == 100
    assert Terms(booked_unused_share=Fraction(1)).used_ml(**booked_more) == 100
    assert Terms().used_ml(booked_ml=60, loaded_ml=100) == 100


def test_the_floor_of_space_is_no_more_than_the_cap():
    with pytest.raises(Malformed, match="floor_minor_per_member"):
        Terms(cap_minor_per_member=500, floor_minor_per_member=600)
    assert Terms(cap_minor_per_member=500, floor_minor_per_member=500).cap_minor_per_member == 500
    assert Terms(cap_ml_per_member=20_000, floor_ml_per_member=20_000).floor_ml_per_member == 20_000
    with pytest.raises(Malformed, match="nobody can be promised more"):
        Terms(cap_ml_per_member=20_000, floor_ml_per_member=20_001)
