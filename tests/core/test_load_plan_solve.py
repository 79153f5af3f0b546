"""The planner: never breaks a rule, names what it leaves out, and beats bounding squares."""

import json
import subprocess
import sys
from dataclasses import replace
from math import floor
from pathlib import Path
from threading import Event

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from coop.errors import Refused
from firings.load_plan import search, solve
from firings.load_plan.bound import round_pots_on_a_board
from firings.load_plan.check import faults
from firings.load_plan.problem import (
    LoadPlan,
    LoadRequest,
    PieceSpec,
    Placed,
    PlannedLayer,
    Posts,
    ZoneSpec,
    plan_document,
    plan_from,
)
from firings.load_plan.solve import plan

ROOT = Path(__file__).parents[2]
ZONE = ZoneSpec("kiln", 2, 610, 305, 1100, 20, 12, 3, 6)
MUG = PieceSpec("mug", "Ada", 4, "circle", 100, d=90)

sizes = st.integers(30, 300)
flags = st.sampled_from([False, False, False, True])


@st.composite
def pieces(draw, number, zones):
    is_round = draw(st.booleans())
    size = {"d": draw(sizes)} if is_round else {"w": draw(sizes), "l": draw(sizes)}
    return PieceSpec(
        f"p{number}", draw(st.sampled_from("ABC")), draw(st.integers(1, 4)), "circle" if is_round else "rect",
        draw(st.integers(10, 320)), **size, cone=draw(st.sampled_from([None, "06", "6", "10"])),
        zone=draw(st.sampled_from([None, None, *zones, "attic"])), soda=draw(flags), runny=draw(flags),
        fragile=draw(flags), importance=draw(st.integers(1, 3)),
    )  # fmt: skip


