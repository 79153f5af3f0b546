"""Charts of the money pages as SVG: presentation attributes only, so that a strict CSP holds; no colour alone."""

from __future__ import annotations

from collections.abc import Sequence

from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _

WIDTH, ROW, MIDDLE = 340, 44, 170
MOST_BARS = 60


def gains_and_losses(rows: Sequence[tuple[str, int, str]]) -> SafeString:
    """One bar a member, to the left (hatched) who pays less, to the right (solid) who pays more.

    ``rows`` hold name, difference in minor units and the same in words; the table beside says them all.
    """
    shown = rows[:MOST_BARS]
    most = max((abs(difference) for _name, difference, _words in shown), default=0) or 1
    bars = []
    for at, (name, difference, words) in enumerate(shown):
        width = round(abs(difference) / most * (MIDDLE - 10), 1)
        top = 26 + at * ROW
        bars.append(
            (
                top + 14,
                name[:28],
                WIDTH - 4,
                words,
                MIDDLE - width if difference < 0 else MIDDLE,
                top + 20,
                max(width, 1.5),
                "url(#hatched)" if difference < 0 else "currentColor",
            )
        )
    height = 30 + len(shown) * ROW
    return format_html(
        '<figure class="picture"><svg viewBox="0 0 {0} {1}" width="{0}" role="img" aria-label="{2}">'
        '<defs><pattern id="hatched" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        '<path d="M0 0V6" stroke="currentColor" stroke-width="3"></path></pattern></defs>'
        '<g fill="currentColor" font-size="14"><text x="4" y="16" font-weight="bold">{3}</text>'
        '<text x="{4}" y="16" text-anchor="end" font-weight="bold">{5}</text>{6}</g>'
        '<path class="ink" d="M{7} 24V{8}" stroke-width="1.5"></path></svg></figure>',
        WIDTH,
        height,
        _("Who pays less and who pays more; the table says the same in figures."),
        _("← pays less"),
        WIDTH - 4,
        _("pays more →"),
        format_html_join(
            "",
            '<text x="4" y="{0}">{1}</text><text x="{2}" y="{0}" text-anchor="end">{3}</text>'
            '<rect x="{4}" y="{5}" width="{6}" height="14" fill="{7}" stroke="currentColor"></rect>',
            bars,
        ),
        MIDDLE,
        height - 4,
    )


def ranges(rows: Sequence[tuple[str, int, int, int, str]]) -> SafeString:
    """One line a member from the least to the most, a mark at the likely; ``rows``: name, three amounts, words."""
    shown = rows[:MOST_BARS]
    top_amount = max((high for _name, _low, _likely, high, _words in shown), default=0) or 1

    def x(amount: int) -> float:
        return round(4 + max(0, amount) / top_amount * (WIDTH - 12), 1)

    marks = [
        (18 + at * ROW, name[:26], WIDTH - 4, words, x(low), 28 + at * ROW, max(2.0, x(high) - x(low)), x(likely))
        for at, (name, low, likely, high, words) in enumerate(shown)
    ]
    return format_html(
        '<figure class="picture"><svg viewBox="0 0 {0} {1}" width="{0}" role="img" aria-label="{2}">'
        '<g fill="currentColor" font-size="14">{3}</g></svg></figure>',
        WIDTH,
        len(shown) * ROW + 8,
        _("From the least to the most each may pay, with a mark at the likely; the table says the same in figures."),
        format_html_join(
            "",
            '<text x="4" y="{0}">{1}</text><text x="{2}" y="{0}" text-anchor="end">{3}</text>'
            '<rect x="{4}" y="{5}" width="{6}" height="8" fill="none" stroke="currentColor"></rect>'
            '<rect x="{7}" y="{5}" width="4" height="8" stroke="currentColor"></rect>',
            marks,
        ),
    )


def curve(
    lines: Sequence[tuple[str, Sequence[tuple[float, float]]]],
    *,
    width: float,
    top: float,
    across: Sequence[tuple[float, str]],
    up: Sequence[tuple[float, str]],
    label: str,
) -> SafeString:
    """Lines over a frame: ``lines`` hold a style (``solid``, ``dashed``, ``dotted``) and points up to width and top.

    ``across`` and ``up`` are the marks of the axes with their words. Told apart by their dashes, not by colour.
    """
    left, bottom, high = 48, 190, 170

    def x(value: float) -> float:
        return round(left + value / (width or 1) * (WIDTH - left - 24), 1)

    def y(value: float) -> float:
        return round(bottom - min(max(value, 0.0), top) / (top or 1) * high, 1)

    dashes = {"solid": "none", "dashed": "7 4", "dotted": "2 4", "dash-dot": "9 4 2 4"}
    drawn = [
        (" ".join(f"{'M' if not at else 'L'}{x(a)} {y(b)}" for at, (a, b) in enumerate(points)), dashes[style])
        for style, points in lines
        if points
    ]
    return format_html(
        '<figure class="picture"><svg viewBox="0 0 {0} 220" width="{0}" role="img" aria-label="{1}">'
        '<g fill="currentColor" font-size="13">{2}{3}</g><g fill="none" class="ink" stroke-width="2">{4}</g>'
        '<path class="ink" fill="none" d="M{5} 14V{6}H{7}"></path></svg><figcaption>{1}</figcaption></figure>',
        WIDTH,
        label,
        format_html_join(
            "", '<text x="{0}" y="208" text-anchor="middle">{1}</text>', [(x(value), word) for value, word in across]
        ),
        format_html_join(
            "", '<text x="{0}" y="{1}" text-anchor="end">{2}</text>', [(left - 5, y(v) + 4, word) for v, word in up]
        ),
        format_html_join("", '<path d="{0}" stroke-dasharray="{1}"></path>', drawn),
        left,
        bottom,
        WIDTH - 20,
    )
