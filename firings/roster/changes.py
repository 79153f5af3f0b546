"""What happens to a roster between proposal and last watch: somebody drops out, the fire runs longer."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from coop.errors import Malformed
from firings.roster.problem import CAN, CANNOT, RosterRequest, Task


@dataclass(frozen=True, slots=True)
class DropsOut:
    """The person does nothing that ends after ``since`` (units from ``t0``); from now on if not given."""

    person: str
    since: int | None = None


@dataclass(frozen=True, slots=True)
class ComesLate:
    """The person does nothing that begins before ``until`` (units from ``t0``) and has not ended."""

    person: str
    until: int


@dataclass(frozen=True, slots=True)
class Retimed:
    """A watch or chore at other times; whoever is on it must be told."""

    task: str
    start: int
    end: int
    night: int | None = None


@dataclass(frozen=True, slots=True)
class Extra:
    """A new watch or chore. ``wishes`` by person id; who is not in it gives the sign ``otherwise``."""

    task: Task
    wishes: Mapping[str, str]
    otherwise: str = CAN


@dataclass(frozen=True, slots=True)
class RunsLonger:
    """A kiln's fire ends ``units`` later: new watches like its last one, as many as it takes, by the same
    people's wishes as for the last one; what of its firing begins after the old end moves by as much."""

    kiln: str
    units: int


Change = DropsOut | ComesLate | Retimed | Extra | RunsLonger


def changed(request: RosterRequest, changes: Iterable[Change], now: int | None = None) -> RosterRequest:
    """The request after what happened; times first, then people. Raises Malformed with a sentence per fault."""
    wanted = sorted(changes, key=lambda change: isinstance(change, DropsOut | ComesLate))
    unknown = list(_unknown(request, wanted))
    if unknown:
        raise Malformed(unknown)
    for change in wanted:
        match change:
            case Retimed():
                request = _with_times(request, {change.task: change})
            case Extra():
                signs = [change.wishes.get(person.id, change.otherwise) for person in request.people]
                request = _with_task(request, change.task, signs)
            case RunsLonger():
                request = _longer(request, change)
            case DropsOut():
                since = change.since if change.since is not None else now
                gone = {task.id for task in request.tasks if since is None or task.end > since}
                request = _without(request, change.person, gone)
            case ComesLate():
                missed = {task.id for task in request.tasks if task.start < change.until}
                ended = {task.id for task in request.tasks if now is not None and task.end <= now}
                request = _without(request, change.person, missed - ended)
    return request


def _unknown(request: RosterRequest, changes: Sequence[Change]) -> Iterable[str]:
    people, tasks = {person.id for person in request.people}, {task.id for task in request.tasks}
    kilns = {task.kiln for task in request.tasks if task.kind == "watch"}
    for change in changes:
        match change:
            case DropsOut() | ComesLate() if change.person not in people:
                yield f"There is nobody called {change.person!r} in this roster; name one of its people."
            case Retimed() if change.task not in tasks:
                yield f"There is no watch or chore {change.task!r} in this roster; name one of its own."
            case Retimed() if change.end <= change.start:
                yield f"{change.task}: ends at {change.end}, not after its start {change.start}; correct one of them."
            case Extra() if change.task.id in tasks:
                yield f"There is a watch or chore {change.task.id!r} already; give the new one another id."
            case RunsLonger() if change.kiln not in kilns:
                yield f"Kiln {change.kiln!r} has no watches in this roster; name a kiln that has."
            case RunsLonger() if change.units <= 0:
                yield f"Kiln {change.kiln}: {change.units} units longer is no longer fire; give one or more."


def _with_times(request: RosterRequest, times: Mapping[str, Retimed]) -> RosterRequest:
    def moved(task: Task) -> Task:
        if task.id not in times:
            return task
        to = times[task.id]
        night = to.night if to.night is not None else min(task.night, to.end - to.start)
        return replace(task, start=to.start, end=to.end, night=night)

    return replace(request, tasks=tuple(moved(task) for task in request.tasks))


def _with_task(request: RosterRequest, task: Task, signs: Sequence[str]) -> RosterRequest:
    wishes = tuple(row + sign for row, sign in zip(request.wishes, signs, strict=True))
    return replace(request, tasks=(*request.tasks, task), wishes=wishes)


def _without(request: RosterRequest, person: str, gone: Collection[str]) -> RosterRequest:
    wishes = tuple(
        "".join(CANNOT if task.id in gone else sign for task, sign in zip(request.tasks, row, strict=True))
        if one.id == person
        else row
        for one, row in zip(request.people, request.wishes, strict=True)
    )
    return replace(request, wishes=wishes)


def _longer(request: RosterRequest, change: RunsLonger) -> RosterRequest:
    watches = [task for task in request.tasks if task.kind == "watch" and task.kiln == change.kiln]
    last = max(watches, key=lambda task: (task.end, task.id))
    later = {
        task.id: Retimed(task.id, task.start + change.units, task.end + change.units, task.night)
        for task in request.tasks
        if task.kind == "chore" and task.firing == last.firing and task.firing and task.start >= last.end
    }
    request = _with_times(request, later)
    column = next(number for number, task in enumerate(request.tasks) if task.id == last.id)
    signs = [row[column] for row in request.wishes]
    count = max(1, round(change.units / last.length))
    cuts = [last.end + change.units * number // count for number in range(count + 1)]
    nightly = _night_of_day(request)
    taken = {task.id for task in request.tasks}
    for number, (start, end) in enumerate(pairwise(cuts), 1):
        night = sum(nightly.get(unit % request.day_units, False) for unit in range(start, end))
        task = replace(last, id=_free_id(taken, f"{last.id}+{number}"), start=start, end=end, night=night)
        request = _with_task(request, task, signs)
    return request


def _free_id(taken: Collection[str], wanted: str) -> str:
    return wanted if wanted not in taken else _free_id(taken, wanted + "+")


def _night_of_day(request: RosterRequest) -> dict[int, bool]:
    """Which units of the day are night, as far as whole nights and whole days among the tasks say."""
    known: dict[int, bool] = {}
    for task in request.tasks:
        if task.night in (0, task.length):
            known |= {unit % request.day_units: task.night > 0 for unit in range(task.start, task.end)}
    return known
