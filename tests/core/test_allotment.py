"""Sharing out space: published cases, the axioms, the draw, the refusals."""

import hashlib
import json
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.errors import Malformed
from firings.allotment import SCHEMA, Ask, FloorsDoNotFit, allot, draw_key, read_allotment, write_allotment

SAMPLE = (Path(__file__).parents[2] / "firings" / "samples" / "allotment.json").read_text(encoding="utf-8")

THOMSON = "Constrained equal awards, encyclopedia article citing Thomson 2003 (Math. Soc. Sci. 45:249-297)"
KESHAV = "S. Keshav, An Engineering Approach to Computer Networking (1997) pp. 215-217, example 1, in tenths"


def by_name(amounts):
    return [Ask(f"m{number:02d}", amount) for number, amount in enumerate(amounts)]


@pytest.mark.parametrize(
    ("space", "claims", "awards", "source"),
    [
        (100, [60, 90], [50, 50], THOMSON),
        (100, [40, 80], [40, 60], THOMSON),
        (200, [50, 100, 150], [50, 75, 75], THOMSON),
        (300, [100, 200, 300], [100, 100, 100], THOMSON),
        (500, [100, 200, 300], [100, 200, 200], THOMSON),
        (6, [4, 8], [3, 3], THOMSON),
        (100, [20, 26, 40, 50], [20, 26, 27, 27], KESHAV),
        (1000, [150, 260, 400, 520], [150, 260, 295, 295], "computed: constrained equal awards on litres"),
    ],
)
def test_published_cases(space, claims, awards, source):
    assert list(allot(space, by_name(claims)).grants.values()) == awards, source


asks = st.lists(
    st.builds(
        lambda ask, weight, floor, room: (ask, weight, floor, None if room is None else floor + room),
        st.integers(0, 2000),
        st.fractions(Fraction(1, 5), 5, max_denominator=7),
        st.integers(0, 20),
        st.none() | st.integers(0, 1500),
    ),
    max_size=8,
).map(lambda rows: [Ask(f"m{n}", *row) for n, row in enumerate(rows)])


@given(asks, st.integers(200, 6000))
def test_grants_add_up_and_stay_between_floor_and_ask(asks, space):
    grants = allot(space, asks).grants
    assert sum(grants.values()) == min(space, sum(ask.most_ml for ask in asks))
    assert all(ask.least_ml <= grants[ask.member] <= ask.most_ml for ask in asks)


@given(asks, st.integers(200, 6000))
def test_nobody_has_more_while_another_with_less_waits(asks, space):
    done = allot(space, asks)
    for poor in asks:
        if done.grants[poor.member] < poor.most_ml:
            for rich in asks:
                above_floor = done.grants[rich.member] - 1 > rich.least_ml
                served_more = (done.grants[rich.member] - 1) / rich.weight > (
                    done.grants[poor.member] + 1
                ) / poor.weight
                assert not (above_floor and served_more)


@given(asks.filter(len), st.integers(200, 6000), st.integers(1, 500))
def test_asking_for_more_never_brings_less(asks, space, more):
    first, *others = asks
    larger = Ask(first.member, first.ask_ml + more, first.weight, first.floor_ml, first.cap_ml)
    before = allot(space, asks).grants[first.member]
    assert allot(space, [larger, *others]).grants[first.member] >= before


@given(asks, st.integers(200, 6000))
def test_asking_for_the_grants_changes_nothing(asks, space):
    grants = allot(space, asks).grants
    again = [Ask(ask.member, grants[ask.member], ask.weight) for ask in asks]
    assert allot(space, again).grants == grants


@given(asks, st.integers(200, 6000), st.randoms(use_true_random=False), st.integers(2, 9))
def test_order_and_scale_of_weights_do_not_matter(asks, space, chance, factor):
    mixed = [Ask(a.member, a.ask_ml, a.weight * factor, a.floor_ml, a.cap_ml) for a in asks]
    chance.shuffle(mixed)
    first, second = allot(space, asks, draw_seed="s"), allot(space, mixed, draw_seed="s")
    assert first.grants == second.grants
    assert first.waiting == second.waiting


@given(asks, st.integers(200, 6000))
def test_the_level_alone_gives_every_grant_to_within_a_millilitre(asks, space):
    done = allot(space, asks)
    for ask in asks:
        exact = min(Fraction(ask.most_ml), max(Fraction(ask.least_ml), done.level * ask.weight))
        assert abs(done.grants[ask.member] - exact) < 1


def test_weights_count_as_by_hand():
    # 90 shared 1 : 2, the third is content with 15: level 25, so 25 and 50.
    done = allot(90, [Ask("a", 100), Ask("b", 100, Fraction(2)), Ask("c", 15)])
    assert done.grants == {"a": 25, "b": 50, "c": 15}
    assert done.level == 25


