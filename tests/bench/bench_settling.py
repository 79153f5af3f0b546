"""The fewest payments: seeded balances of four families, how often they are proven, how long that takes."""

from __future__ import annotations

import argparse
import random
import time
from collections.abc import Callable
from statistics import mean, median

from billing import settlement

# How many members: seeds for each family, seconds allowed, the part that must be proven.
SIZES = {10: (5, 1.0, 1.0), 20: (5, 1.0, 1.0), 40: (10, 10.0, 0.97), 60: (4, 20.0, 0.85), 200: (1, 30.0, 0.0)}


def cents(chance: random.Random, count: int) -> list[int]:
    """Any amount up to 200.00 either way."""
    amounts = [chance.choice((-1, 1)) * chance.randint(1, 20_000) for _ in range(count - 1)]
    return [*amounts, -sum(amounts)]


def round_ones(chance: random.Random, count: int) -> list[int]:
    """Multiples of 0.50 up to 100.00."""
    amounts = [chance.choice((-1, 1)) * 50 * chance.randint(1, 200) for _ in range(count - 1)]
    return [*amounts, -sum(amounts)]


def firing(chance: random.Random, count: int) -> list[int]:
    """Firings shared by litres, the bills laid out by a few members."""
    amounts = [0] * count
    while not all(amounts):
        takes_part = chance.sample(range(count), min(count, chance.randint(5, 14)))
        bill = chance.randint(20_000, 90_000)
        litres = [chance.randint(5, 80) for _ in takes_part]
        shares = [bill * each // sum(litres) for each in litres]
        shares[0] += bill - sum(shares)
        for who, share in zip(takes_part, shares, strict=True):
            amounts[who] -= share
        for payer in chance.sample(takes_part, 2):
            amounts[payer] += bill // 2
        amounts[takes_part[0]] += bill - 2 * (bill // 2)
    return amounts


def planted(chance: random.Random, count: int) -> list[int]:
    """Hidden groups of three to five that come to zero."""
    amounts: list[int] = []
    while len(amounts) < count:
        size = min(chance.randint(3, 5), count - len(amounts))
        if count - len(amounts) - size in (1, 2):
            size = min(count - len(amounts), size + 2)
        group = [chance.choice((-1, 1)) * chance.randint(1, 20_000) for _ in range(size - 1)]
        amounts += [*group, -sum(group)]
    return amounts


FAMILIES: dict[str, Callable[[random.Random, int], list[int]]] = {
    "cents": cents,
    "firing": firing,
    "round": round_ones,
    "planted": planted,
}


def greedy(amounts: list[int]) -> int:
    """Payments when the largest debt always goes to the largest credit."""
    left, count = list(amounts), 0
    while any(left):
        payer, payee = left.index(min(left)), left.index(max(left))
        moved = min(-left[payer], left[payee])
        left[payer] += moved
        left[payee] -= moved
        count += 1
    return count


def payments(options: argparse.Namespace) -> bool:
    """How few, how surely and how fast, by number of members and family.

    On a machine with other work ``--slower 8`` stretches the time allowed; only what was proven within the computing
    time asked for counts.
    """
    good = True
    print("payments: members, proven, computing seconds median (most), payments mean, bound mean, greedy mean")
    for count in [int(one) for one in options.sizes.split(",")]:
        seeds, seconds, wanted = SIZES[count]
        rows: list[tuple[bool, float, int, int, int]] = []
        for name, family in FAMILIES.items():
            mine = []
            for seed in range(seeds):
                amounts = family(random.Random(1000 * count + seed), count)
                if sum(amounts):
                    raise AssertionError(f"{name} {count} {seed} does not come to zero")
                balances = {f"m{at:03d}": amount for at, amount in enumerate(amounts)}
                begun = time.process_time()
                made = settlement.plan(balances, seconds=seconds * options.slower)
                took = time.process_time() - begun
                mine.append((made.proven and took <= seconds, took, made.count, made.at_least, greedy(amounts)))
            print(f"  {count:>4} {name:<8} {_said(mine)}")
            rows += mine
        print(f"  {count:>4} all      {_said(rows)}")
        good &= sum(row[0] for row in rows) >= wanted * len(rows)
        if count == 200:
            good &= all(row[2] <= 1.02 * row[3] and row[2] <= 0.8 * row[4] for row in rows)
    return good


def _said(rows: list[tuple[bool, float, int, int, int]]) -> str:
    took = [row[1] for row in rows]
    means = " ".join(f"{mean(row[at] for row in rows):.1f}" for at in (2, 3, 4))
    return f"{sum(row[0] for row in rows)}/{len(rows)} {median(took):.3f} ({max(took):.2f}) {means}"
