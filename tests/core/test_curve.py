"""The firing curve: well-formed SVG, honest thinning, local hours, no inline style."""

from datetime import UTC, datetime, timedelta
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firings.fire.curve import curve_svg, thin
from firings.fire.entries import Entry

BERLIN, KOLKATA = ZoneInfo("Europe/Berlin"), ZoneInfo("Asia/Kolkata")
START = datetime(2026, 10, 24, 18, tzinfo=UTC)
SVG = "{http://www.w3.org/2000/svg}"


def at(hours):
    return START + timedelta(hours=hours)


def reading(hours, c, probe="front", **more):
    return Entry(at=at(hours), kind="reading", probe=probe, temperature_dc=round(c * 10), **more)


def drawn(entries, zone=BERLIN, **more):
    text = curve_svg(entries, zone=zone, title="Autumn", **more)
    return text, ElementTree.fromstring(text)


def words(root):
    return [node.text for node in root.iter(f"{SVG}text")]


@pytest.mark.parametrize("log", [[], [reading(0, 20)], [reading(0, 20), reading(0, 20)], [reading(0, -10)]])
def test_none_or_one_reading_still_draws(log):
    _, root = drawn(log)
    assert root.get("role") == "img"
    assert root.find(f"{SVG}title").text == "Autumn"
    assert root.find(f"{SVG}desc").text


def test_probes_differ_by_dash_and_not_only_by_colour():
    _, root = drawn([reading(h, 100 * h, probe) for probe in ("front", "back") for h in range(5)])
    dashes = [line.get("stroke-dasharray") for line in root.iter(f"{SVG}polyline")]
    assert len(dashes) == len(set(dashes)) == 2


def test_events_are_marked_and_the_plan_is_drawn():
    log = [
        *(reading(h, 100 * h) for h in range(10)),
        Entry(at=at(5), kind="cone", cone="08", state="down"),
        Entry(at=at(6), kind="soda", grams=250),
        Entry(at=at(7), kind="round", phase="start"),
    ]
    _, root = drawn(log, planned=[(at(0), 20), (at(9), 1000)], target_c=1285)
    assert {"cone 08 down", "soda 250 g", "round start", "target 1285 °C"} <= set(words(root))
    assert any(line.get("class") == "curve-plan" for line in root.iter(f"{SVG}polyline"))


def test_nothing_in_the_drawing_needs_a_looser_content_policy():
    log = [
        reading(0, 20, "<style>x</style>\" style='"),
        Entry(at=at(1), kind="cone", cone="<script>", state="&"),
    ]
    text, root = drawn(log, element_id='a"b')
    assert all("style" not in node.attrib for node in root.iter())
    tags = {node.tag.removeprefix(SVG) for node in root.iter()}
    assert not tags & {"style", "script", "foreignObject"}
    assert "<script" not in text


def test_the_night_the_clocks_go_back_shows_its_25_hours():
    _, root = drawn([reading(h / 2, 20 + 10 * h) for h in range(0, 23)])
    hours = [word for word in words(root) if word and ":" in word]
    # Berlin, 2026-10-24 20:00 CEST to 2026-10-25 06:00 CET is eleven hours; 02:00 comes twice
    assert sum(word.startswith("02:00") for word in hours) == 2
    assert "2026-10-24" in words(root)
    assert "2026-10-25" in words(root)


def test_a_zone_off_by_half_an_hour_has_marks_on_its_own_hours():
    _, root = drawn([reading(h, 100 * h) for h in range(8)], zone=KOLKATA)
    hours = [word for word in words(root) if word and ":" in word]
    assert hours
    assert all(word.endswith(":00") for word in hours)


def test_a_correction_replaces_what_is_drawn():
    log = [reading(0, 20, id="a"), reading(1, 9999, id="b"), reading(1, 120, id="c", corrects="b")]
    _, root = drawn(log)
    assert "peak 120 °C" in root.find(f"{SVG}desc").text


def test_thinning_keeps_first_last_peak_and_what_stands_beside_an_event():
    points = [(at(i / 10), 1000 + (3 if i == 37 else 0)) for i in range(100)]
    kept = thin(points, [at(6.05)])
    assert {points[0], points[37], points[99], points[60], points[61]} == set(kept)


@given(st.lists(st.floats(0, 1400), min_size=1, max_size=60))
def test_thinning_never_loses_more_than_four_degrees(values):
    points = [(at(i), c) for i, c in enumerate(values)]
    kept = thin(points)
    assert (kept[0], kept[-1]) == (points[0], points[-1])
    assert max(c for _, c in kept) == max(values)
    for moment, c in points:
        before = max(point for point in kept if point[0] <= moment)
        assert abs(before[1] - c) < 4 or before[0] == moment


def test_a_log_of_many_days_stays_small_and_its_axis_readable():
    text, root = drawn([reading(h / 12, 1000 + h % 5) for h in range(12 * 24 * 9)])
    assert len(text) < 400_000
    assert len([word for word in words(root) if word and ":" in word]) <= 14


@given(st.text(max_size=30), st.text(max_size=30))
def test_any_text_keeps_the_drawing_well_formed(probe, cone):
    ElementTree.fromstring(
        curve_svg([reading(0, 20, probe), Entry(at=at(1), kind="cone", cone=cone)], zone=BERLIN, title=probe + cone)
    )
