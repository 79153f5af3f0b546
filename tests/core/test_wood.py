"""Wood: cords and steres, heat by moisture, and what a firing needs."""

import json
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import call_command
from hypothesis import given
from hypothesis import strategies as st

from coop.errors import Malformed, Refused
from firings.fire import forecast
from firings.fire.wood import (
    Species,
    Stack,
    cords_to_m3,
    dry_kg,
    heat_mj,
    hours_left,
    lasting,
    learned,
    m3_to_cords,
    moisture_from_dry_basis,
    net_heat_mj_per_kg,
    plan,
    species_named,
)


def test_a_cord_is_128_cubic_feet():
    # ref firewood.csv FW001, FW002, FW006: 128 ft3 x 0.028316846592 m3 = 3.624556 m3 (page 'cord')
    assert cords_to_m3(1) == pytest.approx(128 * 0.028316846592, abs=1e-6)
    assert m3_to_cords(cords_to_m3(2.5)) == pytest.approx(2.5)


# ref firewood.csv FW107-FW133 (ncv_worked): EN 14961-1 Annex D formula, computed; arithmetic only
@pytest.mark.parametrize(
    ("q_dry", "moisture", "published"),
    [
        (19.1, 0.00, 19.100),
        (19.1, 0.10, 16.946),
        (19.1, 0.15, 15.869),
        (19.1, 0.20, 14.791),
        (19.1, 0.30, 12.637),
        (19.1, 0.50, 8.329),
        (18.9, 0.10, 16.766),
        (18.9, 0.20, 14.631),
        (18.9, 0.25, 13.564),
        (18.9, 0.40, 10.363),
        (18.5, 0.35, 11.170),
        (18.5, 0.50, 8.028),
    ],
)
def test_net_heat_by_moisture_is_as_tabled(q_dry, moisture, published):
    assert net_heat_mj_per_kg(q_dry, moisture) == pytest.approx(published, abs=0.001)


# Read, not computed. ref firewood.csv FW047-FW052: Technologie- und Foerderzentrum Straubing, spruce, kWh/kg;
# FW070-FW080: Polish energy-advice page, wood, GJ/t = MJ/kg. Moisture on wet mass, within 1 %.
@pytest.mark.parametrize(
    ("per_mj", "dry", "table"),
    [
        (3.6, 5.20, {0.10: 4.64, 0.20: 4.05, 0.30: 3.44, 0.40: 2.86, 0.50: 2.27}),
        (1.0, 19.00, {0.15: 15.79, 0.20: 14.72, 0.30: 12.58, 0.35: 11.51, 0.40: 10.44, 0.45: 9.37, 0.60: 6.16}),
    ],
)
def test_net_heat_follows_published_tables(per_mj, dry, table):
    for moisture, published in table.items():
        assert net_heat_mj_per_kg(dry * per_mj, moisture) / per_mj == pytest.approx(published, rel=0.01)


def test_wood_too_wet_gives_no_heat():
    # ref firewood.csv FW134: q = 0 at M = 19.1 / (19.1 + 2.443) = 0.887, beyond what is taken; at 0.8 some is left
    assert 0 < net_heat_mj_per_kg(19.1, 0.8) < 2


def test_a_stere_is_a_stacked_cubic_metre_and_a_cord_foot_an_eighth_of_a_cord():
    # ref firewood.csv FW005: stere = 1 m3 with air (forestry institute's glossary); FW004: cord foot 16 ft3, 1/8 cord
    assert m3_to_cords(1) == pytest.approx(1 / 3.6246, rel=1e-4)
    assert cords_to_m3(1 / 8) == pytest.approx(16 * 0.028316846592, rel=1e-6)


def test_a_cord_of_red_oak_weighs_and_heats_as_reckoned():
    # ref firewood.csv FW239-FW241: 3.624556 m3 x 0.664 x 560 kg/m3 = 1348 kg dry (solid share
    # 85/128, US extension rule; density USDA FIA REF_SPECIES); at M = 0.20 1685 kg and 24.6 GJ (computed)
    red_oak = Species(560, 18.9)
    dry = dry_kg(red_oak, cords_to_m3(1), 0.664)
    assert dry == pytest.approx(1348, abs=1)
    assert dry / 0.8 == pytest.approx(1685, abs=1)
    assert dry / 0.8 * net_heat_mj_per_kg(18.9, 0.2) / 1000 == pytest.approx(24.6, abs=0.1)


