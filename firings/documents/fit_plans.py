"""“Does it fit?” as work of the background process: the plan kept per firing, and questions about bigger loads."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

from coop.computations import work
from coop.models import Computation
from firings.queries.fits import KIND
from firings.services import fit_plans, fits


@work(KIND)
def plan_what_holds_space(computation: Computation, now: datetime) -> dict[str, Any]:
    """Keep a new plan of what holds space now. Safe to run twice: nothing is planned where nothing changed."""
    kept = fit_plans.refresh(computation.coop, now=now, firing_id=UUID(str(computation.subject)))
    return {"made_at": kept.made_at.isoformat() if kept is not None else None}


@work(fits.KIND)
def answer_the_question(computation: Computation, now: datetime) -> dict[str, Any]:
    """Answer one member's question; the answer changes nothing, so it may be worked out twice."""
    return fits.answer_kept_question(computation, now)
