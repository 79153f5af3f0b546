"""Calendar feeds: the page where links are made and revoked, and the feed a calendar reads."""

from __future__ import annotations

from datetime import datetime
from urllib.parse import urlsplit
from uuid import UUID

from allauth.account.adapter import get_adapter
from django.contrib import messages
from django.core.cache import cache
from django.http import HttpRequest, HttpResponse, HttpResponseBase, HttpResponseNotModified
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.cache import add_never_cache_headers, get_conditional_response
from django.utils.http import http_date
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from coop.access import allowed, check_holds
from coop.http import CoopRequest, coop_action, coop_form
from coop.models import Coop, Role
from coop.transactions import reading
from firings import calendar_feed
from firings.forms.feeds import FeedForm
from firings.queries import feeds as queries
from firings.services import feeds as services

MOST_MISSES = 20  # unknown links from one address in a minute
WINDOW = 60  # seconds


# --- What calendars read ------------------------------------------------------------------


@require_safe
def feed(request: HttpRequest, token: str) -> HttpResponseBase:
    """The calendar behind a link. Whoever has the link may read it; nobody else learns whether it was ever one.

    Answered by 304 from a few sums over its rows when nothing has changed since.
    """
    now, slug = timezone.now(), request.coop_slug  # type: ignore[attr-defined]
    coop_pk = queries.coop_at(slug)
    if coop_pk is not None and "If-None-Match" in request.headers:
        # Whoever knows the tag has read this very feed before, so nothing is told and guesses need not be counted.
        with reading(Coop(pk=coop_pk)):
            link = queries.find(coop_pk, token)
            mark = None if link is None else queries.mark_of(link, coop_pk, now)
        if mark is not None and mark.etag in request.headers["If-None-Match"]:
            return _marked(HttpResponseNotModified(), mark)
    if _misses(request, now) >= MOST_MISSES:
        return _too_many()
    if coop_pk is None:
        return _unknown(request, now)
    with reading(Coop(pk=coop_pk)):
        link = queries.find(coop_pk, token)
        if link is None:
            return _unknown(request, now)
        mark = queries.mark_of(link, coop_pk, now)
        answer = get_conditional_response(request, mark.etag, int(mark.changed_at.timestamp()))
        if answer is None:
            text = calendar_feed.write(queries.feed_of(queries.feed_row(link), now))
            answer = HttpResponse(text, content_type="text/calendar; charset=utf-8")
            answer["Content-Disposition"] = f'inline; filename="{slug}.ics"'
    return _marked(answer, mark)


def _marked(answer: HttpResponseBase, mark: queries.Mark) -> HttpResponseBase:
    answer["ETag"] = mark.etag
    answer["Last-Modified"] = http_date(mark.changed_at.timestamp())
    answer["Cache-Control"] = "private, max-age=300"
    answer["X-Robots-Tag"] = "noindex"
    return answer


feed.signs_in_itself = True  # type: ignore[attr-defined]


def _key(request: HttpRequest, now: datetime) -> str:
    return f"feed-misses:{get_adapter().get_client_ip(request)}:{int(now.timestamp()) // WINDOW}"


def _misses(request: HttpRequest, now: datetime) -> int:
    return int(cache.get(_key(request, now), 0))


def _unknown(request: HttpRequest, now: datetime) -> HttpResponse:
    key = _key(request, now)
    cache.set(key, int(cache.get(key, 0)) + 1, 2 * WINDOW)  # a lost count only lets one more through
    return HttpResponse(_("There is no such calendar."), status=404, content_type="text/plain; charset=utf-8")


def _too_many() -> HttpResponse:
    return HttpResponse(
        _("Too many unknown links were asked for; wait a minute."),
        status=429,
        content_type="text/plain; charset=utf-8",
        headers={"Retry-After": str(WINDOW)},
    )


# --- The page -----------------------------------------------------------------------------


def _page(request: CoopRequest, *, form: FeedForm | None = None, made: str = "", status: int = 200) -> HttpResponse:
    context = {
        "feeds": queries.of_member(request.membership),
        "form": form or _form(request),
        "address": made,
        "webcal": f"webcal://{made.split('://', 1)[1]}" if urlsplit(made).scheme == "https" else "",
    }
    response = render(request, "firings/feeds.html", context, status=status)
    add_never_cache_headers(response)
    return response


def _form(request: CoopRequest, data: object = None) -> FeedForm:
    everybody = [kind for kind in Role.Kind.values if kind != Role.Kind.GUEST]
    may = allowed(check_holds, request.membership, *everybody, to="")
    return FeedForm(data, kilns=queries.kilns_of(request.coop) if may else [])


@coop_form
def feeds(request: CoopRequest) -> HttpResponse:
    """My calendar links; POST makes one and shows it, this once."""
    if request.method != "POST":
        return _page(request)
    with reading(request.coop):
        form = _form(request, request.POST)
        if not form.is_valid():
            return _page(request, form=form, status=422)
    _row, token = services.make(
        request.coop, by=request.membership, now=timezone.now(), kiln_id=form.cleaned_data["of"]
    )
    # Not a redirect: the token is never kept, so this answer is the only place it can stand.
    with reading(request.coop):
        return _page(request, made=queries.address_of(request.coop, token))


@coop_action(back="feeds")
def feed_revoke(request: CoopRequest, feed: UUID) -> HttpResponse | None:
    services.revoke(request.coop, by=request.membership, now=timezone.now(), feed_id=feed)
    messages.success(request, _("The link is revoked; no calendar gets anything through it any more."))
    return redirect("feeds", coop=request.coop.slug)


urls = [
    path("account/calendars/", feeds, name="feeds"),
    path("account/calendars/<uuid:feed>/revoke/", feed_revoke, name="feed_revoke"),
]
# Asked for all day by every calendar: looked for before all other addresses (``coop.urls``).
read_by_calendars = [path("<str:token>.ics", feed, name="feed")]
