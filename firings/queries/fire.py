"""What the fire page shows: the log with its corrections, where the fire stands, what to watch for."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final
from uuid import UUID
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _

from coop.errors import NotFound
from coop.models import Coop, Membership, Picture
from coop.periods import elapsed, is_ambiguous
from coop.templatetags.look import temperature
from firings.access import check_takes_part
from firings.fire import cones, progress
from firings.fire.curve import curve_svg
from firings.fire.entries import Entry, effective, in_round, readings
from firings.fire.entries import probes as probes_of
from firings.models import Firing, HandOver, LogEntry, Watch, WatchPlace
from firings.queries.firings import firing_of
from firings.queries.outlook import Departure, FireOutlook, departure_of, outlook_of

PAGE: Final = 50
LOGGER_SHOWN_EVERY: Final = timedelta(minutes=30)
AMBIENT_C: Final = 15.0
HIGHEST_LIKELY_DC: Final = 14000
QUICK: Final = timedelta(minutes=30)
BIG_STEP_DC: Final = 1500
SODA_CONE: Final = "8"
# 60 °C/h is the slow column of the chart: near the top a wood kiln climbs no faster.
SODA_RATE_C_PER_H: Final = 60.0


# --- The log as values --------------------------------------------------------------------


def rows_of(firing: Firing) -> list[LogEntry]:
    """Every entry of the log in the order of writing, with who wrote it."""
    return list(
        LogEntry.objects.filter(coop=firing.coop_id, firing=firing)
        .select_related("by__person", "corrects", "logger")
        .prefetch_related("pictures__picture")
        .order_by("pk")
    )


def entries_of(rows: Iterable[LogEntry]) -> list[Entry]:
    """Rows as the core reads them."""
    return [
        Entry(
            at=row.observed_at,
            kind=row.kind,
            probe=row.probe,
            temperature_dc=row.true_dc,
            offset_dc=row.offset_dc,
            cone=row.cone,
            pack=row.pack,
            state=_state(row),
            place=row.place,
            kg=row.kg,
            reason=row.reason,
            port=row.port,
            pieces=row.pieces,
            grams=row.grams,
            phase=row.phase,
            text=row.text,
            by=row.who,
            id=str(row.public_id),
            corrects=str(row.corrects.public_id) if row.corrects is not None else "",
            struck=row.strikes,
        )
        for row in rows
    ]


def _state(row: LogEntry) -> str:
    if row.kind == LogEntry.Kind.DAMPER:
        return ", ".join(filter(None, (row.damper, row.air)))
    if row.kind == LogEntry.Kind.FLAME:
        smoke = _("smoke: %(smoke)s") % {"smoke": row.get_smoke_display()} if row.smoke else ""
        return ", ".join(filter(None, (row.flame, smoke)))
    return _state_word(row.cone_state)


def _state_word(state: str) -> str:
    return str(dict(LogEntry.ConeState.choices).get(state, state))


@dataclass(frozen=True, slots=True)
class LogLine:
    """What stands in the log now, or is struck out, with everything it said before (oldest first)."""

    entry: LogEntry
    earlier: tuple[LogEntry, ...]

    @property
    def pictures(self) -> list[Picture]:
        """The photos of the entry and of what it said before."""
        return [held.picture for row in (*self.earlier, self.entry) for held in row.pictures.all()]

    @property
    def is_struck(self) -> bool:
        return self.entry.strikes

    @property
    def at(self) -> datetime:
        return self.entry.observed_at

    @property
    def is_late(self) -> bool:
        """Written down long after it was seen: from paper, or by a device that had no signal."""
        return elapsed(self.entry.observed_at, self.entry.entered_at) > timedelta(minutes=15)


def lines_of(rows: Sequence[LogEntry]) -> list[LogLine]:
    """The log newest first, each correction with what it corrects."""
    root: dict[int, int] = {}
    chains: dict[int, list[LogEntry]] = {}
    for row in rows:
        root[row.pk] = root.get(row.corrects_id, row.pk) if row.corrects_id else row.pk
        chains.setdefault(root[row.pk], []).append(row)
    lines = [LogLine(chain[-1], tuple(chain[:-1])) for chain in chains.values()]
    return sorted(lines, key=lambda line: (line.at, line.entry.pk), reverse=True)


def calm(lines: Sequence[LogLine], apart: timedelta = LOGGER_SHOWN_EVERY) -> list[LogLine]:
    """The log as people read it: of a logger's readings one per probe each half hour; corrected ones all."""
    last: dict[str, datetime] = {}
    kept = []
    for line in lines:
        entry = line.entry
        if entry.logger_id is not None and not line.earlier:
            before = last.get(entry.probe)
            if before is not None and abs(elapsed(entry.observed_at, before)) < apart:
                continue
            last[entry.probe] = entry.observed_at
        kept.append(line)
    return kept


