"""The most disjoint groups of balances that each add up to zero, with a bound on how many there can be.

Small lists exactly, by chains of zero-sum subsets. Longer ones by listing every zero-sum subset up to a size (two
halves met in the middle) and packing them with CP-SAT; larger groups are counted, not listed: hence the bound.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations
from random import Random
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Places = npt.NDArray[np.integer[Any]]

Group = tuple[int, ...]

EXACT_UP_TO: Final = 22
_MOST_SUBSETS: Final = 150_000
_MOST_IN_A_CHAIN: Final = 4_000
_LARGEST_LISTED: Final = 8
_MANY: Final = 80  # beyond it only threes and fours are listed
_PART: Final = 20  # as many balances as are grouped anew at once
_LARGE_PART: Final = 38
_ORDERS: Final = 5
_MISSES: Final = 40  # parts tried without gain before larger subsets are listed


@dataclass(frozen=True, slots=True)
class Packed:
    """Disjoint zero-sum groups, as places in the list given; no grouping has more than ``at_most``."""

    groups: tuple[Group, ...]
    at_most: int

    @property
    def proven(self) -> bool:
        return len(self.groups) >= self.at_most


def pack(amounts: Sequence[int], *, seconds: float, seed: int = 1) -> Packed:
    """Groups of ``amounts`` (minor units, none 0, together 0, no two that cancel) within ``seconds``."""
    if len(amounts) <= EXACT_UP_TO:
        groups = most_groups(amounts)
        return Packed(groups, len(groups))
    end, chance = time.monotonic() + seconds, Random(seed)  # noqa: S311 - no secret, a repeatable search
    best = Packed((tuple(range(len(amounts))),), max(1, min(len(amounts) // 3, *_signs(amounts))))
    for size in range(4, (_LARGEST_LISTED if len(amounts) <= _MANY else 4) + 1):
        found = zero_subsets(amounts, size)
        left = end - time.monotonic()
        if found is None or left <= 0:
            break
        best = Packed(max(best.groups, _taken_as_they_come(amounts, found, chance), key=len), best.at_most)
        chosen, at_most = _chosen(amounts, found, size, min(left, seconds / 4), seed, best)
        rest_seconds = seconds / 4 if len(amounts) > _MANY else 0.0
        groups = max(best.groups, _with_rest(amounts, chosen, rest_seconds), key=len)
        best = Packed(groups, min(best.at_most, at_most))
        if (size >= 5 or len(amounts) > _MANY) and not best.proven:
            best = _improved(amounts, best, chance, end)
        if best.proven:
            return best
    while len(amounts) > _LARGE_PART and not best.proven and time.monotonic() < end:
        best = _improved(amounts, best, chance, end, part=_LARGE_PART)
    return best


def most_groups(amounts: Sequence[int]) -> tuple[Group, ...]:
    """The most groups of a short list, exactly.

    The last balance is in the last group, so subsets of the others are enough. A chain of growing zero-sum
    subsets is a list of groups: each step adds one (Verhoeff 2004).
    """
    if not amounts:
        return ()
    import numpy as np

    sums = np.zeros(1, dtype=np.int64)
    for amount in amounts[:-1]:
        sums = np.concatenate([sums, sums + amount])
    zero = np.flatnonzero(sums == 0)[1:]
    chain = _chain_of_few(zero) if len(zero) <= _MOST_IN_A_CHAIN else _chain(sums == 0, len(amounts) - 1)
    groups, before = [], 0
    for subset in [*chain, (1 << len(amounts)) - 1]:
        added, before = subset & ~before, subset
        groups.append(tuple(at for at in range(len(amounts)) if added >> at & 1))
    return tuple(groups)


def zero_subsets(amounts: Sequence[int], largest: int) -> list[Group] | None:
    """Every zero-sum subset of 3 to ``largest`` balances that holds no smaller one; None where they are too many."""
    import numpy as np

    values, half = np.array(amounts, dtype=np.int64), len(amounts) // 2
    left = _by_size(values[:half], 0, largest)
    right = [
        (sums[order], places[order])
        for sums, places in _by_size(values[half:], half, largest)
        for order in [np.argsort(sums, kind="stable")]
    ]
    found: list[Group] = []
    for size in range(3, largest + 1):
        smaller = set(found)
        for in_left in range(max(0, size + 1 - len(right)), min(size + 1, len(left))):
            rows = _meeting(left[in_left], right[size - in_left])
            if rows is None:
                return None
            for group in map(tuple, rows.tolist()):
                if not any(part in smaller for k in range(3, size // 2 + 1) for part in combinations(group, k)):
                    found.append(group)
        if len(found) > _MOST_SUBSETS:
            return None
    return found


def _signs(amounts: Sequence[int]) -> tuple[int, int]:
    plus = sum(amount > 0 for amount in amounts)
    return plus, len(amounts) - plus


def _by_size(values: Places, first: int, largest: int) -> list[tuple[Places, Places]]:
    """Sums and members' places of all subsets, by size from 0 up."""
    import numpy as np

    count = len(values)
    out: list[tuple[Places, Places]] = [(np.zeros(1, dtype=np.int64), np.zeros((1, 0), dtype=np.int16))]
    for size in range(1, min(largest, count) + 1):
        sums, places = out[-1]
        last = places[:, -1].astype(np.int64) - first if size > 1 else np.full(1, -1, dtype=np.int64)
        times = count - 1 - last
        base = np.repeat(np.arange(len(sums)), times)
        following = _runs(times) + last[base] + 1
        out.append(
            (sums[base] + values[following], np.column_stack([places[base], (following + first).astype(np.int16)]))
        )
    return out


