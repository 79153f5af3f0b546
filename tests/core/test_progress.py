"""Rate, stall, time to target, cooling; corrections and the hand-over note."""

import json
import math
from datetime import UTC, datetime, timedelta
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import call_command
from hypothesis import given
from hypothesis import strategies as st

from coop.errors import Malformed, Refused
from firings.fire import forecast, progress
from firings.fire.entries import Entry, effective
from firings.fire.handover import draft
from firings.fire.progress import cooling, rate, time_to

START = datetime(2026, 3, 14, 8, tzinfo=UTC)


def at(hours):
    return START + timedelta(hours=hours)


def line(slope, *, start=500, step=0.25, n=9):
    return [(at(i * step), start + slope * i * step) for i in range(n)]


@given(slope=st.floats(-200, 300), n=st.integers(3, 9))
def test_the_rate_of_a_straight_line_is_its_slope(slope, n):
    climb = rate(line(slope, n=n))
    assert climb.c_per_h == pytest.approx(slope, abs=1e-6)
    assert climb.low <= climb.c_per_h + 1e-9
    assert climb.high >= climb.c_per_h - 1e-9


def test_one_wild_reading_does_not_turn_the_rate():
    spoiled = line(60)
    spoiled[4] = (spoiled[4][0], 9999)
    assert rate(spoiled).c_per_h == pytest.approx(60, abs=5)


def test_too_few_readings_claim_no_rate_and_no_stall():
    assert rate([]) is None
    assert rate(line(60, n=2)) is None
    assert rate([(START, 500), (START, 510), (START, 520)]) is None
    assert not progress.stalls(line(0, n=3), 20)
    assert time_to(None, 1200) is None


def test_only_the_window_counts():
    readings = [(at(-9), 100), (at(-8), 900), *line(30)]
    assert rate(readings, window=timedelta(hours=3)).c_per_h == pytest.approx(30)


def test_a_flat_fire_is_stalled_only_while_wood_goes_in():
    flat = line(60, n=8) + [(at(2 + 0.15 * n), 620 + n % 2) for n in range(1, 6)]
    assert progress.stalls(flat, 20)
    assert not progress.stalls(flat, 20, stoked=False)


def test_a_climb_is_no_stall_however_wild_one_reading_is():
    climb = line(60, step=0.15, n=14)
    assert not progress.stalls(climb, 20)
    for wild in (-180, 150):
        assert not progress.stalls([*climb[:-1], (climb[-1][0], climb[-1][1] + wild)], 20)


def test_a_noisy_climb_whose_upper_end_clears_the_least_rate_is_no_stall():
    noisy = [(moment, c + (9 if n % 2 else -9)) for n, (moment, c) in enumerate(line(19, step=0.15, n=14))]
    assert not progress.stalls(noisy, 20)


def test_a_stall_that_is_over_is_no_longer_claimed():
    stalled = line(60, n=8) + [(at(2 + 0.15 * n), 620.0) for n in range(1, 6)]
    again = [(at(2.75 + 0.15 * n), 620 + 12.0 * n) for n in range(1, 5)]
    assert progress.stalls(stalled, 20)
    assert not progress.stalls(stalled + again, 20)


def test_the_target_is_due_by_the_straight_rate():
    due = time_to(rate(line(60)), 500 + 60 * 2 + 90)
    assert abs(due.likely - at(2 + 1.5)) < timedelta(seconds=1)
    assert due.earliest <= due.likely <= due.latest


def test_a_falling_fire_never_reaches_its_target_and_says_so():
    assert time_to(rate(line(-30)), 1200).likely is None


def test_a_target_already_passed_is_due_now():
    assert time_to(rate(line(60)), 400).likely == at(2)


# ref kiln_practice.csv KP035, KP036: 1280 to 100 degC in 72 h at ambient 20: k = 0.03829 1/h;
# 573 degC at 21.51 h; 522.7 degC at 24 h, 220.5 at 48 h (computed, arithmetic only)
def test_cooling_finds_the_constant_and_the_hour_of_a_newton_curve():
    k = math.log(1260 / 80) / 72
    readings = [(at(h), 20 + 1260 * math.exp(-k * h)) for h in range(0, 30, 3)]
    assert readings[8][1] == pytest.approx(522.7, abs=0.1)
    found = cooling(readings, ambient_c=20, opening_c=100)
    assert found.k_per_h == pytest.approx(0.03829, abs=1e-5)
    assert abs(found.below_at - at(72)) < timedelta(minutes=1)
    inversion = cooling(readings, ambient_c=20, opening_c=573)
    assert abs(inversion.below_at - at(21.51)) < timedelta(minutes=1)


