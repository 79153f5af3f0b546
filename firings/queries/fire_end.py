"""The end of a fire and its cooling: what was decided on what, how hot it is, and when it may be opened."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import Final
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import F
from django.utils.translation import gettext as _

from coop.access import allowed
from coop.models import Coop, Membership
from coop.periods import local_moment
from firings.access import check_leads, check_takes_part
from firings.fire import progress
from firings.fire.entries import Entry
from firings.models import Firing, LogEntry
from firings.queries import fire
from firings.queries.firings import firing_of

MORNING: Final = time(10)  # people come to unpack in the morning
SAME_ROUND: Final = timedelta(hours=12)  # a probe not read for so long before the last reading says nothing any more


@dataclass(frozen=True, slots=True)
class Heat:
    """The hottest of the last readings, probe by probe, tenths of °C."""

    probe: str
    dc: int
    at: datetime


@dataclass(frozen=True, slots=True)
class EndPage:
    """The page of the end of a fire for one reader."""

    firing: Firing
    cones: tuple[tuple[str, tuple[Entry, ...]], ...]
    cones_said: str
    probes: tuple[fire.ProbeState, ...]
    heat: Heat | None
    cooling: progress.Cooling | None
    proposed: datetime | None
    burns: bool
    cools: bool
    leads: bool

    @property
    def is_cool(self) -> bool:
        return self.heat is not None and self.heat.dc <= self.firing.kiln.opening_c * 10

    @property
    def proposes_other(self) -> bool:
        """Whether the day that follows from the forecast is another than the one that stands, or nobody was told."""
        return self.proposed is not None and (
            self.firing.unpacking_told_at is None or self.proposed > self.firing.opens_at
        )


def end_page(coop: Coop, firing_id: UUID, reader: Membership, *, now: datetime) -> EndPage:
    """Raises NotFound, and NotAllowed for a guest of another firing."""
    firing = firing_of(coop, firing_id)
    check_takes_part(reader, firing)
    entries = fire.entries_of(fire.rows_of(firing))
    until_end = [entry for entry in entries if firing.ended_at is None or entry.at <= firing.ended_at]
    state = fire.state_of(firing, until_end, firing.ended_at or now)
    cooling = fire.state_of(firing, entries, now).cooling
    return EndPage(
        firing=firing,
        cones=state.cones,
        cones_said=cones_in_words(state.cones),
        probes=state.probes,
        heat=heat_of(firing),
        cooling=cooling,
        proposed=day_to_open(cooling, ZoneInfo(coop.time_zone), now) if cooling else None,
        burns=firing.stage == Firing.Stage.LIT,
        cools=firing.stage == Firing.Stage.COOLING,
        leads=allowed(check_leads, reader, firing),
    )


def cones_in_words(cones: Sequence[tuple[str, Sequence[Entry]]]) -> str:
    """``front: 9 down, 10 half down; back: 8 down``: the first half of a reason, for the lead to finish."""
    return "; ".join(
        f"{pack or _('cones')}: {', '.join(f'{entry.cone} {entry.state}' for entry in seen)}" for pack, seen in cones
    )


def heat_of(firing: Firing) -> Heat | None:
    """How hot the kiln is as far as anybody has read; None if nobody has."""
    rows = (
        LogEntry.objects.filter(coop=firing.coop_id, firing=firing, kind=LogEntry.Kind.READING, strikes=False)
        .filter(corrections=None, temperature_dc__isnull=False)
        .order_by("observed_at")
        .values_list("probe", F("temperature_dc") + F("offset_dc"), "observed_at")
    )
    last = {probe: Heat(probe, dc, at) for probe, dc, at in rows}
    latest = max((one.at for one in last.values()), default=None)
    fresh = [one for one in last.values() if latest is not None and latest - one.at <= SAME_ROUND]
    return max(fresh, key=lambda one: one.dc, default=None)


def day_to_open(cooling: progress.Cooling, zone: ZoneInfo, now: datetime) -> datetime:
    """The first morning by which eight in ten such kilns and half of the rest are cool (the late end of 80 %)."""
    after = max(cooling.latest, now).astimezone(zone)
    morning = local_moment(after.date(), MORNING, zone)
    return morning if morning >= after else local_moment(after.date() + timedelta(days=1), MORNING, zone)
