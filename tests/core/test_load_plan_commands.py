"""Load plans at the prompt: statuses, standard input, faults on standard error; and the drawings."""

import io
import json
from pathlib import Path
from xml.etree import ElementTree

import pytest
from django.core.management import CommandError, call_command

from firings.documents.load_paper import load_paper
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


def test_load_sheets_are_set_without_a_database(tmp_path):
    paper = tmp_path / "sheets.pdf"
    status, out, err = run("plan_load", REQUEST, "--seconds", "0.1", "--pdf", paper)
    assert (status, err) == (0, "")
    assert json.loads(out)["format"] == "load-plan/1"
    assert paper.read_bytes().startswith(b"%PDF-")


def test_a_load_sheet_has_a_page_for_each_layer_with_every_piece(monkeypatch, drawn):
    monkeypatch.setattr("coop.pdf.from_html", lambda html: html.encode())
    request, made = drawn
    html = load_paper(request, made).decode()
    assert html.count('class="sheet next-page"') == len(made.layers)
    assert html.count('<span class="box">') == sum(len(layer.placed) for layer in made.layers)
    assert all(piece.called in html for piece in request.pieces)
    assert html.count("data:image/svg+xml;base64,") == 2 + sum(len(layer.boards) for layer in made.layers)


@pytest.mark.parametrize("option", ["--svg", "--pdf", "--out"])
def test_what_cannot_be_written_ends_with_status_2(option, tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("", encoding="utf-8")
    with pytest.raises(CommandError, match="cannot be written") as ended:
        call_command("plan_load", str(REQUEST), "--seconds=0.01", f"{option}={blocked / 'in' / 'it'}")
    assert ended.value.returncode == 2


KILN = {
    "boards_per_layer": 2, "board_mm": [610, 305], "chamber_height_mm": 400, "shelf_thickness_mm": 20,
    "clearance_above_mm": 12, "wadding_mm": 3, "gap_mm": 6, "keepouts_mm": [],
}  # fmt: skip
MUG = {"id": "mug", "owner": "Ada", "count": 4, "shape": "circle", "d": 95, "h": 116}
HOT = KILN | {"id": "hot", "cone": "10"}


def asked(*pieces, zones=None, **kiln):
    where = {"zones": zones} if zones else {"kiln": KILN | kiln}
    return {"format": "load-request/1", "name": "autumn", **where, "pieces": [MUG | piece for piece in pieces or ({},)]}


def without(document, key):
    return document | {"kiln": {name: value for name, value in document["kiln"].items() if name != key}}


@pytest.mark.parametrize(
    ("document", "status", "said"),
    [
        (asked({"d": 306}), 1, "306 mm across do not fit on a board of 610 x 305 mm"),
        (asked({"h": 366}), 1, "it needs 401 mm with wad, air and board, the zone is 400 mm high"),
        (asked({"count": 0}), 2, "pieces[0].count: 0 is too small; it must be at least 1."),
        (asked(boards_per_layer=0), 2, "kiln.boards_per_layer: 0 is too small"),
        (without(asked(), "board_mm"), 2, "kiln: 'board_mm' is missing; add it."),
        (without(asked(), "boards_per_layer"), 2, "kiln: 'boards_per_layer' is missing; add it."),
        (asked(keepouts_mm=[[0, 0, 610, 305]]), 2, "the post spots cover the whole board; make them smaller."),
        (asked(keepouts_mm=[[0, 0, 600, 300]]), 1, "do not fit on a board of 610 x 305 mm with its post spots"),
        (asked(keepouts_mm=[[600, 0, 640, 40]]), 2, "is no rectangle on a board of 610 x 305 mm"),
        (asked(posts=[{"height_mm": 50, "count": 24}]), 1, "the highest layer that can be made has 100 mm"),
        (asked(posts=[{"height_mm": 150, "count": 5}]), 1, "the posts do not suffice for one layer of 150 mm"),
        (asked(posts=[{"height_mm": 150, "count": 24}], layer_heights_mm=[140]), 1, "the highest layer"),
        (asked({"count": 10_001}), 2, "10001"),
        (asked({"count": 9_000}, {"id": "more", "count": 1_001}), 2, "10001 pieces are more than 10000"),
        (asked({"zone": "attic"}), 1, "There is no zone “attic”"),
        (asked({"cone": "06"}, cone="10"), 1, "it stands cone 06, the zone reaches cone 10"),
        (asked({"soda": True, "zone": "hot"}, zones=[HOT, HOT | {"id": "soda", "soda": True}]), 1, "no soda zone"),
        (asked({"zone": "cool", "cone": "6"}, zones=[HOT, HOT | {"id": "cool", "cone": "9"}]), 1, "stands cone 6"),
        (asked(zones=[HOT, HOT]), 2, "the id “hot” stands there 2 times"),
        (asked(zones=[HOT]) | {"kiln": KILN}, 2, "keep one of them"),
        (asked() | {"pieces": [MUG | {"w": 3}]}, 2, "'w' does not belong to a circle"),
        (asked(chamber_height_mm=30), 1, "the zone is 30 mm high"),
        ({"format": "load-request/2"}, 2, "load-request/1"),
    ],
)
def test_a_bad_request_is_answered_in_a_sentence(monkeypatch, document, status, said):
    feed(monkeypatch, json.dumps(document))
    ended, out, err = run("plan_load", "-", "--seconds", "0.02")
    assert ended == status
    assert said in err
    assert "Traceback" not in err
    assert all(line.endswith(".") for line in err.splitlines())
    assert bool(out) == (status == 1)  # what has no answer still gets a plan, with what is left out


@pytest.mark.parametrize("text", ["", "{", "[]", "null", '{"a": 1, "a": 2}', '{"format": NaN}', "\x00"])
def test_what_is_no_request_ends_with_status_2(monkeypatch, text):
    feed(monkeypatch, text)
    status, out, err = run("plan_load", "-")
    assert (status, out) == (2, "")
    assert err.strip()


def test_a_missing_file_ends_with_status_2(tmp_path):
    status, _, err = run("plan_load", tmp_path / "gone.json")
    assert status == 2
    assert "cannot be read" in err


@pytest.mark.slow
def test_ten_thousand_pieces_are_planned(monkeypatch):
    feed(monkeypatch, json.dumps(asked({"count": 10_000, "d": 40, "h": 30})))
    status, out, err = run("plan_load", "-", "--seconds", "1")
    made = json.loads(out)
    placed = sum(len(board) for layer in made["layers"] for board in layer["boards"])
    assert status == 1
    assert placed + made["left_out"][0]["count"] == 10_000
    assert "left out" in err


def test_a_plan_for_another_request_ends_with_status_1(tmp_path):
    document = sample() | {"name": "spring"}
    request = tmp_path / "spring.json"
    request.write_text(json.dumps(document), encoding="utf-8")
    status, out, _ = run("check_load", request, PLAN)
    assert status == 1
    assert "The plan was made for" in out
    assert "not for “spring”; plan anew." in out


def test_a_request_in_place_of_a_plan_ends_with_status_2():
    status, out, err = run("check_load", REQUEST, REQUEST)
    assert (status, out) == (2, "")
    assert "load-plan/1" in err


def test_the_plan_says_its_bounds_and_nothing_undercuts_them():
    status, out, _ = run("plan_load", REQUEST, "--seconds", "0.3")
    made = json.loads(out)
    assert status == 0
    assert sum(made["lower_bound_mm"].values()) <= made["lower_bound_total_mm"] <= sum(made["stack_mm"].values())


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
