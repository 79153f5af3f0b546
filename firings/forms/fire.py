"""Forms of the fire page: one per kind of entry. They read what was typed; the log's service judges it."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from decimal import Decimal, InvalidOperation
from typing import Any, ClassVar
from zoneinfo import ZoneInfo

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop.errors import Refused
from coop.forms import PictureField
from coop.periods import parse_local
from firings.fire.cones import CONES
from firings.models import LogEntry
from firings.services.log import EntrySpec

PLAIN = {"autocomplete": "off"}


class TemperatureField(forms.CharField):
    """Degrees as typed (a comma is a point) in the reader's unit; cleaned to tenths of °C."""

    fahrenheit = False

    def clean(self, value: Any) -> int | None:
        text = str(super().clean(value)).replace(",", ".").replace("°", "").strip().rstrip("CcFf").strip()
        if not text:
            return None
        try:
            degrees = Decimal(text)
        except InvalidOperation:
            degrees = Decimal("NaN")
        if not degrees.is_finite() or abs(degrees) > 99_999:
            raise forms.ValidationError(_("Give the temperature as a number, e.g. 1043."))
        tenths = (degrees - 32) * 50 / 9 if self.fahrenheit else degrees * 10
        return int(tenths.to_integral_value())


class EntryForm(forms.Form):
    """What every kind has: when it was seen (empty: now), and an id the device may have made."""

    KIND: ClassVar[str] = ""
    seen_at = forms.CharField(
        label=gettext_lazy("Seen at"),
        required=False,
        help_text=gettext_lazy("Empty means now. For what stands on paper, give the time it was seen."),
        widget=forms.DateTimeInput(attrs={"type": "datetime-local", **PLAIN}),
    )
    second = forms.BooleanField(
        label=gettext_lazy("The second time that hour came, after the clocks went back"), required=False
    )
    public_id = forms.UUIDField(required=False, widget=forms.HiddenInput)
    device_id = forms.CharField(required=False, max_length=40, widget=forms.HiddenInput)
    device_seq = forms.IntegerField(required=False, min_value=0, widget=forms.HiddenInput)
    device_at = forms.DateTimeField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, clock_goes_back: bool = False, fahrenheit: bool = False, **kwargs: Any) -> None:
        kwargs.setdefault("auto_id", f"{self.KIND}_%s")
        super().__init__(*args, **kwargs)
        if not clock_goes_back:
            del self.fields["second"]
        for field in self.fields.values():
            if isinstance(field, TemperatureField):
                field.fahrenheit = fahrenheit

    def spec(self, zone: ZoneInfo) -> EntrySpec:
        """The entry as typed; raises Refused for a time that does not exist, or comes twice and is not told."""
        values = {name: value for name, value in self.cleaned_data.items() if value not in (None, "")}
        for name in ("seen_at", "second"):
            values.pop(name, None)
        return EntrySpec(kind=self.KIND, observed_at=self._seen(zone), **values)

    def _seen(self, zone: ZoneInfo) -> datetime | None:
        text = self.cleaned_data.get("seen_at") or ""
        if not text:
            return None
        try:
            return parse_local(text, zone, fold=1 if self.cleaned_data.get("second") else 0)
        except Refused as no:
            raise Refused(str(no), fields={"seen_at": [str(no)]}) from no


class ReadingForm(EntryForm):
    KIND = LogEntry.Kind.READING
    probe = forms.CharField(label=gettext_lazy("Probe"), max_length=30, widget=forms.TextInput(attrs=PLAIN))
    temperature_dc = TemperatureField(
        label=gettext_lazy("Temperature"), widget=forms.TextInput(attrs={"inputmode": "decimal", **PLAIN})
    )
    field_order = ["probe", "temperature_dc"]


