"""Load plans: proposed by the planner, accepted by the lead, ticked off pot by pot while loading."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
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
from firings.access import check_leads, check_loads, check_takes_part
from firings.load_plan import bound, check, moves
from firings.load_plan.moves import Spot, Step
from firings.load_plan.problem import LoadRequest, plan_document, plan_from, request_document, request_from
from firings.load_plan.solve import plan as planned
from firings.load_plan.stacking import stacking_permille
from firings.models import Firing, FiringZone, Layer, LoadPlan, Piece, Placement, Zone
from firings.queries.firings import firing_of
from firings.queries.load_plans import layer_uses, request_for, standing_of

SECONDS = 4.0
STEPS_KEPT = 10  # steps by hand that can be taken back
PAPERS = ("a4", "letter")
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
    made: LoadPlan = LoadPlan.objects.create(
        coop=coop, firing=firing, version=_next_version(firing), request=request, plan=plan, made_at=now, made_by=by
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
    """Compute a load plan here and now and keep it as a proposal; the planner runs outside of any transaction.

    What is ticked as loaded stays where it stands, and the rest is planned around it.
    """
    with reading(coop):
        firing = firing_of(coop, firing_id)
        check_leads(by, firing)
        _check_can_be_planned(firing)
        request = request_for(firing)
        accepted = LoadPlan.objects.of(coop).filter(firing=firing, state=LoadPlan.State.ACCEPTED).first()
        standing = standing_of(firing)
    loaded = moves.standing_part(plan_from(accepted.plan), standing) if accepted is not None and standing else None
    granted = SECONDS if seconds is None else seconds
    answer = planned(request, seconds=granted, seed=seed, standing=loaded)
    if not check.faults(request, answer):
        answer = bound.strengthened(request, answer, seconds=granted / 2)
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
    """Make a proposal the plan to load by; pots that stand stay ticked.

    Refused while it breaks a rule, if its pieces have changed since, or if it would move what stands in the kiln
    already. What the stores lack is a warning only: the stock list may be behind.
    """
    row, firing = _plan(coop, plan_id)
    check_leads(by, firing)
    _check_can_be_planned(firing)
    if row.state != LoadPlan.State.PROPOSED:
        raise Refused(_("This plan is not a proposal any more; propose a new one."))
    request, plan = request_from(row.request), plan_from(row.plan)
    if faults := check.faults(request, plan):
        raise Refused(_("This plan cannot be loaded: %(why)s") % {"why": " ".join(faults[:5])})
    _check_pieces_are_as_planned(firing, request)
    accepted = LoadPlan.objects.of(coop).filter(firing=firing, state=LoadPlan.State.ACCEPTED)
    replaced = accepted.select_for_update().first()
    standing = standing_of(firing)
    stood = plan_from(replaced.plan) if replaced is not None else plan
    if moved := moves.disturbed(stood, plan, standing, request.pieces):
        raise Refused(_("Pots stand in the kiln already. %(why)s") % {"why": " ".join(moved[:3])})
    accepted.update(state=LoadPlan.State.REPLACED)
    proposed = LoadPlan.objects.of(coop).filter(pk=row.pk, state=LoadPlan.State.PROPOSED)
    if not proposed.update(state=LoadPlan.State.ACCEPTED, accepted_at=now, accepted_by=by, history=[]):
        raise Taken(_("Somebody accepted this plan just now."))
    _keep_placements(row, standing)
    row.refresh_from_db()
    return row


@use_case
def move(
    coop: Coop, *, by: Membership | None, now: datetime, plan_id: UUID, step: Step
) -> tuple[LoadPlan, Spot | None]:
    """Change a plan by one step by hand; gives the plan and where the pot stands then.

    The first step makes a proposal of its own, for the pieces as they are now; further steps change that one. It may
    have faults, and says so: only accepting asks for a good plan. What is ticked as loaded is not moved.
    """
    row, firing = _plan(coop, plan_id, keep_still=True)
    check_loads(by, firing)
    _check_can_be_planned(firing)
    request, standing = request_for(firing), standing_of(firing)
    document = request_document(request)
    if row.is_by_hand and row.state == LoadPlan.State.PROPOSED and row.request == document:
        plan, spot = moves.take(request, plan_from(row.plan), step, standing)
        row.history = [*row.history, row.plan][-STEPS_KEPT:]
    else:
        begun = moves.onto(request, plan_from(row.plan), standing)
        plan, spot = moves.take(request, begun, step, standing)
        row = LoadPlan(coop=coop, firing=firing, version=_next_version(firing), request=document, based_on=row)
        row.history = [plan_document(begun)]
    row.plan, row.made_at, row.made_by = plan_document(plan), now, by
    row.save()
    return row, spot


@use_case
def undo_move(coop: Coop, *, by: Membership | None, now: datetime, plan_id: UUID) -> LoadPlan:
    """Take back the last step by hand. Refused where none is left."""
    row, firing = _plan(coop, plan_id, keep_still=True)
    check_loads(by, firing)
    _check_can_be_planned(firing)
    if row.state != LoadPlan.State.PROPOSED or not row.history:
        raise Refused(_("There is no step to take back on this plan."))
    *earlier, before = row.history
    row.history, row.plan, row.made_at, row.made_by = earlier, before, now, by
    row.save()
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
def undo_tick(coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID) -> list[Placement]:
    """Take back the last tick this member set (a whole layer, if that was it); gives the pots that are out again."""
    firing = firing_of(coop, firing_id)
    plan = LoadPlan.objects.of(coop).filter(firing=firing, state=LoadPlan.State.ACCEPTED).first()
    if plan is None:
        raise Refused(_("There is no plan to load by yet."))
    _check_can_be_ticked(plan, by)
    mine = Placement.objects.of(coop).filter(layer__plan=plan, loaded_by=by, loaded_at__isnull=False)
    last = mine.order_by("-loaded_at").values_list("loaded_at", flat=True).first()
    if last is None:
        raise Refused(_("You have ticked nothing on this plan, so there is nothing to take back."))
    rows = list(mine.filter(loaded_at=last).select_related("piece", "layer"))
    _tick(Placement.objects.of(coop).filter(pk__in=[row.pk for row in rows]), by, now, loaded=False)
    return rows


def learn_stacking(firing: Firing, by: Membership | None, now: datetime) -> None:
    """Measure the stacking factor of the kiln's zones from its last loads. Call inside a use case, once loaded."""
    for zone, plans in layer_uses(firing.kiln).items():
        if (permille := stacking_permille(plans)) is not None:
            Zone.objects.filter(coop=firing.coop_id, pk=zone).update(stacking_permille=permille)


