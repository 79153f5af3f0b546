"""Tags for people: the demo's sign-in buttons."""

from __future__ import annotations

from typing import Any

from django import template
from django.conf import settings

from coop import queries

register = template.Library()


@register.inclusion_tag("coop/_demo_sign_in.html", takes_context=True)
def demo_sign_in(context: dict[str, Any]) -> dict[str, Any]:
    """One button per invented person with their roles; nothing outside a demo."""
    return {
        "people": queries.demo_people() if settings.DEMO else [],
        "csrf_token": context.get("csrf_token", ""),
    }
