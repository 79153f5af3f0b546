"""The load plan page of a firing: propose, look for, accept, tick off, move by hand, print; and the page of a piece."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.utils.translation import gettext as _

from coop.access import allowed
from coop.errors import NotFound, Refused
from coop.http import CoopRequest, coop_action, coop_page
from coop.models import Computation
from coop.transactions import reading
from firings.access import check_leads, check_loads, check_takes_part
from firings.load_plan import moves
from firings.load_plan.moves import Spot, Step
from firings.models import Firing, Layer, LoadPlan, Placement
from firings.queries import load_plans as queries
from firings.queries.firings import firing_of
from firings.services import load_plans as services

NUDGES_MM = (5, 20)


@coop_page
def firing_load_plan(request: CoopRequest, firing: UUID) -> HttpResponse:
    if request.headers.get("HX-Request"):
        return _load_again()
    row = firing_of(request.coop, firing)
    wanted = request.GET.get("version", "")
    version = int(wanted) if wanted.isascii() and wanted.isdigit() and len(wanted) < 7 else None
    plan = queries.plan_of(row, version)
    if plan is None and version is not None:
        raise NotFound(_("There is no such load plan here."))
    only_mine, words = request.GET.get("mine") == "1", request.GET.get("q", "").strip()[:80]
    view = None
    if plan is not None:
        plan.firing = row
        view = queries.view_of(plan, member=request.membership, only_mine=only_mine, words=words)
    waits = Computation.objects.of(request.coop).filter(
        kind="load_plan", subject=row.public_id, state=Computation.State.WAITING
    )
    can_tick = plan is not None and _can_tick(request, row, plan)
    return render(
        request,
        "firings/firing_load_plan.html",
        {
            "firing": row,
            "plan": view,
            "versions": queries.plans_of(row),
            "only_mine": only_mine,
            "words": words,
            "looks_for": only_mine or bool(words),
            "waits": waits.first(),
            "leads": allowed(check_leads, request.membership, row),
            "can_plan": row.stage in (Firing.Stage.BOOKING, Firing.Stage.ALLOTTED, Firing.Stage.LOADING),
            "may_move": _may_move(request, row),
            "can_tick": can_tick,
            "changes": queries.changes_of(plan, member=request.membership) if plan is not None else None,
            "brought": queries.brought_of(row) if row.stage == Firing.Stage.LOADING else None,
            **(_now(request, plan) if can_tick and plan is not None and not (only_mine or words) else {}),
        },
    )


@coop_action(back="firing_load_plan")
def load_plan_propose(request: CoopRequest, firing: UUID) -> HttpResponse:
    seed = LoadPlan.objects.of(request.coop).filter(firing__public_id=firing).count() + 1
    asked = services.propose(request.coop, by=request.membership, now=timezone.now(), firing_id=firing, seed=seed)
    return _to_wait(request, asked, firing)


@coop_action(back="firing_load_plan")
def load_plan_accept(request: CoopRequest, firing: UUID, plan: UUID) -> HttpResponse:
    row = queries.plan_at(request.coop, firing_of(request.coop, firing), plan)
    accepted = services.accept(request.coop, by=request.membership, now=timezone.now(), plan_id=row.public_id)
    messages.success(request, _("Plan %(version)s is the plan to load by.") % {"version": accepted.version})
    return HttpResponseRedirect(_plan_address(request, firing), status=303)


# --- Ticking off: the whole page without a script, the part that changed with it -----------------


@coop_action(back="firing_load_plan")
def placement_tick(request: CoopRequest, firing: UUID, placement: UUID) -> HttpResponse | None:
    found = Placement.objects.of(request.coop).filter(public_id=placement, layer__plan__firing__public_id=firing)
    if not found.exists():
        raise NotFound(_("There is no such place on a load plan here."))
    row = services.tick(
        request.coop,
        by=request.membership,
        now=timezone.now(),
        placement_id=placement,
        loaded=request.POST.get("loaded") != "no",
    )
    return _ticked(request, firing, [row.layer])


@coop_action(back="firing_load_plan")
def layer_tick(request: CoopRequest, firing: UUID, layer: UUID) -> HttpResponse | None:
    found = Layer.objects.of(request.coop).filter(public_id=layer, plan__firing__public_id=firing)
    if not found.exists():
        raise NotFound(_("There is no such layer here."))
    row = services.tick_layer(
        request.coop,
        by=request.membership,
        now=timezone.now(),
        layer_id=layer,
        loaded=request.POST.get("loaded") != "no",
    )
    return _ticked(request, firing, [row])


@coop_action(back="firing_load_plan")
def tick_undo(request: CoopRequest, firing: UUID) -> HttpResponse | None:
    rows = services.undo_tick(request.coop, by=request.membership, now=timezone.now(), firing_id=firing)
    return _ticked(request, firing, list({row.layer.pk: row.layer for row in rows}.values()))


def _ticked(request: CoopRequest, firing: UUID, layers: list[Layer]) -> HttpResponse | None:
    """For a script what is to load now, and the layers ticked as they lie further down; else back to the page."""
    if not request.headers.get("HX-Request"):
        return None
    with reading(request.coop):
        row = firing_of(request.coop, firing)
        plan = queries.plan_of(row)
        if plan is None or plan.state != LoadPlan.State.ACCEPTED:
            return _load_again()
        plan.firing = row
        now = _now(request, plan, layers[0])
        wanted = {layer.public_id for layer in layers}
        changed = queries.layers_of(plan, wanted, member=request.membership)
        context = {"firing": row, "plan": {"row": plan}, "can_tick": True, "may_move": _may_move(request, row), **now}
        context["unfolded"] = request.POST.get("unfolded", "")
        return render(request, "firings/_load_ticked.html", {**context, "changed": changed})


def _now(request: CoopRequest, plan: LoadPlan, after: Layer | None = None) -> dict[str, Any]:
    """What a loader needs at the kiln: the next layer, how far it is, the last tick to take back."""
    wanted = queries.next_layer(plan, after)
    layers = queries.layers_of(plan, [wanted], member=request.membership, prefix="now-") if wanted else []
    return {
        "next_layer": layers[0] if layers else None,
        "progress": queries.progress_of(plan),
        "last_tick": queries.last_tick_of(plan, request.membership),
    }


def _load_again() -> HttpResponse:
    """Ask a script to load the whole page, messages and all."""
    return HttpResponse(headers={"HX-Refresh": "true"})


# --- By hand -------------------------------------------------------------------------------------


@coop_page
def load_plan_hand(request: CoopRequest, firing: UUID, plan: UUID) -> HttpResponse:
    row = firing_of(request.coop, firing)
    return _show_hand(request, row, queries.plan_at(request.coop, row, plan))


@coop_action(back="load_plan_hand")
def load_plan_step(request: CoopRequest, firing: UUID, plan: UUID) -> HttpResponse:
    row = firing_of(request.coop, firing)
    found = queries.plan_at(request.coop, row, plan)
    zones = queries.zone_ids(found)
    step = _step(request.POST, zones)
    made, spot = services.move(
        request.coop, by=request.membership, now=timezone.now(), plan_id=found.public_id, step=step
    )
    return _hand_again(request, row, made, moves.spot_text(spot, queries.zone_ids(made)) if spot is not None else "")


@coop_action(back="load_plan_hand")
def load_plan_undo(request: CoopRequest, firing: UUID, plan: UUID) -> HttpResponse:
    row = firing_of(request.coop, firing)
    found = queries.plan_at(request.coop, row, plan)
    back = services.undo_move(request.coop, by=request.membership, now=timezone.now(), plan_id=found.public_id)
    return _hand_again(request, row, back, "")


def _show_hand(request: CoopRequest, firing: Firing, plan: LoadPlan, *, pot: str | None = None) -> HttpResponse:
    """The page for work by hand; the part that changes where a script asks for it."""
    plan.firing = firing
    zones = queries.zone_ids(plan)
    pot = request.GET.get("pot", "") if pot is None else pot
    zone, layer = _layer_asked(request.GET.get("layer", "") or request.POST.get("layer", ""), zones)
    spot = _spot_or_none(pot, zones)
    address = _hand_address(request, firing.public_id, plan)
    view = queries.hand_view(
        plan,
        spot,
        member=request.membership,
        zone=zone,
        layer=layer,
        href=lambda text: f"{address}?{urlencode({'pot': text})}",
    )
    template = "firings/_load_hand.html" if request.headers.get("HX-Request") else "firings/load_plan_hand.html"
    return render(
        request,
        template,
        {
            "firing": firing,
            "hand": view,
            "pot": view.chosen.spot if view.chosen is not None else "",
            "gone": spot is not None and view.chosen is None,
            "leads": allowed(check_leads, request.membership, firing),
            "may_move": _may_move(request, firing),
            "nudges": NUDGES_MM,
            "address": address,
        },
    )


def _hand_again(request: CoopRequest, firing: Firing, plan: LoadPlan, pot: str) -> HttpResponse:
    layer = request.POST.get("layer", "")
    query = urlencode({"pot": pot} if pot else {"layer": layer} if layer else {})
    there = f"{_hand_address(request, firing.public_id, plan)}{'?' if query else ''}{query}"
    if not request.headers.get("HX-Request"):
        return HttpResponseRedirect(f"{there}#hand", status=303)
    with reading(request.coop):
        response = _show_hand(request, firing, queries.plan_at(request.coop, firing, plan.public_id), pot=pot)
    response["HX-Replace-Url"] = there
    return response


def _step(said: Any, zones: list[str]) -> Step:
    """The step a form asks for. Raises Refused."""
    does, _colon, by = (said.get("step") or said.get("do", "")).partition(":")
    if does == "put_in":
        zone, layer, board = _board(said.get("to", ""), zones)
        return moves.PutIn(said.get("piece", "")[:40], zone, layer, board)
    if does == "height":
        zone, layer = _layer_asked(said.get("layer", ""), zones)
        return moves.SetHeight(zone, layer, _whole(said.get("height_mm", ""), 0))
    spot = moves.spot_from(said.get("pot", ""), zones)
    if does == "nudge":
        dx, _comma, dy = by.partition(",")
        return moves.Nudge(spot, _whole(dx, 500), _whole(dy, 500))
    if does == "swap":
        return moves.Swap(spot, moves.spot_from(said.get("with", ""), zones))
    if does == "carry":
        zone, layer, board = _board(said.get("to", ""), zones)
        if said.get("x_dmm"):
            return moves.Carry(spot, zone, layer, board, _whole(said["x_dmm"], 0), _whole(said.get("y_dmm", ""), 0))
        return moves.Carry(spot, zone, layer, board)
    if does in ("turn", "take_out"):
        return moves.Turn(spot) if does == "turn" else moves.TakeOut(spot)
    raise Refused(_("Press one of the buttons: this is no step of a load plan."))


def _whole(text: str, most: int) -> int:
    """A whole number, at most so far from nothing (0: up to a million). Raises Refused."""
    try:
        number = int(text.strip()) if text.isascii() and len(text) < 12 else None
    except ValueError:
        number = None
    if number is None or abs(number) > (most or 1_000_000):
        raise Refused(_("Give a whole number of millimetres."))
    return number


def _board(text: str, zones: list[str]) -> tuple[str, int, int]:
    """``2.1.3``: zone, layer, board. Raises Refused."""
    zone, layer = _layer_asked(text.rpartition(".")[0], zones)
    board = text.rpartition(".")[2]
    if not zone or not board.isascii() or not board.isdigit() or len(board) > 4:
        raise Refused(_("Choose the board it shall stand on."))
    return zone, layer, int(board)


def _layer_asked(text: str, zones: list[str]) -> tuple[str, int]:
    """``2.1``: second zone, first layer; nothing where the text names none."""
    zone, _dot, layer = text.partition(".")
    if not (text.isascii() and zone.isdigit() and layer.isdigit() and len(text) < 10 and 1 <= int(zone) <= len(zones)):
        return "", 0
    return zones[int(zone) - 1], int(layer)


def _spot_or_none(text: str, zones: list[str]) -> Spot | None:
    try:
        return moves.spot_from(text, zones) if text else None
    except Refused:
        return None


# --- Papers, and the piece a label's code leads to -------------------------------------------------


@coop_action(back="firing_load_plan")
def load_sheets(request: CoopRequest, firing: UUID, plan: UUID) -> HttpResponse:
    row = queries.plan_at(request.coop, firing_of(request.coop, firing), plan)
    asked = services.ask_load_sheets(
        request.coop,
        by=request.membership,
        now=timezone.now(),
        plan_id=row.public_id,
        paper=request.POST.get("paper", "a4"),
    )
    return _to_wait(request, asked, firing)


@coop_action(back="firing_load_plan")
def piece_labels(request: CoopRequest, firing: UUID) -> HttpResponse:
    asked = services.ask_labels(
        request.coop,
        by=request.membership,
        now=timezone.now(),
        firing_id=firing,
        only_mine=request.POST.get("mine") == "1",
        paper=request.POST.get("paper", "a4"),
    )
    return _to_wait(request, asked, firing)


@coop_page
def piece_page(request: CoopRequest, piece: UUID) -> HttpResponse:
    """Whose pot this is, where it stands and what became of it: where the code on a label leads."""
    view = queries.piece_view(request.coop, piece)
    check_takes_part(request.membership, view.piece.booking.firing)
    return render(request, "firings/piece.html", {"view": view, "firing": view.piece.booking.firing})


def _can_tick(request: CoopRequest, firing: Firing, plan: LoadPlan) -> bool:
    return (
        firing.stage == Firing.Stage.LOADING
        and plan.state == LoadPlan.State.ACCEPTED
        and allowed(check_takes_part, request.membership, firing)
    )


def _may_move(request: CoopRequest, firing: Firing) -> bool:
    before_the_fire = firing.stage in (Firing.Stage.BOOKING, Firing.Stage.ALLOTTED, Firing.Stage.LOADING)
    return before_the_fire and allowed(check_loads, request.membership, firing)


def _plan_address(request: CoopRequest, firing: UUID) -> str:
    return reverse("firing_load_plan", kwargs={"coop": request.coop.slug, "firing": firing})


def _hand_address(request: CoopRequest, firing: UUID, plan: LoadPlan) -> str:
    known = {"coop": request.coop.slug, "firing": firing, "plan": plan.public_id}
    return reverse("load_plan_hand", kwargs=known)


def _to_wait(request: CoopRequest, asked: Computation, firing: UUID) -> HttpResponse:
    """To the page that shows how far the computation is; from there back to the load plan."""
    wait = reverse("computation", kwargs={"coop": request.coop.slug, "computation": asked.public_id})
    return HttpResponseRedirect(f"{wait}?{urlencode({'next': _plan_address(request, firing)})}", status=303)


_PLAN = "firings/<uuid:firing>/load-plan/"
urls = [
    path(_PLAN, firing_load_plan, name="firing_load_plan"),
    path(f"{_PLAN}propose/", load_plan_propose, name="load_plan_propose"),
    path(f"{_PLAN}labels/", piece_labels, name="piece_labels"),
    path(f"{_PLAN}ticks/undo/", tick_undo, name="tick_undo"),
    path(f"{_PLAN}<uuid:plan>/accept/", load_plan_accept, name="load_plan_accept"),
    path(f"{_PLAN}<uuid:plan>/hand/", load_plan_hand, name="load_plan_hand"),
    path(f"{_PLAN}<uuid:plan>/hand/step/", load_plan_step, name="load_plan_step"),
    path(f"{_PLAN}<uuid:plan>/hand/undo/", load_plan_undo, name="load_plan_undo"),
    path(f"{_PLAN}<uuid:plan>/sheets/", load_sheets, name="load_sheets"),
    path(f"{_PLAN}places/<uuid:placement>/", placement_tick, name="placement_tick"),
    path(f"{_PLAN}layers/<uuid:layer>/", layer_tick, name="layer_tick"),
    path("pieces/<uuid:piece>/", piece_page, name="piece"),
]
