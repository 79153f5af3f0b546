"""Roster and allotment at the prompt: statuses, standard input, faults on standard error."""

import io
import json
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

SAMPLES = Path(__file__).parents[2] / "firings" / "samples"
ROSTER, SPACE = str(SAMPLES / "watch-roster.json"), str(SAMPLES / "allotment.json")


def run(*args, **options):
    """Status, standard output, standard error."""
    out, err, status = io.StringIO(), io.StringIO(), 0
    try:
        call_command(*args, stdout=out, stderr=err, **options)
    except SystemExit as ended:
        status = ended.code
    return status, out.getvalue(), err.getvalue()


def feed(monkeypatch, text):
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(text.encode())))


def test_a_roster_is_planned_checked_and_kept(tmp_path):
    plan = tmp_path / "plan.json"
    assert run("plan_watches", ROSTER, "--seconds", "0.1", "--out", str(plan)) == (0, "", "")
    status, out, _ = run("check_watches", ROSTER, str(plan))
    assert (status, out) == (0, "No rule is broken, every place is filled.\n")
    status, out, _ = run("plan_watches", ROSTER, "--keep", str(plan), "--seconds", "0.1")
    assert status == 0
    assert json.loads(out)["format"] == "watch-assignment/1"


def test_open_places_end_with_status_1_and_the_reasons(tmp_path):
    document = json.loads(Path(ROSTER).read_text(encoding="utf-8"))
    for person in document["people"]:
        person["signed_off"] = []
    path = tmp_path / "nobody-leads.json"
    path.write_text(json.dumps(document), encoding="utf-8")
    status, out, err = run("plan_watches", str(path), "--seconds", "0.05")
    assert status == 1
    assert "none of them may lead kiln big" in err
    assert json.loads(out)["assigned"]["F1-01"] == []


def test_broken_rules_and_gaps_end_with_status_1(tmp_path):
    path = tmp_path / "alone.json"
    path.write_text('{"format":"watch-assignment/1","assigned":{"F1-01":["P01"]}}', encoding="utf-8")
    status, out, _ = run("check_watches", ROSTER, str(path))
    assert status == 1
    assert "never alone at the fire" in out
    assert "0 of 3 places are filled" in out


def test_space_is_allotted_from_standard_input(monkeypatch):
    feed(monkeypatch, Path(SPACE).read_text(encoding="utf-8"))
    status, out, _ = run("allot_space", "-")
    assert status == 0
    assert sum(json.loads(out)["grants"].values()) == 900_000


def test_floors_that_do_not_fit_end_with_status_1(monkeypatch):
    asks = [{"member": m, "ask_ml": 9, "floor_ml": 8} for m in "ab"]
    feed(monkeypatch, json.dumps({"format": "allotment/1", "capacity_ml": 10, "asks": asks}))
    status, out, err = run("allot_space", "-")
    assert (status, out) == (1, "")
    assert "lower the floors" in err


@pytest.mark.parametrize("command", ["plan_watches", "allot_space"])
def test_faults_end_with_status_2_one_line_each(command, monkeypatch):
    feed(monkeypatch, '{"format": "x/1", "colour": 1}')
    status, out, err = run(command, "-")
    assert (status, out) == (2, "")
    assert "unknown key 'colour'" in err
    assert len(err.splitlines()) >= 3


def test_files_that_cannot_be_read_end_with_status_2(tmp_path):
    assert run("allot_space", str(tmp_path / "none.json"))[0] == 2
    assert run("allot_space", str(tmp_path))[0] == 2
    latin = tmp_path / "latin.json"
    latin.write_bytes(b"\xe9")
    status, _, err = run("allot_space", str(latin))
    assert status == 2
    assert "save it as UTF-8" in err
    assert run("check_watches", "-", "-")[0] == 2


@pytest.mark.parametrize("seconds", ["-1", "nan", "soon"])
def test_absurd_seconds_are_refused(seconds):
    with pytest.raises(CommandError, match="seconds"):
        call_command("plan_watches", ROSTER, f"--seconds={seconds}")
