"""When a fire reaches a temperature: from its own pace, earlier fires of the kiln, and the hours of the kiln's sheet.

A fire is laid beside a usual course: the share of the way to the target that is passed at each share of the
temperature. Its pace so far says how long this one takes; the less of the way is passed, the more the hours expected
before it was lit count. The present climb corrects that. Weights and intervals were fitted to simulated fires by
``tests/bench/tune_fire.py``; ``make bench-fire`` says how well they hold for fires with other seeds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import fmean, median
from typing import Final

from firings.fire import progress
from firings.fire.entries import hours_between

# Share of the way to the target passed at 0, 0.1 ... 1 of its temperature: mean of the fires used for fitting.
USUAL_COURSE: Final = (0.0, 0.124, 0.217, 0.303, 0.389, 0.471, 0.548, 0.63, 0.755, 0.874, 1.0)


@dataclass(frozen=True, slots=True)
class Stretch:
    """How a forecast is made while less than ``until`` of the way is passed.

    ``pace`` is the weight of this fire's own pace against the hours expected; ``climb`` the power with which the
    present climb counts; ``lean`` what such forecasts fell short by on the middle; ``points`` the 10, 25, 75 and 90 %
    points of ln((true + slack) / (forecast + slack)), slack being SLACK of all hours, stretched by 1 + ``doubt`` for
    each e-fold by which pace and expectation differ: a kiln that goes its own way is known less well.
    """

    until: float
    pace: float
    climb: float
    lean: float
    doubt: float
    points: tuple[float, float, float, float]


SLACK: Final = 0.02
ALONE: Final = (
    Stretch(0.15, 0.4, 0.0, 0.942, 0.0, (-0.273, -0.124, 0.165, 0.327)),
    Stretch(0.3, 0.2, 0.7, 0.925, 0.0, (-0.231, -0.121, 0.127, 0.278)),
    Stretch(0.45, 0.7, 0.3, 0.941, 0.5, (-0.214, -0.117, 0.133, 0.265)),
    Stretch(0.6, 0.8, 0.0, 0.919, 0.5, (-0.238, -0.132, 0.167, 0.332)),
    Stretch(0.75, 0.5, 0.0, 0.894, 0.5, (-0.288, -0.158, 0.274, 0.519)),
    Stretch(0.87, 0.0, 0.4, 0.989, 0.0, (-0.466, -0.239, 0.303, 0.59)),
    Stretch(0.95, 0.5, 0.6, 1.131, 0.0, (-0.297, -0.159, 0.239, 0.561)),
    Stretch(1.0, 0.9, 0.5, 1.319, 0.0, (-0.274, -0.129, 0.253, 0.582)),
)
WITH_PAST: Final = (
    Stretch(0.15, 0.7, 0.0, 0.968, 0.0, (-0.219, -0.11, 0.125, 0.258)),
    Stretch(0.3, 0.7, 0.0, 0.983, 0.0, (-0.223, -0.12, 0.13, 0.255)),
    Stretch(0.45, 0.8, 0.2, 0.984, 0.0, (-0.218, -0.113, 0.127, 0.275)),
    Stretch(0.6, 0.8, 0.05, 0.997, 0.0, (-0.258, -0.134, 0.157, 0.311)),
    Stretch(0.75, 0.6, 0.0, 1.015, 0.0, (-0.327, -0.168, 0.202, 0.438)),
    Stretch(0.87, 0.7, 0.0, 1.045, 0.5, (-0.308, -0.176, 0.216, 0.457)),
    Stretch(0.95, 1.0, 0.3, 1.055, 0.5, (-0.248, -0.119, 0.208, 0.48)),
    Stretch(1.0, 1.0, 0.4, 1.33, 1.0, (-0.191, -0.111, 0.127, 0.278)),
)
SOAK_SHARE: Final = 0.06  # common practice, no source


@dataclass(frozen=True, slots=True)
class Course:
    """One earlier fire: hours from lighting at which each tenth of the target temperature was first passed."""

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
    hours, tenth = [0.0], 1
    before: tuple[float, float] = (0.0, 0.0)
    for at, c in cleaned(readings):
        now = (hours_between(lit_at, at), c)
        while tenth <= 10 and c >= target_c * (tenth / 10 if tenth < 10 else 0.99):
            wanted = target_c * (tenth / 10 if tenth < 10 else 0.99)
            part = (wanted - before[1]) / (now[1] - before[1]) if now[1] > before[1] else 1.0
            hours.append(before[0] + min(max(part, 0.0), 1.0) * (now[0] - before[0]))
            tenth += 1
        if c > before[1]:
            before = now
    if tenth <= 10 or hours[-1] <= 0:
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
    course, expected = _usual(past), _expected(hours_likely, past)
    elapsed = max(hours_between(lit_at, at), 1e-3)
    share = max(c / target_c, 0.0)
    passed = min(max(_passed(course, share), 0.005), 0.995)
    table = WITH_PAST if past else ALONE
    stretch = next((one for one in table if passed < one.until), table[-1])
    own = elapsed / passed
    whole = math.exp((1 - stretch.pace) * math.log(expected) + stretch.pace * math.log(own))
    left = whole * (1 - passed) * _climb_factor(seen, course, share, whole, target_c) ** stretch.climb
    slack = SLACK * whole
    middle = (left + slack) * stretch.lean
    wide = 1 + stretch.doubt * abs(math.log(own / expected))
    low, lower, upper, high = (max(middle * math.exp(point * wide) - slack, 0.0) for point in stretch.points)
    likely = max(middle - slack, 0.0)
    return Ahead(at, likely, (lower, upper), (low, high), _based_on(past, stretch))


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


def _usual(past: Sequence[Course]) -> tuple[float, ...]:
    """The kiln's own course, by as many earlier fires as there are; the usual one counts as one fire."""
    own = [tuple(hour / one.to_target for hour in one.hours) for one in past]
    return tuple(fmean(shares) for shares in zip(USUAL_COURSE, *own, strict=True))


