"""Fits firings/fire/ahead_weights.json and progress.COOLED to simulated fires: python -m tests.bench.tune_fire"""

from __future__ import annotations

import json
import math
from datetime import timedelta
from pathlib import Path
from random import Random
from statistics import fmean

import highspy
import numpy as np

from firings.fire import ahead, progress
from tests.bench import simulated_cooling
from tests.bench import simulated_fires as sim

KILNS, SEED = range(360), 50_000
EDGES = (0.3, 0.5, 0.65, 0.75, 0.85, 0.92, 0.97, 1.01)  # of the target temperature
DIGITS = 4


def readings_of(fire, until=math.inf, probe="front"):
    return [(sim.at(hour), c) for hour, name, c in fire.readings if name == probe and hour <= until]


def cases(kilns, seed):
    """Readings so far, kiln, hours of its sheet, earlier courses, hours left, share of the way: two fires a kiln."""
    for one in kilns:
        kiln = sim.kiln_of(seed + one)
        likely = sim.planned_hours(kiln, seed + one)
        fires = [sim.fire_of(kiln, (seed + one) * 100 + number) for number in range(2 + (0, 0, 1, 2, 4, 5)[one % 6])]
        fires = [fire for fire in fires if not math.isnan(fire.target_h)]
        past = [course for fire in fires[2:] if (course := course_of(fire))]
        for fire in fires[:2]:
            for part in range(1, 20):
                seen = readings_of(fire, fire.target_h * part / 20)
                if len(seen) > 3:
                    yield seen, kiln, likely, past, fire.target_h - hours(seen[-1][0]), part / 20


def thinned(seen, key):
    """Two crews in five read by hand, once an hour or every two hours; at least four readings stay."""
    every = Random(key).choice((0, 0, 0, 1.0, 2.0))
    kept = []
    for at, c in seen:
        if not kept or at - kept[-1][0] >= timedelta(hours=every):
            kept.append((at, c))
    if kept[-1] != seen[-1]:
        kept.append(seen[-1])
    return kept if len(kept) >= 4 else seen


def course_of(fire):
    return ahead.course_of(readings_of(fire), sim.LIT_AT, fire.kiln.target_c)


def hours(moment):
    return (moment - sim.LIT_AT).total_seconds() / 3600


def quantile_fit(told, left, share):
    """Weights of the linear quantile regression (Koenker and Bassett 1978), from its dual linear program."""
    rows, columns = told.shape
    program = highspy.HighsLp()
    program.num_col_, program.num_row_ = rows, columns
    program.col_cost_, program.col_lower_, program.col_upper_ = -left, np.zeros(rows), np.ones(rows)
    program.row_lower_ = program.row_upper_ = (1 - share) * told.sum(0)
    program.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    program.a_matrix_.start_ = np.arange(0, rows * columns + 1, columns).astype(np.int32)
    program.a_matrix_.index_ = np.tile(np.arange(columns), rows).astype(np.int32)
    program.a_matrix_.value_ = told.reshape(-1)
    highs = highspy.Highs()
    highs.setOptionValue("output_flag", False)
    highs.passModel(program)
    highs.run()
    return [round(-float(one), DIGITS) for one in highs.getSolution().row_dual]


def stretches(moments):
    """For each stretch the weights of every quantile; ``moments`` are (share, guesses, ln of what came)."""
    made, begin = [], 0.0
    for until in EDGES:
        here = [one for one in moments if begin <= one[0] < until]
        told, left = np.array([one[1] for one in here]), np.array([one[2] for one in here])
        made.append(
            {
                "until": until,
                "moments": len(here),
                "quantiles": [quantile_fit(told, left, share) for share in ahead.QUANTILES],
            }
        )
        begin = until
    return made


def fit_weights():
    """Writes ahead_weights.json anew."""
    fires = (sim.fire_of(sim.kiln_of(SEED + one), (SEED + one) * 100) for one in KILNS)
    courses = [course for fire in fires if (course := course_of(fire))]
    usual = [
        round(fmean(one.hours[place] / one.to_target for one in courses), DIGITS) for place in range(len(ahead.MARKS))
    ]
    ahead.weights.cache_clear()
    ahead.weights = lambda: {"usual_course": usual}
    moments = {False: [], True: []}
    for number, (seen, kiln, likely, past, left, _part) in enumerate(cases(KILNS, SEED)):
        expected = ahead._expected(likely, past)
        read = ahead.cleaned(thinned(seen, f"read {number}"))
        share, told = ahead.guesses(read, lit_at=sim.LIT_AT, target_c=kiln.target_c, expected=expected, past=past)
        if share < 1:
            moments[bool(past)].append((share, told, math.log(left / expected + ahead.SLACK)))
    made = {"usual_course": usual, "alone": stretches(moments[False]), "with_past": stretches(moments[True])}
    target = Path(ahead.__file__).with_name("ahead_weights.json")
    target.write_text(json.dumps(made, indent=1) + "\n", "utf-8")


COOLED_EDGES = (0.6, 0.45, 0.3, 0.2, 0.14, 0.1, 0.0)
COOLED_SHARES = (0.1, 0.25, 0.5, 0.75, 0.9)


def cooled_table():
    """Prints COOLED: how Newton's law errs, by the share of the heat that is left."""
    progress.COOLED = (progress.Cooled(0.0, (0.0,) * 5),)
    air, opening = simulated_cooling.ASSUMED_AIR_C, simulated_cooling.OPENING_C
    logs = {edge: [] for edge in COOLED_EDGES}
    for seen, left in simulated_cooling.moments(range(SEED, SEED + 400)):
        made = progress.cooling(seen, ambient_c=air, opening_c=opening)
        if made is not None:
            share = (seen[-1][1] - air) / (max(c for _, c in seen) - air)
            newton = (made.below_at - seen[-1][0]).total_seconds() / 3600
            logs[next(edge for edge in COOLED_EDGES if share > edge)].append(math.log((left + 1) / (newton + 1)))
    print("COOLED: Final = (")
    for edge, found in logs.items():
        ordered = sorted(found)
        points = tuple(round(ordered[int(len(ordered) * share)], 3) for share in COOLED_SHARES)
        print(f"    Cooled({edge}, {points}),  # {len(found)} moments")
    print(")")


def main():
    cooled_table()
    fit_weights()


if __name__ == "__main__":
    main()
