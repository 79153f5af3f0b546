"""Lower bounds: as high as others have found, never above a plan, and proven whatever the solver says."""

from dataclasses import replace
from functools import lru_cache
from math import floor, pi, sqrt
from random import Random

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from firings.load_plan import board_limits, bound, layer_program, rules
from firings.load_plan.board_limits import WHOLE, Footprint, density, limits_on, most_equal_discs, wall_density
from firings.load_plan.bound import lower_bound_mm, lower_bounds, strengthened
from firings.load_plan.check import faults
from firings.load_plan.problem import LeftOut, LoadRequest, PieceSpec, ZoneSpec, plan_document, plan_from
from firings.load_plan.solve import plan
from tests.core.test_load_plan_solve import requests

ZONE = ZoneSpec("kiln", 2, 610, 305, 1100, 20, 12, 3, 6)
WIDE = replace(ZONE, boards_per_layer=4, board_w_mm=600, board_l_mm=400)
MUG = PieceSpec("mug", "Ada", 4, "circle", 100, d=90)

# Loads made with fixed seeds after what members bring (count, size, height), and what the makers' own program gave:
# a bound and the best stack they found. Two of the benchmark's kiln instances (A030-2, B080-1).
A030 = (
    "4 238 39; 4 98 101; 4 261 39; 4 92 91; 1 136 322; 6 86 112; 3 144 53; 1 145x195 130; 3 234 109",
    ZONE,
    505,
    519,
)
B080 = (
    "2 118 350; 3 180 343; 1 166 347; 1 140x252 160; 1 152x202 190; 4 182 80; 2 152x245 142; 8 95 93; 6 100 56; "
    "2 92 50; 4 214 41; 1 129 66; 2 94 94; 6 100 99; 1 145x223 187; 6 227 42; 8 93 111; 4 113 49; 2 209 47; "
    "1 149 420; 2 164 439; 4 247 44; 1 213 88; 1 121x198 123; 6 179 70; 1 158 425",
    WIDE,
    566,
    656,
)

# Circles in the shortest strip: radii, width and best known length. SY1-30: Stoyan and Yaskov, EJOR 156 (2004)
# 590-600; KBG: Kubach, Bortfeldt and Gehring, CEJOR 17 (2009) 461-477. Lengths: E. Specht, packomania.com.
STRIPS = {
    "SY1-30": (
        "2.05 1.739 1.67 1.551 1.493 1.491 1.484 1.404 1.399 1.374 1.292 1.281 1.275 1.274 1.237 1.18 1.085 1.044 "
        "0.955 0.887 0.868 0.855 0.853 0.845 0.807 0.76 0.747 0.592 0.564 0.527",
        9.5,
        17.039664,
    ),
    "KBG1-25": (
        "2.476 2.463 2.457 2.436 2.397 2.221 2.215 2.13 2.087 1.981 1.958 1.88 1.698 1.681 1.655 1.637 1.572 1.548 "
        "1.477 1.407 1.382 1.351 1.324 1.263 1.26",
        10.0,
        33.323653,
    ),
    "KBG17-25": (" ".join(f"{r} " * 5 for r in (2.5, 2.226, 2.176, 1.736, 1.717)), 10.0, 44.502438),
}


def load(text, zone):
    pieces = []
    for number, line in enumerate(text.split("; ")):
        count, size, height = line.split()
        across = {"d": int(size)} if "x" not in size else dict(zip("wl", map(int, size.split("x")), strict=True))
        shape = "rect" if "x" in size else "circle"
        pieces.append(PieceSpec(f"p{number}", "Ada", int(count), shape, int(height), **across))
    return LoadRequest("load", (zone,), tuple(pieces))


def all_of(request):
    return {piece.id: piece.count for piece in request.pieces}


def fullest(zone, placed):
    """How much of its strictest limit a board with these footprints (grown) uses, 1 being all of it."""
    kinds = list(dict.fromkeys(placed))
    counts = np.array([placed.count(kind) for kind in kinds])
    return float((limits_on(zone, kinds) @ counts).max()) / WHOLE


def grown(piece, gap):
    short, long = sorted(piece.footprint())
    return Footprint(piece.is_round, short + gap, long + gap)


