"""The stock of boards and posts of a kiln: what is there, and what happened to it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from coop.access import allowed
from coop.errors import Refused
from coop.forms import add_refusal
from coop.http import CoopRequest, coop_form, coop_page
from coop.transactions import reading
from firings.access import check_steward
from firings.forms.furniture import BoardsForm, ChangeLotForm, CountLotForm, PostsForm
from firings.models import FurnitureLot
from firings.queries import furniture as queries
from firings.queries.kilns import kiln_whole
from firings.services import furniture as services


def _show(request: CoopRequest, template: str, status: int = 200, **context: Any) -> HttpResponse:
    may_change = allowed(check_steward, request.membership)
    return render(request, template, {"may_change": may_change, **context}, status=status)


def _to(request: CoopRequest, name: str, **kwargs: UUID) -> HttpResponse:
    return HttpResponseRedirect(reverse(name, kwargs={"coop": request.coop.slug, **kwargs}), status=303)


@coop_page
def furniture(request: CoopRequest, kiln: UUID) -> HttpResponse:
    found = kiln_whole(request.coop, kiln)
    return _show(request, "firings/furniture.html", kiln=found, groups=queries.groups_of(found))


def _list(request: CoopRequest, kiln: UUID, kind: str, form_of: type[BoardsForm] | type[PostsForm]) -> HttpResponse:
    check_steward(request.membership)
    template, found = "firings/furniture_form.html", kiln_whole(request.coop, kiln)
    if request.method != "POST":
        return _show(request, template, form=form_of(kiln=found), kiln=found, kind=kind)
    form, status = form_of(request.POST, kiln=found), 400
    if form.is_valid():
        try:
            services.list_furniture(
                request.coop, by=request.membership, now=timezone.now(), kiln_id=kiln, kind=kind, **form.told()
            )
        except Refused as no:
            add_refusal(form, no)
            status = no.status
        else:
            messages.success(request, _("It is on the list."))
            return _to(request, "furniture", kiln=kiln)
    with reading(request.coop):
        return _show(request, template, status, form=form, kiln=found, kind=kind)


@coop_form
def boards_add(request: CoopRequest, kiln: UUID) -> HttpResponse:
    return _list(request, kiln, FurnitureLot.Kind.BOARD, BoardsForm)


@coop_form
def posts_add(request: CoopRequest, kiln: UUID) -> HttpResponse:
    return _list(request, kiln, FurnitureLot.Kind.POST, PostsForm)


@coop_page
def lot(request: CoopRequest, lot: UUID) -> HttpResponse:
    found = queries.lot_for(request.coop, lot)
    return _show(request, "firings/furniture_lot.html", lot=found, moves=queries.moves_of(found))


def _write(
    request: CoopRequest,
    lot: UUID,
    heading: str,
    make: Callable[[FurnitureLot, Any], forms.Form],
    service: Callable[..., FurnitureLot],
) -> HttpResponse:
    check_steward(request.membership)
    template, found = "firings/furniture_lot_form.html", queries.lot_for(request.coop, lot)
    if request.method != "POST":
        return _show(request, template, form=make(found, None), lot=found, heading=heading)
    form, status = make(found, request.POST), 400
    if form.is_valid():
        try:
            said = form.told()  # type: ignore[attr-defined]
            changed = service(request.coop, by=request.membership, now=timezone.now(), lot_id=lot, **said)
        except Refused as no:
            add_refusal(form, no)
            status = no.status
        else:
            messages.success(request, _("Written down. Thank you."))
            return _to(request, "furniture", kiln=changed.kiln.public_id)
    with reading(request.coop):
        return _show(request, template, status, form=form, lot=found, heading=heading)


@coop_form
def lot_change(request: CoopRequest, lot: UUID) -> HttpResponse:
    def make(found: FurnitureLot, data: Any) -> ChangeLotForm:
        return ChangeLotForm(data, lot=found)

    return _write(request, lot, _("Condition or place"), make, services.change_furniture)


@coop_form
def lot_count(request: CoopRequest, lot: UUID) -> HttpResponse:
    def make(found: FurnitureLot, data: Any) -> CountLotForm:
        return CountLotForm(data, initial={"count": found.count})

    return _write(request, lot, _("Counted anew"), make, services.count_furniture)


urls = [
    path("kilns/<uuid:kiln>/furniture/", furniture, name="furniture"),
    path("kilns/<uuid:kiln>/furniture/boards/", boards_add, name="boards_add"),
    path("kilns/<uuid:kiln>/furniture/posts/", posts_add, name="posts_add"),
    path("furniture/<uuid:lot>/", lot, name="furniture_lot"),
    path("furniture/<uuid:lot>/change/", lot_change, name="furniture_change"),
    path("furniture/<uuid:lot>/count/", lot_count, name="furniture_count"),
]
