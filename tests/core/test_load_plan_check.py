"""The checker finds every planted fault, and only that one."""

from dataclasses import replace

import pytest

from firings.load_plan import rules
from firings.load_plan.check import faults
from firings.load_plan.problem import (
    LeftOut,
    LoadPlan,
    LoadRequest,
    PieceSpec,
    Placed,
    PlannedLayer,
    Posts,
    ZoneSpec,
)

ZONE = ZoneSpec(
    id="hot", boards_per_layer=1, board_w_mm=600, board_l_mm=300, height_mm=500, shelf_thickness_mm=20,
    clearance_above_mm=12, wadding_mm=3, gap_mm=6, keepouts=((560, 260, 600, 300),), cone="10",
)  # fmt: skip
COOL = replace(ZONE, id="cool", cone="6", soda=True)
MUG = PieceSpec("mug", "Ada", 2, "circle", 100, d=90)
DISH = PieceSpec("dish", "Ben", 1, "rect", 60, w=120, l=200)
TILE = PieceSpec("tile", "Ben", 1, "rect", 20, w=100, l=100)
REQUEST = LoadRequest("autumn", (ZONE, COOL), (MUG, DISH, TILE))
MUGS = (Placed("mug", 45, 45), Placed("mug", 141, 45))
DISH_STANDS, TILE_STANDS = Placed("dish", 260, 100), Placed("tile", 376, 50)
GOOD_LAYER = PlannedLayer("hot", 115, ((*MUGS, DISH_STANDS, TILE_STANDS),))


def plan_of(*layers, request=REQUEST, **changes):
    made = LoadPlan(request.name, layers, space_ml=rules.space_by_owner(request, layers))
    return replace(made, stack_mm=rules.stacks(request, made), **changes)


def with_piece(piece_id, **changes):
    return replace(REQUEST, pieces=tuple(replace(p, **changes) if p.id == piece_id else p for p in REQUEST.pieces))


def with_zone(**changes):
    return replace(REQUEST, zones=(replace(ZONE, **changes), COOL))


def moved(piece_id, x, y, turned=False):
    board = tuple(Placed(piece_id, x, y, turned) if one.id == piece_id else one for one in GOOD_LAYER.boards[0])
    return plan_of(replace(GOOD_LAYER, boards=(board,)))


def test_a_good_plan_has_no_faults():
    assert faults(REQUEST, plan_of(GOOD_LAYER)) == []


def test_pieces_exactly_a_gap_apart_and_at_the_edge_are_fine():
    assert faults(REQUEST, moved("tile", 376, 50)) == []  # 6 mm beside the dish
    assert "5.90 mm apart" in faults(REQUEST, moved("tile", 375.9, 50))[0]


@pytest.mark.parametrize(
    ("request_", "plan", "said"),
    [
        (REQUEST, moved("tile", 552, 50), "tile stands 2.0 mm over the board's edge"),
        (REQUEST, moved("dish", 260, 99), "dish stands 1.0 mm over the board's edge"),
        (REQUEST, moved("dish", 260, 110, turned=True), "mug and dish overlap"),
        (
            REQUEST,
            plan_of(
                replace(
                    GOOD_LAYER,
                    boards=((Placed("mug", 45, 45), Placed("mug", 109, 109), DISH_STANDS, Placed("tile", 376, 50)),),
                )
            ),
            "mug and mug stand 0.51 mm apart",
        ),
        (REQUEST, moved("dish", 247, 100), "mug and dish stand 1.00 mm apart"),
        (
            REQUEST,
            plan_of(
                replace(GOOD_LAYER, boards=((Placed("mug", 45, 45), Placed("mug", 130, 45), DISH_STANDS, TILE_STANDS),))
            ),
            "mug and mug overlap by 5.0 mm; keep 6 mm between them",
        ),
        (REQUEST, moved("tile", 360, 50), "dish and tile overlap by 10.0 mm"),
        (REQUEST, moved("tile", 520, 230), "tile and the post at 560, 260 overlap by 10.0 mm"),
        (REQUEST, moved("tile", 372, 50), "dish and tile stand 2.00 mm apart"),
        (REQUEST, moved("tile", 507, 206), "tile and the post at 560, 260 stand 4.00 mm apart"),
        (
            REQUEST,
            plan_of(replace(GOOD_LAYER, height_mm=114)),
            "114 mm are too low for mug; with wad and air it needs 115",
        ),
        (with_zone(layer_heights=(100, 120)), plan_of(GOOD_LAYER), "a layer of 115 mm cannot be made"),
        (with_zone(height_mm=134), plan_of(GOOD_LAYER), "the stack is 135 mm high, 1 mm more than the zone's 134 mm"),
        (
            with_zone(posts=(Posts(115, 2),)),
            plan_of(GOOD_LAYER),
            "do not carry layers of 115 mm; each layer needs 3 posts",
        ),
        (
            with_zone(posts=(Posts(75, 30), Posts(110, 30))),
            plan_of(GOOD_LAYER),
            "cannot be made with what the zone has; the next is 150",
        ),
        (with_piece("mug", count=1), plan_of(GOOD_LAYER), "mug stands 2 times on the plan, but only 1 are brought"),
        (with_piece("mug", count=3), plan_of(GOOD_LAYER), "mug: 1 of 3 neither stand on the plan nor are named"),
        (
            with_piece("mug", count=3),
            plan_of(GOOD_LAYER, left_out=(LeftOut("mug", 2, "full"),)),
            "2 are named as left out, but only 3",
        ),
        (replace(REQUEST, pieces=(MUG, TILE)), plan_of(GOOD_LAYER), "Nobody brings a piece dish"),
        (with_piece("mug", zone="cool"), plan_of(GOOD_LAYER), "mug is wanted in zone cool"),
        (with_piece("mug", cone="06"), plan_of(GOOD_LAYER), "mug stands cone 06, but here it gets as hot as cone 10"),
        (with_piece("dish", soda=True), plan_of(GOOD_LAYER), "dish needs soda, but this is no soda zone"),
        (
            REQUEST,
            plan_of(replace(GOOD_LAYER, boards=(*GOOD_LAYER.boards, ()))),
            "2 boards are planned, there is room for 1",
        ),
        (REQUEST, plan_of(GOOD_LAYER, PlannedLayer("hot", 50, ())), "Zone hot, layer 2 has no board"),
        (
            with_zone(boards_per_layer=2),
            plan_of(GOOD_LAYER, PlannedLayer("hot", 50, ((), ()))),
            "layer 2: board 2 has nothing to stand on, as layer 1 has 1 of 2 boards",
        ),
        (
            REQUEST,
            plan_of(GOOD_LAYER, left_out=(LeftOut("jug", 1, "full"),)),
            "Nobody brings a piece jug; take it off the plan",
        ),
        (
            REQUEST,
            plan_of(GOOD_LAYER, lower_bound_total_mm=136),
            "lower bound of 136 mm for all zones is above their stacks of 135",
        ),
        (
            REQUEST,
            plan_of(GOOD_LAYER, lower_bound_mm={"hot": 130, "cool": 0}, proven=True),
            "calls itself proven, but its bound of 130 mm is below its stack of 135",
        ),
        (
            REQUEST,
            plan_of(GOOD_LAYER, PlannedLayer("attic", 50, ((),))),
            "is in zone attic, which the kiln does not have",
        ),
        (replace(REQUEST, name="spring"), plan_of(GOOD_LAYER), "The plan was made for “autumn”, not for “spring”"),
        (
            REQUEST,
            plan_of(GOOD_LAYER, lower_bound_mm={"hot": 136, "cool": 0}),
            "lower bound of 136 mm is above the stack of 135",
        ),
    ],
)
def test_a_planted_fault_is_found(request_, plan, said):
    found = faults(request_, plan)
    assert any(said in fault for fault in found), found


