"""A hand-over note drafted from the log: where the fire stands, in sentences the next crew can read."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta

from firings.fire.cones import CONES
from firings.fire.entries import Entry, effective, probes, readings
from firings.fire.progress import rate

Clock = Callable[[datetime], str]


def draft(
    entries: Sequence[Entry],
    *,
    now: datetime,
    since: datetime,
    clock: Clock = lambda moment: f"{moment:%H:%M} UTC",
) -> list[str]:
    """One sentence per subject, corrections applied; stokes and notes only from ``since`` on.

    ``clock`` writes a moment in the co-op's zone. The crew edits the draft before it is handed over.
    """
    log = [entry for entry in effective(entries) if entry.at <= now]
    lines = [
        *_temperatures(log, clock),
        *_damper(log, clock),
        *_stokes([entry for entry in log if entry.at >= since], since, clock),
        *_cones(log, clock),
        *_soda(log, clock),
        *_rounds(log, now, clock),
        *_decisions([entry for entry in log if entry.at >= since], clock),
        *_notes([entry for entry in log if entry.at >= since], clock),
    ]
    return lines or [f"Nothing is in the log up to {clock(now)}; say how the fire stands."]


def _temperatures(log: Sequence[Entry], clock: Clock) -> list[str]:
    lines = []
    for probe in probes(log):
        series = readings(log, probe)
        if not series:
            continue
        at, value = series[-1]
        trend = _trend(series)
        lines.append(f"{_named('Probe', probe)} reads {value:.0f} °C at {clock(at)}{trend}.")
    return lines


def _trend(series: list[tuple[datetime, float]]) -> str:
    climb = rate(series)
    if climb is None:
        return ", too few readings for a rate"
    if abs(climb.c_per_h) < 5:
        return ", holding"
    return f", {'rising' if climb.c_per_h > 0 else 'falling'} {abs(climb.c_per_h):.0f} °C/h"


def _damper(log: Sequence[Entry], clock: Clock) -> list[str]:
    moves = [entry for entry in log if entry.kind == "damper"]
    if not moves:
        return []
    return [f"Damper: {moves[-1].state or moves[-1].text} since {clock(moves[-1].at)}."]


def _stokes(recent: Sequence[Entry], since: datetime, clock: Clock) -> list[str]:
    stokes = [entry for entry in recent if entry.kind == "stoke"]
    if not stokes:
        return []
    lines = []
    for port in dict.fromkeys(entry.port for entry in stokes):
        here = [entry for entry in stokes if entry.port == port]
        thrown = sum(entry.pieces or 0 for entry in here)
        amount = f", {thrown} pieces" if thrown else ""
        where = f" at {port}" if port else ""
        lines.append(f"Stoked {_times(len(here))}{where} since {clock(since)}{amount}, last at {clock(here[-1].at)}.")
    return lines


def _cones(log: Sequence[Entry], clock: Clock) -> list[str]:
    seen: dict[tuple[str, str], Entry] = {}
    for entry in log:
        if entry.kind == "cone":
            seen[entry.pack, entry.cone] = entry
    order = {name: place for place, name in enumerate(CONES)}
    lines = []
    for pack in dict.fromkeys(pack for pack, _ in seen):
        here = sorted(
            (entry for (where, _), entry in seen.items() if where == pack),
            key=lambda entry: order.get(entry.cone, -1),
        )
        told = ", ".join(f"{entry.cone} {entry.state or 'seen'} ({clock(entry.at)})" for entry in here)
        lines.append(f"Cones{f' in the {pack} pack' if pack else ''}: {told}.")
    return lines


def _soda(log: Sequence[Entry], clock: Clock) -> list[str]:
    charges = [entry for entry in log if entry.kind == "soda"]
    if not charges:
        return []
    total = sum(entry.grams or 0 for entry in charges)
    return [f"Soda so far: {total} g in {len(charges)} charges, last at {clock(charges[-1].at)}."]


def _rounds(log: Sequence[Entry], now: datetime, clock: Clock) -> list[str]:
    rounds = [entry for entry in log if entry.kind == "round"]
    if not rounds:
        return []
    last = rounds[-1]
    if last.phase == "start":
        return [f"A round has been running for {_minutes(now - last.at)}, since {clock(last.at)}."]
    return [f"The last round ended at {clock(last.at)}, {_minutes(now - last.at)} ago."]


def _decisions(recent: Sequence[Entry], clock: Clock) -> list[str]:
    return [
        f"Decided at {clock(entry.at)}{_by(entry)}: {entry.text}"
        + (f" Because: {entry.reason}" if entry.reason else "")
        for entry in recent
        if entry.kind == "decision"
    ] + [f"Incident at {clock(entry.at)}{_by(entry)}: {entry.text}" for entry in recent if entry.kind == "incident"]


def _by(entry: Entry) -> str:
    return f" by {entry.by}" if entry.by else ""


def _notes(recent: Sequence[Entry], clock: Clock) -> list[str]:
    return [
        f"Note at {clock(entry.at)}{_by(entry)}: {entry.text}"
        for entry in recent
        if entry.kind == "note" and entry.text
    ]


def _minutes(length: timedelta) -> str:
    minutes = int(length.total_seconds()) // 60
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _named(what: str, name: str) -> str:
    return f"{what} {name}" if name else what