def test_the_odd_millilitre_and_the_waiting_follow_the_draw_anyone_can_redo():
    done = allot(100, by_name([90, 90, 90]), draw_seed="winter")
    order = sorted(done.grants, key=lambda m: hashlib.sha256(f"winter|{m}".encode()).hexdigest())
    assert done.grants[order[0]] == 34
    assert done.waiting == tuple(order)
    assert draw_key("winter", "m00") == hashlib.sha256(b"winter|m00").hexdigest()
    assert done.level == Fraction(100, 3)


def test_another_seed_may_give_another_order():
    orders = {allot(100, by_name([90] * 4), draw_seed=str(seed)).waiting for seed in range(8)}
    assert len(orders) > 1


def test_who_reached_the_cap_does_not_wait_and_the_least_served_comes_first():
    done = allot(100, [Ask("a", 90, cap_ml=20), Ask("b", 90), Ask("c", 90, floor_ml=60)])
    assert done.grants == {"a": 20, "b": 20, "c": 60}
    assert done.waiting == ("b", "c")


def test_the_working_names_every_figure():
    working = allot(100, [Ask("a", 90, cap_ml=15), Ask("b", 90), Ask("c", 10), Ask("d", 90, floor_ml=60)]).working
    assert working[0] == "205 ml asked (within caps), 100 ml there: level 15 ml per unit of weight."
    assert "a: asks 90, gets 15 ml (the cap of 15)." in working
    assert "b: asks 90, gets 15 ml (level 15 x weight 1 = 15)." in working
    assert "c: asks 10, gets 10 ml (all asked)." in working
    assert "d: asks 90, gets 60 ml (the floor of 60)." in working


def test_enough_for_all_leaves_nobody_waiting():
    done = allot(1000, by_name([100, 200]))
    assert done.waiting == ()
    assert done.working[0].endswith("everybody gets what they ask.")


def test_nothing_asked_and_no_space_are_no_errors():
    assert allot(0, []).grants == {}
    assert allot(0, by_name([5, 5])).grants == {"m00": 0, "m01": 0}


def test_floors_beyond_the_space_are_refused():
    with pytest.raises(FloorsDoNotFit, match="lower the floors"):
        allot(100, [Ask("a", 90, floor_ml=60), Ask("b", 90, floor_ml=60)])


@pytest.mark.parametrize(
    ("space", "asks", "said"),
    [
        (-1, [], "space is -1"),
        (10, [Ask("a", 5), Ask("a", 6)], "asks 2 times"),
        (10, [Ask("a", -5)], "below zero"),
        (10, [Ask("a", 5, Fraction(0))], "must be above zero"),
        (10, [Ask("a", 5, floor_ml=4, cap_ml=3)], "cap 3 is below floor 4"),
    ],
)
def test_asks_that_make_no_sense_are_refused(space, asks, said):
    with pytest.raises(Malformed, match=said):
        allot(space, asks)


def test_the_sample_is_read_and_answered():
    space, asks, seed = read_allotment(SAMPLE)
    answer = json.loads(write_allotment(allot(space, asks, draw_seed=seed)))
    assert sum(answer["grants"].values()) == 900_000
    assert set(answer) == {"grants", "level", "waiting", "working"}
    assert SCHEMA["properties"]["format"]["const"] == "allotment/1"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"asks": [{"member": "a", "ask_ml": 1, "weight": "1/0"}]}, "'1/0' is no fraction"),
        ({"asks": [{"member": "a", "ask_ml": 1, "weight": "-1"}]}, "'-1' is no fraction"),
        ({"asks": [{"member": "a", "ask_ml": 1.5}]}, "1.5 must be a whole number"),
        ({"asks": [{"member": "a", "ask_ml": -1}]}, "too small"),
        ({"asks": [{"member": "", "ask_ml": 1}]}, "empty or too short"),
        ({"asks": [{"member": "a", "ask": 1, "ask_ml": 1}]}, "unknown key 'ask'"),
        ({"capacity_ml": 10**15}, "too large"),
        ({"capacity_ml": True}, "must be a whole number"),
    ],
)
def test_a_file_with_faults_is_refused_with_one_sentence(change, said):
    with pytest.raises(Malformed) as refused:
        read_allotment(json.dumps({"format": "allotment/1", "capacity_ml": 10, "asks": []} | change))
    assert len(refused.value.faults) == 1
    assert said in refused.value.faults[0]


def test_fractions_as_text_are_taken():
    text = json.dumps(
        {"format": "allotment/1", "capacity_ml": 10, "asks": [{"member": "a", "ask_ml": 9, "weight": "100/3"}]}
    )
    assert read_allotment(text)[1][0].weight == Fraction(100, 3)
