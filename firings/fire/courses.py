"""Courses of fires side by side, by hours since lighting: this fire, its plan, earlier fires; as SVG and as a table.

Readable without colour: every line has its own dash and width, and its name at its end and in the key.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from html import escape
from itertools import pairwise
from typing import Final

from firings.fire.ahead import usual_course
from firings.fire.curve import EVENT_KINDS, thin
from firings.fire.entries import Entry, hours_between, probes, readings

WIDTH: Final = 720
HEIGHT: Final = 400
LEFT, RIGHT, TOP, BOTTOM = 56, 96, 20, 40
KEY_LINE: Final = 18
AMBIENT_C: Final = 15.0
LONGEST_GAP_H: Final = 3.0
MOST: Final = 5
# Width, dash and marker of each fire by its place, the fire itself first; markers stand out where lines lie on another.
STYLES: Final = (
    ("3", "", ""),
    ("2", "10 4", "ring"),
    ("2", "5 3", "square"),
    ("2", "12 3 2 3", "spike"),
    ("2", "3 2", "ring"),
)
PLAN_STYLE: Final = ("1.5", "1 4", "")
MARKERS: Final = 9
APART: Final = 13.0
_FORBIDDEN: Final = re.compile("[^\\t\\n\\r\\x20-\\ud7ff\\ue000-\\ufffd\\U00010000-\\U0010ffff]")
_MARKS: Final = {"cone": "C", "soda": "S", "round": "R", "draw": "D", "decision": "!", "incident": "!!"}

Point = tuple[float, float]
_To = Callable[[float], float]
_START: Final = datetime(2000, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Course:
    """Hours since lighting and °C of one fire's hottest probe, in order; ``name`` as it stands in the key.

    Between readings further apart than ``longest_gap_h`` nothing is claimed.
    """

    name: str
    points: tuple[Point, ...]
    longest_gap_h: float = LONGEST_GAP_H
    is_plan: bool = False


@dataclass(frozen=True, slots=True)
class Event:
    """Something marked on a course: hours since lighting, the kind of entry, what it says."""

    hours: float
    kind: str
    words: str


def course_of(name: str, log: Sequence[Entry], lit_at: datetime, ended_at: datetime | None = None) -> Course:
    """The probe that came highest while the fire burnt, from lighting (to the end of fire, if it is known).

    ``log`` has its corrections applied. Without readings the course has no points.
    """
    lines = []
    for probe in probes(log):
        points = [
            (hours_between(lit_at, at), c) for at, c in readings(log, probe) if ended_at is None or at <= ended_at
        ]
        points = [point for point in points if point[0] >= 0]
        if points:
            lines.append(points)
    return Course(name, tuple(max(lines, key=lambda line: max(c for _, c in line), default=[])))


def planned(name: str, target_c: float, hours: float) -> Course:
    """The usual course of a wood fire (``ahead.usual_course``) stretched to reach ``target_c`` after ``hours``."""
    rise = target_c - AMBIENT_C
    return Course(
        name,
        tuple((share * hours, AMBIENT_C + rise * mark) for mark, share in usual_course()),
        longest_gap_h=math.inf,
        is_plan=True,
    )


def events_of(log: Sequence[Entry], lit_at: datetime, words: Sequence[str]) -> list[Event]:
    """The entries that are marked; ``words`` says each entry of the log in one line, in the log's order."""
    return [
        Event(hours_between(lit_at, entry.at), entry.kind, said)
        for entry, said in zip(log, words, strict=True)
        if entry.kind in EVENT_KINDS and entry.at >= lit_at
    ]


def at_hour(course: Course, hour: float) -> float | None:
    """°C at an hour, straight between readings; None outside them and in too long a gap."""
    hours = [h for h, _ in course.points]
    place = bisect_left(hours, hour)
    if place < len(hours) and hours[place] == hour:
        return course.points[place][1]
    if place in (0, len(hours)):
        return None
    (before, low), (after, high) = course.points[place - 1], course.points[place]
    if after - before > course.longest_gap_h:
        return None
    return low + (high - low) * (hour - before) / (after - before)


