"""Forms of people, invitations and the policy. They read what was typed; the services decide."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop import pictures
from coop.errors import Malformed, Refused
from coop.models import MailWishes, Person, Role, SignOff
from coop.policy import ALLOTMENT_RULES, COST_KEYS, EMPTY_BORNE_BY, POOLS, USED, Terms


def add_refusal(form: forms.Form, no: Refused) -> None:
    """Put a refusal's sentences beside the inputs they belong to, the rest above the form."""
    placed = False
    for name, sentences in no.fields.items():
        if name in form.fields:
            placed = True
            for sentence in sentences:
                form.add_error(name, sentence)
    if not placed:
        form.add_error(None, str(no))


class PictureField(forms.FileField):
    """A photo chosen or taken; cleaned to ``pictures.Clean``, ready for ``pictures.hold``. Empty is None.

    The form must be sent as ``multipart/form-data`` (``coop/_form.html`` does).
    """

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("label", gettext_lazy("Photo"))
        kwargs.setdefault("help_text", gettext_lazy("JPEG, PNG or WebP, at most 10 MB. Where it was taken is removed."))
        kwargs.setdefault("widget", forms.FileInput(attrs={"accept": pictures.ACCEPT}))
        super().__init__(allow_empty_file=True, **kwargs)

    def clean(self, data: Any, initial: Any = None) -> pictures.Clean | None:
        sent = super().clean(data, initial)
        if not sent:
            return None
        try:
            return pictures.cleaned(sent.read(pictures.MOST_BYTES + 1))
        except Refused as no:
            raise forms.ValidationError(str(no)) from no


class InviteForm(forms.Form):
    email = forms.EmailField(label=gettext_lazy("E-mail"), max_length=254)
    name = forms.CharField(label=gettext_lazy("Name"), max_length=120, required=False)
    roles = forms.MultipleChoiceField(
        label=gettext_lazy("Roles"),
        choices=Role.Kind.choices,
        widget=forms.CheckboxSelectMultiple,
        initial=[Role.Kind.MEMBER],
    )


class InviteManyForm(forms.Form):
    people = forms.CharField(
        label=gettext_lazy("One person a line: name and address"),
        max_length=20_000,
        widget=forms.Textarea(attrs={"rows": 6}),
        help_text=gettext_lazy("Paste from a spreadsheet or an address book, like “Ada Finch, ada@example.org”."),
    )


class JoinForm(forms.Form):
    name = forms.CharField(
        label=gettext_lazy("Your name"), max_length=120, widget=forms.TextInput(attrs={"autocomplete": "name"})
    )
    password = forms.CharField(
        label=gettext_lazy("Password"),
        max_length=256,
        strip=False,
        help_text=gettext_lazy("At least 15 characters; a few plain words in a row are good."),
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )


class SettingsForm(forms.Form):
    name = forms.CharField(label=gettext_lazy("Name"), max_length=120)
    mark = forms.CharField(
        label=gettext_lazy("Mark on your pots"),
        max_length=60,
        required=False,
        help_text=gettext_lazy("How others know whose pot it is after the fire, e.g. a stamped B in a ring."),
    )
    temperature_unit = forms.ChoiceField(label=gettext_lazy("Temperatures in"), choices=Person.Temperature.choices)
    length_unit = forms.ChoiceField(label=gettext_lazy("Lengths in"), choices=Person.Length.choices)
    volume_unit = forms.ChoiceField(label=gettext_lazy("Space in"), choices=Person.Volume.choices)


class MailWishesForm(forms.Form):
    own = forms.ChoiceField(
        label=gettext_lazy("My pots, my money, my hours"),
        choices=[one for one in MailWishes.When.choices if one[0] != MailWishes.When.NEVER],
        widget=forms.RadioSelect,
        help_text=gettext_lazy("Space you got, statements, answers to your questions."),
    )
    news = forms.ChoiceField(
        label=gettext_lazy("News"),
        choices=MailWishes.When.choices,
        widget=forms.RadioSelect,
        help_text=gettext_lazy("A firing is called, a place on a watch is free."),
    )
    quiet_from = forms.TimeField(
        label=gettext_lazy("No mails from"),
        required=False,
        help_text=gettext_lazy("Leave both empty for none. Your own watches and calls to the fire come all the same."),
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
    )
    quiet_to = forms.TimeField(
        label=gettext_lazy("until"),
        required=False,
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
    )


class TokenForm(forms.Form):
    name = forms.CharField(label=gettext_lazy("What it is for"), max_length=80)


class RoleForm(forms.Form):
    kind = forms.ChoiceField(label=gettext_lazy("Role"), choices=Role.Kind.choices)


class SignOffForm(forms.Form):
    kind = forms.ChoiceField(label=gettext_lazy("Sign-off"), choices=SignOff.Kind.choices)
    valid_until = forms.DateField(
        label=gettext_lazy("Valid until"),
        required=False,
        help_text=gettext_lazy("Leave empty if it does not end."),
        widget=forms.DateInput(attrs={"type": "date"}),
    )


