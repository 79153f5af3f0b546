"""Mends a roster that people already know with the least change, at midnight with the fire burning."""

from __future__ import annotations

import time
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil, inf
from typing import TYPE_CHECKING, Any

from firings.roster import cpsat, value
from firings.roster.changes import Change, ComesLate, DropsOut, changed
from firings.roster.check import crew_faults, faults, most_in_a_day, most_nights, rest_between
from firings.roster.model import Built, build
from firings.roster.problem import CAN, CANNOT, Crewmate, RosterRequest, Task

if TYPE_CHECKING:
    from ortools.sat.python.cp_model import CpSolver, IntVar

WORK_PER_SECOND = 0.5  # of the solver's repeatable measure, for each tier
TIERS = ("unfilled", "told", "moved", *value.TIERS[1:])


@dataclass(frozen=True, slots=True)
class Move:
    """One place that changes: the person comes onto the task, or leaves it."""

    person: str
    task: str
    joins: bool


@dataclass(frozen=True, slots=True)
class Replan:
    """The mended roster. ``request`` is the request after the changes.

    ``told`` are the people whose places are not what they knew, by task and time; ``retimed`` those of them
    whose place stays but at another time. ``tiers``, ``bounds`` and ``proven`` go by ``TIERS``:
    ``proven[k]`` says that no roster has a better value in tier k with the earlier tiers as they are, and
    ``bounds[k]`` is what none can beat. Places of a crew that may not stand count as unfilled. ``faults``
    are rules that are broken at the fire now or were broken before, which no new roster can mend.
    """

    request: RosterRequest
    assigned: dict[str, tuple[str, ...]]
    told: tuple[str, ...]
    retimed: tuple[str, ...]
    moved: tuple[Move, ...]
    tiers: tuple[int, ...]
    bounds: tuple[int, ...]
    proven: tuple[bool, ...]
    faults: tuple[str, ...]
    seconds: float


# --- The least change ------------------------------------------------------------------------


def least_change(
    request: RosterRequest,
    old: Mapping[str, Sequence[str]],
    changes: Iterable[Change] = (),
    now: int | None = None,
    *,
    may_move: Collection[str] = (),
    seconds: float = 1.0,
    seed: int = 1,
    repeatable: bool = False,
    fair: bool = True,
) -> Replan:
    """Fill what can be filled after ``changes`` while telling the fewest people anything new.

    First fewest places unfilled, then fewest people told, then fewest places changed, then the tiers of
    every roster. ``now`` in units from ``t0``: what has ended stays as it was; whoever is on a task that
    runs stays there unless they are in ``may_move`` or dropped out themselves, though others may join them.
    Without ``now`` nothing has begun. With ``repeatable`` work ends the search, not the clock. Without
    ``fair`` it ends with the fewest changes, whoever they fall on. Raises Malformed where a change names
    nobody or nothing.
    """
    cpsat.load()
    began = time.monotonic()
    changes = tuple(changes)
    frame = _framed(request, old, changes, now, frozenset(may_move))
    search = _Search(frame, seed, seconds * WORK_PER_SECOND if repeatable else inf)
    ends = inf if repeatable else began + seconds
    least = search.fewest(max(ends - 0.25 * seconds, time.monotonic() + 0.25 * seconds))
    fairest = search.fairest(least, ends if fair else -inf)
    assigned = frame.whole(fairest.assigned)
    told, retimed, moved = _news(frame, assigned)
    tiers = (frame.unfilled(assigned), len(told), len(moved), *fairest.values)
    bounds = (*least.bounds, *fairest.bounds)
    return Replan(
        request=frame.request,
        assigned=assigned,
        told=told,
        retimed=retimed,
        moved=moved,
        tiers=tiers,
        bounds=bounds,
        proven=_proven(tiers, bounds),
        faults=tuple(faults(frame.request, assigned)),
        seconds=round(time.monotonic() - began, 3),
    )


