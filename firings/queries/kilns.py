"""Page-sized reads of kilns, materials and wood, and a kiln told as a ``kiln/1`` document."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final
from uuid import UUID

from django.core.paginator import Page, Paginator
from django.db.models import F
from django.utils.translation import gettext as _

from coop.errors import NotFound
from coop.models import Coop, Person
from firings import lifecycle
from firings.fire import cones
from firings.models import CrewPhase, Firing, Kiln, Material, WoodMove, WoodStack, Zone

PER_PAGE: Final = 50
FIRINGS_SHOWN: Final = 20
MOVES_SHOWN: Final = 20
# The rate behind the figures people know by heart: cone 06 at 998 °C, cone 6 at 1222 °C (cone_chart.csv).
_USUAL_RATE_C_PER_H: Final = 60


@dataclass(frozen=True, slots=True)
class Spot:
    """A post on a drawn board: from the upper left corner, in mm."""

    x: int
    y: int
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class ZoneShown:
    """A zone with its board as it is drawn: corner 0, 0 of the post spots at the lower left."""

    zone: Zone
    spots: list[Spot]


@dataclass(frozen=True, slots=True)
class PhaseShown:
    """A crew phase with its place in the likely hours of fire."""

    phase: CrewPhase
    from_minutes: int
    to_minutes: int

    @property
    def percents(self) -> str:
        return f"{self.phase.from_permille / 10:g}–{self.phase.to_permille / 10:g}\N{NO-BREAK SPACE}%"


def kilns_listed(coop: Coop, *, page: str | int = 1) -> Page[Kiln]:
    """Kilns in use first, then retired ones, with their zones; 50 a page."""
    in_use_first = F("retired_at").asc(nulls_first=True)
    rows = Kiln.objects.of(coop).prefetch_related("zones").order_by(in_use_first, "name")
    return Paginator(rows, PER_PAGE).get_page(page)


def kiln_whole(coop: Coop, kiln_id: UUID) -> Kiln:
    """One kiln with all its parts, or NotFound."""
    found: Kiln | None = (
        Kiln.objects.of(coop)
        .prefetch_related("zones__post_spots", "posts", "phases", "template_items")
        .filter(public_id=kiln_id)
        .first()
    )
    if found is None:
        raise NotFound(_("There is no such kiln here."))
    return found


def zones_shown(kiln: Kiln) -> list[ZoneShown]:
    return [
        ZoneShown(
            zone,
            [
                Spot(spot.x0_mm, zone.board_l_mm - spot.y1_mm, spot.x1_mm - spot.x0_mm, spot.y1_mm - spot.y0_mm)
                for spot in zone.post_spots.all()
            ],
        )
        for zone in kiln.zones.all()
    ]


def phases_shown(kiln: Kiln) -> list[PhaseShown]:
    def minutes(permille: int) -> int:
        return kiln.hours_likely * 60 * permille // 1000

    return [PhaseShown(phase, minutes(phase.from_permille), minutes(phase.to_permille)) for phase in kiln.phases.all()]


def firings_of(kiln: Kiln) -> list[Firing]:
    """The latest firings of a kiln."""
    return list(Firing.objects.for_list().filter(coop=kiln.coop_id, kiln=kiln).order_by("-lights_at")[:FIRINGS_SHOWN])


def document_of(kiln: Kiln) -> dict[str, Any]:
    """A kiln (with its parts at hand, see ``kiln_whole``) as a ``kiln/1`` document that makes the same kiln.

    Posts belong to the whole kiln; the document lists them with its first zone.
    """
    posts = [{"height_mm": row.height_mm, "count": row.count} for row in kiln.posts.all()]
    return {
        "format": "kiln/1",
        "name": kiln.name,
        "volume_ml": kiln.volume_l * 1000,
        "opening_c": kiln.opening_c,
        "least_rate_c_per_h": kiln.least_rate_c_per_h,
        "wood_kg_per_m3": kiln.wood_kg_per_m3,
        "hours": {"low": kiln.hours_low, "likely": kiln.hours_likely, "high": kiln.hours_high},
        "load_hours": kiln.loading_hours,
        "cool_hours": kiln.cooling_hours,
        "cleanup_hours": kiln.cleanup_hours,
        "watch_hours": kiln.watch_hours,
        "zones": [
            {
                "id": f"zone-{number}",
                "name": zone.name,
                "cone": zone.cone,
                "soda": zone.is_soda,
                "boards_per_layer": zone.boards_per_layer,
                "board_mm": [zone.board_w_mm, zone.board_l_mm],
                "chamber_height_mm": zone.usable_height_mm,
                "shelf_thickness_mm": zone.board_thickness_mm,
                "clearance_above_mm": zone.air_above_mm,
                "wadding_mm": zone.wad_mm,
                "gap_mm": zone.gap_mm,
                "posts_per_board": zone.posts_per_board,
                "posts": posts if number == 1 else [],
                "keepouts_mm": [[s.x0_mm, s.y0_mm, s.x1_mm, s.y1_mm] for s in zone.post_spots.all()],
            }
            for number, zone in enumerate(kiln.zones.all(), start=1)
        ],
        "phases": [
            {
                "name": phase.name,
                "from_permille": phase.from_permille,
                "to_permille": phase.to_permille,
                "people": phase.people,
                "leads": phase.leads,
            }
            for phase in kiln.phases.all()
        ],
        "checklist": [
            {"text": line.text, "due_days": line.due_days, "safety": line.is_safety}
            | ({"sign_off": line.needs_sign_off} if line.needs_sign_off else {})
            for line in kiln.template_items.all()
        ],
    }


def materials_listed(coop: Coop, *, page: str | int = 1) -> Page[Material]:
    """Materials in use by kind and name; 50 a page."""
    rows = Material.objects.of(coop).filter(retired_at=None).order_by("kind", "name")
    return Paginator(rows, PER_PAGE).get_page(page)


def material_for(coop: Coop, material_id: UUID) -> Material:
    """One material, or NotFound."""
    found: Material | None = Material.objects.of(coop).filter(public_id=material_id).first()
    if found is None:
        raise NotFound(_("There is no such material here."))
    return found


def wood_listed(coop: Coop, *, page: str | int = 1) -> Page[WoodStack]:
    """Wood stacks in the order they are reached; 50 a page."""
    return Paginator(WoodStack.objects.of(coop).select_related("kiln"), PER_PAGE).get_page(page)


def stack_for(coop: Coop, stack_id: UUID) -> WoodStack:
    """One wood stack, or NotFound."""
    found: WoodStack | None = WoodStack.objects.of(coop).select_related("kiln").filter(public_id=stack_id).first()
    if found is None:
        raise NotFound(_("There is no such stack here."))
    return found


def firings_to_burn_in(coop: Coop) -> list[Firing]:
    """Firings under way, soonest first: wood is taken off a stack for them."""
    return list(Firing.objects.of(coop).filter(stage__in=lifecycle.HOLDS_KILN).order_by("lights_at")[:PER_PAGE])


def moves_of(stack: WoodStack) -> list[WoodMove]:
    """The latest wood put on a stack or taken off it."""
    rows = WoodMove.objects.filter(coop=stack.coop_id, stack=stack).select_related("by__person", "firing")
    return list(rows[:MOVES_SHOWN])


def cone_words(cone: str, person: Person | None = None) -> str:
    """``cone 06 (about 998 °C)``: the temperature beside the name, because 06 and 6 look alike."""
    temp = cones.equivalent_c(cone, _USUAL_RATE_C_PER_H).temp_c
    if temp is None:
        return _("cone %(cone)s") % {"cone": cone}
    in_fahrenheit = person is not None and person.temperature_unit == Person.Temperature.FAHRENHEIT
    shown = f"{round(temp * 9 / 5 + 32)} °F" if in_fahrenheit else f"{round(temp)} °C"
    return _("cone %(cone)s (about %(temp)s)") % {"cone": cone, "temp": shown}
