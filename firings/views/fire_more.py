"""What is written into the log now and then, some of it with a photo: decisions, flame, draw rings, weather, wood."""

from __future__ import annotations

from uuid import UUID
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import URLPattern, path, reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from coop.access import allowed
from coop.errors import Malformed, Refused
from coop.forms import add_refusal
from coop.http import CoopRequest, coop_form
from coop.transactions import reading
from firings.access import check_takes_part
from firings.forms.fire import FORMS, LESS_OFTEN, EntryForm
from firings.models import Firing, LogEntry
from firings.queries import fire as queries
from firings.queries.firings import firing_of
from firings.services import log

ICONS = {
    "decision": "hands",
    "flame": "flame",
    "draw": "round",
    "weather": "info",
    "wood": "wood",
    "incident": "warn",
}


@coop_form
def fire_more(request: CoopRequest, firing: UUID) -> HttpResponse:
    """One form per kind; what is saved stands in the log of the fire page."""
    found = firing_of(request.coop, firing)
    check_takes_part(request.membership, found)
    if request.method != "POST":
        return _page(request, found)
    kind = request.POST.get("kind", "")
    if kind not in LESS_OFTEN:
        raise Malformed([_("Press one of the buttons; this page did not say what it is about.")])
    form = FORMS[kind](request.POST, request.FILES, **_options(request, found))
    try:
        if not form.is_valid():
            raise Malformed([_("Something was not filled in; look at the fields below.")])
        spec = form.spec(ZoneInfo(request.coop.time_zone))
        written = log.write(request.coop, by=request.membership, now=timezone.now(), firing_id=firing, entries=[spec])
    except Refused as no:
        if not form.errors:
            add_refusal(form, no)
        with reading(request.coop):
            return _page(request, found, faulty=form, status=no.status)
    for row in written:
        messages.success(request, _("Written down: %(entry)s") % {"entry": queries.in_words(row, request.user)})
    there = reverse("firing_fire", kwargs={"coop": request.coop.slug, "firing": firing})
    return HttpResponseRedirect(f"{there}#log", status=303)


def _options(request: CoopRequest, firing: Firing) -> dict[str, bool]:
    return {
        "clock_goes_back": queries.may_need_fold(firing, timezone.now()),
        "fahrenheit": request.user.temperature_unit == "f",
    }


def more_forms(
    request: CoopRequest, firing: Firing, *, faulty: EntryForm | None = None
) -> list[tuple[LogEntry.Kind, str, EntryForm]]:
    """Each kind that this log takes now with its drawing and its form; the faulty one as it was typed."""
    return [
        (LogEntry.Kind(kind), ICONS[kind], faulty if faulty is not None and kind == faulty.KIND else form)
        for kind in LESS_OFTEN
        if (form := FORMS[kind](**_options(request, firing))) and allowed(log.check_takes_log, firing, kind)
    ]


def _page(request: CoopRequest, firing: Firing, *, faulty: EntryForm | None = None, status: int = 200) -> HttpResponse:
    may_write = allowed(log.check_writes, request.membership, firing)
    context = {
        "firing": firing,
        "tab": "fire",
        "forms": more_forms(request, firing, faulty=faulty) if may_write else [],
        "may_write": may_write,
        "faulty": faulty,
        "unit": "°F" if request.user.temperature_unit == "f" else "°C",
    }
    return render(request, "firings/fire_more.html", context, status=status)


urls: list[URLPattern] = [path("firings/<uuid:firing>/fire/more/", fire_more, name="fire_more")]
