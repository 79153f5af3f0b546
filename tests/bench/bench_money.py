"""Figures of the money parts: python -m tests.bench.bench_money [--only rounding,...]"""

from __future__ import annotations

import argparse
import os
import random
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from datetime import datetime
from fractions import Fraction
from math import lcm
from pathlib import Path
from statistics import median
from typing import Any

from billing import cost_shares
from billing.cost_shares import CostTable, Member, Pool
from tests.bench import bench_paying, bench_settling

CURRENCIES = ("JPY", "EUR", "KWD")  # 0, 2 and 3 digits
BATCH = 5000


# --- Rounding ---------------------------------------------------------------------------------


def random_table(chance: random.Random, most_members: int = 16, most_pools: int = 8) -> CostTable:
    """A firing as invented: some members without a share in some pools, a guest's factor, the fund's part, refunds."""
    names = [f"m{at}" for at in range(chance.randint(1, most_members))]
    currency = chance.choice(CURRENCIES)
    most = chance.choice([9, 500, 60_000, 10**7, 10**12])
    pools = []
    for at in range(chance.randint(1, most_pools)):
        kind = chance.randrange(4)
        weigh: Callable[[], int | Fraction] = (
            (lambda: chance.randint(0, 250_000)),
            (lambda: chance.choice((0, 0, 1, 7, 4130))),
            (lambda: 1),
            (lambda: Fraction(chance.randint(0, 500), 7)),
        )[kind]
        bill = chance.randint(1, most) * (1 if chance.random() < 0.95 else -1)
        fund = chance.randint(0, 90_000) if chance.random() < 0.2 else 0
        pools.append(Pool(f"p{at}", bill, "litres", {name: weigh() for name in names}, fund))
    factors = (Fraction(1),) * 8 + (Fraction(6, 5), Fraction(1, 2))
    members = tuple(Member(name, factor=chance.choice(factors)) for name in names)
    return CostTable(f"F{chance.getrandbits(32)}", currency, members, tuple(pools))


