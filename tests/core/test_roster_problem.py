"""Watch-roster files: what is taken, what is refused and how it is said."""

import json
from datetime import UTC, datetime
from pathlib import Path

import jsonschema
import pytest

from coop.errors import Malformed
from firings.roster.problem import (
    ASSIGNMENT_SCHEMA,
    SCHEMA,
    read_assigned,
    read_request,
    write_request,
)
from firings.roster.solve import plan, write_roster

SAMPLE = (Path(__file__).parents[2] / "firings" / "samples" / "watch-roster.json").read_text(encoding="utf-8")


def changed(change):
    document = json.loads(SAMPLE)
    change(document)
    return json.dumps(document)


def faults_of(text):
    with pytest.raises(Malformed) as refused:
        read_request(text)
    return refused.value.faults


def test_a_request_written_and_read_again_is_the_same():
    request = read_request(SAMPLE)
    assert read_request(write_request(request)) == request
    jsonschema.validate(json.loads(write_request(request)), SCHEMA)


def test_an_answer_obeys_its_schema_and_is_read_back():
    request = read_request(SAMPLE)
    text = write_roster(plan(request, seconds=0.05))
    jsonschema.validate(json.loads(text), ASSIGNMENT_SCHEMA)
    assert set(read_assigned(text)) == {task.id for task in request.tasks}


def test_unknown_keys_are_refused_by_name_each_on_its_own_line():
    def change(document):
        document["colour"] = 1
        document["people"][2]["nick"] = "x"

    assert faults_of(changed(change)) == (
        "The file: unknown key 'colour'; remove it or correct its spelling.",
        "people[2]: unknown key 'nick'; remove it or correct its spelling.",
    )


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda d: d["tasks"][1].update(end=3), "not after its start"),
        (lambda d: d["tasks"][1].update(cap=1), "cap 1 is below need 2"),
        (lambda d: d["tasks"][1].update(need=1), "nobody is alone at the fire"),
        (lambda d: d["tasks"][1].update(lead=3), "more leads than people"),
        (lambda d: d["tasks"][1].update(kiln=None), "names no kiln"),
        (lambda d: d["tasks"][1].update(night=99), "more night than it is long"),
        (lambda d: d["tasks"][1].update(id="split-01"), "'split-01' stands there 2 times"),
        (lambda d: d["people"][1].update(id="P01"), "'P01' stands there 2 times"),
        (lambda d: d["people"][1].update(role="boss"), 'must be one of "lead", "exp", "novice"'),
        (lambda d: d["people"][1].update(owed=-1), "at least 0"),
        (lambda d: d["people"][1].pop("role"), "'role' is missing"),
        (lambda d: d["avail"].pop(), "9 rows for 10 people"),
        (lambda d: d["avail"].__setitem__(0, "++"), "2 signs for 6 tasks"),
        (lambda d: d["avail"].__setitem__(0, "?....."), "wrong form"),
        (lambda d: d.update(t0="2027-02-30T06:00+00:00"), "is not a date and time"),
        (lambda d: d.update(t0="2027-03-27T06:00"), "needs its offset"),
        (lambda d: d.update(zone="Nowhere/Town"), "is not a known time zone"),
        (lambda d: d.update(unit_min=0), "at least 1"),
        (lambda d: d.update(unit_min="30"), "must be a whole number"),
        (lambda d: d.update(format="watch-roster/2"), 'must be "watch-roster/1"'),
    ],
)
def test_a_file_that_contradicts_itself_is_refused_with_one_sentence(change, said):
    faults = faults_of(changed(change))
    assert len(faults) == 1
    assert said in faults[0]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "this is not JSON"),
        ("{", "this is not JSON"),
        ("[]", "must be an object"),
        ('{"format":1,"format":2}', "stands twice"),
        ('{"unit_min": NaN}', "NaN is not a number"),
        ("[" * 100_000, "cannot be read as JSON"),
    ],
)
def test_what_is_no_such_file_is_refused(text, said):
    assert said in faults_of(text)[0]


def test_a_byte_order_mark_is_no_fault():
    assert read_request("\ufeff" + SAMPLE).name == "March, big kiln"


def test_hours_are_shown_by_the_clock_on_the_wall_when_the_clocks_change():
    request = read_request(SAMPLE)
    spring = {task.id: request.when(task) for task in request.tasks}
    assert spring["F1-02"] == "Sun 00:00-05:00, kiln big"
    assert request.moment(36).astimezone(UTC) == datetime(2027, 3, 28, 0, 0, tzinfo=UTC)
