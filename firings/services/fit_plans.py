"""The last plan of what holds space, kept per firing and made anew after every booking, withdrawal and move up.

What holds space is decided by the litres of a zone, in the database. The planner says beside it whether the boards
take it all: it never turns a booking away by itself, because another seed, another minute or another piece may still
make it fit, and because a person decides what stays out.
"""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from coop import computations
from coop.models import Computation, Coop
from coop.transactions import reading, use_case
from firings.load_plan import solve
from firings.load_plan.problem import LoadPlan, LoadRequest, plan_document, plan_from, request_document
from firings.models import Firing, FitPlan
from firings.queries import fits as queries
from firings.queries.firings import firing_of
from firings.queries.load_plans import request_for

SECONDS = 1.0  # for up to 150 pots, in proportion for more
MOST_SECONDS = 10.0
POTS_AT_ONCE = 150
_TRIES = 3
_PLANNED_AT = (Firing.Stage.BOOKING, Firing.Stage.ALLOTTED, Firing.Stage.LOADING)


def ask_fit_plan(firing: Firing, now: datetime) -> None:
    """Ask for a new plan of what holds space. Call inside the use case that changed it.

    One request waits at a time; while one is being worked on, which may have read the pieces before this change,
    one more may wait behind it.
    """
    if firing.stage not in _PLANNED_AT:
        return
    begun = (
        Computation.objects.filter(coop=firing.coop_id, kind=queries.KIND, subject=firing.public_id)
        .filter(state=Computation.State.WAITING, leased_until__isnull=False)
        .order_by("-pk")
        .values_list("public_id", flat=True)
        .first()
    )
    request = {} if begun is None else {"after": str(begun)}
    computations.ask(firing.coop, kind=queries.KIND, subject=firing.public_id, by=None, now=now, request=request)


def refresh(coop: Coop, *, now: datetime, firing_id: UUID) -> FitPlan | None:
    """Plan what holds space now, beginning from the last plan, and keep the result; None when nothing is planned.

    The planner runs outside of any transaction. Pieces that change meanwhile are planned at once, a few times.
    """
    kept: FitPlan | None = None
    for _attempt in range(_TRIES):
        with reading(coop):
            firing = firing_of(coop, firing_id)
            if firing.stage not in _PLANNED_AT:
                return kept
            request, pieces, last = request_for(firing), queries.fingerprint(firing), queries.fit_plan_of(firing)
        if last is not None and last.pieces == pieces and last.request == request_document(request):
            return last
        plan = _better(request, plan_from(last.plan) if last is not None else None)
        kept = keep(coop, by=None, now=now, firing_id=firing_id, request=request, plan=plan, pieces=pieces)
    return kept


@use_case
def keep(
    coop: Coop, *, by: None, now: datetime, firing_id: UUID, request: LoadRequest, plan: LoadPlan, pieces: str
) -> FitPlan:
    """Keep this plan as the firing's last; ``pieces`` is the fingerprint of the pieces it knows."""
    firing = firing_of(coop, firing_id)
    row: FitPlan = FitPlan.objects.update_or_create(
        coop=coop,
        firing=firing,
        defaults={
            "request": request_document(request),
            "plan": plan_document(plan),
            "pieces": pieces,
            "made_at": now,
        },
    )[0]
    return row


def seconds_for(pots: int) -> float:
    return min(MOST_SECONDS, SECONDS * max(1.0, pots / POTS_AT_ONCE))


def _better(request: LoadRequest, last: LoadPlan | None) -> LoadPlan:
    pots = sum(piece.count for piece in request.pieces)
    return solve.plan(request, seconds=seconds_for(pots), start=last)
