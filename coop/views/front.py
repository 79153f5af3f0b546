"""Before a co-op is entered: the way in, demo sign-in, invitations, the theme, health, and what problems mean."""

from __future__ import annotations

import re
from typing import Any
from uuid import UUID

from django.conf import settings
from django.contrib import messages
from django.contrib.admin.views.decorators import staff_member_required
from django.contrib.auth import login
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import redirect, render
from django.urls import URLPattern, path, reverse
from django.utils import timezone
from django.utils.cache import add_never_cache_headers
from django.utils.crypto import constant_time_compare
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_http_methods, require_POST, require_safe
from prometheus_client import CONTENT_TYPE_LATEST

from coop import health, metrics, operating, queries, services
from coop.errors import NotFound, Refused
from coop.forms import JoinForm, add_refusal
from coop.models import Invitation, Person
from coop.transactions import reading

_BACKEND = "allauth.account.auth_backends.AuthenticationBackend"

PROBLEMS: dict[str, Any] = {
    "refused": gettext_lazy("A rule of the co-op or of the firing stands against it; the detail says what to do."),
    "not-allowed": gettext_lazy("Your roles or sign-offs in this co-op do not cover this. Ask the coordinator."),
    "not-found": gettext_lazy("There is no such thing in this co-op. Things of other co-ops are not there either."),
    "taken": gettext_lazy("Somebody got there first. Read again how things stand, then decide anew."),
    "malformed": gettext_lazy("The input could not be understood. The fields or faults say what to mend, one by one."),
    "not-signed-in": gettext_lazy("Send a token, made on your account page, as “Authorization: Bearer …”, or sign in."),
    "pdf-off": gettext_lazy("This machine lacks the libraries that set PDFs; the detail names the line to run."),
    "closed": gettext_lazy("The database is away for a moment. Send the same request with the same key again."),
    "broken": gettext_lazy(
        "A fault of ours; it is written down. The same request with the same key may be sent again."
    ),
    "throttled": gettext_lazy("Too many requests in a short time. Wait as long as Retry-After says."),
    "parse-error": gettext_lazy("The body is not JSON. Send JSON with the header “Content-Type: application/json”."),
    "unsupported-media-type": gettext_lazy("Send JSON with the header “Content-Type: application/json”."),
    "method-not-allowed": gettext_lazy("This address does not take this method; the header Allow names what it takes."),
    "not-acceptable": gettext_lazy("Answers are JSON. Leave the header Accept out, or accept application/json."),
    "permission-denied": gettext_lazy("A session was used without its CSRF token, or you may not do this."),
}


@require_safe
def front(request: HttpRequest) -> HttpResponse:
    """To one's co-op; to a choice between several; to the sign-in page, or the demo's front page."""
    if isinstance(request.user, Person):
        mine = queries.memberships_of(request.user)
        if len(mine) == 1:
            return redirect("home", coop=mine[0].coop.slug)
        return render(request, "coop/front.html", {"memberships": mine})
    if settings.DEMO:
        return render(request, "coop/front.html", {"memberships": None})
    return redirect("account_login")


@require_POST
def demo_sign_in(request: HttpRequest, member: UUID) -> HttpResponse:
    """Sign in as one of the demo's invented people; outside a demo there is no such address."""
    if not settings.DEMO:
        raise Http404
    chosen = queries.demo_person(member)
    if chosen is None:
        raise Http404
    login(request, chosen.person, backend=_BACKEND)
    return HttpResponseRedirect(reverse("home", kwargs={"coop": chosen.coop.slug}), status=303)


@require_http_methods(["GET", "HEAD", "POST"])
def join(request: HttpRequest, token: str) -> HttpResponse:
    """Accept an invitation: with name and password, or as whoever is signed in."""
    invitation = services.invitation_by(token, timezone.now())
    if invitation is None:
        return render(request, "coop/invitation.html", {"invitation": None}, status=404)
    person = request.user if isinstance(request.user, Person) else None
    if request.method != "POST":
        return _join_page(request, invitation, JoinForm(initial={"name": invitation.name}))
    form = JoinForm(request.POST)
    if person is None and not form.is_valid():
        return _join_page(request, invitation, form, status=422)
    told = {"name": "", "password": ""} if person else form.cleaned_data
    try:
        member = services.accept_invitation(invitation.coop, token=token, **told, now=timezone.now(), person=person)
    except NotFound:
        return render(request, "coop/invitation.html", {"invitation": None}, status=404)
    except Refused as no:
        add_refusal(form, no)
        return _join_page(request, invitation, form, status=no.status)
    if person is None:
        login(request, member.person, backend=_BACKEND)
    messages.success(request, _("Welcome to %(coop)s.") % {"coop": member.coop.name})
    return HttpResponseRedirect(reverse("home", kwargs={"coop": member.coop.slug}), status=303)


