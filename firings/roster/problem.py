"""What a roster is asked for: watches and chores, people, wishes, rules (watch-roster/1)."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo

from coop.errors import Malformed
from firings import exchange

SCHEMA = exchange.read_schema(Path(__file__).with_name("watch-roster-1.schema.json"))
ASSIGNMENT_SCHEMA = exchange.read_schema(Path(__file__).with_name("watch-assignment-1.schema.json"))

WANTS, CAN, RATHER_NOT, CANNOT = "+", ".", "-", "x"

Assigned = Mapping[str, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Rules:
    """Rest and burden; lengths of time in units. ``novice_per_exp`` is novices per experienced person."""

    rest_watch: int
    rest_other: int
    max_in_24h: int
    novice_per_exp: int
    max_nights_72h: int
    night_task_min: int


@dataclass(frozen=True, slots=True)
class Crewmate:
    """One person who may be asked. ``owed`` and ``night_owed`` are units still to be worked.

    What this person agreed to for this roster, beyond the rules of all: ``less_rest`` units of rest between
    two tasks, ``more_in_24h`` units of work, ``more_nights`` nights in three days.
    """

    id: str
    role: Literal["lead", "exp", "novice"]
    signed_off: tuple[str, ...] = ()
    no_night: bool = False
    skills: tuple[str, ...] = ()
    volume: int = 0
    credit: int = 0
    night_credit: int = 0
    owed: int = 0
    night_owed: int = 0
    name: str = ""
    less_rest: int = 0
    more_in_24h: int = 0
    more_nights: int = 0

    @property
    def called(self) -> str:
        return self.name or self.id


@dataclass(frozen=True, slots=True)
class Task:
    """One watch or chore, ``[start, end)`` in units from ``t0``; ``night`` of its units are at night."""

    id: str
    kind: Literal["watch", "chore"]
    start: int
    end: int
    need: int
    cap: int
    firing: str | None = None
    kiln: str | None = None
    lead: int = 0
    skill: str | None = None
    night: int = 0

    @property
    def length(self) -> int:
        return self.end - self.start

    @property
    def least(self) -> int:
        """Fewest people who may be there at all: nobody is alone at the fire or at a dangerous chore."""
        return 2 if self.kind == "watch" or (self.skill and self.need > 1) else 1


@dataclass(frozen=True, slots=True)
class RosterRequest:
    """``wishes[i][j]`` is person ``i`` on task ``j``: ``+`` want, ``.`` can, ``-`` rather not, ``x`` no."""

    name: str
    unit_min: int
    t0: datetime
    rules: Rules
    people: tuple[Crewmate, ...]
    tasks: tuple[Task, ...]
    wishes: tuple[str, ...]
    zone: str | None = None
    seed: int | None = None

    @property
    def day_units(self) -> int:
        return max(1, 24 * 60 // self.unit_min)

    def moment(self, units: int) -> datetime:
        """Elapsed time is counted on instants; the wall clock of ``zone`` is only for showing."""
        if self.t0.tzinfo is None:
            return self.t0 + timedelta(minutes=units * self.unit_min)
        instant = self.t0.astimezone(UTC) + timedelta(minutes=units * self.unit_min)
        return instant.astimezone(ZoneInfo(self.zone) if self.zone else self.t0.tzinfo)

    def when(self, task: Task) -> str:
        """Day, hours and place: ``Sat 02:00-06:00, kiln K1``; an hour that comes twice says which it is."""
        starts, ends = self.moment(task.start), self.moment(task.end)
        place = f"kiln {task.kiln}" if task.kiln else f"{task.kind} {task.id}"
        return f"{starts:%a} {_clock(starts)}-{_clock(ends)}, {place}"


def _clock(moment: datetime) -> str:
    """``02:30``, or ``02:30 CET`` where the clocks go back and that time comes twice."""
    comes_twice = moment.replace(fold=0).utcoffset() != moment.replace(fold=1).utcoffset()
    return f"{moment:%H:%M} {moment.tzname()}" if comes_twice else f"{moment:%H:%M}"


def read_request(text: str) -> RosterRequest:
    """A watch-roster/1 file. Raises Malformed with one sentence per fault."""
    document = exchange.read(text, SCHEMA)
    faults = list(_contradictions(document))
    if faults:
        raise Malformed(faults)
    return RosterRequest(
        name=document["name"],
        unit_min=int(document["unit_min"]),
        t0=datetime.fromisoformat(document["t0"]),
        rules=Rules(**{key: int(value) for key, value in document["rules"].items()}),
        people=tuple(Crewmate(**_frozen(person)) for person in document["people"]),
        tasks=tuple(Task(**_frozen(task)) for task in document["tasks"]),
        wishes=tuple(document["avail"]),
        zone=document.get("zone"),
        seed=document.get("seed"),
    )


def write_request(request: RosterRequest) -> str:
    """The watch-roster/1 file of ``request``; reading it again gives an equal request."""
    document: dict[str, Any] = {"format": "watch-roster/1", "name": request.name}
    if request.seed is not None:
        document["seed"] = request.seed
    if request.zone is not None:
        document["zone"] = request.zone
    document |= {
        "unit_min": request.unit_min,
        "t0": request.t0.isoformat(timespec="minutes"),
        "rules": asdict(request.rules),
        "people": [asdict(person) for person in request.people],
        "tasks": [asdict(task) for task in request.tasks],
        "avail": list(request.wishes),
    }
    return json.dumps(document, ensure_ascii=False)


def read_assigned(text: str) -> dict[str, tuple[str, ...]]:
    """Who is on what, from a watch-assignment/1 file. Raises Malformed with one sentence per fault."""
    document = exchange.read(text, ASSIGNMENT_SCHEMA)
    return {task: tuple(crew) for task, crew in document["assigned"].items()}


def _frozen(values: Mapping[str, Any]) -> dict[str, Any]:
    return {
        key: tuple(value) if isinstance(value, list) else int(value) if isinstance(value, float) else value
        for key, value in values.items()
    }


def _contradictions(document: Mapping[str, Any]) -> Iterator[str]:
    people, tasks, wishes = document["people"], document["tasks"], document["avail"]
    try:
        t0 = datetime.fromisoformat(document["t0"])
    except ValueError:
        yield f"t0: {document['t0']!r} is not a date and time; write it like 2026-05-09T06:00."
    else:
        if document.get("zone") and t0.tzinfo is None:
            yield "t0: needs its offset from UTC when a zone is given; write it like 2026-05-09T06:00+02:00."
        if not 1900 <= t0.year <= 9000:
            yield f"t0: the year {t0.year} cannot be meant; correct it."
    if document.get("zone"):
        try:
            ZoneInfo(document["zone"])
        except (KeyError, ValueError, OSError):
            yield f"zone: {document['zone']!r} is not a known time zone; write one like Europe/Lisbon."
    for key, rows in (("people", people), ("tasks", tasks)):
        for again, times in Counter(row["id"] for row in rows).items():
            if times > 1:
                yield f"{key}: the id {again!r} stands there {times} times; give each its own."
    for number, task in enumerate(tasks):
        where = f"tasks[{number}] ({task['id']})"
        if task["end"] <= task["start"]:
            yield f"{where}: ends at {task['end']}, not after its start {task['start']}; correct one of them."
        elif task.get("night", 0) > task["end"] - task["start"]:
            yield f"{where}: has more night than it is long; correct night."
        if task["cap"] < task["need"]:
            yield f"{where}: cap {task['cap']} is below need {task['need']}; raise cap."
        if task.get("lead", 0) > task["need"]:
            yield f"{where}: asks for more leads than people; lower lead or raise need."
        if task.get("lead", 0) and not task.get("kiln"):
            yield f"{where}: asks for a lead but names no kiln; name the kiln."
        if task["kind"] == "watch" and task["need"] < 2:
            yield f"{where}: need is {task['need']}; a watch needs at least two, nobody is alone at the fire."
    if len(wishes) != len(people):
        yield f"avail: has {len(wishes)} rows for {len(people)} people; give one row for each person."
    for number, row in enumerate(wishes):
        if len(row) != len(tasks):
            yield f"avail[{number}]: has {len(row)} signs for {len(tasks)} tasks; give one for each task."
