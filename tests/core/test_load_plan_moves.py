"""Plans changed by hand: every pot stays counted, what stands is left alone, and the checker hears of all the rest."""

from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coop.errors import Malformed, Refused
from firings.load_plan import moves
from firings.load_plan.check import faults
from firings.load_plan.moves import Carry, Nudge, PutIn, SetHeight, Spot, Swap, TakeOut, Turn
from firings.load_plan.problem import LeftOut, LoadPlan, LoadRequest, PieceSpec, Placed, PlannedLayer, Posts, ZoneSpec
from firings.load_plan.stacking import LayerUse, stacking_permille

ZONE = ZoneSpec(
    id="hot", boards_per_layer=2, board_w_mm=600, board_l_mm=300, height_mm=500, shelf_thickness_mm=20,
    clearance_above_mm=12, wadding_mm=3, gap_mm=6, keepouts=((560, 260, 600, 300),), cone="10",
)  # fmt: skip
COOL = replace(ZONE, id="cool, back", boards_per_layer=1, cone="6", soda=True, keepouts=())
MUG = PieceSpec("mug", "Ada", 3, "circle", 100, d=90)
DISH = PieceSpec("dish", "Ben", 1, "rect", 60, w=120, l=200)
JAR = PieceSpec("jar", "Ben", 1, "circle", 200, d=150)
REQUEST = LoadRequest("autumn", (ZONE, COOL), (MUG, DISH, JAR))
PLAN = LoadPlan(
    "autumn",
    (
        PlannedLayer("hot", 115, ((Placed("mug", 45, 45), Placed("mug", 141, 45), Placed("dish", 260, 100)), ())),
        PlannedLayer("hot", 215, ((Placed("jar", 75, 75),), ())),
    ),
    stack_mm={"hot": 370, "cool, back": 0},
    left_out=(LeftOut("mug", 1, "No room is left."),),
)
FIRST_MUG = Spot("hot", 1, 1, "mug", 450, 450)
DISH_AT = Spot("hot", 1, 1, "dish", 2600, 1000)
JAR_AT = Spot("hot", 2, 1, "jar", 750, 750)


def taken(step, plan=PLAN, standing=(), request=REQUEST):
    return moves.take(request, plan, step, standing)


def test_the_plan_they_begin_with_is_a_good_one():
    whole, _ = taken(Nudge(JAR_AT, 0, 0))
    assert faults(REQUEST, whole) == []


def test_a_nudge_moves_a_pot_and_stops_at_the_edge():
    plan, spot = taken(Nudge(FIRST_MUG, 0, 20))
    assert spot == Spot("hot", 1, 1, "mug", 450, 650)
    assert spot in dict(moves.spots_of(plan))
    assert taken(Nudge(FIRST_MUG, -20, -20))[1] == FIRST_MUG


def test_the_checker_hears_of_a_nudge_too_far_beside_the_board():
    plan, _ = taken(Nudge(FIRST_MUG, 20, 0))
    found = moves.by_board(REQUEST, faults(REQUEST, plan))
    assert found == {("hot", 1, 1): ["mug and mug overlap by 14.0 mm; keep 6 mm between them."]}


def test_sentences_about_a_layer_and_about_all_else_are_told_apart():
    low = replace(PLAN, layers=(replace(PLAN.layers[0], height_mm=90), PLAN.layers[1]), stack_mm={})
    found = moves.by_board(REQUEST, [*faults(REQUEST, low), "Zone hot: the stack is too high."])
    assert list(found) == [("hot", 1, 0), None]
    assert "too low for mug" in found["hot", 1, 0][0]


def test_a_carried_pot_finds_room_and_both_layers_get_the_height_they_need():
    plan, spot = taken(Carry(JAR_AT, "hot", 1, 2))
    assert (spot.layer, spot.board, spot.x_dmm, spot.y_dmm) == (1, 2, 750, 750)
    assert [layer.height_mm for layer in plan.layers] == [215]  # the emptied layer is gone
    assert plan.stack_mm["hot"] == 235
    assert faults(REQUEST, plan) == []


