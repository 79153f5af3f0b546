"""Invented fires by heat balance: stokes, damp wood, tired crews, stalls and faulty probes, each from a seed.

Two masses (setting with inner brick; outer brick) gain from burning wood and lose through flue and wall. The crew
stokes towards a wished climb with a hold for the body reduction. Heat is counted in degrees of the inner mass, so a
kiln is a handful of rates per hour; wood heats by q = q0 (1 - M) - 2.443 M (MJ/kg, M on wet mass). Readings come
every 5 to 12 minutes, as from a probe reader or a crew that watches closely.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from random import Random

STEP_H = 1 / 30
LIT_AT = datetime(2026, 4, 10, 6, tzinfo=UTC)
AIR_C = 12.0
Q0, STEAM = 18.5, 2.443


@dataclass(frozen=True)
class KilnKind:
    """A kiln and its crew's habits; rates per hour."""

    target_c: float
    wished_c_per_h: float  # climb the crew aims at above red heat
    most_power: float  # °C of the inner mass per hour, dry wood, door wide
    wall: float
    to_brick: float
    brick_mass: float
    hold_c: float
    hold_h: float
    soak_h: float
    least_c_per_h: float
    plan_error: float
    slow_from_c: float = math.inf  # from here the crew means to climb slowly, for ash and flame rather than heat
    slow_c_per_h: float = 0.0
    ash_h: float = 0.0  # instead of a slow climb: hours the crew means to hold for ash on the last of the way


@dataclass
class Fire:
    """What happened (``true``: hour, °C each step) and what was read (hour, probe, °C); hours from lighting."""

    kiln: KilnKind
    true: list[tuple[float, float]] = field(default_factory=list)
    readings: list[tuple[float, str, float]] = field(default_factory=list)
    stokes: list[tuple[float, int]] = field(default_factory=list)
    rounds: list[tuple[float, float]] = field(default_factory=list)
    stall: tuple[float, float] | None = None
    target_h: float = math.nan
    end_h: float = math.nan


def kiln_of(seed: int) -> KilnKind:
    chance = Random(f"kiln {seed}")
    wished = math.exp(chance.uniform(math.log(35), math.log(130)))
    wall, to_brick = chance.uniform(0.012, 0.03), chance.uniform(0.03, 0.09)
    target = chance.uniform(1230, 1300)
    losses = wall * target + to_brick * target * 0.45 + wished * chance.uniform(0.5, 0.8)
    slow = chance.random() < 0.35
    slow_from_c = chance.uniform(900, target - 60) if slow else math.inf
    # Long firings for ash are fired by the clock: near the top the crew spreads what is left of the climb over hours
    # or days (practice: 60 to 100 h, cones fall far below their charted temperature). One kiln in five, drawn apart.
    ash = Random(f"ash {seed}")
    ash_h = 0.0
    if ash.random() < 0.2:
        ash_h, slow_from_c = math.exp(ash.uniform(math.log(6), math.log(60))), ash.uniform(950, target - 25)
    return KilnKind(
        ash_h=ash_h,
        slow_from_c=slow_from_c,
        slow_c_per_h=math.exp(chance.uniform(math.log(3), math.log(25))),
        target_c=round(target),
        wished_c_per_h=wished,
        most_power=losses / (1 - target / 1900) * chance.uniform(1.05, 1.2),
        wall=wall,
        to_brick=to_brick,
        brick_mass=chance.uniform(1.5, 4),
        hold_c=chance.uniform(880, 960),
        hold_h=chance.uniform(0.4, 1.6),
        soak_h=chance.uniform(0.4, 2.5),
        least_c_per_h=min(20.0, wished / 3),
        plan_error=math.exp(chance.gauss(0, 0.12)),
    )


