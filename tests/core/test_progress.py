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
from firings.fire.progress import cooling, newton, rate, time_to
from tests.bench import simulated_cooling

SPANS = ("earliest", "half_from", "below_at", "half_to", "latest")
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


# ref kiln_practice.csv KP030 (Newton's law), KP035, KP036: 1280 to 100 degC in 72 h, air at 20: k = 0.03829/h,
# half-life 18.10 h, 522.7 degC at 24 h, 220.5 degC at 48 h, 573 degC at 21.51 h (computed; arithmetic only)
def test_newtons_law_finds_the_constant_and_the_hours_of_its_own_curve():
    k = math.log(1260 / 80) / 72
    readings = [(at(h), 20 + 1260 * math.exp(-k * h)) for h in range(0, 51, 3)]
    assert readings[8][1] == pytest.approx(522.7, abs=0.1)
    assert readings[16][1] == pytest.approx(220.5, abs=0.1)
    found = newton(readings[:10], ambient_c=20)
    assert found.k_per_h == pytest.approx(0.03829, abs=1e-5)
    assert math.log(2) / found.k_per_h == pytest.approx(18.10, abs=0.01)
    assert abs(found.passes(100) - at(72)) < timedelta(minutes=1)
    assert abs(found.passes(573) - at(21.51)) < timedelta(minutes=1)


# Seconds read as hours: the law has no unit of its own. T = Ta + (T0 - Ta) exp(-t / tau), hours until ``passes``.
# ref kiln_practice.csv KP031: 10 mm steel ball, 1000 K to 350 K at 300 K, tau 16 s: 42.22 (exam solution prints 42.23)
# KP032: 12 mm steel balls, 1150 K to 400 K in air of 325 K, tau 468 s: 1122 (Incropera and DeWitt, problem 5.6;
# statement read, answer computed). KP033: 5 cm steel ball, 450 to 150 degC at 100 degC, tau 5818 / ln 7 s: 5818
# (Holman, example 4-1; from memory, book prints 5819)
@pytest.mark.parametrize(
    ("hot", "air", "tau", "passes", "published"),
    [
        (1000, 300, 16, 350, 42.22),
        (1150, 325, 468, 400, 1122),
        (450, 100, 7800 * 460 * 0.05 / 6 / 10, 150, 5818),
    ],
)
def test_newtons_law_agrees_with_published_exercises(hot, air, tau, passes, published):
    readings = [(at(n * tau / 8), air + (hot - air) * math.exp(-n / 8)) for n in range(10)]
    found = newton(readings, ambient_c=air)
    assert (found.passes(passes) - START) / timedelta(hours=1) == pytest.approx(published, rel=0.001)


def test_newtons_law_finds_the_published_constant_of_two_readings_two_hours_apart():
    # ref kiln_practice.csv KP034: 85 to 74 degF in 2 h, air 68 degF: k = 0.5207/h (Boyce and DiPrima; from memory)
    k = math.log(17 / 6) / 2
    assert k == pytest.approx(0.5207, abs=1e-4)
    found = newton([(at(0), 85), (at(1), 68 + 17 * math.exp(-k)), (at(2), 74)], ambient_c=68)
    assert found.k_per_h == pytest.approx(0.5207, abs=1e-4)


def test_a_kiln_that_cools_slower_with_its_brick_is_foretold_later_than_by_newtons_law():
    within, later = 0, 0
    for seed in range(40):
        readings, cool_h = simulated_cooling.cooled(seed)
        seen = [(at(h), c) for h, c in readings if c > 400]
        found = cooling(seen, ambient_c=15, opening_c=100)
        assert found.most[0] <= found.half[0] <= found.below_at <= found.half[1] <= found.most[1]
        assert "readings, air at 15 °C" in found.based_on
        within += found.earliest <= at(cool_h) <= found.latest
        later += newton(seen[-3:], ambient_c=15).passes(100) < found.below_at
    assert later >= 36
    assert 0.6 <= within / 40 <= 0.95


def test_the_nearer_the_opening_temperature_the_narrower_the_hours():
    readings, _cool_h = simulated_cooling.cooled(3)
    widths = []
    for down_to in (700, 350, 160):
        seen = [(at(h), c) for h, c in readings if c > down_to]
        found = cooling(seen, ambient_c=15, opening_c=100)
        widths.append(found.latest - found.earliest)
    assert widths[0] > widths[1] > widths[2]


def test_a_kiln_that_is_cool_enough_was_so_at_its_first_such_reading():
    k = 0.05
    readings = [(at(h), 15 + 1250 * math.exp(-k * h)) for h in range(0, 80, 4)]
    found = cooling(readings, ambient_c=15, opening_c=100)
    first = next(moment for moment, c in readings if c <= 100)
    assert (found.below_at, found.earliest, found.latest) == (first, first, first)


def test_nothing_is_foretold_of_a_kiln_that_has_hardly_begun_to_cool():
    assert cooling([(at(h / 4), 1280 - 15 * h) for h in range(6)], ambient_c=15, opening_c=100) is None


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


def test_a_hand_over_note_says_what_changed_since_the_last_one():
    log = [
        *(reading(h / 2, 900 + 20 * h, id=f"r{h}") for h in range(9)),
        Entry(at=at(0.5), kind="soda", grams=200, id="g1"),
        Entry(at=at(3), kind="soda", grams=300, id="g2"),
        Entry(at=at(0.5), kind="cone", cone="8", pack="front", state="down", id="c8"),
        Entry(at=at(3), kind="cone", cone="9", pack="front", state="down", id="c9"),
        *(Entry(at=at(h), kind="damper", state=state, id=f"d{h}") for h, state in ((1, "out"), (3, "half"), (4, "in"))),
    ]
    told = " ".join(draft(log, now=at(4), since=at(2)))
    assert "80 °C up since 10:00" in told
    assert "500 g in 2 charges" in told
    assert "300 g of it since" in told
    assert "Gone down since 10:00 UTC, front: 9." in told
    assert "in since 12:00 UTC; before that half (11:00 UTC)" in told
    assert "out (" not in told


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
    told = {name: datetime.fromisoformat(answer["cooling"][name]) for name in SPANS}
    assert told["earliest"] <= told["half_from"] <= told["below_at"] <= told["half_to"] <= told["latest"]
    by_newton = lit + timedelta(hours=24 + math.log(1270 / 90) / k)
    assert by_newton < told["below_at"] < by_newton + timedelta(hours=24)
    assert "Newton" in answer["cooling"]["based_on"]
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