# ref kiln_practice.csv KP031: 10 mm steel ball, 1000 K to 350 K at 300 K, time constant 16 s: 42.22 s
# (exam solution prints 42.23); seconds read as hours here, the law has no unit of its own
def test_cooling_agrees_with_a_published_exercise():
    readings = [(at(t), 300 + 700 * math.exp(-t / 16)) for t in range(0, 20, 2)]
    found = cooling(readings, ambient_c=300, opening_c=350)
    assert (found.below_at - START) / timedelta(hours=1) == pytest.approx(42.22, abs=0.01)


def test_scattered_cooling_gets_an_interval_around_its_hour():
    k = 0.038
    readings = [(at(h), 20 + 1200 * math.exp(-k * h) * (1 + 0.03 * (-1) ** h)) for h in range(0, 40)]
    found = cooling(readings, ambient_c=20, opening_c=100)
    assert found.earliest < found.below_at < found.latest
    assert found.earliest < at(math.log(1200 / 80) / k) < found.latest


@pytest.mark.parametrize("readings", [[], line(50), line(-50, n=2)])
def test_no_cooling_is_claimed_from_a_fire_that_does_not_cool(readings):
    assert cooling(readings, ambient_c=20, opening_c=100) is None


def test_an_opening_temperature_under_the_air_is_never_reached():
    assert cooling(line(-50), ambient_c=20, opening_c=15) is None


def reading(hours, c, probe="front", **more):
    return Entry(at=at(hours), kind="reading", probe=probe, temperature_dc=round(c * 10), **more)


def test_the_last_correction_replaces_the_entry():
    log = [
        reading(0, 9999, id="a"),
        reading(1, 600, id="b"),
        reading(0, 500, id="c", corrects="a"),
        reading(0, 510, id="d", corrects="a"),
    ]
    assert [entry.temperature_c for entry in effective(log)] == [510, 600]


def test_a_correction_can_be_corrected_and_an_entry_struck():
    log = [
        reading(0, 999, id="a"),
        reading(0, 500, id="b", corrects="a"),
        reading(0, 505, id="c", corrects="b"),
        reading(1, 700, id="e"),
        Entry(at=at(1), kind="reading", id="f", corrects="e", struck=True),
    ]
    assert [entry.temperature_c for entry in effective(log)] == [505]


def test_a_hand_over_note_says_where_the_fire_stands():
    log = [
        *(reading(h / 4, 900 + 15 * h, id=f"r{h}") for h in range(9)),
        Entry(at=at(0.5), kind="stoke", port="main", pieces=4, id="s1"),
        Entry(at=at(1.5), kind="stoke", port="main", pieces=3, id="s2"),
        Entry(at=at(1), kind="damper", state="half in", id="d"),
        Entry(at=at(1.2), kind="cone", cone="08", pack="front", state="down", id="c"),
        Entry(at=at(1.3), kind="soda", grams=250, port="left", id="g"),
        Entry(at=at(0.6), kind="round", phase="start", id="p"),
        Entry(at=at(1.1), kind="round", phase="stop", id="q"),
        Entry(at=at(1.9), kind="note", text="Spy hole brick is loose", by="Ada", id="n"),
    ]
    text = "\n".join(draft(log, now=at(2), since=START, clock=lambda moment: f"{moment:%H:%M}"))
    for part in (
        "1020 °C",
        "rising 60 °C/h",
        "half in",
        "2 times",
        "7 pieces",
        "08",
        "250 g",
        "10:00",
        "loose",
        "Ada",
    ):
        assert part in text
    assert "ended" in text


def test_a_running_round_is_said_to_run():
    text = "\n".join(draft([Entry(at=at(1), kind="round", phase="start")], now=at(1.5), since=START))
    assert "has been running for 30 min" in text


def test_an_empty_log_drafts_a_note_that_says_so():
    (only,) = draft([], now=at(1), since=START)
    assert "Nothing" in only


SAMPLE = (Path(forecast.__file__).parent.parent / "samples" / "fire-log.json").read_text("utf-8")


def changed(**more):
    return json.dumps({**json.loads(SAMPLE), **more})


