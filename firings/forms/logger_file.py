"""The two steps of a logger's file: choose it, then say what its columns mean."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo, available_timezones

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop.errors import Malformed
from firings.fire import logger_file
from firings.fire.logger_file import Columns, Sheet

_FORMATS = (
    ("iso", gettext_lazy("2026-03-14 18:30:00 (with or without an offset)")),
    ("dmy", gettext_lazy("day first: 14.03.2026 18:30 or 14/03/2026 18:30")),
    ("mdy", gettext_lazy("month first: 03/14/2026 18:30 or 6:30 PM")),
    ("unix", gettext_lazy("seconds since 1970")),
)


class LoggerFileForm(forms.Form):
    file = forms.FileField(
        label=gettext_lazy("CSV file of the logger"),
        help_text=gettext_lazy("A head and rows below it, with comma, semicolon or tab; at most 2 MB and 20,000 rows."),
        widget=forms.FileInput(attrs={"accept": ".csv,.txt,text/csv"}),
    )


class LoggerColumnsForm(forms.Form):
    """What each column is. The file travels along as text, so that nothing is kept until it is taken."""

    rows = forms.CharField(widget=forms.HiddenInput, max_length=logger_file.MOST_BYTES, strip=False)
    time = forms.ChoiceField(label=gettext_lazy("Time"))
    day = forms.ChoiceField(label=gettext_lazy("Date, where it has a column of its own"), required=False)
    format = forms.ChoiceField(label=gettext_lazy("How the time is written"), choices=_FORMATS)
    zone = forms.ChoiceField(label=gettext_lazy("Time zone of the file"))
    unit = forms.ChoiceField(
        label=gettext_lazy("Temperatures in"), choices=[("c", "°C"), ("f", "°F")], widget=forms.RadioSelect
    )

    def __init__(self, sheet: Sheet, zone: str, data: Any = None, *, rows: str = "") -> None:
        first = logger_file.guess(sheet)
        told: dict[str, Any] = {
            "rows": rows,
            "time": str(first.time),
            "day": "" if first.day is None else str(first.day),
            "format": first.format,
            "zone": zone,
            "unit": first.unit,
            **{f"probe_{place}": name for place, name in first.probes.items()},
        }
        super().__init__(data, initial=told)
        places = [(str(place), head) for place, head in enumerate(sheet.heads)]
        for name, choices in (
            ("time", places),
            ("day", [("", "–"), *places]),
            ("zone", [(zone, zone), ("UTC", "UTC"), *((one, one) for one in sorted(available_timezones()))]),
        ):
            field = self.fields[name]
            assert isinstance(field, forms.ChoiceField)
            field.choices = choices
        for place, head in places:
            self.fields[f"probe_{place}"] = forms.CharField(
                label=_("Column “%(head)s” is probe") % {"head": head},
                max_length=30,
                required=False,
                help_text=_("Leave empty if it is none."),
                widget=forms.TextInput(attrs={"autocomplete": "off"}),
            )

    def columns(self) -> Columns:
        """Raises Malformed for columns that cannot be."""
        told = self.cleaned_data
        probes = {
            int(name.removeprefix("probe_")): " ".join(value.split())
            for name, value in told.items()
            if name.startswith("probe_") and value.strip()
        }
        if not probes:
            raise Malformed([_("No column is a probe; name at least one.")])
        return Columns(
            int(told["time"]), probes, int(told["day"]) if told["day"] else None, told["format"], told["unit"]
        )

    def zone_info(self) -> ZoneInfo:
        return ZoneInfo(self.cleaned_data["zone"])