def table(courses: Sequence[Course]) -> list[tuple[int, tuple[int | None, ...]]]:
    """Whole hours and each course's °C then, rounded: at most 40 rows, those in which any course says something."""
    last = max((course.points[-1][0] for course in courses if course.points), default=0.0)
    step = max(1, math.ceil(last / 40))
    rows = []
    for hour in range(0, math.floor(last) + 1, step):
        values = tuple(None if (c := at_hour(course, hour)) is None else round(c) for course in courses)
        if any(value is not None for value in values):
            rows.append((hour, values))
    return rows


def svg(courses: Sequence[Course], events: Sequence[Event], *, title: str, element_id: str = "courses") -> str:
    """All courses in one drawing, at most five, events of the first marked by letter on the axis; no inline style."""
    shown = [course for course in courses if course.points][:MOST]
    top = TOP + KEY_LINE * math.ceil(max(len(shown), 1) / 2)
    name = escape(element_id)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" class="curve" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'aria-labelledby="{name}-title {name}-desc" font-size="12" font-family="sans-serif" fill="currentColor">',
        f'<title id="{name}-title">{escape(_clean(title))}</title>',
        f'<desc id="{name}-desc">{escape(_described(shown, events))}</desc>',
    ]
    if not shown:
        parts.append(f'<text x="{WIDTH // 2}" y="{HEIGHT // 2}" text-anchor="middle">No readings yet</text></svg>')
        return "".join(parts)
    hours = max(1.0, max(course.points[-1][0] for course in shown))
    high = max(200, math.ceil((max(c for course in shown for _, c in course.points) + 1) / 200) * 200)

    def x(hour: float) -> float:
        return LEFT + max(0.0, min(hour / hours, 1.0)) * (WIDTH - LEFT - RIGHT)

    def y(c: float) -> float:
        return HEIGHT - BOTTOM - max(c, 0.0) / high * (HEIGHT - top - BOTTOM)

    parts += _axes(hours, high, x, y, top)
    heights = _apart([y(course.points[-1][1]) + 4 for course in shown])
    fires = iter(STYLES)
    for place, course in enumerate(shown):
        parts += _line(course, place, PLAN_STYLE if course.is_plan else next(fires), x, y, heights[place])
    parts += _marks(events, x, top)
    return "".join([*parts, "</svg>"])


def _axes(hours: float, high: int, x: _To, y: _To, top: int) -> list[str]:
    step = next((one for one in (1, 2, 3, 4, 6, 12, 24, 48) if hours / one <= 14), 96)
    marks = range(0, math.floor(hours) + 1, step)
    levels = range(0, high + 1, 200)
    lines = [f'<line x1="{x(h):.1f}" y1="{top}" x2="{x(h):.1f}" y2="{HEIGHT - BOTTOM}"/>' for h in marks]
    lines += [f'<line x1="{LEFT}" y1="{y(c):.1f}" x2="{WIDTH - RIGHT}" y2="{y(c):.1f}"/>' for c in levels]
    words = [f'<text x="{LEFT - 6}" y="{y(c) + 4:.1f}" text-anchor="end">{c}</text>' for c in levels]
    words += [f'<text x="{x(h):.1f}" y="{HEIGHT - BOTTOM + 16}" text-anchor="middle">{h}</text>' for h in marks]
    words.append(f'<text x="{LEFT}" y="{HEIGHT - 8}">hours since lighting; °C</text>')
    return [
        '<g class="curve-axes" stroke="currentColor" stroke-opacity="0.25" stroke-width="1">',
        *lines,
        "</g>",
        *words,
    ]


