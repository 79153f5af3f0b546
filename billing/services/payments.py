"""Payments: money that moved between a member and the co-op, with its posting."""

from __future__ import annotations

from datetime import date, datetime
from uuid import UUID
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from billing.access import check_treasurer
from billing.models import Account, Payment, Posting
from billing.services import postings
from billing.services.receipts import FIRST_YEAR, MOST_MINOR
from coop import money
from coop.errors import Malformed, NotFound, Refused
from coop.models import Coop, Membership
from coop.transactions import say, use_case

say(payment_is_not_nothing=gettext_lazy("An amount of zero changes nothing; give the amount that moved."))


@use_case
def record_payment(
    coop: Coop,
    *,
    by: Membership,
    now: datetime,
    member_id: UUID,
    amount_minor: int,
    on: date,
    way: str = Payment.Way.BANK,
    reference: str = "",
    note: str = "",
    key: str,
    currency: str = "",
) -> Payment:
    """Record that a member paid the co-op (plus) or was paid out (minus), and post it.

    More than is owed may be paid: the rest is then to receive. The same ``key`` again gives the payment that
    is there and adds nothing; with other figures it is refused.
    """
    check_treasurer(by)
    member: Membership | None = Membership.objects.of(coop).select_related("person").filter(public_id=member_id).first()
    if member is None:
        raise NotFound(_("There is no such member here."))
    _check(coop, amount_minor, on, way, now, currency)
    if not key.strip():
        raise Malformed([_("Give the payment a key (any unique text), so that it is recorded once.")])
    postings.lock_ledger(coop)
    posting_key = f"payment:{key.strip()}"[:120]
    if (before := Posting.objects.of(coop).filter(key=posting_key).first()) is not None:
        return _the_same(before.payment, member, amount_minor, on)
    bank = postings.own_account(coop, Account.Kind.BANK)
    text = _("Payment by %(name)s") if amount_minor > 0 else _("Paid out to %(name)s")
    posting = postings.post(
        coop,
        key=posting_key,
        kind="payment",
        text=text % {"name": member.name},
        lines=[(bank, amount_minor), (postings.account_of(member), -amount_minor)],
        by=by,
        now=now,
    )
    payment: Payment = Payment.objects.create(
        coop=coop,
        member=member,
        on=on,
        amount_minor=amount_minor,
        currency=coop.currency,
        way=way,
        reference=" ".join(reference.split())[:40],
        note=" ".join(note.split())[:200],
        posting=posting,
        entered_by=by,
        entered_at=now,
    )
    return payment


def _check(coop: Coop, amount_minor: int, on: date, way: str, now: datetime, currency: str) -> None:
    field, sentence = "", ""
    if currency and currency != coop.currency:
        text = _("This co-op keeps its money in %(currency)s; give the amount in %(currency)s.")
        field, sentence = "currency", text % {"currency": coop.currency}
    elif amount_minor == 0:
        field, sentence = "amount", _("An amount of zero changes nothing; give the amount that moved.")
    elif abs(amount_minor) > MOST_MINOR:
        field = "amount"
        sentence = _("This amount is too large to be right; check the digits and the decimal point.")
    elif on > now.astimezone(ZoneInfo(coop.time_zone)).date() or on.year < FIRST_YEAR:
        field, sentence = "on", _("Give the day on which the money moved, today or before.")
    elif way not in Payment.Way.values:
        field, sentence = "way", _("Say how it was paid: bank or cash.")
    if sentence:
        raise Malformed([sentence], fields={field: [sentence]})


def _the_same(payment: Payment, member: Membership, amount_minor: int, on: date) -> Payment:
    if (payment.member_id, payment.amount_minor, payment.on) != (member.pk, amount_minor, on):
        raise Refused(
            _("A payment with this key is recorded already: %(amount)s %(currency)s. Take a new key for a new payment.")
            % {
                "amount": money.format_plain(payment.amount_minor, payment.currency),
                "currency": payment.currency,
            }
        )
    return payment
