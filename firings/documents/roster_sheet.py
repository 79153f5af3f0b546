"""The watch roster as a sheet for the wall by the kiln (PDF)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
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
from firings.queries.watches import WatchRow

DAYS_A_SHEET = 2


@dataclass(frozen=True, slots=True)
class Sheet:
    """One page for the wall: the watches that begin on these days, in order."""

    first: datetime
    last: datetime
    rows: tuple[WatchRow, ...]


def context_of(firing: Firing, now: datetime) -> dict[str, Any]:
    """What the sheets show: all watches with places and gaps, two days a page, and the chores around the fire."""
    rows = watches.rows_for(firing, None, now)
    return {
        "firing": firing,
        "coop": firing.coop,
        "sheets": sheets_of(rows, ZoneInfo(firing.coop.time_zone)),
        "chores": chores.rows_for(firing, None, now),
        "made_at": now,
        "title": _("Watch roster: %(firing)s") % {"firing": firing.name},
    }


def sheets_of(rows: Sequence[WatchRow], zone: ZoneInfo) -> list[Sheet]:
    """The watches by the local day they begin on, two days to a page; a day without a watch takes no room."""
    days = [
        tuple(of_day) for _day, of_day in groupby(rows, key=lambda row: row.watch.starts_at.astimezone(zone).date())
    ]
    pages = [days[start : start + DAYS_A_SHEET] for start in range(0, len(days), DAYS_A_SHEET)]
    return [
        Sheet(page[0][0].watch.starts_at, page[-1][0].watch.starts_at, tuple(row for day in page for row in day))
        for page in pages
    ]


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