def fire_of(kiln: KilnKind, seed: int, *, stalls: bool | None = None) -> Fire:
    """One fire of a kiln; ``stalls`` None leaves that to the seed."""
    chance = Random(f"fire {seed}")
    will_stall = chance.random() < 0.35 if stalls is None else stalls
    moisture = chance.uniform(0.12, 0.32)
    wood = (Q0 * (1 - moisture) - STEAM * moisture) / (Q0 * 0.82 - STEAM * 0.18)
    pace = math.exp(chance.gauss(0, 0.13))
    hold_h = kiln.hold_h * chance.uniform(0.6, 1.6)
    stall_c, stall_h = chance.uniform(700, kiln.target_c - 90), chance.uniform(1.0, 3.0)
    choke = chance.uniform(0.25, 0.5)
    fire = Fire(kiln)
    inner = outer = AIR_C
    burning, hour, vigour, hold_began, stall_began = 0.0, 0.0, 1.0, None, None
    soak = kiln.soak_h * chance.uniform(0.7, 1.4)
    aim, next_stoke, slow_began, trim = 0.0, 0.0, math.nan, 0.0
    while hour < 160:
        fire.true.append((hour, inner))
        if math.isnan(fire.target_h) and inner >= kiln.target_c:
            fire.target_h = hour
        if not math.isnan(fire.target_h) and hour >= fire.target_h + soak:
            break
        if inner >= kiln.hold_c and hold_began is None:
            hold_began = hour
            fire.rounds.append((hour, hour + hold_h))
        holding = hold_began is not None and hour < hold_began + hold_h
        if math.isnan(slow_began) and inner >= kiln.slow_from_c:
            slow_began = hour
        wished = _wished(kiln, inner, hour - slow_began, pace) if math.isnan(fire.target_h) else 4.0
        if slow_began <= hour and math.isnan(fire.target_h):  # who means to climb slowly watches the climb
            half_hour = fire.true[max(len(fire.true) - 1 - round(0.5 / STEP_H), 0)][1]
            trim = max(min(trim + 0.06 * (wished - (inner - half_hour) / 0.5), 40.0), -150.0)
            wished += trim
        if holding:
            wished = 5.0
        held = hold_began is not None and hour < hold_began + hold_h + 1.0
        if will_stall and stall_began is None and inner >= stall_c and not held:
            stall_began = hour
        stalled = stall_began is not None and hour < stall_began + stall_h
        vigour = min(1.15, max(0.7, vigour + chance.gauss(0, 0.015) + 0.01 * (1 - vigour)))
        aim += 0.5 * (wished - aim)
        losing = kiln.wall * (inner - AIR_C) + kiln.to_brick * (inner - outer)
        draught = 1 - inner / 1900
        if hour >= next_stoke:
            needed = min((aim + losing) / draught * vigour, kiln.most_power)
            wants = max(0.0, needed * 0.4 - burning * 0.35)
            burning += wants
            pieces = max(1, round(wants / kiln.most_power * 25))
            fire.stokes.append((hour, pieces))
            next_stoke = hour + chance.uniform(0.1, 0.25)
        burnt = burning * STEP_H / 0.4
        burning -= burnt
        gain = burnt * draught * wood * (choke if stalled else 1.0)
        inner += gain - losing * STEP_H
        outer += kiln.to_brick * (inner - outer) / kiln.brick_mass * STEP_H - 0.01 * (outer - AIR_C) * STEP_H
        hour += STEP_H
    fire.end_h = hour
    if stall_began is not None:
        fire.stall = _true_stall(fire, stall_began, stall_began + stall_h)
    _read(fire, chance)
    return fire


def _wished(kiln: KilnKind, inner: float, slow_h: float, pace: float) -> float:
    """Slow through water smoking and quartz inversion, then as fast as the crew means to.

    ``slow_h`` is how long the slow end of the way has lasted. A crew that holds for ash climbs half as fast again as
    an even climb would at first, and ever slower, until its hours are over.
    """
    if inner < 120:
        return min(kiln.wished_c_per_h, 45) * pace
    if inner < 600:
        return kiln.wished_c_per_h * 0.9 * pace
    if inner < kiln.slow_from_c and not slow_h > 0:
        return kiln.wished_c_per_h * pace
    if kiln.ash_h:
        left_h = max(kiln.ash_h / pace - slow_h, 1.0)
        return min(1.5 * max(kiln.target_c - inner, 5.0) / left_h, kiln.wished_c_per_h * pace)
    return kiln.slow_c_per_h * pace


def _true_stall(fire: Fire, begin: float, end: float) -> tuple[float, float] | None:
    """The hours within which the half-hourly rate lay under the least rate, if 45 minutes or more."""
    lag = round(0.25 / STEP_H)
    slow = [
        fire.true[at][0]
        for at in range(lag, len(fire.true) - lag)
        if begin <= fire.true[at][0] <= end + 0.5
        and (fire.true[at + lag][1] - fire.true[at - lag][1]) / (2 * lag * STEP_H) < fire.kiln.least_c_per_h * 0.75
    ]
    return (slow[0], slow[-1]) if slow and slow[-1] - slow[0] >= 0.75 else None


def _read(fire: Fire, chance: Random) -> None:
    noise, step = chance.uniform(1.0, 3.5), chance.choice((1, 1, 5))
    offset, lag_c = chance.gauss(0, 6), chance.uniform(15, 70)
    every = chance.uniform(0.08, 0.2)
    silent_from = chance.uniform(0.3, 0.9) * fire.end_h if chance.random() < 0.15 else math.inf
    silent_h, drift = chance.uniform(0.7, 2.5), chance.uniform(-0.6, 0.6)
    hour = 0.05
    while hour < fire.end_h:
        c = fire.true[min(round(hour / STEP_H), len(fire.true) - 1)][1]
        if not silent_from <= hour < silent_from + silent_h:
            wild = chance.choice((-180, -60, 70, 150)) if chance.random() < 0.006 else 0
            seen = c + offset * min(c / 800, 1) + drift * hour / 10 + chance.gauss(0, noise) + wild
            fire.readings.append((hour, "front", float(round(seen / step) * step)))
            if chance.random() < 0.8:
                back = c - lag_c * min(1.0, c / 600) + chance.gauss(0, noise)
                fire.readings.append((hour + 0.02, "back", float(round(back / step) * step)))
        hour += every * chance.uniform(0.7, 1.4)


def planned_hours(kiln: KilnKind, seed: int) -> float:
    """What the co-op puts into the kiln's sheet: hours to the target of a usual fire, off by its habit."""
    usual = sorted(fire_of(kiln, 1_000_000 + seed * 10 + one).target_h for one in range(3))
    return usual[1] * kiln.plan_error


def true_rate(fire: Fire, hour: float, *, over: float = 0.5) -> float:
    """°C per hour over the time before ``hour``, without any probe's noise."""
    now, before = (min(max(round(one / STEP_H), 0), len(fire.true) - 1) for one in (hour, hour - over))
    return (fire.true[now][1] - fire.true[before][1]) / over


def at(hour: float) -> datetime:
    return LIT_AT + timedelta(hours=hour)


__all__ = ["Fire", "KilnKind", "at", "fire_of", "kiln_of", "planned_hours", "true_rate"]
