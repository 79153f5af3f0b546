"""Why places stay empty, in the fewest reasons, each checked by removing it."""

from __future__ import annotations

import time
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, compress
from typing import TYPE_CHECKING, Literal

from firings.roster import cpsat, schedules, value
from firings.roster.check import gaps, may_lead, rest_between
from firings.roster.model import NEVER_LEFT_OUT, Built, Guard, Rule, build
from firings.roster.problem import CANNOT, Crewmate, RosterRequest, Task

if TYPE_CHECKING:
    from ortools.sat.python.cp_model import CpModel, IntVar

# Rules of one task's crew or of who may be on it, and rules of one person over several tasks.
OF_TASKS = ("cannot", "no_nights", "skill", "lead", "least", "novices")
OF_PEOPLE = ("rest", "day", "nights")


HANDFUL = 5
AT_ONCE = 0.02  # of the solver's own measure: what a roster mostly takes to be found where there is one
SHORT = 0.01  # people missing in the relaxation; far more than its rounding
SMALL = 200  # people times tasks: up to here one model with assumptions is faster than many without

Kind = Literal["no_lead", "too_few", "novices", "leads", "clash", "spare"]


@dataclass(frozen=True, slots=True)
class Binding:
    """One rule that stands against filling the tasks of a reason; without it the others would not.

    ``cannot``, ``no_nights``, ``skill``: the people it keeps off ``task``; ``lead``, ``least``, ``novices``:
    the crew of ``task``; ``rest``, ``day``, ``nights``: the one person it binds. ``units`` is the rest that is
    due between the tasks, the most work in 24 hours or the most nights in three days.
    """

    kind: str
    task: str | None
    people: tuple[str, ...]
    units: int = 0


@dataclass(frozen=True, slots=True)
class Reason:
    """Why ``places`` of the tasks in ``open`` stay empty.

    ``no_lead``, ``too_few``, ``novices``: one task by itself; ``clash``: the ``tasks`` cannot all be filled,
    though any of them left out the others could; ``leads``: they cannot even all be led; ``spare``: they could
    be filled without leaving another place empty, so plan again. ``needs``: people (for ``leads``: leads) each
    of the tasks must have, in their order. ``can_come`` may be on at least one of the tasks, ``leading`` of
    them may lead one. ``checked`` says that every task and binding was found necessary by leaving it out;
    ``smallest`` that no reason of this kind has fewer tasks.
    """

    kind: Kind
    open: tuple[str, ...]
    places: int
    tasks: tuple[str, ...]
    needs: tuple[int, ...]
    can_come: tuple[str, ...]
    leading: tuple[str, ...]
    bindings: tuple[Binding, ...]
    checked: bool
    smallest: bool
    text: str


def why(
    request: RosterRequest, assigned: Mapping[str, Sequence[str]] | None = None, *, seconds: float = 1.0
) -> tuple[Reason, ...]:
    """The fewest and smallest reasons for the places that ``assigned`` leaves empty, earliest first.

    Without ``assigned`` a roster with the fewest empty places is found first. A place empty in a roster that
    could be better has the reason ``spare``. After ``seconds`` what is left is said without proof
    (``checked`` is False); so is everything where the solver is not installed.
    """
    try:
        cpsat.load()
    except ImportError:
        return tuple(_unproven(request, assigned or {}))
    if len(request.people) * len(request.tasks) > SMALL:
        schedules.load()
    until = time.monotonic() + seconds
    if assigned is None:
        assigned = fullest(request, seconds=seconds / 2)
    levels = {task.id: min(task.need, len(set(assigned.get(task.id, ())))) for task in request.tasks}
    columns = {task.id: column for column, task in enumerate(request.tasks)}
    found: list[Reason] = []
    clashes: list[tuple[int, _Tasks, RosterRequest]] = []
    empty = gaps(request, assigned)
    for number, gap in enumerate(empty):
        now = time.monotonic()
        by_then = now + 2 * (until - now) / (len(empty) - number + 1)
        task = request.tasks[columns[gap.task]]
        most = value.most_places(request, columns[task.id])
        if most < task.need:
            found.append(_by_itself(request, task, most, by_then))
        if most > levels[task.id]:
            search, model, reason = _together(request, task, most - levels[task.id], levels, by_then)
            clashes.append((len(found), search, model))
            found.append(reason)
    for number, search, model in clashes:
        found[number] = _smallest(request, model, found[number], search, until)
    return tuple(_merged(request, found))


