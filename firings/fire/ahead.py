"""When a fire reaches a temperature: from its own pace and climb, earlier fires of the kiln, and its sheet's hours.

A fire is laid beside a usual course: the share of the way to the target that is passed at each share of the
temperature. Several simple guesses of the hours left (this fire's pace, the hours expected, what is left of the plan,
lines through the climb of late, earlier fires from here on) are weighed by quantile regression, stretch by stretch of
the way. The weights, ``ahead_weights.json``, were fitted to simulated fires by ``tests/bench/tune_fire.py``;
``make bench-fire`` says how well they hold for fires with other seeds and for published logs.
"""

from __future__ import annotations

import json
import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from statistics import fmean, median
from typing import Any, Final

from firings.fire import progress
from firings.fire.entries import hours_between

# Shares of the target temperature at which a course is noted; the last, reached within a hundredth, is the target.
MARKS: Final = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.925, 0.95, 0.97, 0.99)
QUANTILES: Final = (0.1, 0.25, 0.5, 0.75, 0.9)
SLACK: Final = 0.02  # of the hours expected: keeps logarithms of short times from running away
SOAK_SHARE: Final = 0.06  # common practice, no source


@cache
def weights() -> dict[str, Any]:
    """``usual_course`` (share of the way passed at each of MARKS), and for fires ``alone`` and ``with_past`` their
    stretches: ``until`` which share of the temperature, and for each of QUANTILES the weights of :func:`guesses`.
    """
    found: dict[str, Any] = json.loads(Path(__file__).with_name("ahead_weights.json").read_text("utf-8"))
    return found


def usual_course() -> list[tuple[float, float]]:
    """The usual wood fire: share of the way passed at each share of the target temperature, from (0, 0) to (1, 1)."""
    return list(zip((*MARKS[:-1], 1.0), weights()["usual_course"], strict=True))


@dataclass(frozen=True, slots=True)
class Course:
    """One earlier fire: hours from lighting at which each of MARKS of the target temperature was first passed."""

    hours: tuple[float, ...]

    @property
    def to_target(self) -> float:
        return self.hours[-1]


@dataclass(frozen=True, slots=True)
class Earlier:
    """An earlier fire of the kiln: its course and the hours from the target to the end of the fire."""

    course: Course
    soak_h: float


@dataclass(frozen=True, slots=True)
class Outlook:
    """When the target is due and when the fire ends after it; both None while there is no reading."""

    target: Ahead
    end: Ahead


@dataclass(frozen=True, slots=True)
class Ahead:
    """Hours from the last reading until the target: likely, and within 50 and 80 %; ``based_on`` in words."""

    at: datetime
    likely_h: float
    half: tuple[float, float]
    most: tuple[float, float]
    based_on: str

    @property
    def likely(self) -> datetime:
        return self.at + timedelta(hours=self.likely_h)

    def span(self, of: tuple[float, float]) -> tuple[datetime, datetime]:
        return self.at + timedelta(hours=of[0]), self.at + timedelta(hours=of[1])


def cleaned(readings: Sequence[progress.Reading]) -> list[progress.Reading]:
    """Oldest first, each the median of itself and its two neighbours: one wild reading changes nothing."""
    ordered = sorted(readings)
    if len(ordered) < 3:
        return ordered
    threes = zip(ordered, ordered[1:], ordered[2:], strict=False)
    middle = [(at, median((before, c, after))) for (_, before), (at, c), (_, after) in threes]
    last = median(c for _, c in ordered[-3:])
    return [ordered[0], *middle, (ordered[-1][0], max(last, min(ordered[-1][1], last + 25)))]


def course_of(readings: Sequence[progress.Reading], lit_at: datetime, target_c: float) -> Course | None:
    """What an earlier fire teaches; None where it never came within a hundredth of the target."""
    hours = [0.0]
    before: tuple[float, float] = (0.0, 0.0)
    for at, c in cleaned(readings):
        now = (hours_between(lit_at, at), c)
        while len(hours) < len(MARKS) and c >= target_c * MARKS[len(hours)]:
            wanted = target_c * MARKS[len(hours)]
            part = (wanted - before[1]) / (now[1] - before[1]) if now[1] > before[1] else 1.0
            hours.append(before[0] + min(max(part, 0.0), 1.0) * (now[0] - before[0]))
        if c > before[1]:
            before = now
    if len(hours) < len(MARKS) or hours[-1] <= 0:
        return None
    return Course(tuple(hours))


