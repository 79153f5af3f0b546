"""From a firing's costs to the pools that are shared: keys, fill, levy, damage, hours, failure."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from billing import cost_shares
from billing.pools import DamageDecision, FiringCosts, LateSpace, Outlay, Use, credits, pooled, request
from coop.policy import Terms

KEYS = {
    "wood": "litres",
    "soda": "soda_litres",
    "shelf_wash": "board_area",
    "wads_cones": "pieces",
    "permit": "litres",
    "per_head": "heads",
    "reserve": "litres",
    "breakage": "decision",
}
USE = {
    "a": Use(Fraction(40_000), Fraction(40_000), 200_000, 10),
    "b": Use(Fraction(20_000), Fraction(0), 100_000, 5),
    "c": Use(Fraction(10_000), Fraction(10_000), 90_000, 30),
}


def costs(*outlays, terms=None, use=USE, **more):
    rows = tuple(Outlay(str(at), *outlay, None) for at, outlay in enumerate(outlays))
    return FiringCosts("F1", "EUR", terms or Terms(fill_guarantee=Fraction(0)), rows, use, 100_000, 60_000, **more)


def shared(given_costs):
    return cost_shares.share(pooled(given_costs).table)


@pytest.mark.parametrize(
    ("pool", "expected"),
    [
        ("wood", {"a": 400, "b": 200, "c": 100}),
        ("soda", {"a": 560, "b": 0, "c": 140}),
        ("shelf_wash", {"a": 359, "b": 179, "c": 162}),
        ("wads_cones", {"a": 156, "b": 78, "c": 466}),
        ("permit", {"a": 400, "b": 200, "c": 100}),
        ("per_head", {"a": 234, "b": 233, "c": 233}),
    ],
)
def test_each_pool_goes_by_its_key(pool, expected):
    row = shared(costs((pool, 700))).table[pool]
    assert sum(row.values()) == 700
    assert {who: abs(row[who] - amount) <= 1 for who, amount in expected.items()} == dict.fromkeys("abc", True)


def test_a_cent_for_seven_people_is_borne_by_one_of_them():
    use = {str(n): Use(Fraction(1000), Fraction(0), 1, 1) for n in range(7)}
    row = shared(costs(("wood", 1), use=use)).table["wood"]
    assert sorted(row.values()) == [0] * 6 + [1]


def test_a_refund_is_shared_out_like_a_bill():
    assert shared(costs(("wood", -700))).table["wood"] == {"a": -400, "b": -200, "c": -100}


def test_nobody_to_pay_leaves_the_bill_to_the_fund_with_the_reason():
    made = pooled(costs(("wood", 700), ("soda", 50), use={}))
    shares = cost_shares.share(made.table)
    assert shares.fund == {"wood": 700, "soda": 50}
    assert any("nobody to pay" in note for note in made.notes)


def test_the_fund_bears_empty_space_below_what_is_guaranteed():
    """70 l of 100 l are used; members never pay for less than 80 l, so the fund bears an eighth."""
    made = pooled(costs(("wood", 800), terms=Terms(fill_guarantee=Fraction(4, 5))))
    shares = cost_shares.share(made.table)
    assert (shares.table["wood"], shares.fund["wood"]) == ({"a": 400, "b": 200, "c": 100}, 100)
    assert made.notes == ("The fund bears the empty space below 80 % of the kiln in wood.",)


def test_members_bear_empty_space_where_the_terms_say_so():
    terms = Terms(fill_guarantee=Fraction(1), empty_borne_by="members")
    assert shared(costs(("wood", 700), terms=terms)).fund["wood"] == 0


def test_the_levy_is_charged_by_litre_and_goes_to_the_reserve():
    made = pooled(costs(("wood", 700), terms=Terms(levy_minor_per_litre=3, fill_guarantee=Fraction(0))))
    assert made.to_reserve == 210
    assert cost_shares.share(made.table).table["reserve"] == {"a": 120, "b": 60, "c": 30}


def test_a_guest_pays_by_their_factor_and_nobody_elses_share_changes():
    terms = Terms(guest_factor=Fraction(3, 2), fill_guarantee=Fraction(0))
    shares = shared(costs(("wood", 700), terms=terms, guests=frozenset({"b"})))
    assert (shares.table["wood"], shares.fund["wood"]) == ({"a": 400, "b": 300, "c": 100}, -100)


def test_decided_damage_falls_on_who_bears_it():
    damage = (
        DamageDecision(4000, "member", "b"),
        DamageDecision(700, "all"),
        DamageDecision(300, "fund"),
    )
    made = pooled(costs(("breakage", 5000), damage=damage))
    shares = cost_shares.share(made.table)
    assert (shares.table["breakage"], shares.fund["breakage"]) == ({"a": 400, "b": 4200, "c": 100}, 300)
    assert made.to_reserve == 0


def test_damage_without_a_receipt_fills_the_reserve_and_receipts_without_decision_stay_with_the_fund():
    one = (DamageDecision(4000, "member", "b"),)
    assert pooled(costs(damage=one)).to_reserve == 4000, "a board from the store: the reserve buys the next"
    assert not pooled(costs(damage=(DamageDecision(300, "fund"),))).table.pools, "an accident nobody paid for"
    fewer = pooled(costs(("breakage", 1000), damage=one))
    assert (fewer.to_reserve, cost_shares.share(fewer.table).table["breakage"]["b"]) == (3000, 4000)
    more = cost_shares.share(pooled(costs(("breakage", 6000), damage=one)).table)
    assert (more.table["breakage"]["b"], more.fund["breakage"]) == (4000, 2000)
    undecided = pooled(costs(("breakage", 6000), undecided_damage=2))
    assert cost_shares.share(undecided.table).fund["breakage"] == 6000
    assert any("nobody has decided" in note for note in undecided.notes)


def test_hours_left_to_others_are_charged_as_they_are_paid():
    """A left 2 h, C worked 3 h more: at 9.00 an hour 18.00 change hands, not 27.00."""
    terms = Terms(hour_rate_minor=900, fill_guarantee=Fraction(0))
    shares = shared(costs(("wood", 700), terms=terms, hours={"a": -120, "b": 0, "c": 180}))
    assert (shares.table["hours_owed"]["a"], shares.table["hours_more"]["c"]) == (1800, -1800)
    assert sum(shares.fund.values()) == 0


def test_without_a_rate_hours_cost_nothing():
    assert set(shared(costs(("wood", 700), hours={"a": -120, "c": 180})).table) == {"wood"}


def test_a_failed_firing_gives_members_back_what_the_terms_say():
    terms = Terms(fill_guarantee=Fraction(0), failed_refund={"wood": Fraction(1, 2), "soda": Fraction(1)})
    shares = shared(costs(("wood", 1400), ("soda", 500), ("permit", 70), terms=terms, has_failed=True))
    assert (shares.table["wood"], shares.fund["wood"]) == ({"a": 400, "b": 200, "c": 100}, 700)
    assert (sum(shares.table["soda"].values()), shares.fund["soda"]) == (0, 500)
    assert (sum(shares.table["permit"].values()), shares.fund["permit"]) == (70, 0)


def test_a_key_of_fund_leaves_the_pool_to_the_fund():
    terms = Terms(cost_keys={**KEYS, "permit": "fund"}, fill_guarantee=Fraction(0))
    assert shared(costs(("permit", 70), terms=terms)).fund["permit"] == 70


def test_credits_are_what_each_payer_laid_out():
    rows = [Outlay("1", "wood", 500, "a"), Outlay("2", "soda", -100, "a"), Outlay("3", "wood", 70, None)]
    assert credits(rows) == {"a": 400, None: 70}


NO_GUARANTEE = Terms(fill_guarantee=Fraction(0))


def weights_of(given_costs, pool="wood"):
    return next(one.weights for one in pooled(given_costs).table.pools if one.id == pool)


@pytest.mark.parametrize(
    ("days", "counts"), [(20, 0), (14, 0), (13, 6_000), (2, 6_000), (1, 12_000), (0, 12_000), (None, 12_000)]
)
def test_space_withdrawn_late_counts_more_the_later(days, counts):
    made = weights_of(costs(("wood", 700), terms=NO_GUARANTEE, late=(LateSpace("d", 12_000, 0, days),)))
    assert made.get("d", 0) == counts


def test_who_withdrew_late_pays_only_for_what_stayed_empty():
    """100 l hold 70 l at the end; of 60 l withdrawn on the last day 30 l stayed empty, d has two thirds of them."""
    late = (LateSpace("d", 40_000, 0, 1), LateSpace("e", 20_000, 0, 1))
    given_costs = costs(("wood", 1000), terms=NO_GUARANTEE, late=late)
    shares = shared(given_costs)
    assert shares.table["wood"] == {"a": 400, "b": 200, "c": 100, "d": 200, "e": 100}
    assert pooled(given_costs).space["d"] == (
        "40 l withdrawn 1 days before loading, 20 l of it left empty, x 1 = 20 l."
    )
    full = {**USE, "f": Use(Fraction(30_000), Fraction(0), 0, 1)}
    assert "d" not in shared(costs(("wood", 1000), terms=NO_GUARANTEE, use=full, late=late)).totals


def test_late_space_is_charged_neither_for_boards_nor_for_the_levy():
    terms = Terms(fill_guarantee=Fraction(0), levy_minor_per_litre=3)
    late = (LateSpace("d", 10_000, 10_000, None),)
    shares = shared(costs(("wood", 800), ("soda", 600), ("shelf_wash", 90), ("per_head", 30), terms=terms, late=late))
    assert {pool: row["d"] for pool, row in shares.table.items()} == {
        "wood": 100,
        "soda": 100,
        "shelf_wash": 0,
        "per_head": 0,
        "reserve": 0,
    }


def test_the_least_and_the_most_a_firing_costs_leave_damage_and_hours_on_top():
    terms = Terms(fill_guarantee=Fraction(0), hour_rate_minor=600, floor_minor_per_member=150, cap_minor_per_member=350)
    damage = (DamageDecision(4000, "member", "a"),)
    shares = shared(costs(("wood", 700), terms=terms, damage=damage, hours={"a": -60, "c": 60, "h": 0}))
    assert shares.table["wood"] == {"a": 350, "b": 200, "c": 150, "h": 0} or sum(shares.table["wood"].values()) == 700
    assert shares.totals == {"a": 350 + 4000 + 600, "b": 200, "c": 150 - 600}


def test_a_guests_factor_leaves_damage_and_hours_as_they_are():
    terms = Terms(fill_guarantee=Fraction(0), hour_rate_minor=600, guest_factor=Fraction(2))
    damage = (DamageDecision(4000, "member", "a"),)
    given_costs = costs(("wood", 700), terms=terms, damage=damage, hours={"a": -60, "c": 60}, guests=frozenset("a"))
    shares = shared(given_costs)
    assert {pool: row["a"] for pool, row in shares.table.items()} == {
        "wood": 800,
        "breakage": 4000,
        "hours_owed": 600,
        "hours_more": 0,
    }


def test_the_reserve_bears_empty_space_where_the_terms_say_so():
    made = pooled(costs(("wood", 800), terms=Terms(fill_guarantee=Fraction(4, 5), empty_borne_by="reserve")))
    shares = cost_shares.share(made.table)
    assert (shares.table["wood"], shares.fund["wood"]) == ({"a": 400, "b": 200, "c": 100}, 100)
    assert made.reserve_bears == 100
    assert made.notes == ("The kiln reserve bears the empty space below 80 % of the kiln in wood.",)


def test_a_zone_that_stayed_under_fired_is_given_back_for_alone():
    use = {
        "a": Use(Fraction(40_000), Fraction(40_000), 1, 1, failed=Fraction(1), soda_failed=Fraction(1)),
        "b": Use(Fraction(30_000), Fraction(10_000), 1, 1, failed=Fraction(1, 3)),
    }
    terms = Terms(fill_guarantee=Fraction(0), failed_refund={"wood": Fraction(1, 2), "soda": Fraction(1)})
    made = pooled(costs(("wood", 700), ("soda", 500), ("permit", 70), terms=terms, use=use))
    shares = cost_shares.share(made.table)
    assert shares.table["wood"] == {"a": 200, "b": 250}
    assert shares.table["soda"] == {"a": 0, "b": 100}
    assert shares.table["permit"] == {"a": 40, "b": 30}
    assert made.reserve_bears == 250 + 400 == sum(shares.fund.values())


def test_the_litres_that_count_can_be_redone_by_hand():
    use = {"a": Use(Fraction(12_000), Fraction(0), 1, 1, loaded_ml=12_000, booked_ml=20_000)}
    assert pooled(costs(("wood", 1), terms=Terms(booked_unused_share=Fraction(1, 2)), use=use)).space == {
        "a": "12 l loaded, 20 l booked x 1/2 = 10 l; the larger counts: 12 l."
    }


amounts = st.integers(-(10**7), 10**7).filter(bool)
pools_of_receipts = st.sampled_from(sorted(KEYS))
uses = st.dictionaries(
    st.sampled_from("abcdefg"),
    st.builds(
        Use,
        st.integers(0, 200_000).map(Fraction),
        st.integers(0, 50_000).map(Fraction),
        st.integers(0, 10**6),
        st.integers(0, 60),
    ),
)


@given(
    outlays=st.lists(st.tuples(pools_of_receipts, amounts), min_size=1, max_size=8),
    use=uses,
    levy=st.integers(0, 50),
    rate=st.integers(0, 2000),
    hours=st.dictionaries(st.sampled_from("abcdefg"), st.integers(-600, 600)),
    decided=st.lists(st.integers(1, 10**5), max_size=3),
    failed=st.booleans(),
)
def test_every_cent_of_every_bill_is_borne_by_somebody(outlays, use, levy, rate, hours, decided, failed):
    terms = Terms(levy_minor_per_litre=levy, hour_rate_minor=rate, guest_factor=Fraction(5, 4))
    damage = tuple(DamageDecision(amount, "member", "h") for amount in decided)
    made = pooled(
        costs(
            *outlays,
            terms=terms,
            use=use,
            hours=hours,
            damage=damage,
            has_failed=failed,
            guests=frozenset("a"),
        )
    )
    shares = cost_shares.share(made.table)
    paid = sum(amount for _, amount in outlays)
    assert sum(shares.totals.values()) + sum(shares.fund.values()) == paid + made.to_reserve
    for pool in made.table.pools:
        assert sum(shares.table[pool.id].values()) + shares.fund[pool.id] == pool.bill


@given(use=uses, amount=amounts, failed=st.booleans(), decided=st.integers(1, 10**5))
def test_the_table_written_to_a_file_reads_back_as_the_same(use, amount, failed, decided):
    import json

    damage = (DamageDecision(decided, "all"), DamageDecision(700, "member", "h"))
    made = pooled(costs(("wood", amount), ("breakage", 500), use=use, has_failed=failed, damage=damage))
    again = cost_shares.parse(json.dumps(request(made.table)))
    assert cost_shares.answer(cost_shares.share(again)) == cost_shares.answer(cost_shares.share(made.table))
