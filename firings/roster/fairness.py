"""The tiers of fairness and likings, proven over whole schedules; the tiers before them stay as they are."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace
from math import ceil, inf

from firings.roster import value
from firings.roster.check import faults
from firings.roster.lexicographic import Answer
from firings.roster.problem import RosterRequest
from firings.roster.schedules import CLOSE, LARGEST, MERELY, SPREAD, Master, Schedule

DIVES_FROM = 60  # people; below that a roster is found whole at once
MOST_SCHEDULES = 60_000  # known at once; beyond it the proof is given up and the bound answered


def improve(request: RosterRequest, start: Answer, *, ends: float, seed: int) -> Answer:
    """``start`` made as fair as time (``ends`` by ``time.monotonic``) lets, with the bounds of its last three tiers.

    Needs ``start``'s first two tiers as they are to stay. Raises ImportError without HiGHS or numba.
    """
    search = _Search(request, start, ends=ends, seed=seed)
    search.level()
    for tier in (SPREAD, MERELY):
        search.refine(tier)
    return search.answer()


class _Search:
    def __init__(self, request: RosterRequest, start: Answer, *, ends: float, seed: int) -> None:
        self.request, self.best, self.ends, self.seed = request, start, ends, seed
        self.master = Master(request, unfilled=start.tiers[0], rather_not=start.tiers[1])
        self.master.largest = start.tiers[LARGEST]
        self.held = self.master.add_roster(start.assigned)
        self.bounds = list(start.bounds)

    def left(self, share: float) -> float:
        """A moment by which ``share`` of what is left will have passed."""
        now = time.monotonic()
        return now + share * max(0.0, self.ends - now)

    def level(self) -> None:
        """The least largest deviation: the least the relaxation allows, then the least a roster is found for."""
        most = self.best.tiers[LARGEST]
        steps = self._deviations()
        low = max(self.bounds[LARGEST], self.master.least_deviation(steps))
        steps = [*(one for one in steps if low <= one < most), most]
        by, sure, below, high = self.left(0.5), 0, 0, len(steps) - 1
        while below < high:  # the relaxation reaches steps[high]; it was not shown to reach anything under below
            middle = (below + high) // 2
            verdict = self._reaches(steps[middle], by)
            if verdict:
                high = middle
            else:
                below = middle + 1
                sure = below if verdict is False else sure
        self.bounds[LARGEST] = steps[sure]
        for place in range(high, len(steps) - 1):
            if self._found_within(steps[place]) or time.monotonic() > by:
                break
            if sure == place and self._none_within(steps[place]):
                sure = place + 1
                self.bounds[LARGEST] = steps[sure]

    def _deviations(self) -> list[int]:
        """All deviations anybody can have, rising."""
        step_h, step_n = self.master.desks[0].steps if self.master.desks else (1, 1)
        most = self.best.tiers[LARGEST]
        accounts = [(one.owed, step_h) for one in self.request.people]
        accounts += [(one.night_owed, step_n) for one in self.request.people]
        return [d for d in range(most + 1) if any(_can_deviate(owed, step, d) for owed, step in set(accounts))]

    def _reaches(self, largest: int, by: float) -> bool | None:
        """Whether the relaxation stays within ``largest``; None if time ended first."""
        self.master.aim(LARGEST, largest)
        reached, bound = self.master.relaxed(ends=by)
        if reached < CLOSE:
            return True
        return False if bound > CLOSE else None

    def _found_within(self, largest: int) -> bool:
        self.master.aim(SPREAD, largest)
        self.master.relaxed(ends=self.left(0.4))
        before = self.best.tiers
        self._solve(0.5)
        return self.best.tiers < before

    def _none_within(self, largest: int) -> bool:
        """Whether every schedule within ``largest`` is known and no roster can be made of them."""
        self.master.aim(SPREAD, largest)
        _, bound = self.master.relaxed(ends=self.left(0.4))
        worst = 2 * len(self.request.people) * value.grievance(largest)
        if bound == -inf or not self.master.enumerate(worst - bound, most=MOST_SCHEDULES):
            return False
        found, least = self.master.whole(seconds=self.left(0.5) - time.monotonic(), seed=self.seed)
        return found is None and least == inf

    def refine(self, tier: int) -> None:
        """Make the tier small with the ones before it kept, and say what none can beat."""
        if tier == MERELY:
            self.master.keep_spread(self.best.tiers[SPREAD])
        self.master.aim(tier, self.best.tiers[LARGEST])
        _, bound = self.master.relaxed(ends=self.left(0.5 if tier == SPREAD else 0.7))
        least = max(0, ceil(bound - CLOSE)) if bound > -inf else 0
        if self.best.tiers[tier] > least:
            self._solve(0.5)
        if self.best.tiers[tier] > least and bound > -inf:
            whole = self.master.enumerate(self.best.tiers[tier] - 1 - bound, most=MOST_SCHEDULES)
            known = self._solve(0.6, below=self.best.tiers[tier] - 0.5) if whole else -inf
            if known > -inf:
                least = max(least, ceil(known - CLOSE) if known < inf else self.best.tiers[tier])
        self.bounds[tier] = min(least, self.best.tiers[tier])

    def _solve(self, share: float, below: float = inf) -> float:
        """Look for better rosters of known schedules; what none of those beats."""
        by = self.left(share)
        if below == inf and len(self.request.people) >= DIVES_FROM:
            return self._polish(by, share)
        found, least = self.master.whole(
            seconds=by - time.monotonic(), seed=self.seed, start=() if below < inf else self.held, below=below
        )
        self._take(found)
        return least

    def _polish(self, by: float, share: float) -> float:
        """For large rosters: a dive, mended and bettered a few people at a time; no bound comes of it."""
        least = max(0, ceil(self.master.bound - CLOSE)) if self.master.bound > -inf else 0
        dived = self.master.dive(ends=self.left(0.4 * share), seed=self.seed)
        for start in (dived, None):
            held = start or self.held
            if len(held) == len(self.master.desks) and all(one.deviation <= self.master.largest for one in held):
                until = by if start is None else self.left(0.7)
                self._take(self.master.polish(held, least=least, ends=min(by, until), seed=self.seed))
        return -inf

    def _take(self, schedules: Sequence[Schedule] | None) -> bool:
        """Keep a roster that is better; False where there is none or it is no better."""
        if schedules is None:
            return False
        assigned = self.master.roster(schedules)
        reached = value.tiers(self.request, assigned)
        if reached >= self.best.tiers or faults(self.request, assigned):
            return False
        self.best = replace(self.best, assigned=assigned, tiers=reached)
        self.held = list(schedules)
        return True

    def answer(self) -> Answer:
        bounds = tuple(min(a, b) for a, b in zip(self.bounds, self.best.tiers, strict=True))
        proven = tuple(a == b for a, b in zip(bounds, self.best.tiers, strict=True))
        return replace(self.best, bounds=bounds, proven=proven)


def _can_deviate(owed: int, step: int, deviation: int) -> bool:
    return (owed + deviation) % step == 0 or (deviation <= owed and (owed - deviation) % step == 0)