def _unproven(request: RosterRequest, assigned: Mapping[str, Sequence[str]]) -> Iterator[Reason]:
    """What can be counted, without a solver."""
    columns = {task.id: column for column, task in enumerate(request.tasks)}
    for gap in gaps(request, assigned):
        task = request.tasks[columns[gap.task]]
        most = value.most_places(request, columns[task.id])
        level = task.need - gap.places
        if most < task.need:
            yield _by_itself(request, task, most, None)
        if most > level:
            yield _clashing(request, request, "clash", task.id, most - level, _Clash({task.id: level + 1}, False), 0)


def fullest(
    request: RosterRequest, *, seconds: float, hint: Mapping[str, Sequence[str]] | None = None
) -> dict[str, tuple[str, ...]]:
    """A roster with the fewest empty places found in ``seconds``; wishes and fairness do not count."""
    built = build(request, judged=False)
    built.model.minimize(sum(built.unfilled.values(), start=0))
    for (person, task), here in built.on.items():
        if hint is not None:
            built.model.add_hint(here, person in hint.get(task, ()))
    solver = cpsat.solver(seconds=seconds)
    found: dict[str, tuple[str, ...]] = {task.id: () for task in request.tasks}
    if cpsat.solves(solver, built.model):
        for (person, task), here in built.on.items():
            if solver.value(here):
                found[task] += (person,)
    return found


# --- Which tasks stand against each other ------------------------------------------------------


def possible(request: RosterRequest, levels: Mapping[str, int], until: float) -> bool | None:
    """Whether these tasks can have that many people at once; None if the clock ends the search.

    A roster is mostly found at once where there is one. Where there is none the relaxation over whole schedules
    mostly says so, which single places would be long in proving.
    """
    if until <= time.monotonic():
        return None
    some = only(request, levels)
    built = build(some, judged=False)
    for task in some.tasks:
        built.model.add(built.unfilled[task.id] <= task.need - levels[task.id])
    found = cpsat.has_answer(built.model, seconds=until - time.monotonic(), work=AT_ONCE)
    if found is not None:
        return found
    if falls_short(some, levels, until):
        return False
    return cpsat.has_answer(built.model, seconds=until - time.monotonic())


def falls_short(some: RosterRequest, levels: Mapping[str, int], until: float) -> bool:
    """Whether not even parts of whole schedules, added up, give every one of these tasks its people.

    False says nothing: the rules of a crew's least number are not in it, and whole people may still not do.
    """
    crews = replace(some, tasks=tuple(replace(task, need=levels[task.id]) for task in some.tasks))
    master = schedules.Master(crews, unfilled=0, rather_not=len(crews.people) * len(crews.tasks))
    for task, row in zip(some.tasks, master.crew_row.tolist(), strict=True):
        master.lp.changeRowBounds(row, levels[task.id], max(task.need, task.cap))  # more may be needed for its lead
    for desk in master.desks:
        master.add(desk.schedule(()))
    master.aim(schedules.LARGEST, sum(task.length for task in crews.tasks) + max(one.owed for one in crews.people))
    _, bound = master.relaxed(ends=until)
    return bound > SHORT


def only(request: RosterRequest, tasks: Collection[str]) -> RosterRequest:
    """The request with these tasks alone."""
    kept = [task.id in tasks for task in request.tasks]
    return replace(
        request,
        tasks=tuple(compress(request.tasks, kept)),
        wishes=tuple("".join(compress(row, kept)) for row in request.wishes),
    )


@dataclass(frozen=True, slots=True)
class _Clash:
    """Tasks that cannot have so many people at once, by id."""

    levels: dict[str, int]
    checked: bool


