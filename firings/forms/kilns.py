"""Forms of kilns, materials and wood. A kiln's form speaks ``kiln/1``: what was typed becomes such a document."""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from decimal import Decimal
from typing import Any, ClassVar, Final

from django import forms
from django.forms.boundfield import BoundField
from django.utils.text import format_lazy
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop import money
from coop.errors import Malformed, Refused
from coop.models import Coop, Person, SignOff
from firings.fire.cones import CONES
from firings.kiln_file import KilnSpec, read_kiln
from firings.models import Firing, Kiln, Material
from firings.queries.kilns import cone_words

MAX_BYTES: Final = 1_000_000
# Rows of an empty form, and how many a kiln/1 document may have at most.
ROWS: Final[Mapping[str, tuple[int, int]]] = {
    "zone": (4, 12),
    "posts": (8, 50),
    "phase": (6, 20),
    "line": (12, 100),
}


def cone_choices(person: Person | None = None, *, empty: str) -> list[Any]:
    """Cones hottest first with their temperatures; those with a zero in front stand in a group of their own."""
    high = [name for name in reversed(CONES) if not name.startswith("0")]
    low = [name for name in reversed(CONES) if name.startswith("0")]
    return [
        ("", empty),
        (_("Without a zero in front"), [(name, cone_words(name, person)) for name in high]),
        (_("With a zero in front: far cooler"), [(name, cone_words(name, person)) for name in low]),
    ]


class NumberField(forms.IntegerField):
    """A whole number with bounds that are said in one sentence."""

    def __init__(self, least: int, most: int, **kwargs: Any) -> None:
        sentence = format_lazy(gettext_lazy("Write a whole number from {least} to {most}."), least=least, most=most)
        messages = dict.fromkeys(("invalid", "min_value", "max_value", "required"), sentence)
        super().__init__(min_value=least, max_value=most, error_messages=messages, **kwargs)


class DecimalIn(forms.DecimalField):
    """A decimal number, with a comma or a point."""

    widget = forms.TextInput

    def to_python(self, value: Any) -> Decimal | None:  # type: ignore[override]
        return super().to_python(value.replace(",", ".") if isinstance(value, str) else value)


class BasicsForm(forms.Form):
    """What is said once of a kiln."""

    name = forms.CharField(label=gettext_lazy("Name"), max_length=80)
    place = forms.CharField(label=gettext_lazy("Where it stands"), max_length=120, required=False)
    volume_l = NumberField(10, 100_000, label=gettext_lazy("Inner volume, litres"))
    low = NumberField(1, 400, label=gettext_lazy("Hours of fire, at least"))
    likely = NumberField(1, 400, label=gettext_lazy("Hours of fire, likely"))
    high = NumberField(1, 400, label=gettext_lazy("Hours of fire, at most"))
    load_hours = NumberField(1, 720, label=gettext_lazy("Hours taken for loading"), initial=20)
    cool_hours = NumberField(1, 720, label=gettext_lazy("Hours of cooling"), initial=72)
    cleanup_hours = NumberField(1, 720, label=gettext_lazy("Hours for unpacking and clean-up"), initial=48)
    watch_hours = NumberField(1, 12, label=gettext_lazy("Length of a watch, hours"), initial=6)
    opening_c = NumberField(30, 300, label=gettext_lazy("May be opened below, °C"), initial=100)
    least_rate_c_per_h = NumberField(
        1, 300, label=gettext_lazy("Slowest rise that is no stall, °C per hour"), initial=20
    )
    wood_kg_per_m3 = NumberField(50, 5000, label=gettext_lazy("Wood per m³ of kiln, kg"), initial=600)


