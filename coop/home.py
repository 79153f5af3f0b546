"""The home page's parts: each app that lies above registers its own, so that people need not know kilns or money."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from coop.models import Membership

# Takes the member who looks and the moment; what its template shows, or None when there is nothing to show.
Part = Callable[[Membership, datetime], dict[str, Any] | None]


@dataclass(frozen=True, slots=True)
class Shown:
    """One part as it appears on the page: its template and what is in it."""

    template: str
    context: dict[str, Any]


_PARTS: list[tuple[int, str, Part]] = []


def part(order: int, template: str) -> Callable[[Part], Part]:
    """Register a part; a lower order stands higher on the page."""

    def register(function: Part) -> Part:
        _PARTS.append((order, template, function))
        _PARTS.sort(key=lambda entry: entry[0])
        return function

    return register


def parts_for(membership: Membership, now: datetime) -> list[Shown]:
    """The parts that have something to say to this member, in order."""
    answers = ((template, function(membership, now)) for _order, template, function in _PARTS)
    return [Shown(template, context) for template, context in answers if context is not None]
