"""A first proposal, scarcest task first, then a bounded local improvement by exchanges with a seed."""

from __future__ import annotations

import math
import random
import time
from collections.abc import Mapping, Sequence

from firings.roster.check import may_lead, most_in_a_day, most_nights, rest_between
from firings.roster.problem import CAN, RATHER_NOT, WANTS, RosterRequest, Task
from firings.roster.value import grievance, may_do

# One step of a tier against the next; the search is judged by the tiers themselves, these only lead it.
UNFILLED, TOLD, UNWANTED, LARGEST, SPREAD, MERELY = 100_000.0, 15_000.0, 3_000.0, 40.0, 4.0, 1.0
HOTTEST, COOLEST = 60.0, 0.4
STEPS_PER_SECOND = 80_000
LONGEST_SECONDS = 3_600.0


class Bench:
    """Who is on what while a roster is being made; every move keeps every person's rules.

    A crew may be short or without its lead on the way; such a crew counts as absent, and
    ``stood_down`` sends it home before anything is handed out.
    """

    def __init__(self, request: RosterRequest, keep: Mapping[str, Sequence[str]] | None = None) -> None:
        self.request = request
        people, tasks = request.people, request.tasks
        self.length = [task.length for task in tasks]
        self.night = [task.night for task in tasks]
        self.able: list[list[int]] = [
            [row for row, person in enumerate(people) if may_do(person, task, request.wishes[row][column])]
            for column, task in enumerate(tasks)
        ]
        self.able_bits = [0] * len(people)
        for column, rows in enumerate(self.able):
            for row in rows:
                self.able_bits[row] |= 1 << column
        self.lead_bits = [
            sum(1 << row for row, person in enumerate(people) if may_lead(person, task)) for task in tasks
        ]
        self.novice = [person.role == "novice" for person in people]
        self.clash = self._clashes()
        self.crew: list[list[int]] = [[] for _ in tasks]
        self.bits = [0] * len(people)
        self.kept_bits = [0] * len(people)
        self.has_kept = keep is not None
        column_of = {task.id: column for column, task in enumerate(tasks)}
        row_of = {person.id: row for row, person in enumerate(people)}
        for task_id, names in (keep or {}).items():
            for name in names:
                if task_id in column_of and name in row_of:
                    self.kept_bits[row_of[name]] |= 1 << column_of[task_id]
        self.hours = [-person.owed for person in people]
        self.nights = [-person.night_owed for person in people]
        top = max(
            [sum(self.length), sum(self.night), *(person.owed for person in people)]
            + [person.night_owed for person in people],
        )
        self.grievances = [grievance(units) for units in range(top + 1)]
        self.at_deviation = [0] * (top + 1)
        for value in (*self.hours, *self.nights):
            self.at_deviation[abs(value)] += 1
        self.largest = max((abs(value) for value in (*self.hours, *self.nights)), default=0)
        self.spread = sum(self.grievances[abs(value)] for value in (*self.hours, *self.nights))
        self.missing = [self._missing(column) for column in range(len(tasks))]
        self.unfilled = sum(self.missing)
        self.signs = {WANTS: 0, CAN: 0, RATHER_NOT: 0}
        self.told = sum(1 for kept in self.kept_bits if kept) if self.has_kept else 0
        self.near = [self._near(task) for task in tasks]
        self.bearable: dict[tuple[int, int], bool] = {}

    def _clashes(self) -> list[int]:
        tasks = self.request.tasks
        clash = [1 << column for column in range(len(tasks))]
        for a, first in enumerate(tasks):
            for b, second in enumerate(tasks[:a]):
                early, late = (first, second) if first.start <= second.start else (second, first)
                if late.start - early.end < rest_between(self.request, early, late):
                    clash[a] |= 1 << b
                    clash[b] |= 1 << a
        return clash

    def _near(self, task: Task) -> int:
        """Tasks that may share a day or three days of nights with this one, as bits."""
        span = 3 * self.request.day_units
        return sum(
            1 << column
            for column, other in enumerate(self.request.tasks)
            if other is not task and other.start < task.end + span and other.end > task.start - span
        )

    def cost(self) -> float:
        return (
            UNFILLED * self.unfilled
            + TOLD * self.told
            + UNWANTED * self.signs[RATHER_NOT]
            + LARGEST * self.largest
            + SPREAD * self.spread
            + MERELY * self.signs[CAN]
        )

    def rank(self) -> tuple[int, ...]:
        """The tiers, with the people told anything new right behind the unfilled places."""
        return (
            self.unfilled,
            self.told,
            self.signs[RATHER_NOT],
            self.largest,
            self.spread,
            self.signs[CAN],
        )

    def may_join(self, row: int, column: int) -> bool:
        """Whether the person keeps every rule of their own with this task added."""
        bits = self.bits[row]
        if bits & self.clash[column] or not self.able_bits[row] >> column & 1:
            return False
        return self._bearable(bits, column)

    def _bearable(self, bits: int, column: int) -> bool:
        """Hours in a day and nights with ``column`` added to what was bearable before."""
        near = bits & self.near[column]
        known = self.bearable.get((near, column))
        if known is None:
            tasks = [self.request.tasks[column], *(self.request.tasks[one] for one in _columns(near))]
            rules, new, day = self.request.rules, tasks[0], self.request.day_units
            close = [task for task in tasks if task.start < new.end + day and task.end > new.start - day]
            known = (
                sum(task.length for task in close) <= rules.max_in_24h
                or most_in_a_day(self.request, close) <= rules.max_in_24h
            ) and (
                sum(task.night >= rules.night_task_min for task in tasks) <= rules.max_nights_72h
                or most_nights(self.request, tasks) <= rules.max_nights_72h
            )
            self.bearable[near, column] = known
        return known

    def fits_crew(self, row: int, column: int, leaving: int = -1) -> bool:
        """Whether the crew with this person (and without ``leaving``) can still become a sound one."""
        task = self.request.tasks[column]
        crew = [one for one in self.crew[column] if one != leaving]
        crew.append(row)
        if len(crew) > task.need:
            return False
        leads = self.lead_bits[column]
        if task.lead and len(crew) - sum(leads >> one & 1 for one in crew) > task.need - task.lead:
            return False
        novices = sum(self.novice[one] for one in crew)
        return novices <= self.request.rules.novice_per_exp * (len(crew) - novices)

    def join(self, row: int, column: int) -> None:
        self._shift(row, column, 1)
        self.crew[column].append(row)
        self._recount(column)

    def leave(self, row: int, column: int) -> None:
        self._shift(row, column, -1)
        self.crew[column].remove(row)
        self._recount(column)

    def _shift(self, row: int, column: int, sign: int) -> None:
        if self.has_kept:
            self.told -= self.bits[row] != self.kept_bits[row]
        self.bits[row] ^= 1 << column
        if self.has_kept:
            self.told += self.bits[row] != self.kept_bits[row]
        self.signs[self.request.wishes[row][column]] += sign
        self._move(self.hours, row, sign * self.length[column])
        if self.night[column]:
            self._move(self.nights, row, sign * self.night[column])

    def _move(self, account: list[int], row: int, by: int) -> None:
        before = abs(account[row])
        account[row] += by
        after = abs(account[row])
        self.at_deviation[before] -= 1
        self.at_deviation[after] += 1
        self.spread += self.grievances[after] - self.grievances[before]
        if after > self.largest:
            self.largest = after
        else:
            while self.largest and not self.at_deviation[self.largest]:
                self.largest -= 1

    def _missing(self, column: int) -> int:
        return self.request.tasks[column].need - (len(self.crew[column]) if self.stands(column) else 0)

    def _recount(self, column: int) -> None:
        missing = self._missing(column)
        self.unfilled += missing - self.missing[column]
        self.missing[column] = missing

    def stands(self, column: int) -> bool:
        """Whether these people may be sent as they are."""
        crew, task = self.crew[column], self.request.tasks[column]
        if not crew:
            return True
        leads = self.lead_bits[column]
        if len(crew) < task.least or sum(leads >> one & 1 for one in crew) < task.lead:
            return False
        novices = sum(self.novice[one] for one in crew)
        return novices <= self.request.rules.novice_per_exp * (len(crew) - novices)

    def stood_down(self) -> dict[str, tuple[str, ...]]:
        """The roster by ids; a crew that may not stand alone is sent home."""
        people = self.request.people
        return {
            task.id: tuple(sorted(people[row].id for row in self.crew[column])) if self.stands(column) else ()
            for column, task in enumerate(self.request.tasks)
        }

    def snapshot(self) -> list[list[int]]:
        return [list(crew) for crew in self.crew]

    def restore(self, crews: Sequence[Sequence[int]]) -> None:
        for column, present in enumerate(self.crew):
            for row in [one for one in present if one not in crews[column]]:
                self.leave(row, column)
        for column, crew in enumerate(crews):
            for row in crew:
                if row not in self.crew[column]:
                    self.join(row, column)


