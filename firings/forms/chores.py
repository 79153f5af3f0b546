"""Forms around chores."""

from __future__ import annotations

from django import forms
from django.utils.translation import gettext_lazy as _

from firings.models import Chore


class ChoreForm(forms.Form):
    """A chore the lead adds. Times are those of the co-op's clock."""

    kind = forms.ChoiceField(label=_("Kind"), choices=Chore.Kind.choices)
    name = forms.CharField(label=_("Name"), max_length=120)
    starts_at = forms.DateTimeField(
        label=_("Starts"), widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M")
    )
    ends_at = forms.DateTimeField(
        label=_("Ends"), widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M")
    )
    people = forms.IntegerField(label=_("People needed"), initial=2, min_value=1, max_value=50)
    most_people = forms.IntegerField(label=_("At most"), initial=4, min_value=1, max_value=100)
