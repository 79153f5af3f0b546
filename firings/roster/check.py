"""Judges a roster, made by hand or by the planner, in a firing lead's words. Knows no solver."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from firings.roster.problem import CANNOT, Crewmate, RosterRequest, Task


@dataclass(frozen=True, slots=True)
class Gap:
    """Places of a task that must be filled and are not."""

    task: str
    places: int
    text: str


def faults(request: RosterRequest, assigned: Mapping[str, Sequence[str]]) -> list[str]:
    """Every rule the roster breaks, one sentence each; places left empty are no fault, see ``gaps``."""
    people = {person.id: (row, person) for row, person in enumerate(request.people)}
    known = {task.id for task in request.tasks}
    found = [f"There is no watch or chore {task!r}; take it out." for task in assigned if task not in known]
    held: dict[str, list[Task]] = {person: [] for person in people}
    for column, task in enumerate(request.tasks):
        when = request.when(task)
        names = list(assigned.get(task.id, ()))
        found += [f"{when}: there is nobody called {name!r}; take them out." for name in names if name not in people]
        twice = [name for name, times in Counter(names).items() if times > 1]
        found += [f"{when}: {name} is on it twice; once is enough." for name in twice]
        crew = [people[name] for name in dict.fromkeys(names) if name in people]
        for row, person in crew:
            held[person.id].append(task)
            found += [f"{when}: {text}" for text in _against_wishes(task, person, request.wishes[row][column])]
        found += [f"{when}: {text}" for text in crew_faults(request, task, [person for _, person in crew])]
    for person_id, tasks in held.items():
        found += _overburdened(request, people[person_id][1], sorted(tasks, key=lambda task: (task.start, task.id)))
    return found


def gaps(request: RosterRequest, assigned: Mapping[str, Sequence[str]]) -> list[Gap]:
    """Every place that must be filled and is empty."""
    people = {person.id for person in request.people}
    found = []
    for task in request.tasks:
        there = len(people & set(assigned.get(task.id, ())))
        if there < task.need:
            places = task.need - there
            text = f"{request.when(task)}: {there} of {task.need} places are filled, {places} still open."
            found.append(Gap(task.id, places, text))
    return found


def crew_faults(request: RosterRequest, task: Task, crew: Sequence[Crewmate]) -> Iterator[str]:
    """What is wrong with these people together on one task; a task with nobody on it has only a gap."""
    if not crew:
        return
    if len(crew) > task.cap:
        yield f"{len(crew)} people, there is room for {task.cap}; take {len(crew) - task.cap} off."
    if len(crew) < task.least:
        alone = "never alone at the fire" if task.kind == "watch" else f"never alone with the {task.skill}"
        yield f"only one person; {alone}, add a second or take them off."
    leads = sum(may_lead(person, task) for person in crew)
    if leads < task.lead:
        short = "nobody there is" if not leads else f"only {leads} there, {task.lead} are needed,"
        yield f"{short} signed off to lead kiln {task.kiln}; add someone who is."
    novices = sum(person.role == "novice" for person in crew)
    experienced = len(crew) - novices
    if novices > request.rules.novice_per_exp * experienced:
        yield f"{novices} novices to {experienced} experienced; add experience or take a novice off."


def may_lead(person: Crewmate, task: Task) -> bool:
    return task.kiln is not None and task.kiln in person.signed_off


def _against_wishes(task: Task, person: Crewmate, wish: str) -> Iterator[str]:
    if wish == CANNOT:
        yield f"{person.called} cannot come; ask someone else."
    if person.no_night and task.night:
        yield f"{person.called} does no nights; ask someone else."
    if task.skill and task.skill not in person.skills:
        yield f"{person.called} is not signed off for {task.skill}; ask someone who is."


def rest_between(request: RosterRequest, first: Task, second: Task, person: Crewmate | None = None) -> int:
    """Units of rest between two tasks: for anybody, or for this person, who may have agreed to less."""
    both_watches = first.kind == second.kind == "watch"
    due = request.rules.rest_watch if both_watches else request.rules.rest_other
    return max(0, due - person.less_rest) if person else due


def most_in_a_day(request: RosterRequest, tasks: Sequence[Task]) -> int:
    """Units of work in the fullest 24 hours."""
    day = request.day_units
    openings = {task.start for task in tasks} | {task.end - day for task in tasks}
    return max(
        (
            sum(max(0, min(task.end, opening + day) - max(task.start, opening)) for task in tasks)
            for opening in openings
        ),
        default=0,
    )


def most_nights(request: RosterRequest, tasks: Sequence[Task]) -> int:
    """Night tasks that begin in the fullest 72 hours."""
    span = 3 * request.day_units
    starts = [task.start for task in tasks if task.night >= request.rules.night_task_min]
    return max((sum(opening <= start < opening + span for start in starts) for opening in starts), default=0)


def _overburdened(request: RosterRequest, person: Crewmate, tasks: Sequence[Task]) -> Iterator[str]:
    rules = request.rules
    for number, first in enumerate(tasks):
        for second in tasks[number + 1 :]:
            rest = second.start - first.end
            pair = f"{request.when(first)} and {request.when(second)}"
            if rest < 0:
                yield f"{person.called}: {pair} overlap; nobody is in two places at once."
            elif rest < (due := rest_between(request, first, second, person)):
                hours = _hours(request, due)
                had = _hours(request, rest)
                yield f"{person.called}: only {had} h rest between {pair}; {hours} h are due."
    if (most := most_in_a_day(request, tasks)) > rules.max_in_24h + person.more_in_24h:
        allowed = _hours(request, rules.max_in_24h + person.more_in_24h)
        worked = _hours(request, most)
        yield f"{person.called}: {worked} h within 24 hours, {allowed} h are allowed; take one off."
    if (nights := most_nights(request, tasks)) > rules.max_nights_72h + person.more_nights:
        allowed = str(rules.max_nights_72h + person.more_nights)
        yield f"{person.called}: {nights} nights within three days, {allowed} are allowed; take one off."


def _hours(request: RosterRequest, units: int) -> str:
    return f"{units * request.unit_min / 60:g}"
