"""The report of a year as PDF."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.utils import timezone
from django.utils.translation import gettext as _

from billing.queries.reports import year_report
from coop import documents, pdf
from coop.models import Computation
from coop.transactions import reading


def make(computation: Computation, now: datetime) -> dict[str, Any]:
    """Make and keep the paper for whoever asked; run twice, the first one stays. Raises PdfOff."""
    coop, year = computation.coop, int(computation.request["year"])
    with reading(coop), timezone.override(ZoneInfo(coop.time_zone)):
        report = year_report(coop, year)
        context = {"coop": coop, "report": report, "currency": coop.currency, "made_at": now}
        content = pdf.from_template("print/year_report.html", context)
    document = documents.keep(
        coop,
        kind="year_report",
        subject=computation.subject,
        title=_("Report of the year %(year)d") % {"year": year},
        file_name=f"year-{year}.pdf",
        content=content,
        now=now,
        for_membership=computation.asked_by,
        computation=computation,
    )
    return {"document": str(document.public_id)}