def test_the_tallest_gone_a_layer_comes_down():
    plan, spot = taken(Carry(FIRST_MUG, "cool, back", 1, 1))
    plan, _ = taken(Carry(Spot("hot", 1, 1, "mug", 1410, 450), "cool, back", 1, 1), plan)
    assert [(layer.zone, layer.height_mm) for layer in plan.layers] == [("hot", 75), ("hot", 215), ("cool, back", 115)]
    assert spot.zone == "cool, back"


def test_layers_get_heights_the_posts_can_make():
    zone = replace(ZONE, posts=(Posts(120, 24), Posts(240, 12)))
    request = replace(REQUEST, zones=(zone, COOL))
    assert taken(Carry(JAR_AT, "hot", 1, 2), request=request)[0].layers[0].height_mm == 240


def test_carried_to_a_full_board_a_pot_stands_where_it_overlaps_least_and_the_checker_says_so():
    big = PieceSpec("plate", "Ada", 2, "circle", 40, d=290)
    request = replace(REQUEST, pieces=(*REQUEST.pieces, big))
    layer = PlannedLayer("cool, back", 55, ((Placed("plate", 145, 145), Placed("plate", 455, 145)),))
    plan = replace(PLAN, layers=(*PLAN.layers, layer))
    after, spot = taken(Carry(JAR_AT, "cool, back", 1, 1), plan, request=request)
    assert spot.zone == "cool, back"
    assert any("overlap" in fault for fault in faults(request, after))


def test_pots_change_places_between_layers_and_one_is_turned():
    plan, spot = taken(Swap(FIRST_MUG, JAR_AT))
    assert (spot.layer, spot.board, spot.x_dmm) == (2, 1, 750)
    assert [layer.height_mm for layer in plan.layers] == [215, 115]
    plan, spot = taken(Turn(DISH_AT))
    assert dict(moves.spots_of(plan))[spot].turned
    with pytest.raises(Refused, match="round"):
        taken(Turn(FIRST_MUG))
    with pytest.raises(Refused, match="with itself"):
        taken(Swap(FIRST_MUG, FIRST_MUG))


def test_a_pot_is_taken_out_and_put_in_again():
    plan, spot = taken(TakeOut(DISH_AT))
    assert spot is None
    assert [(out.id, out.count, out.reason) for out in plan.left_out] == [
        ("mug", 1, "No room is left."),
        ("dish", 1, moves.TAKEN_OUT),
    ]
    again, spot = taken(PutIn("dish", "hot", 1, 2), plan)
    assert spot.board == 2
    assert faults(REQUEST, again) == []
    with pytest.raises(Refused, match="stand on the plan already"):
        taken(PutIn("dish", "hot", 1, 2), again)


def test_a_layer_is_given_another_height():
    plan, _ = taken(SetHeight("hot", 1, 130))
    assert plan.stack_mm["hot"] == 385
    with pytest.raises(Refused, match="from 1 to 500 mm"):
        taken(SetHeight("hot", 1, 0))


def test_what_stands_is_not_moved_and_what_is_built_over_keeps_its_height():
    with pytest.raises(Refused, match="take its tick back"):
        taken(Nudge(FIRST_MUG, 5, 0), standing=[FIRST_MUG])
    with pytest.raises(Refused, match="take its tick back"):
        taken(Swap(DISH_AT, FIRST_MUG), standing=[FIRST_MUG])
    with pytest.raises(Refused, match="built over"):
        taken(SetHeight("hot", 1, 200), standing=[JAR_AT])
    emptied, standing = PLAN, [JAR_AT]
    for spot in [FIRST_MUG, Spot("hot", 1, 1, "mug", 1410, 450), DISH_AT]:
        emptied, _ = taken(TakeOut(spot), emptied, standing)
    assert [layer.height_mm for layer in emptied.layers] == [115, 215]


@pytest.mark.parametrize(
    "step",
    [
        Nudge(replace(FIRST_MUG, x_dmm=451), 5, 0),
        TakeOut(replace(FIRST_MUG, board=9)),
        TakeOut(replace(FIRST_MUG, zone="attic")),
        Carry(FIRST_MUG, "hot", 4, 1),
        Carry(FIRST_MUG, "hot", 1, 3),
        Carry(FIRST_MUG, "attic", 1, 1),
        PutIn("vase", "hot", 1, 1),
        SetHeight("hot", 3, 100),
    ],
)
def test_what_is_not_there_is_refused_in_words(step):
    with pytest.raises(Refused, match=r"load the page again|choose one of them"):
        taken(step)


