"""Makes roster instances of the kind in instances/roster, from fresh seeds."""

from __future__ import annotations

import random
from datetime import datetime

from firings.roster.problem import Crewmate, RosterRequest, Rules, Task

DAY, NIGHT_FROM, NIGHT_TO = 48, 32, 48  # half hours from six in the morning: the night is 22:00 to 06:00
# letter and size: people, kilns, half hours of one fire, hours that firings lie apart, firings
SIZES = {
    "A08x12h": (8, 1, 24, 0, 1),
    "B25x24h2": (25, 2, 48, 6, 2),
    "C40x60h": (40, 1, 120, 0, 1),
    "R47x100h": (47, 1, 200, 0, 1),
    "D120x5d": (120, 2, 160, 60, 2),
    "E300x7d": (300, 6, 160, 24, 6),
}


def make(size: str, seed: int) -> RosterRequest:
    """A request of this size: crews grow towards the end of a fire, chores lie around it, wishes are mixed."""
    chance = random.Random(f"{size} {seed}")
    people, kilns, fire, apart, firings = SIZES[size]
    tasks: list[Task] = []
    for firing in range(firings):
        tasks += _fire(chance, firing, f"K{firing % kilns + 1}", 8 + firing * apart, fire, people)
    end = max(task.end for task in tasks)
    tasks += [_chore(chance, number, end) for number in range(max(2, people // 6))]
    tasks.sort(key=lambda task: (task.start, task.id))
    crew = _people(chance, people, [f"K{n + 1}" for n in range(kilns)], tasks)
    wishes = tuple("".join(_sign(chance) for _ in tasks) for _ in crew)
    rest = chance.choice((10, 12)) if fire < 40 else chance.choice((16, 18, 20))
    rules = Rules(rest, 2, 20, 1, 2, 4)
    return RosterRequest(f"{size}-fresh-s{seed}", 30, datetime(2026, 5, 9, 6, 0), rules, crew, tuple(tasks), wishes)


def _fire(chance: random.Random, firing: int, kiln: str, lit: int, length: int, people: int) -> list[Task]:
    watches, start, watch = [], lit, 6 if length < 40 else chance.choice((8, 12))
    crew = 2 if people < 40 else chance.choice((3, 4))
    while start < lit + length:
        end = min(start + watch, lit + length)
        late = (start - lit) / length
        need = 2 if late < 0.15 else crew if late < 0.75 else crew + 1
        name = f"F{firing + 1}-{len(watches) + 1:02}"
        watches.append(
            Task(name, "watch", start, end, need, need + 1, f"F{firing + 1}", kiln, 1, None, _night(start, end))
        )
        start = end
    return watches


def _chore(chance: random.Random, number: int, end: int) -> Task:
    start, length = chance.randrange(0, end // DAY + 1) * DAY + chance.randrange(2, 22, 2), chance.choice((4, 6, 8))
    need, skill = chance.choice((2, 3, 4)), chance.choice((None, None, "saw"))
    return Task(f"chore-{number + 1:02}", "chore", start, start + length, need, need, skill=skill)


def _night(start: int, end: int) -> int:
    return sum(NIGHT_FROM <= unit % DAY < NIGHT_TO for unit in range(start, end))


def _people(chance: random.Random, count: int, kilns: list[str], tasks: list[Task]) -> tuple[Crewmate, ...]:
    volumes = [int(chance.expovariate(1 / 30)) for _ in range(count)]
    work = sum(task.length * task.need for task in tasks)
    nights = sum(task.night * task.need for task in tasks)
    crew = []
    for number, volume in enumerate(volumes):
        share = 0.5 / count + 0.5 * volume / max(1, sum(volumes))
        lead, novice = number % 4 == 0, number % 4 == 3
        no_night = chance.random() < 0.2
        crew.append(
            Crewmate(
                f"P{number + 1:03}",
                "lead" if lead else "novice" if novice else "exp",
                tuple(kiln for kiln in kilns if chance.random() < 0.7) or (kilns[0],) if lead else (),
                no_night,
                ("saw",) if chance.random() < 0.4 else (),
                volume=volume,
                owed=2 * round(max(0.0, share * work + chance.choice((-8, -4, 0, 4, 8))) / 2),
                night_owed=0 if no_night else 2 * round(max(0.0, share * nights + chance.choice((-4, 0, 4))) / 2),
            )
        )
    return tuple(crew)


def _sign(chance: random.Random) -> str:
    return chance.choices("+.-x", (10, 47, 10, 33))[0]
