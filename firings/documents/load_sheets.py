"""The load plan as work: computed beside the page, and set as load sheets, one layer a page."""

from __future__ import annotations

import base64
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
from firings.models import LoadPlan
from firings.queries.load_plans import view_of
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
    plan = view_of(row)
    sheets = [
        {
            "zone": zone,
            "layer": layer,
            "boards": [{"board": board, "picture": picture(board.svg)} for board in layer.boards],
        }
        for zone in plan.zones
        for layer in zone.layers
    ]
    context = {
        "coop": computation.coop,
        "firing": row.firing,
        "plan": plan,
        "zones": [{"zone": zone, "picture": picture(zone.svg)} for zone in plan.zones],
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


def picture(svg: str) -> str:
    """A drawing as a data: address, so that a paper holds it as a picture with words beside it."""
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()
