"""The web's edge: which co-op a request is for, who asks, and the four kinds of view."""

from __future__ import annotations

import functools
import hashlib
import sys
import uuid
from collections.abc import Callable
from typing import Any, Protocol
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import RequestDataTooBig
from django.db import InterfaceError, OperationalError, connection
from django.http import (
    Http404,
    HttpRequest,
    HttpResponse,
    HttpResponseBase,
    HttpResponseRedirect,
    JsonResponse,
)
from django.shortcuts import render
from django.urls import NoReverseMatch, reverse
from django.utils import timezone
from django.utils.cache import patch_vary_headers
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from coop.apps import session_default
from coop.errors import NotAllowed, NotFound, Refused
from coop.logs import coop_slug, request_id
from coop.models import Coop, IdempotencyKey, Membership, Person
from coop.transactions import EVERY_COOP, Once, once, reading, set_coop
from coop.uploads import most_mb

GetResponse = Callable[[HttpRequest], HttpResponse]


class CoopRequest(HttpRequest):
    """A signed-in member's request inside one co-op."""

    coop: Coop
    membership: Membership
    user: Person


class CoopView(Protocol):
    def __call__(self, request: CoopRequest, /, *args: Any, **kwargs: Any) -> HttpResponse: ...


class CoopButton(Protocol):
    def __call__(self, request: CoopRequest, /, *args: Any, **kwargs: Any) -> HttpResponse | None: ...


def membership_of(person: Any, slug: str) -> Membership:
    """The person's standing membership in the co-op at this address, or 404: a co-op of others is not there."""
    found: Membership | None = (
        Membership.objects.current()
        .with_roles()
        .select_related("coop", "person")
        .filter(coop__slug=slug, person=person)
        .first()
    )
    if found is None:
        raise Http404
    return found


class CoopMiddleware:
    """Load co-op and membership for every address under ``/<co-op>/``; strangers get 404, the signed-out sign in.

    The co-op's time zone is activated for the page. API views sign people in themselves (``coop.api_ground``).
    """

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        try:
            return self.get_response(request)
        finally:
            timezone.deactivate()
            coop_slug.set("")
            entered = getattr(request, "coop", None) is not None or hasattr(request, "is_operators")
            if entered and connection.connection is not None:
                set_coop(session_default(), local=False)

    def process_view(
        self, request: HttpRequest, view: Any, args: Any, kwargs: dict[str, Any]
    ) -> HttpResponseBase | None:
        if "coop" not in kwargs:
            at = request.resolver_match
            if at is not None and at.app_name == "admin" and getattr(request.user, "is_staff", False):
                request.is_operators = True  # type: ignore[attr-defined]
                set_coop(EVERY_COOP, local=False)
            return None
        slug = kwargs.pop("coop")
        if getattr(view, "signs_in_itself", False) or getattr(getattr(view, "cls", None), "signs_in_itself", False):
            request.coop_slug = slug  # type: ignore[attr-defined]
            return None
        if not request.user.is_authenticated:
            return redirect_to_login(request.get_full_path())
        enter_coop(request, membership_of(request.user, slug))
        return None


def enter_coop(request: Any, membership: Membership) -> None:
    """Make this the request's co-op: for views, for the time zone, and for row-level security."""
    request.membership, request.coop = membership, membership.coop
    coop_slug.set(membership.coop.slug)
    timezone.activate(ZoneInfo(membership.coop.time_zone))
    set_coop(membership.coop_id, local=False)