# --- The policy: one field for every rule of coop.policy.Terms ---------------------------------

_POOL_NAMES: dict[str, Any] = {
    "wood": gettext_lazy("Wood is shared by"),
    "soda": gettext_lazy("Soda is shared by"),
    "shelf_wash": gettext_lazy("Shelf wash and wear are shared by"),
    "wads_cones": gettext_lazy("Wads and cones are shared by"),
    "permit": gettext_lazy("The permit is shared by"),
    "per_head": gettext_lazy("Costs per head are shared by"),
    "reserve": gettext_lazy("The kiln reserve is shared by"),
    "breakage": gettext_lazy("Breakage is shared by"),
}
_KEY_NAMES: dict[str, Any] = {
    "litres": gettext_lazy("litres used"),
    "soda_litres": gettext_lazy("litres used in the soda zone"),
    "board_area": gettext_lazy("board area"),
    "pieces": gettext_lazy("number of pieces"),
    "heads": gettext_lazy("heads: the same for each"),
    "decision": gettext_lazy("what is decided each time"),
    "fund": gettext_lazy("nobody: the co-op's fund bears it"),
}
_WORDS: dict[str, Any] = {
    "larger": gettext_lazy("the larger of loaded and part of booked"),
    "loaded": gettext_lazy("what was loaded"),
    "booked": gettext_lazy("what was booked"),
    "fund": gettext_lazy("the co-op's fund"),
    "members": gettext_lazy("the members of the firing"),
    "reserve": gettext_lazy("the kiln reserve"),
    "equal": gettext_lazy("equal parts, nobody more than they asked for"),
    "hours_worked": gettext_lazy("by hours worked"),
    "turns_left_out": gettext_lazy("by how often left out before"),
    "booking_order": gettext_lazy("by order of booking"),
}
# name of the rule -> its label and, where the label is not enough, one line of help
_RULES: dict[str, tuple[Any, Any]] = {
    "used": (gettext_lazy("What counts as used space"), ""),
    "booked_unused_share": (
        gettext_lazy("Part of booked space that counts although left empty"),
        gettext_lazy("Only with “the larger of …”; a share like 1/2."),
    ),
    "fill_guarantee": (gettext_lazy("Fill that is reckoned with at least"), gettext_lazy("A share like 7/10.")),
    "empty_borne_by": (gettext_lazy("Who bears space nobody took"), ""),
    "minimum_fill": (gettext_lazy("A firing goes ahead from this fill"), gettext_lazy("A share like 7/10.")),
    "allotment_rule": (gettext_lazy("When more is asked than fits, share out"), ""),
    "cap_ml_per_member": (
        gettext_lazy("Most space per member, in millilitres"),
        gettext_lazy("1 litre is 1000. Leave empty for no cap."),
    ),
    "floor_ml_per_member": (
        gettext_lazy("Space everyone gets at least when it is shared out, in millilitres"),
        gettext_lazy("As far as they ask for it; 0 for none."),
    ),
    "owed_share_even": (
        gettext_lazy("Part of the hours owed that is the same for everyone"),
        gettext_lazy("The rest follows the space used."),
    ),
    "hours_per_litre": (gettext_lazy("Hours owed per litre"), gettext_lazy("A number like 0.1 or 1/10.")),
    "hour_rate_minor": (gettext_lazy("Worth of an hour owed and not worked, in cents"), ""),
    "night_weight": (gettext_lazy("An hour at night counts"), gettext_lazy("Times as much, like 3/2.")),
    "night_from_hour": (gettext_lazy("Night begins at (hour)"), ""),
    "night_to_hour": (gettext_lazy("Night ends at (hour)"), ""),
    "splitting_weight": (
        gettext_lazy("An hour of cutting or splitting wood counts"),
        gettext_lazy("Times as much, like 5/4."),
    ),
    "grinding_weight": (gettext_lazy("An hour of grinding shelves counts"), gettext_lazy("Times as much, like 5/4.")),
    "guest_factor": (gettext_lazy("A guest pays"), gettext_lazy("Times what a member pays.")),
    "floor_minor_per_member": (
        gettext_lazy("A member's shares of a firing cost at least, in cents"),
        gettext_lazy("0 for no minimum. Damage and hours come on top."),
    ),
    "cap_minor_per_member": (
        gettext_lazy("A member's shares of a firing cost at most, in cents"),
        gettext_lazy("Leave empty for no cap. Damage and hours come on top."),
    ),
    "late_cancel": (
        gettext_lazy("Withdrawing late costs"),
        gettext_lazy("One step a line: days before loading, a colon, the share. From 13 days on half: “13: 1/2”."),
    ),
    "no_show_share": (gettext_lazy("Whoever brings nothing pays this share"), ""),
    "failed_refund": (
        gettext_lazy("Given back when a firing fails"),
        gettext_lazy("One pool a line, a colon, the share, like “wood: 1/2”."),
    ),
    "levy_minor_per_litre": (gettext_lazy("Into the kiln reserve per litre, in cents"), ""),
    "deposit_minor": (gettext_lazy("Deposit, in cents"), ""),
    "question_days": (gettext_lazy("Days for questions before posting"), ""),
    "rest_hours": (gettext_lazy("Rest between two watches, hours"), ""),
    "most_hours_in_24": (gettext_lazy("At the fire at most, hours in 24"), ""),
    "most_nights_in_a_row": (gettext_lazy("Nights in a row at most"), ""),
    "remind_hours": (gettext_lazy("Remind of a watch, hours before"), ""),
    "take_up_minutes": (
        gettext_lazy("Call the next person when nobody is at a watch, minutes after its start"),
        gettext_lazy("As many minutes again for each one after."),
    ),
}
_WORD_CHOICES = {"used": USED, "empty_borne_by": EMPTY_BORNE_BY, "allotment_rule": ALLOTMENT_RULES}
_LINES = ("late_cancel", "failed_refund")


