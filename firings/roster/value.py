"""How good a roster is: five tiers, the earlier before the later, and what no roster can beat."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from firings.roster.check import gaps, may_lead
from firings.roster.problem import CAN, CANNOT, RATHER_NOT, WANTS, Crewmate, RosterRequest, Task

TIERS = ("unfilled", "rather_not", "largest_deviation", "spread", "merely_can")

# From here on (units of deviation) each further unit costs this much: small differences are nobody's
# grievance, large ones weigh more and more. A half-hour unit makes the first step two hours.
SLOPES = ((4, 1), (6, 3), (8, 5), (10, 8), (14, 13))


def grievance(deviation: int) -> int:
    """Convex cost of working ``deviation`` units more or less than owed; nothing up to four units."""
    cost, reached, slope = 0, 0, 0
    for start, next_slope in SLOPES:
        if deviation <= start:
            break
        cost += slope * (start - reached)
        reached, slope = start, next_slope
    return cost + slope * (deviation - reached)


def may_do(person: Crewmate, task: Task, wish: str) -> bool:
    """Whether this person may be on this task at all, other tasks aside."""
    return (
        wish != CANNOT and not (person.no_night and task.night) and (task.skill is None or task.skill in person.skills)
    )


def tiers(request: RosterRequest, assigned: Mapping[str, Sequence[str]]) -> tuple[int, ...]:
    """Unfilled places, places somebody would rather not have, the largest deviation from the hours or
    nights owed, the sum of ``grievance`` over all deviations, places that somebody merely can fill."""
    rows = {person.id: row for row, person in enumerate(request.people)}
    hours = [-person.owed for person in request.people]
    nights = [-person.night_owed for person in request.people]
    signs: list[str] = []
    for column, task in enumerate(request.tasks):
        for name in assigned.get(task.id, ()):
            row = rows[name]
            hours[row] += task.length
            nights[row] += task.night
            signs.append(request.wishes[row][column])
    deviations = [abs(one) for one in (*hours, *nights)]
    return (
        sum(gap.places for gap in gaps(request, assigned)),
        signs.count(RATHER_NOT),
        max(deviations, default=0),
        sum(grievance(one) for one in deviations),
        signs.count(CAN),
    )


def most_places(request: RosterRequest, column: int) -> int:
    """How many of a task's places could be filled if it were the only one."""
    task = request.tasks[column]
    able = [
        person
        for person, signs in zip(request.people, request.wishes, strict=True)
        if may_do(person, task, signs[column])
    ]
    experienced = sum(person.role != "novice" for person in able)
    novices = min(len(able) - experienced, request.rules.novice_per_exp * experienced)
    most = min(task.need, experienced + novices)
    if most < task.least or sum(may_lead(person, task) for person in able) < task.lead:
        return 0
    return most


def bounds(request: RosterRequest) -> tuple[int, ...]:
    """What no roster can beat, tier by tier. The second holds where the first is met, the last where both
    first are. Simple: each task and each person is looked at alone."""
    most = [most_places(request, column) for column in range(len(request.tasks))]
    rather_not = merely_can = 0
    for column, places in enumerate(most):
        signs = [
            row[column]
            for person, row in zip(request.people, request.wishes, strict=True)
            if may_do(person, request.tasks[column], row[column])
        ]
        rather_not += max(0, places - len(signs) + signs.count(RATHER_NOT))
        merely_can += max(0, places - signs.count(WANTS) - signs.count(RATHER_NOT))
    deviations = [one for row in range(len(request.people)) for one in _least_deviations(request, row)]
    return (
        sum(task.need for task in request.tasks) - sum(most),
        rather_not,
        max(deviations, default=0),
        sum(grievance(one) for one in deviations),
        merely_can,
    )


def _least_deviations(request: RosterRequest, row: int) -> tuple[int, int]:
    person = request.people[row]
    tasks = [task for task, sign in zip(request.tasks, request.wishes[row], strict=True) if may_do(person, task, sign)]
    return (
        _nearest_sum([task.length for task in tasks], person.owed),
        _nearest_sum([task.night for task in tasks], person.night_owed),
    )


def _nearest_sum(parts: Sequence[int], target: int) -> int:
    """How near a sum of some of ``parts`` comes to ``target``; bit k of ``sums`` says that k can be met."""
    sums = 1
    keep = (1 << (2 * target + 1)) - 1  # nothing at all is never further off than ``target``
    for part in parts:
        sums |= (sums << part) & keep
    for distance in range(target + 1):
        if sums >> (target - distance) & 1 or sums >> (target + distance) & 1:
            return distance
    return target