def _apart(heights: Sequence[float]) -> list[float]:
    """Where the letters at the ends go, so that none lies on another."""
    moved = list(heights)
    for before, after in pairwise(sorted(range(len(moved)), key=lambda place: moved[place])):
        moved[after] = max(moved[after], moved[before] + APART)
    return moved


def _line(course: Course, place: int, style: tuple[str, str, str], x: _To, y: _To, letter_y: float) -> list[str]:
    width, dash, marker = style
    stroke = f'stroke="currentColor" stroke-width="{width}" fill="none"' + (
        f' stroke-dasharray="{dash}"' if dash else ""
    )
    path = " ".join(f"{x(h):.1f},{y(c):.1f}" for h, c in _thinned(course.points))
    marked = [_marker(marker, x(h), y(c)) for h, c in _at_markers(course, place)] if marker else []
    key_x, key_y = LEFT + place % 2 * 330, 14 + place // 2 * KEY_LINE
    letter = chr(ord("A") + place)
    name = escape(_clean(course.name)[:40])
    return [
        f'<polyline class="curve-line curve-line-{place + 1}" points="{path}" {stroke}/>',
        *marked,
        f'<text class="curve-end" x="{x(course.points[-1][0]) + 6:.1f}" y="{letter_y:.1f}">{letter}</text>',
        f'<line x1="{key_x}" y1="{key_y}" x2="{key_x + 30}" y2="{key_y}" {stroke}/>',
        *([_marker(marker, key_x + 15, key_y)] if marker else []),
        f'<text x="{key_x + 36}" y="{key_y + 4}">{letter} {name}</text>',
    ]


def _at_markers(course: Course, place: int) -> list[Point]:
    """Some points of a line, each line's at hours of its own."""
    last = course.points[-1][0]
    hours = [(n + place / MOST) * last / MARKERS for n in range(MARKERS)]
    return [(hour, c) for hour in hours if (c := at_hour(course, hour)) is not None]


def _marker(kind: str, x: float, y: float) -> str:
    look = 'class="is-sheet" fill="#fff" stroke="currentColor" stroke-width="1.5"'
    if kind == "ring":
        return f'<circle {look} cx="{x:.1f}" cy="{y:.1f}" r="4"/>'
    if kind == "square":
        return f'<rect {look} x="{x - 3.5:.1f}" y="{y - 3.5:.1f}" width="7" height="7"/>'
    return f'<path {look} d="M{x:.1f} {y - 5:.1f}l5 9h-10z"/>'


def _thinned(points: Sequence[Point]) -> list[Point]:
    kept = thin([(_START + timedelta(hours=h), c) for h, c in points])
    return [(hours_between(_START, at), c) for at, c in kept]


def _marks(events: Sequence[Event], x: _To, top: int) -> list[str]:
    parts = []
    for place, event in enumerate(events):
        at, up = x(event.hours), place % 3 * 11
        parts.append(
            f'<g class="curve-event"><line x1="{at:.1f}" y1="{top}" x2="{at:.1f}" y2="{HEIGHT - BOTTOM}" '
            f'stroke="currentColor" stroke-opacity="0.5" stroke-width="1" stroke-dasharray="1 3"/>'
            f'<text x="{at + 2:.1f}" y="{HEIGHT - BOTTOM - 4 - up}" font-size="10">{_MARKS[event.kind]}</text></g>'
        )
    return parts


def _described(courses: Sequence[Course], events: Sequence[Event]) -> str:
    told = []
    for place, course in enumerate(courses):
        peak = max(course.points, key=lambda point: point[1])
        told.append(
            f"{chr(ord('A') + place)}, {_clean(course.name)}: highest {peak[1]:.0f} °C after {peak[0]:.1f} hours, "
            f"last {course.points[-1][1]:.0f} °C after {course.points[-1][0]:.1f} hours."
        )
    if events:
        told.append(f"{len(events)} events are marked; the list below names them.")
    return " ".join(told) or "No readings yet."


def _clean(text: str) -> str:
    return _FORBIDDEN.sub("", text)
