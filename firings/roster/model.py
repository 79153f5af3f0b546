"""The roster as a CP-SAT model: one rule per function, five tiers as expressions.

OR-tools is loaded inside functions only: starting the service must not pay for it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any

from firings.roster.check import may_lead, rest_between
from firings.roster.problem import CAN, CANNOT, RATHER_NOT, Crewmate, RosterRequest, Task
from firings.roster.value import SLOPES, may_do

if TYPE_CHECKING:
    from ortools.sat.python.cp_model import CpModel, IntVar, LinearExprT


@dataclass(frozen=True, slots=True)
class Rule:
    """One instance of a rule: its kind, whom it binds (``None``: the crew) and on which tasks, by ids.

    Kinds: ``cannot``, ``no_nights``, ``skill`` (one person, one task); ``rest`` (one person, tasks of
    which they may do one); ``day``, ``nights`` (one person, the tasks of a window); ``least``, ``lead``,
    ``novices``, ``full`` (the crew of one task).
    """

    kind: str
    tasks: tuple[str, ...]
    person: str | None = None


# Nobody is alone at the fire and somebody signed off leads: no policy, so no model without them.
NEVER_LEFT_OUT = frozenset({"least", "lead"})

# How a rule instance stands in the model: True holds, False is left out, a literal holds while it is true.
Guard = Callable[["CpModel", Rule], "IntVar | bool"]


@dataclass(frozen=True, slots=True)
class Built:
    """The model with its handles. ``on`` by (person id, task id), only where the person may be there;
    ``unfilled`` by task id: its empty places; ``tiers`` go by ``value.TIERS`` (empty if not judged)."""

    model: CpModel
    request: RosterRequest
    on: Mapping[tuple[str, str], IntVar]
    held: Mapping[str, IntVar]
    unfilled: Mapping[str, LinearExprT]
    tiers: tuple[LinearExprT, ...]


def build(request: RosterRequest, *, guard: Guard | None = None, judged: bool = True) -> Built:
    """Every rule of the checker and, if ``judged``, the tiers.

    Without ``guard`` all rules hold and rest is said for whole groups of clashing tasks; with it, every
    instance is put to ``guard`` and rest is said pair by pair. No crew is larger than its task needs.
    Raises ValueError where ``guard`` leaves out a rule of ``NEVER_LEFT_OUT``.
    """
    draft = _Draft(request, guard)
    for rule in RULES:
        rule(draft)
    unfilled = {task.id: task.need - _sum(draft.crew(task)) for task in request.tasks}
    tiers = _tiers(draft, unfilled) if judged else ()
    return Built(draft.model, request, draft.on, draft.held, unfilled, tiers)


class _Draft:
    """The model being made: variables first, then rule by rule."""

    def __init__(self, request: RosterRequest, guard: Guard | None) -> None:
        from ortools.sat.python.cp_model import CpModel

        self.request = request
        self.guard = guard
        self.model = CpModel()
        self.on: dict[tuple[str, str], IntVar] = {}
        self.crews: dict[str, list[tuple[Crewmate, IntVar]]] = {task.id: [] for task in request.tasks}
        self.doing: dict[str, list[tuple[Task, IntVar]]] = {person.id: [] for person in request.people}
        for person, signs in zip(request.people, request.wishes, strict=True):
            for task, sign in zip(request.tasks, signs, strict=True):
                self._meet(person, task, sign)
        self.held = {task.id: self.model.new_bool_var(f"held {task.id}") for task in request.tasks}

    def _meet(self, person: Crewmate, task: Task, sign: str) -> None:
        """A variable where the person may be there, or may be once guarded rules are lifted."""
        stands: list[IntVar | bool] = []
        if not may_do(person, task, sign):
            if self.guard is None:
                return
            kinds = (
                ("cannot", sign == CANNOT),
                ("no_nights", person.no_night and task.night > 0),
                ("skill", task.skill is not None and task.skill not in person.skills),
            )
            stands = [self.guard(self.model, Rule(kind, (task.id,), person.id)) for kind, bars in kinds if bars]
            if any(stand is True for stand in stands):
                return
        here = self.model.new_bool_var(f"{person.id} on {task.id}")
        for literal in stands:
            if literal is not False:
                self.model.add_implication(literal, ~here)
        self.on[person.id, task.id] = here
        self.crews[task.id].append((person, here))
        self.doing[person.id].append((task, here))

    def crew(self, task: Task) -> list[IntVar]:
        return [here for _, here in self.crews[task.id]]

    def demand(self, rule: Rule, relation: Any) -> None:
        """Add one rule instance as its guard wants it."""
        stand = True if self.guard is None else self.guard(self.model, rule)
        if stand is False and rule.kind in NEVER_LEFT_OUT:
            raise ValueError(f"the rule {rule.kind!r} cannot be switched off")
        if stand is False or isinstance(relation, bool):
            return
        constraint = self.model.add(relation)
        if stand is not True:
            constraint.only_enforce_if(stand)


def no_crew_overfull(draft: _Draft) -> None:
    """No more people than needed; nobody at all where the task is not held."""
    for task in draft.request.tasks:
        crew = draft.crew(task)
        for here in crew:
            draft.model.add_implication(here, draft.held[task.id])
        if len(crew) > task.need:
            draft.demand(Rule("full", (task.id,)), _sum(crew) <= task.need)


def nobody_alone(draft: _Draft) -> None:
    for task in draft.request.tasks:
        held = draft.held[task.id]
        draft.demand(Rule("least", (task.id,)), _sum(draft.crew(task)) >= task.least * held)


def somebody_leads(draft: _Draft) -> None:
    for task in draft.request.tasks:
        if task.lead:
            leads = [here for person, here in draft.crews[task.id] if may_lead(person, task)]
            draft.demand(Rule("lead", (task.id,)), _sum(leads) >= task.lead * draft.held[task.id])


def novices_not_outnumbering(draft: _Draft) -> None:
    each = draft.request.rules.novice_per_exp
    for task in draft.request.tasks:
        novices = [here for person, here in draft.crews[task.id] if person.role == "novice"]
        experienced = [here for person, here in draft.crews[task.id] if person.role != "novice"]
        if novices:
            draft.demand(Rule("novices", (task.id,)), _sum(novices) <= each * _sum(experienced))


def rest_kept(draft: _Draft) -> None:
    """One place at a time over all kilns, with rest between."""
    groups = _pairs(draft.request) if draft.guard else _groups(draft.request)
    for person in draft.request.people:
        here = {task.id: variable for task, variable in draft.doing[person.id]}
        said = set()
        for group in _pairs(draft.request, person) if person.less_rest else groups:
            mine = tuple(task for task in group if task in here)
            if len(mine) > 1 and mine not in said:
                said.add(mine)
                draft.demand(Rule("rest", mine, person.id), _sum([here[task] for task in mine]) <= 1)


def hours_in_a_day(draft: _Draft) -> None:
    windows = _day_windows(draft.request)
    for person in draft.request.people:
        most = draft.request.rules.max_in_24h + person.more_in_24h
        here = {task.id: variable for task, variable in draft.doing[person.id]}
        said = set()
        for window in windows:
            mine = tuple((task, units) for task, units in window if task in here)
            if sum(units for _, units in mine) > most and mine not in said:
                said.add(mine)
                rule = Rule("day", tuple(task for task, _ in mine), person.id)
                draft.demand(rule, _weighted([(here[task], units) for task, units in mine]) <= most)


def nights_in_three_days(draft: _Draft) -> None:
    rules, span = draft.request.rules, 3 * draft.request.day_units
    for person in draft.request.people:
        most = rules.max_nights_72h + person.more_nights
        nights = [(task, here) for task, here in draft.doing[person.id] if task.night >= rules.night_task_min]
        said = set()
        for opening in sorted({task.start for task, _ in nights}):
            near = [(task, here) for task, here in nights if opening <= task.start < opening + span]
            names = tuple(task.id for task, _ in near)
            if len(near) > most and names not in said:
                said.add(names)
                draft.demand(Rule("nights", names, person.id), _sum([here for _, here in near]) <= most)


RULES = (
    no_crew_overfull,
    nobody_alone,
    somebody_leads,
    novices_not_outnumbering,
    rest_kept,
    hours_in_a_day,
    nights_in_three_days,
)


def _pairs(request: RosterRequest, person: Crewmate | None = None) -> list[tuple[str, ...]]:
    """Each two tasks that one person cannot both do, earlier first."""
    by_start = sorted(request.tasks, key=lambda task: (task.start, task.id))
    return [(a.id, b.id) for a, b in combinations(by_start, 2) if b.start - a.end < rest_between(request, a, b, person)]


def _groups(request: RosterRequest) -> list[tuple[str, ...]]:
    """The clashing pairs as few, large groups of which a person may do one task.

    With the rest added to their ends tasks are intervals, and whatever meets at one moment clashes.
    """
    rules = request.rules
    chores = [task for task in request.tasks if task.kind == "chore"]
    watches = [task for task in request.tasks if task.kind == "watch"]
    groups = [
        *_meeting(watches, rules.rest_watch),
        *_meeting(request.tasks, min(rules.rest_watch, rules.rest_other)),
        *_meeting(chores, rules.rest_other),
    ]
    covered = {frozenset(pair) for group in groups for pair in combinations(group, 2)}
    groups += [pair for pair in _pairs(request) if frozenset(pair) not in covered]
    sets = [frozenset(group) for group in groups]
    return [group for group, one in zip(groups, sets, strict=True) if not any(one < other for other in sets)]


def _meeting(tasks: Iterable[Task], rest: int) -> list[tuple[str, ...]]:
    tasks = sorted(tasks, key=lambda task: (task.start, task.id))
    return [
        tuple(task.id for task in tasks if task.start <= opening < task.end + rest)
        for opening in sorted({task.start for task in tasks})
    ]


def _day_windows(request: RosterRequest) -> list[tuple[tuple[str, int], ...]]:
    """For each 24 hours that may be the fullest: the tasks in it, with their units inside."""
    day = request.day_units
    openings = {task.start for task in request.tasks} | {task.end - day for task in request.tasks}
    windows = []
    for opening in sorted(openings):
        shares = [(task.id, min(task.end, opening + day) - max(task.start, opening)) for task in request.tasks]
        windows.append(tuple((task, units) for task, units in shares if units > 0))
    return windows


def _tiers(draft: _Draft, unfilled: Mapping[str, LinearExprT]) -> tuple[LinearExprT, ...]:
    """The values of ``value.tiers`` as expressions; deviations are exact once they are minimised."""
    signs: dict[str, list[IntVar]] = {RATHER_NOT: [], CAN: []}
    for person, row in zip(draft.request.people, draft.request.wishes, strict=True):
        for task, sign in zip(draft.request.tasks, row, strict=True):
            if sign in signs and (person.id, task.id) in draft.on:
                signs[sign].append(draft.on[person.id, task.id])
    deviations = _deviations(draft)
    largest = draft.model.new_int_var(0, _top(draft.request), "largest deviation")
    for deviation in deviations:
        draft.model.add(largest >= deviation)
    spread = _sum([_grievance(draft, deviation) for deviation in deviations])
    return (_sum(list(unfilled.values())), _sum(signs[RATHER_NOT]), largest, spread, _sum(signs[CAN]))


def _deviations(draft: _Draft) -> list[IntVar]:
    top = _top(draft.request)
    found = []
    for person in draft.request.people:
        doing = draft.doing[person.id]
        hours = [(here, task.length) for task, here in doing]
        nights = [(here, task.night) for task, here in doing if task.night]
        for parts, owed, kind in ((hours, person.owed, "hours"), (nights, person.night_owed, "nights")):
            deviation = draft.model.new_int_var(0, top, f"{kind} of {person.id}")
            work = _weighted(parts)
            draft.model.add(deviation >= work - owed)
            draft.model.add(deviation >= owed - work)
            found.append(deviation)
    return found


def _grievance(draft: _Draft, deviation: IntVar) -> IntVar:
    """``value.grievance`` of a deviation: its pieces are convex, so the largest line through them is it."""
    cost, reached, slope = 0, 0, 0
    most = _top(draft.request)
    grief = draft.model.new_int_var(0, SLOPES[-1][1] * most, "")
    for start, next_slope in SLOPES:
        cost += slope * (start - reached)
        reached, slope = start, next_slope
        if most > start:
            draft.model.add(grief >= cost + slope * (deviation - start))
    return grief


def _top(request: RosterRequest) -> int:
    """No deviation can be larger than this. Whoever worked ahead owes less than nothing."""
    owed = [one for person in request.people for one in (person.owed, person.night_owed)]
    return max(sum(task.length for task in request.tasks) - min(0, *owed, 0), *owed, 0)


def _sum(parts: Sequence[Any]) -> Any:
    from ortools.sat.python.cp_model import LinearExpr

    return LinearExpr.sum(list(parts))


def _weighted(parts: Sequence[tuple[IntVar, int]]) -> Any:
    from ortools.sat.python.cp_model import LinearExpr

    return LinearExpr.weighted_sum([one for one, _ in parts], [weight for _, weight in parts])
