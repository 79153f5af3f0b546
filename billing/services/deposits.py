"""Deposits: money the co-op holds for a member and owes them; taken, given back, or set off against what they owe."""

from __future__ import annotations

from datetime import date, datetime
from uuid import UUID
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from billing.access import check_treasurer
from billing.models import Account, DepositMove, Posting
from billing.queries.deposits import held_for
from billing.services import postings
from billing.services.receipts import FIRST_YEAR, MOST_MINOR
from coop import money
from coop.errors import Malformed, NotFound, Refused
from coop.models import Coop, Membership
from coop.transactions import say, use_case

say(
    deposit_moves_something=gettext_lazy("Give an amount above zero; the kind says which way it goes."),
    deposit_account_has_a_depositor=gettext_lazy("A deposit belongs to a member; nothing was posted."),
    deposit_is_never_overdrawn=gettext_lazy("Less is held for this member than that; nothing was posted."),
)
_TEXTS = {
    DepositMove.Kind.TAKEN: gettext_lazy("Deposit by %(name)s"),
    DepositMove.Kind.GIVEN_BACK: gettext_lazy("Deposit given back to %(name)s"),
    DepositMove.Kind.SET_OFF: gettext_lazy("Deposit of %(name)s set off"),
}


@use_case
def move_deposit(
    coop: Coop,
    *,
    by: Membership,
    now: datetime,
    member_id: UUID,
    kind: str,
    amount_minor: int,
    on: date,
    note: str = "",
    key: str,
) -> DepositMove:
    """Take a deposit into the bank account, give it back from there, or set it off against the member's account.

    Refused beyond what is held. The same ``key`` again gives the move that is there; with other figures it is
    refused.
    """
    check_treasurer(by)
    member: Membership | None = Membership.objects.of(coop).select_related("person").filter(public_id=member_id).first()
    if member is None:
        raise NotFound(_("There is no such member here."))
    _check(coop, kind, amount_minor, on, now)
    if not key.strip():
        raise Malformed([_("Give the deposit a key (any unique text), so that it is recorded once.")])
    postings.lock_ledger(coop)
    posting_key = f"deposit:{key.strip()}"[:120]
    if (before := Posting.objects.of(coop).filter(key=posting_key).first()) is not None:
        return _the_same(before.deposit_move, member, kind, amount_minor, on)
    held = postings.deposit_account_of(member)
    if kind == DepositMove.Kind.TAKEN:
        lines = [(postings.own_account(coop, Account.Kind.BANK), amount_minor), (held, -amount_minor)]
    else:
        _check_held(member, amount_minor)
        other = (
            postings.own_account(coop, Account.Kind.BANK)
            if kind == DepositMove.Kind.GIVEN_BACK
            else postings.account_of(member)
        )
        lines = [(held, amount_minor), (other, -amount_minor)]
    text = str(_TEXTS[DepositMove.Kind(kind)]) % {"name": member.name}
    posting = postings.post(coop, key=posting_key, kind="deposit", text=text, lines=lines, by=by, now=now)
    made: DepositMove = DepositMove.objects.create(
        coop=coop,
        member=member,
        kind=kind,
        on=on,
        amount_minor=amount_minor,
        currency=coop.currency,
        note=" ".join(note.split())[:200],
        posting=posting,
        entered_by=by,
        entered_at=now,
    )
    return made


def _check(coop: Coop, kind: str, amount_minor: int, on: date, now: datetime) -> None:
    field, sentence = "", ""
    if kind not in DepositMove.Kind.values:
        field, sentence = "kind", _("Say what happens to the deposit: taken, given back or set off.")
    elif amount_minor <= 0:
        field, sentence = "amount", _("Give an amount above zero; the kind says which way it goes.")
    elif amount_minor > MOST_MINOR:
        field = "amount"
        sentence = _("This amount is too large to be right; check the digits and the decimal point.")
    elif on > now.astimezone(ZoneInfo(coop.time_zone)).date() or on.year < FIRST_YEAR:
        field, sentence = "on", _("Give the day on which the money moved, today or before.")
    if sentence:
        raise Malformed([sentence], fields={field: [sentence]})


def _check_held(member: Membership, amount_minor: int) -> None:
    held = held_for(member)
    if amount_minor > held:
        sentence = _("Only %(amount)s %(currency)s are held for %(name)s; give that or less.") % {
            "amount": money.format_plain(held, member.coop.currency),
            "currency": member.coop.currency,
            "name": member.name,
        }
        raise Refused(sentence, fields={"amount": [sentence]})


def _the_same(move: DepositMove, member: Membership, kind: str, amount_minor: int, on: date) -> DepositMove:
    if (move.member_id, move.kind, move.amount_minor, move.on) != (member.pk, kind, amount_minor, on):
        raise Refused(
            _("A deposit with this key is recorded already: %(amount)s %(currency)s. Take a new key for a new one.")
            % {"amount": money.format_plain(move.amount_minor, move.currency), "currency": move.currency}
        )
    return move
