"""The money app's computations, registered for whoever works the queue."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from coop.computations import work
from coop.models import Computation


@work("statements")
def statements(computation: Computation, now: datetime) -> dict[str, Any]:
    """One member's statement as PDF, kept and mailed once."""
    from billing.statements import make  # here, so that a process that makes no paper loads none of it

    return make(computation, now)


@work("year_report")
def year_report(computation: Computation, now: datetime) -> dict[str, Any]:
    """The report of a year as PDF, kept for whoever asked."""
    from billing.year_papers import make

    return make(computation, now)