def _columns(bits: int) -> list[int]:
    found = []
    while bits:
        lowest = bits & -bits
        found.append(lowest.bit_length() - 1)
        bits ^= lowest
    return found


def first_proposal(bench: Bench) -> None:
    """Fill places, the task with the fewest people to spare first, asking whoever is furthest behind."""
    tasks = bench.request.tasks
    _put_back(bench)
    choices = {
        column: _choices(bench, column, bench.able[column])
        for column, task in enumerate(tasks)
        if task.need > len(bench.crew[column])
    }
    while choices:
        column = min(
            choices,
            key=lambda one: (
                len(choices[one]) - tasks[one].need + len(bench.crew[one]),
                -tasks[one].lead,
                tasks[one].id,
            ),
        )
        if not choices[column] or len(bench.crew[column]) == tasks[column].need:
            del choices[column]
            continue
        row = min(choices[column], key=lambda one: _reluctance(bench, one, column))
        bench.join(row, column)
        for other, rows in choices.items():
            if other == column:
                choices[other] = _choices(bench, other, rows)
            elif row in rows and not bench.may_join(row, other):
                rows.remove(row)


def _choices(bench: Bench, column: int, rows: Sequence[int]) -> list[int]:
    return [row for row in rows if bench.may_join(row, column) and bench.fits_crew(row, column)]


