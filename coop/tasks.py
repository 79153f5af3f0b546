"""Celery's doors to the queues. Tasks carry ids only and are safe to run twice; the sweep misses nothing."""

from __future__ import annotations

import logging
import time

from celery import shared_task
from django.conf import settings

from coop import bell, queues

log = logging.getLogger(__name__)
_QUIET_SECONDS = 30.0
_quiet_until = 0.0


@shared_task(name="coop.deliver_notice")  # type: ignore[untyped-decorator]
def deliver_notice(notice_id: int) -> None:
    queues.deliver_notice(notice_id)


@shared_task(name="coop.compute")  # type: ignore[untyped-decorator]
def compute(computation_id: int) -> None:
    queues.compute(computation_id)


@shared_task(name="coop.sweep")  # type: ignore[untyped-decorator]
def sweep() -> None:
    queues.sweep()


def ring(kind: str, row_id: int) -> None:
    """Tell the workers of a new row. A broker that does not answer is left alone for half a minute."""
    global _quiet_until
    if time.monotonic() < _quiet_until:
        return
    task, name = {"notice": (deliver_notice, "notice_id"), "computation": (compute, "computation_id")}[kind]
    try:
        task.apply_async(kwargs={name: row_id}, retry=False)
    except Exception as error:  # the row waits for the sweep: a page must not fail for the broker's sake
        _quiet_until = time.monotonic() + _QUIET_SECONDS
        log.warning("the broker does not answer (%s); rows wait for the sweep", type(error).__name__)


if settings.REDIS_URL:
    bell.answered_by(ring)
