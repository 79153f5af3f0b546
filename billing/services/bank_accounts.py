"""The co-op's bank account: set by the treasurer; everybody who keeps the money is told of a change."""

from __future__ import annotations

from datetime import datetime

from django.db.models import Q
from django.urls import reverse as address
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from billing import slips
from billing.access import check_treasurer
from billing.models import BankAccount
from coop import notices
from coop.errors import Malformed
from coop.models import Coop, Membership, Role
from coop.transactions import say, use_case

say(
    one_bank_account_per_coop=gettext_lazy("Somebody set the account at the same moment; load the page again."),
    bank_account_iban_is_plain=gettext_lazy("An account number (IBAN) is kept in capitals without spaces."),
    bank_account_has_a_holder=gettext_lazy("Give the name of the account's holder."),
)


@use_case
def set_bank_account(
    coop: Coop, *, by: Membership | None, now: datetime, iban: str, holder: str, bic: str = ""
) -> BankAccount:
    """Set the account that members pay into; treasurers and coordinators are mailed of any change.

    Malformed, by field, for a wrong number, code or name, and for an account outside the European Economic Area
    without its bank's code where the co-op keeps euro (a payment slip needs it).
    """
    check_treasurer(by)
    said = {"holder": "", "iban": "", "bic": ""}
    faults: dict[str, list[str]] = {}
    for field, check, text in (
        ("holder", slips.payee, holder),
        ("iban", slips.iban_plain, iban),
        ("bic", slips.bic_plain, bic),
    ):
        try:
            said[field] = check(text)
        except Malformed as no:
            faults[field] = list(no.faults)
    needs_bic = coop.currency == "EUR" and said["iban"] and slips.bic_needed(said["iban"])
    if needs_bic and not said["bic"] and "bic" not in faults:
        faults["bic"] = [_("An account outside the European Economic Area needs its bank's code (BIC).")]
    if faults:
        raise Malformed([text for texts in faults.values() for text in texts], fields=faults)
    before = BankAccount.objects.of(coop).first()
    if isinstance(before, BankAccount) and (before.holder, before.iban, before.bic) == tuple(said.values()):
        return before
    account: BankAccount = BankAccount.objects.update_or_create(
        coop=coop, defaults={**said, "set_by": by, "set_at": now}
    )[0]
    keepers = (
        Membership.objects.of(coop)
        .current()
        .filter(Q(roles__kind=Role.Kind.TREASURER) | Q(roles__kind=Role.Kind.COORDINATOR))
    )
    for member in keepers.select_related("person").distinct():
        notices.queue(
            coop,
            key=f"bank-account:{account.iban}:{now.isoformat()}:{member.public_id}",
            kind="bank_account",
            to=member,
            subject=_("%(coop)s: the account members pay into was changed") % {"coop": coop.name},
            text=_("%(name)s set it to %(iban)s, %(holder)s. If you do not know of this, look at it now.")
            % {"name": by.name if by else _("The service"), "iban": account.iban, "holder": account.holder},
            link=address("bank_account", kwargs={"coop": coop.slug}),
            now=now,
        )
    return account