# --- Where the fire stands ----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ProbeState:
    """The last reading of one probe and its climb of late (tenths of °C per hour, with its 80 % interval)."""

    name: str
    last_dc: int
    offset_dc: int
    last_at: datetime
    rate_dc: int | None
    rate_low_dc: int | None
    rate_high_dc: int | None

    @property
    def shown_dc(self) -> int:
        """What the probe itself showed: the next reading is typed from there."""
        return self.last_dc - self.offset_dc

    @property
    def steps(self) -> list[tuple[int, int]]:
        """What the quick keys save: tenths of °C as the probe shows them, and the step from the last reading."""
        moved = [(self.shown_dc + step, step) for step in (-100, 0, 50, 100, 200)]
        return [(value, step) for value, step in moved if -500 <= value <= 16000]


@dataclass(frozen=True, slots=True)
class FireState:
    """Where the fire stands at ``now``; elapsed times are reckoned between instants, not by the clock."""

    now: datetime
    hours_lit: timedelta | None
    probes: tuple[ProbeState, ...]
    spread_dc: int | None
    is_stalled: bool
    stoked_lately: bool
    since_reading: timedelta | None
    since_stoke: timedelta | None
    round_since: timedelta | None  # how long the round has been running
    since_round: timedelta | None  # how long since the last one stopped
    soda_g: int
    soda_charges: int
    soda_g_per_m3: int | None
    since_soda: timedelta | None
    soda_too_early: str
    cones: tuple[tuple[str, tuple[Entry, ...]], ...]
    damper: Entry | None
    cooling: progress.Cooling | None
    opening_c: int
    log: tuple[Entry, ...]


def state_of(firing: Firing, entries: Sequence[Entry], now: datetime) -> FireState:
    """Reckoned from what the log says now, corrections applied."""
    log = effective(entries)
    states = tuple(_probe(name, log, now) for name in probes_of(log))
    fresh = [one for one in states if elapsed(one.last_at, now) <= timedelta(hours=2)]
    stokes = [entry for entry in log if entry.kind == LogEntry.Kind.STOKE]
    stoked_lately = any(elapsed(entry.at, now) <= progress.WINDOW for entry in stokes)
    hottest = max(states, key=lambda one: one.last_dc, default=None)
    leading = progress.spaced(readings(log, hottest.name)) if hottest else []
    rounds = [entry for entry in log if entry.kind == LogEntry.Kind.ROUND]
    soda = [entry for entry in log if entry.kind == LogEntry.Kind.SODA]
    grams = sum(entry.grams or 0 for entry in soda)
    burning = firing.stage == Firing.Stage.LIT
    return FireState(
        now=now,
        hours_lit=elapsed(firing.lit_at, firing.ended_at or now) if firing.lit_at else None,
        probes=states,
        spread_dc=max(one.last_dc for one in fresh) - min(one.last_dc for one in fresh) if len(fresh) > 1 else None,
        is_stalled=burning
        and progress.stalls(
            leading, float(firing.kiln.least_rate_c_per_h), stoked=stoked_lately and not in_round(log, now)
        )
        and elapsed(leading[-1][0], now) <= progress.WINDOW,
        stoked_lately=stoked_lately,
        since_reading=_since(max((one.last_at for one in states), default=None), now),
        since_stoke=_since(stokes[-1].at if stokes else None, now),
        round_since=_since(rounds[-1].at, now) if rounds and rounds[-1].phase == LogEntry.Phase.START else None,
        since_round=_since(rounds[-1].at, now) if rounds and rounds[-1].phase == LogEntry.Phase.STOP else None,
        soda_g=grams,
        soda_charges=len(soda),
        soda_g_per_m3=round(grams * 1000 / firing.kiln.volume_l) if soda else None,
        since_soda=_since(soda[-1].at if soda else None, now),
        soda_too_early=soda_doubt(log),
        cones=cones_by_place(log),
        damper=next((entry for entry in reversed(log) if entry.kind == LogEntry.Kind.DAMPER), None),
        cooling=_cooling(firing, log),
        opening_c=firing.kiln.opening_c,
        log=tuple(log),
    )


