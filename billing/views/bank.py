"""The treasurer's pages about the bank: the account members pay into."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import URLPattern, path, reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from billing import services
from billing.access import check_treasurer
from billing.forms import BankAccountForm
from billing.queries import bank as queries
from coop.errors import Refused
from coop.forms import add_refusal
from coop.http import CoopRequest, coop_form
from coop.transactions import reading


@coop_form
def bank_account(request: CoopRequest) -> HttpResponse:
    """The account members pay into."""
    check_treasurer(request.membership)
    account = queries.bank_account(request.coop)
    initial = {"holder": account.holder, "iban": queries.in_fours(account.iban), "bic": account.bic} if account else {}
    form = BankAccountForm(request.POST or None, initial=initial)
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            said = form.cleaned_data
            try:
                services.set_bank_account(request.coop, by=request.membership, now=timezone.now(), **said)
            except Refused as no:
                add_refusal(form, no)
                status = no.status
            else:
                messages.success(request, _("The account is set; it stands on every statement made from now on."))
                return HttpResponseRedirect(reverse("money", kwargs={"coop": request.coop.slug}), status=303)
    context = {"form": form, "account": account, "submit": _("Set it")}
    if request.method == "POST":
        with reading(request.coop):
            return render(request, "billing/bank_account.html", context, status=status)
    return render(request, "billing/bank_account.html", context)


urls: list[URLPattern] = [
    path("money/bank/account/", bank_account, name="bank_account"),
]