@dataclass(frozen=True, slots=True)
class _Frame:
    """What may still change, as a request of its own, and what may not.

    ``past``: tasks that have ended. ``stays``: who was on them, and who is at a task that runs. ``sub`` has
    only the tasks that have not ended. ``bound``: the tasks that each person has in any case. ``retimed``:
    tasks of ``sub`` that have other times now.
    """

    request: RosterRequest
    old: dict[str, tuple[str, ...]]
    past: frozenset[str]
    stays: dict[str, tuple[str, ...]]
    bound: dict[str, tuple[Task, ...]]
    retimed: frozenset[str]
    sub: RosterRequest

    def whole(self, assigned: Mapping[str, Sequence[str]]) -> dict[str, tuple[str, ...]]:
        """The roster of every task, with whoever stays where they are."""
        people = {person.id for person in self.request.people}
        return {
            task.id: tuple(sorted({*self.stays.get(task.id, ()), *(people & set(assigned.get(task.id, ())))}))
            for task in self.request.tasks
        }

    def unfilled(self, assigned: Mapping[str, Sequence[str]]) -> int:
        """Open places of all that has not ended; of a crew that may not stand, all its places."""
        return sum(self.short(task, assigned[task.id]) for task in self.request.tasks if task.id not in self.past)

    def short(self, task: Task, names: Sequence[str]) -> int:
        crew = [person for person in self.request.people if person.id in names]
        return task.need if any(crew_faults(self.request, task, crew)) else max(0, task.need - len(crew))


def _framed(
    request: RosterRequest,
    old: Mapping[str, Sequence[str]],
    changes: Sequence[Change],
    now: int | None,
    may_move: frozenset[str],
) -> _Frame:
    after = changed(request, changes, now)
    people = {person.id for person in after.people}
    known = {task.id: tuple(dict.fromkeys(n for n in old.get(task.id, ()) if n in people)) for task in after.tasks}
    past = frozenset(task.id for task in after.tasks if now is not None and task.end <= now)
    running = [task.id for task in after.tasks if now is not None and task.start <= now < task.end]
    gone = {task: may_move | _gone(after, changes, task) for task in running}
    stays = {task: known[task] for task in past}
    stays |= {task: tuple(name for name in known[task] if name not in gone[task]) for task in running}
    bound = {name: tuple(task for task in after.tasks if name in stays.get(task.id, ())) for name in people}
    before = {task.id: (task.start, task.end) for task in request.tasks}
    return _Frame(
        request=after,
        old=known,
        past=past,
        stays=stays,
        bound=bound,
        retimed=frozenset(
            task.id
            for task in after.tasks
            if task.id not in past and before.get(task.id, (task.start, task.end)) != (task.start, task.end)
        ),
        sub=_what_is_open(after, past, known, bound),
    )


def _gone(after: RosterRequest, changes: Sequence[Change], task: str) -> set[str]:
    """Who said that they are not at this task any more."""
    spoke = {change.person for change in changes if isinstance(change, DropsOut | ComesLate)}
    column = next(number for number, one in enumerate(after.tasks) if one.id == task)
    return {person.id for person, row in _rows(after) if person.id in spoke and row[column] == CANNOT}


def _rows(request: RosterRequest) -> Iterable[tuple[Crewmate, str]]:
    return zip(request.people, request.wishes, strict=True)


def _what_is_open(
    request: RosterRequest,
    past: Collection[str],
    known: Mapping[str, Sequence[str]],
    bound: Mapping[str, Sequence[Task]],
) -> RosterRequest:
    """The tasks that have not ended. A crew larger than its need may stay so.

    Whoever is at a task that runs is there as a person of their own (``_there``), who can do nothing else and
    breaks no rule by being there; beside that they can do what does not clash with what stands, and owe what
    is left after it.
    """
    tasks = tuple(task for task in request.tasks if task.id not in past)
    people, wishes = [], []
    for person, row in _rows(request):
        standing = bound[person.id]
        signs = {task: sign for task, sign in zip(request.tasks, row, strict=True) if task in tasks}
        hours, nights = sum(task.length for task in standing), sum(task.night for task in standing)
        people.append(replace(person, owed=person.owed - hours, night_owed=person.night_owed - nights))
        wishes.append(
            "".join(
                CANNOT if task in standing or _clashes(request, person, task, standing) else sign
                for task, sign in signs.items()
            )
        )
        for there in (task for task in standing if task in signs):
            people.append(_there(person, there))
            sign = CAN if signs[there] == CANNOT else signs[there]
            wishes.append("".join(sign if task is there else CANNOT for task in tasks))
    needs = {task.id: max(task.need, min(task.cap, len(known[task.id]))) for task in tasks}
    return replace(
        request,
        people=tuple(people),
        tasks=tuple(replace(task, need=needs[task.id]) for task in tasks),
        wishes=tuple(wishes),
    )