class ConeForm(EntryForm):
    KIND = LogEntry.Kind.CONE
    pack = forms.CharField(
        label=gettext_lazy("Cone pack"),
        max_length=30,
        required=False,
        widget=forms.TextInput(attrs={"list": "packs", **PLAIN}),
    )
    place = forms.CharField(
        label=gettext_lazy("Where it stands"), max_length=30, required=False, widget=forms.TextInput(attrs=PLAIN)
    )
    cone = forms.ChoiceField(label=gettext_lazy("Cone"), choices=[(name, name) for name in CONES])
    cone_state = forms.ChoiceField(
        label=gettext_lazy("How it stands"), choices=LogEntry.ConeState.choices, widget=forms.RadioSelect
    )
    field_order = ["pack", "place", "cone", "cone_state"]


class StokeForm(EntryForm):
    KIND = LogEntry.Kind.STOKE
    port = forms.CharField(
        label=gettext_lazy("Port"),
        max_length=30,
        required=False,
        widget=forms.TextInput(attrs={"list": "ports", **PLAIN}),
    )
    pieces = forms.IntegerField(label=gettext_lazy("Pieces of wood"), min_value=1, max_value=1000, required=False)
    wood_size = forms.CharField(
        label=gettext_lazy("Size of wood"), max_length=20, required=False, widget=forms.TextInput(attrs=PLAIN)
    )
    field_order = ["port", "pieces", "wood_size"]


class DamperForm(EntryForm):
    KIND = LogEntry.Kind.DAMPER
    damper = forms.CharField(
        label=gettext_lazy("Damper and air"),
        max_length=60,
        help_text=gettext_lazy("How it stands now, e.g. half in, two bricks open."),
        required=False,
        widget=forms.TextInput(attrs={"list": "dampers", **PLAIN}),
    )
    air = forms.CharField(
        label=gettext_lazy("Air, where it is apart from the damper"),
        max_length=60,
        required=False,
        widget=forms.TextInput(attrs=PLAIN),
    )
    field_order = ["damper", "air"]


class RoundForm(EntryForm):
    KIND = LogEntry.Kind.ROUND
    phase = forms.ChoiceField(
        label=gettext_lazy("Body-reduction round"), choices=LogEntry.Phase.choices, widget=forms.RadioSelect
    )
    text = forms.CharField(
        label=gettext_lazy("Flame, colour"), max_length=200, required=False, widget=forms.TextInput(attrs=PLAIN)
    )
    field_order = ["phase", "text"]


class SodaForm(EntryForm):
    KIND = LogEntry.Kind.SODA
    port = forms.CharField(
        label=gettext_lazy("Port"),
        max_length=30,
        required=False,
        widget=forms.TextInput(attrs={"list": "ports", **PLAIN}),
    )
    grams = forms.IntegerField(label=gettext_lazy("Soda, g"), min_value=1, max_value=100_000)
    soda_form = forms.ChoiceField(
        label=gettext_lazy("Form of the soda"), choices=[("", "–"), *LogEntry.SodaForm.choices], required=False
    )
    field_order = ["port", "grams", "soda_form"]


class WithPhoto(EntryForm):
    """An entry a photo may go with."""

    photo = PictureField(required=False)

    def spec(self, zone: ZoneInfo) -> EntrySpec:
        photo = self.cleaned_data.pop("photo", None)
        return replace(super().spec(zone), pictures=(photo,) if photo else ())


class FlameForm(WithPhoto):
    KIND = LogEntry.Kind.FLAME
    flame = forms.CharField(
        label=gettext_lazy("Flame"),
        max_length=60,
        required=False,
        help_text=gettext_lazy("Where it shows and how it looks, e.g. an arm's length out of the chimney, lazy."),
        widget=forms.TextInput(attrs=PLAIN),
    )
    smoke = forms.ChoiceField(
        label=gettext_lazy("Smoke"), choices=LogEntry.Smoke.choices, required=False, widget=forms.RadioSelect
    )
    field_order = ["flame", "smoke", "photo"]


