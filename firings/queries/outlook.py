"""When the fire reaches its cone and ends, from its own readings and earlier fires of the kiln."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from coop.periods import elapsed
from firings.fire import ahead, cones, progress
from firings.fire.entries import Entry, hours_between, readings
from firings.fire.entries import probes as probes_of
from firings.models import CrewNews, Firing, LogEntry, Watch

EARLIER: Final = 5
LEAST: Final = timedelta(minutes=30)  # a departure shorter than this changes no roster
# 60 °C/h is the slow column of the chart: near the top a wood kiln climbs no faster.
CHART_RATE_C_PER_H: Final = 60.0


@dataclass(frozen=True, slots=True)
class FireOutlook:
    """The cone aimed at with its charted temperature, and when that and the end of the fire are due (80 %)."""

    cone: str
    target_c: int
    target: ahead.Ahead
    end: ahead.Ahead

    @property
    def is_reached(self) -> bool:
        return self.target.likely_h == 0

    @property
    def target_span(self) -> tuple[datetime, datetime]:
        return self.target.span(self.target.most)

    @property
    def end_span(self) -> tuple[datetime, datetime]:
        return self.end.span(self.end.most)


def outlook_of(firing: Firing, log: Sequence[Entry], now: datetime) -> FireOutlook | None:
    """None unless the fire burns, its cone is on the chart, and the hottest probe was read within two hours."""
    charted = cones.equivalent_c(firing.target_cone, CHART_RATE_C_PER_H).temp_c
    if firing.stage != Firing.Stage.LIT or firing.lit_at is None or charted is None:
        return None
    series = _leading(log)
    if not series or elapsed(series[-1][0], now) > progress.WINDOW:
        return None
    made = ahead.outlook(
        series,
        lit_at=firing.lit_at,
        target_c=charted,
        hours_to_end=float(firing.kiln.hours_likely),
        earlier=earlier_fires(firing, charted),
    )
    return None if made is None else FireOutlook(firing.target_cone, round(charted), made.target, made.end)


@dataclass(frozen=True, slots=True)
class Departure:
    """The forecast departs from the roster: its last watch ends at ``planned``, the fire likely at ``likely``.

    ``minutes`` longer (in half hours) is what watches are missing for; ``until`` is when a shorter fire is over in
    nine of ten cases, and ``spare`` the watches that begin after that. One of the two is None or empty.
    """

    planned: datetime
    likely: datetime
    minutes: int | None = None
    until: datetime | None = None
    spare: tuple[Watch, ...] = ()

    @property
    def longer(self) -> timedelta:
        return timedelta(minutes=self.minutes or 0)

    @property
    def hours_text(self) -> str:
        """As a form takes it: ``2.5``, whatever the reader's language."""
        return f"{(self.minutes or 0) / 60:g}"

    @property
    def step(self) -> str:
        """What is told once: two hours more or less, or one watch more or less, are another step."""
        return f"longer-{self.minutes // 120}" if self.minutes else f"shorter-{len(self.spare)}"


def departure_of(firing: Firing, seen: FireOutlook | None, now: datetime) -> Departure | None:
    """How the forecast departs from the watches as they stand; None where it doesn't, or it was said already.

    Longer: in three of four cases the fire outlasts the last watch by LEAST. Shorter: in nine of ten cases it is
    over before a whole watch begins.
    """
    standing = list(Watch.objects.filter(coop=firing.coop_id, firing=firing).standing().order_by("starts_at"))
    if seen is None or not standing:
        return None
    planned = max(watch.ends_at for watch in standing)
    half, most, likely = seen.end.span(seen.end.half), seen.end_span, seen.end.likely
    if half[0] >= planned + LEAST:
        said = CrewNews.objects.filter(coop=firing.coop_id, firing=firing, kind=CrewNews.Kind.LONGER, closed_at=None)
        minutes = 30 * math.ceil((likely - planned) / timedelta(minutes=30))
        told = max(said.values_list("minutes", flat=True), default=0) or 0
        return None if told + 60 > minutes else Departure(planned, likely, minutes=minutes)
    spare = tuple(watch for watch in standing if watch.starts_at >= max(most[1], now))
    return Departure(planned, likely, until=most[1], spare=spare) if spare else None


def earlier_fires(firing: Firing, target_c: float) -> list[ahead.Earlier]:
    """What the last EARLIER fires of the kiln that came to this temperature teach; two queries."""
    past = Firing.objects.filter(coop=firing.coop_id, kiln=firing.kiln_id, ended_at__isnull=False, lit_at__isnull=False)
    fires = {fire.pk: fire for fire in past.exclude(pk=firing.pk).order_by("-ended_at")[:EARLIER]}
    rows = LogEntry.objects.filter(coop=firing.coop_id, firing__in=list(fires), kind=LogEntry.Kind.READING)
    standing = rows.filter(corrections=None, strikes=False).exclude(temperature_dc=None).order_by("observed_at")
    series: dict[int, dict[str, list[progress.Reading]]] = defaultdict(lambda: defaultdict(list))
    said = standing.values_list("firing_id", "observed_at", "probe", "temperature_dc", "offset_dc")
    for fire, at, probe, tenths, offset in said:
        if fires[fire].ended_at is not None and at <= fires[fire].ended_at:
            series[fire][probe].append((at, ((tenths or 0) + offset) / 10))
    found = []
    for pk, by_probe in series.items():
        lit_at, ended_at = fires[pk].lit_at, fires[pk].ended_at
        points = max(by_probe.values(), key=lambda points: max(c for _, c in points))
        if lit_at is None or ended_at is None or (course := ahead.course_of(points, lit_at, target_c)) is None:
            continue
        found.append(ahead.Earlier(course, max(hours_between(lit_at, ended_at) - course.to_target, 0.0)))
    return found


def _leading(log: Sequence[Entry]) -> list[progress.Reading]:
    """The readings of the probe that reads highest now."""
    lines = (progress.spaced(readings(log, name)) for name in probes_of(log))
    return max(lines, key=lambda points: points[-1][1], default=[])
