"""Published limits beside the caution of a page."""

from __future__ import annotations

from typing import Any

from django import template

from coop.limits import limits_for

register = template.Library()


@register.inclusion_tag("coop/_limits.html")
def limits(kind: str) -> dict[str, Any]:
    """The published limits for a kind of work, each with its source."""
    return {"limits": limits_for(kind)}
