"""The load plan as work: computed beside the page, and set as load sheets, one layer a page."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from django.urls import reverse
from django.utils.text import slugify
from django.utils.translation import gettext as _

from coop import documents, pdf
from coop.computations import work
from coop.errors import Refused
from coop.models import Computation
from firings.load_plan.problem import ZoneSpec, request_from
from firings.models import LoadPlan
from firings.queries.load_plans import LayerView, Stand, ZoneView, view_of
from firings.services import load_plans


@work("load_plan")
def compute_load_plan(computation: Computation, now: datetime) -> dict[str, Any]:
    """Plan what holds space now; the answer names the proposal. Safe to run twice: the same plan is kept once."""
    made = load_plans.propose_now(
        computation.coop,
        by=computation.asked_by,
        now=now,
        firing_id=UUID(str(computation.subject)),
        seed=int(computation.request.get("seed", 1)),
    )
    address = reverse("firing_load_plan", kwargs={"coop": computation.coop.slug, "firing": str(computation.subject)})
    return {"plan": str(made.public_id), "version": made.version, "link": f"{address}?version={made.version}"}


@work("load_sheets")
def set_load_sheets(computation: Computation, now: datetime) -> dict[str, Any]:
    """The load sheets of one plan as PDF, kept as a paper."""
    row: LoadPlan | None = (
        LoadPlan.objects.of(computation.coop)
        .filter(public_id=computation.subject)
        .select_related("firing__kiln", "firing__lead__person", "made_by__person", "accepted_by__person")
        .first()
    )
    if row is None:
        raise Refused(_("This load plan is not there any more."))
    paper = PAPERS[computation.request.get("paper", "a4")]
    plan = view_of(row, least_text=_SMALLEST_MM * _usual_scale(row, paper))
    request = request_from(row.request)
    specs = {zone.id: zone for zone in request.zones}
    sheets = [_sheet(specs[zone.name], layer, paper) for zone in plan.zones for layer in zone.layers]
    stacks = [zone for zone in plan.zones if zone.stack_mm]
    context = {
        "coop": computation.coop,
        "firing": row.firing,
        "plan": plan,
        "paper": paper,
        "zones": [
            {"zone": zone, "picture": picture(zone.svg), **_stack_size(specs[zone.name], zone, paper, len(stacks))}
            for zone in plan.zones
        ],
        "sheets": sheets,
        "now": now,
        "document_title": _("Load sheets: %(firing)s") % {"firing": row.firing.name},
    }
    document = documents.keep(
        computation.coop,
        kind="load_sheets",
        subject=row.firing.public_id,
        title=_("Load sheets of %(firing)s, plan %(version)s") % {"firing": row.firing.name, "version": row.version},
        file_name=f"load-sheets-{slugify(row.firing.name) or 'firing'}-{row.version}.pdf",
        content=pdf.from_template("print/load_sheets.html", context),
        now=now,
        computation=computation,
    )
    return {"document": str(document.public_id)}


@dataclass(frozen=True, slots=True)
class Paper:
    """A size of paper and what of it can be printed on, mm."""

    css: str
    wide_mm: float
    high_mm: float


# Margins of 12 mm above, 14 mm beside and 16 mm below, as in the templates.
PAPERS = {"a4": Paper("A4", 182, 269), "letter": Paper("letter", 187, 251)}
SCALES = (1.0, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0)
_SMALLEST_MM = 2.3  # of a letter on paper, about 6.5 pt
_HEAD_MM, _UNDER_BOARD_MM, _LINE_MM, _LETTERS = 25, 8, 4.4, 54


def _sheet(zone: ZoneSpec, layer: LayerView, paper: Paper) -> dict[str, Any]:
    """One layer a page: its boards as large as they fit beside the list of their pots, at a round scale."""
    lines = sum(-(-len(_said(stand)) // _LETTERS) for board in layer.boards for stand in board.stands)
    for_list = _LINE_MM * (-(-(lines + len(layer.boards)) // 2) + 1)
    scale, columns = _scale(zone, len(layer.boards), paper, paper.high_mm - _HEAD_MM - for_list)
    return {
        "zone": zone.id,
        "layer": layer,
        "scale": _n(scale),
        "width_mm": _n((zone.board_w_mm + 8) / scale),
        "columns": columns,
        "boards": [{"board": board, "picture": picture(board.svg)} for board in layer.boards],
    }


def _scale(zone: ZoneSpec, boards: int, paper: Paper, high_mm: float) -> tuple[float, int]:
    """The largest scale (smallest number) at which all boards go into this height, and how many side by side."""
    for scale in SCALES:
        for columns in range(1, boards + 1):
            wide = columns * (zone.board_w_mm + 8) / scale + 5 * (columns - 1)
            high = -(-boards // columns) * ((zone.board_l_mm + 8) / scale + _UNDER_BOARD_MM)
            if wide <= paper.wide_mm and high <= high_mm:
                return scale, columns
    return SCALES[-1], boards


def _usual_scale(row: LoadPlan, paper: Paper) -> float:
    """The scale at which an empty layer would be printed: for how small letters may be in a drawing."""
    zones = request_from(row.request).zones
    return max(_scale(zone, zone.boards_per_layer, paper, paper.high_mm / 2)[0] for zone in zones)


def _stack_size(zone: ZoneSpec, view: ZoneView, paper: Paper, stacks: int) -> dict[str, str]:
    wide = 1.3 * zone.boards_per_layer * (zone.board_w_mm + 10)
    high = max(zone.height_mm, view.stack_mm)
    room = (paper.high_mm - 45) / max(stacks, 1) - 24
    scale = next((s for s in SCALES if wide / s <= 0.62 * paper.wide_mm and high / s <= room), SCALES[-1])
    beside = max(90.0, zone.boards_per_layer * (zone.board_w_mm + 10) / 4)  # as in drawing.stack_svg
    return {
        "scale": _n(scale),
        "width_mm": _n((zone.boards_per_layer * (zone.board_w_mm + 10) + beside + 8) / scale),
    }


def _said(stand: Stand) -> str:
    turned = ", turned" if stand.placed.turned else ""
    piece = stand.piece
    return f"00 {piece.label} ({piece.id}){turned} {stand.owner} {piece.h} mm {stand.x_mm} / {stand.y_mm}"


def _n(value: float) -> str:
    """Figures for a style sheet: a point, never a comma."""
    return f"{value:.1f}".removesuffix(".0")


def picture(svg: str) -> str:
    """A drawing as a data: address, so that a paper holds it as a picture with words beside it."""
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()
