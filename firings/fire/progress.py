"""How the fire climbs, stalls and cools: robust rate, time to a target, Newton's cooling, with intervals."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import combinations
from statistics import median
from typing import Final

from firings.fire.entries import hours_between

Reading = tuple[datetime, float]

WINDOW: Final = timedelta(hours=2)
SPACE: Final = timedelta(minutes=4)
LEAST_READINGS: Final = 3
STALL_WINDOWS: Final = ((timedelta(minutes=32), 1.4), (timedelta(minutes=40), 1.1), (timedelta(minutes=50), 0.9))
WILD_C: Final = 15
WILD_C_PER_H: Final = 150
STALL_MEMORY: Final = 24
STALL_LEAST: Final = 6
_Z: Final = {50: 0.6745, 80: 1.2816}


@dataclass(frozen=True, slots=True)
class Rate:
    """Climb in °C per hour; ``low`` and ``high`` bound it (80 %); ``at`` and ``now_c`` are the line's end."""

    c_per_h: float
    low: float
    high: float
    readings: int
    at: datetime
    now_c: float


@dataclass(frozen=True, slots=True)
class Due:
    """When a temperature is due; ``latest`` (or ``likely``) is None where the climb may never reach it."""

    likely: datetime | None
    earliest: datetime | None
    latest: datetime | None


@dataclass(frozen=True, slots=True)
class Newton:
    """Newton's law T = Ta + (T0 - Ta) exp(-k t) fitted to readings.

    ``k`` per hour; ``level`` is ln(T - Ta) at the moment ``at``.
    """

    k_per_h: float
    ambient_c: float
    at: datetime
    level: float

    def passes(self, c: float) -> datetime:
        """When ``c``, above the air, is passed."""
        hours = (self.level - math.log(c - self.ambient_c)) / self.k_per_h
        return self.at + timedelta(hours=min(hours, 10_000.0))


@dataclass(frozen=True, slots=True)
class Cooling:
    """When a kiln is below its opening temperature: likely, and within 50 and 80 %; ``based_on`` in words."""

    k_per_h: float
    ambient_c: float
    below_at: datetime
    half: tuple[datetime, datetime]
    most: tuple[datetime, datetime]
    based_on: str

    @property
    def earliest(self) -> datetime:
        return self.most[0]

    @property
    def latest(self) -> datetime:
        return self.most[1]

    @property
    def half_from(self) -> datetime:
        return self.half[0]

    @property
    def half_to(self) -> datetime:
        return self.half[1]


@dataclass(frozen=True, slots=True)
class Cooled:
    """How Newton's law errs while more than ``share`` of the heat above the air is left.

    ``points`` are the 10, 25, 50, 75 and 90 % points of ln((true + 1) / (Newton's + 1)), hours from the last reading.
    """

    share: float
    points: tuple[float, float, float, float, float]


# Fitted by tests/bench/tune_fire.py to simulated kilns: setting and brick cool apart, so early fits run early.
COOLED: Final = (
    Cooled(0.6, (0.338, 0.449, 0.634, 0.827, 1.023)),
    Cooled(0.45, (0.303, 0.404, 0.555, 0.734, 0.928)),
    Cooled(0.3, (0.14, 0.217, 0.329, 0.471, 0.637)),
    Cooled(0.2, (0.031, 0.073, 0.133, 0.204, 0.282)),
    Cooled(0.14, (-0.011, 0.017, 0.056, 0.092, 0.13)),
    Cooled(0.1, (-0.031, -0.009, 0.028, 0.06, 0.088)),
    Cooled(0.0, (-0.081, -0.033, 0.018, 0.069, 0.126)),
)
EARLY_SHARE: Final = 0.8  # hotter than this nothing is foretold
LATE_SPAN: Final = 2.5  # readings hotter above the air than so many times the last one no longer count


def spaced(readings: Sequence[Reading], apart: timedelta = SPACE) -> list[Reading]:
    """Of readings in order of time those at least ``apart``, the last always among them.

    A logger may send one every few seconds; what is reckoned from pairs of readings needs no more than these.
    """
    kept: list[Reading] = []
    for point in reversed(readings):
        if not kept or kept[-1][0] - point[0] >= apart:
            kept.append(point)
    return kept[::-1]


def rate(readings: Sequence[Reading], *, window: timedelta = WINDOW) -> Rate | None:
    """Theil-Sen slope over the last ``window``; None with fewer than three readings at different moments.

    The interval is Sen's (1968): order statistics of the pairwise slopes at 80 % by the normal
    approximation to Kendall's score, Var = n(n-1)(2n+5)/18.
    """
    if not readings:
        return None
    end = max(at for at, _ in readings)
    recent = sorted((at, value) for at, value in readings if at >= end - window)
    hours = [hours_between(end, at) for at, _ in recent]
    values = [value for _, value in recent]
    if len(set(hours)) < LEAST_READINGS:
        return None
    slopes = sorted(
        (values[j] - values[i]) / (hours[j] - hours[i])
        for i, j in combinations(range(len(hours)), 2)
        if hours[j] > hours[i]
    )
    slope = median(slopes)
    n = len(hours)
    spread = _Z[80] * math.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    low = slopes[max(0, math.floor((len(slopes) - spread) / 2))]
    high = slopes[min(len(slopes) - 1, math.ceil((len(slopes) + spread) / 2))]
    level = median(value - slope * hour for value, hour in zip(values, hours, strict=True))
    return Rate(slope, low, high, n, end, level)


