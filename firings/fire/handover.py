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
    """One sentence per subject, corrections applied: how it stands, and what changed from ``since`` on.

    Stokes, damper moves, decisions, incidents and notes are told from ``since`` on; readings, cones and soda with what
    they have become since then. ``clock`` writes a moment in the co-op's zone. The crew edits the draft.
    """
    log = [entry for entry in effective(entries) if entry.at <= now]
    lines = [
        *_temperatures(log, since, clock),
        *_damper(log, since, clock),
        *_stokes([entry for entry in log if entry.at >= since], since, clock),
        *_cones(log, since, clock),
        *_soda(log, since, clock),
        *_rounds(log, now, clock),
        *_decisions([entry for entry in log if entry.at >= since], clock),
        *_notes([entry for entry in log if entry.at >= since], clock),
    ]
    return lines or [f"Nothing is in the log up to {clock(now)}; say how the fire stands."]


def _temperatures(log: Sequence[Entry], since: datetime, clock: Clock) -> list[str]:
    lines = []
    for probe in probes(log):
        series = readings(log, probe)
        if not series:
            continue
        at, value = series[-1]
        trend = _trend(series)
        lines.append(
            f"{_named('Probe', probe)} reads {value:.0f} °C at {clock(at)}{trend}{_moved(series, since, clock)}."
        )
    return lines


def _moved(series: Sequence[tuple[datetime, float]], since: datetime, clock: Clock) -> str:
    """By how much it has moved since the last hand-over, where it was read before that."""
    before = [value for at, value in series if at <= since]
    if not before or series[-1][0] <= since:
        return ""
    step = series[-1][1] - before[-1]
    return f"; {abs(step):.0f} °C {'up' if step >= 0 else 'down'} since {clock(since)}"


def _trend(series: list[tuple[datetime, float]]) -> str:
    climb = rate(series)
    if climb is None:
        return ", too few readings for a rate"
    if abs(climb.c_per_h) < 5:
        return ", holding"
    return f", {'rising' if climb.c_per_h > 0 else 'falling'} {abs(climb.c_per_h):.0f} °C/h"


def _damper(log: Sequence[Entry], since: datetime, clock: Clock) -> list[str]:
    moves = [entry for entry in log if entry.kind == "damper"]
    if not moves:
        return []
    earlier = [entry for entry in moves[:-1] if entry.at >= since]
    tried = "; before that " + ", ".join(f"{one.state or one.text} ({clock(one.at)})" for one in earlier)
    return [f"Damper: {moves[-1].state or moves[-1].text} since {clock(moves[-1].at)}{tried if earlier else ''}."]


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


def _cones(log: Sequence[Entry], since: datetime, clock: Clock) -> list[str]:
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
        went = [entry.cone for entry in here if entry.at >= since and entry.state == "down"]
        if went and any(entry.at < since for entry in log):
            lines.append(f"Gone down since {clock(since)}{f', {pack}' if pack else ''}: {', '.join(went)}.")
    return lines


def _soda(log: Sequence[Entry], since: datetime, clock: Clock) -> list[str]:
    charges = [entry for entry in log if entry.kind == "soda"]
    if not charges:
        return []
    total = sum(entry.grams or 0 for entry in charges)
    late = sum(entry.grams or 0 for entry in charges if entry.at >= since)
    of_late = f", {late} g of it since {clock(since)}" if 0 < late < total else ""
    return [f"Soda so far: {total} g in {len(charges)} charges, last at {clock(charges[-1].at)}{of_late}."]


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
