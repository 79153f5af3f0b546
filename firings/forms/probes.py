"""Forms of a kiln's probes and loggers."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from typing import Any

from django import forms
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

PLAIN = {"autocomplete": "off"}


class OffsetField(forms.CharField):
    """What is added to a probe, in the reader's degrees; cleaned to tenths of °C. Empty is none."""

    fahrenheit = False

    def clean(self, value: Any) -> int:
        text = str(super().clean(value)).replace(",", ".").replace("\u2212", "-").rstrip("°CcFfK ").strip()
        if not text:
            return 0
        try:
            degrees = Decimal(text)
        except InvalidOperation:
            degrees = Decimal("NaN")
        if not degrees.is_finite() or abs(degrees) > 1000:
            raise forms.ValidationError(gettext("Give the offset as a number of degrees, e.g. -12."))
        return int((degrees * 50 / 9 if self.fahrenheit else degrees * 10).to_integral_value())


class ProbeForm(forms.Form):
    place = forms.CharField(
        label=_("Where it sits"), max_length=60, required=False, widget=forms.TextInput(attrs=PLAIN)
    )
    offset_dc = OffsetField(
        label=_("Add to what it shows"),
        required=False,
        help_text=_("As cones have taught, e.g. -12. Readings written before keep the offset they had."),
        widget=forms.TextInput(attrs={"inputmode": "text", **PLAIN}),
    )

    def __init__(self, *args: Any, fahrenheit: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["offset_dc"]
        assert isinstance(field, OffsetField)
        field.fahrenheit = fahrenheit


class NewProbeForm(ProbeForm):
    name = forms.CharField(label=_("Name"), max_length=30, widget=forms.TextInput(attrs=PLAIN))
    field_order = ["name", "place", "offset_dc"]


class LoggerForm(forms.Form):
    name = forms.CharField(label=_("Name of the logger"), max_length=40, widget=forms.TextInput(attrs=PLAIN))
