"""The unpacking page: an outcome per row of pieces, and damage."""

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

from coop.access import allowed
from coop.errors import Malformed, Refused
from coop.forms import add_refusal
from coop.http import CoopRequest, coop_action, coop_form, coop_page
from coop.money import format_plain
from coop.transactions import reading
from firings.access import check_leads
from firings.forms.unpacking import DamageForm, DecisionForm, OutcomeForm
from firings.models import Damage, Firing, Outcome, Piece
from firings.queries import unpacking as queries
from firings.queries.firings import firing_of
from firings.services import unpacking as services


@coop_page
def firing_unpacking(request: CoopRequest, firing: UUID) -> HttpResponse:
    shown = queries.unpacking_page(request.coop, firing, request.membership, number=request.GET.get("page", "1"))
    context = {"firing": shown.firing, "tab": "unpacking", "shown": shown, "page": shown.page}
    return render(request, "firings/firing_unpacking.html", context)


def _to(request: CoopRequest, firing: UUID) -> HttpResponse:
    return HttpResponseRedirect(
        reverse("firing_unpacking", kwargs={"coop": request.coop.slug, "firing": firing}), status=303
    )


@coop_form
def outcome(request: CoopRequest, firing: UUID, piece: UUID) -> HttpResponse:
    found = firing_of(request.coop, firing)
    row = queries.find_piece(found, piece)
    if request.method != "POST":
        told = {outcome.result: outcome.count for outcome in row.outcomes.all()}
        note = next((outcome.note for outcome in row.outcomes.all()), "")
        initial = {**(told or {Outcome.Result.GOOD: row.count}), "note": note}
        return _outcome_page(request, found, row, OutcomeForm(piece=row, initial=initial))
    form = OutcomeForm(request.POST, piece=row)
    try:
        if not form.is_valid():
            raise Malformed([_("Give each count as a whole number, not more than there are pieces.")])
        services.set_outcome(
            request.coop,
            by=request.membership,
            now=timezone.now(),
            piece_id=piece,
            counts=form.counts(),
            note=form.cleaned_data["note"],
        )
    except Refused as no:
        if not form.errors:
            add_refusal(form, no)
        with reading(request.coop):
            return _outcome_page(request, found, row, form, status=no.status)
    messages.success(request, _("Written down: %(piece)s.") % {"piece": row.name})
    return _to(request, firing)


def _outcome_page(
    request: CoopRequest, firing: Firing, piece: Piece, form: OutcomeForm, *, status: int = 200
) -> HttpResponse:
    return render(request, "firings/outcome.html", {"firing": firing, "piece": piece, "form": form}, status=status)


@coop_action(back="firing_unpacking")
def outcome_good(request: CoopRequest, firing: UUID, piece: UUID) -> HttpResponse | None:
    row = queries.find_piece(firing_of(request.coop, firing), piece)
    services.set_outcome(
        request.coop,
        by=request.membership,
        now=timezone.now(),
        piece_id=piece,
        counts={Outcome.Result.GOOD: row.count},
    )
    messages.success(request, _("%(piece)s: all good.") % {"piece": row.name})
    return None


@coop_action(back="firing_unpacking")
def rest_is_good(request: CoopRequest, firing: UUID) -> HttpResponse | None:
    rows = services.rest_is_good(request.coop, by=request.membership, now=timezone.now(), firing_id=firing)
    messages.success(
        request,
        ngettext("%(n)s row of pieces written down as good.", "%(n)s rows of pieces written down as good.", rows)
        % {"n": rows},
    )
    return None


