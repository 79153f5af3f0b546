"""Rosters side by side in one run: greedy, the planner, and the same model by CP-SAT alone. Run by hand.

    python -m tests.bench.bench_watches [--seconds 60] [--only A,B,C,R] [--seeds 11,12,13] [--single-places]

Writes var/bench/watches.md. Seconds are of the clock; cpu seconds are of this process, which other work on the
machine does not lengthen as much. Compiling (once on a machine) is done before a clock starts.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import inf
from pathlib import Path

from firings.roster import greedy, lexicographic, value
from firings.roster.check import faults
from firings.roster.problem import RosterRequest, read_request
from firings.roster.solve import plan
from tests.bench.roster_instances import SIZES, make

ROOT = Path(__file__).parents[2]
INSTANCES = Path(__file__).parent / "instances" / "roster"
# What is to be reached: seconds to the proof, median of a size; for the last two to within 2 % of the bound.
TARGETS = {"A08x12h": 0.1, "B25x24h2": 0.5, "C40x60h": 1.0, "R47x100h": 2.0, "D120x5d": 60.0, "E300x7d": 60.0}


@dataclass(frozen=True)
class Row:
    name: str
    people: int
    tasks: int
    first: tuple[int, ...]
    first_cpu: float
    tiers: tuple[int, ...]
    bounds: tuple[int, ...]
    proven: bool
    gap: float
    seconds: float
    cpu: float
    places: str

    @property
    def size(self) -> str:
        return self.name.split("-")[0]


def instances(seeds: Sequence[int], only: Sequence[str]) -> Iterator[RosterRequest]:
    """The project's own copies, then generated ones of the same sizes."""
    for size in SIZES:
        if size[0] in only:
            for path in sorted(INSTANCES.glob(f"{size}-*.json")):
                yield read_request(path.read_text(encoding="utf-8"))
            for seed in seeds:
                yield make(size, seed)


def greedy_first(request: RosterRequest) -> tuple[dict[str, tuple[str, ...]], float]:
    began = time.process_time()
    bench = greedy.Bench(request)
    greedy.first_proposal(bench)
    return bench.stood_down(), time.process_time() - began


def measured(request: RosterRequest, seconds: float, single_places: bool) -> Row:
    first, first_cpu = greedy_first(request)
    began, cpu = time.monotonic(), time.process_time()
    roster = plan(request, seconds=seconds)
    took, used = time.monotonic() - began, time.process_time() - cpu
    before = value.tiers(request, first)
    assert faults(request, roster.assigned) == [], request.name
    assert roster.tiers <= before, f"{request.name}: greedy is better"
    return Row(
        request.name,
        len(request.people),
        len(request.tasks),
        before,
        first_cpu,
        roster.tiers,
        roster.bounds,
        all(roster.proven),
        max(roster.gap),
        took,
        used,
        by_single_places(request, first, seconds) if single_places else "",
    )


def by_single_places(request: RosterRequest, first: dict[str, tuple[str, ...]], seconds: float) -> str:
    """The way that was not kept: all five tiers by CP-SAT over single places."""
    least = value.bounds(request)
    start = lexicographic.Answer(first, value.tiers(request, first), least, (False,) * len(least))
    cpu = time.process_time()
    ends = time.monotonic() + seconds
    search = lexicographic.Search(request, start, seconds=inf, seed=1, ends=ends)
    search.run(value.TIERS)
    answer = search.answer()
    return f"{spoken(answer.tiers)} {'proven' if all(answer.proven) else 'open'} {time.process_time() - cpu:.2f}"


def spoken(tiers: Sequence[int]) -> str:
    return " ".join(map(str, tiers))


def table(rows: Sequence[Row]) -> str:
    lines = [
        f"Tiers: {', '.join(value.TIERS)}. Greedy is the first proposal, scarcest task first.",
        "",
        "| instance | people | tasks | greedy | greedy cpu s | planner | bounds | proven | worst gap % | s | cpu s "
        "| CP-SAT over single places: tiers, proof, cpu s |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in rows:
        lines.append(
            f"| {row.name} | {row.people} | {row.tasks} | {spoken(row.first)} | {row.first_cpu:.2f} "
            f"| {spoken(row.tiers)} | {spoken(row.bounds)} | {'yes' if row.proven else 'no'} | {100 * row.gap:.1f} "
            f"| {row.seconds:.2f} | {row.cpu:.2f} | {row.places} |"
        )
    lines += ["", "| size | median s | median cpu s | asked s | proven |", "| --- | --- | --- | --- | --- |"]
    for size in SIZES:
        same = [row for row in rows if row.size == size]
        if same:
            lines.append(
                f"| {size} | {statistics.median(row.seconds for row in same):.2f} "
                f"| {statistics.median(row.cpu for row in same):.2f} | {TARGETS[size]} "
                f"| {sum(row.proven for row in same)} of {len(same)} |"
            )
    return "\n".join(lines) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--only", default="A,B,C,R,D,E")
    parser.add_argument("--seeds", default="11,12,13")
    parser.add_argument("--single-places", action="store_true", help="also time CP-SAT over single places")
    parser.add_argument("--out", type=Path, default=ROOT / "var" / "bench" / "watches.md")
    asked = parser.parse_args()
    plan(make("A08x12h", 1), seconds=5)  # loads and compiles
    seeds = [int(seed) for seed in asked.seeds.split(",") if seed]
    rows = []
    for request in instances(seeds, asked.only.split(",")):
        rows.append(measured(request, asked.seconds, asked.single_places))
        print(rows[-1], flush=True)
        asked.out.parent.mkdir(parents=True, exist_ok=True)
        asked.out.write_text(table(rows), encoding="utf-8")
    print(table(rows))


if __name__ == "__main__":
    main()
