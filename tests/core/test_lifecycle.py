"""The life of a firing: what follows what, and what is refused."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.errors import NotAllowed, Refused
from firings import lifecycle
from firings.lifecycle import BEFORE_LIT, HOLDS_KILN, STAGE_KEYS, can_move, check_move, moves_from

stages = st.sampled_from(STAGE_KEYS)


def test_a_firing_goes_from_called_to_closed():
    way = ["called", "booking", "allotted", "loading", "lit", "cooling", "unpacking", "cleanup", "settling"]
    for stage, following in pairwise([*way, "closed"]):
        assert check_move(stage, following).to == following


def test_a_firing_that_was_not_oversubscribed_goes_straight_to_loading():
    assert can_move("booking", "loading")


@pytest.mark.parametrize("stage", ["called", "booking", "allotted", "loading"])
def test_a_firing_can_be_called_off_until_it_is_lit(stage):
    assert check_move(stage, "called_off", roles={"lead"}).to == "called_off"


@pytest.mark.parametrize("stage", ["lit", "cooling", "unpacking", "cleanup", "settling"])
def test_a_lit_firing_cannot_be_called_off_and_the_way_out_is_named(stage):
    with pytest.raises(Refused, match="mark it as failed"):
        check_move(stage, "called_off")


def test_a_skipped_stage_is_refused_and_the_next_one_named():
    with pytest.raises(Refused, match="the next stage is “unpacking”"):
        check_move("cooling", "settling")


def test_moving_nowhere_is_refused():
    with pytest.raises(Refused, match="already"):
        check_move("lit", "lit")


@given(to=stages)
def test_nothing_leaves_a_closed_or_called_off_firing(to):
    assert moves_from("closed") == moves_from("called_off") == ()
    with pytest.raises(Refused):
        check_move("closed", to)


def test_an_unknown_stage_is_refused_by_name():
    with pytest.raises(Refused, match="“melted”"):
        check_move("melted", "lit")
    with pytest.raises(Refused, match="clean-up"):
        check_move("lit", "failed")


def test_only_the_steward_signs_off_the_clean_up():
    with pytest.raises(NotAllowed, match="kiln steward"):
        check_move("cleanup", "settling", roles={"lead", "treasurer"})
    assert can_move("cleanup", "settling", roles={"steward"})


def test_a_member_without_a_role_moves_nothing():
    for move in lifecycle.MOVES:
        with pytest.raises(NotAllowed):
            check_move(move.origin, move.to, roles=set())


def test_the_kiln_is_held_until_the_clean_up_is_signed_off():
    assert BEFORE_LIT < HOLDS_KILN
    assert "cleanup" in HOLDS_KILN
    assert HOLDS_KILN.isdisjoint({"settling", "closed", "called_off"})


@given(stage=stages, to=stages)
def test_yes_and_no_agree_with_the_reasoned_answer(stage, to):
    listed = any(move.to == to for move in moves_from(stage))
    assert can_move(stage, to) == listed


@given(stage=stages)
def test_every_stage_leads_to_an_end(stage):
    seen = {stage}
    while following := {move.to for at in seen for move in moves_from(at)} - seen:
        seen |= following
    assert seen & lifecycle.FINAL
