"""Who may see or move money: ``check_x`` raises with the reason (``coop.access.allowed`` asks)."""

from __future__ import annotations

from django.utils.translation import gettext as _

from billing.models import ReceiptPicture
from coop import pictures
from coop.access import check_holds
from coop.errors import NotAllowed
from coop.models import Membership, Role
from firings.access import check_takes_part
from firings.models import Firing


def check_treasurer(by: Membership | None) -> None:
    check_holds(by, Role.Kind.TREASURER, to=_("move the co-op's money"))


def check_reads_ledger(by: Membership | None) -> None:
    check_holds(by, Role.Kind.TREASURER, Role.Kind.COORDINATOR, to=_("read the ledger"))


def keeps_receipts(by: Membership | None, firing: Firing) -> bool:
    """The treasurer, and the lead or deputy of the firing, enter and withdraw anybody's receipts."""
    return by is None or by.pk in (firing.lead_id, firing.deputy_id) or by.holds(Role.Kind.TREASURER)


def check_may_take_receipt(by: Membership | None, firing: Firing, paid_by: Membership | None) -> None:
    """Everybody who takes part may hand in what they themselves laid out."""
    if by is None or keeps_receipts(by, firing):
        return
    check_takes_part(by, firing)
    if paid_by is None or paid_by.pk != by.pk:
        raise NotAllowed(
            _("You can hand in what you paid yourself. Give other receipts to the treasurer or the firing's lead.")
        )


def check_may_withdraw_receipt(by: Membership | None, firing: Firing, entered_by_id: int | None) -> None:
    """Who keeps the firing's receipts, or who entered this one."""
    if by is None or keeps_receipts(by, firing) or by.pk == entered_by_id:
        return
    raise NotAllowed(_("Only who entered a receipt, the treasurer or the firing's lead can withdraw it."))


@pictures.seen_by(ReceiptPicture)
def check_sees_receipt_picture(by: Membership, held: ReceiptPicture) -> None:
    """Whoever takes part in the firing bears its costs, and may read what they are for."""
    check_takes_part(by, held.receipt.firing)


def check_sees_money_of(by: Membership | None, member: Membership) -> None:
    """One's own balance, payments and statements; the treasurer sees everybody's."""
    if by is None or by.pk == member.pk:
        return
    check_holds(by, Role.Kind.TREASURER, to=_("see what others have to pay"))