def to_target(
    readings: Sequence[progress.Reading],
    *,
    lit_at: datetime,
    target_c: float,
    hours_likely: float,
    past: Sequence[Course] = (),
) -> Ahead | None:
    """When ``target_c`` is due after the last of ``readings`` (moment, °C of the probe that leads).

    ``hours_likely`` is what the kiln's sheet says from lighting to the target. None without a reading.
    """
    seen = cleaned(readings)
    if not seen:
        return None
    at = seen[-1][0]
    c = _level(seen)
    if c >= target_c:
        return Ahead(at, 0.0, (0.0, 0.0), (0.0, 0.0), "the target is reached")
    expected = _expected(hours_likely, past)
    share, told = guesses(seen, lit_at=lit_at, target_c=target_c, expected=expected, past=past)
    stretches = weights()["with_past" if past else "alone"]
    stretch = next((one for one in stretches if share < one["until"]), stretches[-1])
    left = sorted(
        max(math.exp(math.fsum(w * x for w, x in zip(row, told, strict=True))) - SLACK, 0.0) * expected
        for row in stretch["quantiles"]
    )
    low, lower, likely, upper, high = left
    return Ahead(at, likely, (lower, upper), (low, high), _based_on(past))


def guesses(
    seen: Sequence[progress.Reading],
    *,
    lit_at: datetime,
    target_c: float,
    expected: float,
    past: Sequence[Course] = (),
) -> tuple[float, list[float]]:
    """Share of the target temperature reached, and what the forecast weighs: 1, then guesses of the hours left as
    ln(hours / ``expected`` + SLACK).

    In order: by this fire's pace; by the hours expected; what is left of the plan; lines at the climb of the last
    1.5 h, of the last 4 h (or 15 % of the fire), and through the last hour; with ``past`` two by the earlier fires
    from here on; at last how far the longer line and the plan lie beyond the hours expected. ``seen`` is cleaned.
    """
    c, hours = _level(seen), max(hours_between(lit_at, seen[-1][0]), 1e-3)
    share = min(max(c / target_c, 0.0), 1.0)
    passed = min(max(_at(_usual(past), share), 0.005), 0.995)

    def said(left: float) -> float:
        return math.log(min(max(left, 0.0) / expected, 3.0) + SLACK)

    pace = math.log(hours / passed * (1 - passed) / expected + SLACK)
    usual, plan = said((1 - passed) * expected), said(expected - hours)
    lines = [_line_left(seen, c, target_c, span, least) for span, least in ((1.5, 4), (max(4.0, 0.15 * hours), 5))]
    quick, long = (said(3 * expected if left is None else left) for left in lines)
    told = [1.0, pace, usual, plan, quick, long, said(_last_hour(seen, target_c))]
    if past:
        rest = [(one.to_target - _at(one.hours, share), _at(one.hours, share)) for one in past]
        told.append(said(fmean(left * (hours / max(then, 0.05)) ** 0.5 for left, then in rest)))
        told.append(said(fmean(left for left, _then in rest)))
    return share, [*told, max(long - usual, 0.0), max(plan - usual, 0.0)]


