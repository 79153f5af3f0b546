"""How well the forecast and the stall warning hold, on fires not used for fitting: python -m tests.bench.bench_fire"""

from __future__ import annotations

import argparse
import csv
import math
from datetime import timedelta
from pathlib import Path
from statistics import fmean, median

from firings.fire import ahead, progress
from tests.bench import simulated_cooling
from tests.bench import simulated_fires as sim
from tests.bench.tune_fire import cases

HERE = Path(__file__).parent


def last_hour_line(seen, target_c):
    """Hours left by a least-squares line through the last hour of readings; inf where it does not climb."""
    recent = [(at, c) for at, c in seen if at >= seen[-1][0] - timedelta(hours=1)]
    recent = recent if len(recent) > 1 else seen[-2:]
    hours = [(at - seen[-1][0]).total_seconds() / 3600 for at, _ in recent]
    values = [c for _, c in recent]
    if len(set(hours)) < 2:
        return math.inf
    mean_h, mean_c = fmean(hours), fmean(values)
    slope = sum((h - mean_h) * (c - mean_c) for h, c in zip(hours, values, strict=True))
    slope /= sum((h - mean_h) ** 2 for h in hours)
    now = mean_c - slope * mean_h
    return (target_c - now) / slope if slope > 0 else math.inf


def forecasts(kilns, seed):
    rows = []
    for seen, kiln, likely, past, left, part in cases(kilns, seed):
        made = ahead.to_target(seen, lit_at=sim.LIT_AT, target_c=kiln.target_c, hours_likely=likely, past=past)
        elapsed = (seen[-1][0] - sim.LIT_AT).total_seconds() / 3600
        planned = max(likely - elapsed, 0.0)
        rows.append((part, len(past), left, made, last_hour_line(seen, kiln.target_c), planned))
    return rows


def table(rows):
    late = [row for row in rows if row[0] >= 0.5]
    print("part    n   ours h  line h  plan h   in 50 %  in 80 %")
    for part in sorted({row[0] for row in rows}):
        _line(f"{part:4.2f}", [row for row in rows if row[0] == part])
    _line("0.5-", late)
    _line(" none past", [row for row in late if not row[1]])
    _line(" 1-2 past", [row for row in late if 1 <= row[1] <= 2])
    _line(" 3+ past", [row for row in late if row[1] >= 3])


def _line(name, rows):
    if not rows:
        return
    ours = median(abs(row[3].likely_h - row[2]) for row in rows)
    line = median(min(abs(row[4] - row[2]), 99) for row in rows)
    plan = median(abs(row[5] - row[2]) for row in rows)
    half = fmean(row[3].half[0] <= row[2] <= row[3].half[1] for row in rows)
    most = fmean(row[3].most[0] <= row[2] <= row[3].most[1] for row in rows)
    print(
        f"{name:10s} {len(rows):5d} {ours:7.2f} {line:7.2f} {plan:7.2f} {half:8.0%} {most:8.0%}"
        f"   ours/line {ours / line:.2f}  ours/plan {ours / plan:.2f}"
    )


def stalls(kilns, seed):
    """Flagged within 30 minutes of the first slow minute; false where the kiln climbed fast enough just then."""
    late, found, false, fires, total = [], 0, 0, 0, 0
    for one in kilns:
        kiln = sim.kiln_of(seed + one)
        for number in range(2):
            fire = sim.fire_of(kiln, (seed + one) * 100 + 50 + number)
            flags = flagged(fire)
            if fire.stall:
                total += 1
                inside = [hour for hour in flags if fire.stall[0] - 0.05 <= hour <= fire.stall[1] + 0.5]
                found += bool(inside) and inside[0] <= fire.stall[0] + 0.5
                late.append(inside[0] - fire.stall[0] if inside else math.inf)
            fires += 1
            false += any(_climbed(fire, hour) for hour in flags)
    print(
        f"stalls {total}: flagged within 30 min {found / total:.0%}, median {median(late) * 60:.0f} min; "
        f"{false} of {fires} fires flagged while they climbed ({20 * false / fires:.2f} per 20)"
    )


