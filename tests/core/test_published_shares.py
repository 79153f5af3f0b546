"""Published sharing rules come out of the cost shares, each told as pools, floors and caps; sources beside them."""

from fractions import Fraction

import pytest

from billing.cost_shares import CostTable, Member, Pool, share
from coop import money


def exactly(members, *pools):
    """Exact totals of a table in the order of its members."""
    shares = share(CostTable("F1", "EUR", tuple(members), tuple(pools)))
    return [shares.exact_totals[member.id] for member in members]


def equal_awards(estate, claims):
    """Everybody gets the same, nobody more than their claim: equal weights and a cap each."""
    members = [Member(f"m{at}", cap=claim) for at, claim in enumerate(claims)]
    return exactly(members, Pool("estate", estate, "heads", {member.id: 1 for member in members}))


def equal_losses(estate, claims):
    """Everybody loses the same, nobody more than their claim."""
    losses = equal_awards(sum(claims) - estate, claims)
    return [claim - loss for claim, loss in zip(claims, losses, strict=True)]


def by_steps(cost, count):
    """Each further step of the cost is shared by heads among those who need it (the airport rule)."""
    names = [[f"t{at}-{n}" for n in range(many)] for at, many in enumerate(count)]
    members = [Member(name) for kind in names for name in kind]
    pools = [
        Pool(f"step {at:02d}", here - before, "heads", {name: 1 for kind in names[at:] for name in kind})
        for at, (before, here) in enumerate(zip([0, *cost], cost, strict=False))
    ]
    shares = share(CostTable("F1", "EUR", tuple(members), tuple(pools)))
    return [shares.exact_totals[kind[0]] for kind in names]


# ref money_checks.csv: cea/* (constrained equal awards, encyclopedia article citing Thomson 2003,
# Math. Soc. Sci. 45:249-297)
@pytest.mark.parametrize(
    ("estate", "claims", "awards"),
    [
        (100, [60, 90], [50, 50]),
        (100, [40, 80], [40, 60]),
        (200, [50, 100, 150], [50, 75, 75]),
        (300, [100, 200, 300], [100, 100, 100]),
        (500, [100, 200, 300], [100, 200, 200]),
        (6, [4, 8], [3, 3]),
    ],
)
def test_a_cap_each_gives_equal_awards(estate, claims, awards):
    assert equal_awards(estate, claims) == awards


# ref money_checks.csv: maxmin/keshav-1 (S. Keshav, An Engineering Approach to Computer Networking, 1997,
# pp. 215-217, example 1; in tenths) and maxmin/shelf-space (computed)
@pytest.mark.parametrize(
    ("capacity", "demands", "grants"),
    [(100, [20, 26, 40, 50], [20, 26, 27, 27]), (1000, [150, 260, 400, 520], [150, 260, 295, 295])],
)
def test_a_cap_each_gives_the_max_min_share_of_space(capacity, demands, grants):
    assert equal_awards(capacity, demands) == grants


# ref money_checks.csv: cel/* (constrained equal losses, article citing Thomson 2003, Aumann & Maschler 1985)
@pytest.mark.parametrize(
    ("estate", "claims", "awards"),
    [
        (100, [60, 90], [35, 65]),
        (100, [50, 100], [25, 75]),
        (100, [40, 80], [30, 70]),
        (100, [50, 100, 150], [0, 25, 75]),
    ],
)
def test_what_is_missing_shared_with_a_cap_each_gives_equal_losses(estate, claims, awards):
    assert equal_losses(estate, claims) == awards


# ref money_checks.csv: talmud/* (Ketubot 93a, as analysed by Aumann & Maschler 1985, J. Econ. Theory 36:195-213)
@pytest.mark.parametrize(
    ("estate", "awards"), [(100, [Fraction(100, 3)] * 3), (200, [50, 75, 75]), (300, [50, 100, 150])]
)
def test_half_the_claims_by_awards_and_the_rest_by_losses_divides_the_estate_of_the_talmud(estate, awards):
    halves = [50, 100, 150]  # of claims of 100, 200 and 300
    first = min(estate, sum(halves))
    second = equal_losses(estate - first, halves) if estate > first else [0, 0, 0]
    assert [a + b for a, b in zip(equal_awards(first, halves), second, strict=True)] == awards


# ref money_checks.csv: airport/*; 4-types: airport problem (Littlechild & Owen 1973, Management Science 20:370-372);
# 3-airlines: worked permutations table; 100-160-200: mathematics Q&A thread
@pytest.mark.parametrize(
    ("cost", "shares"),
    [
        ([8, 11, 13, 18], [2, 3, 4, 9]),
        ([1500, 2200, 3000], [500, 850, 1650]),
        ([1500, 2200, 3500], [500, 850, 2150]),
        ([100, 160, 200], [Fraction(100, 3), Fraction(190, 3), Fraction(310, 3)]),
    ],
)
def test_a_bill_a_step_charges_each_for_the_steps_they_need(cost, shares):
    assert by_steps(cost, [1] * len(cost)) == shares


def test_the_landing_fees_of_birmingham_come_out_to_the_penny():
    # ref money_checks.csv: airport/birmingham-1968-69 (Littlechild & Thompson 1977, Bell J. Econ. 8:186-204; Shapley
    # values printed in Littlechild & Owen 1973). Types instead of 13,572 landings: the weight of a type is its count.
    cost = [65899, 76725, 95200, 97200, 97436, 98142, 102496, 104849, 113322, 115440, 117676]
    count = [42, 9555, 288, 303, 151, 1315, 505, 1128, 151, 112, 22]
    printed = ["4.86", "5.66", "10.30", "10.85", "10.92", "11.13", "13.40", "15.07", "44.80", "60.61", "162.24"]
    members = [Member(f"t{at:02d}") for at in range(len(cost))]
    pools = [
        Pool(
            f"step {at:02d}",
            (cost[at] - ([0, *cost][at])) * 100,
            "landings",
            {f"t{of:02d}": count[of] for of in range(at, len(cost))},
        )
        for at in range(len(cost))
    ]
    totals = exactly(members, *pools)
    each = [money.round_fraction(total / many) for total, many in zip(totals, count, strict=True)]
    assert [money.format_plain(minor, "GBP") for minor in each] == printed


def test_a_rising_price_shared_step_by_step_is_the_serial_rule():
    # ref money_checks.csv: serial/quadratic-1-2-3 (rule: Moulin & Shenker 1992, Econometrica 60:1009-1037)
    demands = [1, 2, 3]
    quantities = [sum(min(demand, step) for demand in demands) for step in demands]
    assert by_steps([quantity**2 for quantity in quantities], [1, 1, 1]) == [3, 11, 22]


# ref money_checks.csv: cash/* (Swedish rounding, encyclopedia article; Sweden since 2010: nearest whole krona)
@pytest.mark.parametrize(
    ("amount", "step", "expected"),
    [
        (2042, 5, 2040),
        (2043, 5, 2045),
        (22320, 50, 22300),
        (1, 5, 0),
        (2, 5, 0),
        (3, 5, 5),
        (4, 5, 5),
        (6, 5, 5),
        (7, 5, 5),
        (1249, 100, 1200),
        (-2043, 5, -2045),
        (2045, 5, 2045),
    ],
)
def test_cash_is_rounded_to_the_smallest_coin(amount, step, expected):
    assert money.to_cash(amount, step) == expected