# --- As high as others have found, never above a plan ---------------------------------------


@pytest.mark.parametrize("instance", [A030, B080], ids=["A030-2", "B080-1"])
def test_the_bound_is_as_high_as_the_one_listed_and_below_the_best_stack_known(instance):
    text, zone, listed, best = instance
    request = load(text, zone)
    assert listed <= lower_bounds(request, all_of(request), seconds=5).total_mm <= best


def test_a_load_of_thirty_pieces_is_bounded_within_three_percent():
    text, zone, _, best = A030
    request = load(text, zone)
    assert best <= 1.03 * lower_bounds(request, all_of(request), seconds=5).total_mm


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(request=requests(), free_height=st.booleans())
def test_no_plan_undercuts_its_bounds(request, free_height):
    made = plan(request, seconds=0.03, free_height=free_height)
    better = strengthened(request, made, seconds=0.3)
    assert faults(request, better, free_height=free_height) == []
    stacks = rules.stacks(request, made)
    placed = [one.id for layer in made.layers for one in layer.placed]
    found = lower_bounds(request, {one: placed.count(one) for one in placed}, seconds=0.3)
    assert all(found.by_zone[zone] <= stack for zone, stack in stacks.items())
    assert sum(found.by_zone.values()) <= found.total_mm <= sum(stacks.values())
    assert plan_from(plan_document(better)) == better


def test_the_quick_bound_is_never_above_the_long_one():
    request = load(A030[0], A030[1])
    quick, long = lower_bounds(request, all_of(request)), lower_bounds(request, all_of(request), seconds=2)
    assert quick.total_mm <= long.total_mm
    assert lower_bound_mm(request, all_of(request)) == quick.by_zone


def test_the_same_work_gives_the_same_bound(monkeypatch):
    monkeypatch.setattr(bound, "WORK_PER_SECOND", 2_000)  # ends by work long before the clock
    request = load(B080[0], B080[1])
    first, second = (lower_bounds(request, all_of(request), seconds=10) for _ in range(2))
    assert first == second


def test_pieces_that_may_stand_in_two_zones_count_once_for_both():
    """Eight plates of 250 mm, two a board of 610 x 305: two layers of two boards, wherever they stand."""
    request = LoadRequest("two", (ZONE, replace(ZONE, id="back")), (PieceSpec("plate", "B", 8, "circle", 40, d=250),))
    found = lower_bounds(request, {"plate": 8}, seconds=1)
    assert found.by_zone == {"kiln": 0, "back": 0}
    assert found.total_mm == 2 * (40 + 3 + 12 + 20)


def test_a_plan_is_proven_by_the_bound_on_all_zones():
    pieces = (PieceSpec("plate", "B", 8, "circle", 40, d=250),)
    request = LoadRequest("two", (ZONE, replace(ZONE, id="back")), pieces)
    made = replace(plan(request, seconds=0.2), proven=False)
    better = strengthened(request, made, seconds=1)
    assert (sum(made.stack_mm.values()), better.lower_bound_total_mm, better.proven) == (150, 150, True)
    left = replace(made, left_out=(LeftOut("plate", 1, "It did not fit."),))
    assert not strengthened(request, left, seconds=0.1).proven


def test_very_many_sizes_still_give_a_bound_below_a_plan():
    rng = Random(7)
    sizes = [(rng.randint(60, 250), rng.randint(30, 300)) for _ in range(400)]
    pieces = tuple(PieceSpec(f"p{n}", "A", 1, "circle", h, d=d) for n, (d, h) in enumerate(sizes))
    request = LoadRequest("many", (WIDE,), pieces)
    assert len(layer_program._types([WIDE], [(piece, 1) for piece in pieces])) <= 160
    found = lower_bounds(request, all_of(request), seconds=0.3)
    assert 0 < found.total_mm <= sum(plan(request, seconds=0.1, free_height=True).stack_mm.values())


# --- What no board holds --------------------------------------------------------------------