def _join_page(request: HttpRequest, invitation: Invitation, form: JoinForm, status: int = 200) -> HttpResponse:
    has_account = Person.objects.filter(email=invitation.email).exists()
    context = {"invitation": invitation, "form": form, "has_account": has_account}
    response = render(request, "coop/invitation.html", context, status=status)
    add_never_cache_headers(response)
    return response


@require_POST
def theme(request: HttpRequest) -> HttpResponse:
    """Keep the chosen look in a cookie; an empty one follows the device."""
    wanted, there = request.POST.get("theme", ""), request.POST.get("next", "/")
    if not url_has_allowed_host_and_scheme(there, allowed_hosts=None):
        there = "/"
    response = HttpResponseRedirect(there, status=303)
    if re.fullmatch(r"[a-z-]{1,20}", wanted):
        response.set_cookie("theme", wanted, max_age=365 * 24 * 3600, samesite="Lax", secure=settings.HTTPS)
    else:
        response.delete_cookie("theme", samesite="Lax")
    return response


@require_safe
def livez(request: HttpRequest) -> HttpResponse:
    """This process answers."""
    return HttpResponse("ok\n", content_type="text/plain; charset=utf-8")


@require_safe
def readyz(request: HttpRequest) -> HttpResponse:
    """Database, migrations, disk and waiting jobs are well, or 503 with what is not."""
    troubles = health.troubles(timezone.now())
    text = "\n".join(troubles or ["ok"]) + "\n"
    response = HttpResponse(text, status=503 if troubles else 200, content_type="text/plain; charset=utf-8")
    if troubles:
        response["Retry-After"] = "30"
    add_never_cache_headers(response)
    return response


@require_safe
def figures(request: HttpRequest) -> HttpResponse:
    """Figures for Prometheus, to whoever sends the token from the settings; without one there is no such page."""
    wanted, sent = settings.METRICS_TOKEN, request.headers.get("Authorization", "")
    if not wanted or not constant_time_compare(sent, f"Bearer {wanted}"):
        raise Http404
    response = HttpResponse(metrics.text(timezone.now()), content_type=CONTENT_TYPE_LATEST)
    add_never_cache_headers(response)
    return response


@staff_member_required(login_url="account_login")  # type: ignore[untyped-decorator]
@require_safe
def jobs(request: HttpRequest) -> HttpResponse:
    """For operators: how old the queues are and what was given up, over all co-ops."""
    now = timezone.now()
    troubles = health.troubles(now)
    with reading(None):
        queues = [(queue, queue.age(now)) for queue in operating.queues(now)]
        context = {"queues": queues, "failures": operating.failures(), "troubles": troubles}
        response = render(request, "coop/jobs.html", context)
    response["Refresh"] = "20"
    add_never_cache_headers(response)
    return response


@require_safe
def problem(request: HttpRequest, kind: str) -> HttpResponse:
    """What one type of problem+json means and what to do."""
    if kind not in PROBLEMS:
        raise Http404
    return render(request, "coop/problem.html", {"kind": kind.replace("-", " "), "meaning": PROBLEMS[kind]})


urls: list[URLPattern] = [
    path("", front, name="front"),
    path("demo/sign-in/<uuid:member>/", demo_sign_in, name="demo_sign_in"),
    path("join/<str:token>/", join, name="join"),
    path("theme/", theme, name="theme"),
    path("metrics", figures, name="metrics"),
    path("livez", livez, name="livez"),
    path("readyz", readyz, name="readyz"),
    path("problems/<slug:kind>", problem, name="problem"),
]
