"""Forms of the money pages: they read what was typed; the services decide."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django import forms
from django.core.files.uploadedfile import UploadedFile
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from billing.models import Payment, Pool
from coop import money
from coop.errors import Refused
from coop.models import Membership
from firings.tables import MAX_BYTES

_DAY = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")


class AmountField(forms.CharField):
    """An amount as people write it, cleaned to minor units of the currency."""

    widget = forms.TextInput(attrs={"inputmode": "text", "autocomplete": "off"})

    def __init__(self, *, currency: str, **kwargs: Any) -> None:
        self.currency = currency
        super().__init__(max_length=40, **kwargs)

    def clean(self, value: Any) -> int:
        text = super().clean(value)
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

    def __init__(
        self, data: Any = None, *, currency: str, by: Membership, members: Iterable[Membership], any_payer: bool
    ) -> None:
        super().__init__(data)
        self.fields["amount"] = AmountField(
            currency=currency,
            label=_("Amount in %(currency)s") % {"currency": currency},
            help_text=_("A refund with a minus sign, such as -18.50."),
        )
        self.order_fields(["pool", "amount", "on", "paid_by", "supplier", "note"])
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