def _runs(times: Places) -> Places:
    """0 .. times[0]-1, 0 .. times[1]-1, and so on."""
    import numpy as np

    return np.arange(int(times.sum())) - np.repeat(np.cumsum(times) - times, times)


def _meeting(left: tuple[Places, Places], right: tuple[Places, Places]) -> Places | None:
    """Members of all pairs of a left and a right subset that add up to zero; None where they are too many."""
    import numpy as np

    first = np.searchsorted(right[0], -left[0], "left")
    times = np.searchsorted(right[0], -left[0], "right") - first
    if times.sum() > 4 * _MOST_SUBSETS:
        return None
    base = np.repeat(np.arange(len(times)), times)
    return np.concatenate([left[1][base], right[1][first[base] + _runs(times)]], axis=1)


def _chain_of_few(zero: Places) -> list[int]:
    """The longest chain of nested subsets, comparing each with each; ``zero`` in ascending order."""
    import numpy as np

    length, under = np.ones(len(zero), dtype=np.int64), np.full(len(zero), -1)
    for place in range(1, len(zero)):
        inside = np.flatnonzero((zero[:place] & zero[place]) == zero[:place])
        if len(inside):
            under[place] = inside[np.argmax(length[inside])]
            length[place] = length[under[place]] + 1
    chain, top = [], int(np.argmax(length)) if len(zero) else -1
    while top >= 0:
        chain.append(int(zero[top]))
        top = int(under[top])
    return chain[::-1]


def _chain(is_zero: npt.NDArray[np.bool_], size: int) -> list[int]:
    """The same over all subsets, for balances with very many that add up to zero."""
    import numpy as np

    best = is_zero.astype(np.int8)
    best[0] = 0
    by_count = np.argsort(np.bitwise_count(np.arange(1 << size)), kind="stable")
    ends = np.cumsum(np.bincount(np.bitwise_count(np.arange(1 << size))))
    for count in range(1, size + 1):
        layer = by_count[ends[count - 1] : ends[count]]
        most = np.zeros(len(layer), dtype=np.int8)
        for bit in range(size):
            has = layer >> bit & 1 == 1
            most[has] = np.maximum(most[has], best[layer[has] ^ (1 << bit)])
        best[layer] += most
    chain, subset = list[int](), (1 << size) - 1
    while subset:
        if is_zero[subset]:
            chain.append(subset)
        wanted = best[subset] - is_zero[subset]
        subset = next(
            subset ^ (1 << bit) for bit in range(size) if subset >> bit & 1 and best[subset ^ (1 << bit)] == wanted
        )
    return chain[::-1]