@pytest.mark.parametrize("name", STRIPS)
def test_records_of_years_of_computing_break_no_limit_and_come_near(name):
    radii, width, length = STRIPS[name]
    scale = 300 / width
    zone = replace(ZONE, gap_mm=0, board_w_mm=-floor(-length * scale), board_l_mm=300)
    placed = [Footprint(True, floor(2 * float(r) * scale), floor(2 * float(r) * scale)) for r in radii.split()]
    assert 0.85 <= fullest(zone, placed) <= 1


@lru_cache
def boards(seed):
    """Boards filled greedily with a few kinds of pots, with post spots, and what stands on each."""
    rng = Random(seed)
    filled = []
    for _ in range(12):
        low, kinds = rng.choice((40, 80, 110)), rng.choice((1, 2, 3, 6))
        pieces = []
        for number in range(kinds):
            a, b = rng.randint(low, low + rng.choice((8, 160))), rng.randint(low, low + 160)
            size = {"d": a} if rng.random() < 0.7 else {"w": a, "l": b}
            shape = "circle" if "d" in size else "rect"
            pieces.append(PieceSpec(f"p{number}", "A", 60, shape, 50, importance=number + 1, **size))
        zone = replace(
            ZONE,
            boards_per_layer=1,
            height_mm=90,
            gap_mm=rng.choice((0, 6, 12)),
            board_w_mm=rng.randint(250, 650),
            board_l_mm=rng.randint(200, 420),
            keepouts=((0, 0, 40, 40), (100, 0, 140, 30))[: rng.randint(0, 2)],
        )
        request = LoadRequest("full", (zone,), tuple(pieces))
        made = plan(request, seconds=0.02, seed=seed)
        by_id = {piece.id: piece for piece in pieces}
        filled.append((zone, [by_id[one.id] for layer in made.layers for one in layer.placed]))
    return filled


@pytest.mark.parametrize("seed", range(4))
def test_no_filled_board_breaks_a_limit(seed):
    for zone, placed in boards(seed):
        if placed:
            assert fullest(zone, [grown(piece, zone.gap_mm) for piece in placed]) <= 1


@given(rows=st.integers(1, 6), across=st.integers(1, 7), d=st.integers(30, 120), gap=st.sampled_from([0, 6]))
@example(rows=3, across=6, d=90, gap=6)
def test_staggered_rows_on_a_board_cut_to_them_break_no_limit(rows, across, d, gap):
    apart = d + gap
    zone = replace(
        ZONE,
        gap_mm=gap,
        board_w_mm=max(across * apart - gap, 1),
        board_l_mm=-floor(-(apart * (1 + (rows - 1) * sqrt(3) / 2) - gap)),
    )
    count = sum(across - row % 2 for row in range(rows))
    if count:
        assert fullest(zone, [Footprint(True, apart, apart)] * count) <= 1


def test_the_density_of_equal_discs_is_the_hexagonal_one():
    """pi / sqrt(12): L. Fejes Toth, Math. Zeitschrift 46 (1940) 83-85."""
    assert density(1) == pytest.approx(pi / sqrt(12))


def test_the_density_of_two_sizes_is_above_the_best_packing_known():
    """Discs of 1 and sqrt(2) - 1 cover pi (2 - sqrt(2)) / 2 at best: Heppes, Discrete Comput. Geom. 30 (2003)."""
    assert pi * (2 - sqrt(2)) / 2 < density(sqrt(2) - 1) < 0.925


@given(q=st.floats(0.15, 1))
def test_less_is_covered_at_a_wall_than_within(q):
    assert pi / 4 - 1e-9 <= wall_density(q) < density(q)


@settings(max_examples=300)
@given(
    big=st.floats(0.2, 1),
    small=st.floats(0.2, 1),
    part=st.floats(0.001, 1),
    lift=st.tuples(st.floats(0, 1), st.floats(0, 1)),
    opposite=st.booleans(),
)
def test_no_trapezoid_at_a_wall_is_covered_more_than_the_bound_says(big, small, part, lift, opposite):
    """Two discs with a circle of at most the smallest's size between them and the wall, however high they hang."""
    smallest = min(big, small, 0.2)
    reach = part * smallest
    one, other = big + lift[0] * reach, small + lift[1] * reach
    legs = sqrt(max((big + reach) ** 2 - one**2, 0)), sqrt(max((small + reach) ** 2 - other**2, 0))
    across = legs[0] + legs[1] if opposite else abs(legs[0] - legs[1])
    apart = np.hypot(across, one - other)
    if across > 1e-6 and apart >= big + small:
        angle = np.arccos((one - other) / apart)
        covered = big**2 * angle / 2 + small**2 * (pi - angle) / 2
        assert covered / (across * (one + other) / 2) <= wall_density(smallest / max(big, small)) + 1e-9


