"""Published limits for the work at a kiln, each with its source; they are shown, never measured or judged here."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

from django.utils.translation import gettext_lazy

# Which limits stand on a page, by the kind of work its caution is about (rows of limits.csv).
SHOWN: Final[Mapping[str, tuple[str, ...]]] = {
    "watch": ("SL007", "SL008", "SL001", "SL003", "SL050", "SL092", "SL096", "SL060", "SL068"),
    "reduction": ("SL007", "SL008", "SL003"),
    "soda": ("SL037", "SL050"),
    "unpacking": ("SL100", "SL019", "SL023"),
    "grinding": ("SL019", "SL023", "SL080", "SL081"),
    "wash": ("SL019", "SL023"),
    "wood": ("SL080", "SL081", "SL086"),
    "fire": (
        "SL007",
        "SL008",
        "SL001",
        "SL003",
        "SL019",
        "SL023",
        "SL050",
        "SL092",
        "SL096",
        "SL080",
        "SL060",
        "SL068",
    ),
}
_WORDS: Final = {
    "SL001": gettext_lazy("Carbon monoxide, over 8 hours: %(value)s ppm"),
    "SL003": gettext_lazy("Carbon monoxide, never to be exceeded: %(value)s ppm"),
    "SL007": gettext_lazy("Carbon monoxide, over 8 hours: %(value)s ppm"),
    "SL008": gettext_lazy("Carbon monoxide, over 15 minutes: %(value)s ppm"),
    "SL019": gettext_lazy("Respirable crystalline silica, over 8 hours: %(value)s mg/m³"),
    "SL023": gettext_lazy("Respirable crystalline silica, over 8 hours: %(value)s mg/m³"),
    "SL037": gettext_lazy("Soda on the skin or in the eyes: flush with plenty of water for at least %(value)s minutes"),
    "SL050": gettext_lazy("Looking into heat of about %(most)s °C: infrared filter, scale number 4-4"),
    "SL060": gettext_lazy("Rest in each 24 hours: %(value)s hours in one piece"),
    "SL068": gettext_lazy("Most mishaps from tiredness: %(value)s to %(most)s"),
    "SL080": gettext_lazy("Noise over 8 hours from which ears must be protected: %(value)s dB(A)"),
    "SL081": gettext_lazy("Noise over 8 hours never to be exceeded at the ear: %(value)s dB(A)"),
    "SL086": gettext_lazy("Measured at the ear of who saws: %(value)s to %(most)s dB(A)"),
    "SL092": gettext_lazy("Water to drink in the heat: %(value)s litres an hour each"),
    "SL096": gettext_lazy(
        "Heat index from which heat illness is likely: %(value)s °F; what a kiln radiates comes on top"
    ),
    "SL100": gettext_lazy("A surface burns the skin in a minute from %(value)s °C"),
}


@dataclass(frozen=True, slots=True)
class Limit:
    """One figure in a sentence, where it holds, where it was published, and whether it was read there."""

    id: str
    text: str
    where: str
    source: str
    is_checked: bool


@cache
def _rows() -> Mapping[str, Mapping[str, str]]:
    with Path(__file__).with_name("limits.csv").open(newline="", encoding="utf-8") as file:
        return {row["id"]: row for row in csv.DictReader(line for line in file if not line.startswith("#"))}


def limits_for(kind: str) -> list[Limit]:
    """The limits for a kind of work, none where it has none."""
    found = []
    for key in SHOWN.get(kind, ()):
        row = _rows()[key]
        text = _WORDS[key] % {"value": row["value"], "most": row["value_max"]}
        found.append(Limit(key, text, row["where"], row["source"], row["checked"] == "yes"))
    return found