class _Tasks:
    """One more place on ``task`` against what the other tasks have."""

    def __init__(self, request: RosterRequest, task: Task, levels: Mapping[str, int], until: float) -> None:
        self.request = request
        self.levels = levels
        self.until = until
        self.more = {task.id: max(levels[task.id] + 1, task.least)}
        others = [other for other in request.tasks if other.id != task.id and levels[other.id]]
        others.sort(key=lambda other: (max(other.start - task.end, task.start - other.end), other.start, other.id))
        self.names = [other.id for other in others]  # nearest first: what clashes is mostly near
        self.whole = self._whole() if len(request.people) * len(request.tasks) <= SMALL else None

    def _whole(self) -> tuple[Built, dict[str, IntVar]]:
        """All tasks in one model; a task has its people while its literal is true."""
        some = only(self.request, self.wanted(self.names))
        built = build(some, judged=False)
        full = {name: built.model.new_bool_var("") for name in self.names}
        for task in some.tasks:
            spare = task.need - self.wanted(self.names)[task.id]
            constraint = built.model.add(built.unfilled[task.id] <= spare)
            if task.id in full:
                constraint.only_enforce_if(full[task.id])
        return built, full

    def wanted(self, others: Iterable[str]) -> dict[str, int]:
        return self.more | {name: self.levels[name] for name in others}

    def fit(self, others: Iterable[str]) -> bool | None:
        """Whether these others leave room for the place; small models are made once, large ones anew and small."""
        if self.whole is None:
            return possible(self.request, self.wanted(others), self.until)
        if self.until <= time.monotonic():
            return None
        built, full = self.whole
        built.model.clear_assumptions()
        built.model.add_assumptions([full[name] for name in others])
        return cpsat.has_answer(built.model, seconds=self.until - time.monotonic())

    def clash(self) -> _Clash | None:
        """The fewest others that stand against it; None where all together do not."""
        reach, fits = 1, self.fit(self.names[:1])
        while fits and reach < len(self.names):
            reach = min(2 * reach, len(self.names))
            fits = self.fit(self.names[:reach])
        if fits:
            return None
        core, checked = self._irreducible(self.names[: self._first(reach // 2, reach)])
        return _Clash(self.wanted(core), checked)

    def _first(self, fits: int, clashes: int) -> int:
        """The fewest of the nearest that clash, between a number that fits and one that does not."""
        while clashes - fits > 1:
            middle = (fits + clashes) // 2
            if self.fit(self.names[:middle]):
                fits = middle
            else:
                clashes = middle
        return clashes

    def _irreducible(self, core: Sequence[str]) -> tuple[list[str], bool]:
        """Take out whatever is not needed for the clash; False where the clock left some of it unknown."""
        core, checked = list(core), True
        for name in core[::-1]:
            fits = self.fit(one for one in core if one != name)
            checked &= fits is not None
            if fits is False:
                core.remove(name)
        return core, checked

    def smallest(self, core: Sequence[str]) -> tuple[list[str], bool]:
        """Others that clash, no more of them than in ``core``, and whether no fewer do.

        By implicit hitting sets: each roster that fits leaves a set of tasks of which every clash has one;
        the fewest tasks that hit all of these sets are tried next.
        (Ignatiev, Previti, Liffiton, Marques-Silva, "Smallest MUS extraction with minimal hitting set
        dualization", 2015.)"""
        left: list[frozenset[str]] = []
        while True:
            fewest = _hitting(left, self.names, self.until)
            if fewest is None:
                return list(core), False
            if len(fewest) >= len(core):
                return list(core), True
            filled = self._as_many_with(fewest)
            if filled is None:
                return list(core), False
            if not filled:
                return fewest, True
            left.append(frozenset(self.names) - filled)

    def _as_many_with(self, others: Collection[str]) -> frozenset[str] | None:
        """Other tasks that have their people in a roster with ``others`` in full; empty if there is none."""
        built, full = self._whole()
        model = built.model
        for name in others:
            model.add(full[name] == 1)
        model.maximize(sum(full.values()))
        solver = cpsat.solver(seconds=self.until - time.monotonic())
        solver.parameters.relative_gap_limit = 0.5  # many is enough, the most is not needed
        found = cpsat.solves(solver, model)
        if not found:
            return frozenset() if found is False else None
        return frozenset(name for name, here in full.items() if solver.value(here))


def _hitting(sets: Sequence[frozenset[str]], names: Sequence[str], until: float) -> list[str] | None:
    """The fewest names with one from each of the sets."""
    from ortools.sat.python.cp_model import CpModel

    model = CpModel()
    chosen = {name: model.new_bool_var(name) for name in names}
    for one in sets:
        model.add_bool_or([chosen[name] for name in sorted(one)])
    model.minimize(sum(chosen.values()))
    solver = cpsat.solver(seconds=until - time.monotonic())
    if not cpsat.solves(solver, model) or solver.best_objective_bound < solver.objective_value:
        return None
    return [name for name in names if solver.value(chosen[name])]


# --- Which rules stand against them ------------------------------------------------------------

_Key = tuple[str, str]  # a kind of rule, and the task or person it is about


class _Guards:
    """How rules stand while some are lifted: kinds not in ``kinds`` are left out; for the others, if ``single``,
    there is a literal for each task or person: while it is true, that rule holds."""

    def __init__(self, request: RosterRequest, kinds: Collection[str], *, single: bool = True) -> None:
        self.tasks = {task.id: task for task in request.tasks}
        self.kinds = kinds
        self.single = single
        self.literals: dict[_Key, IntVar] = {}

    def __call__(self, model: CpModel, rule: Rule) -> IntVar | bool:
        if rule.kind not in _LIFTED or self._at_once(rule):
            return True
        if rule.kind not in self.kinds:
            return False
        if not self.single:
            return True
        key = (rule.kind, rule.person if rule.kind in OF_PEOPLE and rule.person else rule.tasks[0])
        if key not in self.literals:
            self.literals[key] = model.new_bool_var(" ".join(key))
        return self.literals[key]

    def _at_once(self, rule: Rule) -> bool:
        """Nobody is in two places at once, whatever may be agreed."""
        if rule.kind != "rest":
            return False
        first, second = (self.tasks[task] for task in rule.tasks)
        return first.start < second.end and second.start < first.end


def _needed_rules(request: RosterRequest, levels: Mapping[str, int], until: float) -> tuple[list[_Key], bool]:
    """Rules that together keep these tasks from having their people, none of them to spare.

    First whole kinds are lifted, then single rules; so that what is left is of as few kinds as can be.
    """
    some = only(request, levels)
    small = len(some.people) * len(some.tasks) <= SMALL
    kinds, checked = (list(_LIFTED), True) if small else _needed_kinds(some, levels, until)
    guards = _Guards(some, kinds)
    built = _filled(some, levels, guards)

    def fit(holding: Iterable[_Key]) -> bool | None:
        if until <= time.monotonic():
            return None
        built.model.clear_assumptions()
        built.model.add_assumptions([guards.literals[key] for key in holding])
        return cpsat.has_answer(built.model, seconds=until - time.monotonic())

    core = sorted(guards.literals, key=lambda key: (_LIFTED.index(key[0]), key[1]))
    for block in _blocks(core):
        rest = [key for key in core if key not in block]
        fits = fit(rest) if len(rest) < len(core) else None
        if fits is False:
            core = rest
        elif len(block) == 1 and fits is None and block[0] in core:
            checked = False
    return core, checked


def _filled(some: RosterRequest, levels: Mapping[str, int], guard: Guard) -> Built:
    built = build(some, guard=guard, judged=False)
    for task in some.tasks:
        built.model.add(built.unfilled[task.id] <= task.need - levels[task.id])
    return built


def _needed_kinds(some: RosterRequest, levels: Mapping[str, int], until: float) -> tuple[list[str], bool]:
    kinds, checked = list(_LIFTED), True
    for kind in _LIFTED:
        if kind in NEVER_LEFT_OUT:
            continue
        if until <= time.monotonic():
            return kinds, False
        rest = [one for one in kinds if one != kind]
        built = _filled(some, levels, _Guards(some, rest, single=False))
        fits = cpsat.has_answer(built.model, seconds=until - time.monotonic())
        checked &= fits is not None
        if fits is False:
            kinds = rest
    return kinds, checked


def _blocks(keys: Sequence[_Key]) -> Iterator[list[_Key]]:
    """Ever smaller blocks of one kind's keys: where few of many count, halves are lifted faster than single ones."""
    for kind in dict.fromkeys(kind for kind, _ in keys):
        same = [key for key in keys if key[0] == kind]
        size = len(same)
        yield same
        while size > 1:
            size = (size + 1) // 2
            yield from (same[start : start + size] for start in range(0, len(same), size))


# Lifted in this order: what is easiest to say is kept.
_LIFTED = ("day", "nights", "novices", "no_nights", "skill", "rest", "least", "cannot", "lead")


def _bindings(
    request: RosterRequest, tasks: Sequence[Task], keys: Sequence[_Key], leads_only: bool
) -> Iterator[Binding]:
    people = {person.id: person for person in request.people}
    columns = {task.id: column for column, task in enumerate(request.tasks)}
    for kind, name in sorted(keys, key=lambda key: (-_LIFTED.index(key[0]), key[1])):
        if kind in OF_PEOPLE:
            yield Binding(kind, None, (name,), _due(request, kind, people[name], tasks))
            continue
        task = request.tasks[columns[name]]
        kept_off = [
            person.id
            for person, signs in zip(request.people, request.wishes, strict=True)
            if _keeps_off(kind, person, task, signs[columns[name]]) and (may_lead(person, task) or not leads_only)
        ]
        yield Binding(kind, name, tuple(kept_off))


def _keeps_off(kind: str, person: Crewmate, task: Task, sign: str) -> bool:
    if kind == "cannot":
        return sign == CANNOT
    if kind == "no_nights":
        return person.no_night and task.night > 0
    return kind == "skill" and task.skill not in person.skills


def _due(request: RosterRequest, kind: str, person: Crewmate, tasks: Sequence[Task]) -> int:
    rules = request.rules
    if kind == "day":
        return rules.max_in_24h + person.more_in_24h
    if kind == "nights":
        return rules.max_nights_72h + person.more_nights
    return max((due for due, rest in _rests(request, person, tasks) if rest < due), default=0)


def _rests(request: RosterRequest, person: Crewmate, tasks: Sequence[Task]) -> Iterator[tuple[int, int]]:
    """Rest due and rest there is between each two tasks that do not overlap."""
    by_start = sorted(tasks, key=lambda task: (task.start, task.id))
    for first, second in combinations(by_start, 2):
        if second.start >= first.end:
            yield rest_between(request, first, second, person), second.start - first.end


# --- The reasons -------------------------------------------------------------------------------


def _by_itself(request: RosterRequest, task: Task, most: int, until: float | None) -> Reason:
    """Why this task could not be filled even if it were the only one; without ``until`` its rules are not sought."""
    able = _able(request, [task])
    leading = [person for person in able if may_lead(person, task)]
    if len(leading) < task.lead:
        kind: Kind = "no_lead"
    else:
        kind = "too_few" if len(able) < task.need else "novices"
    keys: list[_Key] = []
    checked = until is not None
    if until is not None:
        keys, checked = _needed_rules(request, {task.id: most + 1 if most else task.least}, until)
    reason = Reason(
        kind=kind,
        open=(task.id,),
        places=task.need - most,
        tasks=(task.id,),
        needs=(task.need,),
        can_come=tuple(person.id for person in able),
        leading=tuple(person.id for person in leading),
        bindings=tuple(_bindings(request, [task], keys, kind == "no_lead")),
        checked=checked,
        smallest=True,
        text="",
    )
    return replace(reason, text=sentence(request, reason))


def _together(
    request: RosterRequest, task: Task, places: int, levels: Mapping[str, int], until: float
) -> tuple[_Tasks, RosterRequest, Reason]:
    """Which other tasks stand against filling this one, and by which rules; the leads alone if they suffice."""
    leads = _leads_alone(request)
    if leads is not None and task.lead and not levels[task.id]:
        led = {one.id: one.lead if levels[one.id] else 0 for one in leads.tasks}
        search = _Tasks(leads, next(one for one in leads.tasks if one.id == task.id), led, until)
        clash = search.clash()
        if clash is not None:
            return search, leads, _clashing(request, leads, "leads", task.id, places, clash, until)
    search = _Tasks(request, task, levels, until)
    clash = search.clash()
    if clash is not None:
        return search, request, _clashing(request, request, "clash", task.id, places, clash, until)
    alone = _Clash({task.id: levels[task.id] + 1}, checked=True)
    return search, request, _clashing(request, request, "spare", task.id, places, alone, until)


def _clashing(
    request: RosterRequest, model: RosterRequest, kind: Kind, task: str, places: int, clash: _Clash, until: float
) -> Reason:
    tasks = sorted((one for one in request.tasks if one.id in clash.levels), key=lambda one: (one.start, one.id))
    able = [person for person in _able(request, tasks) if kind != "leads" or person in _able(model, model.tasks)]
    keys: list[_Key] = []
    checked = clash.checked
    if checked and kind != "spare":
        keys, checked = _needed_rules(model, clash.levels, until)
    reason = Reason(
        kind=kind,
        open=(task,),
        places=places,
        tasks=tuple(one.id for one in tasks),
        needs=tuple(clash.levels[one.id] for one in tasks),
        can_come=tuple(person.id for person in able),
        leading=tuple(person.id for person in able if any(may_lead(person, one) for one in tasks if one.lead)),
        bindings=tuple(_bindings(request, tasks, keys if checked else [], kind == "leads")),
        checked=checked,
        smallest=kind == "spare" or (clash.checked and len(tasks) <= 2),
        text="",
    )
    return replace(reason, text=sentence(request, reason))


def _smallest(request: RosterRequest, model: RosterRequest, reason: Reason, search: _Tasks, until: float) -> Reason:
    """The reason, or one of fewer tasks if there is time to find it."""
    if reason.smallest or not reason.checked:
        return reason
    search.until = until
    core = [name for name in reason.tasks if name not in reason.open]
    fewer, smallest = search.smallest(core)
    if len(fewer) == len(core):
        return replace(reason, smallest=smallest)
    clash = _Clash(search.wanted(fewer), checked=True)
    other = _clashing(request, model, reason.kind, reason.open[0], reason.places, clash, until)
    return replace(other, smallest=smallest) if other.checked else reason


def _leads_alone(request: RosterRequest) -> RosterRequest | None:
    """The request for the leads only: whatever roster there is gives one of these. None if a chore has a lead.

    Crews of one, without novices: that is for the whole request to judge.
    """
    led = [task for task in request.tasks if task.lead]
    if any(task.kind != "watch" for task in led):
        return None
    some = only(request, [task.id for task in led])
    rows = [
        (person, row)
        for person, row in zip(some.people, some.wishes, strict=True)
        if any(may_lead(person, task) for task in led)
    ]
    return replace(
        some,
        rules=replace(some.rules, rest_other=some.rules.rest_watch, novice_per_exp=1000),
        people=tuple(replace(person, role="lead") for person, _ in rows),
        tasks=tuple(replace(task, kind="chore", skill=None, need=task.lead, cap=task.lead) for task in some.tasks),
        wishes=tuple(
            "".join(sign if may_lead(person, task) else CANNOT for task, sign in zip(some.tasks, row, strict=True))
            for person, row in rows
        ),
    )


def _able(request: RosterRequest, tasks: Sequence[Task]) -> list[Crewmate]:
    """Who may be on at least one of the tasks."""
    columns = [(column, task) for column, task in enumerate(request.tasks) if task in tasks]
    return [
        person
        for person, signs in zip(request.people, request.wishes, strict=True)
        if any(value.may_do(person, task, signs[column]) for column, task in columns)
    ]


def _merged(request: RosterRequest, reasons: Iterable[Reason]) -> Iterator[Reason]:
    """One reason for the same tasks, however many of them stay open by it."""
    same: dict[tuple[str, tuple[str, ...]], Reason] = {}
    for reason in reasons:
        key = (reason.kind, reason.tasks)
        if key in same:
            first = same[key]
            both = replace(first, open=(*first.open, *reason.open), places=first.places + reason.places)
            same[key] = replace(both, text=sentence(request, both))
        else:
            same[key] = reason
    yield from same.values()


# --- In words ----------------------------------------------------------------------------------


def sentence(request: RosterRequest, reason: Reason) -> str:
    """The reason as a lead would say it."""
    tasks = {task.id: task for task in request.tasks}
    if reason.kind in ("clash", "leads"):
        return _clash_in_words(request, reason, [tasks[name] for name in reason.tasks])
    task = tasks[reason.tasks[0]]
    when, come = request.when(task), f"{len(reason.can_come) or 'nobody'} can come"
    if task.skill:
        come += f" with a sign-off for {task.skill}"
    if reason.kind == "spare":
        return f"{when}: it can be filled without leaving another place open; plan the roster again."
    if reason.kind == "no_lead":
        leads = f"{len(reason.leading) or 'none'} of them may lead kiln {task.kiln}"
        away = _names(request, [name for one in reason.bindings if one.kind != "lead" for name in one.people])
        return f"{when}: {come}, {leads}, {task.lead} must." + (f" {away} may lead but cannot come." if away else "")
    if reason.kind == "too_few":
        return f"{when}: {come}, {task.need} are needed."
    experienced = sum(person.role != "novice" for person in request.people if person.id in reason.can_come)
    return f"{when}: {come}, only {experienced} of them experienced; novices may not outnumber them."


def _clash_in_words(request: RosterRequest, reason: Reason, tasks: Sequence[Task]) -> str:
    whens = _listed([request.when(task) for task in tasks])
    if reason.kind == "leads":
        said = f"{whens} cannot all be led: only {_some(request, reason.leading)} may lead"
    else:
        needs = _listed([str(number) for number in reason.needs])
        said = f"{whens} cannot all be filled: they need {needs} people, {len(reason.can_come)} can come"
        if any(one.kind == "lead" for one in reason.bindings):
            said += f", of whom {_some(request, reason.leading)} may lead"
    if len(tasks) == 1:
        busy = "all are needed elsewhere or must rest"
        return f"{whens}: {len(reason.can_come)} can come, but {busy}."
    overlap = any(one.start < two.end and two.start < one.end for one, two in combinations(tasks, 2))
    said += ", and nobody is in two places at once" if overlap else ""
    return f"{said}{_rules_in_words(request, reason.bindings)}."


def _rules_in_words(request: RosterRequest, bindings: Sequence[Binding]) -> str:
    hour = 60 / request.unit_min
    said = []
    for kind, form in (
        ("rest", "{names} must rest {hours:g} h in between"),
        ("day", "{names} may work {hours:g} h in 24 hours"),
        ("nights", "{names} may stand {units} nights in three days"),
    ):
        by_units: dict[int, list[str]] = {}
        for one in bindings:
            if one.kind == kind:
                by_units.setdefault(one.units, []).extend(one.people)
        said += [
            form.format(names=_some(request, people), hours=units / hour, units=units)
            for units, people in by_units.items()
        ]
    by_night = sorted({name for one in bindings if one.kind == "no_nights" for name in one.people})
    if by_night:
        said.append(f"{_some(request, by_night)} {'does' if len(by_night) == 1 else 'do'} no nights")
    if any(one.kind == "novices" for one in bindings):
        said.append("novices may not outnumber the experienced")
    return "".join(f"; {one}" for one in said)


def _some(request: RosterRequest, ids: Collection[str]) -> str:
    """A handful by name, more by number."""
    return _names(request, ids) if 0 < len(ids) <= HANDFUL else f"{len(ids)} people" if ids else "nobody"


def _names(request: RosterRequest, ids: Collection[str]) -> str:
    return _listed([person.called for person in request.people if person.id in ids])


def _listed(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
