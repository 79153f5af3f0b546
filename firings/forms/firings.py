"""Forms to call a firing and to change its dates, in the co-op's local time."""

from __future__ import annotations

from datetime import date, datetime, time
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django import forms
from django.forms.boundfield import BoundField
from django.utils.translation import gettext as _

from coop import money
from coop.errors import Refused
from coop.models import Coop, Person
from coop.periods import local_moment
from firings.forms.kilns import cone_choices
from firings.queries import firings as queries

LATER_DATES = ("ends_at", "opens_at", "occupied_until", "booking_closes_at")


class DateAndTime(forms.MultiWidget):
    """A date and a time, as the browser's own inputs."""

    def __init__(self) -> None:
        super().__init__(
            [
                forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"}),
                forms.TimeInput(format="%H:%M", attrs={"type": "time"}),
            ]
        )

    def id_for_label(self, id_: str) -> str:
        return f"{id_}_0" if id_ else ""

    def decompress(self, value: Any) -> list[Any]:
        return [value.date(), value.time()] if isinstance(value, datetime) else [None, None]


class LocalMoment(forms.MultiValueField):
    """A moment by the co-op's clock. A time the clock skips is refused; one shown twice means the first."""

    widget = DateAndTime

    def __init__(self, zone: ZoneInfo, **kwargs: Any) -> None:
        self.zone = zone
        said = {
            "required": _("Give both the date and the time."),
            "invalid": _("Give the date like 2026-05-09 and the time like 18:30."),
        }
        parts = (forms.DateField(error_messages=said), forms.TimeField(error_messages=said))
        super().__init__(parts, require_all_fields=True, error_messages=said, **kwargs)
        for widget, part in zip(self.widget.widgets, (_("date"), _("time")), strict=True):
            widget.attrs["aria-label"] = f"{self.label}, {part}"

    def compress(self, data_list: list[date | time | None]) -> datetime | None:
        if not data_list or None in data_list:
            return None
        day, at = data_list
        assert isinstance(day, date)
        assert isinstance(at, time)
        try:
            return local_moment(day, at, self.zone)
        except Refused as no:
            raise forms.ValidationError(str(no)) from no


class DatesForm(forms.Form):
    """New dates of a firing: loading and lighting are asked for, what is left empty moves along with them."""

    def __init__(self, *args: Any, coop: Coop, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        zone, left_empty = ZoneInfo(coop.time_zone), self.left_empty()
        labels = {
            "occupied_from": _("Loading begins"),
            "lights_at": _("To be lit"),
            "ends_at": _("End of fire, likely"),
            "opens_at": _("Unpacking"),
            "occupied_until": _("Clean-up done"),
            "booking_closes_at": _("Booking closes"),
        }
        for name, label in labels.items():
            self.fields[name] = LocalMoment(
                zone, label=label, required=name not in LATER_DATES, help_text=left_empty.get(name, "")
            )

    def left_empty(self) -> dict[str, str]:
        """What becomes of a date that is not given."""
        with_lighting = _("Left empty: moves along with the lighting.")
        return {
            **dict.fromkeys(LATER_DATES, with_lighting),
            "booking_closes_at": _("Left empty: moves along with the loading."),
        }

    def dates(self) -> dict[str, Any]:
        return {name: self.cleaned_data[name] for name in ("occupied_from", "lights_at", *LATER_DATES)}

    @property
    def asked(self) -> list[BoundField]:
        return [field for field in self if field.name not in LATER_DATES]

    @property
    def later(self) -> list[BoundField]:
        """Dates that follow from the kiln; folded away until somebody wants to set them."""
        return [self[name] for name in LATER_DATES]

    @property
    def sets_later(self) -> bool:
        """Whether one of them is filled in or at fault, so that the fold stands open."""
        return any(field.errors or field.value() not in (None, "", [None, None], ["", ""]) for field in self.later)


class CallForm(DatesForm):
    """Everything a call says; dates left empty follow from the kiln's usual hours."""

    def __init__(self, *args: Any, coop: Coop, person: Person | None = None, **kwargs: Any) -> None:
        super().__init__(*args, coop=coop, **kwargs)
        self.coop = coop
        dates = dict(self.fields)
        self.fields.clear()
        kilns = [(str(kiln.public_id), kiln.name) for kiln in queries.kilns_in_use(coop)]
        leads = [("", _("nobody"))] + [(str(m.public_id), m.name) for m in queries.leads_of(coop)]
        self.fields["name"] = forms.CharField(label=_("Name"), max_length=80)
        self.fields["kiln_id"] = forms.ChoiceField(label=_("Kiln"), choices=kilns)
        self.fields["target_cone"] = forms.ChoiceField(
            label=_("Target cone"),
            choices=cone_choices(person, empty=_("the kiln's usual cone")),
            required=False,
            help_text=_("Cone 06 is far cooler than cone 6."),
        )
        self.fields["with_soda"] = forms.BooleanField(label=_("With soda"), required=False)
        self.fields.update(dates)
        self.fields["deputy_id"] = forms.ChoiceField(label=_("Deputy"), choices=leads, required=False)
        self.fields["cost_estimate"] = forms.CharField(
            label=_("Estimated cost of the whole firing"), required=False, help_text=coop.currency
        )
        self.fields["notes"] = forms.CharField(
            label=_("Notes"), widget=forms.Textarea(attrs={"rows": 3}), required=False
        )

    def left_empty(self) -> dict[str, str]:
        return {
            "ends_at": _("Left empty: from the kiln's usual hours."),
            "opens_at": _("Left empty: after the kiln's usual cooling."),
            "occupied_until": _("Left empty: after the kiln's usual clean-up."),
            "booking_closes_at": _("Left empty: a day before loading."),
        }

    def clean_cost_estimate(self) -> int | None:
        text = self.cleaned_data["cost_estimate"].strip()
        if not text:
            return None
        try:
            return money.parse(text, self.coop.currency)
        except Refused as no:
            raise forms.ValidationError(str(no)) from no

    def call(self) -> dict[str, Any]:
        said = self.cleaned_data
        return {
            **self.dates(),
            "name": said["name"],
            "kiln_id": UUID(said["kiln_id"]),
            "target_cone": said["target_cone"],
            "with_soda": said["with_soda"],
            "deputy_id": UUID(said["deputy_id"]) if said["deputy_id"] else None,
            "cost_estimate_minor": said["cost_estimate"],
            "notes": said["notes"],
        }
