"""Published limits stand with their source where the work is done, and nobody is told that a danger is over."""

import re
from pathlib import Path

import pytest
from django.template.loader import render_to_string

from coop.limits import SHOWN, limits_for

# ref safety_limits.csv, the figure of each row as it was read there
PUBLISHED = {
    "SL001": "50 ppm",  # 29 CFR 1910.1000 Table Z-1
    "SL003": "200 ppm",  # NIOSH criteria document 1972, ceiling
    "SL007": "20 ppm",  # Directive 2004/37/EC Annex III, 8 h
    "SL008": "100 ppm",  # the same, 15 min
    "SL019": "0.05 mg/m³",  # 29 CFR 1910.1053
    "SL023": "0.1 mg/m³",  # Directive (EU) 2017/2398
    "SL037": "15 minutes",  # soda-ash safety data sheet
    "SL050": "1290 °C",  # EN 171, table of typical applications, scale number 4-4
    "SL060": "11 hours",  # Directive 2003/88/EC Art. 3
    "SL068": "02:00 to 06:00",  # HSE HSG256 (2006), as summarised
    "SL080": "85 dB(A)",  # Directive 2003/10/EC Art. 3, upper action value
    "SL081": "87 dB(A)",  # the same, exposure limit value
    "SL086": "95.2 to 101.1 dB(A)",  # Stanek, Mergl, Neruda 2022 preprint
    "SL092": "0.95 litres",  # OSHA proposed heat rule 2024, as summarised
    "SL096": "103 °F",  # OSHA, Using the Heat Index
    "SL100": "51 °C",  # EN ISO 13732-1, from memory
}


def test_every_limit_is_the_published_figure_with_its_source_beside():
    shown = {one.id: one for kind in SHOWN for one in limits_for(kind)}
    assert set(shown) == set(PUBLISHED)
    for key, figure in PUBLISHED.items():
        assert figure in shown[key].text
        assert len(shown[key].source) > 5
    assert [key for key, one in shown.items() if not one.is_checked] == ["SL100"]


@pytest.mark.parametrize("kind", sorted(set(SHOWN) - {"fire"}))
def test_each_caution_carries_its_limits_and_defers_to_local_codes(kind):
    page = render_to_string("coop/_caution.html", {"kind": kind})
    for one in limits_for(kind):
        assert one.source in page
    assert "never says that a danger is over" in page
    assert "Local codes, fire authorities and licensed practice decide." in page


def test_a_caution_without_limits_says_nothing_of_measuring():
    assert "measures none" not in render_to_string("coop/_caution.html", {"kind": "hours"})


def test_carbon_monoxide_silica_heat_noise_and_rest_are_all_there():
    words = " ".join(one.text for kind in SHOWN for one in limits_for(kind))
    for hazard in ("Carbon monoxide", "silica", "Heat index", "Noise", "Rest in each"):
        assert hazard in words


def test_no_template_tells_anybody_that_a_danger_is_over():
    soothing = re.compile(
        r"(?<!never says )\b(is|are) (now )?safe\b|all clear|no danger|danger is over(?!\.)|out of danger", re.I
    )
    root = Path(__file__).resolve().parents[2]
    found = [
        f"{path.name}: {line.strip()[:80]}"
        for path in [*root.glob("*/templates/**/*.html"), *root.glob("*/static/**/*.js")]
        for line in path.read_text("utf-8").splitlines()
        if soothing.search(line)
    ]
    assert found == []