def _put_back(bench: Bench) -> None:
    """Everybody who already had a place keeps it where that is still allowed."""
    for column in range(len(bench.request.tasks)):
        kept = [row for row, bits in enumerate(bench.kept_bits) if bits >> column & 1]
        kept.sort(key=lambda row: (not bench.lead_bits[column] >> row & 1, bench.novice[row], row))
        for row in kept:
            if bench.may_join(row, column) and bench.fits_crew(row, column):
                bench.join(row, column)


def _reluctance(bench: Bench, row: int, column: int) -> tuple[object, ...]:
    task = bench.request.tasks[column]
    led = sum(bench.lead_bits[column] >> one & 1 for one in bench.crew[column])
    lead_missing = led < task.lead and not bench.lead_bits[column] >> row & 1
    wish = bench.request.wishes[row][column]
    hours, nights = bench.hours[row] + task.length, bench.nights[row] + task.night
    unfair = bench.grievances[max(0, hours)] + bench.grievances[max(0, nights)]
    return (lead_missing, wish == RATHER_NOT, unfair, hours, wish != WANTS, bench.request.people[row].id)


def improve(bench: Bench, *, seconds: float, seed: int, target: tuple[int, ...], by_clock: bool = True) -> None:
    """Exchanges, replacements and chains that fill an open place; keeps the best roster seen.

    The number of steps is fixed by ``seconds`` so that one seed gives one answer; the clock is only the
    brake on a slow machine or a large roster (one and a half ``seconds``), unless not ``by_clock``. Stops
    early where ``target``, the bounds, is reached.
    """
    seconds = min(seconds, LONGEST_SECONDS)
    steps = int(seconds * STEPS_PER_SECOND)
    brake = time.monotonic() + 1.5 * seconds if by_clock else math.inf
    chance = random.Random(seed)  # noqa: S311 - repeatable search, not a secret
    columns = [column for column, task in enumerate(bench.request.tasks) if task.need and bench.able[column]]
    if not columns:
        return
    cost, best_rank, best = bench.cost(), bench.rank(), bench.snapshot()
    for step in range(steps):
        if step % 256 == 0 and (time.monotonic() > brake or _reached(best_rank, target)):
            break
        heat = HOTTEST * (COOLEST / HOTTEST) ** (step / steps)
        undo: list[tuple[int, int, bool]] = []
        if not _try(bench, chance, columns, undo):
            _take_back(bench, undo)
            continue
        new_cost = bench.cost()
        if new_cost <= cost or chance.random() < math.exp((cost - new_cost) / heat):
            cost = new_cost
            rank = bench.rank()
            if rank < best_rank:
                best_rank, best = rank, bench.snapshot()
        else:
            _take_back(bench, undo)
    bench.restore(best)