@pytest.mark.parametrize(
    ("w", "l", "t", "most"), [(616, 311, 100, 20), (606, 306, 102, 19), (616, 311, 240, 2), (616, 311, 312, 0)]
)
def test_equal_discs_are_counted(w, l, t, most):  # noqa: E741
    """18 of 102 mm stand on 606 x 306 mm in rows, and no theorem used here says that 19 do not."""
    assert most_equal_discs(w, l, t) == most


@pytest.mark.parametrize(("d", "t"), [(267, 92), (230, 120)])
def test_what_no_disc_reaches_beside_a_large_one_is_not_overrated(d, t):
    """Against points and centres on a grid, for three places of the large disc across the strip."""
    height, step = 311, 3
    half = sqrt(height * (2 * d - height)) / 2
    for free in (0, (height - d) / 2, (height - d) / 3):
        middle = free + d / 2
        x, y = np.meshgrid(np.arange(-half, half, 2 * step), np.arange(0, height, 2 * step))
        outside = np.hypot(x, y - middle) > d / 2
        cx, cy = np.meshgrid(np.arange(-d, d, step), np.arange(t / 2, height - t / 2, step))
        may = np.hypot(cx, cy - middle) >= (d + t) / 2
        points, centres = np.stack([x[outside], y[outside]]), np.stack([cx[may], cy[may]])
        near = np.hypot(points[0][:, None] - centres[0], points[1][:, None] - centres[1]).min(axis=1)
        unreached = float((near > t / 2).sum()) * (2 * step) ** 2
        assert 0 < board_limits._unreached(d, t, height) <= unreached * 1.02


# --- Proven whatever the solver says --------------------------------------------------------


@pytest.fixture(scope="module")
def program():
    """A small load's program, solved, with the stack of a plan for it."""
    request = load(A030[0], A030[1])
    pieces = [(piece, piece.count) for piece in request.pieces]
    zones = list(request.zones)
    made = layer_program._Program(
        zones, layer_program._types(zones, pieces), layer_program._may_stand_in(zones, pieces)
    )
    made.solve([tall.least for tall in made.tall], [None] * len(made.tall), lambda work: False)
    return made, sum(plan(request, seconds=1, free_height=True).stack_mm.values())


@settings(max_examples=60)
@given(seed=st.integers(0, 10**6), size=st.sampled_from([1e-3, 1.0, 50.0, 1e4]))
def test_no_prices_however_wrong_prove_more_than_a_plan_needs(program, seed, size):
    made, stack = program
    rng = np.random.default_rng(seed)
    duals = rng.normal(scale=size, size=made.solver.getNumRow())
    assert made.proven(duals, [tall.least for tall in made.tall], [None] * len(made.tall)) <= stack


@settings(max_examples=40)
@given(seed=st.integers(0, 10**6), error=st.sampled_from([1e-9, 1e-6, 1e-3, 0.1]))
def test_inexact_duals_cost_height_but_not_truth(program, seed, error):
    made, stack = program
    right = np.array(made.solver.getSolution().row_dual)
    wrong = right * np.random.default_rng(seed).normal(1, error, size=len(right))
    least, most = [tall.least for tall in made.tall], [None] * len(made.tall)
    assert made.proven(wrong, least, most) <= stack
    if error <= 1e-6:
        assert made.proven(wrong, least, most) >= made.proven(right, least, most) - 2


def test_a_bound_says_nothing_on_standard_output(capfd):
    request = load(A030[0], A030[1])
    lower_bounds(request, all_of(request), seconds=0.2)
    assert capfd.readouterr().out == ""
