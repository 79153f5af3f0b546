"""Forms of the money pages: they read what was typed; the services decide."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from django import forms
from django.core.files.uploadedfile import UploadedFile
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from billing.bank_files import by_profile
from billing.bank_files import movements as bank_movements
from billing.models import BankProfile, DepositMove, Payment, Pool
from coop import money
from coop.errors import Refused
from coop.forms import PictureField, PolicyForm, add_refusal
from coop.models import Membership
from coop.policy import Terms
from firings.tables import MAX_BYTES

_DAY = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")


class AmountField(forms.CharField):
    """An amount as people write it, cleaned to minor units of the currency."""

    widget = forms.TextInput(attrs={"inputmode": "text", "autocomplete": "off"})

    def __init__(self, *, currency: str, **kwargs: Any) -> None:
        self.currency = currency
        super().__init__(max_length=40, **kwargs)

    def clean(self, value: Any) -> int | None:
        text = super().clean(value)
        if not text and not self.required:
            return None
        try:
            return money.parse(text, self.currency)
        except Refused as no:
            raise forms.ValidationError(str(no)) from no


class ReceiptForm(forms.Form):
    pool = forms.ChoiceField(label=gettext_lazy("What for"), choices=Pool.choices)
    on = forms.DateField(label=gettext_lazy("Day on the receipt"), widget=_DAY, initial=timezone.localdate)
    paid_by = forms.ChoiceField(label=gettext_lazy("Who paid"), required=False)
    supplier = forms.CharField(label=gettext_lazy("From whom"), max_length=120, required=False)
    note = forms.CharField(label=gettext_lazy("Note"), max_length=200, required=False)
    photo = PictureField(label=gettext_lazy("Photo of the receipt"), required=False)

    def __init__(
        self,
        data: Any = None,
        files: Any = None,
        *,
        currency: str,
        by: Membership,
        members: Iterable[Membership],
        any_payer: bool,
    ) -> None:
        super().__init__(data, files)
        self.fields["amount"] = AmountField(
            currency=currency,
            label=_("Amount in %(currency)s") % {"currency": currency},
            help_text=_("A refund with a minus sign, such as -18.50."),
        )
        self.order_fields(["pool", "amount", "on", "paid_by", "supplier", "note", "photo"])
        others = [(str(row.public_id), row.name) for row in members]
        mine = (str(by.public_id), _("I did"))
        self.fields["paid_by"] = forms.ChoiceField(
            label=_("Who paid"),
            required=not any_payer,
            choices=[("", _("the co-op's account")), *others] if any_payer else [mine],
        )


class ReceiptsFileForm(forms.Form):
    file = forms.FileField(label=gettext_lazy("CSV file"), required=False)
    text = forms.CharField(
        label=gettext_lazy("Or paste the rows here"),
        required=False,
        strip=False,
        max_length=MAX_BYTES,
        widget=forms.Textarea(attrs={"rows": 8, "spellcheck": "false"}),
        help_text=gettext_lazy("The first row reads date,paid_by,pool,amount,currency,supplier,note."),
    )

    def clean(self) -> dict[str, Any]:
        said: dict[str, Any] = super().clean() or {}
        if bool(said.get("file")) == bool((said.get("text") or "").strip()) and not self.errors:
            raise forms.ValidationError(_("Give a file or paste the rows: one of the two."))
        return said

    def source(self) -> bytes | str:
        """What was uploaded or pasted."""
        upload: UploadedFile[bytes] | None = self.cleaned_data.get("file")
        return upload.read(MAX_BYTES + 1) if upload else str(self.cleaned_data["text"])


class PaymentForm(forms.Form):
    way = forms.ChoiceField(label=gettext_lazy("How"), choices=Payment.Way.choices)
    on = forms.DateField(label=gettext_lazy("Day"), widget=_DAY, initial=timezone.localdate)
    reference = forms.CharField(label=gettext_lazy("Reference"), max_length=40, required=False)
    note = forms.CharField(label=gettext_lazy("Note"), max_length=200, required=False)
    key = forms.CharField(max_length=60, widget=forms.HiddenInput)

    def __init__(self, data: Any = None, *, currency: str, members: Iterable[Membership], **kwargs: Any) -> None:
        super().__init__(data, **kwargs)
        self.fields["member"] = forms.ChoiceField(
            label=_("Member"), choices=[("", _("pick one")), *((str(row.public_id), row.name) for row in members)]
        )
        self.fields["amount"] = AmountField(
            currency=currency,
            label=_("Amount in %(currency)s") % {"currency": currency},
            help_text=_("Plus: the member paid the co-op. Minus: the co-op paid the member."),
        )
        self.order_fields(["member", "amount", "way", "on", "reference", "note"])


class BankAccountForm(forms.Form):
    holder = forms.CharField(label=gettext_lazy("Account holder"), max_length=200)
    iban = forms.CharField(
        label=gettext_lazy("Account number (IBAN)"),
        max_length=60,
        widget=forms.TextInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
    )
    bic = forms.CharField(
        label=gettext_lazy("Bank's code (BIC)"),
        max_length=20,
        required=False,
        widget=forms.TextInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
        help_text=gettext_lazy("Needed only for accounts outside the European Economic Area."),
    )


class BankFileForm(forms.Form):
    file = forms.FileField(
        label=gettext_lazy("File of the bank"),
        max_length=300,
        help_text=gettext_lazy("camt.053 (XML), or a CSV with its profile."),
    )
    opening = forms.CharField(required=False)
    closing = forms.CharField(required=False)

    def __init__(
        self, data: Any = None, files: Any = None, *, currency: str, profiles: Iterable[BankProfile], **kwargs: Any
    ) -> None:
        super().__init__(data, files, **kwargs)
        self.fields["profile"] = forms.ChoiceField(
            label=_("Profile"),
            required=False,
            choices=[("", _("none: the file is camt.053")), *((str(row.public_id), row.name) for row in profiles)],
        )
        only = _("Only for a CSV without a column of balances.")
        for name, label in (("opening", _("Balance before, in %s")), ("closing", _("Balance after, in %s"))):
            self.fields[name] = AmountField(currency=currency, label=label % currency, required=False, help_text=only)
        self.order_fields(["file", "profile", "opening", "closing"])

    def content(self) -> bytes:
        """The file's bytes, one more than may be at most."""
        upload: UploadedFile[bytes] = self.cleaned_data["file"]
        content: bytes = upload.read(bank_movements.MAX_BYTES + 1)
        return content


