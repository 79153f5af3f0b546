"""The firing curve as SVG: temperature over local time, a line per probe, events marked; no inline style."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from html import escape
from typing import Final
from zoneinfo import ZoneInfo

from firings.fire.entries import Entry, effective, probes, readings

WIDTH: Final = 720
HEIGHT: Final = 360
LEFT, RIGHT, TOP, BOTTOM = 56, 16, 34, 44
THIN_C: Final = 4.0
DASHES: Final = ("", "7 4", "2 3", "9 3 2 3", "12 4", "4 2")
EVENT_KINDS: Final = ("cone", "soda", "round", "draw", "decision", "incident")
_FORBIDDEN: Final = re.compile("[^\\t\\n\\r\\x20-\\ud7ff\\ue000-\\ufffd\\U00010000-\\U0010ffff]")

Point = tuple[datetime, float]


@dataclass(frozen=True, slots=True)
class _Frame:
    start: datetime
    end: datetime
    low_c: float
    high_c: float

    def x(self, moment: datetime) -> float:
        share = (moment - self.start) / (self.end - self.start)
        return LEFT + share * (WIDTH - LEFT - RIGHT)

    def y(self, c: float) -> float:
        share = (c - self.low_c) / (self.high_c - self.low_c)
        return HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM)


def thin(points: Sequence[Point], keep: Iterable[datetime] = (), *, by_c: float = THIN_C) -> list[Point]:
    """Points that say the same to within ``by_c``: the first, the last, the peak and the neighbours of
    every moment in ``keep`` stay; of the rest each one that left the last kept one by at least ``by_c``."""
    if len(points) <= 2:
        return list(points)
    peak = max(range(len(points)), key=lambda place: points[place][1])
    staying = {0, peak, len(points) - 1}
    for moment in keep:
        after = next((place for place, point in enumerate(points) if point[0] >= moment), len(points) - 1)
        staying |= {after, max(0, after - 1)}
    kept: list[Point] = []
    for place, point in enumerate(points):
        if place in staying or abs(point[1] - kept[-1][1]) >= by_c:
            kept.append(point)
    return kept


def curve_svg(
    entries: Sequence[Entry],
    *,
    zone: ZoneInfo,
    title: str,
    planned: Sequence[Point] = (),
    target_c: float | None = None,
    element_id: str = "curve",
) -> str:
    """The whole drawing as one ``<svg>`` element, corrections applied; fit for page, mail and PDF.

    ``planned`` is a line of moments and °C. Colours come from the page (``currentColor`` and the classes
    ``curve-line``, ``curve-plan``, ``curve-event``); lines differ by dash. ``element_id`` keeps the ids of
    title and description apart where a page shows more than one curve.
    """
    log = effective(entries)
    lines = {probe: readings(log, probe) for probe in probes(log)}
    lines = {probe: points for probe, points in lines.items() if points}
    events = [entry for entry in log if entry.kind in EVENT_KINDS]
    frame = _frame([point for points in lines.values() for point in points], events, planned, target_c)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" class="curve" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'aria-labelledby="{escape(element_id)}-title {escape(element_id)}-desc" font-size="12" '
        'font-family="sans-serif" fill="currentColor">',
        f'<title id="{escape(element_id)}-title">{escape(_clean(title))}</title>',
        f'<desc id="{escape(element_id)}-desc">{escape(_described(lines, events, zone))}</desc>',
    ]
    if frame is None:
        parts.append(f'<text x="{WIDTH // 2}" y="{HEIGHT // 2}" text-anchor="middle">No readings yet</text>')
    else:
        parts += _axes(frame, zone)
        if target_c is not None:
            parts.append(_level(frame, target_c))
        if planned:
            parts.append(_polyline(frame, planned, "curve-plan", "1 4"))
        moments = [entry.at for entry in events]
        for place, (probe, points) in enumerate(lines.items()):
            dash = DASHES[place % len(DASHES)]
            parts += _probe(frame, thin(points, moments), probe, dash, place)
        parts += _events(frame, events)
    return "".join([*parts, "</svg>"])


def _frame(
    points: Sequence[Point], events: Sequence[Entry], planned: Sequence[Point], target_c: float | None
) -> _Frame | None:
    moments = [at for at, _ in [*points, *planned]] + [entry.at for entry in events]
    if not moments:
        return None
    start, end = min(moments).astimezone(UTC), max(moments).astimezone(UTC)
    if end - start < timedelta(minutes=30):
        end = start + timedelta(minutes=30)
    values = [c for _, c in [*points, *planned]] + ([] if target_c is None else [target_c])
    low = min(0.0, math.floor(min(values, default=0.0) / 100) * 100)
    high = math.ceil((max(values, default=0.0) + 1) / 200) * 200
    return _Frame(start, end, low, max(float(high), low + 200))


def _axes(frame: _Frame, zone: ZoneInfo) -> list[str]:
    parts = ['<g class="curve-axes" stroke="currentColor" stroke-opacity="0.25" stroke-width="1">']
    height_c = frame.high_c - frame.low_c
    step = 200 if height_c <= 2000 else 1000 * math.ceil(height_c / 8000)
    levels = range(int(frame.low_c), int(frame.high_c) + 1, step)
    parts += [f'<line x1="{LEFT}" y1="{frame.y(c):.1f}" x2="{WIDTH - RIGHT}" y2="{frame.y(c):.1f}"/>' for c in levels]
    marks = list(_time_marks(frame, zone))
    parts += [
        f'<line x1="{frame.x(at):.1f}" y1="{TOP}" x2="{frame.x(at):.1f}" y2="{HEIGHT - BOTTOM}"/>' for at, _, _ in marks
    ]
    parts.append("</g>")
    parts += [
        f'<text x="{LEFT - 6}" y="{frame.y(c) + 4:.1f}" text-anchor="end">{c}{unit}</text>'
        for c in levels
        for unit in (" °C" if c == levels[-1] else "",)
    ]
    for at, hour, day in marks:
        parts.append(
            f'<text x="{frame.x(at):.1f}" y="{HEIGHT - BOTTOM + 16}" text-anchor="middle">{escape(hour)}</text>'
        )
        if day:
            parts.append(f'<text x="{frame.x(at):.1f}" y="{HEIGHT - BOTTOM + 32}" text-anchor="middle">{day}</text>')
    return parts


def _time_marks(frame: _Frame, zone: ZoneInfo) -> Iterable[tuple[datetime, str, str]]:
    """Whole local hours, walked by instants so that a night the clocks change has its 23 or 25 hours."""
    hours = (frame.end - frame.start) / timedelta(hours=1)
    step = next((one for one in (1, 2, 3, 4, 6, 12, 24) if hours / one <= 12), 24 * math.ceil(hours / 288))
    at = frame.start.replace(minute=0, second=0, microsecond=0)
    seen_day, passed, previous = "", 0, None
    while at <= frame.end:
        local = at.astimezone(zone)
        # Zones off by half an hour have their whole hours between those of UTC.
        mark = at - timedelta(minutes=local.minute)
        local = mark.astimezone(zone)
        due = local.hour % step == 0 if step < 24 else local.hour == 0 and passed % (step // 24) == 0
        passed += local.hour == 0
        if due and mark >= frame.start:
            day = f"{local:%Y-%m-%d}"
            shifted = previous is not None and local.utcoffset() != previous
            yield mark, f"{local:%H:%M}" + (f" {local:%Z}" if shifted else ""), day if day != seen_day else ""
            seen_day, previous = day, local.utcoffset()
        at += timedelta(hours=1)


def _level(frame: _Frame, c: float) -> str:
    y = frame.y(c)
    return (
        f'<line class="curve-target" x1="{LEFT}" y1="{y:.1f}" x2="{WIDTH - RIGHT}" y2="{y:.1f}" '
        'stroke="currentColor" stroke-dasharray="14 6"/>'
        f'<text x="{WIDTH - RIGHT - 4}" y="{y - 4:.1f}" text-anchor="end">target {c:.0f} °C</text>'
    )


def _polyline(frame: _Frame, points: Sequence[Point], css: str, dash: str) -> str:
    path = " ".join(f"{frame.x(at):.1f},{frame.y(c):.1f}" for at, c in points)
    return f'<polyline class="{css}" points="{path}" fill="none" {_stroke(dash)}/>'


def _stroke(dash: str) -> str:
    return 'stroke="currentColor" stroke-width="2"' + (f' stroke-dasharray="{dash}"' if dash else "")


def _probe(frame: _Frame, points: Sequence[Point], probe: str, dash: str, place: int) -> list[str]:
    css = f"curve-line curve-line-{place % len(DASHES) + 1}"
    at, c = points[-1]
    x, y = LEFT + 8 + place % 4 * 160, 14 + place // 4 * 14
    return [
        _polyline(frame, points, css, dash),
        f'<circle class="{css}" cx="{frame.x(at):.1f}" cy="{frame.y(c):.1f}" r="3"/>',
        f'<line class="{css}" x1="{x}" y1="{y}" x2="{x + 26}" y2="{y}" {_stroke(dash)}/>'
        f'<text x="{x + 32}" y="{y + 4}">{escape(_clean(probe)[:24] or "probe")}</text>',
    ]


def _events(frame: _Frame, events: Sequence[Entry]) -> list[str]:
    parts = []
    for place, entry in enumerate(events):
        x, y = frame.x(entry.at), TOP + 12 + place % 3 * 13
        parts.append(
            f'<g class="curve-event curve-{entry.kind}"><line x1="{x:.1f}" y1="{TOP}" x2="{x:.1f}" '
            f'y2="{HEIGHT - BOTTOM}" stroke="currentColor" stroke-width="1" stroke-dasharray="1 3"/>'
            f'<text x="{x + 3:.1f}" y="{y}" font-size="10">{escape(_label(entry))}</text></g>'
        )
    return parts


def _label(entry: Entry) -> str:
    if entry.kind == "cone":
        return _clean(" ".join(filter(None, ("cone", entry.cone, entry.state))))[:40]
    if entry.kind == "soda":
        return f"soda {entry.grams or 0} g"
    if entry.kind == "round":
        return f"round {_clean(entry.phase)}"[:40].strip()
    return {"draw": "draw ring"}.get(entry.kind, entry.kind)


def _described(lines: dict[str, list[Point]], events: Sequence[Entry], zone: ZoneInfo) -> str:
    told = []
    for probe, points in lines.items():
        peak_at, peak = max(points, key=lambda point: point[1])
        last_at, last = points[-1]
        told.append(
            f"{_clean(probe) or 'Probe'}: {len(points)} readings, "
            f"peak {peak:.0f} °C at {peak_at.astimezone(zone):%Y-%m-%d %H:%M}, "
            f"last {last:.0f} °C at {last_at.astimezone(zone):%H:%M}."
        )
    counts = [(kind, sum(entry.kind == kind for entry in events)) for kind in EVENT_KINDS]
    marked = ", ".join(f"{count} {kind}" for kind, count in counts if count)
    if marked:
        told.append(f"Marked: {marked}.")
    return " ".join(told) or "No readings yet."


def _clean(text: str) -> str:
    """Characters that XML 1.0 forbids would break the whole drawing."""
    return _FORBIDDEN.sub("", text)