def test_a_spot_and_a_step_come_back_from_their_written_form():
    zones = ["hot", "cool, back"]
    odd = Spot("cool, back", 2, 1, "a.b", 5, 60)
    assert moves.spot_text(odd, zones) == "2.2.1.a.b.5.60"
    assert moves.spot_from("2.2.1.a.b.5.60", zones) == odd
    for bad in ("", "1.2.3", "9.1.1.mug.5.5", "0.1.1.mug.5.5", "1.x.1.mug.5.5", "1.1.1..5.5"):
        with pytest.raises(Malformed):
            moves.spot_from(bad, zones)
    for step in (Nudge(odd, 5, -20), Carry(odd, "hot", 1, 1), Swap(odd, odd), PutIn("mug", "hot", 1, 1, 5, 6)):
        assert moves.step_from(moves.step_document(step)) == step
    for bad in (
        {"do": "fling"},
        {"do": "turn"},
        {"do": "turn", "spot": {"zone": "hot"}},
        {"do": "height", "x": 1},
        {"do": "turn", "spot": 1},
        {"do": "height", "zone": "hot", "layer": "1", "height_mm": 5},
    ):
        with pytest.raises(Malformed):
            moves.step_from(bad)


# --- Carrying a plan over, and what stands ------------------------------------------------------


def test_a_plan_is_carried_over_to_what_was_really_brought():
    plate = PieceSpec("plate", "Ada", 2, "circle", 40, d=200)
    now = replace(REQUEST, pieces=(replace(MUG, count=1), JAR, plate))  # the dish was withdrawn
    plan = moves.onto(now, PLAN, [Spot("hot", 1, 1, "mug", 1410, 450)])
    assert Counter(one.id for layer in plan.layers for one in layer.placed) == {"mug": 1, "jar": 1}
    assert Spot("hot", 1, 1, "mug", 1410, 450) in dict(moves.spots_of(plan))
    assert [(out.id, out.count, out.reason) for out in plan.left_out] == [("plate", 2, moves.CAME_LATER)]
    assert faults(now, plan) == []


def test_the_part_that_stands_is_all_layers_up_to_the_highest_pot():
    part = moves.standing_part(PLAN, [JAR_AT])
    assert [[len(board) for board in layer.boards] for layer in part.layers] == [[0, 0], [1, 0]]
    assert moves.standing_part(PLAN, []).layers == ()


def test_a_plan_that_would_move_what_stands_is_found_out():
    assert moves.disturbed(PLAN, PLAN, [FIRST_MUG, JAR_AT], REQUEST.pieces) == []
    moved, _ = taken(Nudge(FIRST_MUG, 0, 5))
    assert "mug stands in zone hot, layer 1, board 1 already" in moves.disturbed(PLAN, moved, [FIRST_MUG], [MUG])[0]
    turned, _ = taken(Turn(DISH_AT))
    assert len(moves.disturbed(PLAN, turned, [DISH_AT], REQUEST.pieces)) == 1
    raised, _ = taken(SetHeight("hot", 1, 130))
    assert "built over already at 115 mm" in moves.disturbed(PLAN, raised, [JAR_AT], REQUEST.pieces)[0]
    assert moves.disturbed(PLAN, raised, [FIRST_MUG], REQUEST.pieces) == []  # nothing stands above it yet


def test_what_changed_is_told_pot_by_pot_and_as_little_as_possible():
    assert moves.changes(PLAN, PLAN) == ()
    for step, kind in (
        (Nudge(FIRST_MUG, 0, 5), "place"),
        (Carry(FIRST_MUG, "hot", 1, 2), "board"),
        (Carry(FIRST_MUG, "hot", 2, 1), "layer"),
        (TakeOut(FIRST_MUG), "out"),
        (PutIn("mug", "hot", 1, 2), "in"),
        (Turn(DISH_AT), "turned"),
    ):
        after, _ = taken(step)
        assert [change.kind for change in moves.changes(PLAN, after)] == [kind]
    raised, _ = taken(SetHeight("hot", 1, 130))
    assert moves.heights_changed(PLAN, raised) == (("hot", 1, 115, 130),)
    assert moves.heights_changed(PLAN, replace(PLAN, layers=PLAN.layers[:1])) == (("hot", 2, 215, 0),)


