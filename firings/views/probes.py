"""A kiln's probes with their offsets, and its loggers with their keys."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import URLPattern, path, reverse
from django.utils import timezone
from django.utils.cache import add_never_cache_headers
from django.utils.translation import gettext as _

from coop.access import allowed
from coop.errors import Refused
from coop.forms import add_refusal
from coop.http import CoopRequest, coop_action, coop_form
from coop.transactions import reading
from firings.access import check_steward
from firings.forms.probes import LoggerForm, NewProbeForm, ProbeForm
from firings.queries import kilns as kiln_queries
from firings.queries import probes as queries
from firings.services import probes as services


def _fahrenheit(request: CoopRequest) -> bool:
    return bool(request.user.temperature_unit == "f")


def _page(request: CoopRequest, kiln: UUID, *, status: int = 200, **context: Any) -> HttpResponse:
    found = kiln_queries.kiln_whole(request.coop, kiln)
    told = {
        "kiln": found,
        "probes": queries.probes_of(found),
        "loggers": queries.loggers_of(found),
        "may_change": allowed(check_steward, request.membership),
        "probe_form": NewProbeForm(fahrenheit=_fahrenheit(request), auto_id="probe_%s"),
        "logger_form": LoggerForm(auto_id="logger_%s"),
        "unit": "°F" if _fahrenheit(request) else "°C",
        "posts_to": request.build_absolute_uri(reverse("api_logger_readings", kwargs={"coop": request.coop.slug})),
        **context,
    }
    response = render(request, "firings/kiln_probes.html", told, status=status)
    add_never_cache_headers(response)
    return response


def _to(request: CoopRequest, kiln: UUID) -> HttpResponse:
    return HttpResponseRedirect(reverse("kiln_probes", kwargs={"coop": request.coop.slug, "kiln": kiln}), status=303)


@coop_form
def kiln_probes(request: CoopRequest, kiln: UUID) -> HttpResponse:
    """Everybody may look; the steward adds a probe here."""
    if request.method != "POST":
        return _page(request, kiln)
    form, status = NewProbeForm(request.POST, fahrenheit=_fahrenheit(request), auto_id="probe_%s"), 422
    if form.is_valid():
        try:
            row = services.add_probe(
                request.coop, by=request.membership, now=timezone.now(), kiln_id=kiln, **form.cleaned_data
            )
        except Refused as no:
            add_refusal(form, no)
            status = no.status
        else:
            messages.success(request, _("The probe %(probe)s is in the list.") % {"probe": row.name})
            return _to(request, kiln)
    with reading(request.coop):
        return _page(request, kiln, status=status, probe_form=form)


@coop_form
def probe_change(request: CoopRequest, probe: UUID) -> HttpResponse:
    """Another place or offset."""
    check_steward(request.membership)
    row, fahrenheit = queries.probe_for(request.coop, probe), _fahrenheit(request)
    degrees = row.offset_dc * 9 / 50 if fahrenheit else row.offset_dc / 10
    initial = {"place": row.place, "offset_dc": f"{degrees:.1f}"}
    form = ProbeForm(request.POST if request.method == "POST" else None, fahrenheit=fahrenheit, initial=initial)
    status = 200 if request.method != "POST" else 422
    if request.method == "POST" and form.is_valid():
        try:
            services.change_probe(
                request.coop, by=request.membership, now=timezone.now(), probe_id=probe, **form.cleaned_data
            )
        except Refused as no:
            add_refusal(form, no)
            status = no.status
        else:
            messages.success(request, _("Readings from now on carry the new offset."))
            return _to(request, row.kiln.public_id)
    context = {"probe": row, "form": form, "unit": "°F" if fahrenheit else "°C"}
    return render(request, "firings/probe_form.html", context, status=status)


@coop_action(back="kilns")
def probe_retire(request: CoopRequest, probe: UUID) -> HttpResponse | None:
    kiln = queries.probe_for(request.coop, probe).kiln.public_id
    services.retire_probe(request.coop, by=request.membership, now=timezone.now(), probe_id=probe)
    messages.success(request, _("The probe is used no more; its readings stay."))
    return _to(request, kiln)


@coop_form
def logger_make(request: CoopRequest, kiln: UUID) -> HttpResponse:
    """Make a logger's key and show it, this once."""
    if request.method != "POST":
        return _to(request, kiln)
    form, status = LoggerForm(request.POST, auto_id="logger_%s"), 422
    if form.is_valid():
        try:
            row, key = services.make_logger(
                request.coop, by=request.membership, now=timezone.now(), kiln_id=kiln, **form.cleaned_data
            )
        except Refused as no:
            add_refusal(form, no)
            status = no.status
        else:
            # Not a redirect: the key is never kept, so this answer is the only place it can stand.
            with reading(request.coop):
                return _page(request, kiln, new_logger=row, new_key=key)
    with reading(request.coop):
        return _page(request, kiln, status=status, logger_form=form)


@coop_action(back="kilns")
def logger_revoke(request: CoopRequest, logger: UUID) -> HttpResponse | None:
    kiln = queries.logger_for(request.coop, logger).kiln.public_id
    services.revoke_logger(request.coop, by=request.membership, now=timezone.now(), logger_id=logger)
    messages.success(request, _("The key is revoked; the logger gets nothing in any more."))
    return _to(request, kiln)


urls: list[URLPattern] = [
    path("kilns/<uuid:kiln>/probes/", kiln_probes, name="kiln_probes"),
    path("kilns/<uuid:kiln>/loggers/", logger_make, name="logger_make"),
    path("probes/<uuid:probe>/", probe_change, name="probe_change"),
    path("probes/<uuid:probe>/retire/", probe_retire, name="probe_retire"),
    path("loggers/<uuid:logger>/revoke/", logger_revoke, name="logger_revoke"),
]
