"""Published staff-rostering instances through the roster's solver, with an evaluator that knows no solver.

Format, rules and best-known costs: T. Curtois, R. Qu, "Computational results on new staff scheduling benchmark
instances", Technical report, University of Nottingham, 2014.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

from firings.roster import cpsat

# Cost, and whether it is proven to be the least; from the same report and the instances' own notes.
BEST_KNOWN = {1: 607, 2: 828, 3: 1001, 4: 1716, 5: 1143, 6: 1950, 7: 1056}

Assigned = Mapping[tuple[str, int], str]  # shift by employee and day


@dataclass(frozen=True, slots=True)
class Employee:
    id: str
    most_of: Mapping[str, int]
    most_minutes: int
    least_minutes: int
    most_in_a_row: int
    least_in_a_row: int
    least_days_off: int
    most_weekends: int
    days_off: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Request:
    employee: str
    day: int
    shift: str
    weight: int


@dataclass(frozen=True, slots=True)
class Cover:
    day: int
    shift: str
    need: int
    under: int
    over: int


@dataclass(slots=True)
class Instance:
    days: int = 0
    minutes: dict[str, int] = field(default_factory=dict)
    not_after: dict[str, tuple[str, ...]] = field(default_factory=dict)  # shifts that may not follow the shift
    employees: dict[str, Employee] = field(default_factory=dict)
    on: list[Request] = field(default_factory=list)
    off: list[Request] = field(default_factory=list)
    covers: list[Cover] = field(default_factory=list)

    def weekends(self) -> Iterator[tuple[int, int]]:
        """Every instance begins on a Monday."""
        return ((saturday, saturday + 1) for saturday in range(5, self.days, 7))


def read(path: Path) -> Instance:
    instance, section = Instance(), ""
    for line in path.read_text(encoding="utf-8").splitlines():
        text = line.strip()
        if not text or text.startswith("#"):
            continue
        if text.startswith("SECTION_"):
            section = text.removeprefix("SECTION_")
            continue
        _take(instance, section, text.split(","))
    return instance


def _take(instance: Instance, section: str, cells: list[str]) -> None:
    match section:
        case "HORIZON":
            instance.days = int(cells[0])
        case "SHIFTS":
            instance.minutes[cells[0]] = int(cells[1])
            instance.not_after[cells[0]] = tuple(name for name in cells[2].split("|") if name)
        case "STAFF":
            most_of = {name: int(most) for name, most in (cell.split("=") for cell in cells[1].split("|"))}
            most, least, row, least_row, off, weekends = map(int, cells[2:8])
            instance.employees[cells[0]] = Employee(cells[0], most_of, most, least, row, least_row, off, weekends)
        case "DAYS_OFF":
            days = frozenset(int(day) for day in cells[1:])
            instance.employees[cells[0]] = replace(instance.employees[cells[0]], days_off=days)
        case "SHIFT_ON_REQUESTS":
            instance.on.append(Request(cells[0], int(cells[1]), cells[2], int(cells[3])))
        case "SHIFT_OFF_REQUESTS":
            instance.off.append(Request(cells[0], int(cells[1]), cells[2], int(cells[3])))
        case "COVER":
            instance.covers.append(Cover(int(cells[0]), cells[1], *map(int, cells[2:5])))


# --- Judged without a solver --------------------------------------------------------------------


def cost(instance: Instance, assigned: Assigned) -> int:
    """Weights of requests not met and of cover above or below what is asked."""
    total = sum(one.weight for one in instance.on if assigned.get((one.employee, one.day)) != one.shift)
    total += sum(one.weight for one in instance.off if assigned.get((one.employee, one.day)) == one.shift)
    for cover in instance.covers:
        there = sum(assigned.get((name, cover.day)) == cover.shift for name in instance.employees)
        total += cover.under * max(0, cover.need - there) + cover.over * max(0, there - cover.need)
    return total


def broken(instance: Instance, assigned: Assigned) -> list[str]:
    """Every hard rule that the roster breaks."""
    found = []
    for one in instance.employees.values():
        row = [assigned.get((one.id, day)) for day in range(instance.days)]
        found += [f"{one.id}: {text}" for text in _broken_by(instance, one, row)]
    return found


def _broken_by(instance: Instance, one: Employee, row: list[str | None]) -> Iterator[str]:
    worked = [shift for shift in row if shift is not None]
    for shift in instance.minutes:
        if worked.count(shift) > one.most_of.get(shift, instance.days):
            yield f"too many {shift}"
    minutes = sum(instance.minutes[shift] for shift in worked)
    if not one.least_minutes <= minutes <= one.most_minutes:
        yield f"{minutes} minutes"
    for before, after in pairwise(row):
        if before is not None and after in instance.not_after[before]:
            yield f"{after} after {before}"
    if any(row[day] is not None for day in one.days_off):
        yield "works on a day off"
    if sum(any(row[day] is not None for day in both if day < instance.days) for both in instance.weekends()) > (
        one.most_weekends
    ):
        yield "too many weekends"
    begins = 0
    for day in range(1, instance.days + 1):
        if day < instance.days and (row[day] is None) == (row[begins] is None):
            continue
        length, inside = day - begins, begins > 0 and day < instance.days
        if row[begins] is not None and length > one.most_in_a_row:
            yield f"{length} days in a row"
        # What was before the first day and comes after the last is taken to be long enough.
        if row[begins] is not None and inside and length < one.least_in_a_row:
            yield f"only {length} days in a row"
        if row[begins] is None and inside and length < one.least_days_off:
            yield f"only {length} days off"
        begins = day


# --- Solved -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Solved:
    assigned: dict[tuple[str, int], str]
    cost: int
    bound: int

    @property
    def proven(self) -> bool:
        return self.cost == self.bound


class _Model:
    """One rule per method; ``on`` by employee, day and shift, only where the employee may be."""

    def __init__(self, instance: Instance) -> None:
        from ortools.sat.python.cp_model import CpModel

        self.instance = instance
        self.model = CpModel()
        self.on: dict[tuple[str, int, str], Any] = {
            (one.id, day, shift): self.model.new_bool_var(f"{one.id} {day} {shift}")
            for one in instance.employees.values()
            for day in range(instance.days)
            for shift in instance.minutes
            if day not in one.days_off and one.most_of.get(shift, instance.days) > 0
        }
        self.works: dict[tuple[str, int], Any] = {}
        for one in instance.employees.values():
            for day in range(instance.days):
                self.works[one.id, day] = self._one_shift_a_day(one, day)
            self._shifts_that_follow(one)
            self._totals(one)
            self._in_a_row(one)
            self._weekends(one)
        self.model.minimize(self._requests() + self._cover())

    def _shifts(self, one: str, day: int) -> list[Any]:
        return [self.on[one, day, shift] for shift in self.instance.minutes if (one, day, shift) in self.on]

    def _one_shift_a_day(self, one: Employee, day: int) -> Any:
        shifts = self._shifts(one.id, day)
        if len(shifts) == 1:
            return shifts[0]
        works = self.model.new_bool_var(f"{one.id} {day}")
        self.model.add(sum(shifts) == works)
        return works

    def _shifts_that_follow(self, one: Employee) -> None:
        for day in range(self.instance.days - 1):
            for shift, barred in self.instance.not_after.items():
                after = [self.on[one.id, day + 1, name] for name in barred if (one.id, day + 1, name) in self.on]
                if after and (one.id, day, shift) in self.on:
                    self.model.add(self.on[one.id, day, shift] + sum(after) <= 1)

    def _totals(self, one: Employee) -> None:
        for shift, most in one.most_of.items():
            mine = [here for (name, _, which), here in self.on.items() if name == one.id and which == shift]
            if len(mine) > most:
                self.model.add(sum(mine) <= most)
        minutes = sum(
            self.instance.minutes[shift] * here for (name, _, shift), here in self.on.items() if name == one.id
        )
        self.model.add_linear_constraint(minutes, one.least_minutes, one.most_minutes)

    def _in_a_row(self, one: Employee) -> None:
        works, days = [self.works[one.id, day] for day in range(self.instance.days)], self.instance.days
        for day in range(days - one.most_in_a_row):
            self.model.add(sum(works[day : day + one.most_in_a_row + 1]) <= one.most_in_a_row)
        for length in range(1, one.least_in_a_row):
            for day in range(days - length - 1):
                self.model.add(
                    sum(works[day + 1 : day + length + 1]) <= length - 1 + works[day] + works[day + length + 1]
                )
        for length in range(1, one.least_days_off):
            for day in range(days - length - 1):
                self.model.add(sum(works[day + 1 : day + length + 1]) >= works[day] + works[day + length + 1] - 1)

    def _weekends(self, one: Employee) -> None:
        taken = []
        for both in self.instance.weekends():
            days = [self.works[one.id, day] for day in both if day < self.instance.days]
            weekend = self.model.new_bool_var("")
            for works in days:
                self.model.add_implication(works, weekend)
            taken.append(weekend)
        if len(taken) > one.most_weekends:
            self.model.add(sum(taken) <= one.most_weekends)

    def _requests(self) -> Any:
        parts: list[Any] = []
        for one in self.instance.on:
            here = self.on.get((one.employee, one.day, one.shift))
            parts.append(one.weight if here is None else one.weight * (1 - here))
        for one in self.instance.off:
            here = self.on.get((one.employee, one.day, one.shift))
            parts += [] if here is None else [one.weight * here]
        return sum(parts)

    def _cover(self) -> Any:
        parts: list[Any] = []
        for cover in self.instance.covers:
            there = [
                self.on[name, cover.day, cover.shift]
                for name in self.instance.employees
                if (name, cover.day, cover.shift) in self.on
            ]
            under = self.model.new_int_var(0, cover.need, "")
            over = self.model.new_int_var(0, max(0, len(there) - cover.need), "")
            self.model.add(sum(there) + under - over == cover.need)
            parts += [cover.under * under, cover.over * over]
        return sum(parts)


def solve(instance: Instance, *, seconds: float, seed: int = 1, log: bool = False) -> Solved:
    """The cheapest roster found with the settings of every roster here."""
    built = _Model(instance)
    solver = cpsat.solver(seconds=seconds, seed=seed)
    solver.parameters.log_search_progress = log
    if not cpsat.solves(solver, built.model):
        raise TimeoutError(f"no roster in {seconds} s")
    assigned = {(name, day): shift for (name, day, shift), here in built.on.items() if solver.value(here)}
    return Solved(assigned, cost(instance, assigned), int(-(-(solver.best_objective_bound - 1e-6) // 1)))