class Row(forms.Form):
    """One of several alike rows; a row with nothing typed in its ``asks`` is left out."""

    asks: ClassVar[tuple[str, ...]] = ()
    called: ClassVar[Any] = ""

    def __init__(self, *args: Any, number: int, person: Person | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.number = number
        self.person = person

    @property
    def title(self) -> str:
        return f"{self.called} {self.number}"

    @property
    def shown_name(self) -> str:
        """What its fold says: the first thing asked for, as typed or as it stands."""
        return str(self[self.asks[0]].value() or "")

    @property
    def is_open(self) -> bool:
        return bool(self.is_bound and self.errors and not self.is_left_out())

    def is_left_out(self) -> bool:
        return not any(str(self[name].value() or "").strip() for name in self.asks)


class ZoneRow(Row):
    asks = ("name", "board_w", "board_l", "height")
    called = gettext_lazy("Zone")

    name = forms.CharField(label=gettext_lazy("Name"), max_length=40)
    cone = forms.ChoiceField(label=gettext_lazy("Hottest cone"))
    soda = forms.BooleanField(label=gettext_lazy("Soda zone"), required=False)
    boards = NumberField(1, 40, label=gettext_lazy("Boards side by side in a layer"), initial=1)
    board_w = NumberField(50, 3000, label=gettext_lazy("Board width, mm"))
    board_l = NumberField(50, 3000, label=gettext_lazy("Board length, mm"))
    thickness = NumberField(1, 100, label=gettext_lazy("Board thickness, mm"), initial=20)
    height = NumberField(50, 5000, label=gettext_lazy("Usable height, mm"))
    air = NumberField(0, 200, label=gettext_lazy("Air above the tallest piece, mm"), initial=12)
    wad = NumberField(0, 50, label=gettext_lazy("Wad, mm"), initial=5)
    gap = NumberField(0, 100, label=gettext_lazy("Gap between pieces, mm"), initial=8)
    posts_per_board = NumberField(3, 4, label=gettext_lazy("Posts a board stands on"), initial=3)
    spots = forms.CharField(
        label=gettext_lazy("Post spots"),
        required=False,
        help_text=gettext_lazy(
            "One a line, in mm from the lower left corner of the board: left, bottom, right, top. Like: 0 0 40 40"
        ),
        widget=forms.Textarea(attrs={"rows": 4}),
    )
    take_out = forms.BooleanField(label=gettext_lazy("Take this zone out"), required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["cone"].choices = cone_choices(self.person, empty=_("pick a cone"))  # type: ignore[attr-defined]

    def is_left_out(self) -> bool:
        return bool(self.is_bound and self["take_out"].value()) or super().is_left_out()

    def clean_spots(self) -> list[list[int]]:
        spots = []
        for number, line in enumerate(self.cleaned_data["spots"].splitlines(), start=1):
            if not line.strip():
                continue
            figures = re.split(r"[\s,;]+", line.strip())
            if len(figures) != 4 or not all(re.fullmatch(r"[0-9]{1,4}", one) for one in figures):
                raise forms.ValidationError(
                    _("Line %(number)s: write four whole numbers, left, bottom, right, top, like: 0 0 40 40")
                    % {"number": number}
                )
            spots.append([int(one) for one in figures])
        return spots

    def told(self) -> dict[str, Any]:
        said = self.cleaned_data
        return {
            "id": said["name"],
            "name": said["name"],
            "cone": said["cone"],
            "soda": said["soda"],
            "boards_per_layer": said["boards"],
            "board_mm": [said["board_w"], said["board_l"]],
            "chamber_height_mm": said["height"],
            "shelf_thickness_mm": said["thickness"],
            "clearance_above_mm": said["air"],
            "wadding_mm": said["wad"],
            "gap_mm": said["gap"],
            "posts_per_board": said["posts_per_board"],
            "keepouts_mm": said["spots"],
        }

    @staticmethod
    def typed(zone: Mapping[str, Any]) -> dict[str, Any]:
        return {
            "name": zone["name"],
            "cone": zone["cone"],
            "soda": zone["soda"],
            "boards": zone["boards_per_layer"],
            "board_w": zone["board_mm"][0],
            "board_l": zone["board_mm"][1],
            "height": zone["chamber_height_mm"],
            "thickness": zone["shelf_thickness_mm"],
            "air": zone["clearance_above_mm"],
            "wad": zone["wadding_mm"],
            "gap": zone["gap_mm"],
            "posts_per_board": zone["posts_per_board"],
            "spots": "\n".join(" ".join(map(str, spot)) for spot in zone["keepouts_mm"]),
        }


class PostsRow(Row):
    asks = ("height_mm", "count")
    called = gettext_lazy("Posts")

    height_mm = NumberField(10, 1000, label=gettext_lazy("Height, mm"))
    count = NumberField(0, 1000, label=gettext_lazy("How many"))


class PhaseRow(Row):
    asks = ("name", "until")
    called = gettext_lazy("Phase")

    name = forms.CharField(label=gettext_lazy("Name"), max_length=40)
    until = DecimalIn(
        label=gettext_lazy("Until, % of the fire"),
        min_value=Decimal("0.1"),
        max_value=100,
        decimal_places=1,
        max_digits=4,
        error_messages={
            key: gettext_lazy("Write a number from 0.1 to 100, with one decimal at most.")
            for key in ("invalid", "min_value", "max_value", "max_digits", "max_decimal_places", "max_whole_digits")
        },
    )
    people = NumberField(2, 20, label=gettext_lazy("People on a watch"), initial=2)
    leads = NumberField(1, 20, label=gettext_lazy("Of them leading"), initial=1)


class LineRow(Row):
    asks = ("text",)
    called = gettext_lazy("Line")

    text = forms.CharField(label=gettext_lazy("What to do"), max_length=200)
    due_days = NumberField(0, 60, label=gettext_lazy("Days after unpacking"), initial=3)
    safety = forms.BooleanField(label=gettext_lazy("The next fire waits for this"), required=False)
    sign_off = forms.ChoiceField(
        label=gettext_lazy("Sign-off needed"),
        choices=[("", gettext_lazy("none")), *SignOff.Kind.choices],
        required=False,
    )


class KilnForm:
    """A kiln as fields and plain rows, all in one form that needs no script.

    ``spec()`` gives the kiln, or raises Malformed with one sentence per fault.
    """

    def __init__(
        self,
        data: Mapping[str, Any] | None = None,
        *,
        person: Person | None = None,
        document: Any = None,
        place: str = "",
    ) -> None:
        told = _typed(document, place) if document else {}
        self.basics = BasicsForm(data, initial=told.get("basics"))
        self.zones = _rows(ZoneRow, "zone", data, told, person)
        self.posts = _rows(PostsRow, "posts", data, told, person)
        self.phases = _rows(PhaseRow, "phase", data, told, person)
        self.lines = _rows(LineRow, "line", data, told, person)

    @property
    def rows(self) -> list[Row]:
        return [*self.zones, *self.posts, *self.phases, *self.lines]

    def __iter__(self) -> Iterator[BoundField]:
        """All fields that count, those of rows with the row's name: for the list of faults on top."""
        yield from self.basics
        for row in self.rows:
            if not row.is_left_out():
                for bound in row:
                    named = copy.copy(bound)
                    named.label = f"{row.title}, {bound.label}"
                    yield named

    def non_field_errors(self) -> Any:
        return self.basics.non_field_errors()

    def is_valid(self) -> bool:
        basics = self.basics.is_valid()
        rows = [row.is_valid() for row in self.rows if not row.is_left_out()]
        return basics and all(rows)

    def refuse(self, no: Refused) -> None:
        """Put a refusal's sentences by the name or above the form."""
        if isinstance(no, Malformed):
            for fault in no.faults:
                self.basics.add_error(None, fault)
        elif "name" in no.fields:
            for fault in no.fields["name"]:
                self.basics.add_error("name", fault)
        else:
            self.basics.add_error(None, str(no))

    @property
    def place(self) -> str:
        return str(self.basics.cleaned_data["place"])

    def spec(self) -> KilnSpec:
        """The kiln as typed; call after ``is_valid``. Raises Malformed."""
        said = self.basics.cleaned_data
        zones = [row.told() for row in self.zones if isinstance(row, ZoneRow) and not row.is_left_out()]
        phases, lines = _said(self.phases), _said(self.lines)
        if faults := [
            text
            for text, missing in (
                (_("Describe at least one zone."), not zones),
                (_("Describe at least one phase of the fire; the last one ends at 100 %."), not phases),
            )
            if missing
        ]:
            raise Malformed(faults)
        zones[0]["posts"] = _said(self.posts)
        return read_kiln(
            json.dumps(
                {
                    "format": "kiln/1",
                    "name": said["name"],
                    "volume_ml": said["volume_l"] * 1000,
                    "hours": {name: said[name] for name in ("low", "likely", "high")},
                    **{name: said[name] for name in _PLAIN},
                    "zones": zones,
                    "phases": list(_in_a_row(phases)),
                    "checklist": [_without_nothing(line) for line in lines],
                }
            )
        )


_PLAIN: Final = (
    "load_hours",
    "cool_hours",
    "cleanup_hours",
    "watch_hours",
    "opening_c",
    "least_rate_c_per_h",
    "wood_kg_per_m3",
)


def _rows(
    kind: type[Row], prefix: str, data: Mapping[str, Any] | None, told: Mapping[str, Any], person: Person | None
) -> list[Row]:
    least, most = ROWS[prefix]
    initial = list(told.get(prefix, ()))
    sent = [int(found[1]) for key in data or () if (found := re.match(rf"{prefix}-([0-9]{{1,3}})-", key))]
    count = min(max(least, len(initial) + 1 if initial else 0, max(sent, default=0)), most)
    return [
        kind(
            data,
            prefix=f"{prefix}-{number}",
            number=number,
            person=person,
            initial=initial[number - 1] if number <= len(initial) else None,
        )
        for number in range(1, count + 1)
    ]


def _said(rows: Iterable[Row]) -> list[dict[str, Any]]:
    return [dict(row.cleaned_data) for row in rows if not row.is_left_out()]


def _in_a_row(phases: Iterable[Mapping[str, Any]]) -> Iterator[dict[str, Any]]:
    """Phases follow one another: each begins where the one before ended."""
    begins = 0
    for phase in phases:
        ends = int(phase["until"] * 10)
        yield {
            "name": phase["name"],
            "from_permille": begins,
            "to_permille": ends,
            "people": phase["people"],
            "leads": phase["leads"],
        }
        begins = ends


def _without_nothing(line: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in line.items() if value != ""}


def _typed(document: Mapping[str, Any], place: str) -> dict[str, Any]:
    """A kiln/1 document as the form's rows show it."""
    return {
        "basics": {
            "name": document["name"],
            "place": place,
            "volume_l": document["volume_ml"] // 1000,
            **document["hours"],
            **{name: document[name] for name in _PLAIN},
        },
        "zone": [ZoneRow.typed(zone) for zone in document["zones"]],
        "posts": [posts for zone in document["zones"] for posts in zone["posts"]],
        "phase": [{**phase, "until": f"{phase['to_permille'] / 10:g}"} for phase in document["phases"]],
        "line": document["checklist"],
    }


class KilnFileForm(forms.Form):
    """A kiln as a kiln/1 file, or its text pasted."""

    place = forms.CharField(label=gettext_lazy("Where it stands"), max_length=120, required=False)
    file = forms.FileField(
        label=gettext_lazy("File"),
        required=False,
        widget=forms.FileInput(attrs={"accept": ".json,application/json"}),
    )
    text = forms.CharField(
        label=gettext_lazy("Or its text, pasted"),
        required=False,
        strip=False,
        max_length=MAX_BYTES,
        widget=forms.Textarea(attrs={"rows": 12, "spellcheck": "false"}),
    )

    def clean(self) -> dict[str, Any]:
        said = super().clean() or {}
        file, text = said.get("file"), (said.get("text") or "").strip()
        if not self.errors and bool(file) == bool(text):
            raise forms.ValidationError(_("Choose a file or paste its text; one of the two."))
        if file and file.size > MAX_BYTES:
            self.add_error("file", _("A kiln's file is smaller than 1 MB; this one is not. Check which file it is."))
        elif file:
            try:
                said["text"] = file.read().decode("utf-8-sig")
            except UnicodeDecodeError:
                self.add_error("file", _("This is not a text file in UTF-8; save it as UTF-8 and choose it again."))
        return said

    def refuse(self, no: Refused) -> None:
        """One line per fault."""
        for fault in no.faults if isinstance(no, Malformed) else [str(no)]:
            self.add_error(None, fault)

    def spec(self) -> KilnSpec:
        """The kiln in the file; call after ``is_valid``. Raises Malformed."""
        return read_kiln(self.cleaned_data["text"])


class MaterialForm(forms.Form):
    """A clay body, glaze or consumable."""

    kind = forms.ChoiceField(label=gettext_lazy("Kind"), choices=Material.Kind.choices)
    name = forms.CharField(label=gettext_lazy("Name"), max_length=80)
    stands_cone = forms.ChoiceField(
        label=gettext_lazy("Stands cone"),
        required=False,
        help_text=gettext_lazy("A clay body needs it: the hottest cone it may see. Look at the bag and mind the zero."),
    )
    is_runny = forms.BooleanField(label=gettext_lazy("It runs (a glaze)"), required=False)
    price = forms.CharField(label=gettext_lazy("Price"), max_length=20, required=False)
    price_unit = forms.CharField(
        label=gettext_lazy("Price is per"),
        max_length=12,
        required=False,
        help_text=gettext_lazy("For example kg, litre, bucket."),
    )
    notes = forms.CharField(
        label=gettext_lazy("Notes"), max_length=2000, required=False, widget=forms.Textarea(attrs={"rows": 3})
    )

    def __init__(
        self, *args: Any, coop: Coop, person: Person | None = None, material: Material | None = None, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.coop = coop
        self.fields["stands_cone"].choices = cone_choices(person, empty=_("no cone"))  # type: ignore[attr-defined]
        self.fields["price"].help_text = _("In %(currency)s.") % {"currency": coop.currency}
        if material is not None:
            plain = ("kind", "name", "stands_cone", "is_runny", "price_unit", "notes")
            self.initial = {name: getattr(material, name) for name in plain}
            if material.price_minor is not None:
                self.initial["price"] = money.format_plain(material.price_minor, coop.currency)

    def clean_price(self) -> int | None:
        text = self.cleaned_data["price"].strip()
        if not text:
            return None
        try:
            return money.parse(text, self.coop.currency)
        except Refused as no:
            raise forms.ValidationError(str(no)) from no

    def told(self) -> dict[str, Any]:
        said = dict(self.cleaned_data)
        price = said.pop("price")
        return {**said, "price_minor": price}


class WoodStackForm(forms.Form):
    """A new stack of wood."""

    name = forms.CharField(
        label=gettext_lazy("Name"), max_length=60, help_text=gettext_lazy("Where it lies, so that all find it.")
    )
    species = forms.CharField(
        label=gettext_lazy("Wood"), max_length=40, help_text=gettext_lazy("For example pine, larch, oak.")
    )
    size_class = forms.CharField(
        label=gettext_lazy("Size"), max_length=20, help_text=gettext_lazy("For example logs, wrist-thick, thumb-thick.")
    )
    stacked = DecimalIn(
        label=gettext_lazy("How much, m³ stacked"),
        min_value=0,
        max_value=10_000,
        decimal_places=3,
        help_text=gettext_lazy("Length x width x height of the stack, air included."),
    )
    moisture = DecimalIn(
        label=gettext_lazy("Moisture, % of the wet mass"),
        min_value=0,
        max_value=99,
        decimal_places=1,
        initial=20,
        help_text=gettext_lazy("As the meter says on a freshly split face; 20 if nobody has measured."),
    )
    split_on = forms.DateField(
        label=gettext_lazy("Split on"), required=False, widget=forms.DateInput(attrs={"type": "date"})
    )
    is_covered = forms.BooleanField(label=gettext_lazy("Covered"), required=False, initial=True)
    reach_order = NumberField(
        1,
        999,
        label=gettext_lazy("Reached as number"),
        initial=1,
        help_text=gettext_lazy("1 lies nearest to the fire."),
    )
    kiln_id = forms.ChoiceField(label=gettext_lazy("For one kiln only"), required=False)

    def __init__(self, *args: Any, kilns: Iterable[Kiln], is_new: bool = True, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["kiln_id"].choices = [  # type: ignore[attr-defined]
            ("", _("for any kiln")),
            *((str(kiln.public_id), kiln.name) for kiln in kilns),
        ]
        if not is_new:  # what lies there changes by moving and counting
            del self.fields["stacked"]

    def told(self) -> dict[str, Any]:
        said = dict(self.cleaned_data)
        moisture = said.pop("moisture")
        if "stacked" in said:
            said["stacked_dm3"] = int(said.pop("stacked") * 1000)
        return {
            **said,
            "moisture_permille": int(moisture * 10),
            "kiln_id": said["kiln_id"] or None,
        }


class WoodCountForm(forms.Form):
    """What a stack holds by measuring it, and why the book says otherwise."""

    counted = DecimalIn(
        label=gettext_lazy("Counted, m³ stacked"),
        min_value=0,
        max_value=10_000,
        decimal_places=3,
        help_text=gettext_lazy("Length x width x height of what is there now, air included."),
    )
    why = forms.CharField(
        label=gettext_lazy("Why it differs from the book"),
        max_length=200,
        required=False,
        help_text=gettext_lazy("For example: measured badly before, burnt and not written down, rot, gone."),
    )

    def told(self) -> dict[str, Any]:
        return {"counted_dm3": int(self.cleaned_data["counted"] * 1000), "why": self.cleaned_data["why"]}


class WoodMoveForm(forms.Form):
    """Wood put on a stack or taken off it."""

    way = forms.ChoiceField(
        label=gettext_lazy("What was done"),
        choices=[("off", gettext_lazy("wood was taken off")), ("on", gettext_lazy("wood was put on"))],
        widget=forms.RadioSelect,
        initial="off",
    )
    stacked = DecimalIn(
        label=gettext_lazy("How much, m³ stacked"),
        min_value=Decimal("0.001"),
        max_value=10_000,
        decimal_places=3,
        help_text=gettext_lazy("0.1 is a hundred litres, air included."),
    )
    firing_id = forms.ChoiceField(label=gettext_lazy("For which firing"), required=False)
    note = forms.CharField(label=gettext_lazy("Note"), max_length=200, required=False)

    def __init__(self, *args: Any, firings: Iterable[Firing], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["firing_id"].choices = [  # type: ignore[attr-defined]
            ("", _("none")),
            *((str(firing.public_id), firing.name) for firing in firings),
        ]

    def told(self) -> dict[str, Any]:
        said = self.cleaned_data
        amount = int(said["stacked"] * 1000)
        return {
            "stacked_dm3": amount if said["way"] == "on" else -amount,
            "firing_id": said["firing_id"] or None,
            "note": said["note"],
        }
