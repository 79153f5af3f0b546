"""Receipts: money the co-op or a member laid out for a firing; entered, read from a file, withdrawn."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import date, datetime
from uuid import UUID
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from billing.access import check_may_take_receipt, check_may_withdraw_receipt
from billing.models import Pool, Receipt, ReceiptPicture, Settlement
from billing.services.postings import lock_ledger
from coop import pictures
from coop.errors import Malformed, NotFound, Refused
from coop.models import Coop, Membership
from coop.transactions import say, use_case
from firings.lifecycle import TAKES_RECEIPTS
from firings.models import Firing
from firings.queries.firings import firing_of
from firings.tables import ReceiptRow, RowFault

MOST_MINOR = 10**9  # ten million in a currency of two digits: more is a slip of the finger
FIRST_YEAR = 1990

say(
    receipt_is_not_nothing=gettext_lazy("An amount of zero changes nothing; give the amount on the receipt."),
    receipt_pool_is_known=gettext_lazy("Say what the receipt is for; pick one of the list."),
)


@use_case
def take_receipt(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    firing_id: UUID,
    on: date,
    pool: str,
    amount_minor: int,
    paid_by_id: UUID | None = None,
    supplier: str = "",
    note: str = "",
    currency: str = "",
    picture: pictures.Clean | UUID | None = None,
) -> Receipt:
    """Enter one receipt; minus is a refund. ``paid_by_id`` None: paid from the co-op's account.

    ``picture`` is a photo of it: sent in the form, or the id of one sent before.
    The treasurer and the firing's lead enter any, everybody else what they paid themselves. Refused once the
    cost shares are posted.
    """
    firing = _open_firing(coop, firing_id)
    paid_by = _payer(coop, paid_by_id)
    check_may_take_receipt(by, firing, paid_by)
    if currency and currency != coop.currency:
        sentence = _wrong_currency(coop)
        raise Malformed([sentence], fields={"currency": [sentence]})
    _check(on=on, pool=pool, amount_minor=amount_minor, today=_today(coop, now), currency=coop.currency)
    lock_ledger(coop)
    _check_not_settled(firing)
    row = _enter(firing, by, now, on, pool, amount_minor, paid_by, supplier, note)
    if picture is not None:
        pictures.hold(ReceiptPicture, coop, by=by, now=now, picture=picture, receipt=row)
    return row


@use_case
def take_receipts(
    coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID, rows: Sequence[ReceiptRow]
) -> list[Receipt]:
    """Enter all receipts of a file, or none: Malformed with one sentence per fault, by row."""
    firing = _open_firing(coop, firing_id)
    if not rows:
        raise Malformed([_("There are no receipts in this; add at least one row.")])
    payers = _payers_by_name(coop)
    faults: list[str] = []
    for row in rows:
        try:
            _check(
                on=row.date,
                pool=row.pool,
                amount_minor=row.amount_minor,
                today=_today(coop, now),
                currency=coop.currency,
            )
            if row.currency != coop.currency:
                raise Malformed([_wrong_currency(coop)])
            check_may_take_receipt(by, firing, _named(payers, row.paid_by))
        except Refused as no:
            column = next(iter(no.fields), "")
            faults.append(str(RowFault(row.row, column, str(no))))
    if faults:
        raise Malformed(faults)
    lock_ledger(coop)
    _check_not_settled(firing)
    return [
        _enter(
            firing,
            by,
            now,
            row.date,
            row.pool,
            row.amount_minor,
            _named(payers, row.paid_by),
            row.supplier,
            row.note,
        )
        for row in rows
    ]


@use_case
def withdraw_receipt(coop: Coop, *, by: Membership | None, now: datetime, receipt_id: UUID) -> Receipt:
    """Take a receipt out of the firing; it stays on record. Refused once the cost shares are posted."""
    receipt: Receipt | None = (
        Receipt.objects.of(coop).select_related("firing__coop").filter(public_id=receipt_id).first()
    )
    if receipt is None:
        raise NotFound(_("There is no such receipt here."))
    check_may_withdraw_receipt(by, receipt.firing, receipt.entered_by_id)
    lock_ledger(coop)
    _check_not_settled(receipt.firing)
    if not Receipt.objects.filter(pk=receipt.pk, withdrawn_at=None).update(withdrawn_at=now):
        raise Refused(_("This receipt was withdrawn before; there is nothing to do."))
    receipt.withdrawn_at = now
    return receipt


def _open_firing(coop: Coop, firing_id: UUID) -> Firing:
    """A firing whose receipts may still change: not closed, or closed and its cost shares reversed."""
    firing = firing_of(coop, firing_id)
    if firing.stage not in TAKES_RECEIPTS | {Firing.Stage.CALLED_OFF}:
        rows = Settlement.objects.of(coop).filter(firing=firing)
        if not rows.filter(state=Settlement.State.REVERSED).exists():
            raise Refused(_("This firing is closed and its record is read-only; it takes no more receipts."))
    return firing


def _check_not_settled(firing: Firing) -> None:
    if Settlement.objects.of(firing.coop).filter(firing=firing, state=Settlement.State.POSTED).exists():
        raise Refused(_("The cost shares of this firing are posted. Reverse them before changing its receipts."))


def _check(*, on: date, pool: str, amount_minor: int, today: date, currency: str) -> None:
    """One sentence on the first fault of a receipt, by the field it is about."""
    field, sentence = "", ""
    if pool not in Pool.values:
        field, sentence = "pool", _("Say what the receipt is for; pick one of the list.")
    elif amount_minor == 0:
        field, sentence = "amount", _("An amount of zero changes nothing; give the amount on the receipt.")
    elif abs(amount_minor) > MOST_MINOR:
        field = "amount"
        sentence = _("This amount is too large to be right; check the digits and the decimal point.")
    elif on > today:
        field, sentence = "on", _("This day has not come yet; give the day on the receipt.")
    elif on.year < FIRST_YEAR:
        field = "on"
        sentence = _("The year %(year)s is too long ago; give the day on the receipt.") % {"year": on.year}
    if sentence:
        raise Malformed([sentence], fields={field: [sentence]})


def _wrong_currency(coop: Coop) -> str:
    return _("This co-op keeps its money in %(currency)s; give the amount in %(currency)s.") % {
        "currency": coop.currency
    }


def _payer(coop: Coop, member_id: UUID | None) -> Membership | None:
    if member_id is None:
        return None
    found: Membership | None = Membership.objects.of(coop).with_roles().filter(public_id=member_id).first()
    if found is None:
        sentence = _("There is no such member here; pick who paid, or leave it empty for the co-op's account.")
        raise NotFound(sentence, fields={"paid_by": [sentence]})
    return found


def _payers_by_name(coop: Coop) -> dict[str, list[Membership]]:
    names: defaultdict[str, list[Membership]] = defaultdict(list)
    for member in Membership.objects.of(coop).with_roles():
        names[member.name.casefold()].append(member)
        names[member.person.email.casefold()].append(member)
    return names


def _named(payers: dict[str, list[Membership]], name: str) -> Membership | None:
    """The one member of this name or address; "" is the co-op's own account."""
    if not name:
        return None
    found = payers.get(name.casefold(), [])
    if len(found) == 1:
        return found[0]
    if found:
        text = _("%(count)d members are called “%(name)s”; give the e-mail address instead.")
        sentence = text % {"count": len(found), "name": name[:60]}
    else:
        text = _("there is no member “%(name)s”; give the name as in the list of members, or nothing for the co-op.")
        sentence = text % {"name": name[:60]}
    raise Malformed([sentence], fields={"paid_by": [sentence]})


def _enter(
    firing: Firing,
    by: Membership | None,
    now: datetime,
    on: date,
    pool: str,
    amount_minor: int,
    paid_by: Membership | None,
    supplier: str,
    note: str,
) -> Receipt:
    row: Receipt = Receipt.objects.create(
        coop=firing.coop,
        firing=firing,
        on=on,
        pool=pool,
        amount_minor=amount_minor,
        currency=firing.coop.currency,
        paid_by=paid_by,
        supplier=" ".join(supplier.split())[:120],
        note=" ".join(note.split())[:200],
        entered_by=by,
        entered_at=now,
    )
    return row


def _today(coop: Coop, now: datetime) -> date:
    return now.astimezone(ZoneInfo(coop.time_zone)).date()
