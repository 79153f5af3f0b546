"""Whether the stock of boards and posts carries a plan, and what is missing in words."""

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from firings.load_plan import rules
from firings.load_plan.furniture import BoardStock, PostStock, boards_needed, shortfalls
from firings.load_plan.problem import LoadPlan, LoadRequest, PlannedLayer, Posts, ZoneSpec

ZONE = ZoneSpec("front", 2, 610, 305, 1100, 20, 12, 3, 6, posts=(Posts(75, 99), Posts(150, 99)))
BOARDS = BoardStock(610, 305, 20, 6)


def request_of(*zones):
    return LoadRequest("autumn", zones or (ZONE,), ())


def plan_of(*heights, zone="front"):
    return LoadPlan("autumn", tuple(PlannedLayer(zone, height, ((), ())) for height in heights))


def test_three_layers_of_two_boards_take_six_boards():
    plan = plan_of(75, 75, 150)
    assert boards_needed(request_of(), plan) == {"front": 6}
    assert shortfalls(request_of(), plan, [BOARDS]) == []
    assert shortfalls(request_of(), plan, [replace(BOARDS, count=4)]) == [
        "Zone front needs 6 boards of 610 x 305 mm, at most 20 mm thick; 4 fit for use are there, 2 are missing."
    ]


def test_a_board_lies_either_way_round_but_not_thicker_and_not_in_another_zone():
    plan = plan_of(75)
    assert shortfalls(request_of(), plan, [BoardStock(305, 610, 18, 2, "front")]) == []
    for wrong in (replace(BOARDS, thickness_mm=25), replace(BOARDS, l_mm=300), replace(BOARDS, zone="back")):
        assert "2 are missing" in shortfalls(request_of(), plan, [wrong])[0]


def test_boards_for_any_zone_are_counted_once():
    both = request_of(ZONE, replace(ZONE, id="back"))
    plan = LoadPlan("autumn", (*plan_of(75).layers, *plan_of(75, zone="back").layers))
    assert shortfalls(both, plan, [replace(BOARDS, count=4)]) == []
    mixed = [replace(BOARDS, count=2, zone="back"), replace(BOARDS, count=1)]
    assert shortfalls(both, plan, mixed) == [
        "Zone front needs 2 boards of 610 x 305 mm, at most 20 mm thick; 1 fit for use are there, 1 are missing."
    ]


def test_posts_stand_alone_or_in_pairs():
    """Two layers of 150 mm take 12 posts of 150, or 6 of them and 12 of 75 (2 boards on 3 posts each)."""
    plan = plan_of(150, 150)
    assert shortfalls(request_of(), plan, None, [PostStock(150, 6), PostStock(75, 12)]) == []
    assert shortfalls(request_of(), plan, None, [PostStock(150, 6), PostStock(75, 11)]) == [
        "Posts of 75 mm: 12 are needed, 11 fit for use are there, 1 are missing."
    ]


def test_a_height_no_post_in_stock_makes_is_named():
    short = request_of(replace(ZONE, posts=(Posts(75, 99),)))
    assert shortfalls(short, plan_of(100), None, [PostStock(60, 20)]) == [
        "Zone front: no posts in stock make a layer of 100 mm."
    ]


def test_where_nobody_keeps_a_list_nothing_is_said():
    assert shortfalls(request_of(), plan_of(75), None, None) == []
    assert len(shortfalls(request_of(), plan_of(75), [], [])) == 2


@given(
    heights=st.lists(st.sampled_from([75, 150, 225, 300]), max_size=5),
    counts=st.tuples(st.integers(0, 30), st.integers(0, 30)),
)
def test_posts_are_missing_exactly_where_the_planners_rule_says_so(heights, counts):
    posts = tuple(Posts(height, count) for height, count in zip((75, 150), counts, strict=True))
    zone = replace(ZONE, posts=posts)
    stock = [PostStock(one.height_mm, one.count) for one in posts]
    described = replace(ZONE, posts=tuple(Posts(height, 999) for height in (75, 150)))
    said = shortfalls(request_of(described), plan_of(*heights), None, stock)
    assert (said == []) == rules.posts_suffice(zone, heights)
