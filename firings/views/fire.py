"""The fire page: keys for the log, the curve, hand-overs; corrections and papers."""

from __future__ import annotations

from decimal import Decimal
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import URLPattern, path, reverse
from django.utils import timezone
from django.utils.safestring import mark_safe
from django.utils.translation import gettext as _

from coop.access import allowed
from coop.errors import Malformed, Refused
from coop.forms import add_refusal
from coop.http import CoopRequest, coop_action, coop_form, coop_page
from coop.models import Computation
from coop.transactions import reading
from firings.access import check_leads
from firings.forms.fire import FORMS, EntryForm, HandOverForm, ReadingForm, StrikeForm
from firings.models import Firing, LogEntry
from firings.queries import fire as queries
from firings.queries.firings import firing_of
from firings.queries.wood import wood_of
from firings.services import hand_overs, log
from firings.views.fire_more import more_forms
from firings.views.phones import words

READINGS_SHOWN = 12


@coop_form
def firing_fire(request: CoopRequest, firing: UUID) -> HttpResponse:
    if request.method != "POST":
        return _page(request, firing)
    now = timezone.now()
    found = firing_of(request.coop, firing)
    form = _typed(request, queries.may_need_fold(found, now))
    try:
        if not form.is_valid():
            raise Malformed([_("Something was not filled in; look at the fields below.")])
        spec = form.spec(ZoneInfo(request.coop.time_zone))
        before = queries.entries_of(queries.rows_of(found))
        written = log.write(request.coop, by=request.membership, now=now, firing_id=firing, entries=[spec])
    except Refused as no:
        if not form.errors:
            add_refusal(form, no)
        with reading(request.coop):
            return _page(request, firing, faulty=form, status=no.status)
    for row in written:
        messages.success(request, _("Written down: %(entry)s") % {"entry": queries.in_words(row, request.user)})
        for doubt in queries.doubts(row, before):
            messages.warning(request, doubt)
    return _to(request, firing)


def _typed(request: CoopRequest, clock_goes_back: bool) -> EntryForm:
    kind = request.POST.get("kind", "")
    if kind not in FORMS:
        raise Malformed([_("Press one of the keys; this page did not say what it is about.")])
    data = request.POST.copy()
    fahrenheit = request.user.temperature_unit == "f"
    pressed = data.get("pressed", "")
    if kind == LogEntry.Kind.READING and pressed.lstrip("-").isdecimal():
        data["temperature_dc"], fahrenheit = str(Decimal(pressed) / 10), False  # the quick keys carry tenths of °C
    return FORMS[kind](data, clock_goes_back=clock_goes_back, fahrenheit=fahrenheit)


@coop_page
def firing_fire_kept(request: CoopRequest, firing: UUID) -> HttpResponse:
    """The fire page as a phone keeps it for when there is no signal: first names only, no pages of the log."""
    return _page(request, firing, kept=True)


def _page(
    request: CoopRequest, firing: UUID, *, faulty: EntryForm | None = None, status: int = 200, kept: bool = False
) -> HttpResponse:
    now = timezone.now()
    number = request.GET.get("page", "1")
    page = queries.fire_page(
        request.coop,
        firing,
        request.membership,
        now=now,
        number=int(number) if number.isascii() and number.isdigit() else 1,
    )
    found = page.firing
    tends = found.stage in (Firing.Stage.LIT, Firing.Stage.COOLING)
    may_write = allowed(log.check_writes, request.membership, found)
    context = {
        "firing": found,
        "tab": "fire",
        "page": page,
        "state": page.state,
        "curve": mark_safe(page.curve),  # noqa: S308 (made by the core, which escapes what people typed)
        "last_readings": [entry for entry in reversed(page.state.log) if entry.kind == "reading"][:READINGS_SHOWN],
        "may_write": may_write,
        "tends": tends,
        "takes_all": tends and may_write,
        "takes_notes": may_write and allowed(log.check_takes_log, found, LogEntry.Kind.NOTE),
        "leads": allowed(check_leads, request.membership, found) and not kept,
        "burns": found.stage == Firing.Stage.LIT,
        "wood": wood_of(found, page.state.log, now, page.outlook.end.likely if page.outlook else None)
        if found.stage == Firing.Stage.LIT
        else None,
        "kept": kept,
        "more_forms": more_forms(request, found) if kept and may_write else [],
        "kept_names": queries.who_wrote(found) if kept else (),
        "phone_words": words(),
        **_forms(page, request, faulty),
    }
    return render(request, "firings/firing_fire.html", context, status=status)


