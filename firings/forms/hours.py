"""Forms around the hours account."""

from __future__ import annotations

from collections.abc import Iterable

from django import forms
from django.utils.translation import gettext_lazy as _

from coop.models import Membership


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


class CorrectForm(forms.Form):
    """What a line should have counted."""

    minutes = forms.IntegerField(
        label=_("Minutes it should count"),
        help_text=_("With the same sign as the line; 0 if it should not be there."),
    )
    why = forms.CharField(label=_("Why"), max_length=200)
