"""The inner loops of schedule search, compiled by numba: what one person's best days are at given prices.

A schedule is all the tasks of one person. Tasks are given in order of their start; hours and nights are
counted in steps of their common divisor. Loaded only by ``schedules``, never when the service starts.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np

_F = TypeVar("_F", bound=Callable[..., Any])
_numba: Any = importlib.import_module("numba")
EPSILON = 1e-7


def _compiled(function: _F) -> _F:
    """Compile and keep the machine code beside the module; without a place to keep it, anew each time."""
    try:
        made: _F = _numba.njit(cache=True)(function)
    except RuntimeError:
        made = _numba.njit(function)
    return made


@_compiled
def futures(follows: Any, reward: Any, hours: Any, nights: Any, worth: Any) -> Any:
    """``F[j, h, n]``: the most that can still come after task ``j`` with ``h`` and ``n`` steps behind one.

    ``follows[j, k]``: ``k`` may come right after ``j``. ``worth[h, n]`` is what ending there is worth, minus
    infinity where that is not allowed. Row ``m`` (beyond the tasks) is the beginning. Only neighbours are
    looked at, so this is an upper bound on what schedules that keep all rules can reach.
    """
    count, most_h, most_n = len(reward), worth.shape[0], worth.shape[1]
    best = np.empty((count + 1, most_h, most_n))
    for back in range(count + 1):
        task = count - 1 - back if back < count else count
        for h in range(most_h):
            for n in range(most_n):
                best[task, h, n] = worth[h, n]
        for after in range(0 if task == count else task + 1, count):
            if task < count and not follows[task, after]:
                continue
            gain, dh, dn = reward[after], hours[after], nights[after]
            for h in range(most_h - dh):
                for n in range(most_n - dn):
                    there = gain + best[after, h + dh, n + dn]
                    if there > best[task, h, n]:
                        best[task, h, n] = there
    return best


@_compiled
def may_add(
    new: int,
    chosen: Any,
    count: int,
    together: Any,
    start: Any,
    end: Any,
    is_night: Any,
    day: int,
    most_in_day: int,
    span: int,
    most_nights: int,
) -> bool:
    """Whether a schedule that keeps every rule still does with a later task ``new`` added."""
    dark = 1 if is_night[new] else 0
    for place in range(count):
        task = chosen[place]
        if not together[task, new]:
            return False
        if is_night[task] and start[task] > start[new] - span:
            dark += 1
    if is_night[new] and dark > most_nights:
        return False
    # Only a window that touches the new task can be too full now, opened by a task that is near it.
    for place in range(count + 1):
        opener = new if place == count else chosen[place]
        if end[opener] <= start[new] - day:
            continue
        for side in range(2):
            opening = start[opener] if side == 0 else end[opener] - day
            worked = max(0, min(end[new], opening + day) - max(start[new], opening))
            for other in range(count):
                task = chosen[other]
                worked += max(0, min(end[task], opening + day) - max(start[task], opening))
            if worked > most_in_day:
                return False
    return True


@_compiled
def search(
    best_after: Any,
    follows: Any,
    together: Any,
    reward: Any,
    hours: Any,
    nights: Any,
    worth: Any,
    start: Any,
    end: Any,
    is_night: Any,
    day: int,
    most_in_day: int,
    span: int,
    most_nights: int,
    above: float,
    every: bool,
    most_nodes: int,
    found: Any,
) -> tuple[int, float, bool]:
    """Schedules worth more than ``above``, into rows of ``found`` (task numbers, then -1).

    With ``every`` all of them; without, each better than the one before, so the last is the best. Gives how
    many there are, the worth of the best (an upper bound if cut short), and whether the search was whole.
    """
    count = len(reward)
    room, nodes, written = found.shape[0], 0, 0
    chosen = np.empty(count + 1, np.int64)
    pointer = np.empty(count + 2, np.int64)
    h_at = np.zeros(count + 2, np.int64)
    n_at = np.zeros(count + 2, np.int64)
    value_at = np.zeros(count + 2)
    bar, best = above, -np.inf
    depth = 0
    pointer[0] = -2
    while depth >= 0:
        last = chosen[depth - 1] if depth else count
        if pointer[depth] == -2:
            nodes += 1
            value = value_at[depth] + worth[h_at[depth], n_at[depth]]
            if value > best:
                best = value
            if value > bar + EPSILON:
                if written == room:
                    return written, best_after[count, 0, 0], False
                for place in range(depth):
                    found[written, place] = chosen[place]
                found[written, depth] = -1
                written += 1
                if not every:
                    bar = value
            pointer[depth] = last + 1 if depth else 0
        if nodes > most_nodes:
            return written, best_after[count, 0, 0], False
        # The most promising of the remaining would need sorting; in order of time is good enough.
        after = pointer[depth]
        went = False
        while after < count:
            if depth == 0 or follows[last, after]:
                h, n = h_at[depth] + hours[after], n_at[depth] + nights[after]
                if h < worth.shape[0] and n < worth.shape[1]:
                    value = value_at[depth] + reward[after]
                    if value + best_after[after, h, n] > bar + EPSILON and may_add(
                        after, chosen, depth, together, start, end, is_night, day, most_in_day, span, most_nights
                    ):
                        pointer[depth] = after + 1
                        chosen[depth] = after
                        depth += 1
                        h_at[depth], n_at[depth], value_at[depth] = h, n, value
                        pointer[depth] = -2
                        went = True
                        break
            after += 1
        if not went:
            depth -= 1
    return written, best, True