def _there(person: Crewmate, task: Task) -> Crewmate:
    """The person as they are at this task, which is neither too long for them nor a night too many any more."""
    return replace(
        person,
        id=_at(person.id, task.id),
        skills=(*person.skills, task.skill) if task.skill else person.skills,
        no_night=False,
        owed=task.length,
        night_owed=task.night,
        more_in_24h=task.length,
        more_nights=1,
    )


def _at(person: str, task: str) -> str:
    return f"{person}\0{task}"


def _clashes(request: RosterRequest, person: Crewmate, task: Task, standing: Sequence[Task]) -> bool:
    for other in standing:
        first, second = sorted((task, other), key=lambda one: (one.start, one.id))
        if second.start - first.end < rest_between(request, first, second, person):
            return True
    return False


# --- The search ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Found:
    """A roster of the open tasks with the bounds of the tiers that were searched."""

    assigned: dict[str, tuple[str, ...]]
    values: tuple[int, ...]
    bounds: tuple[int, ...]


class _Search:
    """The model of the open tasks with the news as expressions."""

    def __init__(self, frame: _Frame, seed: int, work: float = inf) -> None:
        self.frame = frame
        self.seed = seed
        self.work = work
        self.built = build(frame.sub)
        for rule in (_those_at_the_fire_stay, _days_with_what_stands, _nights_with_what_stands):
            rule(self.built, frame)
        self.unfilled = self._unfilled()
        self.told, self.moved = self._news()

    def _unfilled(self) -> Any:
        """Open places by each task's own need: a crew larger than that makes up for no other."""
        model, frame = self.built.model, self.frame
        tasks = {task.id: task for task in frame.request.tasks}
        short: list[Any] = []
        for task in frame.sub.tasks:
            missing: Any = self.built.unfilled[task.id]
            need = tasks[task.id].need
            if need < task.need:
                least = model.new_int_var(0, need, f"short {task.id}")
                model.add(least >= missing - (task.need - need))
                missing = least
            short.append(missing)
        return sum(short)

    def _news(self) -> tuple[Any, Any]:
        """People told anything new, and places that change; what is new in any case counts in both."""
        told: list[Any] = []
        moved: list[Any] = []
        for person in self.frame.request.people:
            surely, differ = self._new_to(person.id)
            moved += [surely, *differ]
            retimed = any(task.id in self.frame.retimed for task in self.frame.bound[person.id])
            if surely or retimed or self._was_on_retimed(person.id):
                told.append(1)
            elif differ:
                news = self.built.model.new_bool_var(f"{person.id} is told")
                for one in differ:
                    self.built.model.add_implication(one, news)
                told.append(news)
        return sum(told), sum(moved)

    def _was_on_retimed(self, person: str) -> bool:
        return any(person in self.frame.old[task] for task in self.frame.retimed)

    def _new_to(self, person: str) -> tuple[int, list[Any]]:
        """Places this person surely loses, and for each place that may change the literal that it does."""
        surely, differ = 0, list[Any]()
        for task in self.frame.request.tasks:
            if task.id in self.frame.past or person in self.frame.stays.get(task.id, ()):
                continue
            was = person in self.frame.old[task.id]
            here = self.built.on.get((person, task.id))
            if here is not None:
                differ.append(~here if was else here)
            else:
                surely += was
        return surely, differ

    def fewest(self, until: float) -> _Found:
        """The fewest unfilled places, then people told, then places changed, in one search."""
        model, frame = self.built.model, self.frame
        per_told = len(frame.request.tasks) * len(frame.request.people) + 1
        per_open = per_told * (len(frame.request.people) + 1)
        model.minimize(per_open * self.unfilled + per_told * self.told + self.moved)
        kept = _as_it_stands(frame, self.built)
        solver, assigned = self._solved(until, kept)
        reached = _counts(frame, assigned)
        if solver is None:
            return _Found(assigned, reached, (0, 0, 0))
        least, rest = divmod(ceil(solver.best_objective_bound - 1e-6), per_open)
        if least < reached[0]:
            return _Found(assigned, reached, (max(0, least), 0, 0))
        told, moved = divmod(rest, per_told)
        return _Found(assigned, reached, (least, told, moved if told == reached[1] else 0))

    def fairest(self, least: _Found, until: float) -> _Found:
        """The tiers of every roster behind the first, with no more unfilled, told and moved than found."""
        model, frame = self.built.model, self.frame
        for expression, most in zip((self.unfilled, self.told, self.moved), least.values, strict=True):
            model.add(expression <= most)
        assigned = least.assigned
        bounds = [0] * len(self.built.tiers[1:])
        sure = least.values == least.bounds
        for tier, expression in enumerate(self.built.tiers[1:]):
            if not sure or until <= time.monotonic():
                break
            model.minimize(expression)
            solver, assigned = self._solved(until, assigned)
            reached = value.tiers(frame.sub, assigned)[tier + 1]
            if solver is not None:
                bounds[tier] = max(0, ceil(solver.best_objective_bound - 1e-6))
            sure = solver is not None and reached == bounds[tier]
            model.add(expression <= reached)
        return _Found(assigned, value.tiers(frame.sub, assigned)[1:], tuple(bounds))

    def _solved(
        self, until: float, known: Mapping[str, Sequence[str]]
    ) -> tuple[CpSolver | None, dict[str, tuple[str, ...]]]:
        """The better of ``known`` and what the solver finds before ``until``; no solver where it found nothing."""
        model, on = self.built.model, self.built.on
        model.clear_hints()  # type: ignore[no-untyped-call]
        for (person, task), here in on.items():
            model.add_hint(here, person in known[task])
        solver = cpsat.solver(seconds=until - time.monotonic(), seed=self.seed, work=self.work)
        if not cpsat.solves(solver, model):
            return None, {task: tuple(crew) for task, crew in known.items()}
        return solver, {
            task.id: tuple(
                person for (person, on_task), here in on.items() if on_task == task.id and solver.value(here)
            )
            for task in self.frame.sub.tasks
        }


