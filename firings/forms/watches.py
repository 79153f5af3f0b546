"""Forms around watches."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from decimal import Decimal
from uuid import UUID

from django import forms
from django.utils.translation import gettext_lazy as _

from coop.models import Membership
from firings.queries.watches import WishNight


class OfferForm(forms.Form):
    """To whom a place is offered; nobody named means whoever takes it."""

    to = forms.UUIDField(label=_("Offer it to"), required=False, widget=forms.Select)

    def __init__(self, *args: object, people: Iterable[Membership] = (), **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        choices = [("", _("whoever takes it")), *((str(one.public_id), one.person.name) for one in people)]
        self.fields["to"].widget = forms.Select(choices=choices)


class ConfirmForm(forms.Form):
    """How long somebody was there."""

    place = forms.UUIDField(widget=forms.HiddenInput)
    minutes = forms.IntegerField(label=_("Minutes there"), required=False, min_value=0, max_value=24 * 60)


class LimitsForm(forms.Form):
    """What somebody wishes for a firing as a whole."""

    no_nights = forms.BooleanField(label=_("No nights"), required=False)
    most_hours = forms.IntegerField(
        label=_("At most so many hours on watch"), required=False, min_value=1, max_value=200, help_text=_("In all.")
    )
    rest_hours = forms.IntegerField(label=_("Hours of rest between watches"), required=False, min_value=1, max_value=48)


class SwapForm(forms.Form):
    """Whose place one would like to have for one's own."""

    for_place = forms.UUIDField(label=_("Swap it for"), widget=forms.Select)

    def __init__(self, *args: object, places: Iterable[tuple[str, str]] = (), **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        self.fields["for_place"].widget = forms.Select(choices=[("", _("pick a watch and a name")), *places])


class LateForm(forms.Form):
    """By how many minutes somebody comes late."""

    minutes = forms.IntegerField(label=_("Minutes late"), min_value=1, max_value=720)


class LongerForm(forms.Form):
    """How much longer the fire runs than planned."""

    hours = forms.DecimalField(
        label=_("Hours longer"), min_value=Decimal("0.25"), max_value=72, max_digits=4, decimal_places=2
    )


def wishes_said(data: Mapping[str, str], watches: Iterable[WishNight]) -> dict[UUID, str]:
    """The wishes in a posted form: ``wish-<watch>`` where given; ``whole`` is one word for all of a day or night."""
    said = {}
    night, _bar, word = data.get("whole", "").partition("|")
    for group in watches:
        for row in group.rows:
            if group.key == night:
                said[row.watch.public_id] = word
            elif (given := data.get(f"wish-{row.watch.public_id}")) is not None:
                said[row.watch.public_id] = given
    return said