def _forms(page: queries.FirePage, request: CoopRequest, faulty: EntryForm | None) -> dict[str, Any]:
    """One form per key, with the last values in it; the faulty one keeps what was typed."""
    extra: dict[str, Any] = {"clock_goes_back": page.clock_goes_back}
    stoke, soda, state = page.last_stoke, page.last_soda, page.state
    initial: dict[str, dict[str, Any]] = {
        "cone": {"pack": page.packs[0] if page.packs else "", "cone": page.firing.target_cone},
        "stoke": {
            "port": stoke.port if stoke else "",
            "pieces": stoke.pieces if stoke else None,
            "wood_size": page.last_size,
        },
        "soda": {
            "port": soda.port if soda else "",
            "grams": soda.grams if soda else None,
            "soda_form": page.last_soda_form,
        },
        "round": {"phase": "stop" if state.round_since is not None else "start"},
    }
    made = {kind: FORMS[kind](initial=initial.get(kind, {}), **extra) for kind in FORMS if kind != "reading"}
    fahrenheit = request.user.temperature_unit == "f"
    probes: list[tuple[queries.ProbeState, EntryForm]] = [
        (
            probe,
            ReadingForm(
                initial={"probe": probe.name, "temperature_dc": degrees(probe.shown_dc, fahrenheit)},
                auto_id=f"probe{place}_%s",
                **extra,
            ),
        )
        for place, probe in enumerate(state.probes)
    ]
    other: EntryForm = ReadingForm(auto_id="other_%s", **extra)
    if faulty is not None and faulty.KIND == "reading":
        names = [probe.name for probe, _form in probes]
        typed = faulty.data.get("probe", "")
        if typed in names:
            place = names.index(typed)
            faulty.auto_id = f"probe{place}_%s"
            probes[place] = (probes[place][0], faulty)
        else:
            faulty.auto_id, other = "other_%s", faulty
    elif faulty is not None:
        made[faulty.KIND] = faulty
    return {
        "forms": made,
        "probe_forms": probes,
        "other_form": other,
        "faulty": faulty,
        "unit": "°F" if fahrenheit else "°C",
    }


def degrees(tenths: int | None, fahrenheit: bool) -> str:
    """Whole degrees as they go into an input."""
    if tenths is None:
        return ""
    return str(round(tenths * 9 / 50 + 32) if fahrenheit else round(tenths / 10))


def _to(request: CoopRequest, firing: UUID) -> HttpResponse:
    return HttpResponseRedirect(
        reverse("firing_fire", kwargs={"coop": request.coop.slug, "firing": firing}), status=303
    )


# --- Corrections ----------------------------------------------------------------------------


@coop_form
def log_entry(request: CoopRequest, firing: UUID, entry: UUID) -> HttpResponse:
    now = timezone.now()
    found = firing_of(request.coop, firing)
    row = queries.find_entry(found, entry)
    zone = ZoneInfo(request.coop.time_zone)
    options: dict[str, Any] = {
        "clock_goes_back": queries.may_need_fold(found, now),
        "fahrenheit": request.user.temperature_unit == "f",
    }
    if request.method != "POST":
        return _entry_page(request, found, row, FORMS[row.kind](initial=_said(row, zone, options), **options))
    form = FORMS[row.kind](request.POST, request.FILES, **options)
    try:
        if not form.is_valid():
            raise Malformed([_("Something was not filled in; look at the fields below.")])
        new = log.correct(request.coop, by=request.membership, now=now, entry_id=entry, entry=form.spec(zone))
    except Refused as no:
        if not form.errors:
            add_refusal(form, no)
        with reading(request.coop):
            return _entry_page(request, found, row, form, status=no.status)
    messages.success(request, _("Corrected: %(entry)s") % {"entry": queries.in_words(new, request.user)})
    return _to(request, firing)


def _said(row: LogEntry, zone: ZoneInfo, options: dict[str, Any]) -> dict[str, Any]:
    local = row.observed_at.astimezone(zone)
    fields = (
        *("probe", "cone", "pack", "place", "cone_state", "port", "pieces", "wood_size", "damper", "air"),
        *("phase", "grams", "soda_form", "flame", "smoke", "kg", "reason", "text"),
    )
    return {
        **{name: getattr(row, name) for name in fields},
        "temperature_dc": degrees(row.temperature_dc, options["fahrenheit"]),
        "seen_at": f"{local:%Y-%m-%dT%H:%M}",
        "second": bool(local.fold),
    }


def _entry_page(
    request: CoopRequest, firing: Firing, row: LogEntry, form: EntryForm, *, status: int = 200
) -> HttpResponse:
    chain = queries.chain_of(firing, row)
    context = {
        "firing": firing,
        "tab": "fire",
        "entry": row,
        "chain": chain,
        "form": form,
        "strike_form": StrikeForm(),
        "is_latest": chain[-1].pk == row.pk and not row.strikes,
        "may_write": allowed(log.check_writes, request.membership, firing)
        and firing.stage not in (Firing.Stage.CLOSED, Firing.Stage.CALLED_OFF),
    }
    return render(request, "firings/log_entry.html", context, status=status)


