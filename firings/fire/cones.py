"""Pyrometric cones: an ordered list of names (06 is below 6), never numbers, and their temperatures."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

from coop.errors import Refused

CONES: Final[tuple[str, ...]] = (
    *("022", "021", "020", "019", "018", "017", "016", "015", "014", "013", "012", "011", "010"),
    *("09", "08", "07", "06", "05.5", "05", "04", "03.5", "03", "02", "01"),
    *("1", "2", "3", "4", "5", "5.5", "6", "7", "8", "9", "10", "11", "12", "13", "14"),
)
_RANKS: Final[Mapping[str, int]] = {name: place for place, name in enumerate(CONES)}
_DRESSING: Final = re.compile(r"^(?:cone|cn|[Δ△▲∆^])\.?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class ConeChart:
    """One published table: ``kind`` of cone and edition, as ``cone_chart.csv`` names them."""

    cone_type: str
    edition: str
    title: str


SELF_SUPPORTING: Final = ConeChart(
    "self_supporting_regular", "current", "Orton self-supporting cones, current chart (revised 1996)"
)
LARGE: Final = ConeChart("large_regular", "current", "Orton large cones, current chart (revised 1996)")
LARGE_OLDER: Final = ConeChart("large_regular", "older", "Orton large cones, older chart (before 1996)")
SELF_SUPPORTING_IRON_FREE: Final = ConeChart(
    "self_supporting_iron_free",
    "current",
    "Orton iron-free self-supporting cones, current (revised 1996)",
)
LARGE_IRON_FREE: Final = ConeChart(
    "large_iron_free", "current", "Orton large iron-free cones, current chart (revised 1996)"
)
SMALL: Final = ConeChart("small_regular", "current", "Orton small cones, current chart (revised 1996)")


@dataclass(frozen=True, slots=True)
class Equivalent:
    """Charted temperature of a cone at a heating rate.

    ``temp_c`` is None where the chart has no row for the cone. ``beyond_chart`` is true when the rate
    lies outside the charted rates; then the figure of the nearest charted rate is given.
    """

    cone: str
    temp_c: float | None
    rate_c_per_h: float
    chart: str
    beyond_chart: bool


def canonical(name: str) -> str:
    """The cone's name as the list has it: "Cone 06", "Δ06" and " 06 " are "06"; raises Refused if unknown."""
    text = _DRESSING.sub("", name.strip()).strip().replace("½", ".5").replace(",", ".")
    if text not in _RANKS:
        raise Refused(_unknown(name))
    return text


def rank(name: str) -> int:
    """Place of the cone from coolest (022 is 0) to hottest; raises Refused if unknown."""
    return _RANKS[canonical(name)]


def stands(body_cone: str, zone_cone: str) -> bool:
    """True if a body (or glaze) rated ``body_cone`` may stand where ``zone_cone`` is reached."""
    return rank(body_cone) >= rank(zone_cone)


def equivalent_c(cone: str, rate_c_per_h: float, chart: ConeChart = SELF_SUPPORTING) -> Equivalent:
    """Temperature equivalent in °C by heating rate (°C/h over the last 100 °C), linear between charted rates.

    Source of the figures: ``cone_chart.csv`` (Orton). A rate off the chart, or a cone without a row,
    is said in the result and never refused: soda, long firings and probes differ from any chart.
    """
    name = canonical(cone)
    charted = sorted(_rows(chart).get(name, {}).items())
    if not charted:
        return Equivalent(name, None, rate_c_per_h, chart.title, True)
    (slowest, _), (fastest, _) = charted[0], charted[-1]
    if not slowest <= rate_c_per_h <= fastest:
        nearest = charted[0] if rate_c_per_h < slowest else charted[-1]
        return Equivalent(name, float(nearest[1]), rate_c_per_h, chart.title, True)
    below = max(point for point in charted if point[0] <= rate_c_per_h)
    above = min(point for point in charted if point[0] >= rate_c_per_h)
    run = above[0] - below[0]
    share = (rate_c_per_h - below[0]) / run if run else 0.0
    return Equivalent(name, below[1] + share * (above[1] - below[1]), rate_c_per_h, chart.title, False)


def _unknown(name: str) -> str:
    shown = name.strip()[:20] or "(empty)"
    return (
        f"There is no cone “{shown}”; pick one of 022 to 01 (with 05.5 and 03.5) or 1 to 14 (with 5.5), "
        "and write the leading zero: 06 is cooler than 6."
    )


@cache
def _rows(chart: ConeChart) -> Mapping[str, Mapping[int, int]]:
    rows: dict[str, dict[int, int]] = {}
    with Path(__file__).with_name("cone_chart.csv").open(encoding="utf-8", newline="") as source:
        for row in csv.DictReader(source):
            if (row["cone_type"], row["chart"]) == (chart.cone_type, chart.edition):
                rows.setdefault(row["cone"], {})[int(row["rate_c_per_h"])] = int(row["temp_c"])
    return rows
