"""Does it fit: newcomers go in beside what is planned, or it is said who would have to make room."""

from dataclasses import replace

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from firings.load_plan.check import faults
from firings.load_plan.fits import answer, with_newcomers
from firings.load_plan.problem import LoadRequest, PieceSpec, ZoneSpec
from firings.load_plan.solve import plan

ZONE = ZoneSpec("kiln", 1, 610, 305, 400, 20, 12, 3, 6)
MUG = PieceSpec("mug", "Ada", 12, "circle", 100, d=90)
PLATE = PieceSpec("plate", "Ben", 4, "circle", 40, d=250)

sizes = st.integers(40, 200)


@st.composite
def some_pieces(draw, prefix, most):
    return tuple(
        PieceSpec(
            f"{prefix}{n}", draw(st.sampled_from("AB")), draw(st.integers(1, 4)), "circle", draw(st.integers(30, 250)),
            d=draw(sizes), importance=draw(st.integers(1, 3)), runny=draw(st.sampled_from([False, False, True])),
        )
        for n in range(draw(st.integers(0, most)))
    )  # fmt: skip


def placed(made):
    return sorted(one.id for layer in made.layers for one in layer.placed)


def test_pieces_that_find_room_fit():
    request = LoadRequest("autumn", (ZONE,), (MUG, PLATE))
    newcomers = (replace(MUG, id="cup", owner="Cy", count=4),)
    last = plan(request, seconds=0.1)
    said = answer(request, last, newcomers, seconds=0.3)
    assert said.fits
    assert (said.turned_away, said.instead) == ((), ())
    assert placed(said.plan) == sorted([*placed(last), *["cup"] * 4])
    assert faults(with_newcomers(request, newcomers), said.plan) == []


def test_what_does_not_fit_is_named_with_who_could_make_room():
    low = replace(ZONE, height_mm=140)
    request = LoadRequest("autumn", (low,), (replace(MUG, count=9), replace(PLATE, count=1)))
    newcomers = (replace(PLATE, id="dish", owner="Cy", count=1),)
    last = plan(request, seconds=0.1)
    assert last.left_out == ()
    said = answer(request, last, newcomers, seconds=0.5)
    assert not said.fits
    assert [(out.id, out.count) for out in said.turned_away] == [("dish", 1)]
    assert "plate" in [out.id for out in said.instead]
    assert placed(said.plan) == placed(last)


def test_a_changed_booking_takes_the_place_of_the_old_one():
    request = LoadRequest("autumn", (ZONE,), (MUG, PLATE))
    said = answer(request, plan(request, seconds=0.1), (replace(MUG, count=14),), seconds=0.3)
    assert said.fits
    assert placed(said.plan).count("mug") == 14


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(old=some_pieces("p", 6), new=some_pieces("n", 3), height=st.integers(60, 600))
def test_no_answer_turns_away_what_is_planned_or_breaks_a_rule(old, new, height):
    request = LoadRequest("drawn", (replace(ZONE, height_mm=height),), old)
    last = plan(request, seconds=0.03)
    said = answer(request, last, new, seconds=0.08)
    assert faults(with_newcomers(request, new), said.plan) == []
    now = placed(said.plan)
    assert all(now.count(name) >= placed(last).count(name) for name in set(placed(last)))
    assert said.fits == (not said.turned_away)
    assert {out.id for out in said.turned_away} <= {piece.id for piece in new}
    assert {out.id for out in said.instead} <= set(placed(last))
