"""The co-op's policy, audit, outgoing mails, computations and papers."""

from __future__ import annotations

from uuid import UUID

from django.conf import settings
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import URLPattern, path
from django.utils import timezone
from django.utils.cache import add_never_cache_headers, patch_cache_control
from django.utils.http import content_disposition_header, url_has_allowed_host_and_scheme
from django.utils.translation import gettext as _

from coop import mail, queries, services
from coop.access import allowed, check_coordinate, check_may_open
from coop.errors import NotFound, Refused
from coop.forms import PolicyForm, add_refusal, described
from coop.http import CoopRequest, coop_action, coop_form, coop_page
from coop.models import Computation
from coop.policy import Terms


def _terms(request: CoopRequest) -> Terms:
    try:
        return Terms.from_json(services.current_policy(request.coop).terms)
    except NotFound:
        return Terms()


@coop_page
def policy(request: CoopRequest) -> HttpResponse:
    """The terms in force, and since when which version."""
    context = {
        "rules": described(_terms(request)),
        "versions": queries.policies(request.coop),
        "may_coordinate": allowed(check_coordinate, request.membership),
    }
    return render(request, "coop/policy.html", context)


@coop_form
def policy_change(request: CoopRequest) -> HttpResponse:
    """Adopt a new version of the terms."""
    check_coordinate(request.membership)
    terms = _terms(request)
    if request.method != "POST":
        return render(request, "coop/policy_change.html", {"form": PolicyForm(terms)})
    form, status = PolicyForm(terms, request.POST), 422
    if form.is_valid():
        try:
            services.adopt_policy(request.coop, by=request.membership, terms=form.terms(), now=timezone.now())
        except Refused as no:
            status = no.status
            add_refusal(form, no)
        else:
            messages.success(request, _("The policy is adopted. Firings whose booking has opened keep the older one."))
            return redirect("policy", coop=request.coop.slug)
    return render(request, "coop/policy_change.html", {"form": form}, status=status)


@coop_page
def audit(request: CoopRequest) -> HttpResponse:
    """Who changed what, when."""
    check_coordinate(request.membership)
    page, changes = queries.audit(request.coop, request.GET.get("page"))
    return render(request, "coop/audit.html", {"page": page, "changes": changes})


@coop_page
def outbox(request: CoopRequest) -> HttpResponse:
    """The mails of this co-op: waiting, sent, given up."""
    check_coordinate(request.membership)
    context = {"page": queries.outbox(request.coop, request.GET.get("page")), "now": timezone.now()}
    return render(request, "coop/outbox.html", context)


@coop_page
def outbox_mail(request: CoopRequest, notice: UUID) -> HttpResponse:
    """One mail. In a demo as it lies in the folder, with its link, since no demo mail reaches anybody."""
    check_coordinate(request.membership)
    row = queries.notice(request.coop, notice)
    in_folder = mail.kept(row.public_id) if settings.DEMO and row.sent_at else None
    response = render(request, "coop/outbox_mail.html", {"notice": row, "in_folder": in_folder, "now": timezone.now()})
    add_never_cache_headers(response)
    return response


@coop_action(back="outbox")
def outbox_again(request: CoopRequest, notice: UUID) -> HttpResponse | None:
    services.send_again(request.coop, by=request.membership, notice_id=notice, now=timezone.now())
    messages.success(request, _("The mail will be tried again."))
    return redirect("outbox", coop=request.coop.slug)


@coop_page
def computation(request: CoopRequest, computation: UUID) -> HttpResponse:
    """How far a computation is; the page loads itself again until it is done, without any script."""
    row = queries.computation(request.coop, computation)
    is_waiting = row.state == Computation.State.WAITING
    paper = queries.document_of(row)
    back = request.GET.get("next", "") if _is_ours(request, request.GET.get("next", "")) else ""
    if row.state == Computation.State.DONE and paper is None and back:
        return redirect(back)  # the result stands there; nobody should have to press once more
    context = {
        "computation": row,
        "is_waiting": is_waiting,
        "ahead": queries.ahead_of(row) if is_waiting else 0,
        "document": paper if paper and allowed(check_may_open, request.membership, paper) else None,
        "back": back,
    }
    response = render(request, "coop/computation.html", context)
    if is_waiting:
        response["Refresh"] = "2"
    add_never_cache_headers(response)
    return response


def _is_ours(request: CoopRequest, address: str) -> bool:
    return url_has_allowed_host_and_scheme(address, None) and address.startswith(f"/{request.coop.slug}/")


@coop_action(back="computation")
def computation_again(request: CoopRequest, computation: UUID) -> HttpResponse | None:
    services.compute_again(request.coop, by=request.membership, computation_id=computation, now=timezone.now())
    return None


@coop_page
def document(request: CoopRequest, document: UUID) -> HttpResponse:
    """A finished paper, to keep."""
    row = queries.document(request.coop, document)
    check_may_open(request.membership, row)
    response = HttpResponse(bytes(row.content), content_type="application/pdf")
    response["Content-Disposition"] = str(content_disposition_header(True, row.file_name))
    response["X-Content-Type-Options"] = "nosniff"
    patch_cache_control(response, private=True, no_cache=True)
    return response


urls: list[URLPattern] = [
    path("policy/", policy, name="policy"),
    path("policy/change/", policy_change, name="policy_change"),
    path("audit/", audit, name="audit"),
    path("outbox/", outbox, name="outbox"),
    path("outbox/<uuid:notice>/", outbox_mail, name="outbox_mail"),
    path("outbox/<uuid:notice>/again/", outbox_again, name="outbox_again"),
    path("computations/<uuid:computation>/", computation, name="computation"),
    path("computations/<uuid:computation>/again/", computation_again, name="computation_again"),
    path("documents/<uuid:document>/", document, name="document"),
]
