"""Kilns and stores: kilns with their zones and crews, materials, wood stacks."""

from __future__ import annotations

import json
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.text import slugify
from django.utils.translation import gettext as _

from coop.access import allowed
from coop.errors import Refused
from coop.forms import add_refusal
from coop.http import CoopRequest, coop_action, coop_form, coop_page
from coop.transactions import reading
from firings.access import check_steward
from firings.forms.kilns import KilnFileForm, KilnForm, MaterialForm, WoodMoveForm, WoodStackForm
from firings.queries import firings as firing_queries
from firings.queries import furniture as furniture_queries
from firings.queries import kilns as queries
from firings.queries import probes as probe_queries
from firings.services import kilns as services


def _to(request: CoopRequest, name: str, **kwargs: UUID) -> HttpResponse:
    return HttpResponseRedirect(reverse(name, kwargs={"coop": request.coop.slug, **kwargs}), status=303)


def _show(request: CoopRequest, template: str, status: int = 200, **context: Any) -> HttpResponse:
    may_change = allowed(check_steward, request.membership)
    return render(request, template, {"may_change": may_change, **context}, status=status)


def _again(request: CoopRequest, template: str, status: int, **context: Any) -> HttpResponse:
    with reading(request.coop):
        return _show(request, template, status, **context)


# --- Kilns ----------------------------------------------------------------------------------


@coop_page
def kilns(request: CoopRequest) -> HttpResponse:
    page = queries.kilns_listed(request.coop, page=request.GET.get("page", 1))
    person = request.user
    rows = [(kiln, queries.cone_words(kiln.target_cone, person)) for kiln in page]
    return _show(request, "firings/kilns.html", tab="kilns", page=page, rows=rows)


@coop_page
def kiln(request: CoopRequest, kiln: UUID) -> HttpResponse:
    found = queries.kiln_whole(request.coop, kiln)
    zones = queries.zones_shown(found)
    return _show(
        request,
        "firings/kiln.html",
        kiln=found,
        cone=queries.cone_words(found.target_cone, request.user),
        zones=[(shown, queries.cone_words(shown.zone.cone, request.user)) for shown in zones],
        phases=queries.phases_shown(found),
        opening_dc=found.opening_c * 10,
        inner_ml=found.volume_l * 1000,
        firings=queries.firings_of(found),
        furniture=furniture_queries.groups_of(found),
        probes=probe_queries.probes_of(found),
    )


@coop_page
def kiln_document(request: CoopRequest, kiln: UUID) -> HttpResponse:
    """The kiln as a kiln/1 file."""
    found = queries.kiln_whole(request.coop, kiln)
    text = json.dumps(queries.document_of(found), ensure_ascii=False, indent=2)
    name = slugify(found.name) or "kiln"
    return HttpResponse(
        text + "\n",
        content_type="application/json; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{name}.json"'},
    )


@coop_form
def kiln_add(request: CoopRequest) -> HttpResponse:
    check_steward(request.membership)
    template, person = "firings/kiln_form.html", request.user
    if request.method != "POST":
        return _show(request, template, form=KilnForm(person=person))
    form, status = KilnForm(request.POST, person=person), 400
    if form.is_valid():
        try:
            added = services.add_kiln(
                request.coop, by=request.membership, now=timezone.now(), spec=form.spec(), place=form.place
            )
        except Refused as no:
            form.refuse(no)
            status = no.status
        else:
            messages.success(request, _("%(kiln)s is in the list; firings of it can be called.") % {"kiln": added.name})
            return _to(request, "kiln", kiln=added.public_id)
    return _again(request, template, status, form=form)


