"""Forms of the end of a fire: why it ends, when it is unpacked, on whose word it is opened."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.utils.translation import gettext_lazy

from firings.forms.firings import LocalMoment


class EndForm(forms.Form):
    """The end of the fire: when the last wood went in, why, and whether it came to temperature."""

    note = forms.CharField(
        label=gettext_lazy("Why does the fire end?"),
        help_text=gettext_lazy(
            "Cones by place, or what forced it: wood, crew, weather, permit. Everyone gets to read it."
        ),
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 4}),
    )
    failed = forms.BooleanField(label=gettext_lazy("The kiln did not reach temperature"), required=False)

    def __init__(self, *args: Any, zone: ZoneInfo, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["at"] = LocalMoment(
            zone, label=gettext_lazy("Last wood in"), required=False, help_text=gettext_lazy("Empty means now.")
        )
        self.order_fields(["note", "at", "failed"])


class UnpackingForm(forms.Form):
    """The moment people come to unpack."""

    def __init__(self, *args: Any, zone: ZoneInfo, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["opens_at"] = LocalMoment(zone, label=gettext_lazy("Unpacking begins"))


class OpenForm(forms.Form):
    """On whose word a kiln is opened that is hotter than allowed, or that nobody has measured."""

    note = forms.CharField(
        label=gettext_lazy("On whose word does it open?"),
        help_text=gettext_lazy("Only if it is hotter than allowed, or nobody has measured."),
        required=False,
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 2}),
    )
