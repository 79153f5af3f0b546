"""The load plan page of a firing: propose, accept, tick off, print."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.utils.translation import gettext as _

from coop.access import allowed
from coop.errors import NotFound
from coop.http import CoopRequest, coop_action, coop_page
from coop.models import Computation
from firings.access import check_leads, check_takes_part
from firings.models import Firing, Layer, LoadPlan, Placement
from firings.queries import load_plans as queries
from firings.queries.firings import firing_of
from firings.services import load_plans as services


@coop_page
def firing_load_plan(request: CoopRequest, firing: UUID) -> HttpResponse:
    row = firing_of(request.coop, firing)
    wanted = request.GET.get("version", "")
    version = int(wanted) if wanted.isascii() and wanted.isdigit() and len(wanted) < 7 else None
    plan = queries.plan_of(row, version)
    if plan is None and version is not None:
        raise NotFound(_("There is no such load plan here."))
    only_mine = request.GET.get("mine") == "1"
    view = queries.view_of(plan, member=request.membership, only_mine=only_mine) if plan is not None else None
    waits = Computation.objects.of(request.coop).filter(
        kind="load_plan", subject=row.public_id, state=Computation.State.WAITING
    )
    return render(
        request,
        "firings/firing_load_plan.html",
        {
            "firing": row,
            "plan": view,
            "versions": queries.plans_of(row),
            "only_mine": only_mine,
            "waits": waits.first(),
            "leads": allowed(check_leads, request.membership, row),
            "can_plan": row.stage in (Firing.Stage.BOOKING, Firing.Stage.ALLOTTED, Firing.Stage.LOADING),
            "can_tick": row.stage == Firing.Stage.LOADING
            and plan is not None
            and plan.state == LoadPlan.State.ACCEPTED
            and allowed(check_takes_part, request.membership, row),
        },
    )


@coop_action(back="firing_load_plan")
def load_plan_propose(request: CoopRequest, firing: UUID) -> HttpResponse:
    seed = LoadPlan.objects.of(request.coop).filter(firing__public_id=firing).count() + 1
    asked = services.propose(request.coop, by=request.membership, now=timezone.now(), firing_id=firing, seed=seed)
    return _to_wait(request, asked, firing)


@coop_action(back="firing_load_plan")
def load_plan_accept(request: CoopRequest, firing: UUID, plan: UUID) -> None:
    row = _of_firing(request, firing, LoadPlan.objects.of(request.coop).filter(public_id=plan).first())
    accepted = services.accept(request.coop, by=request.membership, now=timezone.now(), plan_id=row.public_id)
    messages.success(request, _("Plan %(version)s is the plan to load by.") % {"version": accepted.version})


@coop_action(back="firing_load_plan")
def placement_tick(request: CoopRequest, firing: UUID, placement: UUID) -> None:
    found = Placement.objects.of(request.coop).filter(public_id=placement, layer__plan__firing__public_id=firing)
    if not found.exists():
        raise NotFound(_("There is no such place on a load plan here."))
    services.tick(
        request.coop,
        by=request.membership,
        now=timezone.now(),
        placement_id=placement,
        loaded=request.POST.get("loaded") != "no",
    )


@coop_action(back="firing_load_plan")
def layer_tick(request: CoopRequest, firing: UUID, layer: UUID) -> None:
    found = Layer.objects.of(request.coop).filter(public_id=layer, plan__firing__public_id=firing)
    if not found.exists():
        raise NotFound(_("There is no such layer here."))
    services.tick_layer(
        request.coop,
        by=request.membership,
        now=timezone.now(),
        layer_id=layer,
        loaded=request.POST.get("loaded") != "no",
    )


@coop_action(back="firing_load_plan")
def load_sheets(request: CoopRequest, firing: UUID, plan: UUID) -> HttpResponse:
    row = _of_firing(request, firing, LoadPlan.objects.of(request.coop).filter(public_id=plan).first())
    asked = services.ask_load_sheets(request.coop, by=request.membership, now=timezone.now(), plan_id=row.public_id)
    return _to_wait(request, asked, firing)


@coop_action(back="firing_load_plan")
def piece_labels(request: CoopRequest, firing: UUID) -> HttpResponse:
    asked = services.ask_labels(
        request.coop,
        by=request.membership,
        now=timezone.now(),
        firing_id=firing,
        only_mine=request.POST.get("mine") == "1",
    )
    return _to_wait(request, asked, firing)


def _of_firing(request: CoopRequest, firing: UUID, plan: LoadPlan | None) -> LoadPlan:
    if plan is None or plan.firing_id != firing_of(request.coop, firing).pk:
        raise NotFound(_("There is no such load plan here."))
    return plan


def _to_wait(request: CoopRequest, asked: Computation, firing: UUID) -> HttpResponse:
    """To the page that shows how far the computation is; from there back to the load plan."""
    coop = request.coop.slug
    back = reverse("firing_load_plan", kwargs={"coop": coop, "firing": firing})
    wait = reverse("computation", kwargs={"coop": coop, "computation": asked.public_id})
    return HttpResponseRedirect(f"{wait}?{urlencode({'next': back})}", status=303)


_PLAN = "firings/<uuid:firing>/load-plan/"
urls = [
    path(_PLAN, firing_load_plan, name="firing_load_plan"),
    path(f"{_PLAN}propose/", load_plan_propose, name="load_plan_propose"),
    path(f"{_PLAN}labels/", piece_labels, name="piece_labels"),
    path(f"{_PLAN}<uuid:plan>/accept/", load_plan_accept, name="load_plan_accept"),
    path(f"{_PLAN}<uuid:plan>/sheets/", load_sheets, name="load_sheets"),
    path(f"{_PLAN}places/<uuid:placement>/", placement_tick, name="placement_tick"),
    path(f"{_PLAN}layers/<uuid:layer>/", layer_tick, name="layer_tick"),
]