def _counts(frame: _Frame, assigned: Mapping[str, Sequence[str]]) -> tuple[int, int, int]:
    whole = frame.whole(assigned)
    told, _, moved = _news(frame, whole)
    return frame.unfilled(whole), len(told), len(moved)


def _news(
    frame: _Frame, assigned: Mapping[str, Sequence[str]]
) -> tuple[tuple[str, ...], tuple[str, ...], tuple[Move, ...]]:
    """Who is told anything new, whose place is at another time, and each place that changes."""
    moved, retimed = [], set()
    for task in frame.request.tasks:
        old, new = set(frame.old[task.id]), set(assigned[task.id])
        if task.id in frame.past:
            continue
        moved += [Move(person, task.id, person in new) for person in sorted(old ^ new)]
        if task.id in frame.retimed:
            retimed |= old
    people = [person.id for person in frame.request.people]
    differ = {move.person for move in moved}
    return (
        tuple(one for one in people if one in differ | retimed),
        tuple(one for one in people if one in retimed),
        tuple(moved),
    )


def _proven(tiers: Sequence[int], bounds: Sequence[int]) -> tuple[bool, ...]:
    """A tier is proven where its bound is met and the tiers before it are proven."""
    met = [reached == bound for reached, bound in zip(tiers, bounds, strict=True)]
    return tuple(all(met[: number + 1]) for number in range(len(met)))