@use_case
def ask_load_sheets(
    coop: Coop, *, by: Membership | None, now: datetime, plan_id: UUID, paper: str = "a4"
) -> Computation:
    """Ask for the load sheets of a plan as PDF, on A4 or Letter."""
    row, firing = _plan(coop, plan_id)
    check_takes_part(by, firing)
    request = {"paper": _paper(paper), "made": row.made_at.isoformat()}
    return computations.ask(coop, kind="load_sheets", subject=row.public_id, by=by, now=now, request=request)


@use_case
def ask_labels(
    coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID, only_mine: bool = False, paper: str = "a4"
) -> Computation:
    """Ask for labels of the firing's pieces as PDF, on A4 or Letter: everybody's, or one's own."""
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
        request={**member, "paper": _paper(paper), "at": now.isoformat()},
    )


def _plan(coop: Coop, plan_id: UUID, *, keep_still: bool = False) -> tuple[LoadPlan, Firing]:
    rows = LoadPlan.objects.of(coop).filter(public_id=plan_id).select_related("firing__lead__person", "firing__kiln")
    row: LoadPlan | None = (rows.select_for_update(of=("self",)) if keep_still else rows).first()
    if row is None:
        raise NotFound(_("There is no such load plan here."))
    return row, row.firing


def _next_version(firing: Firing) -> int:
    rows = LoadPlan.objects.filter(coop=firing.coop_id, firing=firing)
    return int(rows.aggregate(version=Max("version"))["version"] or 0) + 1


def _paper(paper: str) -> str:
    if paper not in PAPERS:
        raise Refused(_("Paper comes as A4 or Letter; choose one of them."))
    return paper


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
    still = LoadPlan.objects.filter(coop=plan.coop_id, pk=plan.pk, state=LoadPlan.State.ACCEPTED)
    if still.select_for_update().first() is None:  # so that no tick falls between two plans
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


def _keep_placements(row: LoadPlan, standing: Mapping[Spot, Placement]) -> None:
    """Layers and pots of the accepted plan as rows, so that each can be ticked off; what stands keeps its tick."""
    zones = {
        zone.zone.name: zone
        for zone in FiringZone.objects.filter(coop=row.coop_id, firing=row.firing_id).select_related("zone")
    }
    plan = plan_from(row.plan)
    numbers: Counter[str] = Counter()
    layers: dict[tuple[str, int], Layer] = {}
    for planned_layer in plan.layers:
        numbers[planned_layer.zone] += 1
        number = numbers[planned_layer.zone]
        layers[planned_layer.zone, number] = Layer.objects.create(
            coop_id=row.coop_id,
            plan=row,
            zone=zones[planned_layer.zone],
            number=number,
            height_mm=planned_layer.height_mm,
        )
    copies: Counter[str] = Counter()
    placements: list[Placement] = []
    for spot, one in moves.spots_of(plan):
        copies[spot.piece] += 1
        stands = standing.get(spot)
        placements.append(
            Placement(
                coop_id=row.coop_id,
                layer=layers[spot.zone, spot.layer],
                board=spot.board,
                piece_id=int(spot.piece),
                copy=copies[spot.piece],
                x_dmm=spot.x_dmm,
                y_dmm=spot.y_dmm,
                is_turned=one.turned,
                loaded_at=stands.loaded_at if stands else None,
                loaded_by_id=stands.loaded_by_id if stands else None,
            )
        )
    Placement.objects.bulk_create(placements, batch_size=200)


def _same(one: dict[str, Any], other: dict[str, Any]) -> bool:
    """The same plan, however long it took to find."""
    return {**one, "seconds": 0} == {**other, "seconds": 0}
