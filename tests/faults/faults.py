"""What can go wrong, done to a running house: each function spoils it, lets it heal and counts what was lost."""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

from tests.faults.house import Answered, House, Row, hammer, wait_for

_names = itertools.count(1)


def _booked(house: House, fault: str, answers: list[Answered], heals: list[float], notes: str = "") -> Row:
    """What became of bookings: a key answered as done must be one row, no key more than one."""
    prefix = answers[0].key.rsplit("-", 1)[0]
    rows = house.figure(f"list(Piece.objects.filter(name__startswith='{prefix}-').values_list('name', flat=True))")
    assert isinstance(rows, list)
    done = {one.key for one in answers if one.is_done}
    return Row(
        fault=fault,
        times=len(heals),
        asked=len({one.key for one in answers}),
        lost=len(done - set(rows)),
        doubled=len(rows) - len(set(rows)),
        stuck=sum(not one.is_done for one in answers),
        heal_s=max(heals, default=0.0),
        notes=notes or f"{sum(one.tries - 1 for one in answers)} retries",
    )


def _bookings(house: House) -> Callable[[int], Answered]:
    prefix = f"pot{next(_names)}"
    return lambda number: house.book(number, "wide", f"{prefix}-{number}")


def web_killed(house: House, many: int, times: int) -> Row:
    def spoil() -> None:
        house.kill("web")
        house.start("web")

    return _booked(
        house,
        "web processes killed (SIGKILL)",
        *hammer(house, _bookings(house), spoil, many=many, times=times, pause=3),
    )


def base_restarted(house: House, many: int, times: int) -> Row:
    def spoil() -> None:
        house.kill("base")
        house.start("base")

    return _booked(
        house,
        "PostgreSQL stopped at once and started",
        *hammer(house, _bookings(house), spoil, many=many, times=times, pause=3),
    )


def redis_gone(house: House, many: int, times: int) -> Row:
    def spoil() -> None:
        house.kill("redis")
        time.sleep(2)
        house.start("redis")

    return _booked(
        house,
        "Redis killed, two seconds away",
        *hammer(house, _bookings(house), spoil, many=many, times=times, pause=2),
    )


def disk_full(house: House, many: int, times: int) -> Row:
    """Files may grow no further for two seconds, as on a full disk; then there is room again."""

    def spoil() -> None:
        house.limit_files(8192)
        time.sleep(2)
        house.limit_files(-1)

    return _booked(
        house, "disk full for two seconds", *hammer(house, _bookings(house), spoil, many=many, times=times, pause=2)
    )


def sent_twice(house: House, many: int, times: int) -> Row:
    """Every request is sent ``times`` + 1 times at once with one key."""
    prefix = f"pot{next(_names)}"
    keys = [f"{prefix}-{n}" for n in range(many)]
    with ThreadPoolExecutor(8) as crowd:
        jobs = [(n, key) for n, key in enumerate(keys) for _ in range(times + 1)]
        answers = list(crowd.map(lambda job: house.book(job[0], "wide", job[1]), jobs))
    row = _booked(house, "one request sent twice at once", answers, [])
    row.times = many * times
    return row


def last_litres(house: House, many: int, times: int) -> Row:
    """Many want the last seven places; ``doubled`` counts what is oversold, ``stuck`` what met an error."""
    prefix = f"pot{next(_names)}"
    began = time.monotonic()
    with ThreadPoolExecutor(32) as crowd:
        answers = list(crowd.map(lambda n: house.book(n, "tight", f"{prefix}-{n}"), range(many)))
    held = house.figure(
        f"Piece.objects.filter(booking__firing__public_id='{house.seeded['tight']}', state='held').count()"
    )
    assert isinstance(held, int)
    return Row(
        "tries for the last seven places", 1, many, lost=max(0, 7 - held), doubled=max(0, held - 7),
        stuck=sum(not one.is_done for one in answers), heal_s=0.0,
        notes=f"{many / (time.monotonic() - began):.0f} a second, {max(one.tries for one in answers)} tries at most",
    )  # fmt: skip


