"""Wood: stock-taking, what a stack is, and the wood of one firing."""

from __future__ import annotations

from decimal import Decimal
from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import URLPattern, path, reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from coop.access import allowed
from coop.errors import Refused
from coop.forms import add_refusal
from coop.http import CoopRequest, coop_form, coop_page
from coop.transactions import reading
from firings.access import check_steward
from firings.forms.kilns import WoodCountForm, WoodStackForm
from firings.queries import firings as firing_queries
from firings.queries import kilns as stores
from firings.queries import wood as queries
from firings.services import kilns as services


@coop_page
def firing_wood(request: CoopRequest, firing: UUID) -> HttpResponse:
    page = queries.wood_page(request.coop, firing, request.membership, now=timezone.now())
    context = {
        "firing": page.firing,
        "tab": "watches",
        "page": page,
        "may_move": allowed(services.check_moves_wood, request.membership),
    }
    return render(request, "firings/firing_wood.html", context)


@coop_form
def wood_count(request: CoopRequest, stack: UUID) -> HttpResponse:
    services.check_moves_wood(request.membership)
    found = stores.stack_for(request.coop, stack)
    context: dict[str, Any] = {"stack": found, "moves": stores.moves_of(found)}
    if request.method != "POST":
        return render(request, "firings/wood_count.html", {**context, "form": WoodCountForm()})
    form = WoodCountForm(request.POST)
    if form.is_valid():
        try:
            counted = services.count_wood(
                request.coop, by=request.membership, now=timezone.now(), stack_id=stack, **form.told()
            )
        except Refused as no:
            return _again(request, "firings/wood_count.html", form, no, context)
        said = _("Counted; book and stack agree.") if not counted.stacked_dm3 else _("Counted; the book is put right.")
        messages.success(request, said)
        return _to_stacks(request)
    return _again(request, "firings/wood_count.html", form, None, context)


@coop_form
def wood_stack_change(request: CoopRequest, stack: UUID) -> HttpResponse:
    check_steward(request.membership)
    found, kilns = stores.stack_for(request.coop, stack), list(firing_queries.kilns_in_use(request.coop))
    context: dict[str, Any] = {"stack": found}
    if request.method != "POST":
        names = ("name", "species", "size_class", "split_on", "is_covered", "reach_order")
        said = {name: getattr(found, name) for name in names}
        moisture = (Decimal(found.moisture_permille) / 10).normalize()
        said |= {"moisture": f"{moisture:f}", "kiln_id": str(found.kiln.public_id) if found.kiln else ""}
        form = WoodStackForm(kilns=kilns, is_new=False, initial=said)
        return render(request, "firings/wood_form.html", {**context, "form": form})
    form = WoodStackForm(request.POST, kilns=kilns, is_new=False)
    if form.is_valid():
        try:
            services.change_wood_stack(
                request.coop, by=request.membership, now=timezone.now(), stack_id=stack, **form.told()
            )
        except Refused as no:
            return _again(request, "firings/wood_form.html", form, no, context)
        messages.success(request, _("Written down. Thank you."))
        return _to_stacks(request)
    return _again(request, "firings/wood_form.html", form, None, context)


def _again(
    request: CoopRequest, template: str, form: forms.Form, no: Refused | None, context: dict[str, Any]
) -> HttpResponse:
    if no is not None:
        add_refusal(form, no)
    with reading(request.coop):
        return render(request, template, {**context, "form": form}, status=no.status if no else 400)


def _to_stacks(request: CoopRequest) -> HttpResponse:
    return HttpResponseRedirect(reverse("wood_stacks", kwargs={"coop": request.coop.slug}), status=303)


urls: list[URLPattern] = [
    path("firings/<uuid:firing>/wood/", firing_wood, name="firing_wood"),
    path("wood/<uuid:stack>/count/", wood_count, name="wood_count"),
    path("wood/<uuid:stack>/change/", wood_stack_change, name="wood_stack_change"),
]
