"""Listing pieces: the form for one row, and the box or file for a whole list."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any, Final

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop.errors import Refused
from coop.models import Membership, Person
from firings.fire import cones
from firings.models import Material, Piece
from firings.queries.space import ZoneSpace
from firings.services.space import PieceSpec
from firings.tables import MAX_BYTES

_MM_PER_INCH: Final = Decimal("25.4")
OTHER_BODY: Final = ""


class LengthField(forms.CharField):
    """A length as people write it (``8,5`` too), in mm or inches; gives whole mm, rounded up."""

    def __init__(self, *, unit: str = "mm", **kwargs: Any) -> None:
        super().__init__(max_length=12, **kwargs)
        self.unit = unit
        self.widget.attrs.update({"inputmode": "decimal", "autocomplete": "off"})

    def clean(self, value: Any) -> int | None:
        text = str(super().clean(value) or "").strip()
        if not text:
            return None
        if not re.fullmatch(r"[+-]?[0-9]{1,6}([.,][0-9]{1,3})?", text):
            raise forms.ValidationError(
                _("“%(text)s” is no length; give a plain number in %(unit)s.") % {"text": text, "unit": self.unit}
            )
        number = Decimal(text.replace(",", "."))
        return math.ceil(number * _MM_PER_INCH if self.unit == "in" else number)

    def shown(self, mm: int | None) -> str:
        """A length in mm as this field takes it back without changing it."""
        if mm is None or self.unit != "in":
            return "" if mm is None else str(mm)
        return f"{Decimal(mm) / _MM_PER_INCH:.2f}"


class PieceForm(forms.Form):
    """One pot, or several alike. Round or rectangular follows from the sizes given."""

    name = forms.CharField(label=gettext_lazy("What is it?"), max_length=80)
    count = forms.IntegerField(label=gettext_lazy("How many alike"), initial=1, localize=True)
    diameter_mm = LengthField(label=gettext_lazy("Diameter"), required=False)
    width_mm = LengthField(label=gettext_lazy("Width"), required=False)
    length_mm = LengthField(label=gettext_lazy("Length"), required=False)
    height_mm = LengthField(
        label=gettext_lazy("Height, with lid"),
        error_messages={"required": gettext_lazy("Give the height, lid and handles included.")},
    )
    body = forms.ChoiceField(label=gettext_lazy("Clay body"), required=False)
    other_body = forms.CharField(label=gettext_lazy("Another clay body"), max_length=80, required=False)
    cone = forms.ChoiceField(label=gettext_lazy("Cone it stands"), required=False)
    glaze = forms.CharField(label=gettext_lazy("Glaze"), max_length=80, required=False)
    zone = forms.ChoiceField(label=gettext_lazy("Zone"), required=False)
    importance = forms.IntegerField(label=gettext_lazy("Order of importance"), initial=1, required=False, localize=True)
    is_runny = forms.BooleanField(label=gettext_lazy("The glaze runs"), required=False)
    is_fragile = forms.BooleanField(label=gettext_lazy("Fragile"), required=False)
    wants_soda = forms.BooleanField(label=gettext_lazy("Needs soda"), required=False)
    note = forms.CharField(label=gettext_lazy("Note for the loaders"), max_length=200, required=False)
    may_wait = forms.BooleanField(
        label=gettext_lazy("If it does not fit, put me on the waiting list"), required=False, initial=True
    )
    member = forms.ChoiceField(label=gettext_lazy("Whose pieces"), required=False)

    def __init__(
        self,
        *args: Any,
        person: Person,
        zones: Sequence[ZoneSpace],
        bodies: Iterable[Material],
        members: Sequence[Membership] = (),
        piece: Piece | None = None,
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        lengths = [field for field in self.fields.values() if isinstance(field, LengthField)]
        for field in lengths:
            field.unit = "in" if person.length_unit == Person.Length.INCHES else "mm"
        self.fields["body"].choices = [  # type: ignore[attr-defined]
            (OTHER_BODY, _("another one (name it below)")),
            *((body.name, f"{body.name} ({_('cone')} {body.stands_cone})") for body in bodies),
        ]
        in_fahrenheit = person.temperature_unit == Person.Temperature.FAHRENHEIT
        self.fields["cone"].choices = cone_choices(in_fahrenheit=in_fahrenheit)  # type: ignore[attr-defined]
        self.fields["zone"].choices = [  # type: ignore[attr-defined]
            ("", _("any that suits")),
            *((str(space.firing_zone.public_id), _zone_label(space)) for space in zones),
        ]
        if members:
            self.fields["member"].choices = [  # type: ignore[attr-defined]
                ("", _("my own")),
                *((str(member.public_id), member.name) for member in members),
            ]
        else:
            del self.fields["member"]
        if piece is not None:
            del self.fields["may_wait"]
            self.initial = {**self.initial, **self._as_typed(piece)}

    @property
    def unit(self) -> str:
        field = self.fields["height_mm"]
        assert isinstance(field, LengthField)
        return field.unit

    def clean(self) -> dict[str, Any]:
        said = super().clean() or {}
        is_round = said.get("diameter_mm") is not None
        is_rect = said.get("width_mm") is not None or said.get("length_mm") is not None
        untold = not {"diameter_mm", "width_mm", "length_mm"} & set(self.errors)
        if is_round and is_rect:
            self.add_error("diameter_mm", _("Give the diameter, or width and length; not both."))
        elif untold and not is_round and not is_rect:
            self.add_error(
                "diameter_mm", _("Give the diameter of a round piece, or width and length of a rectangular one.")
            )
        return said

    def spec(self) -> PieceSpec:
        """The piece as typed; call after ``is_valid``."""
        said = self.cleaned_data
        is_round = said["diameter_mm"] is not None
        return PieceSpec(
            name=said["name"],
            count=said["count"],
            shape=Piece.Shape.ROUND if is_round else Piece.Shape.RECT,
            diameter_mm=said["diameter_mm"],
            width_mm=said["width_mm"],
            length_mm=said["length_mm"],
            height_mm=said["height_mm"],
            body=said["body"] or said["other_body"],
            cone=said["cone"],
            glaze=said["glaze"],
            zone=said["zone"],
            importance=1 if said["importance"] is None else said["importance"],
            is_runny=said["is_runny"],
            is_fragile=said["is_fragile"],
            wants_soda=said["wants_soda"],
            note=said["note"],
            may_wait=said.get("may_wait", True),
        )

    def refuse(self, no: Refused) -> None:
        """Put the sentences of a refusal beside their fields, and in the summary what belongs to none."""
        put = {name: texts for name, texts in no.fields.items() if name in self.fields}
        for name, texts in put.items():
            for text in texts:
                self.add_error(name, text)
        if not put:
            self.add_error(None, str(no))

    def type_again(self, spec: PieceSpec, member: str = "") -> None:
        """Fill the form with a piece that was typed before, for a question whose answer came later."""
        plain = ("name", "count", "cone", "glaze", "importance", "is_runny", "is_fragile", "wants_soda", "note")
        typed: dict[str, Any] = {field: getattr(spec, field) for field in (*plain, "may_wait")}
        for name, field in self.fields.items():
            if isinstance(field, LengthField):
                typed[name] = field.shown(getattr(spec, name))
        is_listed = any(spec.body == value for value, _label in self.fields["body"].choices)  # type: ignore[attr-defined]
        typed["body"] = spec.body if is_listed else OTHER_BODY
        typed["other_body"] = "" if is_listed else spec.body
        typed["zone"], typed["member"] = spec.zone, member
        self.initial = {**self.initial, **typed}

    def _as_typed(self, piece: Piece) -> dict[str, Any]:
        plain = ("name", "count", "cone", "glaze", "importance", "is_runny", "is_fragile", "wants_soda", "note")
        typed: dict[str, Any] = {field: getattr(piece, field) for field in plain}
        for name, field in self.fields.items():
            if isinstance(field, LengthField):
                typed[name] = field.shown(getattr(piece, name))
        typed["body"] = piece.body_name if piece.body_id else OTHER_BODY
        typed["other_body"] = "" if piece.body_id else piece.body_name
        typed["zone"] = str(piece.wished_zone.public_id) if piece.wished_zone else ""
        return typed


class ListForm(forms.Form):
    """A list of pieces pasted from a spreadsheet."""

    text = forms.CharField(label=gettext_lazy("Your list"), widget=forms.Textarea(attrs={"rows": 10}), strip=False)
    for_others = forms.BooleanField(
        label=gettext_lazy("The column “member” says whose pieces they are"), required=False
    )


class ListFileForm(forms.Form):
    """A list of pieces as a CSV file."""

    file = forms.FileField(label=gettext_lazy("CSV file"), widget=forms.FileInput(attrs={"accept": ".csv,text/csv"}))
    for_others = forms.BooleanField(
        label=gettext_lazy("The column “member” says whose pieces they are"), required=False
    )

    def clean_file(self) -> Any:
        file = self.cleaned_data["file"]
        if file.size > MAX_BYTES:
            raise forms.ValidationError(
                _("The file is larger than %(mb)s MB; split it into smaller ones.") % {"mb": MAX_BYTES // 1_000_000}
            )
        return file


def cone_choices(*, in_fahrenheit: bool = False) -> list[Any]:
    """Cones hottest first, those with a leading zero in a group of their own, each with its temperature."""
    hot = [name for name in reversed(cones.CONES) if not name.startswith("0")]
    low = [name for name in reversed(cones.CONES) if name.startswith("0")]
    return [
        ("", _("as the clay body")),
        (_("Without a zero: stoneware heat"), [(name, _cone_label(name, in_fahrenheit)) for name in hot]),
        (_("With a zero in front: low heat"), [(name, _cone_label(name, in_fahrenheit)) for name in low]),
    ]


def _cone_label(name: str, in_fahrenheit: bool) -> str:
    temp = cones.equivalent_c(name, 60).temp_c
    if temp is None:
        return _("cone %(cone)s") % {"cone": name}
    shown = f"{round(temp * 9 / 5 + 32)} °F" if in_fahrenheit else f"{round(temp)} °C"
    return _("cone %(cone)s, about %(temp)s") % {"cone": name, "temp": shown}


def _zone_label(space: ZoneSpace) -> str:
    said: Mapping[str, Any] = {"zone": space.name, "cone": space.cone, "free": f"{space.free_ml / 1000:.0f}"}
    if space.is_soda:
        return _("%(zone)s: soda, cone %(cone)s, %(free)s l free") % said
    return _("%(zone)s: cone %(cone)s, %(free)s l free") % said