def firings_overlap(house: House, many: int, times: int) -> Row:
    """Two call a firing of one kiln for the same days at once: one gets it, the other is told why not."""
    both_or_none, faults = [], 0
    for number in range(times):
        lights = datetime.now(UTC) + timedelta(days=40 + 10 * number)
        told = {
            "kiln_id": house.seeded["kiln"], "occupied_from": (lights - timedelta(hours=12)).isoformat(),
            "lights_at": lights.isoformat(), "target_cone": "10",
        }  # fmt: skip
        with ThreadPoolExecutor(2) as crowd:
            statuses = sorted(
                one.status
                for one in crowd.map(
                    lambda n, told=told, number=number: house.until_answered(
                        n, "firings/", {**told, "name": f"Race {number} {n}"}, f"race-{number}-{n}"
                    ),
                    range(2),
                )
            )
        both_or_none.append(statuses)
        faults += statuses[0] not in (200, 201) or statuses[1] not in (409, 422)
    wins = sum(1 for one in both_or_none for status in one if status in (200, 201))
    return Row(
        "two call one kiln at once",
        times,
        2 * times,
        max(0, times - wins),
        max(0, wins - times),
        faults,
        0.0,
        str(both_or_none[0]),
    )


# --- Mail -----------------------------------------------------------------------------------


def _mailed(house: House, fault: str, key: str, many: int, times: int, began: float, notes: str = "") -> Row:
    rows = house.figure(
        f"[str(i) for i in Notice.objects.filter(key__startswith='{key}-').values_list('public_id', flat=True)]"
    )
    unsent = house.figure(f"Notice.objects.filter(key__startswith='{key}-', sent_at=None).count()")
    assert isinstance(rows, list)
    assert isinstance(unsent, int)
    came = {identifier.strip("<>").partition("@")[0]: count for identifier, count in house.post.came.items()}
    mine = {row: came.get(row, 0) for row in rows}
    doubles = sum(count - 1 for count in mine.values() if count > 1)
    return Row(
        fault, times, many, lost=sum(count == 0 for count in mine.values()), doubled=0, stuck=unsent,
        heal_s=time.monotonic() - began,
        notes=notes or f"{doubles} mails came twice with their own Message-ID ({times} kills)",
    )  # fmt: skip


def worker_killed(house: House, many: int, times: int) -> Row:
    """While it mails; a dead worker's lease of two minutes is ended by hand, as if they had passed."""
    key, twice = f"kill{next(_names)}", 0
    house.kill("worker")
    before = sum(house.post.came.values())
    house.tell(key, many)
    for number in range(times):
        house.start("worker")
        wanted = before + many * (number + 1) // (times + 2)
        wait_for(lambda wanted=wanted: sum(house.post.came.values()) >= wanted, 120)
        house.kill("worker")
        house.figure("Notice.objects.filter(sent_at=None).update(leased_until=None)")
    began = time.monotonic()
    house.start("worker")
    wait_for(lambda: not house.figure(f"Notice.objects.filter(key__startswith='{key}-', sent_at=None).count()"), 150)
    row = _mailed(house, "worker killed (SIGKILL) while it mails", key, many, times, began)
    twice = sum(house.post.came.values()) - before - many
    row.doubled = max(0, twice - 2 * times)  # two mails at once may be caught between sending and saying so
    return row


def post_down(house: House, many: int, times: int) -> Row:
    """The mail server hangs up, then hangs, then is well; what waited is sent when its next try is due."""
    key = f"post{next(_names)}"
    house.post.mood = "down"
    house.tell(key, many)
    time.sleep(4)
    house.post.mood = "hanging"
    time.sleep(4)
    answered_in = time.monotonic()
    assert house.answers()
    answered_in = time.monotonic() - answered_in
    house.post.mood = "well"
    began = time.monotonic()
    wait_for(lambda: not house.figure(f"Notice.objects.filter(key__startswith='{key}-', sent_at=None).count()"), 300)
    return _mailed(
        house,
        "mail server down, then hanging",
        key,
        many,
        2,
        began,
        f"pages answered in {answered_in * 1000:.0f} ms meanwhile",
    )


SERVED = (web_killed, base_restarted, redis_gone, sent_twice, firings_overlap, last_litres, worker_killed, post_down)
EMBEDDED = (web_killed, disk_full, sent_twice, firings_overlap, last_litres, worker_killed)
