"""A logger's CSV file into the log: chosen, looked at, taken; the same file twice adds nothing."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import URLPattern, path, reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from coop.errors import Malformed, Refused
from coop.http import CoopRequest, coop_form
from firings.fire import logger_file
from firings.forms.logger_file import LoggerColumnsForm, LoggerFileForm
from firings.models import Firing
from firings.queries.firings import firing_of
from firings.services import log, probes

SHOWN = 6


@coop_form
def logger_file_upload(request: CoopRequest, firing: UUID) -> HttpResponse:
    found = firing_of(request.coop, firing)
    log.check_writes(request.membership, found)
    if request.method != "POST":
        return _show(request, found, form=LoggerFileForm())
    if "rows" in request.POST:
        return _columns(request, found)
    form = LoggerFileForm(request.POST, request.FILES)
    if not form.is_valid():
        return _show(request, found, form=form, status=422)
    try:
        content = form.cleaned_data["file"].read(logger_file.MOST_BYTES + 1)
        sheet = logger_file.read_sheet(content)
    except Malformed as no:
        form.add_error("file", str(no))
        return _show(request, found, form=form, status=no.status)
    text = content.decode("utf-8-sig", errors="replace")
    first = LoggerColumnsForm(sheet, request.coop.time_zone, rows=text)
    return _show(request, found, columns_form=first, sheet=sheet)


def _columns(request: CoopRequest, firing: Firing) -> HttpResponse:
    text = request.POST["rows"]
    sheet = logger_file.read_sheet(text)
    form = LoggerColumnsForm(sheet, request.coop.time_zone, request.POST)
    context: dict[str, Any] = {"columns_form": form, "sheet": sheet}
    if not form.is_valid():
        return _show(request, firing, status=422, **context)
    try:
        readings, faults = logger_file.readings(sheet, form.columns(), form.zone_info())
        if not readings and not faults:
            raise Malformed([_("There is no reading in these columns; choose others.")])
    except Malformed as no:
        for fault in no.faults:
            form.add_error(None, fault)
        return _show(request, firing, status=no.status, **context)
    if "take" not in request.POST or (faults and "without_faults" not in request.POST):
        shown = readings[:SHOWN]
        return _show(request, firing, readings=shown, count=len(readings), faults=faults, looked=True, **context)
    try:
        done = probes.take_file(
            request.coop, by=request.membership, now=timezone.now(), firing_id=firing.public_id, readings=readings
        )
    except Refused as no:
        form.add_error(None, str(no))
        return _show(request, firing, status=no.status, **context)
    said = ngettext("%(n)s reading was written down.", "%(n)s readings were written down.", done.written)
    messages.success(request, said % {"n": done.written})
    if done.known:
        messages.info(request, _("%(n)s were in the log already and were not written again.") % {"n": done.known})
    for why, count in done.refused:
        messages.warning(request, _("%(n)s not taken: %(why)s") % {"n": count, "why": why})
    there = reverse("firing_fire", kwargs={"coop": request.coop.slug, "firing": firing.public_id})
    return HttpResponseRedirect(f"{there}#log", status=303)


def _show(request: CoopRequest, firing: Firing, *, status: int = 200, **context: Any) -> HttpResponse:
    sheet = context.get("sheet")
    told = {"firing": firing, "first_rows": sheet.rows[:3] if sheet else (), **context}
    faults = context.get("faults") or []
    told["faults_shown"], told["faults_more"] = faults[: logger_file.MOST_FAULTS], len(faults) - logger_file.MOST_FAULTS
    return render(request, "firings/logger_file.html", told, status=status)


urls: list[URLPattern] = [
    path("firings/<uuid:firing>/fire/logger-file/", logger_file_upload, name="logger_file"),
]
