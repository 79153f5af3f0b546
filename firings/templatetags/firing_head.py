"""The head of every firing page: kiln, stage, tabs."""

from __future__ import annotations

from typing import Any

from django import template
from django.urls import NoReverseMatch, reverse
from django.utils.translation import gettext_lazy as _

from firings import lifecycle
from firings.models import Firing

register = template.Library()

TABS = (
    ("firing", "overview", _("Overview")),
    ("firing_space", "space", _("Space")),
    ("firing_load_plan", "load_plan", _("Load plan")),
    ("firing_watches", "watches", _("Watches and chores")),
    ("firing_fire", "fire", _("Fire")),
    ("firing_unpacking", "unpacking", _("Unpacking")),
    ("firing_cleanup", "cleanup", _("Clean-up")),
    ("firing_money", "money", _("Money")),
)


@register.inclusion_tag("firings/_firing_tabs.html", takes_context=True)
def firing_tabs(context: template.Context, firing: Firing, current: str = "") -> dict[str, Any]:
    """Links to the pages of one firing; ``current`` is the key of the page shown."""
    request = context["request"]
    tabs = []
    for name, key, word in TABS:
        try:
            address = reverse(name, kwargs={"coop": request.coop.slug, "firing": firing.public_id})
        except NoReverseMatch:
            continue
        tabs.append({"address": address, "word": word, "is_current": key == current or request.path == address})
    return {"tabs": tabs, "firing": firing, "stages": lifecycle.STAGES}
