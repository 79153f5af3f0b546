"""What a log entry says, in one line."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from django import template

from coop.models import Membership
from coop.periods import elapsed
from firings.models import LogEntry
from firings.queries.fire import in_words

register = template.Library()


@register.filter
def said(entry: LogEntry, person: Any = None) -> str:
    """``front 1,043 °C``, ``cone 9 (front): half down``; in °F for a person who reads those."""
    return in_words(entry, person)


@register.filter
def named(member: Membership, kept: bool = False) -> str:
    """The member's name; on the copy a phone keeps only the first."""
    return member.name.split()[0] if kept and member.name.split() else member.name


@register.filter
def first_names(text: str, names: Iterable[str]) -> str:
    """The text with these people's first names for their whole ones."""
    for name in sorted(names, key=len, reverse=True):
        text = text.replace(name, name.split()[0])
    return text


@register.filter
def back(now: datetime, ago: timedelta) -> datetime:
    """The moment that was so long ago."""
    return now - ago


@register.filter
def less(later: datetime, now: datetime) -> timedelta:
    """How long it still is, never less than nothing."""
    return max(timedelta(0), elapsed(now, later))