def _climbed(fire, hour):
    """No half hour that ends within a quarter of an hour of the flag was slower than the least rate."""
    return min(sim.true_rate(fire, hour + off / 60) for off in range(-15, 16, 3)) > fire.kiln.least_c_per_h


def flagged(fire):
    hours = []
    everything = [(sim.at(hour), c) for hour, name, c in fire.readings if name == "front"]
    for at in range(5, len(everything)):
        seen = everything[: at + 1]
        hour = (seen[-1][0] - sim.LIT_AT).total_seconds() / 3600
        if hour > (fire.target_h if not math.isnan(fire.target_h) else 1e9):
            break
        in_round = any(begin <= hour <= end + 0.5 for begin, end in fire.rounds)
        stoked = any(hour - 0.75 <= stoke <= hour for stoke, _ in fire.stokes)
        if seen[-1][1] > 300 and not in_round and progress.stalls(seen, fire.kiln.least_c_per_h, stoked=stoked):
            hours.append(hour)
    return hours


def published():
    """The published logs beside this file; expected hours are another published firing's of that kind of kiln."""
    with (HERE / "published_fires.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    held: list[bool] = []
    for log in sorted({row["log"] for row in rows}):
        points = [(float(row["hour"]), float(row["c"])) for row in rows if row["log"] == log]
        expected = float(next(row["expected_h"] for row in rows if row["log"] == log))
        target = max(c for _, c in points)
        reached = next(hour for hour, c in points if c == target)
        print(f"{log}: {target:.0f} °C at hour {reached}, {expected:.0f} h expected")
        for at, (hour, _) in enumerate(points):
            if at >= 2 and reached / 2 <= hour < reached:
                seen = [(sim.at(h), c) for h, c in points[: at + 1]]
                made = ahead.to_target(seen, lit_at=sim.LIT_AT, target_c=target, hours_likely=expected)
                line, left = last_hour_line(seen, target), reached - hour
                held.append(made.most[0] <= left <= made.most[1])
                inside = "within" if held[-1] else "outside"
                ours = f"forecast {made.likely_h:5.1f} ({made.most[0]:.1f} to {made.most[1]:.1f})"
                print(f"  hour {hour:5.1f}: left {left:5.1f} h, {ours}, {inside} 80 %; line {line:5.1f}")


def cooling(seeds):
    """Hours to the opening temperature, on kilns not used for fitting."""
    rows = []
    for seen, left in simulated_cooling.moments(seeds):
        made = progress.cooling(seen, ambient_c=simulated_cooling.ASSUMED_AIR_C, opening_c=simulated_cooling.OPENING_C)
        if made is not None:
            cool_at = seen[-1][0] + timedelta(hours=left)
            error = abs((made.below_at - cool_at).total_seconds()) / 3600
            inside = (made.half[0] <= cool_at <= made.half[1], made.most[0] <= cool_at <= made.most[1])
            rows.append((seen[-1][1], error, *inside))
    for name, low, high in (("above 600 °C", 600, 1e9), ("300 to 600 °C", 300, 600), ("below 300 °C", 0, 300)):
        here = [row for row in rows if low <= row[0] < high]
        print(
            f"cooling, {name:13s} {len(here):5d}: median error {median(row[1] for row in here):5.2f} h, "
            f"within 50 % {fmean(row[2] for row in here):.0%}, within 80 % {fmean(row[3] for row in here):.0%}"
        )


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--kilns", type=int, default=150)
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    table(forecasts(range(options.kilns), options.seed))
    stalls(range(options.kilns), options.seed)
    cooling(range(options.seed, options.seed + options.kilns))
    published()


if __name__ == "__main__":
    main()