def test_a_stere_of_beech_weighs_as_reckoned():
    # ref firewood.csv FW242: 1 m3 x 0.70 x 570 kg/m3 = 399 kg (computed)
    assert dry_kg(Species(570, 18.9), 1, 0.70) == pytest.approx(399)


def test_moisture_on_dry_mass_is_turned_to_wet_mass():
    # ref firewood.csv FW021: 20 % on dry mass leaves 1/1.20 = 0.8333 dry wood
    assert 1 - moisture_from_dry_basis(0.20) == pytest.approx(0.8333, abs=1e-4)


@pytest.mark.parametrize("moisture", [-0.1, 0.81, 20])
def test_a_moisture_that_is_no_share_of_wet_wood_is_refused(moisture):
    with pytest.raises(Refused, match=r"20 % is 0\.2"):
        net_heat_mj_per_kg(19.1, moisture)


def test_an_unknown_wood_is_refused_with_the_names():
    with pytest.raises(Refused, match="beech"):
        species_named("balsa")


def test_need_is_volume_times_kg_per_m3():
    # ref firings_published.csv FI004: 2.8 m3 setting, about 2 tonnes = 714 kg/m3 (Queensland potter's page)
    made = plan(volume_m3=2.8, kg_per_m3=714, stacks=[])
    assert made.need_kg == pytest.approx(2000, rel=0.001)
    assert made.short_kg == made.need_kg
    assert made.need_low_kg < made.need_kg < made.need_high_kg


@given(m3=st.floats(0, 50), extra=st.floats(0, 20))
def test_more_wood_in_the_stack_is_never_more_wood_short(m3, extra):
    less = plan(volume_m3=2, kg_per_m3=600, stacks=[Stack("pine", "split", 0.2, m3)])
    more = plan(volume_m3=2, kg_per_m3=600, stacks=[Stack("pine", "split", 0.2, m3 + extra)])
    assert more.short_kg <= less.short_kg + 1e-9
    assert more.short_stacked_m3 >= 0


def test_exactly_the_wood_it_names_mends_the_shortfall():
    short = plan(volume_m3=2, kg_per_m3=600, stacks=[], buy_species="pine")
    mended = plan(volume_m3=2, kg_per_m3=600, stacks=[Stack("pine", "split", 0.2, short.short_stacked_m3)])
    assert mended.short_kg == pytest.approx(0, abs=1e-6)


def test_wet_wood_counts_for_less_and_is_warned_of():
    dry, wet = Stack("pine", "split", 0.15, 3), Stack("pine", "split", 0.45, 3)
    assert heat_mj(wet) < heat_mj(dry)
    made = plan(volume_m3=1, kg_per_m3=600, stacks=[dry, wet])
    assert len(made.warnings) == 1
    assert "45%" in made.warnings[0]


def test_size_classes_are_short_by_their_own_stacks():
    made = plan(
        volume_m3=1,
        kg_per_m3=600,
        stacks=[Stack("pine", "thin", 0.2, 10)],
        size_class_share={"thin": 0.4, "thick": 0.6},
    )
    assert made.by_size_class_kg == {"thin": 0, "thick": pytest.approx(360)}


def test_hours_left_follow_the_rate_so_far():
    assert hours_left(300, 600, 12) == pytest.approx(6)
    assert hours_left(300, 0, 0) is None


# --- A kiln's own firings -----------------------------------------------------------------


def test_without_own_firings_the_sheet_stands_and_the_span_holds_the_published_firings():
    # ref firings_published.csv FI001-FI004: 569, 546, 561 and 714 kg per m3 setting to cone 10 (mean 598)
    need = learned(598, [])
    assert need.likely == pytest.approx(598)
    assert need.low < 546 < 714 < need.high


@given(prior=st.floats(100, 2000), own=st.lists(st.floats(100, 2000), max_size=8))
def test_own_firings_draw_the_need_to_their_mean_and_narrow_the_span(prior, own):
    need = learned(prior, own)
    assert min([prior, *own]) - 1e-6 <= need.likely <= max([prior, *own]) + 1e-6
    assert need.low <= need.likely <= need.high
    more = learned(prior, [*own, need.likely])
    assert more.high - more.low < need.high - need.low
    assert more.likely == pytest.approx(need.likely)


