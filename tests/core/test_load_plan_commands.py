"""Load plans at the prompt: statuses, standard input, faults on standard error; and the drawings."""

import io
import json
from pathlib import Path
from xml.etree import ElementTree

import pytest
from django.core.management import CommandError, call_command

from firings.load_plan.drawing import board_svg, owner_patterns, stack_svg
from firings.load_plan.problem import LoadRequest, PieceSpec, read_plan, read_request
from firings.load_plan.solve import plan

SAMPLES = Path(__file__).parents[2] / "firings" / "samples"
REQUEST, PLAN = SAMPLES / "load-request.json", SAMPLES / "load-plan.json"
SVG = "{http://www.w3.org/2000/svg}"


def run(*args):
    """Status, standard output, standard error."""
    out, err, status = io.StringIO(), io.StringIO(), 0
    try:
        call_command(*map(str, args), stdout=out, stderr=err)
    except SystemExit as ended:
        status = ended.code
    return status, out.getvalue(), err.getvalue()


def feed(monkeypatch, text):
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(text.encode())))


def sample():
    return json.loads(REQUEST.read_text(encoding="utf-8"))


def test_a_load_is_planned_checked_and_drawn(tmp_path):
    out, drawings = tmp_path / "plan.json", tmp_path / "svg"
    assert run("plan_load", REQUEST, "--seconds", "0.1", "--out", out, "--svg", drawings) == (0, "", "")
    assert run("check_load", REQUEST, out) == (0, "No rule is broken.\n", "")
    made = read_plan(out.read_text(encoding="utf-8"))
    boards = sum(len(layer.boards) for layer in made.layers)
    assert len(list(drawings.glob("*board*.svg"))) == boards
    assert len(list(drawings.glob("*stack.svg"))) == 2
    for path in drawings.iterdir():
        ElementTree.fromstring(path.read_text(encoding="utf-8"))


def test_the_sample_plan_is_fit_to_fire():
    assert run("check_load", REQUEST, PLAN) == (0, "No rule is broken.\n", "")


def test_a_request_comes_from_standard_input(monkeypatch):
    feed(monkeypatch, REQUEST.read_text(encoding="utf-8"))
    status, out, _ = run("plan_load", "-", "--seconds", "0.05")
    assert status == 0
    assert json.loads(out)["format"] == "load-plan/1"


def test_what_does_not_fit_ends_with_status_1_and_the_reasons(monkeypatch):
    document = sample()
    document["pieces"][0] |= {"h": 2000}
    feed(monkeypatch, json.dumps(document))
    status, out, err = run("plan_load", "-", "--seconds", "0.05")
    assert status == 1
    assert err.startswith("p01: 8 left out. It can stand in no zone: front:")
    assert json.loads(out)["left_out"][0]["count"] == 8


def test_a_file_with_faults_ends_with_status_2_and_one_line_a_fault(monkeypatch):
    document = sample()
    document["pieces"][0] |= {"count": 0, "colour": "blue"}
    feed(monkeypatch, json.dumps(document))
    status, out, err = run("plan_load", "-")
    assert (status, out) == (2, "")
    assert len(err.splitlines()) == 2


def test_a_broken_plan_ends_with_status_1(tmp_path):
    document = json.loads(PLAN.read_text(encoding="utf-8"))
    document["layers"][0]["height_mm"] = 75
    path = tmp_path / "low.json"
    path.write_text(json.dumps(document), encoding="utf-8")
    status, out, _ = run("check_load", REQUEST, path)
    assert status == 1
    assert "75 mm are too low" in out


def test_only_one_file_can_be_standard_input():
    status, _, err = run("check_load", "-", "-")
    assert status == 2
    assert "Only one of the two" in err


@pytest.mark.parametrize("seconds", ["nan", "-1", "soon"])
def test_a_time_that_is_none_is_refused(seconds):
    with pytest.raises(CommandError):
        call_command("plan_load", str(REQUEST), f"--seconds={seconds}")


@pytest.fixture(scope="module")
def drawn():
    request = read_request(REQUEST.read_text(encoding="utf-8"))
    return request, read_plan(PLAN.read_text(encoding="utf-8"))


def test_a_board_shows_every_piece_and_every_post(drawn):
    request, made = drawn
    layer = made.layers[0]
    tree = ElementTree.fromstring(board_svg(request, layer, 1, number=1))
    groups = [group.get("class") for group in tree.iter(f"{SVG}g")]
    assert groups.count("piece") == len(layer.boards[0])
    assert groups.count("post") == 3
    assert tree.get("role") == "img"
    assert tree.find(f"{SVG}title").text == "Zone front, layer 1, board 1 from above"
    assert f"{len(layer.boards[0])} pieces" in tree.find(f"{SVG}desc").text


def test_drawings_obey_a_strict_content_policy_and_print_in_black_and_white(drawn):
    request, made = drawn
    for svg in [board_svg(request, made.layers[0], 1, number=1), stack_svg(request, made, "front")]:
        tree = ElementTree.fromstring(svg)
        assert not list(tree.iter(f"{SVG}style"))
        assert not list(tree.iter(f"{SVG}script"))
        for element in tree.iter():
            assert "style" not in element.attrib
            assert element.get("fill", "none") in {"none", "#fff", "#000"} or element.get("fill").startswith("url(#")


def test_owners_have_different_patterns(drawn):
    request, _ = drawn
    patterns = owner_patterns(request)
    assert len(set(patterns.values())) == len(patterns) == 6


def test_text_of_members_cannot_break_out_of_a_drawing(drawn):
    request, _ = drawn
    rude = PieceSpec("<b>", 'A"&<script>', 1, "circle", 50, d=200, label="</text><script>x\x07")
    made = LoadRequest('"><svg', request.zones[:1], (rude,))
    planned = plan(made, seconds=0.01)
    svg = board_svg(made, planned.layers[0], 1, number=1, prefix='"><i')
    tree = ElementTree.fromstring(svg)
    assert not list(tree.iter(f"{SVG}script"))
    assert "script" in "".join(tree.itertext())


def test_a_stack_shows_each_layer(drawn):
    request, made = drawn
    tree = ElementTree.fromstring(stack_svg(request, made, "front"))
    layers = [group for group in tree.iter(f"{SVG}g") if group.get("class") == "layer"]
    assert len(layers) == sum(layer.zone == "front" for layer in made.layers)
