"""The cheapest ways out when places stay empty, each tried by planning again before it is offered."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from types import MappingProxyType
from typing import Literal

from firings.roster import cpsat
from firings.roster.check import faults, gaps, rest_between
from firings.roster.model import build
from firings.roster.problem import CAN, CANNOT, RATHER_NOT, Crewmate, RosterRequest, Task
from firings.roster.reasons import Reason, fullest, possible, why

Kind = Literal["shorter", "rest", "day", "night", "ask", "by_night", "people", "leads"]

# What is asked of people, to put the ways in an order: by hour, by night, by person. Common practice, no
# source. Nobody alone at the fire, its lead and the balance of novices have no price.
COSTS: Mapping[str, int] = MappingProxyType(
    {"shorter": 1, "rest": 2, "day": 2, "night": 3, "ask": 4, "by_night": 5, "people": 6, "leads": 8}
)
MOST_HOURS = 4  # nobody is asked for more hours of work, or less hours of rest, than this
EACH = 2  # ways of one kind for one reason


@dataclass(frozen=True, slots=True)
class WayOut:
    """Something that people may agree to, and what it mends.

    ``shorter``: the boundary of two watches, ``tasks``, moves by ``units`` (later if above zero); ``rest``,
    ``day``, ``night``: ``person`` agrees to ``units`` less rest between tasks, more work in 24 hours, more
    nights in three days; ``ask``, ``by_night``: ``person`` said no to the task, or to nights; ``people``,
    ``leads``: ``units`` more people for ``tasks``, for ``leads`` one of them signed off to lead.
    With ``request``, which has it granted, ``mends`` more places were filled by a roster that breaks no rule,
    and ``left`` stay empty; a longer search may fill more.
    """

    kind: Kind
    person: str | None
    tasks: tuple[str, ...]
    units: int
    cost: int
    mends: int
    left: int
    request: RosterRequest
    text: str


def ways_out(
    request: RosterRequest,
    assigned: Mapping[str, Sequence[str]],
    found: Sequence[Reason] | None = None,
    *,
    most: int = 6,
    seconds: float = 2.0,
) -> tuple[WayOut, ...]:
    """The cheapest things to ask for that fill places which ``assigned`` leaves empty, cheapest first.

    ``found`` are the reasons, if they are known. Each way is for one reason; it is first tried on the tasks
    of the reason, then on the whole roster. What is not tried within ``seconds`` is not offered.
    """
    cpsat.load()
    until = time.monotonic() + seconds
    reasons = why(request, assigned, seconds=seconds / 2) if found is None else found
    trial = _Trial(request, assigned, until)
    ways: list[WayOut] = []
    for reason in reasons:
        if reason.kind != "spare":
            ways += trial.ways(reason)
    best = {(way.kind, way.person, way.tasks, way.units): way for way in ways}
    return tuple(sorted(best.values(), key=lambda way: (way.cost, -way.mends, way.text))[:most])


@dataclass(frozen=True, slots=True)
class _Idea:
    """A way out before it is tried; ``of`` is what it has in common with others like it."""

    kind: Kind
    person: str | None
    tasks: tuple[str, ...]
    units: int
    cost: int
    request: RosterRequest
    text: str


class _Trial:
    """Ideas tried on one roster with empty places."""

    def __init__(self, request: RosterRequest, assigned: Mapping[str, Sequence[str]], until: float) -> None:
        self.request = request
        self.assigned = {task.id: tuple(assigned.get(task.id, ())) for task in request.tasks}
        self.until = until
        self.empty = sum(gap.places for gap in gaps(request, assigned))

    def ways(self, reason: Reason) -> Iterator[WayOut]:
        """The cheapest ways of each kind that work for the reason."""
        tried: dict[str, int] = {}
        answered: set[tuple[str, str | None]] = set()
        for idea in sorted(ideas(self.request, self.assigned, reason), key=lambda one: one.cost):
            if time.monotonic() > self.until:
                return
            if tried.get(idea.kind, 0) == EACH or (idea.kind, idea.person) in answered:
                continue
            if not possible(idea.request, self._levels(reason), self.until):
                continue
            way = self._tried(idea, reason)
            if way is not None:
                tried[idea.kind] = tried.get(idea.kind, 0) + 1
                answered.add((idea.kind, idea.person))
                yield way

    def _levels(self, reason: Reason) -> dict[str, int]:
        """One more place on the first open task of the reason, the others as they are."""
        tasks = {task.id: task for task in self.request.tasks}
        levels = {name: min(tasks[name].need, len(self.assigned[name])) for name in reason.tasks}
        first = reason.open[0]
        return levels | {first: max(levels[first] + 1, tasks[first].least)}

    def _tried(self, idea: _Idea, reason: Reason) -> WayOut | None:
        """The way with what it mends, the rest of the roster as it is or, if need be, all anew."""
        roster = _refilled(idea.request, self.assigned, reason.tasks, self.until)
        left = sum(gap.places for gap in gaps(idea.request, roster))
        if left >= self.empty:
            roster = fullest(idea.request, seconds=max(0.0, self.until - time.monotonic()), hint=self.assigned)
            left = sum(gap.places for gap in gaps(idea.request, roster))
        if left >= self.empty or faults(idea.request, roster):
            return None
        mends = self.empty - left
        text = f"{idea.text}: fills {mends} of {self.empty} open places."
        return WayOut(idea.kind, idea.person, idea.tasks, idea.units, idea.cost, mends, left, idea.request, text)


def _refilled(
    request: RosterRequest, assigned: Mapping[str, Sequence[str]], free: Sequence[str], until: float
) -> dict[str, tuple[str, ...]]:
    """The fullest roster that differs on the ``free`` tasks alone; as it was where none is found."""
    built = build(request, judged=False)
    for (person, task), here in built.on.items():
        was = person in assigned[task]
        if task in free:
            built.model.add_hint(here, was)
        else:
            built.model.add(here == was)
    built.model.minimize(sum(built.unfilled.values(), start=0))
    solver = cpsat.solver(seconds=until - time.monotonic())
    if not cpsat.solves(solver, built.model):
        return {task: tuple(crew) for task, crew in assigned.items()}
    found: dict[str, tuple[str, ...]] = {task.id: () for task in request.tasks}
    for (person, task), here in built.on.items():
        if solver.value(here):
            found[task] += (person,)
    return found


# --- Ideas -------------------------------------------------------------------------------------


def ideas(request: RosterRequest, assigned: Mapping[str, Sequence[str]], reason: Reason) -> Iterator[_Idea]:
    """Whatever may be asked for against a reason; never one alone at the fire, nor a fire without its lead."""
    tasks = [task for task in request.tasks if task.id in reason.tasks]
    people = {person.id: person for person in request.people}
    kinds = {one.kind for one in reason.bindings}
    for one in reason.bindings:
        for person in _furthest_behind(request, assigned, [people[name] for name in one.people]):
            if one.kind in ("cannot", "no_nights"):
                yield from _asking(request, person, tasks, one.task)
            elif one.kind == "rest":
                yield from _less_rest(request, person, tasks)
            elif one.kind == "day":
                yield from _more_work(request, person)
            elif one.kind == "nights":
                yield _one_more_night(request, person)
    if kinds & {"rest", "day"} or not reason.checked:
        yield from _shorter(request, tasks)
    yield from _more_people(request, tasks, reason)


def _furthest_behind(
    request: RosterRequest, assigned: Mapping[str, Sequence[str]], people: Sequence[Crewmate]
) -> list[Crewmate]:
    def ahead(person: Crewmate) -> tuple[int, str]:
        work = sum(task.length for task in request.tasks if person.id in assigned[task.id])
        return work - person.owed, person.id

    return sorted(people, key=ahead)


def _asking(request: RosterRequest, person: Crewmate, tasks: Sequence[Task], name: str | None) -> Iterator[_Idea]:
    """Somebody who said no, to this task or to nights; just this once, and with thanks."""
    task = next(task for task in tasks if task.id == name)
    row = request.people.index(person)
    sign = request.wishes[row][request.tasks.index(task)]
    by_night = person.no_night and task.night > 0
    if task.skill and task.skill not in person.skills:
        return
    if sign != CANNOT and not by_night:
        return
    kind: Kind = "by_night" if by_night else "ask"
    said = "does no nights" if by_night else "said no"
    signs = "".join(
        RATHER_NOT if one is task else CANNOT if by_night and one.night else sign
        for one, sign in zip(request.tasks, request.wishes[row], strict=True)
    )
    asked = _with_person(request, replace(person, no_night=False), signs)
    text = f"Ask {person.called}, who {said}, for {request.when(task)}"
    yield _Idea(kind, person.id, (task.id,), 0, COSTS[kind], asked, text)


def _less_rest(request: RosterRequest, person: Crewmate, tasks: Sequence[Task]) -> Iterator[_Idea]:
    """Just so much less rest as two of the tasks are short of, and never less than half of what is due."""
    short = {}
    for first, second in combinations(sorted(tasks, key=lambda task: (task.start, task.id)), 2):
        due, rest = rest_between(request, first, second, person), second.start - first.end
        if rest < due and due - rest <= min(due // 2, MOST_HOURS * _hour(request)) and rest >= 0:
            short[due - rest] = due
    for units, due in sorted(short.items()):
        agreed = _with_person(request, replace(person, less_rest=person.less_rest + units))
        text = f"{person.called} rests {_hours(request, due - units)} h instead of {_hours(request, due)} h in between"
        yield _Idea("rest", person.id, (), units, COSTS["rest"] * _whole_hours(request, units), agreed, text)


def _more_work(request: RosterRequest, person: Crewmate) -> Iterator[_Idea]:
    allowed = request.rules.max_in_24h + person.more_in_24h
    for hours in range(1, MOST_HOURS + 1):
        units = hours * _hour(request)
        agreed = _with_person(request, replace(person, more_in_24h=person.more_in_24h + units))
        new, old = _hours(request, allowed + units), _hours(request, allowed)
        text = f"{person.called} works {new} h instead of {old} h in 24 hours"
        yield _Idea("day", person.id, (), units, COSTS["day"] * hours, agreed, text)


def _one_more_night(request: RosterRequest, person: Crewmate) -> _Idea:
    allowed = request.rules.max_nights_72h + person.more_nights
    agreed = _with_person(request, replace(person, more_nights=person.more_nights + 1))
    text = f"{person.called} stands {allowed + 1} nights instead of {allowed} in three days"
    return _Idea("night", person.id, (), 1, COSTS["night"], agreed, text)


def _shorter(request: RosterRequest, tasks: Sequence[Task]) -> Iterator[_Idea]:
    """One watch shorter and the one before or after it longer by an hour or two; the fire is never left."""
    watches = sorted((task for task in request.tasks if task.kind == "watch"), key=lambda one: (one.start, one.id))
    for kiln in dict.fromkeys(task.kiln for task in tasks if task.kind == "watch"):
        for first, second in pairwise(watch for watch in watches if watch.kiln == kiln):
            if first.end != second.start or not {first.id, second.id} & {task.id for task in tasks}:
                continue
            for hours in (1, -1, 2, -2):
                units = hours * _hour(request)
                shrinks = second if units > 0 else first
                if 2 * abs(units) <= shrinks.length:
                    moved = _with_boundary(request, first, second, units)
                    way = f"{abs(hours)} h {'later' if hours > 0 else 'earlier'}"
                    text = f"Change watch {way} between {request.when(first)} and {request.when(second)}"
                    ids = (first.id, second.id)
                    yield _Idea("shorter", None, ids, units, COSTS["shorter"] * abs(hours), moved, text)


def _with_boundary(request: RosterRequest, first: Task, second: Task, units: int) -> RosterRequest:
    """Night goes along with the hours: a stretch beside a watch with night in it is taken for night."""
    shrinks, grows = (second, first) if units > 0 else (first, second)
    night = min(abs(units), shrinks.night) if grows.night or shrinks.night == shrinks.length else 0
    new = {
        first.id: replace(first, end=first.end + units),
        second.id: replace(second, start=second.start + units),
    }
    new[shrinks.id] = replace(new[shrinks.id], night=shrinks.night - night)
    new[grows.id] = replace(new[grows.id], night=grows.night + night)
    capped = {name: replace(task, night=min(task.night, task.length)) for name, task in new.items()}
    return replace(request, tasks=tuple(capped.get(task.id, task) for task in request.tasks))


def _more_people(request: RosterRequest, tasks: Sequence[Task], reason: Reason) -> Iterator[_Idea]:
    """As few more people as it takes, with one who may lead among them or without, for the open tasks."""
    open_tasks = [task for task in tasks if task.id in reason.open]
    whens = " and ".join(request.when(task) for task in open_tasks)
    ids = tuple(task.id for task in open_tasks)
    for count in range(1, max(task.need for task in open_tasks) + 1):
        for leads in (False, True):
            kilns = {task.kiln for task in open_tasks if task.kiln and task.lead}
            if leads and not kilns:
                continue
            kind: Kind = "leads" if leads else "people"
            more = "somebody" if count == 1 else f"{count} people"
            who = f"{more} more who may lead" if leads and count == 1 else f"{more} more"
            if leads and count > 1:
                who += ", one of them to lead"
            cost = COSTS["people"] * (count - leads) + COSTS["leads"] * leads
            grown = request
            for number in range(count):
                signed_off = tuple(sorted(kilns)) if leads and number == 0 else ()
                grown = _with_somebody(grown, open_tasks, signed_off, number + 1)
            yield _Idea(kind, None, ids, count, cost, grown, f"Find {who} for {whens}")


def _with_somebody(
    request: RosterRequest, tasks: Sequence[Task], signed_off: tuple[str, ...], number: int
) -> RosterRequest:
    taken = {person.id for person in request.people}
    name = f"new-{number}"
    while name in taken:
        name += "+"
    somebody = Crewmate(
        name,
        "lead" if signed_off else "exp",
        signed_off=signed_off,
        skills=tuple(sorted({task.skill for task in tasks if task.skill})),
        name=f"somebody new ({number})",
    )
    signs = "".join(CAN if task in tasks else CANNOT for task in request.tasks)
    return replace(request, people=(*request.people, somebody), wishes=(*request.wishes, signs))


def _with_person(request: RosterRequest, person: Crewmate, signs: str | None = None) -> RosterRequest:
    """The request with this person as they are now."""
    row = next(number for number, one in enumerate(request.people) if one.id == person.id)
    people, wishes = list(request.people), list(request.wishes)
    people[row] = person
    wishes[row] = wishes[row] if signs is None else signs
    return replace(request, people=tuple(people), wishes=tuple(wishes))


def _hour(request: RosterRequest) -> int:
    """Units of an hour, or one unit where it is longer."""
    return max(1, 60 // request.unit_min)


def _hours(request: RosterRequest, units: int) -> str:
    return f"{units * request.unit_min / 60:g}"


def _whole_hours(request: RosterRequest, units: int) -> int:
    return -(-units // _hour(request))
