"""Invented kilns that cool: two masses, a wall and a damper that leaks while it is hot, read every few hours.

Newton's law is not put in: the setting cools fast into the brick at first, then slowly with it. Hours from the end
of fire to 100 °C come out as 40 to 125, as published: two days for a small kiln, five for two chambers.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from random import Random

ENDED_AT = datetime(2026, 4, 11, 6, tzinfo=UTC)
STEP_H = 0.05
OPENING_C = 100.0
ASSUMED_AIR_C = 15.0


def cooled(seed: int) -> tuple[list[tuple[float, float]], float]:
    """Readings (hours since the end of fire, °C) of one kiln, and the hour at which it is below OPENING_C."""
    chance = Random(f"cooling {seed}")
    wall, to_brick = chance.uniform(0.01, 0.03), chance.uniform(0.05, 0.2)
    brick_mass, leak = chance.uniform(0.7, 2.5), chance.uniform(0.02, 0.07)
    draught, air = chance.uniform(0, 0.05), chance.uniform(0, 25)
    inner = chance.uniform(1180, 1300)
    outer = air + (inner - air) * chance.uniform(0.35, 0.7)
    every, noise = chance.uniform(0.5, 6), chance.uniform(1, 3)
    readings: list[tuple[float, float]] = []
    hour, due = 0.0, 0.0
    while inner > OPENING_C - 15:
        if hour >= due:
            readings.append((hour, inner + chance.gauss(0, noise)))
            due = hour + every * chance.uniform(0.6, 1.5)
        losing = (wall + draught * max(inner - air, 0) / 1200) * (inner - air) + to_brick * (inner - outer)
        outer += (to_brick * (inner - outer) / brick_mass - leak * (outer - air)) * STEP_H
        if inner > OPENING_C >= inner - losing * STEP_H:
            cool_h = hour + STEP_H
        inner -= losing * STEP_H
        hour += STEP_H
    return readings, cool_h


def at(hour: float) -> datetime:
    return ENDED_AT + timedelta(hours=hour)


def moments(seeds: range) -> list[tuple[list[tuple[datetime, float]], float]]:
    """Readings so far and hours left, at each reading from the third on until it is cool."""
    found = []
    for seed in seeds:
        readings, cool_h = cooled(seed)
        found += [
            ([(at(h), c) for h, c in readings[: upto + 1]], cool_h - readings[upto][0])
            for upto in range(2, len(readings))
            if readings[upto][0] < cool_h and readings[upto][1] > OPENING_C
        ]
    return found
