"""What whoever runs the service wants to know of its queues, over all co-ops. Read inside ``reading(None)``."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import chain, islice
from typing import Any

from django.db.models import Count, Min, Q

from coop.models import Computation, Notice

A_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Queue:
    """One queue now: ``waits_since`` is when the oldest row that is due was due; counts of the last 24 hours."""

    name: str
    waiting: int
    in_hand: int
    put_off: int
    waits_since: datetime | None
    done: int
    given_up: int

    def age(self, now: datetime) -> timedelta:
        return now - self.waits_since if self.waits_since else timedelta()


@dataclass(frozen=True, slots=True)
class Failure:
    """Something that was given up: where, what, why, when."""

    coop: str
    what: str
    why: str
    at: datetime
    attempts: int


def queues(now: datetime) -> list[Queue]:
    return [_notices(now), _computations(now)]


def _notices(now: datetime) -> Queue:
    open_ = Q(sent_at=None, dead_at=None)
    held = Q(leased_until__gte=now)
    said = Notice.objects.filter(open_ | Q(sent_at__gt=now - A_DAY) | Q(dead_at__gt=now - A_DAY)).aggregate(
        waiting=Count("pk", filter=open_ & Q(due_at__lte=now) & ~held),
        in_hand=Count("pk", filter=open_ & held),
        put_off=Count("pk", filter=open_ & Q(due_at__gt=now)),
        since=Min("due_at", filter=open_ & Q(due_at__lte=now) & ~held),
        done=Count("sent_at", filter=Q(sent_at__gt=now - A_DAY)),
        given_up=Count("dead_at", filter=Q(dead_at__gt=now - A_DAY, unwanted=False)),
    )
    return _queue("notices", said)


def _computations(now: datetime) -> Queue:
    state = Computation.State
    open_, held = Q(state=state.WAITING), Q(leased_until__gte=now)
    said = Computation.objects.filter(open_ | Q(done_at__gt=now - A_DAY)).aggregate(
        waiting=Count("pk", filter=open_ & ~held),
        in_hand=Count("pk", filter=open_ & held),
        since=Min("asked_at", filter=open_ & ~held),
        done=Count("pk", filter=Q(state=state.DONE, done_at__gt=now - A_DAY)),
        given_up=Count("pk", filter=Q(state=state.FAILED, done_at__gt=now - A_DAY)),
    )
    return _queue("computations", {**said, "put_off": 0})


def _queue(name: str, said: dict[str, Any]) -> Queue:
    return Queue(
        name=name,
        waiting=said["waiting"],
        in_hand=said["in_hand"],
        put_off=said["put_off"],
        waits_since=said["since"],
        done=said["done"],
        given_up=said["given_up"],
    )


def failures(most: int = 30) -> list[Failure]:
    """What was given up last, newest first; addresses and texts of mails stay out of it."""
    notices = Notice.objects.filter(dead_at__isnull=False, unwanted=False).select_related("coop").order_by("-dead_at")
    failed = Computation.objects.filter(state=Computation.State.FAILED).select_related("coop").order_by("-done_at")
    found: Iterator[Failure] = chain(
        (
            Failure(row.coop.slug, f"mail: {row.kind}", row.last_error, row.dead_at, row.attempts)
            for row in notices[:most]
        ),
        (Failure(row.coop.slug, row.kind, row.trouble, row.done_at, row.attempts) for row in failed[:most]),
    )
    return list(islice(sorted(found, key=lambda one: one.at, reverse=True), most))
