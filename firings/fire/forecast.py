"""From a ``fire-log/1`` or ``wood-plan/1`` file to its answer."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

from coop.errors import Malformed, Refused
from firings import exchange
from firings.fire import ahead, cones, progress, wood
from firings.fire.entries import Entry, effective, hours_between, in_round, probes, readings

LOG_SCHEMA: Final = exchange.read_schema(Path(__file__).with_name("fire-log-1.schema.json"))
WOOD_SCHEMA: Final = exchange.read_schema(Path(__file__).with_name("wood-plan-1.schema.json"))
DUE_CONES: Final = 6


@dataclass(frozen=True, slots=True)
class KilnPrior:
    """What is known of the kiln before it burns; hours from lighting to end of fire."""

    target_c: float
    hours_low: float
    hours_likely: float
    hours_high: float
    target_cone: str = ""
    least_rate_c_per_h: float = 20.0
    opening_c: float = 100.0
    ambient_c: float = 20.0
    wood_ready_kg: float | None = None
    kg_per_piece: float | None = None


@dataclass(frozen=True, slots=True)
class FireLog:
    """One fire: its priors, when it was lit and ended, all entries as written, and earlier fires of the kiln."""

    kiln: KilnPrior
    lit_at: datetime
    ended_at: datetime | None
    entries: tuple[Entry, ...]
    past: tuple[FireLog, ...] = ()


def read_fire_log(text: str) -> FireLog:
    """Raises Malformed with one sentence per fault."""
    return _log(exchange.read(text, LOG_SCHEMA), "")


def forecast(log: FireLog) -> dict[str, Any]:
    """Rate, stall, time to target, cones due, wood left and cooling, as plain values for JSON.

    Reckoned at the last entry, for the hottest probe. Raises Refused while there is no reading.
    """
    entries = effective(log.entries)
    series = {probe: readings(entries, probe) for probe in probes(entries)}
    series = {probe: points for probe, points in series.items() if points}
    if not series:
        raise Refused("There is no temperature reading in this log yet; enter one and ask again.")
    now = max(entry.at for entry in entries)
    probe = max(series, key=lambda name: series[name][-1][1])
    climb = progress.rate(series[probe])
    stokes = [entry for entry in entries if entry.kind == "stoke"]
    burning = log.ended_at is None
    stoked = burning and any(now - entry.at <= progress.WINDOW for entry in stokes) and not in_round(entries, now)
    kiln = log.kiln
    seen = _outlook(log, series[probe]) if burning else None
    return {
        "format": "fire-forecast/1",
        "at": now.isoformat(),
        "hours_fired": round(hours_between(log.lit_at, log.ended_at or now), 2),
        "probe": probe,
        "last_c": series[probe][-1][1],
        "rates": {name: _rate(progress.rate(points)) for name, points in series.items()},
        "stalled": burning and progress.stalls(series[probe], kiln.least_rate_c_per_h, stoked=stoked),
        "target": {"c": kiln.target_c, **_ahead(seen.target)} if seen else None,
        "end_of_fire": _ahead(seen.end) if seen else None,
        "end_of_fire_by_plan": _by_plan(log) if burning else None,
        "cones_due": _cones_due(climb, series[probe][-1][1]) if burning else [],
        "cones_down": [
            {"cone": entry.cone, "pack": entry.pack, "at": entry.at.isoformat()}
            for entry in entries
            if entry.kind == "cone" and entry.state == "down"
        ],
        "wood": _wood(log, stokes, now),
        "soda_g": sum(entry.grams or 0 for entry in entries if entry.kind == "soda"),
        "cooling": _cooling(series[probe], kiln) if not burning else None,
        "based_on": seen.target.based_on if seen else None,
    }


def read_wood_plan(text: str) -> wood.WoodPlan:
    """The plan for a ``wood-plan/1`` file. Raises Malformed with one sentence per fault."""
    document = exchange.read(text, WOOD_SCHEMA)
    need = document["kg_per_m3"]
    low, likely, high = need.get("low"), need["likely"], need.get("high")
    faults = []
    if (low is not None and low > likely) or (high is not None and high < likely):
        faults.append("kg_per_m3: low, likely and high must rise; put them in order.")
    shares = document.get("size_classes", {})
    if shares and abs(sum(shares.values()) - 1) > 1e-6:
        faults.append("size_classes: the shares must add up to 1; correct them.")
    for place, stack in enumerate(document["stacks"]):
        faults += _named(f"stacks[{place}].species", stack["species"])
        if shares and stack["size_class"] not in shares:
            faults.append(f"stacks[{place}].size_class: “{stack['size_class']}” has no share in size_classes; add one.")
    faults += _named("buy_species", document.get("buy_species", "pine"))
    if faults:
        raise Malformed(faults)
    return wood.plan(
        volume_m3=document["volume_m3"],
        kg_per_m3=likely,
        kg_per_m3_low=low,
        kg_per_m3_high=high,
        stacks=[wood.Stack(**stack) for stack in document["stacks"]],
        size_class_share=shares,
        buy_species=document.get("buy_species", "pine"),
        m3_per_work_hour=document.get("m3_per_work_hour", 0.5),
    )


def wood_answer(plan: wood.WoodPlan) -> dict[str, Any]:
    """The plan as plain values for JSON, rounded to what can be weighed or stacked."""
    return {
        "format": "wood-need/1",
        "need_kg": round(plan.need_kg),
        "need_low_kg": round(plan.need_low_kg),
        "need_high_kg": round(plan.need_high_kg),
        "need_mj": round(plan.need_mj),
        "ready_kg": round(plan.ready_kg),
        "stacks_kg": [round(kg) for kg in plan.stacks_kg],
        "short_kg": round(plan.short_kg),
        "short_stacked_m3": round(plan.short_stacked_m3, 2),
        "short_cords": round(wood.m3_to_cords(plan.short_stacked_m3), 2),
        "short_by_size_class_kg": {name: round(kg) for name, kg in plan.by_size_class_kg.items()},
        "work_hours": round(plan.work_hours, 1),
        "warnings": list(plan.warnings),
    }


def as_json(answer: Mapping[str, Any]) -> str:
    return json.dumps(answer, ensure_ascii=False, indent=2)


def _log(document: Mapping[str, Any], where: str) -> FireLog:
    faults: list[str] = []

    def moment(text: str, name: str) -> datetime:
        try:
            found = datetime.fromisoformat(text)
        except ValueError:
            found = None
        if found is None or found.tzinfo is None:
            faults.append(f"{where}{name}: “{text}” is no moment with offset; write it like 2026-03-14T18:30:00+01:00.")
            return datetime.fromisoformat("2000-01-01T00:00:00+00:00")
        return found

    lit_at = moment(document["lit_at"], "lit_at")
    ended_at = moment(document["ended_at"], "ended_at") if "ended_at" in document else None
    entries = []
    for place, raw in enumerate(document["entries"]):
        fields = {key: value for key, value in raw.items() if key not in {"at", "c"}}
        entry = Entry(
            at=moment(raw["at"], f"entries[{place}].at"),
            temperature_dc=round(raw["c"] * 10) if "c" in raw else None,
            **fields,
        )
        if entry.kind == "cone" and entry.cone:
            faults += _cone_fault(f"{where}entries[{place}].cone", entry.cone)
        entries.append(entry)
    kiln, hours = document["kiln"], document["kiln"]["hours"]
    if not hours["low"] <= hours["likely"] <= hours["high"]:
        faults.append(f"{where}kiln.hours: low, likely and high must rise; put them in order.")
    if "target_cone" in kiln:
        faults += _cone_fault(f"{where}kiln.target_cone", kiln["target_cone"])
    if not faults and ended_at is not None and ended_at <= lit_at:
        faults.append(f"{where}ended_at: the end of fire comes before lit_at; correct one of them.")
    past: list[FireLog] = []
    for place, earlier in enumerate(document.get("past", ())):
        try:
            past.append(_log(earlier, f"{where}past[{place}]."))
        except Malformed as malformed:
            faults += malformed.faults
    if faults:
        raise Malformed(faults)
    told = {key: kiln[key] for key in kiln if key not in {"name", "hours", "volume_m3"}}
    prior = KilnPrior(hours_low=hours["low"], hours_likely=hours["likely"], hours_high=hours["high"], **told)
    return FireLog(prior, lit_at, ended_at, tuple(entries), tuple(past))


def _cone_fault(where: str, cone: str) -> list[str]:
    try:
        cones.rank(cone)
    except Refused as refused:
        return [f"{where}: {refused}"]
    return []


def _named(where: str, species: str) -> list[str]:
    try:
        wood.species_named(species)
    except Refused as refused:
        return [f"{where}: {refused}"]
    return []


def _rate(climb: progress.Rate | None) -> dict[str, float] | None:
    if climb is None:
        return None
    return {
        "c_per_h": round(climb.c_per_h, 1),
        "low": round(climb.low, 1),
        "high": round(climb.high, 1),
        "readings": climb.readings,
    }


def _outlook(log: FireLog, points: Sequence[progress.Reading]) -> ahead.Outlook | None:
    return ahead.outlook(
        points,
        lit_at=log.lit_at,
        target_c=log.kiln.target_c,
        hours_to_end=log.kiln.hours_likely,
        earlier=[one for past in log.past if (one := _earlier(past, log.kiln.target_c)) is not None],
    )


def _earlier(log: FireLog, target_c: float) -> ahead.Earlier | None:
    """What an earlier log teaches, by the probe that came highest; None where it never came near the target."""
    entries = effective(log.entries)
    series = max((readings(entries, probe) for probe in probes(entries)), key=_highest, default=[])
    course = ahead.course_of(series, log.lit_at, target_c)
    if course is None:
        return None
    ended = log.ended_at or series[-1][0]
    return ahead.Earlier(course, max(hours_between(log.lit_at, ended) - course.to_target, 0.0))


def _highest(points: Sequence[progress.Reading]) -> float:
    return max((c for _, c in points), default=-math.inf)


def _ahead(due: ahead.Ahead) -> dict[str, str]:
    """The moment, and the moments within which it lies with 80 and with 50 %."""
    earliest, latest = due.span(due.most)
    half = due.span(due.half)
    moments = {"likely": due.likely, "earliest": earliest, "latest": latest, "half_from": half[0], "half_to": half[1]}
    return {name: moment.isoformat(timespec="minutes") for name, moment in moments.items()}


def _due(due: progress.Due | None) -> dict[str, str | None]:
    moments = (due.likely, due.earliest, due.latest) if due else (None, None, None)
    told = [moment.isoformat(timespec="minutes") if moment else None for moment in moments]
    return dict(zip(("likely", "earliest", "latest"), told, strict=True))


def _by_plan(log: FireLog) -> dict[str, str]:
    hours = (log.kiln.hours_likely, log.kiln.hours_low, log.kiln.hours_high)
    told = [(log.lit_at + timedelta(hours=one)).isoformat(timespec="minutes") for one in hours]
    return dict(zip(("likely", "earliest", "latest"), told, strict=True))


def _cones_due(climb: progress.Rate | None, last_c: float) -> list[dict[str, Any]]:
    """Cones still to come at the present climb, each with its 80 % span; None where the climb may never reach it."""
    if climb is None or climb.c_per_h <= 0:
        return []
    rows = []
    for name in cones.CONES:
        told = cones.equivalent_c(name, climb.c_per_h)
        if told.temp_c is not None and told.temp_c > last_c:
            due = _due(progress.time_to(climb, told.temp_c))
            rows.append({"cone": name, "c": round(told.temp_c), "beyond_chart": told.beyond_chart, **due})
    return rows[:DUE_CONES]


def _wood(log: FireLog, stokes: Sequence[Entry], now: datetime) -> dict[str, Any]:
    pieces = sum(entry.pieces or 0 for entry in stokes)
    told: dict[str, Any] = {"stokes": len(stokes), "pieces": pieces, "left_kg": None, "hours_left": None}
    kiln = log.kiln
    if kiln.wood_ready_kg is not None and kiln.kg_per_piece is not None:
        burnt = pieces * kiln.kg_per_piece
        left = max(0.0, kiln.wood_ready_kg - burnt)
        hours = wood.hours_left(left, burnt, hours_between(log.lit_at, log.ended_at or now))
        told |= {"left_kg": round(left), "hours_left": None if hours is None else round(hours, 1)}
    return told


def _cooling(points: Sequence[progress.Reading], kiln: KilnPrior) -> dict[str, Any] | None:
    found = progress.cooling(points, ambient_c=kiln.ambient_c, opening_c=kiln.opening_c)
    if found is None:
        return None
    moments = {
        "below_at": found.below_at,
        "earliest": found.earliest,
        "latest": found.latest,
        "half_from": found.half[0],
        "half_to": found.half[1],
    }
    return {
        "k_per_h": round(found.k_per_h, 5),
        "opening_c": kiln.opening_c,
        **{name: moment.isoformat(timespec="minutes") for name, moment in moments.items()},
        "based_on": found.based_on,
    }
