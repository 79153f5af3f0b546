"""The treasurer's pages: overview, ledger, payments; and everybody's own money."""

from __future__ import annotations

import csv
import io
import uuid
from uuid import UUID

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import URLPattern, path, reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from billing import services
from billing.access import check_reads_ledger, check_treasurer
from billing.forms import PaymentForm
from billing.models import BankLine
from billing.queries import balances as queries
from billing.queries import ledger
from billing.queries.bank import bank_account, lines
from billing.queries.members import with_account
from billing.queries.settlements import drafts_waiting
from coop.access import allowed
from coop.errors import Refused
from coop.forms import add_refusal
from coop.http import CoopRequest, coop_form, coop_page
from coop.transactions import reading


@coop_page
def money(request: CoopRequest) -> HttpResponse:
    """My money; for the treasurer also what waits and everybody's balances."""
    context = {
        "mine": queries.my_money(request.coop, request.membership, request.membership),
        "currency": request.coop.currency,
        "bank_account": bank_account(request.coop),
        "is_treasurer": allowed(check_treasurer, request.membership),
        "reads_ledger": allowed(check_reads_ledger, request.membership),
    }
    if context["is_treasurer"]:
        context |= {
            "settling": queries.settling(request.coop),
            "drafts": drafts_waiting(request.coop),
            "bank_waiting": lines(request.coop, state=BankLine.State.WAITING).count(),
            "balances": queries.balances(request.coop)[: queries.PAGE],
        }
    return render(request, "billing/money.html", context)


@coop_page
def member_money(request: CoopRequest, member: UUID) -> HttpResponse:
    """One member's money, for them and the treasurer."""
    row = queries.member_of(request.coop, member)
    mine = queries.my_money(request.coop, row, request.membership)
    return render(
        request,
        "billing/member_money.html",
        {
            "mine": mine,
            "member": row,
            "currency": request.coop.currency,
            "bank_account": bank_account(request.coop),
            "is_treasurer": allowed(check_treasurer, request.membership),
        },
    )


@coop_page
def balances(request: CoopRequest) -> HttpResponse:
    """To pay and to receive per member, with the fewest payments between members as information."""
    check_treasurer(request.membership)
    rows = queries.balances(request.coop)
    context = {
        "page": (page := Paginator(rows, queries.PAGE).get_page(request.GET.get("page"))),
        "balances": page.object_list,
        "to_pay": sum(row.minor for row in rows if row.minor > 0),
        "to_receive": -sum(row.minor for row in rows if row.minor < 0),
        "suggestions": queries.suggestions(rows),
        "currency": request.coop.currency,
    }
    return render(request, "billing/balances.html", context)


@coop_form
def payment_new(request: CoopRequest) -> HttpResponse:
    """Record a payment by a member, or to one."""
    check_treasurer(request.membership)
    form = PaymentForm(
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
                services.record_payment(
                    request.coop,
                    by=request.membership,
                    now=timezone.now(),
                    member_id=UUID(said["member"]),
                    amount_minor=said["amount"],
                    on=said["on"],
                    way=said["way"],
                    reference=said["reference"],
                    note=said["note"],
                    key=said["key"],
                )
            except Refused as no:
                add_refusal(form, no)
                status = no.status
            else:
                messages.success(request, _("The payment is recorded."))
                return HttpResponseRedirect(reverse("balances", kwargs={"coop": request.coop.slug}), status=303)
    context = {"form": form, "submit": _("Record it")}
    if request.method == "POST":
        with reading(request.coop):
            return render(request, "billing/payment_new.html", context, status=status)
    return render(request, "billing/payment_new.html", context)


@coop_page
def ledger_page(request: CoopRequest) -> HttpResponse:
    """Postings with their lines, newest first, and the accounts with balances."""
    check_reads_ledger(request.membership)
    below = request.GET.get("below", "")
    number = int(below) if below.isascii() and below.isdecimal() and len(below) < 10 else None
    page = ledger.postings_page(request.coop, below=number)
    context = {
        "page": page,
        "below": number,
        "accounts": ledger.accounts(request.coop) if number is None else [],
        "head": ledger.head_hash(request.coop),
        "currency": request.coop.currency,
    }
    return render(request, "billing/ledger.html", context)


@coop_page
def posting(request: CoopRequest, posting: UUID) -> HttpResponse:
    check_reads_ledger(request.membership)
    row = ledger.posting(request.coop, posting)
    return render(request, "billing/posting.html", {"posting": row})


@coop_page
def ledger_csv(request: CoopRequest) -> HttpResponse:
    """The whole ledger for a spreadsheet."""
    check_reads_ledger(request.membership)
    text = io.StringIO()
    csv.writer(text).writerows(ledger.csv_rows(request.coop))
    response = HttpResponse(text.getvalue(), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="ledger-{request.coop.slug}.csv"'
    return response


urls: list[URLPattern] = [
    path("money/", money, name="money"),
    path("money/members/<uuid:member>/", member_money, name="member_money"),
    path("money/balances/", balances, name="balances"),
    path("money/payments/new/", payment_new, name="payment_new"),
    path("ledger/", ledger_page, name="ledger"),
    path("ledger/ledger.csv", ledger_csv, name="ledger_csv"),
    path("ledger/<uuid:posting>/", posting, name="posting"),
]
