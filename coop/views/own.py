"""My account: settings, mails, tokens, my data."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.urls import URLPattern, path
from django.utils import timezone
from django.utils.cache import add_never_cache_headers
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from coop import queries, services
from coop.errors import NotFound, Refused
from coop.forms import MailWishesForm, SettingsForm, TokenForm, add_refusal
from coop.http import CoopRequest, coop_action, coop_form, coop_page
from coop.models import Coop
from coop.transactions import reading


def _page(
    request: CoopRequest,
    *,
    form: SettingsForm | None = None,
    token_form: TokenForm | None = None,
    token: str = "",
    status: int = 200,
) -> HttpResponse:
    me, person = request.membership, request.membership.person
    settings_now = {
        "name": person.name,
        "mark": me.mark,
        "temperature_unit": person.temperature_unit,
        "length_unit": person.length_unit,
        "volume_unit": person.volume_unit,
    }
    context = {
        "form": form or SettingsForm(initial=settings_now),
        "token_form": token_form or TokenForm(),
        "tokens": queries.tokens_of(person),
        "new_token": token,
        "memberships": queries.memberships_of(person),
    }
    response = render(request, "coop/account.html", context, status=status)
    add_never_cache_headers(response)
    return response


@coop_form
def account(request: CoopRequest) -> HttpResponse:
    """My settings, tokens and data."""
    if request.method != "POST":
        return _page(request)
    form = SettingsForm(request.POST)
    if not form.is_valid():
        with reading(request.coop):
            return _page(request, form=form, status=422)
    try:
        services.change_settings(request.coop, by=request.membership, **form.cleaned_data, now=timezone.now())
    except Refused as no:
        add_refusal(form, no)
        with reading(request.coop):
            return _page(request, form=form, status=no.status)
    messages.success(request, _("Your settings are saved."))
    return redirect("account", coop=request.coop.slug)


@coop_form
def mail_wishes(request: CoopRequest) -> HttpResponse:
    """Which mails come at once, which once a day, and when none do."""
    if request.method != "POST":
        return render(request, "coop/mail_wishes.html", {"form": MailWishesForm(initial=_mail_wishes_now(request))})
    form, status = MailWishesForm(request.POST), 422
    if form.is_valid():
        try:
            services.change_mail_wishes(request.coop, by=request.membership, **form.cleaned_data, now=timezone.now())
        except Refused as no:
            add_refusal(form, no)
            status = no.status
        else:
            messages.success(request, _("Saved. It holds for mails that are waiting, too."))
            return redirect("mail_wishes", coop=request.coop.slug)
    return render(request, "coop/mail_wishes.html", {"form": form}, status=status)


def _mail_wishes_now(request: CoopRequest) -> dict[str, object]:
    wishes = queries.mail_wishes_of(request.membership)
    return {name: getattr(wishes, name) for name in MailWishesForm.base_fields}


@require_http_methods(["GET", "HEAD", "POST"])
def mail_stop(request: HttpRequest, notice: UUID, token: str) -> HttpResponse:
    """No more news by mail, from the link in one: GET asks, POST does it without a cookie (RFC 8058)."""
    coop = Coop.objects.filter(slug=request.coop_slug).first()  # type: ignore[attr-defined]
    if coop is None:
        raise Http404
    context: dict[str, object] = {"coop": coop, "is_done": request.method == "POST"}
    try:
        if request.method == "POST":
            services.stop_news(coop, by=None, notice_id=notice, token=token, now=timezone.now())
    except NotFound as no:
        context |= {"no": str(no), "is_done": False}
    response = render(request, "coop/mail_stop.html", context, status=404 if "no" in context else 200)
    add_never_cache_headers(response)
    return response


mail_stop.signs_in_itself = True  # type: ignore[attr-defined]
mail_stop.csrf_exempt = True  # type: ignore[attr-defined]  # the key in the address is the proof


@coop_form
def tokens(request: CoopRequest) -> HttpResponse:
    """Make a token and show it, this once."""
    if request.method != "POST":
        return redirect("account", coop=request.coop.slug)
    form = TokenForm(request.POST)
    if not form.is_valid():
        with reading(request.coop):
            return _page(request, token_form=form, status=422)
    try:
        _row, token = services.make_token(
            request.coop, by=request.membership, name=form.cleaned_data["name"], now=timezone.now()
        )
    except Refused as no:
        add_refusal(form, no)
        with reading(request.coop):
            return _page(request, token_form=form, status=no.status)
    # Not a redirect: the token is never kept, so this answer is the only place it can stand.
    with reading(request.coop):
        return _page(request, token=token)


@coop_action(back="account")
def token_revoke(request: CoopRequest, token: int) -> HttpResponse | None:
    services.revoke_token(request.coop, by=request.membership, token_id=token, now=timezone.now())
    messages.success(request, _("The token is revoked; nothing that uses it gets in any more."))
    return redirect("account", coop=request.coop.slug)


@coop_page
def my_data(request: CoopRequest) -> HttpResponse:
    """Everything this co-op keeps that points at me, as one JSON file."""
    response = JsonResponse(
        queries.data_of(request.membership, timezone.now()), json_dumps_params={"indent": 1, "ensure_ascii": False}
    )
    response["Content-Disposition"] = f'attachment; filename="my-data-{request.coop.slug}.json"'
    add_never_cache_headers(response)
    return response


urls: list[URLPattern] = [
    path("account/", account, name="account"),
    path("account/mail/", mail_wishes, name="mail_wishes"),
    path("mail/stop/<uuid:notice>/<str:token>/", mail_stop, name="mail_stop"),
    path("account/tokens/", tokens, name="tokens"),
    path("account/tokens/<int:token>/revoke/", token_revoke, name="token_revoke"),
    path("account/data/", my_data, name="my_data"),
]