@coop_form
def damage_report(request: CoopRequest, firing: UUID) -> HttpResponse:
    found = firing_of(request.coop, firing)
    options = {"pieces": list(queries.pieces_of(found)), "zones": list(found.zones.select_related("zone"))}
    if request.method != "POST":
        return _damage_page(request, found, DamageForm(**options))
    form = DamageForm(request.POST, **options)
    try:
        if not form.is_valid():
            raise Malformed([_("Something was not filled in; look at the fields below.")])
        told = form.cleaned_data
        services.report_damage(
            request.coop,
            by=request.membership,
            now=timezone.now(),
            firing_id=firing,
            what=told["what"],
            count=told["count"],
            cause=told["cause"],
            piece_id=told["piece"],
            zone_id=told["zone"],
            note=told["note"],
        )
    except Refused as no:
        if not form.errors:
            add_refusal(form, no)
        with reading(request.coop):
            return _damage_page(request, found, form, status=no.status)
    messages.success(request, _("Written down. The lead decides who bears it."))
    return _to(request, firing)


def _damage_page(request: CoopRequest, firing: Firing, form: DamageForm, *, status: int = 200) -> HttpResponse:
    return render(request, "firings/damage.html", {"firing": firing, "form": form}, status=status)


@coop_form
def damage_decide(request: CoopRequest, firing: UUID, damage: UUID) -> HttpResponse:
    found = firing_of(request.coop, firing)
    row = queries.find_damage(found, damage)
    options: dict[str, Any] = {"people": queries.who_could_bear(found), "currency": request.coop.currency}
    if request.method != "POST":
        return _decide_page(request, found, row, DecisionForm(initial=_decided(row, request), **options))
    form = DecisionForm(request.POST, **options)
    try:
        if not form.is_valid():
            raise Malformed([_("Something was not filled in; look at the fields below.")])
        services.decide_damage(
            request.coop,
            by=request.membership,
            now=timezone.now(),
            damage_id=damage,
            bearer=form.cleaned_data["bearer"],
            borne_by_id=form.cleaned_data["borne_by"],
            amount_minor=form.cleaned_data["amount"],
        )
    except Refused as no:
        if not form.errors:
            add_refusal(form, no)
        with reading(request.coop):
            return _decide_page(request, found, row, form, status=no.status)
    messages.success(request, _("Decided. It counts once a second person, neither owner nor bearer, agrees."))
    return _to(request, firing)


@coop_action(back="firing_unpacking")
def damage_agree(request: CoopRequest, firing: UUID, damage: UUID) -> None:
    services.agree_on_damage(request.coop, by=request.membership, now=timezone.now(), damage_id=damage)
    messages.success(request, _("Agreed. It goes into the cost shares as it stands now."))


def _decided(row: Damage, request: CoopRequest) -> dict[str, Any]:
    owner = row.borne_by or (row.piece.booking.member if row.piece is not None else None)
    amount = "" if row.amount_minor is None else format_plain(row.amount_minor, request.coop.currency)
    bearer = "" if row.bearer == Damage.Bearer.OPEN else row.bearer
    return {"bearer": bearer, "borne_by": str(owner.public_id) if owner else "", "amount": amount}


def _decide_page(
    request: CoopRequest, firing: Firing, row: Damage, form: DecisionForm, *, status: int = 200
) -> HttpResponse:
    context = {
        "firing": firing,
        "damage": row,
        "form": form,
        "may_decide": allowed(check_leads, request.membership, firing),
    }
    return render(request, "firings/damage_decide.html", context, status=status)


_UNPACKING = "firings/<uuid:firing>/unpacking/"
urls: list[URLPattern] = [
    path(_UNPACKING, firing_unpacking, name="firing_unpacking"),
    path(f"{_UNPACKING}rest/", rest_is_good, name="rest_is_good"),
    path(f"{_UNPACKING}pieces/<uuid:piece>/", outcome, name="outcome"),
    path(f"{_UNPACKING}pieces/<uuid:piece>/good/", outcome_good, name="outcome_good"),
    path(f"{_UNPACKING}damage/", damage_report, name="damage_report"),
    path(f"{_UNPACKING}damage/<uuid:damage>/", damage_decide, name="damage_decide"),
    path(f"{_UNPACKING}damage/<uuid:damage>/agree/", damage_agree, name="damage_agree"),
]
