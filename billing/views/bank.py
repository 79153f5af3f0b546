"""The treasurer's pages about the bank: the account members pay into, files read in, movements that wait."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import URLPattern, path, reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from billing import services
from billing.access import check_treasurer
from billing.forms import BankAccountForm, BankFileForm, BankProfileForm, PlaceLineForm
from billing.models import BankFile, BankLine
from billing.queries import bank as queries
from billing.queries.members import with_account
from coop.errors import Refused
from coop.forms import add_refusal
from coop.http import CoopRequest, coop_action, coop_form, coop_page
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


# --- Files ------------------------------------------------------------------------------------


@coop_page
def bank(request: CoopRequest) -> HttpResponse:
    """Movements that wait for a person, and the files taken."""
    check_treasurer(request.membership)
    waiting = queries.lines(request.coop, state=BankLine.State.WAITING)
    context = {
        "account": queries.bank_account(request.coop),
        "page": (page := Paginator(waiting, queries.PAGE).get_page(request.GET.get("page"))),
        "waiting": page.object_list,
        "files": list(queries.files(request.coop)[:20]),
        "profiles": queries.profiles(request.coop),
        "currency": request.coop.currency,
    }
    return render(request, "billing/bank.html", context)


@coop_page
def bank_lines(request: CoopRequest) -> HttpResponse:
    """Every movement kept, newest first."""
    check_treasurer(request.membership)
    page = Paginator(queries.lines(request.coop), queries.PAGE).get_page(request.GET.get("page"))
    return render(request, "billing/bank_lines.html", {"page": page, "currency": request.coop.currency})


@coop_form
def bank_file_new(request: CoopRequest) -> HttpResponse:
    """Read a file of the bank; nothing is taken yet."""
    check_treasurer(request.membership)
    form = BankFileForm(
        request.POST or None,
        request.FILES or None,
        currency=request.coop.currency,
        profiles=queries.profiles(request.coop),
    )
    status, faults = 200, tuple[str, ...]()
    if request.method == "POST":
        status = 400
        if form.is_valid():
            said = form.cleaned_data
            try:
                file = services.read_bank_file(
                    request.coop,
                    by=request.membership,
                    now=timezone.now(),
                    name=said["file"].name,
                    content=form.content(),
                    profile_id=UUID(said["profile"]) if said["profile"] else None,
                    opening_minor=said["opening"],
                    closing_minor=said["closing"],
                )
            except Refused as no:
                faults = _faults(form, no)
                status = no.status
            else:
                return _to(request, "bank_file", file=file.public_id)
    return _form_page(request, "billing/bank_file_new.html", form, _("Read it"), status, faults=faults)


@coop_page
def bank_file(request: CoopRequest, file: UUID) -> HttpResponse:
    """What a file says and whose payments it holds, before it is taken; afterwards what became of it."""
    check_treasurer(request.membership)
    shown = queries.preview(request.coop, file)
    context: dict[str, Any] = {"preview": shown, "file": shown.file, "currency": request.coop.currency}
    if shown.file.state == BankFile.State.TAKEN:
        rows = queries.lines(request.coop).filter(file=shown.file)
        context["page"] = Paginator(rows, queries.PAGE).get_page(request.GET.get("page"))
    return render(request, "billing/bank_file.html", context)


@coop_action(back="bank_file")
def bank_file_take(request: CoopRequest, file: UUID) -> HttpResponse:
    done = services.take_bank_file(
        request.coop,
        by=request.membership,
        now=timezone.now(),
        file_id=file,
        accepted=request.POST.getlist("accepted"),
    )
    text = _(
        "Taken: %(new)d new movements, %(payments)d payments posted, %(waiting)d wait, %(known)d were here before."
    )
    said = {"new": done.new, "payments": done.payments, "waiting": done.waiting, "known": done.known}
    messages.success(request, text % said)
    return _to(request, "bank")


@coop_action(back="bank_file")
def bank_file_leave(request: CoopRequest, file: UUID) -> HttpResponse:
    services.leave_bank_file(request.coop, by=request.membership, now=timezone.now(), file_id=file)
    messages.success(request, _("The file is left; nothing of it was taken."))
    return _to(request, "bank")


@coop_form
def bank_line(request: CoopRequest, line: UUID) -> HttpResponse:
    """Say whose payment a movement is, or why it is none."""
    check_treasurer(request.membership)
    row = queries.line_of(request.coop, line)
    form = PlaceLineForm(request.POST or None, members=with_account(request.coop))
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            said, by, now = form.cleaned_data, request.membership, timezone.now()
            try:
                if said["member"]:
                    services.place_bank_line(request.coop, by=by, now=now, line_id=line, member_id=UUID(said["member"]))
                else:
                    services.set_bank_line_aside(request.coop, by=by, now=now, line_id=line, why=said["why"])
            except Refused as no:
                add_refusal(form, no)
                status = no.status
            else:
                messages.success(request, _("The movement is placed."))
                return _to(request, "bank")
    return _form_page(request, "billing/bank_line.html", form, _("Place it"), status, line=row)


@coop_form
def bank_profile(request: CoopRequest, profile: UUID | None = None) -> HttpResponse:
    """How a bank writes its CSV."""
    check_treasurer(request.membership)
    row = queries.profile_of(request.coop, profile) if profile else None
    columns = {f"column_{ours}": head for ours, head in row.rules["columns"].items()} if row else {}
    initial = {"name": row.name, **row.rules, **columns} if row else {}
    form = BankProfileForm(request.POST or None, initial=initial)
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            try:
                services.save_bank_profile(
                    request.coop,
                    by=request.membership,
                    now=timezone.now(),
                    name=form.cleaned_data["name"],
                    rules=form.rules(),
                    profile_id=profile,
                )
            except Refused as no:
                form.refuse(no)
                status = no.status
            else:
                messages.success(request, _("The profile is saved."))
                return _to(request, "bank")
    return _form_page(request, "billing/bank_profile.html", form, _("Save it"), status, profile=row)


def _faults(form: BankFileForm, no: Refused) -> tuple[str, ...]:
    """What belongs to a field goes there; the rest is said of the file, a sentence a fault."""
    if no.fields:
        add_refusal(form, no)
        return ()
    form.add_error("file", _("Nothing was taken."))
    return tuple(getattr(no, "faults", (str(no),)))


def _to(request: CoopRequest, name: str, **kwargs: Any) -> HttpResponseRedirect:
    return HttpResponseRedirect(reverse(name, kwargs={"coop": request.coop.slug, **kwargs}), status=303)


def _form_page(
    request: CoopRequest, template: str, form: Any, submit: str, status: int, **context: Any
) -> HttpResponse:
    context |= {"form": form, "submit": submit, "currency": request.coop.currency}
    if request.method == "POST":
        with reading(request.coop):
            return render(request, template, context, status=status)
    return render(request, template, context)


urls: list[URLPattern] = [
    path("money/bank/", bank, name="bank"),
    path("money/bank/account/", bank_account, name="bank_account"),
    path("money/bank/lines/", bank_lines, name="bank_lines"),
    path("money/bank/lines/<uuid:line>/", bank_line, name="bank_line"),
    path("money/bank/files/new/", bank_file_new, name="bank_file_new"),
    path("money/bank/files/<uuid:file>/", bank_file, name="bank_file"),
    path("money/bank/files/<uuid:file>/take/", bank_file_take, name="bank_file_take"),
    path("money/bank/files/<uuid:file>/leave/", bank_file_leave, name="bank_file_leave"),
    path("money/bank/profiles/new/", bank_profile, name="bank_profile_new"),
    path("money/bank/profiles/<uuid:profile>/", bank_profile, name="bank_profile"),
]
