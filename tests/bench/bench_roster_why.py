"""Reasons, ways out, re-plans and the published instances in one run. Run by hand.

    python -m tests.bench.bench_roster_why [--allowed 1] [--seconds 60] [--rosters DIR] [--published DIR]

Writes var/bench/watches-why.md. Seconds are of the clock, cpu seconds of this process: other work on the machine
lengthens the one far more than the other. The solver is loaded before a clock starts.
"""

from __future__ import annotations

import argparse
import random
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from firings.roster import cpsat
from firings.roster.changes import Change, DropsOut, RunsLonger
from firings.roster.problem import Assigned, RosterRequest, read_request
from firings.roster.reasons import fullest, why
from firings.roster.replan import least_change
from firings.roster.solve import plan
from firings.roster.ways import ways_out
from tests.staff_instances import BEST_KNOWN, broken, read, solve

ROOT = Path(__file__).parents[2]
HERE = Path(__file__).parent / "instances"
STAFFING = (ROOT / "tests" / "core" / "staffing", HERE / "staffing")


def impossible(request: RosterRequest) -> Iterator[tuple[str, RosterRequest]]:
    """The roster made impossible in several ways."""
    leads = [person.id for person in request.people if person.signed_off]
    for count in (3, 5):
        people = [one if one.id in leads[:count] else replace(one, signed_off=()) for one in request.people]
        yield f"only {count} may lead", replace(request, people=tuple(people))
    few = len(request.people) * 2 // 5
    yield f"only {few} people", replace(request, people=request.people[:few], wishes=request.wishes[:few])
    for share in (0.4, 0.6):
        chance = random.Random(round(10 * share))
        rows = ("".join("x" if chance.random() < share else sign for sign in row) for row in request.wishes)
        yield f"{share:.0%} more say no", replace(request, wishes=tuple(rows))
    days = request.rules.max_in_24h // 2
    yield "half the hours in 24", replace(request, rules=replace(request.rules, max_in_24h=days))


def upsets(request: RosterRequest, known: Assigned) -> Iterator[tuple[str, list[Change], int]]:
    """Somebody drops out, two drop out at once, the fire runs five hours longer; at three times of the firing."""
    hour = 60 // request.unit_min
    last = max(task.end for task in request.tasks if task.kind == "watch")
    kiln = next(task.kiln for task in request.tasks if task.kind == "watch" and task.end == last)
    for now in (0, last // 2, last - 3 * hour):
        due = [
            person.id
            for person in request.people
            if any(person.id in known[task.id] for task in request.tasks if task.end > now)
        ]
        yield f"1 drops out at {now // hour} h", [DropsOut(due[0])], now
        yield f"2 drop out at {now // hour} h", [DropsOut(name) for name in due[1:3]], now
        if kiln is not None:
            yield f"5 h longer, told at {now // hour} h", [RunsLonger(kiln, 5 * hour)], now


def timed(call: Callable[[], Any]) -> tuple[Any, float, float]:
    began, worked = time.monotonic(), time.process_time()
    answer = call()
    return answer, time.monotonic() - began, time.process_time() - worked


def reasons_table(request: RosterRequest, allowed: float) -> Iterator[str]:
    yield "| roster | made impossible by | open | reasons | checked | smallest | s | cpu s | ways out | s | cpu s |"
    yield "|---|---|---|---|---|---|---|---|---|---|---|"
    for how, hard in impossible(request):
        best = fullest(hard, seconds=20)
        found, seconds, cpu = timed(lambda hard=hard, best=best: why(hard, best, seconds=allowed))
        ways, way_seconds, way_cpu = timed(
            lambda hard=hard, best=best, found=found: ways_out(hard, best, found, seconds=2 * allowed)
        )
        checked, smallest = sum(one.checked for one in found), sum(one.smallest for one in found)
        yield (
            f"| {request.name} | {how} | {sum(one.places for one in found)} | {len(found)} | {checked} | {smallest} "
            f"| {seconds:.2f} | {cpu:.2f} | {len(ways)} | {way_seconds:.2f} | {way_cpu:.2f} |"
        )


def replan_table(request: RosterRequest, allowed: float) -> Iterator[str]:
    known = plan(request, seconds=5).assigned
    yield "| roster | what happens | open | told | at least | places changed | proven | s | cpu s |"
    yield "|---|---|---|---|---|---|---|---|---|"
    for what, changes, now in upsets(request, known):
        found, seconds, cpu = timed(
            lambda changes=changes, now=now: least_change(request, known, changes, now, seconds=allowed, fair=False)
        )
        proven = all(found.proven[:3])
        yield (
            f"| {request.name} | {what} | {found.tiers[0]} | {found.tiers[1]} | {found.bounds[1]} "
            f"| {found.tiers[2]} | {'yes' if proven else 'no'} | {seconds:.2f} | {cpu:.2f} |"
        )


def published_table(folders: list[Path], seconds: float) -> Iterator[str]:
    yield "| instance | best known | reached | bound | proven | faults | s | cpu s |"
    yield "|---|---|---|---|---|---|---|---|"
    files = {int(path.stem.removeprefix("Instance")): path for one in folders for path in one.glob("Instance*.txt")}
    for number, best in BEST_KNOWN.items():
        if number not in files:
            yield f"| {number} | {best} | no file | | | | | |"
            continue
        instance = read(files[number])
        try:
            found, clock, cpu = timed(lambda instance=instance: solve(instance, seconds=seconds))
        except TimeoutError as error:
            yield f"| {number} | {best} | {error} | | | | | |"
            continue
        faults = len(broken(instance, found.assigned))
        yield (
            f"| {number} | {best} | {found.cost} | {found.bound} | {'yes' if found.proven else 'no'} | {faults} "
            f"| {clock:.1f} | {cpu:.1f} |"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60, help="for each published instance; 0: none of them")
    parser.add_argument("--allowed", type=float, default=1, help="seconds for each question; more on a busy machine")
    parser.add_argument("--rosters", type=Path, default=HERE / "roster", help="folder of watch-roster/1 files")
    parser.add_argument("--only", default="R47", help="how the rosters' names begin")
    parser.add_argument("--published", type=Path, nargs="*", default=list(STAFFING), help="folders of InstanceN.txt")
    options = parser.parse_args()
    cpsat.load()
    lines = ["# Reasons, re-plans and published instances", ""]
    requests = [
        read_request(path.read_text(encoding="utf-8")) for path in sorted(options.rosters.glob(f"{options.only}*.json"))
    ]
    for table in (reasons_table, replan_table):
        for request in requests:
            for line in table(request, options.allowed):
                print(line, flush=True)
                lines.append(line)
            lines.append("")
    if options.seconds > 0:
        for line in published_table(options.published, options.seconds):
            print(line, flush=True)
            lines.append(line)
    out = ROOT / "var" / "bench" / "watches-why.md"
    out.parent.mkdir(parents=True, exist_ok=True)
    out.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
