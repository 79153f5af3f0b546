"""Forms around chores."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from coop.errors import Refused
from coop.periods import parse_local
from firings.models import Chore


class MomentField(forms.DateTimeField):
    """A date and time by the co-op's clock. A time the clock skips is refused; one shown twice means the first."""

    widget = forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M")

    def to_python(self, value: Any) -> Any:
        zone = timezone.get_current_timezone()
        if not isinstance(value, str) or not value.strip() or not isinstance(zone, ZoneInfo):
            return super().to_python(value)
        try:
            return parse_local(value, zone)
        except Refused as no:
            raise forms.ValidationError(str(no)) from no


class ChoreForm(forms.Form):
    """A chore the lead adds. Times are those of the co-op's clock."""

    kind = forms.ChoiceField(label=_("Kind"), choices=Chore.Kind.choices)
    name = forms.CharField(label=_("Name"), max_length=120)
    starts_at = MomentField(label=_("Starts"))
    ends_at = MomentField(label=_("Ends"))
    people = forms.IntegerField(label=_("People needed"), initial=2, min_value=1, max_value=50)
    most_people = forms.IntegerField(label=_("At most"), initial=4, min_value=1, max_value=100)
