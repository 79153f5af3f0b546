"""How pages say things: moments, litres, money and temperatures in words, and the small parts of a form."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any, Protocol

from django import forms, template
from django.forms.boundfield import BoundField
from django.templatetags.static import static
from django.urls import NoReverseMatch, reverse
from django.utils import timezone
from django.utils.formats import date_format, number_format
from django.utils.html import format_html
from django.utils.safestring import SafeString
from django.utils.translation import get_language, pgettext
from django.utils.translation import gettext as _

register = template.Library()

NBSP = "\N{NO-BREAK SPACE}"  # a figure never stands on another line than its unit
CALLED_OFF = "called_off"


class HasStage(Protocol):
    """What the stage bar needs of a stage."""

    @property
    def key(self) -> str: ...

    @property
    def word(self) -> str: ...


# --- Moments ------------------------------------------------------------------------------
@register.filter
def moment(value: datetime | None) -> str:
    """``Sat 9 May, 14:30`` in the active time zone; in the hour that comes twice also the zone's short name."""
    if not value:
        return ""
    here = timezone.localtime(value)
    return f"{date_format(here, 'D j M')}, {clock(value)}"


@register.filter
def day(value: date | datetime | None) -> str:
    """``Sat 9 May 2026``; of an instant, the day it is in the active time zone."""
    if not value:
        return ""
    return date_format(timezone.localtime(value) if isinstance(value, datetime) else value, "D j M Y")


@register.filter
def clock(value: datetime | None) -> str:
    """``14:30`` in the active time zone; ``01:30 IST`` where that time comes twice in the night."""
    if not value:
        return ""
    here = timezone.localtime(value)
    comes_twice = here.replace(fold=0).utcoffset() != here.replace(fold=1).utcoffset()
    return f"{here:%H:%M} {here.tzname()}" if comes_twice else f"{here:%H:%M}"


@register.simple_tag
def when(value: datetime | None) -> SafeString | str:
    """A ``<time>`` element with the instant in UTC and ``moment`` as its words."""
    if not value:
        return ""
    return format_html('<time datetime="{}">{}</time>', f"{value.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}", moment(value))


@register.filter
def duration(minutes: int | timedelta | None) -> str:
    """Minutes (or a timedelta, to the minute) as ``3 h 20 min``; ``2 days 4 h`` from 48 hours on."""
    if minutes is None:
        return ""
    total = round(minutes.total_seconds() / 60) if isinstance(minutes, timedelta) else int(minutes)
    sign, total = ("−" if total < 0 else ""), abs(total)
    hours, rest = divmod(total, 60)
    if hours >= 48:
        days, hours = divmod(hours, 24)
        text = (_("%(days)d days") % {"days": days}).replace(" ", NBSP) + (f" {hours}{NBSP}h" if hours else "")
    elif hours:
        text = f"{hours}{NBSP}h" + (f" {rest}{NBSP}min" if rest else "")
    else:
        text = f"{rest}{NBSP}min"
    return sign + text


# --- Figures with units -------------------------------------------------------------------
@register.filter
def litres(ml: int | None) -> str:
    """Millilitres as ``41.2 l`` (one decimal, halves away from zero)."""
    if ml is None:
        return ""
    return f"{_decimal(_nearest(ml, 100), 1)}{NBSP}l"


@register.filter
def space(ml: int | None, person: Any = None) -> str:
    """Millilitres as litres, or as cubic inches for a person who reads those."""
    if ml is None:
        return ""
    if getattr(person, "volume_unit", "l") != "in3":
        return litres(ml)
    return f"{_decimal(_nearest(ml * 1_000_000, 16_387_064), 0)}{NBSP}in³"  # 1 in = 25.4 mm


@register.filter
def mm(value: int | None) -> str:
    """Millimetres as ``312 mm``."""
    return "" if value is None else f"{_decimal(value, 0)}{NBSP}mm"


@register.filter
def size(value: int | None, person: Any = None) -> str:
    """Millimetres as ``312 mm``, or as ``12.3 in`` for a person who reads inches."""
    if value is None or getattr(person, "length_unit", "mm") != "in":
        return mm(value)
    return f"{_decimal(_nearest(value * 100, 254), 1)}{NBSP}in"


