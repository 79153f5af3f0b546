"""Entries of the firing log as plain values, with corrections applied."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

KINDS: Final = (
    "reading",
    "cone",
    "stoke",
    "damper",
    "round",
    "soda",
    "flame",
    "draw",
    "weather",
    "decision",
    "wood",
    "incident",
    "note",
)


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the log; fields that a kind does not use stay empty.

    reading: ``probe``, ``temperature_dc`` (tenths of °C, the probe's offset ``offset_dc`` in it) · cone: ``cone``,
    ``pack``, ``place``, ``state`` (soft, bending, down) · stoke: ``port``, ``pieces`` · damper: ``state`` · round:
    ``phase`` (start, stop) · soda: ``grams``, ``port`` · flame: ``state`` · draw: ``place``, ``text`` · weather:
    ``temperature_dc``, ``text`` · decision: ``text``, ``reason`` · wood: ``kg``, ``pieces`` · incident and note:
    ``text``. ``corrects`` is the id of the entry this one replaces; ``struck`` takes it out.
    """

    at: datetime
    kind: str
    probe: str = ""
    temperature_dc: int | None = None
    cone: str = ""
    pack: str = ""
    state: str = ""
    port: str = ""
    pieces: int | None = None
    grams: int | None = None
    phase: str = ""
    place: str = ""
    offset_dc: int = 0
    kg: int | None = None
    reason: str = ""
    text: str = ""
    by: str = ""
    id: str = ""
    corrects: str = ""
    struck: bool = False

    @property
    def temperature_c(self) -> float | None:
        return None if self.temperature_dc is None else self.temperature_dc / 10


def effective(entries: Iterable[Entry]) -> list[Entry]:
    """What the log says now, oldest first: of each entry only the last correction counts.

    A correction may itself be corrected; one that points at nothing known counts as an entry of its own.
    "Last" is the order given, which is the order of writing.
    """
    written = list(entries)
    origin: dict[str, str] = {}
    latest: dict[str, Entry] = {}
    for place, entry in enumerate(written):
        own = entry.id or f"#{place}"
        root = origin.get(entry.corrects, own) if entry.corrects else own
        origin[own] = root
        latest[root] = entry
    return sorted((entry for entry in latest.values() if not entry.struck), key=lambda entry: entry.at)


def readings(entries: Sequence[Entry], probe: str | None = None) -> list[tuple[datetime, float]]:
    """Moments and °C of the readings, of one probe if named; oldest first."""
    return sorted(
        (entry.at, entry.temperature_c)
        for entry in entries
        if entry.kind == "reading" and entry.temperature_c is not None and (probe is None or entry.probe == probe)
    )


def probes(entries: Sequence[Entry]) -> list[str]:
    """Names of the probes that were read, in order of their first reading."""
    return list(dict.fromkeys(entry.probe for entry in entries if entry.kind == "reading"))


def in_round(entries: Sequence[Entry], now: datetime, *, after: timedelta = timedelta(minutes=30)) -> bool:
    """Whether a body reduction runs at ``now`` or ended so lately that a held fire says nothing."""
    rounds = [entry for entry in entries if entry.kind == "round" and entry.at <= now]
    return bool(rounds) and (rounds[-1].phase == "start" or now - rounds[-1].at <= after)


def hours_between(start: datetime, end: datetime) -> float:
    """Elapsed hours between two moments, negative if ``end`` comes first."""
    return (end - start) / timedelta(hours=1)
