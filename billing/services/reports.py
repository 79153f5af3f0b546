"""Asking for the year's report as a paper."""

from __future__ import annotations

from datetime import datetime
from uuid import uuid5

from django.utils.translation import gettext as _

from billing.access import check_reads_ledger
from billing.queries.reports import years
from coop import computations
from coop.errors import NotFound
from coop.models import Computation, Coop, Membership
from coop.transactions import use_case

YEAR_REPORT = "year_report"


@use_case
def ask_for_year_report(coop: Coop, *, by: Membership, now: datetime, year: int) -> Computation:
    """Ask for the report of a year as PDF, for whoever asks. Raises NotFound for a year without postings."""
    check_reads_ledger(by)
    if year not in years(coop):
        raise NotFound(_("Nothing was posted in %(year)s.") % {"year": year})
    subject = uuid5(coop.public_id, f"year report {year} for {by.public_id}")
    return computations.ask(coop, kind=YEAR_REPORT, subject=subject, by=by, now=now, request={"year": year})
