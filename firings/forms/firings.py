"""Forms to call a firing and to change its dates, in the co-op's local time."""

from __future__ import annotations

from datetime import date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.utils.translation import gettext_lazy as _

from coop import money
from coop.errors import Refused
from coop.models import Coop
from coop.periods import local_moment
from firings.fire.cones import CONES
from firings.queries import firings as queries


def cone_choices(*, empty: str = "") -> list[tuple[str, str]]:
    """Cones in their order, coolest first, as text: 06 and 6 are far apart."""
    first = [("", empty)] if empty else []
    return [*first, *((cone, str(_("cone %(cone)s")) % {"cone": cone}) for cone in CONES)]


class DateAndTime(forms.MultiWidget):
    """A date and a time, as the browser's own inputs."""

    use_fieldset = True

    def __init__(self) -> None:
        super().__init__(
            [
                forms.DateInput(format="%Y-%m-%d", attrs={"type": "date", "aria-label": _("date")}),
                forms.TimeInput(format="%H:%M", attrs={"type": "time", "aria-label": _("time")}),
            ]
        )

    def decompress(self, value: Any) -> list[Any]:
        return [value.date(), value.time()] if isinstance(value, datetime) else [None, None]


class LocalMoment(forms.MultiValueField):
    """A moment by the co-op's clock. A time the clock skips is refused; one shown twice means the first."""

    widget = DateAndTime

    def __init__(self, zone: ZoneInfo, **kwargs: Any) -> None:
        self.zone = zone
        super().__init__((forms.DateField(), forms.TimeField()), require_all_fields=True, **kwargs)

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
    """Loading and lighting are asked for; the rest follows from the kiln unless given."""

    def __init__(self, *args: Any, coop: Coop, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        zone = ZoneInfo(coop.time_zone)
        ask = {
            "occupied_from": (_("Loading begins"), True, ""),
            "lights_at": (_("To be lit"), True, ""),
            "ends_at": (_("End of fire, likely"), False, _("Left empty: from the kiln's usual hours.")),
            "opens_at": (_("Unpacking"), False, _("Left empty: after the kiln's usual cooling.")),
            "occupied_until": (_("Clean-up done"), False, _("Left empty: after the kiln's usual clean-up.")),
            "booking_closes_at": (_("Booking closes"), False, _("Left empty: a day before loading.")),
        }
        for name, (label, required, help_text) in ask.items():
            self.fields[name] = LocalMoment(zone, label=label, required=required, help_text=help_text)

    def dates(self) -> dict[str, Any]:
        return {
            name: self.cleaned_data[name]
            for name in ("occupied_from", "lights_at", "ends_at", "opens_at", "occupied_until", "booking_closes_at")
        }


class CallForm(DatesForm):
    """Everything a call says."""

    def __init__(self, *args: Any, coop: Coop, **kwargs: Any) -> None:
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
            choices=cone_choices(empty=str(_("the kiln's usual cone"))),
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
            "kiln_id": said["kiln_id"],
            "target_cone": said["target_cone"],
            "with_soda": said["with_soda"],
            "deputy_id": said["deputy_id"] or None,
            "cost_estimate_minor": said["cost_estimate"],
            "notes": said["notes"],
        }