def outlook(
    readings: Sequence[progress.Reading],
    *,
    lit_at: datetime,
    target_c: float,
    hours_to_end: float,
    earlier: Sequence[Earlier] = (),
) -> Outlook | None:
    """Target and end of fire. ``hours_to_end`` is the kiln sheet's, from lighting to the end of the fire.

    What comes after the target is taken from the earlier fires, else SOAK_SHARE of the sheet's hours.
    """
    soak = median([one.soak_h for one in earlier]) if earlier else SOAK_SHARE * hours_to_end
    target = to_target(
        readings,
        lit_at=lit_at,
        target_c=target_c,
        hours_likely=max(hours_to_end - soak, hours_to_end / 2),
        past=[one.course for one in earlier],
    )
    if target is None:
        return None
    left = max(soak - _hours_since(readings, target_c, target.at), 0.0) if target.likely_h == 0 else soak
    end = Ahead(
        at=target.at,
        likely_h=target.likely_h + left,
        half=(target.half[0] + 0.75 * left, target.half[1] + 1.25 * left),
        most=(target.most[0] + 0.5 * left, target.most[1] + 1.5 * left),
        based_on=target.based_on,
    )
    return Outlook(target, end)


def _hours_since(readings: Sequence[progress.Reading], target_c: float, now: datetime) -> float:
    reached = [at for at, c in cleaned(readings) if c >= target_c]
    return hours_between(reached[0], now) if reached else 0.0


def _usual(past: Sequence[Course]) -> list[float]:
    """The kiln's own course, by as many earlier fires as there are; the usual one counts as one fire."""
    own = [tuple(hour / one.to_target for hour in one.hours) for one in past]
    return [fmean(shares) for shares in zip(weights()["usual_course"], *own, strict=True)]


def _expected(hours_likely: float, past: Sequence[Course]) -> float:
    """Hours to the target before anything is known of this fire: the sheet counts as one earlier fire."""
    return math.exp(fmean([math.log(hours_likely), *(math.log(one.to_target) for one in past)]))


def _at(course: Sequence[float], share: float) -> float:
    """The course (by MARKS, the last of them the target itself) at this share of the target temperature."""
    marks = (*MARKS[:-1], 1.0)
    place = min(bisect_right(marks, share), len(marks) - 1)
    low, high = marks[place - 1], marks[place]
    part = min(max((share - low) / (high - low), 0.0), 1.0)
    return course[place - 1] + (course[place] - course[place - 1]) * part


def _level(seen: Sequence[progress.Reading]) -> float:
    """°C now: the end of the robust line through the last hour, or the last reading."""
    climb = progress.rate(seen, window=timedelta(hours=1))
    return climb.now_c if climb is not None else seen[-1][1]


def _line_left(seen: Sequence[progress.Reading], c: float, target_c: float, span_h: float, least: int) -> float | None:
    """Hours left at the robust climb of the last ``span_h`` hours, or of ``least`` readings; None if it never does."""
    recent = [one for one in seen if one[0] >= seen[-1][0] - timedelta(hours=span_h)]
    recent = list(seen[-least:]) if len(recent) < least else recent
    if len(recent) > 25:  # as many as say what there is to say
        step = len(recent) / 25
        recent = [*(recent[int(place * step)] for place in range(25)), recent[-1]]
    climb = progress.rate(recent, window=timedelta(hours=1000))
    return None if climb is None or climb.c_per_h <= 0 else (target_c - c) / climb.c_per_h


def _last_hour(seen: Sequence[progress.Reading], target_c: float) -> float:
    """Hours left by a least-squares line through the last hour; inf where it does not climb."""
    recent = [one for one in seen if one[0] >= seen[-1][0] - timedelta(hours=1)]
    recent = recent if len(recent) > 1 else list(seen[-2:])
    hours = [hours_between(seen[-1][0], at) for at, _ in recent]
    if len(set(hours)) < 2:
        return math.inf
    mean_h, mean_c = fmean(hours), fmean(c for _, c in recent)
    slope = math.fsum((h - mean_h) * (c - mean_c) for h, (_, c) in zip(hours, recent, strict=True))
    slope /= math.fsum((h - mean_h) ** 2 for h in hours)
    return (target_c - (mean_c - slope * mean_h)) / slope if slope > 0 else math.inf


def _based_on(past: Sequence[Course]) -> str:
    if not past:
        return "this fire's pace and climb, and the hours on the kiln's sheet"
    fires = "one earlier fire" if len(past) == 1 else f"{len(past)} earlier fires"
    return f"this fire's pace and climb, {fires} of this kiln and the hours on its sheet"