_COLUMN_LABELS = {
    "on": gettext_lazy("Day"),
    "amount": gettext_lazy("Amount with its sign"),
    "money_in": gettext_lazy("Money in"),
    "money_out": gettext_lazy("Money out"),
    "name": gettext_lazy("Name of the other side"),
    "iban": gettext_lazy("Account of the other side"),
    "reference": gettext_lazy("Reference"),
    "text": gettext_lazy("Text"),
    "bank_reference": gettext_lazy("Bank's own number of the movement"),
    "balance": gettext_lazy("Balance after the movement"),
    "currency": gettext_lazy("Currency"),
    "account": gettext_lazy("Own account (IBAN)"),
}


class BankProfileForm(forms.Form):
    name = forms.CharField(label=gettext_lazy("Name"), max_length=60)
    separator = forms.ChoiceField(
        label=gettext_lazy("Cells are separated by"),
        choices=[
            ("semicolon", gettext_lazy("semicolon")),
            ("comma", gettext_lazy("comma")),
            ("tab", gettext_lazy("tab")),
            ("bar", gettext_lazy("upright bar")),
        ],
    )
    decimal = forms.ChoiceField(
        label=gettext_lazy("Decimal sign"),
        choices=[("comma", gettext_lazy("comma: 1.234,56")), ("point", gettext_lazy("point: 1,234.56"))],
    )
    dates = forms.ChoiceField(
        label=gettext_lazy("Days are written"),
        choices=[
            ("dmy", gettext_lazy("day, month, year")),
            ("ymd", gettext_lazy("year, month, day")),
            ("mdy", gettext_lazy("month, day, year")),
        ],
    )
    encoding = forms.ChoiceField(
        label=gettext_lazy("Encoding"), choices=[(name, name) for name in by_profile.ENCODINGS]
    )

    def __init__(self, data: Any = None, **kwargs: Any) -> None:
        super().__init__(data, **kwargs)
        for ours in by_profile.COLUMNS:
            self.fields[f"column_{ours}"] = forms.CharField(
                label=_("Header of: %(column)s") % {"column": _COLUMN_LABELS[ours]}, max_length=80, required=False
            )

    def rules(self) -> dict[str, Any]:
        """The profile as the core reads it."""
        said = self.cleaned_data
        words = {name: said[name] for name in ("separator", "decimal", "dates", "encoding")}
        return {**words, "columns": {ours: said[f"column_{ours}"] for ours in by_profile.COLUMNS}}

    def refuse(self, no: Refused) -> None:
        """Put what is wrong with a column beside its header."""
        columns = {"on", "amount", "money_in", "money_out"}
        fields = {f"column_{name}" if name in columns else name: texts for name, texts in no.fields.items()}
        add_refusal(self, Refused(str(no), fields=fields))


