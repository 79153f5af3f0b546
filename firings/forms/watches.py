"""Forms around watches and hours."""

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


class AdjustForm(forms.Form):
    """A mending line in somebody's hours account."""

    member = forms.UUIDField(label=_("Member"), widget=forms.Select)
    minutes = forms.IntegerField(
        label=_("Minutes"), help_text=_("Plus for work that was missed, minus for work that was counted wrongly.")
    )
    why = forms.CharField(label=_("Why"), max_length=200)

    def __init__(self, *args: object, people: Iterable[Membership] = (), **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        self.fields["member"].widget = forms.Select(
            choices=[("", "---------"), *((str(one.public_id), one.person.name) for one in people)]
        )


def wishes_said(data: dict[str, str], watches: Iterable[UUID], *, nights: Iterable[UUID] = ()) -> dict[UUID, str]:
    """The wishes in a posted form: ``wish-<watch>``; "no nights" rules out every night without an own answer."""
    no_nights = set(nights) if data.get("no_nights") else set()
    said = {}
    for watch in watches:
        value = data.get(f"wish-{watch}", "")
        said[watch] = Wish.Value.CANNOT.value if watch in no_nights else value
    return said
