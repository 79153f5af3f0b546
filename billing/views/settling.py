"""The money page of one firing: receipts, cost shares from draft to posted, questions."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import URLPattern, path, reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from billing import services
from billing.access import check_treasurer, keeps_receipts
from billing.forms import ReasonForm, ReceiptForm, ReceiptsFileForm, TextForm
from billing.queries import settlements as queries
from billing.queries.members import current_members
from coop.errors import Malformed, Refused
from coop.forms import add_refusal
from coop.http import CoopRequest, coop_action, coop_form, coop_page
from coop.transactions import reading
from firings.access import check_takes_part
from firings.queries.firings import firing_of
from firings.tables import read_receipts


@coop_page
def firing_money(request: CoopRequest, firing: UUID) -> HttpResponse:
    page = queries.money_page(request.coop, firing, request.membership, timezone.now(), request.GET.get("page"))
    return render(
        request, "billing/firing_money.html", {"firing": page.firing, "page": page, "currency": _money(request)}
    )


# --- Receipts ---------------------------------------------------------------------------------


@coop_form
def receipt_new(request: CoopRequest, firing: UUID) -> HttpResponse:
    """Enter one receipt."""
    row = firing_of(request.coop, firing)
    check_takes_part(request.membership, row)
    any_payer = keeps_receipts(request.membership, row)
    form = ReceiptForm(
        request.POST or None,
        request.FILES or None,
        currency=request.coop.currency,
        by=request.membership,
        members=current_members(request.coop) if any_payer else [],
        any_payer=any_payer,
    )
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            said = form.cleaned_data
            try:
                services.take_receipt(
                    request.coop,
                    by=request.membership,
                    now=timezone.now(),
                    firing_id=firing,
                    on=said["on"],
                    pool=said["pool"],
                    amount_minor=said["amount"],
                    paid_by_id=UUID(said["paid_by"]) if said["paid_by"] else None,
                    supplier=said["supplier"],
                    note=said["note"],
                    picture=said["photo"],
                )
            except Refused as no:
                add_refusal(form, no)
                status = no.status
            else:
                messages.success(request, _("The receipt is entered."))
                return _to_money(request, firing)
    return _form_page(request, row, form, _("Enter a receipt"), _("Enter it"), status)


@coop_form
def receipts_file(request: CoopRequest, firing: UUID) -> HttpResponse:
    """Receipts from a CSV file or pasted rows: all of them, or none and every fault by row."""
    row = firing_of(request.coop, firing)
    check_takes_part(request.membership, row)
    form = ReceiptsFileForm(request.POST or None, request.FILES or None)
    faults: tuple[str, ...] = ()
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            try:
                table = read_receipts(form.source(), currency=request.coop.currency, not_after=timezone.localdate())
                taken = services.take_receipts(
                    request.coop,
                    by=request.membership,
                    now=timezone.now(),
                    firing_id=firing,
                    rows=table.require(),
                )
            except Malformed as no:
                faults, status = no.faults, no.status
            except Refused as no:
                add_refusal(form, no)
                status = no.status
            else:
                text = ngettext("%(count)d receipt is entered.", "%(count)d receipts are entered.", len(taken))
                messages.success(request, text % {"count": len(taken)})
                return _to_money(request, firing)
    return _form_page(request, row, form, _("Receipts from a file"), _("Enter them"), status, faults=faults)


@coop_action(back="firing_money")
def receipt_withdraw(request: CoopRequest, firing: UUID, receipt: UUID) -> None:
    services.withdraw_receipt(request.coop, by=request.membership, now=timezone.now(), receipt_id=receipt)
    messages.success(request, _("The receipt is withdrawn and no longer counts."))


# --- Cost shares ------------------------------------------------------------------------------


@coop_action(back="firing_money")
def shares_draft(request: CoopRequest, firing: UUID) -> None:
    services.draft_shares(request.coop, by=request.membership, now=timezone.now(), firing_id=firing)
    messages.success(request, _("The cost shares are drafted. Look them through, then open them for questions."))


@coop_action(back="firing_money")
def shares_open(request: CoopRequest, firing: UUID, settlement: UUID) -> None:
    services.open_questions(request.coop, by=request.membership, now=timezone.now(), settlement_id=settlement)
    messages.success(request, _("Everybody with a share is told and may ask."))


@coop_action(back="firing_money")
def shares_post(request: CoopRequest, firing: UUID, settlement: UUID) -> None:
    services.post_shares(
        request.coop,
        by=request.membership,
        now=timezone.now(),
        settlement_id=settlement,
        early=request.POST.get("early") == "yes",
    )
    messages.success(request, _("The cost shares are posted. The statements are being made and mailed."))


@coop_form
def shares_reverse(request: CoopRequest, firing: UUID, settlement: UUID) -> HttpResponse:
    """Undo posted cost shares, with a reason."""
    row = queries.settlement_of(request.coop, settlement)
    check_treasurer(request.membership)
    form = ReasonForm(request.POST or None)
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            try:
                services.reverse(
                    request.coop,
                    by=request.membership,
                    now=timezone.now(),
                    settlement_id=settlement,
                    why=form.cleaned_data["why"],
                )
            except Refused as no:
                add_refusal(form, no)
                status = no.status
            else:
                messages.success(request, _("The cost shares are reversed. Mend what was wrong and draft them anew."))
                return _to_money(request, firing)
    return _form_page(request, row.firing, form, _("Reverse the cost shares"), _("Reverse them"), status)


@coop_action(back="firing_money")
def close_without(request: CoopRequest, firing: UUID) -> None:
    services.close_without_shares(request.coop, by=request.membership, now=timezone.now(), firing_id=firing)
    messages.success(request, _("The firing is closed; it cost nothing."))


# --- Questions --------------------------------------------------------------------------------


@coop_form
def question_ask(request: CoopRequest, firing: UUID, settlement: UUID, share: UUID | None = None) -> HttpResponse:
    """Ask about one share, or about the shares as a whole."""
    row = queries.settlement_of(request.coop, settlement)
    check_takes_part(request.membership, row.firing)
    form = TextForm(request.POST or None, label=_("What do you want to know?"))
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            try:
                services.ask(
                    request.coop,
                    by=request.membership,
                    now=timezone.now(),
                    settlement_id=settlement,
                    share_id=share,
                    text=form.cleaned_data["text"],
                )
            except Refused as no:
                add_refusal(form, no)
                status = no.status
            else:
                messages.success(
                    request, _("Your question is with the treasurer; it is answered before anything is posted.")
                )
                return _to_money(request, firing)
    about = queries.share_of(row, share) if share else None
    return _form_page(request, row.firing, form, _("Ask about the cost shares"), _("Ask"), status, about=about)


@coop_form
def question_answer(request: CoopRequest, firing: UUID, question: UUID) -> HttpResponse:
    """Answer a question in writing."""
    row = queries.question_of(request.coop, question)
    check_treasurer(request.membership)
    form = TextForm(request.POST or None, label=_("Answer"))
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            try:
                services.answer(
                    request.coop,
                    by=request.membership,
                    now=timezone.now(),
                    question_id=question,
                    text=form.cleaned_data["text"],
                )
            except Refused as no:
                add_refusal(form, no)
                status = no.status
            else:
                messages.success(request, _("The answer is given and mailed."))
                return _to_money(request, firing)
    return _form_page(
        request, row.settlement.firing, form, _("Answer a question"), _("Answer"), status, question=row, about=row.share
    )


def _money(request: CoopRequest) -> str:
    return request.coop.currency


def _to_money(request: CoopRequest, firing: UUID) -> HttpResponse:
    return HttpResponseRedirect(
        reverse("firing_money", kwargs={"coop": request.coop.slug, "firing": firing}), status=303
    )


def _form_page(
    request: CoopRequest, firing: Any, form: forms.Form, heading: str, submit: str, status: int, **more: Any
) -> HttpResponse:
    back = reverse("firing_money", kwargs={"coop": request.coop.slug, "firing": firing.public_id})
    context = {
        "firing": firing,
        "form": form,
        "heading": heading,
        "submit": submit,
        "back": back,
        "currency": request.coop.currency,
        **more,
    }
    if request.method == "POST":
        with reading(request.coop):
            return render(request, "billing/firing_money_form.html", context, status=status)
    return render(request, "billing/firing_money_form.html", context, status=status)


_FIRING = "firings/<uuid:firing>/money/"
urls: list[URLPattern] = [
    path(_FIRING, firing_money, name="firing_money"),
    path(f"{_FIRING}receipts/new/", receipt_new, name="receipt_new"),
    path(f"{_FIRING}receipts/file/", receipts_file, name="receipts_file"),
    path(f"{_FIRING}receipts/<uuid:receipt>/withdraw/", receipt_withdraw, name="receipt_withdraw"),
    path(f"{_FIRING}draft/", shares_draft, name="shares_draft"),
    path(f"{_FIRING}close/", close_without, name="close_without_shares"),
    path(f"{_FIRING}<uuid:settlement>/open/", shares_open, name="shares_open"),
    path(f"{_FIRING}<uuid:settlement>/post/", shares_post, name="shares_post"),
    path(f"{_FIRING}<uuid:settlement>/reverse/", shares_reverse, name="shares_reverse"),
    path(f"{_FIRING}<uuid:settlement>/ask/", question_ask, name="question_ask"),
    path(f"{_FIRING}<uuid:settlement>/ask/<uuid:share>/", question_ask, name="question_ask_share"),
    path(f"{_FIRING}questions/<uuid:question>/answer/", question_answer, name="question_answer"),
]