def _expected(hours_likely: float, past: Sequence[Course]) -> float:
    """Hours to the target before anything is known of this fire: the sheet counts as one earlier fire."""
    return math.exp(fmean([math.log(hours_likely), *(math.log(one.to_target) for one in past)]))


def _passed(course: Sequence[float], share: float) -> float:
    """Share of the way passed at this share of the target temperature."""
    tenth = min(int(share * 10), 9)
    return course[tenth] + (course[tenth + 1] - course[tenth]) * (share * 10 - tenth)


def _level(seen: Sequence[progress.Reading]) -> float:
    """°C now: the end of the robust line through the last hour, or the last reading."""
    climb = progress.rate(seen, window=timedelta(hours=1))
    return climb.now_c if climb is not None else seen[-1][1]


def _climb_factor(
    seen: Sequence[progress.Reading], course: Sequence[float], share: float, whole: float, target_c: float
) -> float:
    """Climb usual here over the climb now, within a factor of three; 1 without a rate."""
    climb = progress.rate(seen, window=timedelta(hours=1.5))
    if climb is None:
        return 1.0
    ahead = min(share + 0.05, 1.0)
    behind = max(share - 0.05, 0.0)
    hours = (_passed(course, ahead) - _passed(course, behind)) * whole
    usual = (ahead - behind) * target_c / max(hours, 1e-3)
    return min(max(usual / max(climb.c_per_h, 1e-3), 1 / 3), 3.0)


def _based_on(past: Sequence[Course], stretch: Stretch) -> str:
    own = round(stretch.pace * 100)
    if not past:
        return f"this fire's pace ({own} %) and the hours on the kiln's sheet"
    fires = "one earlier fire" if len(past) == 1 else f"{len(past)} earlier fires"
    return f"this fire's pace ({own} %), {fires} of this kiln and the hours on its sheet"
