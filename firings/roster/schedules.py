"""Whole schedules: every set of tasks one person may have, found as prices ask, and the programme over them.

The relaxation over schedules is far tighter than that over single places (the method: J. Desrosiers and
M. Lübbecke, "A primer in column generation", 2005); on the instances of tests/bench it mostly equals the best
roster. HiGHS solves it, numba compiles the search for schedules; both are loaded by ``Master`` only.
"""

from __future__ import annotations

import random
import time
from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from math import ceil, gcd, inf
from typing import Any

import numpy as np

from firings.roster.check import may_lead, most_in_a_day, rest_between
from firings.roster.problem import CAN, RATHER_NOT, Crewmate, RosterRequest
from firings.roster.value import TIERS, grievance, may_do

MOST_ROUNDS, MOST_BRANCHES = 500, 5_000  # what ends the work where no clock does
MOST_NODES = 20_000  # of one search for one person; beyond it the neighbours' bound stands in
CLOSE = 1e-4  # what counts as nothing in a price or a value
# In a dive: the price of a place too few or too many, rounds of pricing at each step, people left to the last.
MENDING, PRICED_A_DIVE, FREE_AT_LAST = 1_000.0, 3, 12
PRICED_A_POLISH, FREE_TO_POLISH = 3, 24
LARGEST, SPREAD, MERELY = (TIERS.index(name) for name in ("largest_deviation", "spread", "merely_can"))


@dataclass(frozen=True, slots=True)
class Schedule:
    """All tasks of one person, as rows and columns of the request, with what the tiers say of it."""

    row: int
    tasks: tuple[int, ...]
    deviation: int
    grievance: int
    rather_not: int
    merely_can: int


def load() -> None:
    """Load what solves and searches, which takes a second or two once in a process, before a clock is started."""
    import_module("highspy")
    import_module("firings.roster.kernel")


