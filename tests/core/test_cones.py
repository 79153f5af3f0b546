"""Cones: order, what may stand where, and published temperature equivalents."""

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.errors import Refused
from firings.fire import cones
from firings.fire.cones import CONES, canonical, equivalent_c, rank, stands

names = st.sampled_from(CONES)


def test_06_is_far_below_6_and_010_below_10():
    assert rank("06") < rank("01") < rank("1") < rank("6")
    assert rank("010") < rank("09") < rank("9") < rank("10")


def test_half_cones_lie_between_their_neighbours():
    assert rank("06") < rank("05.5") < rank("05")
    assert rank("04") < rank("03.5") < rank("03")
    assert rank("5") < rank("5.5") < rank("6")


@pytest.mark.parametrize("written", ["6", " 6 ", "cone 6", "Cone 6", "CONE6", "Δ6", "^6"])
def test_a_cone_may_be_written_as_potters_write_it(written):
    assert canonical(written) == "6"


@pytest.mark.parametrize("written", ["", "cone", "6.5", "15", "023", "006", "-6", "six", "0", "6 or 7"])
def test_an_unknown_cone_is_refused_and_told_what_to_pick(written):
    with pytest.raises(Refused, match="022 to 01"):
        rank(written)


def test_an_earthenware_body_does_not_stand_a_stoneware_zone():
    assert not stands("06", "6")
    assert not stands("6", "10")
    assert stands("10", "10")
    assert stands("10", "06")


@given(body=names, zone=names, hotter=names)
def test_a_body_that_stands_a_zone_stands_every_cooler_zone(body, zone, hotter):
    if rank(hotter) >= rank(zone) and stands(body, hotter):
        assert stands(body, zone)


# Orton, Temperature Equivalents for Orton Pyrometric Cones (degC), Cone Numbers 022-14, sheet dated 2016,
# current chart (reference cones.csv: cone + type + rate; only rows read or computed from a read row).
@pytest.mark.parametrize(
    ("cone", "rate", "chart", "published"),
    [
        ("022", 60, cones.SELF_SUPPORTING, 586),
        ("022", 150, cones.SELF_SUPPORTING, 590),
        ("019", 15, cones.SELF_SUPPORTING, 656),
        ("010", 15, cones.SELF_SUPPORTING, 891),
        ("08", 60, cones.SELF_SUPPORTING, 942),
        ("06", 150, cones.SELF_SUPPORTING, 1013),
        ("5", 150, cones.SELF_SUPPORTING, 1207),
        ("6", 60, cones.SELF_SUPPORTING, 1222),
        ("10", 60, cones.SELF_SUPPORTING, 1285),
        ("10", 150, cones.SELF_SUPPORTING, 1305),
        ("13", 150, cones.SELF_SUPPORTING, 1348),
        ("06", 150, cones.LARGE, 1011),
        ("5", 150, cones.LARGE, 1205),
        ("6", 60, cones.LARGE, 1220),
        ("10", 150, cones.LARGE, 1303),
        ("12", 60, cones.LARGE, 1304),
        ("010", 150, cones.LARGE_IRON_FREE, 891),
        ("019", 300, cones.SMALL, 723),
        # Orton Standard Temperature Equivalent Chart, large cones at 150 degC/h (before 1996)
        ("5", 150, cones.LARGE_OLDER, 1196),
        ("10", 150, cones.LARGE_OLDER, 1305),
        ("03.5", 150, cones.LARGE_OLDER, 1080),
    ],
)
def test_charted_rows_come_back_as_published(cone, rate, chart, published):
    found = equivalent_c(cone, rate, chart)
    assert found.temp_c == published
    assert not found.beyond_chart
    assert found.chart == chart.title


def test_every_row_read_in_a_published_chart_comes_back_as_printed():
    # published_cones.csv: rows of cones.csv that were read (not remembered), the chart and its source in each
    with Path(__file__).with_name("published_cones.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    wrong = []
    for row in rows:
        chart = cones.ConeChart(row["cone_type"], row["chart"], "")
        found = equivalent_c(row["cone"], float(row["rate_c_per_h"]), chart)
        if found.temp_c != float(row["temp_c"]) or found.beyond_chart:
            wrong.append((row["cone"], row["cone_type"], row["rate_c_per_h"], row["temp_c"], found.temp_c))
    assert len(rows) > 150
    assert wrong == []


def test_between_charted_rates_the_figure_is_linear():
    # cone 10 self-supporting: 1285 at 60, 1305 at 150 (Orton, current chart); half way is 105 degC/h
    assert equivalent_c("10", 105).temp_c == pytest.approx(1295)


@given(cone=names, rate=st.floats(min_value=0, max_value=600))
def test_no_rate_is_refused_and_one_off_the_chart_says_so(cone, rate):
    found = equivalent_c(cone, rate)
    assert found.beyond_chart or 15 <= rate <= 150
    if found.temp_c is not None:
        assert 580 < found.temp_c < 1400


def test_a_cone_without_a_row_has_no_figure_but_is_not_refused():
    assert equivalent_c("03.5", 60).temp_c is None