class PlaceLineForm(forms.Form):
    why = forms.CharField(label=gettext_lazy("No member's payment, because"), max_length=200, required=False)

    def __init__(self, data: Any = None, *, members: Iterable[Membership]) -> None:
        super().__init__(data)
        self.fields["member"] = forms.ChoiceField(
            label=_("Payment of"),
            required=False,
            choices=[("", _("nobody in the co-op")), *((str(row.public_id), row.name) for row in members)],
        )
        self.order_fields(["member", "why"])

    def clean(self) -> dict[str, Any]:
        said: dict[str, Any] = super().clean() or {}
        if not self.errors and bool(said.get("member")) == bool((said.get("why") or "").strip()):
            raise forms.ValidationError(_("Pick the member, or say why it is no member's payment: one of the two."))
        return said


class DepositForm(forms.Form):
    kind = forms.ChoiceField(
        label=gettext_lazy("What happens"),
        choices=DepositMove.Kind.choices,
        help_text=gettext_lazy("Set off: what is held pays what the member has to pay."),
    )
    on = forms.DateField(label=gettext_lazy("Day"), widget=_DAY, initial=timezone.localdate)
    note = forms.CharField(label=gettext_lazy("Note"), max_length=200, required=False)
    key = forms.CharField(max_length=60, widget=forms.HiddenInput)

    def __init__(self, data: Any = None, *, currency: str, members: Iterable[Membership], **kwargs: Any) -> None:
        super().__init__(data, **kwargs)
        self.fields["member"] = forms.ChoiceField(
            label=_("Member"), choices=[("", _("pick one")), *((str(row.public_id), row.name) for row in members)]
        )
        self.fields["amount"] = AmountField(
            currency=currency, label=_("Amount in %(currency)s") % {"currency": currency}
        )
        self.order_fields(["member", "kind", "amount", "on", "note"])


class ReasonForm(forms.Form):
    why = forms.CharField(
        label=gettext_lazy("Reason"),
        max_length=120,
        help_text=gettext_lazy("It stands in the ledger for good and is mailed to everybody with a statement."),
    )


class TextForm(forms.Form):
    text = forms.CharField(max_length=2000, widget=forms.Textarea(attrs={"rows": 4}))

    def __init__(self, data: Any = None, *, label: str) -> None:
        super().__init__(data)
        self.fields["text"].label = label


class TryTermsForm(PolicyForm):
    """The rules on money alone, to be tried; all others, and those that are not said, are as in ``terms``."""

    RULES = (
        "used",
        "booked_unused_share",
        "fill_guarantee",
        "empty_borne_by",
        "guest_factor",
        "floor_minor_per_member",
        "cap_minor_per_member",
        "late_cancel",
        "no_show_share",
        "failed_refund",
        "levy_minor_per_litre",
        "hour_rate_minor",
    )

    def __init__(self, terms: Terms, data: Any = None) -> None:
        super().__init__(terms)
        if data is not None:
            self.is_bound, self.data = True, {**self.initial, **{name: data[name] for name in data}}
        self.others = {
            name: self.initial[name] for name in self.fields if name not in self.RULES and not name.startswith("key_")
        }
        for name in self.others:
            del self.fields[name]

    def clean(self) -> dict[str, Any]:
        return {**(super().clean() or self.cleaned_data), **self.others}


class ReserveForm(forms.Form):
    """What the kiln reserve is for, and how sure each guess is; half of an 80 % interval either way."""

    firings = forms.FloatField(label=gettext_lazy("Firings until the next rebuild"), min_value=1, max_value=1000)
    firings_margin = forms.FloatField(label=gettext_lazy("give or take, firings"), min_value=0, max_value=1000)
    litres = forms.FloatField(label=gettext_lazy("Litres of a firing"), min_value=1, max_value=100_000)
    litres_margin = forms.FloatField(label=gettext_lazy("give or take, litres"), min_value=0, max_value=100_000)

    def __init__(self, data: Any = None, *, currency: str, initial: Mapping[str, Any]) -> None:
        super().__init__(data, initial=dict(initial))
        self.fields["cost"] = AmountField(label=gettext_lazy("The rebuild and new boards will cost"), currency=currency)
        self.fields["cost_margin"] = AmountField(label=gettext_lazy("give or take"), currency=currency)
        self.order_fields(["cost", "cost_margin", "firings", "firings_margin", "litres", "litres_margin"])