def _chosen(
    amounts: Sequence[int], found: Sequence[Group], size: int, seconds: float, seed: int, best: Packed
) -> tuple[list[Group], int]:
    """The most disjoint groups of ``found`` together with groups too large to be listed; and the bound.

    A larger group has more than ``size`` members, and enough minuses to meet its largest plus (and the other way
    round), so only so many fit beside the groups taken.
    """
    from ortools.sat.python import cp_model

    count, model = len(amounts), cp_model.CpModel()
    taken = [model.new_bool_var("") for _ in found]
    holding: list[list[Any]] = [[] for _ in amounts]
    for var, group in zip(taken, found, strict=True):
        for at in group:
            holding[at].append(var)
    for there in holding:
        model.add_at_most_one(there)
    members = sum(len(group) * var for group, var in zip(found, taken, strict=True))
    larger = model.new_int_var(0, count // (size + 1), "")
    for least in (_least_sizes(amounts, size + 1), _least_sizes([-amount for amount in amounts], size + 1)):
        heads = {at: model.new_bool_var("") for at in least}
        model.add(sum(heads.values()) == larger)
        for at, var in heads.items():
            model.add_at_most_one([var, *holding[at]])
        model.add(members + sum(least[at] * var for at, var in heads.items()) <= count)
    model.add(sum(taken) + larger <= best.at_most)
    model.maximize(sum(taken) + larger)
    known = set(best.groups)
    for var, group in zip(taken, found, strict=True):
        model.add_hint(var, group in known)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = seed
    solver.parameters.max_time_in_seconds = seconds
    if solver.solve(model) not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return [], best.at_most
    chosen = [group for var, group in zip(taken, found, strict=True) if solver.value(var)]
    return chosen, min(best.at_most, int(solver.best_objective_bound + 1e-6))


def _taken_as_they_come(amounts: Sequence[int], found: Sequence[Group], chance: Random) -> tuple[Group, ...]:
    """The best of some random orders, small groups first: a start for the packing."""
    best: list[Group] = []
    for _ in range(_ORDERS):
        order = sorted(found, key=lambda group: (len(group), chance.random()))
        groups, used = list[Group](), set[int]()
        for group in order:
            if used.isdisjoint(group):
                groups.append(group)
                used.update(group)
        best = max(best, groups, key=len)
    return _with_rest(amounts, best, 0.0)


def _least_sizes(amounts: Sequence[int], least: int) -> dict[int, int]:
    """For every plus the fewest members of a group in which it is the largest plus."""
    minuses = sorted((-amount for amount in amounts if amount < 0), reverse=True)
    sizes = {}
    for at, amount in enumerate(amounts):
        if amount > 0:
            needed = met = 0
            while met < amount and needed < len(minuses):
                met += minuses[needed]
                needed += 1
            sizes[at] = max(least, needed + 1)
    return sizes


def _with_rest(amounts: Sequence[int], groups: Iterable[Group], seconds: float) -> tuple[Group, ...]:
    """The groups and what they leave, divided exactly where it is short, else as well as ``seconds`` allow."""
    groups = list(groups)
    used = {at for group in groups for at in group}
    rest = tuple(at for at in range(len(amounts)) if at not in used)
    return (*groups, *_anew(amounts, rest, seconds)) if rest else tuple(groups)


def _anew(amounts: Sequence[int], part: Group, seconds: float = 0.0) -> tuple[Group, ...]:
    """The part grouped anew: exactly where it is short, else as well as ``seconds`` allow."""
    if len(part) > EXACT_UP_TO and not seconds:
        return (part,)
    groups = pack([amounts[at] for at in part], seconds=seconds).groups
    return tuple(tuple(part[at] for at in group) for group in groups)


def _improved(amounts: Sequence[int], best: Packed, chance: Random, end: float, *, part: int = _PART) -> Packed:
    """Random groups taken together and grouped anew exactly, until nothing was gained for a while.

    A regrouping of equally many groups is taken too: it opens other ways.
    """
    groups, misses = list(best.groups), 0
    while len(groups) < best.at_most and misses < _MISSES and time.monotonic() < end:
        chance.shuffle(groups)
        taken: list[Group] = []
        for group in groups:
            if sum(map(len, taken)) + len(group) <= part:
                taken.append(group)
        if not taken:
            break
        places = [at for group in taken for at in group]
        chance.shuffle(places)
        anew = _anew(amounts, tuple(places), min(2.0, max(end - time.monotonic(), 0.0)))
        misses = 0 if len(anew) > len(taken) else misses + 1
        groups = [group for group in groups if group not in taken] + [tuple(sorted(group)) for group in anew]
    return Packed(tuple(groups), best.at_most)