def _reached(rank: tuple[int, ...], target: tuple[int, ...]) -> bool:
    return rank[0] <= target[0] and rank[1] == 0 and all(a <= b for a, b in zip(rank[2:], target[1:], strict=True))


def _try(bench: Bench, chance: random.Random, columns: Sequence[int], undo: list[tuple[int, int, bool]]) -> bool:
    """Make one move, noting each half step in ``undo``; False where it came to nothing."""
    column = columns[int(chance.random() * len(columns))]
    if bench.unfilled and chance.random() < 0.3:
        short = [one for one in columns if bench.missing[one]]
        column = short[int(chance.random() * len(short))] if short else column
    if chance.random() < (0.2 if bench.unfilled else 0.01):
        return _crew_anew(bench, chance, column, columns[int(chance.random() * len(columns))], undo)
    crew, able = bench.crew[column], bench.able[column]
    if len(crew) < bench.request.tasks[column].need and (not crew or chance.random() < 0.7):
        return _fill(bench, chance, column, able[int(chance.random() * len(able))], undo)
    if not crew:
        return False
    leaving = crew[int(chance.random() * len(crew))]
    if chance.random() < 0.5:
        coming = able[int(chance.random() * len(able))]
        if coming in crew:
            return False
        _do(bench, undo, leaving, column, False)
        return _fill(bench, chance, column, coming, undo)
    return _exchange(bench, chance, column, leaving, columns, undo)


def _crew_anew(bench: Bench, chance: random.Random, column: int, other: int, undo: list[tuple[int, int, bool]]) -> bool:
    """Send two crews home and call both together again; the way out where crews compete for one lead."""
    pair = (column, other) if column != other else (column,)
    for one in pair:
        for row in list(bench.crew[one]):
            _do(bench, undo, row, one, False)
    for one in pair:
        able = list(bench.able[one])
        chance.shuffle(able)
        for row in able:
            _join(bench, undo, row, one)
    return True


def _exchange(
    bench: Bench,
    chance: random.Random,
    column: int,
    leaving: int,
    columns: Sequence[int],
    undo: list[tuple[int, int, bool]],
) -> bool:
    other = columns[int(chance.random() * len(columns))]
    if other == column or not bench.crew[other]:
        return False
    coming = bench.crew[other][int(chance.random() * len(bench.crew[other]))]
    if coming == leaving or coming in bench.crew[column] or leaving in bench.crew[other]:
        return False
    if not (bench.able_bits[coming] >> column & 1 and bench.able_bits[leaving] >> other & 1):
        return False
    _do(bench, undo, leaving, column, False)
    _do(bench, undo, coming, other, False)
    return _join(bench, undo, coming, column) and _join(bench, undo, leaving, other)


def _fill(bench: Bench, chance: random.Random, column: int, row: int, undo: list[tuple[int, int, bool]]) -> bool:
    """Bring a person in; whatever of theirs clashes is left and offered to one other person each."""
    if bench.bits[row] >> column & 1 or not bench.fits_crew(row, column):
        return False
    clashing = bench.bits[row] & bench.clash[column]
    freed = [one for one in range(len(bench.crew)) if clashing >> one & 1]
    if len(freed) > 2:
        return False
    for one in freed:
        _do(bench, undo, row, one, False)
    if not _join(bench, undo, row, column):
        return False
    for one in freed:
        able = bench.able[one]
        start = int(chance.random() * len(able))
        for offset in range(len(able)):
            heir = able[(start + offset) % len(able)]
            if heir != row and bench.may_join(heir, one) and bench.fits_crew(heir, one):
                _do(bench, undo, heir, one, True)
                break
    return True


def _join(bench: Bench, undo: list[tuple[int, int, bool]], row: int, column: int) -> bool:
    if not (bench.may_join(row, column) and bench.fits_crew(row, column)):
        return False
    _do(bench, undo, row, column, True)
    return True


def _do(bench: Bench, undo: list[tuple[int, int, bool]], row: int, column: int, joins: bool) -> None:
    (bench.join if joins else bench.leave)(row, column)
    undo.append((row, column, joins))


def _take_back(bench: Bench, undo: list[tuple[int, int, bool]]) -> None:
    for row, column, joined in reversed(undo):
        (bench.leave if joined else bench.join)(row, column)