def _as_it_stands(frame: _Frame, built: Built) -> dict[str, tuple[str, ...]]:
    """What of the old roster is still allowed: whole crews that may stand, earliest first."""
    having = {name: list(tasks) for name, tasks in frame.bound.items()}
    people = {person.id: person for person in frame.request.people}
    kept: dict[str, tuple[str, ...]] = {}
    for task in sorted(frame.sub.tasks, key=lambda one: (one.start, one.id)):
        stays = frame.stays.get(task.id, ())
        coming = [
            name
            for name in frame.old[task.id]
            if name not in stays and (name, task.id) in built.on and _bears(frame, people[name], task, having[name])
        ]
        crew = [people[name] for name in (*stays, *coming)]
        if any(crew_faults(frame.sub, task, crew)) or len(crew) > task.need:
            kept[task.id] = ()
            continue
        kept[task.id] = (*(_at(name, task.id) for name in stays), *coming)
        for name in coming:
            having[name].append(task)
    return kept


def _bears(frame: _Frame, person: Crewmate, task: Task, having: Sequence[Task]) -> bool:
    """Whether the person keeps their own rules with this task added."""
    rules, together = frame.request.rules, [*having, task]
    return (
        not _clashes(frame.request, person, task, having)
        and most_in_a_day(frame.request, together) <= rules.max_in_24h + person.more_in_24h
        and most_nights(frame.request, [one for one in together if one.night >= rules.night_task_min])
        <= rules.max_nights_72h + person.more_nights
    )


# --- Rules about what cannot be changed any more -----------------------------------------------


def _those_at_the_fire_stay(built: Built, frame: _Frame) -> None:
    """Where the crew stands, they are in it; where none may stand (its lead fell ill), they stay all the same."""
    for task in frame.sub.tasks:
        for name in frame.stays.get(task.id, ()):
            built.model.add(built.on[_at(name, task.id), task.id] == built.held[task.id])


def _days_with_what_stands(built: Built, frame: _Frame) -> None:
    """Work done and under way counts in each 24 hours; where it is too much already, nothing is added."""
    day = frame.request.day_units
    for person, standing, doing in _bound(built, frame):
        most = frame.request.rules.max_in_24h + person.more_in_24h
        tasks = [*standing, *(task for task, _ in doing)]
        for opening in sorted({task.start for task in tasks} | {task.end - day for task in tasks}):
            had = sum(_inside(task, opening, opening + day) for task in standing)
            more = [(here, units) for task, here in doing if (units := _inside(task, opening, opening + day))]
            if had and had + sum(units for _, units in more) > most:
                built.model.add(sum(units * here for here, units in more) <= max(0, most - had))


def _nights_with_what_stands(built: Built, frame: _Frame) -> None:
    rules, span = frame.request.rules, 3 * frame.request.day_units
    for person, standing, doing in _bound(built, frame):
        most = rules.max_nights_72h + person.more_nights
        done = [task for task in standing if task.night >= rules.night_task_min]
        due = [(task, here) for task, here in doing if task.night >= rules.night_task_min]
        for opening in sorted({task.start for task in done} | {task.start for task, _ in due}):
            had = sum(opening <= task.start < opening + span for task in done)
            more = [here for task, here in due if opening <= task.start < opening + span]
            if had and had + len(more) > most:
                built.model.add(sum(more) <= max(0, most - had))


def _bound(built: Built, frame: _Frame) -> Iterator[tuple[Crewmate, Sequence[Task], list[tuple[Task, IntVar]]]]:
    """Each person who has something in any case, with that and with what else they may do."""
    for person in frame.request.people:
        standing = frame.bound[person.id]
        if standing:
            doing = [
                (task, built.on[person.id, task.id]) for task in frame.sub.tasks if (person.id, task.id) in built.on
            ]
            yield person, standing, doing


def _inside(task: Task, opening: int, closing: int) -> int:
    return max(0, min(task.end, closing) - max(task.start, opening))