def test_the_normal_model_by_hand():
    # prior 600 with spread 120, firings scatter by 72: two firings at 700 weigh 2 / 72^2 against 1 / 120^2
    need = learned(600, [700, 700])
    assert need.likely == pytest.approx((600 / 120**2 + 1400 / 72**2) / (1 / 120**2 + 2 / 72**2))


def test_a_need_of_nothing_is_refused():
    with pytest.raises(Refused, match="above zero"):
        learned(0, [600])


def burning(**changes):
    usual = {
        "ready_kg": 400,
        "taken_kg": 300,
        "pieces": 100,
        "late_pieces": 30,
        "late_h": 3,
        "kg_per_piece": 2.0,
        "hours_fired": 10,
        "planned_kg_per_h": 40,
    }
    return lasting(**{**usual, **changes})


def test_wood_lasts_by_what_pieces_weigh_where_earlier_firings_say_so():
    # 400 on the stacks + 300 taken - 100 x 2 kg burnt = 500 kg; 30 x 2 kg in 3 h = 20 kg an hour
    made = burning()
    assert (made.left_kg, made.kg_per_h, made.hours) == (500, 20, 25)
    assert "2.0 kg each" in made.based_on


def test_else_by_what_was_taken_off_the_stacks_else_by_the_plan():
    taken = burning(kg_per_piece=None)
    assert (taken.left_kg, taken.kg_per_h) == (400, 30)
    assert "taken off the stacks" in taken.based_on
    planned = burning(kg_per_piece=None, taken_kg=0, hours_fired=5)
    assert (planned.left_kg, planned.kg_per_h, planned.hours) == (200, 40, 5)
    assert "usual need" in planned.based_on


@given(ready=st.floats(0, 5000), more=st.floats(0, 500))
def test_more_on_the_stacks_never_lasts_shorter(ready, more):
    assert burning(ready_kg=ready + more).hours >= burning(ready_kg=ready).hours


SAMPLE = (Path(forecast.__file__).parent.parent / "samples" / "wood-plan.json").read_text("utf-8")


def changed(**more):
    return json.dumps({**json.loads(SAMPLE), **more})


def test_the_sample_plan_needs_volume_times_kg_per_m3():
    answer = forecast.wood_answer(forecast.read_wood_plan(SAMPLE))
    assert (answer["need_low_kg"], answer["need_kg"], answer["need_high_kg"]) == (660, 780, 900)
    assert answer["short_kg"] == pytest.approx(answer["need_kg"] - answer["ready_kg"], abs=1)
    assert len(answer["warnings"]) == 1


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"volume_m3": 0}, "volume_m3"),
        ({"volume_m3": -1}, "volume_m3"),
        ({"kg_per_m3": {"low": 700, "likely": 600}}, "order"),
        ({"size_classes": {"thick": 0.5, "thin": 0.4}}, "add up to 1"),
        ({"size_classes": {"thick": 1}}, "no share"),
        ({"buy_species": "balsa"}, "pick one of"),
        ({"stacks": [{"species": "pine", "size_class": "thick", "moisture": 20, "stacked_m3": 1}]}, "moisture"),
        ({"litres": 3}, "litres"),
    ],
)
def test_a_faulty_plan_is_refused_with_what_to_do(more, says):
    with pytest.raises(Malformed, match=says):
        forecast.read_wood_plan(changed(**more))


@pytest.mark.parametrize(("volume", "short"), [(0.4, False), (1.2, True)])
def test_the_command_answers_with_need_and_shortfall(tmp_path, volume, short):
    file, out = tmp_path / "plan.json", StringIO()
    file.write_text(changed(volume_m3=volume), "utf-8")
    call_command("plan_wood", str(file), stdout=out)
    answer = json.loads(out.getvalue())
    assert (answer["short_kg"] > 0, answer["work_hours"] > 0) == (short, short)


def test_the_command_ends_with_two_for_a_faulty_file(tmp_path):
    file, err = tmp_path / "plan.json", StringIO()
    file.write_text(changed(volume_m3=-1), "utf-8")
    with pytest.raises(SystemExit) as ended:
        call_command("plan_wood", str(file), stderr=err)
    assert ended.value.code == 2
    assert "volume_m3" in err.getvalue()