@coop_form
def kiln_change(request: CoopRequest, kiln: UUID) -> HttpResponse:
    check_steward(request.membership)
    template, person = "firings/kiln_form.html", request.user
    found = queries.kiln_whole(request.coop, kiln)
    document = queries.document_of(found)
    if request.method != "POST":
        form = KilnForm(person=person, document=document, place=found.place)
        return _show(request, template, form=form, kiln=found)
    form, status = KilnForm(request.POST, person=person, document=document, place=found.place), 400
    if form.is_valid():
        try:
            services.change_kiln(
                request.coop,
                by=request.membership,
                now=timezone.now(),
                kiln_id=kiln,
                spec=form.spec(),
                place=form.place,
            )
        except Refused as no:
            form.refuse(no)
            status = no.status
        else:
            messages.success(request, _("The kiln is described anew."))
            return _to(request, "kiln", kiln=kiln)
    return _again(request, template, status, form=form, kiln=found)


@coop_form
def kiln_add_file(request: CoopRequest) -> HttpResponse:
    check_steward(request.membership)
    template = "firings/kiln_file.html"
    if request.method != "POST":
        return _show(request, template, form=KilnFileForm())
    form, status = KilnFileForm(request.POST, request.FILES), 400
    if form.is_valid():
        try:
            added = services.add_kiln(
                request.coop,
                by=request.membership,
                now=timezone.now(),
                spec=form.spec(),
                place=form.cleaned_data["place"],
            )
        except Refused as no:
            form.refuse(no)
            status = no.status
        else:
            messages.success(request, _("%(kiln)s is in the list; firings of it can be called.") % {"kiln": added.name})
            return _to(request, "kiln", kiln=added.public_id)
    return _again(request, template, status, form=form)


@coop_form
def kiln_change_file(request: CoopRequest, kiln: UUID) -> HttpResponse:
    check_steward(request.membership)
    template = "firings/kiln_file.html"
    found = queries.kiln_whole(request.coop, kiln)
    if request.method != "POST":
        return _show(request, template, form=KilnFileForm(initial={"place": found.place}), kiln=found)
    form, status = KilnFileForm(request.POST, request.FILES), 400
    if form.is_valid():
        try:
            services.change_kiln(
                request.coop,
                by=request.membership,
                now=timezone.now(),
                kiln_id=kiln,
                spec=form.spec(),
                place=form.cleaned_data["place"],
            )
        except Refused as no:
            form.refuse(no)
            status = no.status
        else:
            messages.success(request, _("The kiln is described anew."))
            return _to(request, "kiln", kiln=kiln)
    return _again(request, template, status, form=form, kiln=found)


@coop_action(back="kiln")
def kiln_retire(request: CoopRequest, kiln: UUID) -> HttpResponse | None:
    retired = services.retire_kiln(request.coop, by=request.membership, now=timezone.now(), kiln_id=kiln)
    messages.success(request, _("%(kiln)s is retired; its record stays.") % {"kiln": retired.name})
    return None


# --- Materials ------------------------------------------------------------------------------


@coop_page
def materials(request: CoopRequest) -> HttpResponse:
    page = queries.materials_listed(request.coop, page=request.GET.get("page", 1))
    rows = [
        (material, queries.cone_words(material.stands_cone, request.user) if material.stands_cone else "")
        for material in page
    ]
    return _show(request, "firings/materials.html", tab="materials", page=page, rows=rows)


@coop_form
def material_add(request: CoopRequest) -> HttpResponse:
    check_steward(request.membership)
    template = "firings/material_form.html"
    if request.method != "POST":
        return _show(request, template, form=MaterialForm(coop=request.coop, person=request.user))
    form, status = MaterialForm(request.POST, coop=request.coop, person=request.user), 400
    if form.is_valid():
        try:
            services.add_material(request.coop, by=request.membership, now=timezone.now(), **form.told())
        except Refused as no:
            add_refusal(form, no)
            status = no.status
        else:
            messages.success(request, _("The material is in the list."))
            return _to(request, "materials")
    return _again(request, template, status, form=form)