@st.composite
def zones(draw, name):
    width, length = draw(st.integers(200, 600)), draw(st.integers(150, 400))
    spots = [(0, 0, 40, 40), (width - 40, length // 2, width, length // 2 + 30), (60, length - 30, 100, length)]
    return ZoneSpec(
        name, draw(st.integers(1, 3)), width, length, draw(st.integers(100, 900)), 20, 12, 3,
        draw(st.integers(0, 12)), keepouts=tuple(draw(st.lists(st.sampled_from(spots), unique=True))),
        layer_heights=draw(st.sampled_from([(), (), (80, 150, 340)])),
        posts=draw(st.sampled_from([(), (), (Posts(75, 24), Posts(160, 18))])),
        cone=draw(st.sampled_from([None, "6", "10"])), soda=draw(st.booleans()),
    )  # fmt: skip


@st.composite
def requests(draw):
    names = draw(st.sampled_from([["kiln"], ["front", "back"]]))
    made = [draw(pieces(number, names)) for number in range(draw(st.integers(0, 7)))]
    return LoadRequest("drawn", tuple(draw(zones(name)) for name in names), tuple(made))


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(request=requests(), free_height=st.booleans())
def test_no_plan_breaks_a_rule_and_no_bound_exceeds_its_stack(request, free_height):
    made = plan(request, seconds=0.03, free_height=free_height)
    assert faults(request, made, free_height=free_height) == []
    assert all(made.lower_bound_mm[zone] <= stack for zone, stack in made.stack_mm.items())
    assert plan_from(plan_document(made)).layers == made.layers
    assert all(out.reason.endswith(".") for out in made.left_out)


def standing_part(draw, made):
    """Some lowest layers of each zone, the topmost of them perhaps half filled."""
    layers = []
    for zone in made.stack_mm:
        here = [layer for layer in made.layers if layer.zone == zone]
        kept = here[: draw(st.integers(0, len(here)))]
        if kept and draw(st.booleans()):
            kept[-1] = replace(kept[-1], boards=tuple(board[: draw(st.integers(0, 3))] for board in kept[-1].boards))
        layers.extend(kept)
    return LoadPlan(made.request, tuple(layers))


def keeps(made, standing):
    for zone in made.stack_mm:
        stand = [layer for layer in standing.layers if layer.zone == zone]
        now = [layer for layer in made.layers if layer.zone == zone]
        for number, (before, after) in enumerate(zip(stand, now, strict=False), 1):
            same = set(after.placed) == set(before.placed)
            assert same or (number == len(stand) and set(after.placed) > set(before.placed))
            assert after.height_mm == before.height_mm
        assert len(now) >= len(stand)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(request=requests(), free_height=st.booleans(), data=st.data())
def test_what_stands_is_kept_and_the_rest_is_planned_around_it(request, free_height, data):
    first = plan(request, seconds=0.03, free_height=free_height)
    standing = standing_part(data.draw, first)
    made = plan(request, seconds=0.03, free_height=free_height, standing=standing, start=first)
    assert faults(request, made, free_height=free_height) == []
    keeps(made, standing)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(one=requests(), other=requests(), data=st.data())
def test_a_plan_bettered_from_an_earlier_one_breaks_no_rule(one, other, data):
    """The earlier plan is of other pieces with the same ids, or of the same kiln with some pieces more or less."""
    if data.draw(st.booleans()):
        other = replace(
            one, pieces=tuple(data.draw(st.lists(st.sampled_from(one.pieces), unique=True)) if one.pieces else ())
        )
    made = plan(other, seconds=0.03, start=plan(one, seconds=0.03))
    assert faults(other, made) == []


@pytest.mark.parametrize(
    ("pots", "said"),
    [
        ((Placed("jug", 50, 50),), "jug stands in the kiln, but nobody brings it"),
        ((Placed("mug", 50, 50), Placed("mug", 200, 50)), "mug stands in the kiln 2 times, but only 1 are brought"),
    ],
)
def test_standing_pots_must_be_among_those_brought(pots, said):
    standing = LoadPlan("stands", (PlannedLayer("kiln", 150, (pots,)),))
    with pytest.raises(Refused, match=said):
        plan(LoadRequest("stands", (ZONE,), (replace(MUG, count=1),)), standing=standing)


def test_others_join_a_standing_layer_under_its_height_only_if_nothing_stands_above():
    stands = (Placed("mug", 45, 45),)
    low, high = (PlannedLayer("kiln", height, (stands, ())) for height in (120, 150))
    small = PieceSpec("small", "Ben", 2, "circle", 40, d=60)
    tall = PieceSpec("tall", "Ben", 1, "circle", 200, d=60)
    request = LoadRequest("stands", (ZONE,), (replace(MUG, count=2), small, tall))
    made = plan(request, seconds=0.1, standing=LoadPlan("stands", (low, high)))
    assert [layer.height_mm for layer in made.layers] == [120, 150, 215]
    assert made.layers[0].placed == stands
    assert sorted(one.id for one in made.layers[1].placed) == ["mug", "small", "small"]
    assert [one.id for one in made.layers[2].placed] == ["tall"]


def test_round_pieces_stand_closer_than_their_bounding_squares():
    """On 610 x 262 mm stand 6 x 2 squares of 90 mm + 6 mm gap, but 6 + 5 + 6 mugs in staggered rows."""
    zone = replace(ZONE, boards_per_layer=1, board_l_mm=262)
    squares = floor((610 + 6) / 96) * floor((262 + 6) / 96)
    made = plan(LoadRequest("nest", (zone,), (replace(MUG, count=17),)), seconds=0.5)
    assert squares == 12
    assert len(made.layers[0].placed) == 17


def test_a_perfect_fit_is_found_and_proven():
    """Two boards of 6 x 3 mugs of 96 mm with 6 mm between them take 606 x 300 mm."""
    zone = replace(ZONE, board_w_mm=606, board_l_mm=300)
    made = plan(LoadRequest("fit", (zone,), (replace(MUG, count=36, d=96),)), free_height=True)
    assert made.stack_mm == {"kiln": 135}
    assert made.proven


def rectangles(name, turning):
    """Bins the core needs for a classical instance: equal heights, one board a layer, no gap."""
    path = Path(__file__).parents[1] / "bench" / "instances" / "packing" / "bins_rect.jsonl"
    instance = next(
        one for one in map(json.loads, path.read_text(encoding="utf-8").splitlines()) if one["name"] == name
    )
    zone = ZoneSpec("bin", 1, instance["W"], instance["H"], 1, 0, 0, 0, 0)
    pieces = tuple(PieceSpec(f"i{n}", "", 1, "rect", 1, w=w, l=h) for n, (w, h) in enumerate(instance["items"]))
    request = LoadRequest(name, (zone,), pieces)
    made = plan(request, seconds=0.3, free_height=True, turning=turning)
    assert faults(request, made, free_height=True) == []
    return len(made.layers), instance["best_rotation" if turning else "best_oriented"]


@pytest.mark.parametrize("name", ["cl01_020_01", "cl09_020_01"])
def test_classical_bin_packing_reaches_the_best_known_number_of_bins(name):
    """Berkey and Wang 1987 (class 1), Martello and Vigo 1998 (class 9); best known: see the instances' README."""
    for turning in (True, False):
        used, best_known = rectangles(name, turning)
        assert used == best_known


def test_an_earlier_plan_is_never_made_worse():
    some = tuple(replace(MUG, id=f"p{n}", d=70 + 9 * n, h=60 + 20 * n) for n in range(8))
    request = LoadRequest("again", (ZONE,), some)
    first = plan(request, seconds=0.2)
    second = plan(request, seconds=0, start=first)
    assert second.stack_mm == first.stack_mm
    assert second.left_out == first.left_out


def test_the_planner_works_where_compiled_code_cannot_be_kept():
    """Where compiled code cannot be kept on disk, the planner compiles for itself and says nothing."""
    code = (
        "import numba.core.caching as c\n"
        "c.CacheImpl._locator_classes = []\n"
        "from firings.load_plan import kernel\n"
        "import numpy as np\n"
        "print(kernel._random(np.array([5, 0, 0])) < 1)\n"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120, cwd=ROOT)
    assert (ran.stdout, ran.returncode) == ("True\n", 0), ran.stderr


def test_a_dish_turns_where_only_that_fits():
    dish = PieceSpec("dish", "Ben", 2, "rect", 50, w=300, l=600)
    made = plan(LoadRequest("turn", (ZONE,), (dish,)), seconds=0.1)
    assert [one.turned for one in made.layers[0].placed] == [True, True]


def test_the_same_seed_gives_the_same_plan(monkeypatch):
    monkeypatch.setattr(solve, "WORK_PER_SECOND", 3_000)  # ends by work long before the clock, on a busy machine too
    some = tuple(replace(MUG, id=f"p{n}", d=70 + 9 * n, h=60 + 20 * n) for n in range(8))
    request = LoadRequest("again", (ZONE,), some)
    first, second = (plan(request, seconds=10, seed=5) for _ in range(2))
    assert replace(first, seconds=0) == replace(second, seconds=0)


def test_without_room_for_all_the_important_pieces_go_in():
    low = replace(ZONE, height_mm=140, boards_per_layer=1)
    first = replace(MUG, id="first", count=10, importance=1)
    later = replace(MUG, id="later", count=30, importance=2, h=105)
    made = plan(LoadRequest("full", (low,), (later, first)), seconds=0.3)
    placed = [one.id for layer in made.layers for one in layer.placed]
    assert placed.count("first") == 10
    assert placed.count("later") >= 7
    assert [(out.id, out.count) for out in made.left_out] == [("later", 30 - placed.count("later"))]
    assert made.left_out[0].reason == "No room is left in zone kiln beside the pieces that come before it."


@pytest.mark.parametrize(
    ("changes", "zone", "said"),
    [
        ({"d": 400}, {}, "400 mm across do not fit on a board of 610 x 305 mm"),
        ({"h": 1080}, {}, "it needs 1115 mm with wad, air and board, the zone is 1100 mm high"),
        ({"cone": "06"}, {"cone": "6"}, "it stands cone 06, the zone reaches cone 6"),
        ({"soda": True}, {}, "it needs soda, this is no soda zone"),
        ({"zone": "attic"}, {}, "There is no zone “attic” (there is: kiln)"),
        ({"h": 150}, {"layer_heights": (100,)}, "the highest layer that can be made has 100 mm"),
        ({}, {"posts": (Posts(150, 5),)}, "the posts do not suffice for one layer of 150 mm"),
        ({"d": 300}, {"keepouts": ((280, 130, 320, 170),)}, "on a board of 610 x 305 mm with its post spots"),
    ],
)
def test_a_piece_that_can_stand_nowhere_is_left_out_with_the_reason(changes, zone, said):
    other = PieceSpec("other", "Ben", 1, "circle", 40, d=60, cone="10")
    request = LoadRequest("odd", (replace(ZONE, **zone),), (replace(MUG, **changes), other))
    made = plan(request, seconds=0.05)
    assert (made.left_out[0].id, made.left_out[0].count) == ("mug", 4)
    assert said in made.left_out[0].reason
    assert faults(request, made) == []


def test_runny_pieces_of_several_owners_share_the_lowest_layer():
    runny = tuple(replace(MUG, id=f"runny{o}", owner=o, count=3, runny=True) for o in "AB")
    plates = PieceSpec("plate", "C", 6, "circle", 30, d=250, fragile=True)
    made = plan(LoadRequest("drips", (ZONE,), (plates, *runny)), seconds=0.2)
    assert made.left_out == ()
    assert {one.id for one in made.layers[0].placed} >= {"runnyA", "runnyB"}


def test_too_many_runny_pieces_are_left_out_with_the_way_out():
    one_board = replace(ZONE, boards_per_layer=1, board_w_mm=200, board_l_mm=100)
    runny = tuple(replace(MUG, id=f"runny{o}", owner=o, count=2, runny=True) for o in "AB")
    made = plan(LoadRequest("drips", (one_board,), runny), seconds=0.1)
    assert sum(out.count for out in made.left_out) == 2
    assert "give it a catching cookie" in made.left_out[0].reason


def test_one_owner_may_stack_runny_above_runny():
    one_board = replace(ZONE, boards_per_layer=1, board_w_mm=200, board_l_mm=100)
    made = plan(LoadRequest("own", (one_board,), (replace(MUG, count=6, runny=True),)), seconds=0.1)
    assert len(made.layers) == 3
    assert made.left_out == ()


def test_zones_with_other_boards_each_get_their_own():
    front = replace(ZONE, id="front", cone="10")
    back = ZoneSpec("back", 1, 400, 400, 600, 20, 12, 6, 12, cone="6", soda=True)
    soft = replace(MUG, id="soft", cone="6", count=6)
    wide = PieceSpec("wide", "Ben", 1, "circle", 50, d=390, cone="10")
    made = plan(LoadRequest("two", (front, back), (soft, wide, replace(MUG, cone="10", count=30))), seconds=0.3)
    where = {(layer.zone, one.id) for layer in made.layers for one in layer.placed}
    assert {("back", "soft"), ("back", "wide")} <= where
    assert ("front", "soft") not in where
    assert set(made.stack_mm) == {"front", "back"}
    assert made.left_out == ()


def test_what_still_fits_is_told():
    made = plan(LoadRequest("part", (ZONE,), (MUG,)), seconds=0.05)
    assert made.filler
    assert all(filler.count > 0 for filler in made.filler)


def test_an_empty_request_gives_an_empty_plan():
    made = plan(LoadRequest("nobody", (ZONE,), ()), seconds=0.05)
    assert (made.layers, made.left_out, made.stack_mm, made.proven) == ((), (), {"kiln": 0}, True)


def test_no_more_round_pots_stand_on_a_board_than_the_bound_says():
    """3 x 6 mugs of 96 mm with 6 mm gaps fit on 606 x 300 mm in rows, so the bound may not be less."""
    assert round_pots_on_a_board(replace(ZONE, board_w_mm=606, board_l_mm=300), 96) >= 18
    assert round_pots_on_a_board(ZONE, 300) == 2
    assert round_pots_on_a_board(ZONE, 306) == 0


def test_a_process_that_is_not_ready_says_so_at_once_and_is_made_ready_beside(monkeypatch):
    compiled = Event()
    monkeypatch.setattr(solve, "_ready", Event())
    monkeypatch.setattr(search, "warm", lambda: compiled.wait(5))
    assert not solve.is_warm()
    assert not solve.is_warm()
    compiled.set()
    solve.warm()
    assert solve.is_warm()
