"""Deposits, the year's report, how long what is to pay has waited, and the ledger as a journal."""

from __future__ import annotations

import csv
import io
import uuid
from uuid import UUID
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import URLPattern, path, reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from billing import services
from billing.access import check_reads_ledger, check_treasurer
from billing.forms import DepositForm
from billing.queries import deposits as queries
from billing.queries import ledger, reports
from billing.queries.members import with_account
from coop.errors import NotFound, Refused
from coop.forms import add_refusal
from coop.http import CoopRequest, coop_action, coop_form, coop_page
from coop.transactions import reading

PAGE = 50


@coop_page
def deposits(request: CoopRequest) -> HttpResponse:
    """What the co-op holds for whom, and the last moves."""
    check_reads_ledger(request.membership)
    rows = queries.held(request.coop)
    context = {
        "held": rows,
        "total": sum(row.minor for row in rows),
        "moves": queries.moves(request.coop)[:PAGE],
        "currency": request.coop.currency,
    }
    return render(request, "billing/deposits.html", context)


@coop_form
def deposit_new(request: CoopRequest) -> HttpResponse:
    """Take a deposit, give it back or set it off."""
    check_treasurer(request.membership)
    form = DepositForm(
        request.POST or None,
        currency=request.coop.currency,
        members=with_account(request.coop),
        initial={"key": uuid.uuid4().hex, "member": request.GET.get("member", "")},
    )
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            said = form.cleaned_data
            try:
                services.move_deposit(
                    request.coop,
                    by=request.membership,
                    now=timezone.now(),
                    member_id=UUID(said["member"]),
                    kind=said["kind"],
                    amount_minor=said["amount"],
                    on=said["on"],
                    note=said["note"],
                    key=said["key"],
                )
            except Refused as no:
                add_refusal(form, no)
                status = no.status
            else:
                messages.success(request, _("The deposit is recorded."))
                return HttpResponseRedirect(reverse("deposits", kwargs={"coop": request.coop.slug}), status=303)
    context = {"form": form, "submit": _("Record it")}
    if request.method == "POST":
        with reading(request.coop):
            return render(request, "billing/deposit_new.html", context, status=status)
    return render(request, "billing/deposit_new.html", context)


@coop_page
def year(request: CoopRequest, year: int) -> HttpResponse:
    """Income and spending by pool, the co-op's accounts, who is to pay or to receive, deposits held."""
    check_reads_ledger(request.membership)
    known = _check_year(request, year)
    context = {"report": reports.year_report(request.coop, year), "years": known, "currency": request.coop.currency}
    return render(request, "billing/year.html", context)


@coop_page
def this_year(request: CoopRequest) -> HttpResponse:
    """To the newest year in which something was posted."""
    check_reads_ledger(request.membership)
    known = reports.years(request.coop)
    if not known:
        return render(request, "billing/year.html", {"report": None, "years": []})
    return HttpResponseRedirect(reverse("year_report", kwargs={"coop": request.coop.slug, "year": known[0]}))


@coop_page
def year_csv(request: CoopRequest, year: int) -> HttpResponse:
    """The same for a spreadsheet."""
    check_reads_ledger(request.membership)
    _check_year(request, year)
    text = io.StringIO()
    csv.writer(text).writerows(reports.year_rows(reports.year_report(request.coop, year)))
    return _file(text.getvalue(), f"year-{year}-{request.coop.slug}.csv", "text/csv")


@coop_action(back="year_report")
def year_pdf(request: CoopRequest, year: int) -> HttpResponse | None:
    asked = services.ask_for_year_report(request.coop, by=request.membership, now=timezone.now(), year=year)
    wait = reverse("computation", kwargs={"coop": request.coop.slug, "computation": asked.public_id})
    there = reverse("year_report", kwargs={"coop": request.coop.slug, "year": year})
    return HttpResponseRedirect(f"{wait}?next={there}", status=303)


@coop_page
def ageing(request: CoopRequest) -> HttpResponse:
    """Who has to pay, and for how long already."""
    check_treasurer(request.membership)
    today = timezone.now().astimezone(ZoneInfo(request.coop.time_zone)).date()
    rows = reports.ageing(request.coop, today)
    names = reports.age_names()
    context = {
        "rows": [{"row": row, "parts": list(zip(names, row.parts, strict=True))} for row in rows],
        "names": names,
        "sums": [(name, sum(row.parts[at] for row in rows)) for at, name in enumerate(names)],
        "total": sum(row.minor for row in rows),
        "today": today,
        "currency": request.coop.currency,
    }
    return render(request, "billing/ageing.html", context)


@coop_page
def journal(request: CoopRequest) -> HttpResponse:
    """The whole ledger as plain text, to be kept or read elsewhere."""
    check_reads_ledger(request.membership)
    return _file("".join(ledger.journal(request.coop)), f"journal-{request.coop.slug}.txt", "text/plain")


def _check_year(request: CoopRequest, year: int) -> list[int]:
    known = reports.years(request.coop)
    if year not in known:
        raise NotFound(_("Nothing was posted in %(year)s.") % {"year": year})
    return known


def _file(text: str, name: str, kind: str) -> HttpResponse:
    response = HttpResponse(text, content_type=f"{kind}; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


urls: list[URLPattern] = [
    path("money/deposits/", deposits, name="deposits"),
    path("money/deposits/new/", deposit_new, name="deposit_new"),
    path("money/ageing/", ageing, name="ageing"),
    path("money/years/", this_year, name="years"),
    path("money/years/<int:year>/", year, name="year_report"),
    path("money/years/<int:year>/year.csv", year_csv, name="year_csv"),
    path("money/years/<int:year>/pdf/", year_pdf, name="year_pdf"),
    path("ledger/journal.txt", journal, name="journal"),
]