# --- Any steps at all ---------------------------------------------------------------------------


@st.composite
def steps_taken(draw):
    """Some steps one after another on the plan above, with pots that stand."""
    standing = draw(st.sets(st.sampled_from([FIRST_MUG, DISH_AT, JAR_AT]), max_size=2))
    plan, done = PLAN, []
    for _ in range(draw(st.integers(1, 8))):
        spots = sorted(dict(moves.spots_of(plan)))
        if not spots:
            break
        spot, other = draw(st.sampled_from(spots)), draw(st.sampled_from(spots))
        zone, layer, board = (
            draw(st.sampled_from(["hot", "cool, back"])),
            draw(st.integers(1, 3)),
            draw(st.integers(1, 2)),
        )
        step = draw(
            st.sampled_from(
                [
                    Nudge(spot, draw(st.sampled_from([-20, -5, 5, 20])), draw(st.sampled_from([-20, 0, 5]))),
                    Turn(spot),
                    Carry(spot, zone, layer, board),
                    Swap(spot, other),
                    TakeOut(spot),
                    PutIn(draw(st.sampled_from(["mug", "dish", "jar"])), zone, layer, board),
                    SetHeight(zone, layer, draw(st.integers(50, 300))),
                ]
            )
        )
        try:
            plan, _ = moves.take(REQUEST, plan, step, standing)
        except Refused:
            continue
        done.append(step)
    return standing, plan, done


@settings(deadline=None, max_examples=60)
@given(steps_taken())
def test_whatever_is_done_by_hand_no_pot_is_lost_and_what_stands_stays(drawn):
    standing, plan, done = drawn
    count = Counter(one.id for layer in plan.layers for one in layer.placed)
    count.update({out.id: out.count for out in plan.left_out})
    assert count == {"mug": 3, "dish": 1, "jar": 1}
    assert moves.disturbed(PLAN, plan, standing, REQUEST.pieces) == []
    told = faults(REQUEST, plan)
    assert [fault for fault in told if not fault.startswith("Zone ")] == []  # counts and figures are always right
    assert not any("lower bound" in fault or "over the board's edge" in fault for fault in told)
    again = PLAN
    for step in done:
        again, _ = moves.take(REQUEST, again, step)
    assert again.layers == plan.layers or standing  # the same steps give the same plan


@settings(deadline=None, max_examples=60)
@given(steps_taken())
def test_what_changed_leads_from_one_plan_to_the_other(drawn):
    _, plan, _ = drawn
    was, will = (Counter((spot, one.turned) for spot, one in moves.spots_of(one)) for one in (PLAN, plan))
    told = moves.changes(PLAN, plan)
    gone, come = Counter(c.before for c in told if c.before), Counter(c.after for c in told if c.after)
    left = Counter(spot for spot, _ in was.elements())
    left.subtract(gone)
    left.update(come)
    assert +left == Counter(spot for spot, _ in will.elements())
    assert all(change.before != change.after or change.kind == "turned" for change in told)


# --- How pots pack --------------------------------------------------------------------------------


def test_the_stacking_factor_is_told_by_three_loads_without_their_emptiest_layers():
    load = [LayerUse(1000, 800), LayerUse(1000, 600), LayerUse(1000, 10)]
    assert stacking_permille([load, load]) is None
    assert stacking_permille([load, load, [LayerUse(1000, 900)]]) is None  # one layer tells nothing
    assert stacking_permille([load] * 3) == 1429  # 2000 / 1400
    assert stacking_permille([[LayerUse(1000, 100)] * 2] * 3) == 2500
    assert stacking_permille([[LayerUse(1000, 1200)] * 2] * 3) == 1000
