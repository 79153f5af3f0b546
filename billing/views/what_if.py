"""What a firing may cost, and who would gain or lose by another policy: read only, before sign-up and at meetings."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import URLPattern, path
from django.utils.translation import gettext as _

from billing import drawings
from billing.forms import TryTermsForm
from billing.queries import what_if as queries
from coop import money
from coop.errors import Malformed
from coop.forms import add_refusal
from coop.http import CoopRequest, coop_page
from coop.policy import Terms
from firings.access import check_takes_part
from firings.models import Firing
from firings.queries.firings import firing_of

TRIED = "own"


@coop_page
def firing_what_if(request: CoopRequest, firing: UUID) -> HttpResponse:
    """The forecast, and two policies side by side: two versions, or one and rules that are only tried."""
    row = firing_of(request.coop, firing)
    check_takes_part(request.membership, row)
    context: dict[str, Any] = {"firing": row, "currency": request.coop.currency, "faults": []}
    status = 200
    try:
        context |= _forecast(request, row)
    except Malformed as no:
        context["faults"], status = list(no.faults), no.status
    compared = _comparison(request, row)
    context["faults"] += compared.pop("faults")
    context |= compared
    if context["form_faulty"] or context["faults"]:
        status = 400
    return render(request, "billing/what_if.html", context, status=status)


def _forecast(request: CoopRequest, firing: Firing) -> dict[str, Any]:
    typed = request.GET.get("litres", "").strip()
    if typed and not (typed.isascii() and typed.isdecimal() and len(typed) < 9):
        raise Malformed([_("Give litres as a whole number from 0 to %(most)d.") % {"most": queries.MOST_LITRES}])
    found = queries.outlook(firing, request.membership, int(typed or 0))
    if found is None:
        return {"outlook": None, "litres": typed}
    currency = request.coop.currency
    rows = [
        (
            one.member.name,
            one.amount.low,
            one.amount.likely,
            one.amount.high,
            f"{money.format_plain(one.amount.likely, currency)} {currency}",
        )
        for one in found.rows
    ]
    return {"outlook": found, "litres": typed, "forecast_chart": drawings.ranges(rows) if rows else ""}


def _comparison(request: CoopRequest, firing: Firing) -> dict[str, Any]:
    said = request.GET
    versions = queries.policies(request.coop)
    own = firing.policy or (versions[0] if versions else None)
    first = said.get("a", "") or (str(own.version) if own else "1")
    second = said.get("b", "")
    faults: list[str] = []
    before = _version(request, first, faults) or queries.present_terms(firing)
    form = TryTermsForm(before, said if second == TRIED else None)
    context: dict[str, Any] = {
        "versions": versions,
        "first": first,
        "second": second,
        "form": form,
        "compared": None,
        "is_asked": bool(second),
        "form_faulty": False,
        "faults": faults,
    }
    if not second:
        return context
    after = _tried(form) if second == TRIED else _version(request, second, faults)
    if after is None:
        return {**context, "form_faulty": second == TRIED}
    found = queries.compared(firing, before, after)
    context["compared"] = found
    if found is not None:
        context["chart"] = drawings.gains_and_losses(
            [
                (one.member.name, one.difference_minor, _signed(one.difference_minor, request.coop.currency))
                for one in found.rows
            ]
        )
    return context


def _version(request: CoopRequest, version: str, faults: list[str]) -> Terms | None:
    try:
        return queries.terms_of_version(request.coop, version)
    except Malformed as no:
        faults += no.faults
        return None


def _tried(form: TryTermsForm) -> Terms | None:
    if not form.is_valid():
        return None
    try:
        return form.terms()
    except Malformed as no:
        add_refusal(form, no)
        return None


def _signed(minor: int, currency: str) -> str:
    text = money.format_plain(abs(minor), currency)
    return f"+{text}" if minor > 0 else f"−{text}" if minor < 0 else text


urls: list[URLPattern] = [path("firings/<uuid:firing>/money/what-if/", firing_what_if, name="firing_what_if")]
