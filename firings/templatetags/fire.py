"""What a log entry says, in one line."""

from __future__ import annotations

from typing import Any

from django import template

from firings.models import LogEntry
from firings.queries.fire import in_words

register = template.Library()


@register.filter
def said(entry: LogEntry, person: Any = None) -> str:
    """``front 1,043 °C``, ``cone 9 (front): half down``; in °F for a person who reads those."""
    return in_words(entry, person)