@coop_action(back="firing_fire")
def log_strike(request: CoopRequest, firing: UUID, entry: UUID) -> HttpResponse | None:
    form = StrikeForm(request.POST)
    if not form.is_valid():
        raise Malformed([_("Keep the reason under 200 letters.")])
    log.strike(request.coop, by=request.membership, now=timezone.now(), entry_id=entry, why=form.cleaned_data["why"])
    messages.success(request, _("Struck out. The old entry stays to be seen."))
    return _to(request, firing)


# --- Hand-overs -----------------------------------------------------------------------------


@coop_action(back="firing_fire")
def hand_over_draft(request: CoopRequest, firing: UUID) -> HttpResponse | None:
    note = hand_overs.draft(request.coop, by=request.membership, now=timezone.now(), firing_id=firing)
    return HttpResponseRedirect(
        reverse("hand_over", kwargs={"coop": request.coop.slug, "firing": firing, "hand_over": note.public_id}),
        status=303,
    )


@coop_form
def hand_over(request: CoopRequest, firing: UUID, hand_over: UUID) -> HttpResponse:
    found = firing_of(request.coop, firing)
    note = queries.find_hand_over(found, hand_over)
    if request.method != "POST":
        return _hand_over_page(request, found, note, HandOverForm(initial={"text": note.text}))
    form = HandOverForm(request.POST if "text" in request.POST else {"text": note.text})
    try:
        if not form.is_valid():
            raise Malformed([_("Say how the fire stands before you hand it over.")])
        note = hand_overs.accept(
            request.coop,
            by=request.membership,
            now=timezone.now(),
            hand_over_id=hand_over,
            text=form.cleaned_data["text"] if "text" in request.POST else None,
        )
    except Refused as no:
        if not form.errors:
            add_refusal(form, no)
        with reading(request.coop):
            return _hand_over_page(request, found, note, form, status=no.status)
    if note.incoming_id is None:
        messages.success(request, _("Handed over. The lead of the next watch accepts it on this page."))
    else:
        messages.success(request, _("You have the fire. Good watch."))
    return _to(request, firing)


def _hand_over_page(
    request: CoopRequest, firing: Firing, note: Any, form: HandOverForm, *, status: int = 200
) -> HttpResponse:
    context = {
        "firing": firing,
        "tab": "fire",
        "note": note,
        "form": form,
        "may_write": allowed(log.check_writes, request.membership, firing),
        "goes": note.outgoing_id is None,
        "comes": note.outgoing_id is not None and note.incoming_id is None,
        "is_outgoing": note.outgoing_id == request.membership.pk,
    }
    return render(request, "firings/hand_over.html", context, status=status)


# --- Papers ---------------------------------------------------------------------------------


@coop_action(back="firing_fire")
def firing_record(request: CoopRequest, firing: UUID) -> HttpResponse | None:
    asked = log.ask_for_record(request.coop, by=request.membership, now=timezone.now(), firing_id=firing)
    return wait_for(request, asked, "firing_fire", firing)


@coop_action(back="firing_fire")
def log_sheet(request: CoopRequest, firing: UUID) -> HttpResponse | None:
    asked = log.ask_for_blank_sheet(request.coop, by=request.membership, now=timezone.now(), firing_id=firing)
    return wait_for(request, asked, "firing_fire", firing)


def wait_for(request: CoopRequest, asked: Computation, back: str, firing: UUID) -> HttpResponse:
    """To the page that waits for a paper and then gives it."""
    wait = reverse("computation", kwargs={"coop": request.coop.slug, "computation": asked.public_id})
    there = reverse(back, kwargs={"coop": request.coop.slug, "firing": firing})
    return HttpResponseRedirect(f"{wait}?next={there}", status=303)


_FIRE = "firings/<uuid:firing>/fire/"
urls: list[URLPattern] = [
    path(_FIRE, firing_fire, name="firing_fire"),
    path(f"{_FIRE}kept/", firing_fire_kept, name="firing_fire_kept"),
    path(f"{_FIRE}record/", firing_record, name="firing_record"),
    path(f"{_FIRE}sheet/", log_sheet, name="log_sheet"),
    path(f"{_FIRE}hand-overs/", hand_over_draft, name="hand_over_draft"),
    path(f"{_FIRE}hand-overs/<uuid:hand_over>/", hand_over, name="hand_over"),
    path(f"{_FIRE}entries/<uuid:entry>/", log_entry, name="log_entry"),
    path(f"{_FIRE}entries/<uuid:entry>/strike/", log_strike, name="log_strike"),
]
