"""A kiln as a file (``kiln/1``): zones, furniture, hours, crew by phase and clean-up checklist."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from coop.errors import Malformed, Refused
from firings import exchange
from firings.fire import cones

SCHEMA: Final = Path(__file__).with_name("kiln-1.schema.json")


@dataclass(frozen=True, slots=True)
class Posts:
    """Posts of one height in a zone's set."""

    height_mm: int
    count: int


@dataclass(frozen=True, slots=True)
class ZoneSpec:
    """One zone, with the fields of a load request's kiln; lengths in mm, keepouts as x0, y0, x1, y1."""

    id: str
    name: str
    boards_per_layer: int
    board_mm: tuple[int, int]
    chamber_height_mm: int
    shelf_thickness_mm: int
    clearance_above_mm: int
    wadding_mm: int
    gap_mm: int
    keepouts_mm: tuple[tuple[int, int, int, int], ...]
    layer_heights_mm: tuple[int, ...]
    posts: tuple[Posts, ...]
    posts_per_board: int
    cone: str
    soda: bool


@dataclass(frozen=True, slots=True)
class Hours:
    """Hours of fire from lighting to end of fire: low <= likely <= high."""

    low: int
    likely: int
    high: int


@dataclass(frozen=True, slots=True)
class Phase:
    """A part of the fire in thousandths of its likely hours, and the places on each of its watches."""

    name: str
    from_permille: int
    to_permille: int
    people: int
    leads: int


@dataclass(frozen=True, slots=True)
class ChecklistLine:
    """One thing to do before the next crew, due so many days after the clean-up begins.

    ``safety``: the next fire must not be lit before it is done; ``sign_off``: the training it needs, or "".
    """

    text: str
    due_days: int
    safety: bool = False
    sign_off: str = ""


@dataclass(frozen=True, slots=True)
class KilnSpec:
    """Everything needed to found a kiln. ``opening_c`` is the temperature below which it may be opened."""

    name: str
    volume_ml: int
    zones: tuple[ZoneSpec, ...]
    hours: Hours
    load_hours: int
    cool_hours: int
    cleanup_hours: int
    phases: tuple[Phase, ...]
    watch_hours: int
    checklist: tuple[ChecklistLine, ...]
    opening_c: int
    least_rate_c_per_h: int
    wood_kg_per_m3: int


def read_kiln(text: str) -> KilnSpec:
    """The kiln in a ``kiln/1`` file; raises Malformed with one sentence per fault."""
    return from_document(exchange.read(text, exchange.read_schema(SCHEMA)))


def from_document(document: Mapping[str, Any]) -> KilnSpec:
    """The kiln in a document that obeys the schema; raises Malformed where it contradicts itself."""
    kiln = KilnSpec(
        name=document["name"],
        volume_ml=document["volume_ml"],
        zones=tuple(_zone(zone) for zone in document["zones"]),
        hours=Hours(**document["hours"]),
        load_hours=document["load_hours"],
        cool_hours=document["cool_hours"],
        cleanup_hours=document["cleanup_hours"],
        phases=tuple(Phase(**phase) for phase in document["phases"]),
        watch_hours=document["watch_hours"],
        checklist=tuple(ChecklistLine(**line) for line in document["checklist"]),
        opening_c=document.get("opening_c", 100),
        least_rate_c_per_h=document.get("least_rate_c_per_h", 20),
        wood_kg_per_m3=document.get("wood_kg_per_m3", 600),
    )
    if faults := _faults(kiln):
        raise Malformed(faults)
    return kiln


def _zone(zone: Mapping[str, Any]) -> ZoneSpec:
    width, length = zone["board_mm"]
    return ZoneSpec(
        id=zone["id"],
        name=zone["name"],
        boards_per_layer=zone["boards_per_layer"],
        board_mm=(width, length),
        chamber_height_mm=zone["chamber_height_mm"],
        shelf_thickness_mm=zone["shelf_thickness_mm"],
        clearance_above_mm=zone["clearance_above_mm"],
        wadding_mm=zone["wadding_mm"],
        gap_mm=zone["gap_mm"],
        keepouts_mm=tuple((x0, y0, x1, y1) for x0, y0, x1, y1 in zone["keepouts_mm"]),
        layer_heights_mm=tuple(zone.get("layer_heights_mm", ())),
        posts=tuple(Posts(**posts) for posts in zone.get("posts", ())),
        posts_per_board=zone.get("posts_per_board", 3),
        cone=zone["cone"],
        soda=zone.get("soda", False),
    )


def _faults(kiln: KilnSpec) -> list[str]:
    return [
        *_zone_faults(kiln.zones),
        *_hour_faults(kiln.hours),
        *_phase_faults(kiln.phases),
    ]


def _zone_faults(zones: Sequence[ZoneSpec]) -> list[str]:
    faults = [
        f"zones: the id “{name}” stands there twice; give each zone its own."
        for name, times in Counter(zone.id for zone in zones).items()
        if times > 1
    ]
    for zone in zones:
        try:
            cones.rank(zone.cone)
        except Refused as refused:
            faults.append(f"zone {zone.id}, cone: {refused}")
        lowest = zone.shelf_thickness_mm + zone.clearance_above_mm + zone.wadding_mm
        if zone.chamber_height_mm <= lowest:
            faults.append(f"zone {zone.id}: nothing fits under {lowest} mm; raise chamber_height_mm.")
        for x0, y0, x1, y1 in zone.keepouts_mm:
            if x1 <= x0 or y1 <= y0:
                faults.append(f"zone {zone.id}: the post spot {x0}, {y0}, {x1}, {y1} has no area; give two corners.")
            elif x1 > zone.board_mm[0] or y1 > zone.board_mm[1]:
                faults.append(f"zone {zone.id}: the post spot at {x0}, {y0} lies off the board; move it.")
    return faults


def _hour_faults(hours: Hours) -> list[str]:
    if hours.low <= hours.likely <= hours.high:
        return []
    return ["hours: they must rise: low, likely, high; put them in order."]


def _phase_faults(phases: Sequence[Phase]) -> list[str]:
    faults, reached = [], 0
    for phase in phases:
        if phase.from_permille != reached:
            faults.append(
                f"phase {phase.name}: it begins at {phase.from_permille} but must begin at {reached}; "
                "phases follow one another without gaps."
            )
        if phase.to_permille <= phase.from_permille:
            faults.append(f"phase {phase.name}: it must end after it begins; raise to_permille.")
        if phase.leads > phase.people:
            faults.append(f"phase {phase.name}: there are more leads than people; raise people.")
        reached = phase.to_permille
    if reached != 1000:
        faults.append("phases: the last one must end at 1000, the end of fire; change its to_permille.")
    return faults