def stalls(readings: Sequence[Reading], least_c_per_h: float, *, stoked: bool = True) -> bool:
    """True if over the last half hour or so even the upper end of the climb stays under the least rate.

    Straight lines through the last STALL_WINDOWS, with the probe's own scatter (from second differences of the last
    readings, which a steady climb leaves out); a line through fewer than three readings claims nothing, and neither
    does a fire into which no wood goes. How soon and how falsely it warns: ``make bench-fire``.
    """
    ordered = _without_wild(sorted(readings)[-STALL_MEMORY:])
    if not stoked or len(ordered) < STALL_LEAST:
        return False
    scatter = _scatter([c for _, c in ordered])
    end, slow = ordered[-1][0], False
    for window, margin in STALL_WINDOWS:
        recent = [(hours_between(end, at), c) for at, c in ordered if at >= end - window]
        if len(recent) < LEAST_READINGS:
            continue
        mean_h, mean_c = math.fsum(h for h, _ in recent) / len(recent), math.fsum(c for _, c in recent) / len(recent)
        sxx = math.fsum((h - mean_h) ** 2 for h, _ in recent)
        climb = math.fsum((h - mean_h) * (c - mean_c) for h, c in recent) / sxx
        if not slow and climb >= least_c_per_h:
            return False
        slow = True
        if climb + margin * scatter / math.sqrt(sxx) < least_c_per_h:
            return True
    return False


def _without_wild(ordered: Sequence[Reading]) -> list[Reading]:
    """The readings without those that no kiln can follow: far from both neighbours, or the last far from all before."""
    kept = []
    for place, (at, c) in enumerate(ordered):
        near = [other for other in ordered[max(place - 1, 0) : place + 2] if other[0] != at]
        if all(abs(c - other) > WILD_C + WILD_C_PER_H * abs(hours_between(at, when)) for when, other in near):
            continue
        kept.append((at, c))
    return kept


def _scatter(values: Sequence[float]) -> float:
    """Standard deviation of single readings, °C: robust, from second differences, at least half a degree."""
    bends = [abs(a - 2 * b + c) for a, b, c in zip(values, values[1:], values[2:], strict=False)]
    return max(median(bends) / 0.6745 / math.sqrt(6), 0.5)


def time_to(climb: Rate | None, target_c: float) -> Due | None:
    """When ``target_c`` is due if the fire goes on at its present rate; None without a rate.

    First form: a straight line at the rate and at both ends of its interval.
    """
    if climb is None:
        return None
    if climb.now_c >= target_c:
        return Due(climb.at, climb.at, climb.at)
    return Due(
        _reached(climb, climb.c_per_h, target_c),
        _reached(climb, climb.high, target_c),
        _reached(climb, climb.low, target_c),
    )


def newton(readings: Sequence[Reading], *, ambient_c: float) -> Newton | None:
    """Least-squares fit of ln(T - Ta) over time; None with fewer than three moments or where nothing falls."""
    used = sorted((at, c) for at, c in readings if c > ambient_c + 1)
    if len({at for at, _ in used}) < LEAST_READINGS:
        return None
    start = used[0][0]
    x = [hours_between(start, at) for at, _ in used]
    y = [math.log(c - ambient_c) for _, c in used]
    mean_x, mean_y = math.fsum(x) / len(x), math.fsum(y) / len(y)
    sxx = math.fsum((a - mean_x) ** 2 for a in x)
    slope = math.fsum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True)) / sxx
    if slope >= -1e-6:
        return None
    return Newton(-slope, ambient_c, start + timedelta(hours=mean_x), mean_y)


def cooling(readings: Sequence[Reading], *, ambient_c: float, opening_c: float) -> Cooling | None:
    """When ``opening_c`` is passed, from the readings since the hottest: Newton's law, and how it errs for kilns.

    A real kiln loses heat faster while it is hot, so a fit runs early; COOLED puts that right and gives the
    intervals (coverage: ``make bench-fire``). Only the latest readings are fitted once there are enough. None where
    readings are too few or too early, do not fall, or ``opening_c`` is not above ``ambient_c``.
    """
    if opening_c <= ambient_c or not readings:
        return None
    peak_at, peak_c = max(readings, key=lambda reading: reading[1])
    after = sorted((at, c) for at, c in readings if at >= peak_at and c > ambient_c + 1)
    if not after:
        return None
    now, last_c = after[-1]
    late = [(at, c) for at, c in after if c - ambient_c <= LATE_SPAN * (last_c - ambient_c)]
    fitted = newton(late, ambient_c=ambient_c) or newton(after, ambient_c=ambient_c)
    share = (last_c - ambient_c) / (peak_c - ambient_c)
    if fitted is None or share > EARLY_SHARE:
        return None
    used = late if len({at for at, _ in late}) >= LEAST_READINGS else after
    if last_c <= opening_c:
        cool_at = next(at for at, c in after if c <= opening_c)
        told = (cool_at, cool_at)
        return Cooling(fitted.k_per_h, ambient_c, cool_at, told, told, f"a reading of {last_c:.0f} °C")
    left = max(hours_between(now, fitted.passes(opening_c)), 0.0)
    points = next(one.points for one in COOLED if share > one.share)
    low, lower, likely, upper, high = (
        now + timedelta(hours=max((left + 1) * math.exp(point) - 1, 0.0)) for point in points
    )
    based_on = (
        f"Newton's law through {len(used)} readings, air at {ambient_c:.0f} °C, "
        "and how far simulated kilns departed from it"
    )
    return Cooling(fitted.k_per_h, ambient_c, likely, (lower, upper), (low, high), based_on)


def probe_offset(read_c: float, cone_c: float) -> float:
    """What to add to a probe so that it agrees with a cone seen down, in °C (first form: one cone)."""
    return cone_c - read_c


def _reached(climb: Rate, c_per_h: float, target_c: float) -> datetime | None:
    hours = (target_c - climb.now_c) / c_per_h if c_per_h > 0 else math.inf
    return climb.at + timedelta(hours=hours) if hours <= 1000 else None
