"""The calendar: which firing takes which kiln when, six weeks at a time."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import path
from django.utils import timezone

from coop.access import allowed
from coop.http import CoopRequest, coop_page
from firings.access import check_may_call
from firings.drawings import occupation_svg
from firings.queries import firings as queries

WEEKS = 6


@coop_page
def calendar(request: CoopRequest) -> HttpResponse:
    zone = ZoneInfo(request.coop.time_zone)
    first = _monday(request.GET.get("from", ""), timezone.now().astimezone(zone).date())
    start = datetime.combine(first, time(0), zone).astimezone(UTC)
    end = datetime.combine(first + timedelta(weeks=WEEKS), time(0), zone).astimezone(UTC)
    kilns: list[dict[str, Any]] = [
        {"kiln": kiln, "firings": firings, "svg": occupation_svg(firings, start, end, zone, title=kiln.name)}
        for kiln, firings in queries.occupations(request.coop, start, end)
    ]
    return render(
        request,
        "firings/calendar.html",
        {
            "kilns": kilns,
            "start": first,
            "last": first + timedelta(weeks=WEEKS, days=-1),
            "before": first - timedelta(weeks=WEEKS),
            "after": first + timedelta(weeks=WEEKS),
            "may_call": allowed(check_may_call, request.membership),
        },
    )


def _monday(text: str, today: date) -> date:
    try:
        wanted = date.fromisoformat(text)
    except ValueError:
        wanted = today
    if not 2000 <= wanted.year <= 2190:
        wanted = today
    return wanted - timedelta(days=wanted.weekday())


urls = [path("calendar/", calendar, name="calendar")]
