"""The table of faults: ``python -m tests.faults.run [served|embedded ...] [--small] [--only NAME,...]``."""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import replace

from tests.faults import faults
from tests.faults.house import House, Row

# How much is asked and how often it is spoilt: with every check, and for the table.
SMALL = {
    "web_killed": (60, 2),
    "base_restarted": (60, 2),
    "redis_gone": (60, 1),
    "disk_full": (60, 1),
    "sent_twice": (30, 1),
    "firings_overlap": (0, 5),
    "last_litres": (100, 1),
    "worker_killed": (60, 3),
    "post_down": (10, 1),
}
LARGE = {
    "web_killed": (1500, 10),
    "base_restarted": (1500, 10),
    "redis_gone": (800, 5),
    "disk_full": (800, 5),
    "sent_twice": (500, 1),
    "firings_overlap": (0, 20),
    "last_litres": (10_000, 1),
    "worker_killed": (500, 20),
    "post_down": (50, 1),
}
COLUMNS = ("times", "asked", "lost", "doubled", "stuck", "heals s", "verify")


def rows(kind: str, sizes: dict[str, tuple[int, int]], only: set[str]) -> list[Row]:
    """Each fault in turn in one house, and ``verify`` after each."""
    found = []
    with House(served=kind == "served") as house:
        for fault in faults.SERVED if kind == "served" else faults.EMBEDDED:
            if only and fault.__name__ not in only:
                continue
            row = fault(house, *sizes[fault.__name__])
            said = house.manage("verify")
            found.append(replace(row, clean=" 0 differences." in said))
            print(line(kind, found[-1]), flush=True)
    return found


def line(kind: str, row: Row) -> str:
    return (
        f"{kind:<8} {row.fault:<40} {row.times:>5} {row.asked:>6} {row.lost:>5} {row.doubled:>8} {row.stuck:>6} "
        f"{row.heal_s:>7.1f} {'clean' if row.clean else 'DIFFERS':>7}  {row.notes}"
    )


def head() -> str:
    times, asked, lost, doubled, stuck, heals, verify = COLUMNS
    return f"{'':<8} {'fault':<40} {times:>5} {asked:>6} {lost:>5} {doubled:>8} {stuck:>6} {heals:>7} {verify:>7}"


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.faults.run", description=__doc__)
    parser.add_argument(
        "kinds", nargs="*", default=["embedded", "served"], help="embedded (SQLite), served (PostgreSQL, Redis)"
    )
    parser.add_argument("--small", action="store_true", help="as .ci/run has it")
    parser.add_argument("--only", default="", help="names of faults, comma between them")
    asked = parser.parse_args()
    began, found = time.monotonic(), []
    print(head())
    for kind in asked.kinds:
        found += rows(kind, SMALL if asked.small else LARGE, {name for name in asked.only.split(",") if name})
    print(f"{len(found)} faults in {time.monotonic() - began:.0f} s")
    return int(any(row.lost or row.doubled or row.stuck or not row.clean for row in found))


if __name__ == "__main__":
    sys.exit(main())
