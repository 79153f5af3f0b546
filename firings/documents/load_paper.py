"""Load sheets of a plan in a file, without a database: one layer a page, the stack in front."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext as _

from coop import pdf
from firings.documents.load_sheets import picture
from firings.load_plan import rules
from firings.load_plan.drawing import board_svg, stack_svg
from firings.load_plan.problem import LoadPlan, LoadRequest, Placed, PlannedLayer


def load_paper(request: LoadRequest, plan: LoadPlan) -> bytes:
    """A PDF of a plan that breaks no rule of its request. Raises PdfOff where type cannot be set."""
    context = {
        "request_name": request.name,
        "document_title": _("Load sheets: %(name)s") % {"name": request.name},
        "zones": [_zone(request, plan, zone_id) for zone_id in rules.stacks(request, plan)],
        "left_out": plan.left_out,
    }
    return pdf.from_template("print/load_paper.html", context)


def _zone(request: LoadRequest, plan: LoadPlan, zone_id: str) -> dict[str, Any]:
    zone = request.zone(zone_id)
    layers = [layer for layer in plan.layers if layer.zone == zone_id]
    return {
        "name": zone_id,
        "height_mm": zone.height_mm if zone else 0,
        "stack_mm": rules.stacks(request, plan)[zone_id],
        "picture": picture(stack_svg(request, plan, zone_id)),
        "layers": [
            {
                "number": number,
                "height_mm": layer.height_mm,
                "boards": [_board(request, layer, number, board) for board in range(1, len(layer.boards) + 1)],
            }
            for number, layer in enumerate(layers, 1)
        ],
    }


def _board(request: LoadRequest, layer: PlannedLayer, number: int, board: int) -> dict[str, Any]:
    pieces = {piece.id: piece for piece in request.pieces}

    def line(one: Placed) -> dict[str, Any]:
        return {"piece": pieces[one.id], "x_mm": round(one.x), "y_mm": round(one.y), "turned": one.turned}

    return {
        "number": board,
        "picture": picture(board_svg(request, layer, board, number=number)),
        "stands": [line(one) for one in layer.boards[board - 1]],
    }