@coop_form
def material_change(request: CoopRequest, material: UUID) -> HttpResponse:
    check_steward(request.membership)
    template = "firings/material_form.html"
    found = queries.material_for(request.coop, material)
    data = request.POST if request.method == "POST" else None
    form, status = MaterialForm(data, coop=request.coop, person=request.user, material=found), 400
    if data is None:
        return _show(request, template, form=form, material=found)
    if form.is_valid():
        try:
            services.change_material(
                request.coop, by=request.membership, now=timezone.now(), material_id=material, **form.told()
            )
        except Refused as no:
            add_refusal(form, no)
            status = no.status
        else:
            messages.success(request, _("Changed. Pieces listed before keep what they were listed with."))
            return _to(request, "materials")
    return _again(request, template, status, form=form, material=found)


@coop_action(back="materials")
def material_retire(request: CoopRequest, material: UUID) -> HttpResponse | None:
    services.retire_material(request.coop, by=request.membership, now=timezone.now(), material_id=material)
    messages.success(request, _("The material is offered no more."))
    return _to(request, "materials")


# --- Wood -----------------------------------------------------------------------------------


@coop_page
def wood_stacks(request: CoopRequest) -> HttpResponse:
    return _show(
        request,
        "firings/wood_stacks.html",
        tab="wood",
        page=queries.wood_listed(request.coop, page=request.GET.get("page", 1)),
        may_move=allowed(services.check_moves_wood, request.membership),
    )


@coop_form
def wood_stack_add(request: CoopRequest) -> HttpResponse:
    check_steward(request.membership)
    template, in_use = "firings/wood_form.html", list(firing_queries.kilns_in_use(request.coop))
    if request.method != "POST":
        return _show(request, template, form=WoodStackForm(kilns=in_use))
    form, status = WoodStackForm(request.POST, kilns=in_use), 400
    if form.is_valid():
        try:
            services.add_wood_stack(request.coop, by=request.membership, now=timezone.now(), **form.told())
        except Refused as no:
            add_refusal(form, no)
            status = no.status
        else:
            messages.success(request, _("The stack is in the list."))
            return _to(request, "wood_stacks")
    return _again(request, template, status, form=form)


@coop_form
def wood_move(request: CoopRequest, stack: UUID) -> HttpResponse:
    services.check_moves_wood(request.membership)
    template, found = "firings/wood_move.html", queries.stack_for(request.coop, stack)
    firings = queries.firings_to_burn_in(request.coop)
    if request.method != "POST":
        form = WoodMoveForm(firings=firings, initial={"firing_id": request.GET.get("firing", "")})
        return _show(request, template, form=form, stack=found, moves=queries.moves_of(found))
    form, status = WoodMoveForm(request.POST, firings=firings), 400
    if form.is_valid():
        try:
            services.move_wood(request.coop, by=request.membership, now=timezone.now(), stack_id=stack, **form.told())
        except Refused as no:
            add_refusal(form, no)
            status = no.status
        else:
            messages.success(request, _("Written down. Thank you."))
            return _to(request, "wood_stacks")
    return _again(request, template, status, form=form, stack=found, moves=queries.moves_of(found))


urls = [
    path("kilns/", kilns, name="kilns"),
    path("kilns/add/", kiln_add, name="kiln_add"),
    path("kilns/add/file/", kiln_add_file, name="kiln_add_file"),
    path("kilns/<uuid:kiln>/", kiln, name="kiln"),
    path("kilns/<uuid:kiln>/kiln.json", kiln_document, name="kiln_document"),
    path("kilns/<uuid:kiln>/change/", kiln_change, name="kiln_change"),
    path("kilns/<uuid:kiln>/change/file/", kiln_change_file, name="kiln_change_file"),
    path("kilns/<uuid:kiln>/retire/", kiln_retire, name="kiln_retire"),
    path("materials/", materials, name="materials"),
    path("materials/add/", material_add, name="material_add"),
    path("materials/<uuid:material>/change/", material_change, name="material_change"),
    path("materials/<uuid:material>/retire/", material_retire, name="material_retire"),
    path("wood/", wood_stacks, name="wood_stacks"),
    path("wood/add/", wood_stack_add, name="wood_stack_add"),
    path("wood/<uuid:stack>/move/", wood_move, name="wood_move"),
]
