"""The form that says whom to call, one after the other."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any
from uuid import UUID

from django import forms
from django.utils.translation import gettext_lazy as _

from coop.models import Membership

PLACES = 4


class OnCallForm(forms.Form):
    """One choice per place; empty places are passed over. Someone named twice is refused by the service."""

    def __init__(self, data: Any = None, *, people: Iterable[Membership], order: Sequence[str]) -> None:
        places = max(PLACES, len(order) + 1)
        super().__init__(data, initial={f"place_{place}": one for place, one in enumerate(order, 1)})
        choices = [("", "---------"), *((str(one.public_id), one.person.name) for one in people)]
        for place in range(1, places + 1):
            self.fields[f"place_{place}"] = forms.ChoiceField(
                label=_("Called as number %(place)d") % {"place": place}, choices=choices, required=False
            )

    def order(self) -> list[UUID]:
        return [UUID(told) for name in self.fields if (told := self.cleaned_data[name])]
