"""The bell: after a commit, tell whoever works the queues which rows are new. Losing a ring loses nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from django.db import transaction

_rung: ContextVar[list[tuple[str, int]] | None] = ContextVar("rung", default=None)
_ringer: Callable[[str, int], None] | None = None


def answered_by(ringer: Callable[[str, int], None]) -> None:
    """Register who hears the bell (the task queue, in served mode)."""
    global _ringer
    _ringer = ringer


def ring(kind: str, row_id: int) -> None:
    """Say that a row of this kind waits; heard only once the change is committed."""
    rung = _rung.get()
    if rung is not None:
        rung.append((kind, row_id))


@contextmanager
def collected() -> Iterator[None]:
    """Collect rings inside a transaction and pass them on after its commit."""
    rung: list[tuple[str, int]] = []
    token = _rung.set(rung)
    try:
        yield
        transaction.on_commit(lambda: _pass_on(rung))
    finally:
        _rung.reset(token)


def _pass_on(rung: list[tuple[str, int]]) -> None:
    if _ringer is None:
        return
    for kind, row_id in rung:
        _ringer(kind, row_id)