def lost_and_off(table: CostTable) -> tuple[int, int]:
    """Minor units lost between bills and shares, and members' totals one unit or more from exact.

    Computed apart from the core: weights here are sevenths and factors tenths, so all of it is whole numbers.
    """
    made = cost_shares.amounts(table)
    lost = sum(abs(p.bill - sum(made.table[p.id].values()) - made.fund[p.id]) for p in table.pools)
    shared = []
    for pool in table.pools:
        weights = {name: int(weight * 7) for name, weight in pool.weights.items()}
        if whole := sum(weights.values()) + int(pool.fund_weight * 7):
            shared.append((pool.bill, weights, whole))
    common = lcm(*(whole for _, _, whole in shared)) * 10
    off = 0
    for member in table.members:
        tenths = int(member.factor * 10)
        exact = sum(bill * weights[member.id] * tenths * (common // whole // 10) for bill, weights, whole in shared)
        off += abs(made.totals[member.id] * common - exact) >= common
    return lost, off


def _batch(seed: int) -> tuple[int, int, int]:
    chance = random.Random(seed)
    lost = off = members = 0
    for _ in range(BATCH):
        table = random_table(chance)
        missing, far = lost_and_off(table)
        lost, off, members = lost + missing, off + far, members + len(table.members)
    return lost, off, members


def rounding(options: argparse.Namespace) -> bool:
    """Random firings rounded as tables, and how long a large one takes with all its sentences."""
    batches = max(1, options.firings // BATCH)
    began = time.perf_counter()
    with ProcessPoolExecutor(options.workers) as workers:
        found = list(workers.map(_batch, range(options.seed, options.seed + batches)))
    lost, off, members = (sum(column) for column in zip(*found, strict=True))
    print(
        f"rounding: {batches * BATCH:,} firings in {', '.join(CURRENCIES)}, {members:,} totals: {lost} minor units "
        f"lost, {off} totals one unit or more from exact, {time.perf_counter() - began:.0f} s"
    )
    good = not lost and not off
    for count, pools in ((8, 6), (16, 6), (40, 8)):
        alone, worded = [], []
        for seed in range(101):
            table = _dense_table(random.Random(seed), count, pools)
            for times, compute in ((alone, cost_shares.amounts), (worded, cost_shares.share)):
                began = time.process_time()
                compute(table)
                times.append((time.process_time() - began) * 1000)
        print(
            f"  {count} members x {pools} pools, computing time: figures {median(alone):.1f} ms, with every sentence "
            f"{median(worded):.1f} ms (slowest of 101: {max(worded):.1f} ms)"
        )
        good &= (count, pools) != (40, 8) or median(worded) <= 10
    return good


def _dense_table(chance: random.Random, count: int, pools: int) -> CostTable:
    names = [f"m{at}" for at in range(count)]
    rows = tuple(
        Pool(f"p{at}", chance.randint(1, 90_000), "litres", {name: chance.randint(0, 200_000) for name in names})
        for at in range(pools)
    )
    return CostTable(f"F{chance.getrandbits(32)}", "EUR", tuple(map(Member, names)), rows)


# --- Ledger -----------------------------------------------------------------------------------


def ledger(options: argparse.Namespace) -> bool:
    """Steps with kills and retries beside a model, and postings a second, in a database made for it."""
    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "coop.settings")
    django.setup()
    from django.db import connection

    from coop import walls

    name = connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
    walls.install()
    try:
        return all([_steps(options), _speed(options)])
    finally:
        connection.creation.destroy_test_db(name, verbosity=0)


def _steps(options: argparse.Namespace) -> bool:
    from django.db import connection

    from billing.invariants import check_all
    from coop.transactions import reading
    from tests.bench.simulated_ledger import Treasurer
    from tests.factories import make_coop, make_member, tess

    coop = make_coop()
    members = [make_member(name, coop=coop) for name in ("Ada", "Ben", "Cleo", "Dov", "Eni")]
    treasurer = Treasurer(coop, members, tess(coop), seed=options.seed, for_good=connection.vendor == "postgresql")
    begun = time.perf_counter()
    for at in range(options.steps):
        treasurer.step()
        if at % 1000 == 999 and (differences := treasurer.differences()):
            print(f"  after step {at + 1}: {differences}")
            return False
    took = time.perf_counter() - begun
    with reading(coop):
        faults = [fault for checked in check_all(coop) for fault in checked.faults]
    counts = treasurer.counts
    print(
        f"ledger on {connection.vendor}: {options.steps} steps in {took:.0f} s, {treasurer.postings} postings, "
        f"{counts['killed']} kills, {counts['answers lost']} answers lost, {counts['again']} keys again, "
        f"{counts['refused']} refusals; {len(treasurer.differences())} differences from the model, "
        f"verify finds {len(faults)}"
    )
    return not treasurer.differences() and not faults


def _speed(options: argparse.Namespace) -> bool:
    from django.db import connection

    from billing.models import Account
    from billing.services import postings
    from coop.transactions import use_case
    from tests.factories import NOW, make_coop, make_member

    coop = make_coop("swift-hill", "Swift Hill Kilns")
    accounts = [postings.account_of(make_member(f"M{at}", coop=coop)) for at in range(11)]
    bank = Account.objects.create(coop=coop, code="bank", name="bank and cash", kind="bank")

    @use_case
    def post_one(coop: Any, *, now: datetime, at: int) -> None:
        postings.lock_ledger(coop)
        lines = [(account, at + 1) for account in accounts]
        postings.post(
            coop, key=f"k{at}", kind="test", text="x", lines=[*lines, (bank, -11 * (at + 1))], by=None, now=now
        )

    server = _server_seconds()
    rates, begun_on_server, used = [], server(), time.process_time()
    for batch in range(5):
        begun = time.perf_counter()
        for at in range(200):
            post_one(coop, now=NOW, at=200 * batch + at)
        rates.append(200 / (time.perf_counter() - begun))
    own, theirs = time.process_time() - used, server() - begun_on_server
    best = max(rates)
    print(
        f"  postings of 12 lines, a transaction each, one writer: {median(rates):.0f} a second, best of 5 batches "
        f"of 200 {best:.0f}; computing time for one: {own:.2f} ms here, {theirs:.2f} ms in the database's process, so "
        f"{1000 / (own + theirs):.0f} a second on an idle core"
    )
    return connection.vendor != "postgresql" or best >= 200


def _server_seconds() -> Callable[[], float]:
    """Computing time of this connection's process in the database, where it runs on this machine; else 0."""
    from django.db import connection

    if connection.vendor != "postgresql":
        return lambda: 0.0
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_backend_pid()")
        stat = Path(f"/proc/{cursor.fetchone()[0]}/stat")

    def seconds() -> float:
        try:
            ticks = stat.read_text().rsplit(") ", 1)[1].split()
        except OSError:
            return 0.0
        return (int(ticks[11]) + int(ticks[12])) / os.sysconf("SC_CLK_TCK")

    return seconds


# --- All of it --------------------------------------------------------------------------------

# Each prints its figures and says whether they reach what is asked of them.
SECTIONS: dict[str, Callable[[argparse.Namespace], bool]] = {
    "rounding": rounding,
    "slips": bench_paying.slips,
    "bank": bench_paying.bank,
    "statements": bench_paying.statements,
    "ledger": ledger,
    "payments": bench_settling.payments,
}


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--only", default=",".join(SECTIONS), help=f"from: {', '.join(SECTIONS)}")
    parser.add_argument("--firings", type=int, default=1_000_000, help="for rounding")
    parser.add_argument("--steps", type=int, default=10_000, help="for ledger")
    parser.add_argument("--sizes", default="10,20,40,60,200", help="members, for payments")
    parser.add_argument("--slower", type=float, default=1.0, help="stretch limits on a busy machine, for payments")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    chosen = options.only.split(",")
    if unknown := [name for name in chosen if name not in SECTIONS]:
        parser.error(f"there is no {', '.join(unknown)}; pick from: {', '.join(SECTIONS)}")
    reached = [SECTIONS[name](options) for name in chosen]
    return 0 if all(reached) else 1


if __name__ == "__main__":
    sys.exit(main())