def _probe(name: str, log: Sequence[Entry], now: datetime) -> ProbeState:
    """A rate is told only while it is fresh: one of yesterday would say nothing of the fire now."""
    series = progress.spaced(readings(log, name))
    offset = next(e.offset_dc for e in reversed(log) if e.kind == LogEntry.Kind.READING and e.probe == name)
    at, value = series[-1]
    climb = progress.rate(series) if elapsed(at, now) <= progress.WINDOW else None
    tenths = (
        (None, None, None) if climb is None else tuple(round(c * 10) for c in (climb.c_per_h, climb.low, climb.high))
    )
    return ProbeState(name, round(value * 10), offset, at, *tenths)


def _since(at: datetime | None, now: datetime) -> timedelta | None:
    return None if at is None else max(timedelta(0), elapsed(at, now))


def cones_by_place(log: Sequence[Entry]) -> tuple[tuple[str, tuple[Entry, ...]], ...]:
    """The last state of each cone, by pack, softest first."""
    last: dict[tuple[str, str], Entry] = {}
    for entry in log:
        if entry.kind == LogEntry.Kind.CONE:
            last[entry.pack, entry.cone] = entry
    packs = list(dict.fromkeys(pack for pack, _cone in last))
    return tuple(
        (pack, tuple(sorted((e for (p, _c), e in last.items() if p == pack), key=lambda e: cones.rank(e.cone))))
        for pack in packs
    )


def _cooling(firing: Firing, log: Sequence[Entry]) -> progress.Cooling | None:
    """The forecast from the hottest probe's readings since the end of the fire."""
    if firing.stage != Firing.Stage.COOLING or firing.ended_at is None:
        return None
    found = []
    for name in probes_of(log):
        series = [point for point in readings(log, name) if point[0] >= firing.ended_at]
        fitted = progress.cooling(series, ambient_c=AMBIENT_C, opening_c=float(firing.kiln.opening_c))
        if fitted is not None:
            found.append(fitted)
    return max(found, key=lambda one: one.below_at, default=None)


def soda_doubt(log: Sequence[Entry]) -> str:
    """Why soda looks too early, or nothing: neither cone 8 down anywhere nor a probe at its charted temperature."""
    down = str(LogEntry.ConeState.DOWN.label)
    if any(
        entry.kind == LogEntry.Kind.CONE and entry.state == down and cones.rank(entry.cone) >= cones.rank(SODA_CONE)
        for entry in log
    ):
        return ""
    charted = cones.equivalent_c(SODA_CONE, SODA_RATE_C_PER_H).temp_c
    last = {entry.probe: entry.temperature_c for entry in log if entry.kind == LogEntry.Kind.READING}
    hottest = max((c for c in last.values() if c is not None), default=None)
    if charted is None or (hottest is not None and hottest >= charted):
        return ""
    return _(
        "Cone %(cone)s is not down and no probe has reached %(c)s °C: soda now may not take. Your crew decides."
    ) % {"cone": SODA_CONE, "c": f"{charted:.0f}"}


# --- Doubts: said after writing, never in the way -----------------------------------------


def doubts(row: LogEntry, before: Sequence[Entry]) -> list[str]:
    """What looks odd about an entry just written, given what the log said before it; each a sentence."""
    log = [entry for entry in effective(before) if entry.at <= row.observed_at and entry.id != str(row.public_id)]
    check = {
        LogEntry.Kind.READING: _odd_reading,
        LogEntry.Kind.CONE: _odd_cone,
        LogEntry.Kind.ROUND: _odd_round,
        LogEntry.Kind.SODA: lambda _row, log: [doubt] if (doubt := soda_doubt(log)) else [],
        LogEntry.Kind.STOKE: _odd_stoke,
    }.get(LogEntry.Kind(row.kind))
    return [] if check is None or row.strikes else check(row, log)


