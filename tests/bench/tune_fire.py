"""Fits firings/fire/ahead.py to simulated fires and prints its tables: python -m tests.bench.tune_fire"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import fmean, median

from firings.fire import ahead, progress
from tests.bench import simulated_cooling
from tests.bench import simulated_fires as sim

KILNS, SEED = range(360), 50_000
EDGES = (0.15, 0.3, 0.45, 0.6, 0.75, 0.87, 0.95, 1.0)
PACES = [tenth / 10 for tenth in range(11)]
DOUBTS = (0.0, 0.5, 1.0, 2.0, 3.0, 5.0)
SHARES = (0.1, 0.25, 0.75, 0.9)
CLIMBS = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.85)


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


def course_of(fire):
    return ahead.course_of(readings_of(fire), sim.LIT_AT, fire.kiln.target_c)


def hours(moment):
    return (moment - sim.LIT_AT).total_seconds() / 3600


@dataclass
class Moment:
    """One forecast to be made: what is known, and what came."""

    seen: list
    kiln: sim.KilnKind
    course: tuple
    expected: float
    left: float
    has_past: bool

    def __post_init__(self):
        self.seen = ahead.cleaned(self.seen)
        self.share = ahead._level(self.seen) / self.kiln.target_c
        self.elapsed = hours(self.seen[-1][0])
        self.passed = min(max(ahead._passed(self.course, min(self.share, 1.0)), 0.005), 0.995)

    def at_pace(self, pace):
        """Hours to the target, and the climb's factor, at this weight of the fire's own pace."""
        whole = math.exp((1 - pace) * math.log(self.expected) + pace * math.log(self.elapsed / self.passed))
        return whole, ahead._climb_factor(self.seen, self.course, self.share, whole, self.kiln.target_c)

    def ratio(self, whole, factor, climb):
        """(true + slack) / (forecast + slack)."""
        slack = ahead.SLACK * whole
        return (self.left + slack) / (whole * (1 - self.passed) * factor**climb + slack)


def fitted(moments):
    """Pace and climb with the least mean error (the worst tenth left out), lean, doubt and points of what is left."""
    best = None
    for pace in PACES:
        bases = [(moment, *moment.at_pace(pace)) for moment in moments]
        for climb in CLIMBS:
            logs = [math.log(moment.ratio(whole, factor, climb)) for moment, whole, factor in bases]
            lean = median(logs)
            errors = sorted(abs(one - lean) for one in logs)
            score = fmean(errors[: int(len(errors) * 0.9)])
            if best is None or score < best[0]:
                best = (score, pace, climb, lean, [one - lean for one in logs])
    score, pace, climb, lean, rest = best
    apart = [abs(math.log(moment.elapsed / moment.passed / moment.expected)) for moment in moments]
    doubt = min((pinball(rest, apart, one), one) for one in DOUBTS)[1]
    return ahead.Stretch(0.0, pace, climb, round(math.exp(lean), 3), doubt, points(rest, apart, doubt)), score


def points(logs, apart, doubt):
    ordered = sorted(one / (1 + doubt * far) for one, far in zip(logs, apart, strict=True))
    return tuple(round(ordered[min(int(len(ordered) * share), len(ordered) - 1)], 3) for share in SHARES)


def pinball(logs, apart, doubt):
    """How badly the points, so stretched, stand for the shares they name (Koenker and Bassett 1978)."""
    loss = 0.0
    for point, share in zip(points(logs, apart, doubt), SHARES, strict=True):
        for one, far in zip(logs, apart, strict=True):
            over = one - point * (1 + doubt * far)
            loss += max(share * over, (share - 1) * over)
    return loss


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
    courses = [
        course for one in KILNS if (course := course_of(sim.fire_of(sim.kiln_of(SEED + one), (SEED + one) * 100)))
    ]
    ahead.USUAL_COURSE = tuple(round(fmean(c.hours[i] / c.to_target for c in courses), 3) for i in range(11))
    print("USUAL_COURSE =", ahead.USUAL_COURSE)
    moments = [
        Moment(seen, kiln, ahead._usual(past), ahead._expected(likely, past), left, bool(past))
        for seen, kiln, likely, past, left, _ in cases(KILNS, SEED)
    ]
    for name, has_past in (("ALONE", False), ("WITH_PAST", True)):
        begin = 0.0
        print(f"{name}: Final = (")
        for until in EDGES:
            ours = [moment for moment in moments if moment.has_past == has_past and moment.share < 1]
            here = [moment for moment in ours if begin <= moment.passed < until]
            made, score = fitted(here)
            values = f"{until}, {made.pace}, {made.climb}, {made.lean}, {made.doubt}, {made.points}"
            print(f"    Stretch({values}),  # {len(here)} moments, error {score:.3f}")
            begin = until
        print(")")


if __name__ == "__main__":
    main()