def test_wrong_figures_are_found():
    good = plan_of(GOOD_LAYER)
    assert "its stack is 134 mm" in faults(REQUEST, replace(good, stack_mm={"hot": 134, "cool": 0}))[0]
    wrong = dict(good.space_ml) | {"Ada": good.space_ml["Ada"] + 1}
    assert f"Ada is down for {wrong['Ada']} ml" in faults(REQUEST, replace(good, space_ml=wrong))[0]


def test_a_free_height_allows_a_high_stack_and_nothing_else():
    request = with_zone(height_mm=100)
    assert faults(request, plan_of(GOOD_LAYER), free_height=True) == []
    assert len(faults(request, plan_of(GOOD_LAYER))) == 1


def two_layers(*, upper, lower):
    pieces = (PieceSpec("low", "Ada", 1, "circle", 50, d=90), PieceSpec("high", "Ben", 1, "circle", 50, d=90))
    pieces = (replace(pieces[0], **lower), replace(pieces[1], **upper))
    request = LoadRequest("drips", (ZONE,), pieces)
    layers = [PlannedLayer("hot", 65, ((Placed(name, 50, 50),),)) for name in ("low", "high")]
    return faults(request, plan_of(*layers, request=request))


def test_nothing_runny_stands_above_another_owner_or_a_fragile_piece():
    assert two_layers(lower={}, upper={}) == []
    assert "runs and stands above another owner's piece low" in two_layers(lower={}, upper={"runny": True})[0]
    assert two_layers(lower={"runny": True}, upper={}) == []
    assert two_layers(lower={"owner": "Ben"}, upper={"runny": True}) == []
    assert "above the fragile piece" in two_layers(lower={"owner": "Ben", "fragile": True}, upper={"runny": True})[0]


def test_two_posts_on_one_another_make_a_layer_and_are_counted():
    zone = replace(ZONE, posts=(Posts(75, 6), Posts(100, 3)))
    assert rules.makeable_heights(zone) == (75, 100, 150, 175, 200)
    assert rules.posts_suffice(zone, [150])
    assert rules.posts_suffice(zone, [175, 75])
    assert not rules.posts_suffice(zone, [175, 150])
    assert not rules.posts_suffice(zone, [200])


def test_space_is_the_footprint_with_its_gap_times_the_height_of_the_layer():
    assert rules.pot_space_ml(MUG, 6, 115) == 832  # pi / 4 * 96 mm * 96 mm * 115 mm = 832.4 ml
    assert rules.pot_space_ml(DISH, 6, 115) == 2985  # 126 mm * 206 mm * 115 mm = 2984.9 ml
    assert rules.space_by_owner(REQUEST, [GOOD_LAYER]) == {"Ada": 2 * 832, "Ben": 2985 + 1292}
    # before a plan: 2 * pi / 4 * 96^2 * (100 + 3 + 12 + 20) * 1.15
    assert rules.asked_space_ml(MUG, ZONE) == 2 * 1124