def _odd_reading(row: LogEntry, log: Sequence[Entry]) -> list[str]:
    found = []
    value = row.true_dc or 0
    if value > HIGHEST_LIKELY_DC:
        found.append(_("%(c)s °C is hotter than kilns of this kind go. Look at the probe again.") % {"c": value // 10})
    last = [entry for entry in log if entry.kind == LogEntry.Kind.READING and entry.probe == row.probe]
    if last and elapsed(last[-1].at, row.observed_at) <= QUICK:
        step = value - (last[-1].temperature_dc or 0)
        if abs(step) > BIG_STEP_DC:
            found.append(
                _("Probe %(probe)s moved by %(step)s °C within half an hour. If that is a slip, correct the entry.")
                % {"probe": row.probe, "step": f"{step / 10:+.0f}"}
            )
    return found


def _odd_cone(row: LogEntry, log: Sequence[Entry]) -> list[str]:
    down = str(LogEntry.ConeState.DOWN.label)
    pack = [entry for entry in log if entry.kind == LogEntry.Kind.CONE and entry.pack == row.pack]
    found = []
    if row.cone_state != LogEntry.ConeState.DOWN and any(e.cone == row.cone and e.state == down for e in pack):
        found.append(_("Cone %(cone)s was down already; a cone does not rise again.") % {"cone": row.cone})
    if row.cone_state == LogEntry.ConeState.DOWN:
        standing = {e.cone: e.state for e in pack}
        softer = [
            name
            for name, state in standing.items()
            if state == str(LogEntry.ConeState.STANDING.label) and cones.rank(name) < cones.rank(row.cone)
        ]
        if softer:
            found.append(
                _("Cone %(cone)s is down while %(other)s, which is softer, still stands. Look again.")
                % {"cone": row.cone, "other": softer[0]}
            )
    return found


def _odd_round(row: LogEntry, log: Sequence[Entry]) -> list[str]:
    rounds = [entry for entry in log if entry.kind == LogEntry.Kind.ROUND]
    running = bool(rounds) and rounds[-1].phase == LogEntry.Phase.START
    if row.phase == LogEntry.Phase.START and running:
        return [_("A round was running already; if it had stopped, write down when.")]
    if row.phase == LogEntry.Phase.STOP and not running:
        return [_("No round was running; if one was, write down when it started.")]
    return []


def _odd_stoke(row: LogEntry, log: Sequence[Entry]) -> list[str]:
    if row.pieces is not None and row.pieces > 60:
        return [_("%(n)s pieces in one stoke is a lot. If that is a slip, correct the entry.") % {"n": row.pieces}]
    return []


# --- The page -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class WatchNow:
    """A watch with the names of its crew, whoever leads first."""

    watch: Watch
    crew: tuple[WatchPlace, ...]


@dataclass(frozen=True, slots=True)
class FirePage:
    """Everything on the fire page for one reader."""

    firing: Firing
    state: FireState
    curve: str
    lines: tuple[LogLine, ...]
    number: int
    pages: int
    count: int
    on_watch: WatchNow | None
    next_watch: WatchNow | None
    hand_overs: tuple[HandOver, ...]
    ports: tuple[str, ...]
    packs: tuple[str, ...]
    last_stoke: Entry | None
    last_soda: Entry | None
    last_size: str
    last_soda_form: str
    dampers: tuple[str, ...]
    clock_goes_back: bool
    outlook: FireOutlook | None
    departure: Departure | None


def fire_page(coop: Coop, firing_id: UUID, reader: Membership, *, now: datetime, number: int = 1) -> FirePage:
    """Raises NotFound, and NotAllowed for a guest of another firing. The log is paged by 50, newest first."""
    firing = firing_of(coop, firing_id)
    check_takes_part(reader, firing)
    rows = rows_of(firing)
    entries = entries_of(rows)
    state = state_of(firing, entries, now)
    lines = calm(lines_of(rows))
    pages = max(1, -(-len(lines) // PAGE))
    number = min(max(1, number), pages)
    on_watch, next_watch = watches_now(firing, now)
    log = state.log
    stokes = [entry for entry in log if entry.kind == LogEntry.Kind.STOKE]
    charges = [entry for entry in log if entry.kind == LogEntry.Kind.SODA]
    return FirePage(
        firing=firing,
        state=state,
        curve=curve_of(firing, entries),
        lines=tuple(lines[(number - 1) * PAGE : number * PAGE]),
        number=number,
        pages=pages,
        count=len(lines),
        on_watch=on_watch,
        next_watch=next_watch,
        hand_overs=hand_overs_of(firing),
        ports=_lately(entry.port for entry in [*stokes, *charges]),
        packs=_lately(entry.pack for entry in log if entry.kind == LogEntry.Kind.CONE),
        last_stoke=stokes[-1] if stokes else None,
        last_soda=charges[-1] if charges else None,
        last_size=next((row.wood_size for row in reversed(rows) if row.wood_size), ""),
        last_soda_form=next((row.soda_form for row in reversed(rows) if row.soda_form), ""),
        dampers=_lately(entry.state for entry in log if entry.kind == LogEntry.Kind.DAMPER),
        clock_goes_back=may_need_fold(firing, now),
        outlook=(seen := outlook_of(firing, log, now)),
        departure=departure_of(firing, seen, now),
    )


def curve_of(firing: Firing, entries: Sequence[Entry], *, element_id: str = "curve") -> str:
    """The curve as SVG, over the co-op's local time."""
    charted = cones.equivalent_c(firing.target_cone, SODA_RATE_C_PER_H)
    return curve_svg(
        entries,
        zone=ZoneInfo(firing.coop.time_zone),
        title=_("Firing curve of %(firing)s") % {"firing": firing.name},
        target_c=charted.temp_c,
        element_id=element_id,
    )


def watches_now(firing: Firing, now: datetime) -> tuple[WatchNow | None, WatchNow | None]:
    """The watch at the fire and the one after it, with their crews."""
    near = list(
        Watch.objects.filter(coop=firing.coop_id, firing=firing, ends_at__gt=now).standing().order_by("starts_at")[:2]
    )
    places = WatchPlace.objects.filter(coop=firing.coop_id, watch__in=near, given_up_at=None)
    crews: dict[int, list[WatchPlace]] = {}
    for place in places.select_related("member__person"):
        crews.setdefault(place.watch_id, []).append(place)
    both = [WatchNow(watch, tuple(crews.get(watch.pk, ()))) for watch in near]
    if both and both[0].watch.starts_at <= now:
        return both[0], both[1] if len(both) > 1 else None
    return None, both[0] if both else None


def hand_overs_of(firing: Firing) -> tuple[HandOver, ...]:
    """The last three notes from watch to watch, newest first."""
    return tuple(
        HandOver.objects.filter(coop=firing.coop_id, firing=firing)
        .select_related("outgoing__person", "incoming__person", "watch")
        .order_by("-drafted_at", "-pk")[:3]
    )


def who_wrote(firing: Firing) -> tuple[str, ...]:
    """The names of everybody who wrote in the log."""
    rows = LogEntry.objects.filter(coop=firing.coop_id, firing=firing).order_by()
    return tuple(rows.values_list("by__person__name", flat=True).distinct())


def find_entry(firing: Firing, entry_id: UUID) -> LogEntry:
    """One entry with who wrote it. Raises NotFound."""
    found: LogEntry | None = (
        LogEntry.objects.filter(coop=firing.coop_id, firing=firing, public_id=entry_id)
        .select_related("by__person", "corrects", "logger")
        .first()
    )
    if found is None:
        raise NotFound(_("There is no such entry in the log."))
    return found


def chain_of(firing: Firing, entry: LogEntry) -> list[LogEntry]:
    """The entry with what it corrects and what corrects it, oldest first."""
    rows = rows_of(firing)
    line = next(one for one in lines_of(rows) if entry.pk in {one.entry.pk, *(row.pk for row in one.earlier)})
    return [*line.earlier, line.entry]


def find_hand_over(firing: Firing, hand_over_id: UUID) -> HandOver:
    """One note with who gave and who took it. Raises NotFound."""
    found: HandOver | None = (
        HandOver.objects.filter(coop=firing.coop_id, firing=firing, public_id=hand_over_id)
        .select_related("outgoing__person", "incoming__person", "watch")
        .first()
    )
    if found is None:
        raise NotFound(_("There is no such hand-over here."))
    return found


def in_words(row: LogEntry, person: Any = None) -> str:
    """What an entry says in one line: ``front 1,043 °C``, ``cone 9 (front): half down``, ``soda 250 g at left``."""
    kind = LogEntry.Kind(row.kind)
    say = _SAID.get(kind)
    said = _reading_said(row, person) if kind == LogEntry.Kind.READING else say(row) if say else ""
    if kind == LogEntry.Kind.WEATHER and row.temperature_dc is not None:
        said = f"{_('weather')} {temperature(row.temperature_dc, person)}"
    because = _("because: %(reason)s") % {"reason": row.reason} if row.reason else ""
    return "; ".join(filter(None, (said, row.text, because))) or str(row.get_kind_display())


def _reading_said(row: LogEntry, person: Any) -> str:
    if row.temperature_dc is None:
        return ""
    said = f"{row.probe} {temperature(row.true_dc, person)}"
    if not row.offset_dc:
        return said
    return f"{said} ({_('shown: %(shown)s') % {'shown': temperature(row.temperature_dc, person)}})"


def _cone_said(row: LogEntry) -> str:
    where = ", ".join(filter(None, (row.pack, row.place)))
    return f"{_('cone')} {row.cone}{f' ({where})' if where else ''}: {_state_word(row.cone_state)}" if row.cone else ""


def _stoke_said(row: LogEntry) -> str:
    parts = [str(row.pieces) if row.pieces else "", row.wood_size]
    return f"{_('stoke')}{_at_port(row)}: {' '.join(filter(None, parts))}".rstrip(": ")


def _damper_said(row: LogEntry) -> str:
    air = _("air: %(air)s") % {"air": row.air} if row.air else ""
    said = ", ".join(filter(None, (row.damper, air)))
    return f"{_('damper and air')}: {said}" if said else ""


def _round_said(row: LogEntry) -> str:
    return {"start": _("round started"), "stop": _("round stopped")}.get(row.phase, "")


def _soda_said(row: LogEntry) -> str:
    form = f", {row.get_soda_form_display()}" if row.soda_form else ""
    return f"{_('soda')} {row.grams} g{_at_port(row)}{form}" if row.grams else ""


def _flame_said(row: LogEntry) -> str:
    said = _state(row)
    return f"{_('flame')}: {said}" if said else ""


def _draw_said(row: LogEntry) -> str:
    return f"{_('draw ring')}{f' ({row.place})' if row.place else ''}"


def _decision_said(row: LogEntry) -> str:
    return str(_("decision")) if row.text else ""


def _wood_said(row: LogEntry) -> str:
    amount = [f"{row.kg} kg" if row.kg else "", _("%(n)s pieces") % {"n": row.pieces} if row.pieces else ""]
    said = " ".join(filter(None, (", ".join(filter(None, amount)), row.wood_size)))
    return f"{_('wood brought')}: {said}" if said else ""


def _incident_said(row: LogEntry) -> str:
    return f"{_('incident')}{f' ({row.place})' if row.place else ''}" if row.text else ""


def _at_port(row: LogEntry) -> str:
    return f" {_('at')} {row.port}" if row.port else ""


_SAID: Final[dict[str, Callable[[LogEntry], str]]] = {
    LogEntry.Kind.CONE: _cone_said,
    LogEntry.Kind.STOKE: _stoke_said,
    LogEntry.Kind.DAMPER: _damper_said,
    LogEntry.Kind.ROUND: _round_said,
    LogEntry.Kind.SODA: _soda_said,
    LogEntry.Kind.FLAME: _flame_said,
    LogEntry.Kind.DRAW: _draw_said,
    LogEntry.Kind.DECISION: _decision_said,
    LogEntry.Kind.WOOD: _wood_said,
    LogEntry.Kind.INCIDENT: _incident_said,
}


def _lately(words: Iterable[str]) -> tuple[str, ...]:
    """Each word once, the last used first; at most eight."""
    return tuple(dict.fromkeys(word for word in reversed(list(words)) if word))[:8]


def may_need_fold(firing: Firing, now: datetime) -> bool:
    """Whether some local time since lighting came, or comes within the hour, twice."""
    if firing.lit_at is None:
        return False
    zone = ZoneInfo(firing.coop.time_zone)
    start = max(firing.lit_at, now - timedelta(days=14))
    hours = int(elapsed(start, now) / timedelta(hours=1)) + 2
    moments = [(start + timedelta(hours=h)).astimezone(zone) for h in range(hours)]
    return any(is_ambiguous(moment.date(), moment.time(), zone) for moment in moments)