@register.filter
def celsius(tenths: int | None) -> str:
    """Tenths of °C as ``1,204 °C`` (whole degrees)."""
    return "" if tenths is None else f"{_decimal(_nearest(tenths, 10), 0)}{NBSP}°C"


@register.filter
def temperature(tenths: int | None, person: Any = None) -> str:
    """Tenths of °C as whole °C, or as °F for a person who reads those."""
    if tenths is None or getattr(person, "temperature_unit", "c") != "f":
        return celsius(tenths)
    return f"{_decimal(_nearest(9 * tenths + 1600, 50), 0)}{NBSP}°F"


@register.filter
def temperature_change(tenths: int | None, person: Any = None) -> str:
    """A difference of temperatures, with its sign: ``+35 °C`` is ``+63 °F``; the offset of 32 plays no part."""
    if tenths is None:
        return ""
    fahrenheit = getattr(person, "temperature_unit", "c") == "f"
    degrees = _nearest(9 * tenths, 50) if fahrenheit else _nearest(tenths, 10)
    sign = "+" if degrees > 0 else "−" if degrees < 0 else "±"
    return f"{sign}{_decimal(abs(degrees), 0)}{NBSP}{'°F' if fahrenheit else '°C'}"


@register.filter
def money(minor: int | None, currency: str) -> str:
    """Minor units as the page's language writes the amount."""
    if minor is None:
        return ""
    from coop.money import format_local

    return format_local(minor, currency, get_language() or "en")


@register.filter
def percent(part: int | None, whole: int | None) -> str:
    """``part`` of ``whole`` as ``76 %``; nothing where there is no whole."""
    return "" if part is None or not whole else f"{_decimal(_nearest(part * 100, whole), 0)}{NBSP}%"


def _nearest(numerator: int, denominator: int) -> int:
    """The nearest integer to the quotient, halves away from zero; ``denominator`` > 0."""
    nearest = (2 * abs(numerator) + denominator) // (2 * denominator)
    return -nearest if numerator < 0 else nearest


def _decimal(value: int, places: int) -> str:
    """``value`` tenths (``places`` 1) or ones (0) as the language writes numbers."""
    digits = f"{abs(value):0{places + 1}d}"
    plain = f"{digits[:-places]}.{digits[-places:]}" if places else digits
    return ("−" if value < 0 else "") + number_format(plain, force_grouping=True)


# --- Parts of a page ----------------------------------------------------------------------
@register.simple_tag
def icon(name: str, label: str = "") -> SafeString:
    """A drawing from icons.svg; hidden from readers unless it has a label (then it speaks for itself)."""
    spoken = format_html('role="img" aria-label="{}"', label) if label else SafeString('aria-hidden="true"')
    return format_html('<svg class="icon" {}><use href="{}#{}"></use></svg>', spoken, static("coop/icons.svg"), name)


@register.inclusion_tag("coop/_nav_link.html", takes_context=True)
def nav_link(context: template.Context, name: str, drawing: str, label: str, css: str = "") -> dict[str, Any]:
    """A link of the navigation; nothing where the co-op or the page is missing."""
    request = context.get("request")
    coop = getattr(request, "coop", None)
    try:
        address = reverse(name, args=[coop.slug]) if coop else ""
    except NoReverseMatch:
        address = ""
    path = getattr(request, "path", "")
    inside = name != "home" and bool(address) and path.startswith(address)
    current = "page" if address and path == address else "true" if inside else ""
    return {"address": address, "drawing": drawing, "label": label, "css": css, "current": current}


@register.filter
def holds(membership: Any, kinds: str) -> bool:
    """Whether a membership (or None) holds one of the roles, comma-separated."""
    return bool(membership) and bool(membership.holds(*(kind.strip() for kind in kinds.split(","))))