class DrawForm(WithPhoto):
    KIND = LogEntry.Kind.DRAW
    place = forms.CharField(
        label=gettext_lazy("Where it was drawn"), max_length=30, required=False, widget=forms.TextInput(attrs=PLAIN)
    )
    text = forms.CharField(
        label=gettext_lazy("How it looks"), max_length=4000, required=False, widget=forms.Textarea(attrs={"rows": 2})
    )
    field_order = ["place", "text", "photo"]


class WeatherForm(EntryForm):
    KIND = LogEntry.Kind.WEATHER
    text = forms.CharField(
        label=gettext_lazy("Rain, wind, sky"), max_length=200, required=False, widget=forms.TextInput(attrs=PLAIN)
    )
    temperature_dc = TemperatureField(
        label=gettext_lazy("Air outside"),
        required=False,
        widget=forms.TextInput(attrs={"inputmode": "text", **PLAIN}),
    )
    field_order = ["text", "temperature_dc"]


class DecisionForm(EntryForm):
    KIND = LogEntry.Kind.DECISION
    text = forms.CharField(
        label=gettext_lazy("What was decided"), max_length=4000, widget=forms.Textarea(attrs={"rows": 2})
    )
    reason = forms.CharField(label=gettext_lazy("Why"), max_length=4000, widget=forms.Textarea(attrs={"rows": 2}))
    field_order = ["text", "reason"]


class WoodForm(EntryForm):
    KIND = LogEntry.Kind.WOOD
    kg = forms.IntegerField(label=gettext_lazy("Wood, kg"), min_value=1, max_value=100_000, required=False)
    pieces = forms.IntegerField(label=gettext_lazy("Pieces"), min_value=1, max_value=10_000, required=False)
    wood_size = forms.CharField(
        label=gettext_lazy("Size of wood"), max_length=20, required=False, widget=forms.TextInput(attrs=PLAIN)
    )
    text = forms.CharField(
        label=gettext_lazy("From where"), max_length=200, required=False, widget=forms.TextInput(attrs=PLAIN)
    )
    field_order = ["kg", "pieces", "wood_size", "text"]


class IncidentForm(WithPhoto):
    KIND = LogEntry.Kind.INCIDENT
    text = forms.CharField(
        label=gettext_lazy("What happened"),
        max_length=4000,
        help_text=gettext_lazy("Burns, falls, a board that broke, fire outside the kiln. Get help first, write later."),
        widget=forms.Textarea(attrs={"rows": 3}),
    )
    place = forms.CharField(
        label=gettext_lazy("Where"), max_length=30, required=False, widget=forms.TextInput(attrs=PLAIN)
    )
    field_order = ["text", "place", "photo"]


class NoteForm(EntryForm):
    KIND = LogEntry.Kind.NOTE
    text = forms.CharField(
        label=gettext_lazy("Note"), max_length=4000, strip=True, widget=forms.Textarea(attrs={"rows": 3})
    )
    field_order = ["text"]


# What is written down now and then, on a page of its own; the rest is pressed on the fire page.
LESS_OFTEN: tuple[str, ...] = (
    LogEntry.Kind.DECISION,
    LogEntry.Kind.FLAME,
    LogEntry.Kind.DRAW,
    LogEntry.Kind.WEATHER,
    LogEntry.Kind.WOOD,
    LogEntry.Kind.INCIDENT,
)
FORMS: dict[str, type[EntryForm]] = {
    form.KIND: form
    for form in (
        ReadingForm,
        ConeForm,
        StokeForm,
        DamperForm,
        RoundForm,
        SodaForm,
        FlameForm,
        DrawForm,
        WeatherForm,
        DecisionForm,
        WoodForm,
        IncidentForm,
        NoteForm,
    )
}


class StrikeForm(forms.Form):
    why = forms.CharField(label=gettext_lazy("Why it never happened"), max_length=200, required=False)


class HandOverForm(forms.Form):
    text = forms.CharField(
        label=gettext_lazy("How the fire stands"), max_length=8000, widget=forms.Textarea(attrs={"rows": 10})
    )
