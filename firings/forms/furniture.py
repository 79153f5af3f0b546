"""Forms of the stock of boards and posts."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any
from uuid import UUID

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from firings.forms.kilns import NumberField
from firings.models import FurnitureLot, Kiln, Zone
from firings.services.furniture import MOST, MOST_FIRINGS, MOST_MM


def _zones(zones: Iterable[Zone]) -> list[tuple[str, str]]:
    return [("", _("in any zone")), *((str(zone.public_id), zone.name) for zone in zones)]


class _ListForm(forms.Form):
    """What boards and posts have in common."""

    count = NumberField(1, MOST, label=gettext_lazy("How many"))
    condition = forms.ChoiceField(
        label=gettext_lazy("Condition"), choices=FurnitureLot.Condition.choices, initial=FurnitureLot.Condition.SOUND
    )
    zone = forms.ChoiceField(label=gettext_lazy("Used"), required=False)
    firings = NumberField(0, MOST_FIRINGS, label=gettext_lazy("Firings done so far"), initial=0)
    note = forms.CharField(
        label=gettext_lazy("Note"),
        max_length=120,
        required=False,
        help_text=gettext_lazy("Whatever tells them apart: when they were bought, a mark on the edge."),
    )

    def __init__(self, *args: Any, kiln: Kiln, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        zones = list(kiln.zones.all())
        self.fields["zone"].choices = _zones(zones)  # type: ignore[attr-defined]
        for name in ("w_mm", "l_mm", "thickness_mm"):
            if name in self.fields and zones:
                of_zone = {"w_mm": "board_w_mm", "l_mm": "board_l_mm", "thickness_mm": "board_thickness_mm"}[name]
                self.fields[name].initial = getattr(zones[0], of_zone)

    def told(self) -> dict[str, Any]:
        said = dict(self.cleaned_data)
        zone = said.pop("zone")
        return {**said, "zone_id": UUID(zone) if zone else None}


class BoardsForm(_ListForm):
    """Boards of one size that go on the list."""

    w_mm = NumberField(50, MOST_MM, label=gettext_lazy("Width, mm"))
    l_mm = NumberField(50, MOST_MM, label=gettext_lazy("Length, mm"))
    thickness_mm = NumberField(1, MOST_MM, label=gettext_lazy("Thickness, mm"))
    field_order = ("w_mm", "l_mm", "thickness_mm", "count", "condition", "zone", "firings", "note")


class PostsForm(_ListForm):
    """Posts of one height that go on the list."""

    height_mm = NumberField(1, MOST_MM, label=gettext_lazy("Height, mm"))
    field_order = ("height_mm", "count", "condition", "zone", "firings", "note")


class ChangeLotForm(forms.Form):
    """So many of a row are in another condition, or go elsewhere."""

    count = NumberField(1, MOST, label=gettext_lazy("How many of them"))
    condition = forms.ChoiceField(label=gettext_lazy("Are now"), choices=FurnitureLot.Condition.choices)
    zone = forms.ChoiceField(label=gettext_lazy("Used"), required=False)
    note = forms.CharField(label=gettext_lazy("Note"), max_length=200, required=False)

    def __init__(self, *args: Any, lot: FurnitureLot, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["zone"].choices = _zones(lot.kiln.zones.all())  # type: ignore[attr-defined]
        self.initial = {
            "condition": lot.condition,
            "zone": str(lot.zone.public_id) if lot.zone else "",
            "count": lot.count,
        }

    def told(self) -> dict[str, Any]:
        said = dict(self.cleaned_data)
        zone = said.pop("zone")
        return {**said, "zone_id": UUID(zone) if zone else None}


class CountLotForm(forms.Form):
    """Stock-taking of one row."""

    count = NumberField(0, MOST, label=gettext_lazy("Counted"))
    note = forms.CharField(label=gettext_lazy("Note"), max_length=200, required=False)

    def told(self) -> dict[str, Any]:
        return dict(self.cleaned_data)
