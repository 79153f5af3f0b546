"""Load plans: proposed by the planner, accepted by the lead, ticked off pot by pot while loading."""

from __future__ import annotations

from collections import Counter
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db.models import Max
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop import computations
from coop.errors import NotFound, Refused, Taken
from coop.models import Computation, Coop, Membership
from coop.transactions import reading, say, use_case
from firings.access import check_leads, check_takes_part
from firings.load_plan import check
from firings.load_plan.problem import LoadRequest, plan_document, plan_from, request_document, request_from
from firings.load_plan.solve import plan as planned
from firings.models import Firing, FiringZone, Layer, LoadPlan, Piece, Placement
from firings.queries.firings import firing_of
from firings.queries.load_plans import request_for, tenths

SECONDS = 4.0
_PLANNED_AT = (Firing.Stage.BOOKING, Firing.Stage.ALLOTTED, Firing.Stage.LOADING)

say(
    one_accepted_load_plan=gettext_lazy("Somebody accepted another load plan just now. Load the page again."),
    load_plan_version_used_once=gettext_lazy("Another load plan was made at the same moment. Load the page again."),
)


@use_case
def propose(coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID, seed: int = 1) -> Computation:
    """Ask for a load plan of what holds space now. It is computed beside the page and kept as a proposal."""
    firing = firing_of(coop, firing_id)
    check_leads(by, firing)
    _check_can_be_planned(firing)
    return computations.ask(coop, kind="load_plan", subject=firing.public_id, by=by, now=now, request={"seed": seed})


@use_case
def keep_proposal(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    firing_id: UUID,
    request: dict[str, Any],
    plan: dict[str, Any],
) -> LoadPlan:
    """Keep a computed plan as the firing's newest proposal; the same answer twice is kept once."""
    firing = firing_of(coop, firing_id)
    check_leads(by, firing)
    _check_can_be_planned(firing)
    newest: LoadPlan | None = LoadPlan.objects.of(coop).filter(firing=firing).order_by("-version").first()
    if newest is not None and newest.request == request and _same(newest.plan, plan):
        return newest
    highest = LoadPlan.objects.of(coop).filter(firing=firing).aggregate(version=Max("version"))["version"] or 0
    made: LoadPlan = LoadPlan.objects.create(
        coop=coop, firing=firing, version=highest + 1, request=request, plan=plan, made_at=now, made_by=by
    )
    return made


def propose_now(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    firing_id: UUID,
    seed: int = 1,
    seconds: float | None = None,
) -> LoadPlan:
    """Compute a load plan here and now and keep it as a proposal; the planner runs outside of any transaction."""
    with reading(coop):
        firing = firing_of(coop, firing_id)
        check_leads(by, firing)
        _check_can_be_planned(firing)
        request = request_for(firing)
    answer = planned(request, seconds=SECONDS if seconds is None else seconds, seed=seed)
    return keep_proposal(
        coop,
        by=by,
        now=now,
        firing_id=firing_id,
        request=request_document(request),
        plan=plan_document(answer),
    )


@use_case
def accept(coop: Coop, *, by: Membership | None, now: datetime, plan_id: UUID) -> LoadPlan:
    """Make a proposal the plan to load by. Refused if it breaks a rule, or if its pieces have changed since."""
    row, firing = _plan(coop, plan_id)
    check_leads(by, firing)
    _check_can_be_planned(firing)
    if row.state != LoadPlan.State.PROPOSED:
        raise Refused(_("This plan is not a proposal any more; propose a new one."))
    request, plan = request_from(row.request), plan_from(row.plan)
    if faults := check.faults(request, plan):
        raise Refused(_("This plan cannot be loaded: %(why)s") % {"why": " ".join(faults[:5])})
    _check_pieces_are_as_planned(firing, request)
    standing = LoadPlan.objects.of(coop).filter(firing=firing, state=LoadPlan.State.ACCEPTED)
    if Placement.objects.of(coop).filter(layer__plan__in=standing, loaded_at__isnull=False).exists():
        raise Refused(_("Pots are ticked as loaded by the plan that stands; take the ticks back first."))
    standing.update(state=LoadPlan.State.REPLACED)
    proposed = LoadPlan.objects.of(coop).filter(pk=row.pk, state=LoadPlan.State.PROPOSED)
    if not proposed.update(state=LoadPlan.State.ACCEPTED, accepted_at=now, accepted_by=by):
        raise Taken(_("Somebody accepted this plan just now."))
    _keep_placements(row)
    row.refresh_from_db()
    return row


@use_case
def tick(coop: Coop, *, by: Membership | None, now: datetime, placement_id: UUID, loaded: bool) -> Placement:
    """Note that this pot stands in the kiln, or that it does not after all."""
    row: Placement | None = (
        Placement.objects.of(coop).filter(public_id=placement_id).select_related("layer__plan__firing").first()
    )
    if row is None:
        raise NotFound(_("There is no such place on a load plan here."))
    _check_can_be_ticked(row.layer.plan, by)
    _tick(Placement.objects.of(coop).filter(pk=row.pk), by, now, loaded=loaded)
    row.refresh_from_db()
    return row


