"""Sheets for the wall by the kiln: the clean-up checklist, and blank log sheets for a night without phones."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.utils import timezone
from django.utils.text import slugify
from django.utils.translation import gettext as _

from coop import documents, pdf
from coop.computations import work
from coop.errors import Refused
from coop.models import Computation, SignOff
from coop.transactions import reading
from firings.models import Firing
from firings.queries.cleanup import checklist_lines
from firings.queries.firings import firing_of

SHEETS = 3
ROWS_A_SHEET = 16


def checklist_context(firing: Firing, now: datetime) -> dict[str, Any]:
    """The lines with names, due dates and room for a tick. Raises Refused before clean-up."""
    checklist = getattr(firing, "checklist", None)
    if checklist is None:
        raise Refused(_("There is no checklist yet; it is made when the firing enters clean-up."))
    words = dict(SignOff.Kind.choices)
    return {
        "coop": firing.coop,
        "firing": firing,
        "checklist": checklist,
        "lines": [
            {"item": item, "sign_off": words.get(item.needs_sign_off, item.needs_sign_off)}
            for item in checklist_lines(firing.coop, firing)
        ],
        "made_at": now,
        "title": _("Clean-up checklist: %(firing)s") % {"firing": firing.name},
    }


@work("checklist_sheet")
def make_checklist_sheet(row: Computation, now: datetime) -> dict[str, Any]:
    """Set the checklist and keep it. Raises NotFound, Refused, PdfOff."""
    return _make(row, now, "print/checklist.html", "checklist")


@work("log_sheet")
def make_log_sheet(row: Computation, now: datetime) -> dict[str, Any]:
    """Set blank log sheets and keep them. Raises NotFound, PdfOff."""
    return _make(row, now, "print/log_sheet.html", "log-sheet")


def _make(row: Computation, now: datetime, template: str, file_stem: str) -> dict[str, Any]:
    with reading(row.coop), timezone.override(ZoneInfo(row.coop.time_zone)):
        firing = firing_of(row.coop, row.subject)
        if row.kind == "checklist_sheet":
            context = checklist_context(firing, now)
        else:
            context = {
                "coop": row.coop,
                "firing": firing,
                "sheets": range(SHEETS),
                "rows": range(ROWS_A_SHEET),
                "title": _("Log sheet: %(firing)s") % {"firing": firing.name},
            }
        content = pdf.from_template(template, context)
    document = documents.keep(
        row.coop,
        kind=row.kind,
        subject=firing.public_id,
        title=context["title"],
        file_name=f"{file_stem}-{slugify(firing.name) or 'firing'}.pdf",
        content=content,
        now=now,
        computation=row,
    )
    return {"document": str(document.public_id)}
