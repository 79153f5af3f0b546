"""Small pictures of firings as SVG: presentation attributes only, so that a strict CSP holds."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _

from firings.models import Firing

WIDTH, ROW = 420, 46


def occupation_svg(
    firings: Iterable[Firing], start: datetime, end: datetime, zone: ZoneInfo, *, title: str
) -> SafeString:
    """One kiln's days as a strip: the whole occupation as an open box, the fire itself as a solid one.

    The list of dates stands beside it in words; the picture repeats it.
    """
    span = (end - start).total_seconds()

    def x(moment: datetime) -> float:
        return round(max(0.0, min(1.0, (moment - start).total_seconds() / span)) * WIDTH, 1)

    bars = []
    for firing in firings:
        lit, ended = firing.lit_at or firing.lights_at, firing.ended_at or firing.ends_at
        left, right = x(firing.occupied_from), x(firing.occupied_until)
        bars.append((left, max(2.0, right - left), x(lit), round(x(ended) - x(lit), 1), firing.name))
    weeks = []
    day = start.astimezone(zone)
    while day < end:
        weeks.append((x(day), ROW, x(day) + 3, f"{day.day}.{day.month}."))
        day += timedelta(days=7)
    return format_html(
        '<figure class="picture wide-only"><svg viewBox="0 0 {} {}" role="img" aria-label="{}"><g fill="none" '
        'stroke="currentColor">{}{}</g></svg></figure>',
        WIDTH,
        ROW + 16,
        _("%(name)s: days taken") % {"name": title},
        format_html_join(
            "",
            '<path d="M{0} 0V{1}" stroke-opacity=".3"></path><text x="{2}" y="58" font-size="11" '
            'fill="currentColor" stroke="none">{3}</text>',
            weeks,
        ),
        format_html_join(
            "",
            '<rect x="{0}" y="6" width="{1}" height="34" stroke-width="2"></rect>'
            '<rect x="{2}" y="22" width="{3}" height="18" fill="currentColor"></rect>'
            # the inner svg cuts a long name off where its box ends
            '<svg x="{0}" y="6" width="{1}" height="16"><text x="3" y="12" font-size="11" fill="currentColor" '
            'stroke="none">{4}</text></svg>',
            bars,
        ),
    )