def _field(name: str, value: Any) -> forms.Field:
    label, help_text = _RULES[name]
    more: dict[str, Any] = {"label": label, "help_text": help_text}
    if name in _WORD_CHOICES:
        return forms.ChoiceField(choices=[(word, _WORDS[word]) for word in _WORD_CHOICES[name]], **more)
    if name in _LINES:
        return forms.CharField(widget=forms.Textarea(attrs={"rows": 3}), required=False, max_length=500, **more)
    if name in ("cap_ml_per_member", "cap_minor_per_member"):
        return forms.IntegerField(required=False, **more)
    if isinstance(value, int):
        return forms.IntegerField(**more)
    return forms.CharField(max_length=20, widget=forms.TextInput(attrs={"inputmode": "text"}), **more)


class PolicyForm(forms.Form):
    """All rules of the terms; ``terms()`` gives them checked, or raises Malformed."""

    def __init__(self, terms: Terms, data: Any = None) -> None:
        plain = terms.to_json()
        shown = {name: _typed(name, plain[name]) for name in _RULES}
        keys = plain["cost_keys"]
        assert isinstance(keys, Mapping)
        super().__init__(data, initial={**shown, **{f"key_{pool}": keys[pool] for pool in POOLS}})
        for pool in POOLS:
            self.fields[f"key_{pool}"] = forms.ChoiceField(
                label=_POOL_NAMES[pool], choices=[(key, _KEY_NAMES[key]) for key in COST_KEYS]
            )
        for name in _RULES:
            self.fields[name] = _field(name, plain[name])

    def terms(self) -> Terms:
        told = self.cleaned_data
        values: dict[str, object] = {name: told[name] for name in _RULES if name not in _LINES}
        values["late_cancel"] = [
            {"days_before": int(days) if days.isdecimal() else days, "share": share}
            for days, share in self._pairs("late_cancel")
        ]
        values["failed_refund"] = dict(self._pairs("failed_refund"))
        values["cost_keys"] = {pool: told[f"key_{pool}"] for pool in POOLS}
        try:
            return Terms.from_json(values)
        except Malformed as no:
            raise Malformed(no.faults, fields=_by_field(no)) from no

    def _pairs(self, name: str) -> list[tuple[str, str]]:
        pairs = []
        for line in str(self.cleaned_data[name]).splitlines():
            if not line.strip():
                continue
            before, colon, after = line.partition(":")
            if not colon:
                text = _("Write each line with a colon, like “13: 1/2”.")
                raise Malformed([text], fields={name: [text]})
            pairs.append((before.strip(), after.strip()))
        return pairs


def _by_field(no: Malformed) -> dict[str, list[str]]:
    """The faults by the rule each one names at its beginning."""
    fields = dict(no.fields)
    for fault in no.faults:
        name, colon, text = fault.partition(": ")
        if colon and name in _RULES:
            fields.setdefault(name, [text])
    return fields


def _typed(name: str, value: Any) -> Any:
    """A plain value as a person types it."""
    if name == "late_cancel":
        return "\n".join(f"{step['days_before']}: {step['share']}" for step in value)
    if name == "failed_refund":
        return "\n".join(f"{pool}: {share}" for pool, share in value.items())
    return value


def described(terms: Terms) -> list[tuple[str, str]]:
    """Every rule as a label and its value in words, for reading."""
    plain = terms.to_json()
    keys = plain["cost_keys"]
    assert isinstance(keys, Mapping)
    rows = [(str(_POOL_NAMES[pool]), str(_KEY_NAMES[keys[pool]])) for pool in POOLS]
    for name, (label, _help) in _RULES.items():
        value = _typed(name, plain[name])
        if name in _WORD_CHOICES:
            value = _WORDS[value]
        elif value is None:
            value = _("no cap")
        rows.append((str(label), str(value)))
    return rows