def test_the_sample_log_is_forecast_from_its_hottest_probe():
    answer = forecast.forecast(forecast.read_fire_log(SAMPLE))
    assert (answer["probe"], answer["last_c"], answer["stalled"]) == ("front", 1050.0, False)
    # readings of the last two hours rise from 968 (15:00) to 1050 (17:00)
    assert 38 < answer["rates"]["front"]["c_per_h"] < 46
    for due in (answer["target"], answer["end_of_fire"]):
        assert due["earliest"] <= due["half_from"] <= due["likely"] <= due["half_to"] <= due["latest"]
    assert answer["target"]["likely"] < answer["end_of_fire"]["likely"]
    assert answer["cones_due"][0]["c"] > 1050
    assert answer["wood"]["left_kg"] == round(520 - 1.8 * answer["wood"]["pieces"])
    assert answer["cooling"] is None


def test_earlier_fires_of_the_kiln_move_the_forecast_and_are_named():
    slow = json.loads(SAMPLE)
    lit = datetime.fromisoformat(slow["lit_at"])
    course = {h: min(100 * h, 1000 + 10 * (h - 10)) for h in range(1, 40)}  # quick to 1000 °C, then 10 °C an hour
    slow["entries"] = [
        {"at": (lit + timedelta(hours=h)).isoformat(), "kind": "reading", "probe": "front", "c": c}
        for h, c in course.items()
    ]
    slow["ended_at"] = (lit + timedelta(hours=40)).isoformat()
    alone = forecast.forecast(forecast.read_fire_log(SAMPLE))
    with_past = forecast.forecast(forecast.read_fire_log(changed(past=[slow, slow])))
    assert with_past["target"]["likely"] > alone["target"]["likely"]
    assert "2 earlier fires" in with_past["based_on"]
    assert "sheet" in alone["based_on"]


def test_a_fire_that_has_ended_is_forecast_to_cool():
    k, lit = 0.04, datetime.fromisoformat(json.loads(SAMPLE)["lit_at"])
    entries = [
        {
            "at": (lit + timedelta(hours=24 + h)).isoformat(),
            "kind": "reading",
            "probe": "front",
            "c": 10 + 1270 * math.exp(-k * h),
        }
        for h in range(0, 30, 2)
    ]
    log = changed(entries=entries, ended_at=(lit + timedelta(hours=24)).isoformat())
    answer = forecast.forecast(forecast.read_fire_log(log))
    due = datetime.fromisoformat(answer["cooling"]["below_at"])
    assert abs(due - (lit + timedelta(hours=24 + math.log(1270 / 90) / k))) < timedelta(minutes=5)
    assert answer["target"] is None


def test_a_log_without_a_reading_has_no_forecast_yet():
    with pytest.raises(Refused, match="no temperature reading"):
        forecast.forecast(forecast.read_fire_log(changed(entries=[])))


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        ({"at": "2026-03-14T10:00:00+01:00", "kind": "reading", "probe": "front", "c": 9999}, "9999"),
        ({"at": "2026-03-14T10:00:00+01:00", "kind": "reading", "probe": "front"}, "'c' is missing"),
        ({"at": "2026-03-14T10:00:00", "kind": "note", "text": "x"}, "no moment with offset"),
        ({"at": "2026-02-30T10:00:00+01:00", "kind": "note", "text": "x"}, "no moment with offset"),
        ({"at": "2026-03-14T10:00:00+01:00", "kind": "cone", "cone": "99"}, "022 to 01"),
        ({"at": "2026-03-14T10:00:00+01:00", "kind": "reading", "c": 20, "f": 68}, "unknown key 'f'"),
    ],
)
def test_a_faulty_entry_is_refused_with_its_place(entry, says):
    with pytest.raises(Malformed) as caught:
        forecast.read_fire_log(changed(entries=[entry]))
    assert says in str(caught.value)
    assert "entries[0]" in str(caught.value)


def test_an_end_before_the_start_is_refused():
    with pytest.raises(Malformed, match="ended_at"):
        forecast.read_fire_log(changed(ended_at="2026-03-13T06:00:00+01:00"))


def test_the_command_answers_with_a_forecast_or_ends_with_the_status_of_its_fault(tmp_path, capsys):
    file = tmp_path / "log.json"
    file.write_text(SAMPLE, "utf-8")
    out = StringIO()
    call_command("forecast_fire", str(file), stdout=out)
    assert json.loads(out.getvalue())["format"] == "fire-forecast/1"
    for text, status in [(changed(entries=[]), 1), ("{}", 2), (changed(format="fire-log/9"), 2)]:
        file.write_text(text, "utf-8")
        err = StringIO()
        with pytest.raises(SystemExit) as ended:
            call_command("forecast_fire", str(file), stderr=err)
        assert ended.value.code == status
        assert err.getvalue().strip()
