"""How the pages of wood say amounts and shares."""

from __future__ import annotations

from django import template
from django.utils.formats import number_format
from django.utils.translation import gettext as _

from coop.models import SignOff

register = template.Library()

NBSP = "\N{NO-BREAK SPACE}"


@register.filter
def stacked(dm3: int) -> str:
    """Litres stacked as ``2.45 m³``; nothing is rounded away."""
    return f"{number_format(_short(dm3, 1000))}{NBSP}m³"


@register.filter
def stacked_move(dm3: int) -> str:
    """Wood moved in words: ``2.45 m³ put on``."""
    if dm3 > 0:
        return _("%(amount)s put on") % {"amount": stacked(dm3)}
    return _("%(amount)s taken off") % {"amount": stacked(-dm3)}


@register.filter
def permille(share: int) -> str:
    """Thousandths as ``18.5 %``."""
    return f"{number_format(_short(share, 10))}{NBSP}%"


@register.filter
def sign_off_word(kind: str) -> str:
    """What a sign-off is called on screen."""
    return str(dict(SignOff.Kind.choices).get(kind, kind))


def _short(number: int, parts: int) -> str:
    whole, rest = divmod(number, parts)
    digits = f"{rest:0{len(str(parts)) - 1}d}".rstrip("0")
    return f"{whole}.{digits}" if digits else str(whole)
