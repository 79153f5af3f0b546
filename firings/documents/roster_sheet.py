"""The watch roster as a sheet for the wall by the kiln (PDF)."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.template.defaultfilters import slugify
from django.utils import timezone
from django.utils.translation import gettext as _

from coop import documents, pdf
from coop.computations import work
from coop.models import Computation
from coop.transactions import reading
from firings.models import Firing
from firings.queries import chores, watches
from firings.queries.firings import firing_of


def context_of(firing: Firing, now: datetime) -> dict[str, Any]:
    """What the sheet shows: all watches with places and gaps, and the chores around the fire."""
    rows = watches.rows_for(firing, None, now)
    return {
        "firing": firing,
        "coop": firing.coop,
        "rows": rows,
        "chores": chores.rows_for(firing, None, now),
        "made_at": now,
        "title": _("Watch roster: %(firing)s") % {"firing": firing.name},
    }


@work("roster_sheet")
def make_sheet(row: Computation, now: datetime) -> dict[str, Any]:
    """Set the sheet and keep it. Raises NotFound, PdfOff."""
    with reading(row.coop), timezone.override(ZoneInfo(row.coop.time_zone)):
        firing = firing_of(row.coop, row.subject)
        context = context_of(firing, now)
        content = pdf.from_template("print/roster.html", context)
    document = documents.keep(
        row.coop,
        kind="roster_sheet",
        subject=firing.public_id,
        title=context["title"],
        file_name=f"roster-{slugify(firing.name) or 'firing'}.pdf",
        content=content,
        now=now,
        computation=row,
    )
    return {"document": str(document.public_id)}