@use_case
def tick_layer(coop: Coop, *, by: Membership | None, now: datetime, layer_id: UUID, loaded: bool) -> Layer:
    """Note that a whole layer is in, or take all of its ticks back."""
    row: Layer | None = Layer.objects.of(coop).filter(public_id=layer_id).select_related("plan__firing").first()
    if row is None:
        raise NotFound(_("There is no such layer here."))
    _check_can_be_ticked(row.plan, by)
    _tick(Placement.objects.of(coop).filter(layer=row), by, now, loaded=loaded)
    return row


@use_case
def ask_load_sheets(coop: Coop, *, by: Membership | None, now: datetime, plan_id: UUID) -> Computation:
    """Ask for the load sheets of a plan as PDF."""
    row, firing = _plan(coop, plan_id)
    check_takes_part(by, firing)
    return computations.ask(coop, kind="load_sheets", subject=row.public_id, by=by, now=now)


@use_case
def ask_labels(
    coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID, only_mine: bool = False
) -> Computation:
    """Ask for labels of the firing's pieces as PDF: everybody's, or one's own."""
    firing = firing_of(coop, firing_id)
    check_takes_part(by, firing)
    pieces = Piece.objects.of(coop).filter(booking__firing=firing).held()
    if only_mine and by is not None:
        pieces = pieces.filter(booking__member=by)
    if not pieces.exists():
        raise Refused(_("No piece holds space here yet, so there is nothing to label."))
    member = {"member": by.pk} if only_mine and by is not None else {}
    return computations.ask(
        coop,
        kind="piece_labels",
        subject=firing.public_id,
        by=by,
        now=now,
        request={**member, "at": now.isoformat()},
    )


def _plan(coop: Coop, plan_id: UUID) -> tuple[LoadPlan, Firing]:
    row: LoadPlan | None = (
        LoadPlan.objects.of(coop).filter(public_id=plan_id).select_related("firing__lead__person").first()
    )
    if row is None:
        raise NotFound(_("There is no such load plan here."))
    return row, row.firing


def _check_can_be_planned(firing: Firing) -> None:
    if firing.stage not in _PLANNED_AT:
        raise Refused(
            _("This firing is at the stage “%(stage)s”; a load plan is made from booking until the kiln is lit.")
            % {"stage": firing.get_stage_display()}
        )
    if not Piece.objects.filter(coop=firing.coop_id, booking__firing=firing).held().exists():
        raise Refused(_("No piece holds space in this firing yet; a load plan needs at least one."))


def _check_can_be_ticked(plan: LoadPlan, by: Membership | None) -> None:
    check_takes_part(by, plan.firing)
    if plan.state != LoadPlan.State.ACCEPTED:
        raise Refused(_("Another load plan has taken the place of this one; load the page again."))
    if plan.firing.stage != Firing.Stage.LOADING:
        raise Refused(_("Pots are ticked off while the kiln is loaded; the lead starts the loading."))


def _tick(rows: Any, by: Membership | None, now: datetime, *, loaded: bool) -> None:
    """A tick that stands keeps its moment: who was first to say so."""
    if loaded:
        rows.filter(loaded_at=None).update(loaded_at=now, loaded_by=by)
    else:
        rows.update(loaded_at=None, loaded_by=None)


def _check_pieces_are_as_planned(firing: Firing, request: LoadRequest) -> None:
    now = {piece.id: piece for piece in request_for(firing).pieces}
    changed = [piece.label for piece in request.pieces if now.get(piece.id) != piece]
    if changed:
        raise Refused(
            _("Since this plan was made these pieces were changed or withdrawn: %(pieces)s. Propose a new plan.")
            % {"pieces": ", ".join(changed[:5]) + ("…" if len(changed) > 5 else "")}
        )


def _keep_placements(row: LoadPlan) -> None:
    """Layers and pots of the accepted plan as rows, so that each can be ticked off."""
    plan = plan_from(row.plan)
    zones = {
        zone.zone.name: zone
        for zone in FiringZone.objects.filter(coop=row.coop_id, firing=row.firing_id).select_related("zone")
    }
    numbers: Counter[str] = Counter()
    copies: Counter[str] = Counter()
    placements: list[Placement] = []
    for planned_layer in plan.layers:
        numbers[planned_layer.zone] += 1
        layer = Layer.objects.create(
            coop_id=row.coop_id,
            plan=row,
            zone=zones[planned_layer.zone],
            number=numbers[planned_layer.zone],
            height_mm=planned_layer.height_mm,
        )
        for board, placed in enumerate(planned_layer.boards, start=1):
            for one in placed:
                copies[one.id] += 1
                placements.append(
                    Placement(
                        coop_id=row.coop_id,
                        layer=layer,
                        board=board,
                        piece_id=int(one.id),
                        copy=copies[one.id],
                        x_dmm=tenths(one.x),
                        y_dmm=tenths(one.y),
                        is_turned=one.turned,
                    )
                )
    Placement.objects.bulk_create(placements, batch_size=200)


def _same(one: dict[str, Any], other: dict[str, Any]) -> bool:
    """The same plan, however long it took to find."""
    return {**one, "seconds": 0} == {**other, "seconds": 0}
