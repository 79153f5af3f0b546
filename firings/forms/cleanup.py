"""Forms of the clean-up page."""

from __future__ import annotations

from uuid import UUID

from django import forms


class TickForm(forms.Form):
    done = forms.TypedChoiceField(choices=[("1", "1"), ("0", "0")], coerce=lambda value: value == "1")


class AssignForm(forms.Form):
    """Who gets a line; empty takes the name off it."""

    member = forms.UUIDField(required=False)

    def member_id(self) -> UUID | None:
        found: UUID | None = self.cleaned_data["member"]
        return found