class Desk:
    """One person's possible tasks in order of time, as the kernel wants them."""

    def __init__(self, request: RosterRequest, row: int, steps: tuple[int, int], pairs: tuple[Any, Any]) -> None:
        self.row, self.person, self.steps = row, request.people[row], steps
        signs, rules = request.wishes[row], request.rules
        able = [
            column
            for column, task in enumerate(request.tasks)
            if task.need
            and may_do(self.person, task, signs[column])
            and most_in_a_day(request, (task,)) <= rules.max_in_24h + self.person.more_in_24h
        ]
        able.sort(key=lambda column: (request.tasks[column].start, request.tasks[column].id))
        tasks = [request.tasks[column] for column in able]
        self.columns = np.array(able, np.int64)
        self.start = np.array([task.start for task in tasks], np.int64)
        self.end = np.array([task.end for task in tasks], np.int64)
        self.hours = np.array([task.length // steps[0] for task in tasks], np.int64)
        self.nights = np.array([task.night // steps[1] for task in tasks], np.int64)
        self.is_night = np.array([task.night >= rules.night_task_min for task in tasks], np.bool_)
        self.leads = np.array([may_lead(self.person, task) for task in tasks], np.float64)
        self.rather_not = np.array([signs[column] == RATHER_NOT for column in able], np.float64)
        self.merely_can = np.array([signs[column] == CAN for column in able], np.float64)
        self.mix = 1.0 if self.person.role == "novice" else -float(rules.novice_per_exp)
        self.most_in_day = rules.max_in_24h + self.person.more_in_24h
        self.most_nights = rules.max_nights_72h + self.person.more_nights
        self.day = request.day_units
        if self.person.less_rest or self.person.more_in_24h:
            pairs = _pairs(request, self.person)
        self.together, self.follows = (np.ascontiguousarray(one[np.ix_(able, able)]) for one in pairs)
        self.ends: dict[int, Any] = {}

    def worth(self, largest: int, weight: float) -> Any:
        """Worth of ending with so many steps: minus ``weight`` a grievance, minus infinity beyond ``largest``."""
        if largest not in self.ends:
            off_h = self._off(self.person.owed, largest, self.steps[0], self.hours)
            off_n = self._off(self.person.night_owed, largest, self.steps[1], self.nights)
            griefs = np.array([[float(grievance(h) + grievance(n)) for n in off_n] for h in off_h])
            barred = np.array([[h > largest or n > largest for n in off_n] for h in off_h])
            self.ends[largest] = griefs, barred
        griefs, barred = self.ends[largest]
        return np.where(barred, -inf, -weight * griefs)

    def _off(self, owed: int, largest: int, step: int, parts: Any) -> list[int]:
        top = min((owed + largest) // step, int(parts.sum()))
        return [abs(steps * step - owed) for steps in range(top + 1)]

    def find(
        self, reward: Any, worth: Any, above: float, *, every: bool = False, room: int = 16
    ) -> tuple[list[tuple[int, ...]], float, bool]:
        """Schedules worth more than ``above`` (own numbers of tasks), what none exceeds, whether that is all.

        Without ``every`` each is better than the one before.
        """
        from firings.roster import kernel

        best_after = kernel.futures(self.follows, reward, self.hours, self.nights, worth)
        bound = float(best_after[len(reward), 0, 0])
        if bound <= above:
            return [], bound, True
        found = np.empty((room, len(reward) + 1), np.int64)
        written, best, whole = kernel.search(
            best_after,
            self.follows,
            self.together,
            reward,
            self.hours,
            self.nights,
            worth,
            self.start,
            self.end,
            self.is_night,
            self.day,
            self.most_in_day,
            3 * self.day,
            self.most_nights,
            above,
            every,
            MOST_NODES * (50 if every else 1),
            found,
        )
        rows = [tuple(row[: row.index(-1)]) for row in found[:written].tolist()]
        return rows, max(best, above) if whole else bound, whole

    def schedule(self, local: Sequence[int]) -> Schedule:
        picked = list(local)
        off_h = abs(int(self.hours[picked].sum()) * self.steps[0] - self.person.owed)
        off_n = abs(int(self.nights[picked].sum()) * self.steps[1] - self.person.night_owed)
        return Schedule(
            self.row,
            tuple(self.columns[picked].tolist()),
            max(off_h, off_n),
            grievance(off_h) + grievance(off_n),
            int(self.rather_not[picked].sum()),
            int(self.merely_can[picked].sum()),
        )


def _pairs(request: RosterRequest, person: Crewmate | None) -> tuple[Any, Any]:
    """By columns, earlier first: two tasks with rest between them; those that may stand next to each other."""
    count = len(request.tasks)
    most = request.rules.max_in_24h + (person.more_in_24h if person else 0)
    together, follows = np.zeros((count, count), np.bool_), np.zeros((count, count), np.bool_)
    for a, first in enumerate(request.tasks):
        for b, second in enumerate(request.tasks):
            if second.start - first.end >= rest_between(request, first, second, person):
                together[a, b] = True
                apart = second.end - first.start > request.day_units + first.length + second.length
                follows[a, b] = apart or most_in_a_day(request, (first, second)) <= most
    return together, follows


def _steps(request: RosterRequest) -> tuple[int, int]:
    hours = gcd(*(task.length for task in request.tasks)) if request.tasks else 1
    nights = gcd(*(task.night for task in request.tasks)) if request.tasks else 1
    return hours, nights or 1


class Master:
    """The linear programme over the schedules known so far; its prices call for new ones.

    Rows: one schedule for each person; crew, leads and mix of each task; places rather not had; the sum of
    grievances; empty places. Artificial columns mend what the known schedules cannot reach yet.
    """

    def __init__(self, request: RosterRequest, *, unfilled: int, rather_not: int) -> None:
        import highspy

        self.highs, self.free = highspy, highspy.kHighsInf
        self.request, self.loose = request, unfilled > 0
        self.lp: Any = highspy.Highs()  # type: ignore[no-untyped-call]
        self.lp.setOptionValue("output_flag", False)
        self.lp.setOptionValue("threads", 1)
        steps, pairs = _steps(request), _pairs(request, None)
        self.desks = [Desk(request, row, steps, pairs) for row in range(len(request.people))]
        self.schedules: list[Schedule] = []
        self.known: set[Schedule] = set()
        self.tier, self.largest = LARGEST, 0
        self.bound, self.prices, self.bests = -inf, np.zeros(0), [0.0]
        self._frame(unfilled, rather_not)

    def _frame(self, unfilled: int, rather_not: int) -> None:
        lp, free, people = self.lp, self.free, len(self.request.people)
        for _ in range(people):
            lp.addRow(1.0, 1.0, 0, [], [])
        for task in self.request.tasks:
            lp.addRow(task.need, task.need, 0, [], [])
            lp.addRow(0.0 if self.loose else task.lead, free, 0, [], [])
            lp.addRow(-free, 0.0, 0, [], [])
        self.crew_row = people + 3 * np.arange(len(self.request.tasks))
        after = people + 3 * len(self.request.tasks)
        self.rather_row, self.grief_row, self.short_row = after, after + 1, after + 2
        for most in (rather_not, free, unfilled):
            lp.addRow(-free, most, 0, [], [])
        for column in self.crew_row.tolist():
            for row, sign in ((column, 1.0), (column, -1.0), (column + 1, 1.0), (column + 2, -1.0)):
                lp.addCol(1.0, 0.0, free, 1, [row], [sign])
        lp.addCol(1.0, 0.0, free, 1, [self.rather_row], [-1.0])
        self.artificial = np.arange(lp.getNumCol(), dtype=np.int32)
        self.held = self._gaps() if self.loose else np.zeros(0, np.int32)
        self.first = lp.getNumCol()

    def _gaps(self) -> Any:
        """Where the places cannot all be filled a task is held by its least crew and lead, or not at all."""
        lp, held_columns = self.lp, []
        for task, row in zip(self.request.tasks, self.crew_row.tolist(), strict=True):
            lp.addCol(0.0, 0.0, task.need, 2, [row, self.short_row], [1.0, 1.0])
            lp.addCol(0.0, 0.0, 1.0, 1, [row + 1], [-float(task.lead)])
            held = lp.getNumCol() - 1
            held_columns.append(held)
            lp.addRow(task.need, self.free, 2, [held - 1, held], [1.0, float(task.need)])
            lp.addRow(-self.free, task.need, 2, [held - 1, held], [1.0, float(min(task.least, task.need))])
        return np.array(held_columns, np.int32)

    def add(self, schedule: Schedule) -> bool:
        """Take a schedule in; False where it is known."""
        if schedule in self.known:
            return False
        self.known.add(schedule)
        self.schedules.append(schedule)
        desk, rows, values = self.desks[schedule.row], [schedule.row], [1.0]
        for column in schedule.tasks:
            crew, task = int(self.crew_row[column]), self.request.tasks[column]
            rows += [crew, crew + 2]
            values += [1.0, desk.mix]
            if may_lead(desk.person, task):
                rows.append(crew + 1)
                values.append(1.0)
        for row, value in ((self.rather_row, schedule.rather_not), (self.grief_row, schedule.grievance)):
            if value:
                rows.append(row)
                values.append(float(value))
        most = self.free if schedule.deviation <= self.largest else 0.0
        self.lp.addCol(self.cost(schedule), 0.0, most, len(rows), rows, values)
        return True

    def add_roster(self, assigned: Mapping[str, Sequence[str]]) -> list[Schedule]:
        """The schedules of a roster, all taken in."""
        found = []
        for desk in self.desks:
            local = [
                number
                for number, column in enumerate(desk.columns.tolist())
                if desk.person.id in assigned.get(self.request.tasks[column].id, ())
            ]
            found.append(desk.schedule(local))
            self.add(found[-1])
        return found

    def cost(self, schedule: Schedule) -> float:
        return float({LARGEST: 0, SPREAD: schedule.grievance, MERELY: schedule.merely_can}[self.tier])

    def aim(self, tier: int, largest: int) -> None:
        """What is made small: at ``LARGEST`` the artificial columns, else the tier's value."""
        self.tier, self.largest, self.bound = tier, largest, -inf
        lp, count = self.lp, len(self.artificial)
        lp.changeColsCost(count, self.artificial, np.full(count, float(tier == LARGEST)))
        most = np.full(count, self.free if tier == LARGEST else 0.0)
        lp.changeColsBounds(count, self.artificial, np.zeros(count), most)
        columns = self._columns()
        lp.changeColsCost(len(columns), columns, np.array([self.cost(one) for one in self.schedules]))
        most = np.array([self.free if one.deviation <= largest else 0.0 for one in self.schedules])
        lp.changeColsBounds(len(columns), columns, np.zeros(len(columns)), most)

    def _columns(self) -> Any:
        return np.arange(self.first, self.first + len(self.schedules), dtype=np.int32)

    def keep_spread(self, most: int) -> None:
        self.lp.changeRowBounds(self.grief_row, -self.free, float(most))

    def least_deviation(self, steps: Sequence[int]) -> int:
        """What somebody must deviate by at least, were they alone with the rules; of rising ``steps``.

        Everybody's nearest schedule is taken in on the way.
        """
        least = 0
        for desk in self.desks:
            nothing, sure = np.zeros(len(desk.columns)), True
            for allowed in steps:
                rows, _, whole = desk.find(nothing, desk.worth(allowed, 1.0), -inf, room=64)
                if rows:
                    self.add(desk.schedule(rows[-1]))
                    break
                sure = sure and whole
                if sure:
                    least = max(least, allowed + 1)
        return least

    def relaxed(self, *, ends: float) -> tuple[float, float]:
        """Generate schedules until it is clear what whole numbers can reach: value and bound of the relaxation."""
        value = inf
        for _ in range(MOST_ROUNDS):
            self.lp.run()
            if self.lp.getModelStatus() != self.highs.HighsModelStatus.kOptimal:
                return inf, self.bound
            value = float(self.lp.getInfo().objective_function_value)
            if self.tier == LARGEST and value < CLOSE:
                return 0.0, 0.0
            added = self._price(value)
            settled = ceil(self.bound - CLOSE) >= ceil(value - CLOSE) or (self.tier == LARGEST and self.bound > CLOSE)
            if settled or not added or time.monotonic() > ends:
                break
        return value, self.bound

    def dive(self, *, ends: float, seed: int) -> list[Schedule] | None:
        """A good roster without proof: fix what the relaxation is surest of, price anew, and so on to the end."""
        lp, fixed = self.lp, dict[int, int]()
        count = len(self.artificial)
        lp.changeColsCost(count, self.artificial, np.full(count, MENDING))
        lp.changeColsBounds(count, self.artificial, np.zeros(count), np.full(count, self.free))
        while len(self.desks) - len(fixed) > FREE_AT_LAST and time.monotonic() < ends:
            for _ in range(PRICED_A_DIVE):
                lp.run()
                if lp.getModelStatus() != self.highs.HighsModelStatus.kOptimal or not self._price(-inf, fixed):
                    break
            lp.run()
            surest: dict[int, tuple[float, int]] = {}
            for number, value in enumerate(lp.getSolution().col_value[self.first :]):
                row = self.schedules[number].row
                if row not in fixed:
                    surest[row] = max(surest.get(row, (-1.0, 0)), (value, number))
            order = sorted(surest, key=lambda row: (-surest[row][0], row))
            for place, row in enumerate(order):
                if surest[row][0] > 0.95 or place < max(1, len(order) // 8):
                    fixed[row] = surest[row][1]
                    lp.changeColBounds(self.first + fixed[row], 1.0, 1.0)
        found, _ = self.whole(seconds=max(0.5, ends - time.monotonic()), seed=seed)
        self.aim(self.tier, self.largest)
        return found

    def polish(self, held: Sequence[Schedule], *, least: float, ends: float, seed: int) -> list[Schedule]:
        """Mend and better a roster: free a few people who share tasks, solve for them, and so on until ``ends``.

        Stops early at ``least``. Crews too small or too large are mended first; the rest is the tier's value.
        """
        chance, best = random.Random(seed), list(held)  # noqa: S311 - repeatable search, not a secret
        lp, count = self.lp, len(self.artificial)
        lp.changeColsCost(count, self.artificial, np.full(count, MENDING))
        lp.changeColsBounds(count, self.artificial, np.zeros(count), np.full(count, self.free))
        while self._mended(best) > least + CLOSE and time.monotonic() < ends:
            loose = self._neighbours(best, chance)
            fixed = {one.row for one in best} - loose
            self._free_only(loose, set(best))
            for _ in range(PRICED_A_POLISH):
                lp.run()
                if lp.getModelStatus() != self.highs.HighsModelStatus.kOptimal or not self._price(-inf, fixed):
                    break
            found, _ = self.whole(seconds=min(6.0, max(0.2, ends - time.monotonic())), seed=seed, start=best)
            if found and len(found) == len(best) and self._mended(found) <= self._mended(best):
                best = found
        self.aim(self.tier, self.largest)
        return best

    def _mended(self, held: Iterable[Schedule]) -> float:
        held = list(held)
        return sum(self.cost(one) for one in held) + MENDING * len(self._amiss(held))

    def _amiss(self, held: Iterable[Schedule]) -> list[int]:
        """Each place too few or too many, by its task's column."""
        there = [0] * len(self.request.tasks)
        for one in held:
            for column in one.tasks:
                there[column] += 1
        return [c for c, task in enumerate(self.request.tasks) for _ in range(abs(task.need - there[c]))]

    def _neighbours(self, held: Sequence[Schedule], chance: random.Random) -> set[int]:
        """Rows of people to be placed anew together: those on, or able to do, a few tasks near each other."""
        amiss = self._amiss(held)
        centre = chance.choice(amiss) if amiss else chance.randrange(len(self.request.tasks))
        start = self.request.tasks[centre].start
        near = sorted(range(len(self.request.tasks)), key=lambda c: (abs(self.request.tasks[c].start - start), c))
        wanted = set(near[: chance.randrange(4, 16)])
        on = [one.row for one in held if wanted & set(one.tasks)]
        able = [desk.row for desk in self.desks if centre in desk.columns]
        uneven = [one.row for one in held if self.cost(one)]
        chance.shuffle(on)
        chance.shuffle(able)
        chance.shuffle(uneven)
        return {*on[: FREE_TO_POLISH // 2], *able[: FREE_TO_POLISH // 4], *uneven[: FREE_TO_POLISH // 4]}

    def _free_only(self, loose: set[int], held: set[Schedule]) -> None:
        columns = self._columns()
        lower = np.array([float(one in held and one.row not in loose) for one in self.schedules])
        upper = np.array(
            [
                self.free if one.deviation <= self.largest and (one.row in loose or one in held) else 0.0
                for one in self.schedules
            ]
        )
        self.lp.changeColsBounds(len(columns), columns, lower, upper)

    def _price(self, value: float, skipped: Container[int] = ()) -> int:
        prices = np.array(self.lp.getSolution().row_dual)
        added, improvement, bests, weight = 0, 0.0, [], self._weight(prices)
        for desk in self.desks:
            if desk.row in skipped:
                continue
            above = -float(prices[desk.row])
            rows, best, _ = desk.find(self._reward(desk, prices), desk.worth(self.largest, weight), above + 1e-7)
            bests.append(max(best, above))
            improvement -= max(0.0, best - above)
            added += sum(self.add(desk.schedule(local)) for local in rows[-3:])
        if value + improvement > self.bound:
            self.bound, self.prices, self.bests = value + improvement, prices, bests
        return added

    def _reward(self, desk: Desk, prices: Any) -> Any:
        rows = self.crew_row[desk.columns]
        reward = prices[rows] + desk.mix * prices[rows + 2] + desk.leads * prices[rows + 1]
        reward += desk.rather_not * prices[self.rather_row]
        return reward - desk.merely_can if self.tier == MERELY else reward

    def _weight(self, prices: Any) -> float:
        """What one grievance costs."""
        return float(self.tier == SPREAD) - float(prices[self.grief_row])

    def enumerate(self, gap: float, *, most: int) -> bool:
        """Take in every schedule that a roster within ``gap`` of the bound may hold; False if they are too many."""
        weight = self._weight(self.prices)
        for desk, best in zip(self.desks, self.bests, strict=True):
            room = most - len(self.schedules)
            if room <= 0:
                return False
            reward, worth = self._reward(desk, self.prices), desk.worth(self.largest, weight)
            rows, _, whole = desk.find(reward, worth, best - gap - CLOSE, every=True, room=room)
            if not whole:
                return False
            for local in rows:
                self.add(desk.schedule(local))
        return True

    def whole(
        self, *, seconds: float, seed: int, start: Iterable[Schedule] = (), below: float = inf
    ) -> tuple[list[Schedule] | None, float]:
        """The best roster of the known schedules that was found, and what none of them beats.

        With ``below`` only rosters of less than that are looked for; infinity says that there is none.
        """
        lp, status = self.lp, self.highs.HighsModelStatus
        columns = np.concatenate([self.held, self._columns()])
        kinds = self.highs.HighsVarType
        lp.changeColsIntegrality(len(columns), columns, np.array([kinds.kInteger] * len(columns)))
        options = {"random_seed": seed, "mip_rel_gap": 0.0, "mip_abs_gap": 0.99, "mip_max_nodes": MOST_BRANCHES}
        for option, value in options.items():
            lp.setOptionValue(option, value)
        lp.setOptionValue("objective_bound", below)
        lp.setOptionValue("time_limit", max(0.01, seconds))
        self._begin_with(set(start))
        lp.run()
        info, found = lp.getInfo(), None
        if info.primal_solution_status == 2:
            values = lp.getSolution().col_value
            found = [one for number, one in enumerate(self.schedules) if values[self.first + number] > 0.5]
        none_left = lp.getModelStatus() in (status.kInfeasible, status.kObjectiveBound)
        least = inf if none_left else float(info.mip_dual_bound)
        lp.changeColsIntegrality(len(columns), columns, np.array([kinds.kContinuous] * len(columns)))
        for option in ("time_limit", "objective_bound"):
            lp.setOptionValue(option, inf)
        return found, least

    def _begin_with(self, start: set[Schedule]) -> None:
        """Give the solver a roster to begin with; it works out the artificial columns itself."""
        if start and not self.loose:
            columns = self._columns()
            values = np.array([float(one in start) for one in self.schedules])
            self.lp.setSolution(len(columns), columns, values)

    def roster(self, schedules: Iterable[Schedule]) -> dict[str, tuple[str, ...]]:
        """By ids, as the checker reads it."""
        crews: dict[str, list[str]] = {task.id: [] for task in self.request.tasks}
        for one in schedules:
            for column in one.tasks:
                crews[self.request.tasks[column].id].append(self.request.people[one.row].id)
        return {task: tuple(sorted(crew)) for task, crew in crews.items()}