@register.inclusion_tag("coop/_stage_bar.html")
def stage_bar(stages: Iterable[HasStage], current: str) -> dict[str, Any]:
    """The life of a firing: what is behind it, where it is, what is to come."""
    way = [stage for stage in stages if stage.key != CALLED_OFF]
    keys = [stage.key for stage in way]
    at = keys.index(current) if current in keys else -1
    states = ["now" if i == at else "done" if i < at else "later" for i in range(len(way))]
    return {
        "steps": [{"word": stage.word, "state": state} for stage, state in zip(way, states, strict=True)],
        "called_off": current == CALLED_OFF,
        "number": at + 1,
        "word": way[at].word if at >= 0 else "",
    }


@register.inclusion_tag("coop/_fill.html")
def fill(used: int, capacity: int, text: str = "", mine: int = 0, label: str = "") -> dict[str, Any]:
    """How full something is: a bar with words. ``mine`` is the reader's part of ``used``; the same unit for all."""
    whole = max(capacity, 1)
    shown = min(max(used, 0), whole)
    own = min(max(mine, 0), shown)
    return {
        "label": label,
        "text": text or percent(used, whole),
        "others_width": f"{(shown - own) * 100 / whole:.2f}",
        "mine_x": f"{(shown - own) * 100 / whole:.2f}",
        "mine_width": f"{own * 100 / whole:.2f}",
        "over": used > capacity,
        "full": used == capacity and capacity > 0,
    }


# --- Forms --------------------------------------------------------------------------------
@register.inclusion_tag("coop/_field.html")
def field(
    bound: BoundField,
    label: str = "",
    help: str | None = None,
    unit: str = "",
    inputmode: str = "",
    autocomplete: str = "",
    css: str = "",
) -> dict[str, Any]:
    """One field of a form with its label, help and faults, each tied to the input for screen readers.

    ``help`` replaces the field's own help text; an empty one leaves it out.
    """
    widget = bound.field.widget
    many = isinstance(widget, forms.RadioSelect | forms.CheckboxSelectMultiple)
    help_text = bound.help_text if help is None else help
    parts = [f"{bound.auto_id}_helptext"] if help_text else []
    parts += [f"{bound.auto_id}_error"] if bound.errors else []
    parts += [f"{bound.auto_id}_unit"] if unit else []
    attrs: dict[str, Any] = {}
    if parts:
        attrs["aria-describedby"] = " ".join(parts)
    if bound.errors:
        attrs["aria-invalid"] = "true"
    if mode := inputmode or _input_mode(bound.field):
        attrs["inputmode"] = mode
    if autocomplete:
        attrs["autocomplete"] = autocomplete
    return {
        "field": bound,
        "input": bound.as_widget(attrs=attrs),
        "label": label or bound.label,
        "help_text": help_text,
        "unit": unit,
        "css": css,
        "many": many,
        "tick": isinstance(widget, forms.CheckboxInput),
        "optional": not bound.field.required,
        "described_by": " ".join(parts),
    }


@register.inclusion_tag("coop/_form_errors.html")
def error_summary(form: Any) -> dict[str, Any]:
    """All faults of a form on top of it, each a link to its field."""
    faulty: Sequence[BoundField] = [f for f in form if f.errors]
    return {"form": form, "faulty": faulty, "general": form.non_field_errors()}


def _input_mode(of: forms.Field) -> str:
    """The keyboard a phone should show; a text field keeps its own."""
    if isinstance(of.widget, forms.Select | forms.CheckboxInput | forms.RadioSelect):
        return ""
    if isinstance(of, forms.FloatField | forms.DecimalField):
        return "decimal"
    if isinstance(of, forms.IntegerField):
        # the digits-only pad of some phones has no minus sign
        return "numeric" if of.min_value is not None and _at_least_zero(of.min_value) else ""
    return ""


def _at_least_zero(value: Any) -> bool:
    return bool((value() if callable(value) else value) >= 0)


@register.simple_tag
def state_word(state: str) -> str:
    """The word a mark of the stage bar stands for."""
    words = {
        "done": pgettext("stage", "done"),
        "now": pgettext("stage", "now"),
        "later": pgettext("stage", "to come"),
    }
    return words.get(state, "")
