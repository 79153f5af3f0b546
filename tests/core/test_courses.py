"""Courses of fires side by side: well-formed, told apart without colour, and the same as a table."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from xml.etree import ElementTree

import pytest

from firings.fire.courses import Course, Event, at_hour, course_of, events_of, planned, svg, table
from firings.fire.entries import Entry

LIT = datetime(2026, 5, 9, 6, tzinfo=UTC)
SVG = "{http://www.w3.org/2000/svg}"
OWN = Course("Spring <fire>", ((0.0, 20.0), (2.0, 220.0), (10.0, 1000.0)))


def reading(hours, c, probe="front"):
    return Entry(at=LIT + timedelta(hours=hours), kind="reading", probe=probe, temperature_dc=c * 10)


def drawn(*courses, events=()):
    text = svg(courses, events, title="Spring & others")
    return text, ElementTree.fromstring(text)


def test_a_course_is_the_probe_that_came_highest():
    log = [reading(0, 20), reading(1, 90), reading(0, 25, "back"), reading(1, 300, "back"), reading(-1, 10, "back")]
    assert course_of("x", log, LIT).points == ((0.0, 25.0), (1.0, 300.0))
    assert course_of("x", log, LIT, LIT).points == ((0.0, 25.0),)
    assert course_of("x", [], LIT).points == ()


def test_the_plan_ends_at_its_temperature_and_hour():
    plan = planned("plan", 1285, 20)
    assert plan.points[0] == (0.0, 15.0)
    assert plan.points[-1] == pytest.approx((20.0, 1285.0))
    assert at_hour(plan, 19.0) is not None


def test_between_readings_it_is_straight_and_in_long_gaps_nothing_is_claimed():
    assert at_hour(OWN, 1.0) == 120.0
    assert at_hour(OWN, 2.0) == 220.0
    assert at_hour(OWN, 5.0) is None
    assert at_hour(OWN, 11.0) is None


def test_lines_differ_without_colour_and_carry_their_letter():
    others = [Course(f"Fire {n}", ((0.0, 20.0), (float(n), 900.0))) for n in (8, 9, 11)]
    text, root = drawn(OWN, planned("plan", 1000, 10), *others)
    lines = list(root.iter(f"{SVG}polyline"))
    looks = [(line.get("stroke-width"), line.get("stroke-dasharray")) for line in lines]
    assert len(looks) == len(set(looks)) == 5
    ends = [node.text for node in root.iter(f"{SVG}text") if node.get("class") == "curve-end"]
    assert ends == list("ABCDE")
    assert {line.get("stroke") for line in lines} == {"currentColor"}
    assert list(root.iter(f"{SVG}circle"))
    assert "style=" not in text


def test_events_are_marked_by_letter_and_told():
    _text, root = drawn(OWN, events=[Event(5.0, "soda", "soda 200 g"), Event(6.0, "decision", "Hold")])
    words = [node.text for node in root.iter(f"{SVG}text")]
    assert {"S", "!"} <= set(words)
    assert "2 events" in root.find(f"{SVG}desc").text


def test_names_people_type_stay_words():
    _text, root = drawn(OWN)
    assert any(node.text == "A Spring <fire>" for node in root.iter(f"{SVG}text"))


def test_nothing_to_draw_says_so():
    _text, root = drawn(Course("x", ()))
    assert "No readings yet" in [node.text for node in root.iter(f"{SVG}text")]


def test_the_table_says_what_the_lines_say():
    other = Course("other", ((0.0, 15.0), (1.0, 100.0), (2.0, 150.0)))
    assert table([OWN, other])[:3] == [(0, (20, 15)), (1, (120, 100)), (2, (220, 150))]
    assert len(table([planned("long", 1285, 200)])) <= 41


def test_only_marked_kinds_after_lighting_are_events():
    log = [
        Entry(at=LIT - timedelta(hours=1), kind="decision", text="early"),
        reading(1, 90),
        Entry(at=LIT + timedelta(hours=2), kind="cone", cone="9", state="down"),
    ]
    assert events_of(log, LIT, ["a", "b", "cone 9 down"]) == [Event(2.0, "cone", "cone 9 down")]


def test_letters_at_the_ends_do_not_lie_on_each_other():
    same = [Course(f"Fire {n}", ((0.0, 20.0), (8.0, 900.0 + n))) for n in range(4)]
    _text, root = drawn(*same)
    heights = sorted(float(n.get("y")) for n in root.iter(f"{SVG}text") if n.get("class") == "curve-end")
    assert all(after - before >= 12.9 for before, after in pairwise(heights))
