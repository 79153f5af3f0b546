"""Forms around watches."""

from __future__ import annotations

from collections.abc import Iterable
from uuid import UUID

from django import forms
from django.utils.translation import gettext_lazy as _

from coop.models import Membership
from firings.models import Wish


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


def wishes_said(data: dict[str, str], watches: Iterable[UUID], *, nights: Iterable[UUID] = ()) -> dict[UUID, str]:
    """The wishes in a posted form: ``wish-<watch>``; "no nights" rules out every night without an own answer."""
    no_nights = set(nights) if data.get("no_nights") else set()
    said = {}
    for watch in watches:
        value = data.get(f"wish-{watch}", "")
        said[watch] = Wish.Value.CANNOT.value if watch in no_nights else value
    return said
