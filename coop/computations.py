"""Requested computations: a row says what is wanted; whoever works the queue computes and keeps the answer."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any
from uuid import UUID

from django.utils.module_loading import autodiscover_modules

from coop import bell
from coop.models import Computation, Coop, Membership

# Takes the row, returns the answer as JSON; may raise Refused with the reason a person reads.
Work = Callable[[Computation, datetime], dict[str, Any]]
_WORKS: dict[str, Work] = {}


def work(kind: str) -> Callable[[Work], Work]:
    """Register the function that carries out computations of this kind. It must be safe to run twice."""

    def register(function: Work) -> Work:
        _WORKS[kind] = function
        return function

    return register


def work_for(kind: str) -> Work:
    """The function of this kind. Works are registered where the apps' ``tasks`` are loaded, so those come first."""
    if kind not in _WORKS:
        autodiscover_modules("tasks")
    return _WORKS[kind]


def ask(
    coop: Coop,
    *,
    kind: str,
    subject: UUID,
    by: Membership | None,
    now: datetime,
    request: dict[str, Any] | None = None,
) -> Computation:
    """Write down what is to be computed, inside a use case; the one already waiting for the same is returned."""
    waiting: Computation | None = Computation.objects.filter(
        coop=coop, kind=kind, subject=subject, request=request or {}, state=Computation.State.WAITING
    ).first()
    if waiting is not None:
        return waiting
    row: Computation = Computation.objects.create(
        coop=coop, kind=kind, subject=subject, request=request or {}, asked_by=by, asked_at=now
    )
    bell.ring("computation", row.pk)
    return row
