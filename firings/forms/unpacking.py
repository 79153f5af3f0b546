"""Forms of the unpacking page: what came out, what was damaged, who bears it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any
from uuid import UUID

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop import money
from coop.errors import Refused
from coop.models import Membership
from firings.models import Damage, FiringZone, Outcome, Piece


class OutcomeForm(forms.Form):
    """A count per result for one row of pieces, and a note."""

    note = forms.CharField(label=gettext_lazy("Note"), max_length=200, required=False)

    def __init__(self, *args: Any, piece: Piece, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for value, label in Outcome.Result.choices:
            self.fields[value] = forms.IntegerField(label=label, min_value=0, max_value=piece.count, required=False)
        self.order_fields([*Outcome.Result.values, "note"])

    def counts(self) -> dict[str, int]:
        """How many of each result; those left empty are left out."""
        return {value: self.cleaned_data[value] for value in Outcome.Result.values if self.cleaned_data.get(value)}


class DamageForm(forms.Form):
    what = forms.ChoiceField(label=gettext_lazy("What"), choices=Damage.What.choices)
    count = forms.IntegerField(label=gettext_lazy("How many"), min_value=1, max_value=500, initial=1)
    cause = forms.ChoiceField(label=gettext_lazy("Cause"), choices=Damage.Cause.choices, initial=Damage.Cause.UNKNOWN)
    piece = forms.TypedChoiceField(
        label=gettext_lazy("The piece it has to do with"), coerce=UUID, empty_value=None, required=False
    )
    zone = forms.TypedChoiceField(
        label=gettext_lazy("The zone, if one stayed under-fired"), coerce=UUID, empty_value=None, required=False
    )
    note = forms.CharField(
        label=gettext_lazy("What happened"), max_length=2000, widget=forms.Textarea(attrs={"rows": 3})
    )

    def __init__(self, *args: Any, pieces: Iterable[Piece], zones: Iterable[FiringZone], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["zone"].choices = [  # type: ignore[attr-defined]
            ("", _("none")),
            *((str(zone.public_id), zone.zone.name) for zone in zones),
        ]
        named = [(str(piece.public_id), f"{piece.booking.member.name}: {piece.name}") for piece in pieces]
        self.fields["piece"].choices = [("", _("none")), *named]  # type: ignore[attr-defined]


class DecisionForm(forms.Form):
    bearer = forms.ChoiceField(
        label=gettext_lazy("Who bears it"),
        choices=[choice for choice in Damage.Bearer.choices if choice[0] != Damage.Bearer.OPEN],
        widget=forms.RadioSelect,
    )
    borne_by = forms.TypedChoiceField(label=gettext_lazy("Which member"), coerce=UUID, empty_value=None, required=False)
    amount = forms.CharField(
        label=gettext_lazy("Cost"),
        max_length=20,
        required=False,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
    )

    def __init__(self, *args: Any, people: Iterable[Membership], currency: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.currency = currency
        named = [(str(member.public_id), member.name) for member in people]
        self.fields["borne_by"].choices = [("", _("nobody in particular")), *named]  # type: ignore[attr-defined]

    def clean_amount(self) -> int | None:
        text = self.cleaned_data["amount"].strip()
        if not text:
            return None
        try:
            return money.parse(text, self.currency)
        except Refused as no:
            raise forms.ValidationError(str(no)) from no