def coop_page(view: CoopView) -> Callable[..., HttpResponse]:
    """A page that only reads: GET and HEAD, one snapshot, and the database refuses any write.

    A ``Refused`` becomes the plain "no" page with its sentence and status.
    """

    @require_safe
    @functools.wraps(view)
    def run(request: CoopRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        try:
            with _not_found_as_404(), reading(request.coop):
                response = view(request, *args, **kwargs)
        except Refused as no:
            response = refusal_page(request, no)
        patch_vary_headers(response, ["HX-Request", "Cookie"])
        return response

    return run


def coop_form(view: CoopView) -> Callable[..., HttpResponse]:
    """A page with a form: GET reads as ``coop_page`` does; POST may call one service.

    A ``Refused`` that the view lets through becomes the plain "no" page with its sentence and status.
    """

    @require_http_methods(["GET", "HEAD", "POST"])
    @functools.wraps(view)
    def run(request: CoopRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if request.method == "POST" and (done := _done_before(request)) is not None:
            return done
        try:
            if request.method != "POST":
                with _not_found_as_404(), reading(request.coop):
                    return view(request, *args, **kwargs)
            with _not_found_as_404(), _once(request):
                return view(request, *args, **kwargs)
        except Refused as no:
            return refusal_page(request, no)

    return run


def coop_action(back: str) -> Callable[[CoopButton], Callable[..., HttpResponse]]:
    """A button: POST only. A ``Refused`` becomes a message on the page named ``back`` (same arguments).

    The view returns a response, or None to go back to where the button stood.
    """

    def decorate(view: CoopButton) -> Callable[..., HttpResponse]:
        @require_POST
        @functools.wraps(view)
        def run(request: CoopRequest, *args: Any, **kwargs: Any) -> HttpResponse:
            there = _back(request, back, kwargs)
            if (done := _done_before(request, there)) is not None:
                return done
            try:
                with _not_found_as_404(), _once(request):
                    return view(request, *args, **kwargs) or HttpResponseRedirect(there, status=303)
            except Refused as no:
                messages.error(request, str(no))
                return HttpResponseRedirect(there, status=303)

        return run

    return decorate


def refusal_page(request: HttpRequest, no: Refused) -> HttpResponse:
    """The plain "no" page: the sentence, and a way back."""
    return render(request, "coop/refused.html", {"refusal": no}, status=no.status)


class _not_found_as_404:
    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        if isinstance(error, NotFound):
            raise Http404(str(error)) from error


def _back(request: CoopRequest, name: str, kwargs: dict[str, Any]) -> str:
    """The page the button stood on when it says so (``next``, own addresses only), else the named page."""
    wanted = request.POST.get("next", "")
    if wanted.startswith(f"/{request.coop.slug}/") and not urlsplit(wanted).netloc:
        return wanted
    for arguments in (kwargs, {key: value for key, value in kwargs.items() if key == "firing"}, {}):
        try:
            return reverse(name, kwargs={"coop": request.coop.slug, **arguments})
        except NoReverseMatch:
            continue
    return f"/{request.coop.slug}/"


class _once:
    """Give the request's first use case the form's key, so that a double press has one effect."""

    def __init__(self, request: CoopRequest) -> None:
        key = request.POST.get("once", "")[:100]
        self.wanted = Once(request.user, _route(request), key, _body_hash(request)) if key else None

    def __enter__(self) -> None:
        self.token = once.set(self.wanted)

    def __exit__(self, *error: object) -> None:
        once.reset(self.token)


def _route(request: HttpRequest) -> str:
    return f"{request.method} {request.path}"[:200]


def _body_hash(request: HttpRequest) -> str:
    told = sorted((k, v) for k, v in request.POST.lists() if k not in ("csrfmiddlewaretoken", "once"))
    return hashlib.sha256(repr(told).encode()).hexdigest()


def _done_before(request: CoopRequest, there: str | None = None) -> HttpResponse | None:
    key = request.POST.get("once", "")[:100]
    if not key:
        return None
    if not IdempotencyKey.objects.filter(
        coop=request.coop, person=request.user, route=_route(request), key=key
    ).exists():
        return None
    messages.info(request, _("This was already saved; it was not done a second time."))
    return HttpResponseRedirect(there or request.path, status=303)


def page_context(request: HttpRequest) -> dict[str, Any]:
    """What every template may use."""
    return {
        "is_demo": settings.DEMO,
        "theme": request.COOKIES.get("theme", ""),
        "once_key": uuid.uuid4().hex,
    }


def require_role(membership: Membership, *kinds: str) -> None:
    """Refuse unless one of these roles is held."""
    if not membership.holds(*kinds):
        raise NotAllowed(_("Your roles in this co-op do not cover this. Ask the coordinator."))


def request_id_middleware(get_response: GetResponse) -> GetResponse:
    def run(request: HttpRequest) -> HttpResponse:
        token = request_id.set(uuid.uuid4().hex)
        try:
            response = get_response(request)
            response["X-Request-ID"] = request_id.get()
            return response
        finally:
            request_id.reset(token)

    return run


def permissions_policy(get_response: GetResponse) -> GetResponse:
    """Only the camera may be asked for (photos of pots); nothing else of the device."""

    def run(request: HttpRequest) -> HttpResponse:
        response = get_response(request)
        response.setdefault("Permissions-Policy", "geolocation=(), microphone=(), payment=(), usb=()")
        return response

    return run


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    """What the framework itself refuses to read; a body over the limit is told which limit."""
    if isinstance(exception, RequestDataTooBig):
        said = _("What was sent is larger than %(most)s MB; send it in smaller parts.") % {"most": most_mb(exception)}
        return render(request, "coop/refused.html", {"refusal": said}, status=413)
    return render(request, "400.html", status=400)


def server_error(request: HttpRequest) -> HttpResponse:
    """A fault of ours, or a database that is away, full or closing: that one passes, so 503 and when to come back."""
    is_api = "/api/v1/" in request.path
    if not isinstance(sys.exc_info()[1], OperationalError | InterfaceError):
        if is_api:
            said = _("Something broke on our side; it has been written down. Send the same request again in a minute.")
            return _problem_of(500, "broken", said)
        return render(request, "500.html", status=500)
    said = _("The database does not answer just now; nothing was half done. Send the same request again.")
    response = _problem_of(503, "closed", said) if is_api else render(request, "503.html", status=503)
    response["Retry-After"] = "5"
    return response


def _problem_of(status: int, kind: str, said: str) -> HttpResponse:
    body = {"type": f"{settings.SITE_URL}/problems/{kind}", "title": kind, "status": status, "detail": said}
    return JsonResponse(body, status=status, content_type="application/problem+json")


def csrf_failure(request: HttpRequest, reason: str = "") -> HttpResponse:
    return render(request, "403_csrf.html", status=403)
