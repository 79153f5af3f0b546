"""Load requests and plans as files: what is read, and what is refused in which words."""

import copy
import json
from pathlib import Path

import pytest

from coop.errors import Malformed
from firings.load_plan.problem import plan_document, plan_from, read_plan, read_request, request_document, request_from

SAMPLES = Path(__file__).parents[2] / "firings" / "samples"
KILN = {
    "boards_per_layer": 2,
    "board_mm": [610, 305],
    "chamber_height_mm": 1100,
    "shelf_thickness_mm": 20,
    "clearance_above_mm": 12,
    "wadding_mm": 3,
    "gap_mm": 6,
    "keepouts_mm": [],
}
MUG = {"id": "L001", "owner": "o01", "count": 4, "shape": "circle", "d": 95, "h": 116}


def document(*, kiln=(), piece=(), pieces=None):
    made = {"format": "load-request/1", "name": "autumn", "kiln": KILN | dict(kiln)}
    return made | {"pieces": [MUG | dict(piece)] if pieces is None else pieces}


def refusal(made):
    with pytest.raises(Malformed) as caught:
        request_from(made)
    return caught.value.faults


def test_the_sample_request_survives_writing_and_reading():
    request = read_request((SAMPLES / "load-request.json").read_text(encoding="utf-8"))
    assert [zone.id for zone in request.zones] == ["front", "back"]
    assert request_from(request_document(request)) == request


def test_the_sample_plan_survives_writing_and_reading():
    plan = read_plan((SAMPLES / "load-plan.json").read_text(encoding="utf-8"))
    assert plan_from(plan_document(plan)) == plan


def test_a_lone_kiln_is_the_zone_kiln():
    request = request_from(document(kiln={"cone": "10", "posts": [{"height_mm": 150, "count": 24}]}))
    assert request.zones[0].id == "kiln"
    assert "kiln" in request_document(request)
    assert request_from(request_document(request)) == request


@pytest.mark.parametrize(
    ("kiln", "piece", "said"),
    [
        ({}, {"colour": "blue"}, "unknown key 'colour'"),
        ({"shelves": 3}, {}, "unknown key 'shelves'"),
        ({}, {"count": 0}, "pieces[0].count: 0 is too small; it must be at least 1."),
        ({}, {"d": -5}, "pieces[0].d: -5 is too small"),
        ({}, {"h": 0}, "pieces[0].h: 0 is too small"),
        ({}, {"h": 5001}, "pieces[0].h: 5001 is too large; it must be at most 5000."),
        ({}, {"d": 95.5}, "must be a whole number"),
        ({}, {"cone": "06.5"}, "There is no cone “06.5”"),
        ({}, {"cone": 6}, "pieces[0].cone: 6 must be a text"),
        ({"cone": "hot"}, {}, "There is no cone “hot”"),
        ({}, {"w": 10}, "'w' does not belong to a circle"),
        ({}, {"shape": "rect"}, "'w' is missing for a rect; add it."),
        ({}, {"shape": "oval"}, "must be one of"),
        ({"boards_per_layer": 0}, {}, "kiln.boards_per_layer: 0 is too small"),
        ({"board_mm": [610]}, {}, "kiln.board_mm"),
        ({"keepouts_mm": [[0, 0, 610, 305]]}, {}, "the post spots cover the whole board"),
        ({"keepouts_mm": [[0, 0, 300, 305], [300, 0, 610, 305]]}, {}, "the post spots cover the whole board"),
        ({"keepouts_mm": [[570, 0, 40, 40]]}, {}, "write x0, y0, x1, y1"),
        ({}, {"count": 10_000, "label": "\ud800"}, "half a character"),
    ],
)
def test_a_fault_is_named_with_its_place_and_its_mending(kiln, piece, said):
    faults = refusal(document(kiln=kiln, piece=piece))
    assert any(said in fault for fault in faults), faults


def test_every_fault_of_a_file_is_named():
    faults = refusal(document(pieces=[MUG | {"h": 0}, MUG | {"id": "L002", "count": -1}, {"id": "x"}]))
    assert len(faults) >= 6


def test_more_pieces_than_can_be_planned_are_refused():
    faults = refusal(document(pieces=[MUG | {"count": 9_999}, MUG | {"id": "L002", "count": 2}]))
    assert faults == ("pieces: 10001 pieces are more than 10000; plan them in several firings.",)


def test_ids_must_tell_pieces_and_zones_apart():
    assert "the id “L001” stands there 2 times" in refusal(document(pieces=[MUG, MUG]))[0]
    twice = document()
    del twice["kiln"]
    twice["zones"] = [KILN | {"id": "hot"}, KILN | {"id": "hot"}]
    assert "the id “hot” stands there 2 times" in refusal(twice)[0]


def test_either_kiln_or_zones_must_stand_there():
    both, none = document(), document()
    both["zones"] = [KILN | {"id": "hot"}]
    del none["kiln"]
    assert "keep one of them" in refusal(both)[0]
    assert "'kiln' is missing" in refusal(none)[0]
    nameless = copy.deepcopy(none) | {"zones": [KILN]}
    assert refusal(nameless) == ("zones[0]: 'id' is missing; give the zone a name.",)


def test_a_plan_file_with_an_unknown_key_is_refused():
    with pytest.raises(Malformed, match="unknown key 'shelf'"):
        read_plan(json.dumps({"format": "load-plan/1", "request": "a", "layers": [], "shelf": 1}))
