"""Bank files: read and shown first, then taken as a whole; what nobody can place waits for a person."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from billing.access import check_treasurer
from billing.bank_files import by_profile, camt, movements
from billing.bank_files.movements import BankStatement, Movement
from billing.models import Account, BankAccount, BankFile, BankLine, BankProfile, Payment, Posting
from billing.queries.bank import Proposed, proposed
from billing.services import postings
from coop.errors import Malformed, NotFound, Refused, Taken
from coop.models import Coop, Membership
from coop.transactions import say, use_case

MOST_PROFILES = 50

say(
    bank_profile_named_once=gettext_lazy("There is a profile of this name already; take another name."),
    bank_profile_has_a_name=gettext_lazy("Give the profile a name, such as the bank's."),
    bank_file_taken_has_a_moment=gettext_lazy("A file taken says when; nothing was taken."),
    bank_line_kept_once=gettext_lazy(
        "Somebody took this movement at the same moment, so nothing was taken. Try again."
    ),
    bank_line_is_not_nothing=gettext_lazy("A movement of zero moves nothing; nothing was taken."),
    bank_line_is_placed_with_its_payment=gettext_lazy("A movement placed has its payment; load the page again."),
    bank_line_set_aside_says_why=gettext_lazy("Say why it is no member's payment."),
)


@dataclass(frozen=True, slots=True)
class TakenFile:
    """What taking a file added: new lines, payments posted among them, lines that wait; ``known`` were here."""

    file: BankFile
    new: int
    payments: int
    waiting: int
    known: int


# --- Profiles ---------------------------------------------------------------------------------


@use_case
def save_bank_profile(
    coop: Coop, *, by: Membership | None, now: datetime, name: str, rules: object, profile_id: UUID | None = None
) -> BankProfile:
    """Keep how a bank writes its CSV, new or in place of an older one. Raises Malformed by field."""
    check_treasurer(by)
    plain = movements.tidy(name, 61)
    if not plain or len(plain) > 60:
        sentence = _("Give the profile a name of up to 60 characters, such as the bank's.")
        raise Malformed([sentence], fields={"name": [sentence]})
    checked = by_profile.Profile.from_json(rules).to_json()
    others = BankProfile.objects.of(coop)
    if others.filter(name=plain).exclude(public_id=profile_id).exists():
        sentence = _("There is a profile of this name already; take another name.")
        raise Refused(sentence, fields={"name": [sentence]})
    values = {"name": plain, "rules": checked, "saved_by": by, "saved_at": now}
    if profile_id is not None:
        profile = _profile(coop, profile_id)
        others.filter(pk=profile.pk).update(**values)
        profile.refresh_from_db()
        return profile
    if others.count() >= MOST_PROFILES:
        raise Refused(_("There are %(most)d profiles; change one of them.") % {"most": MOST_PROFILES})
    made: BankProfile = others.create(coop=coop, **values)
    return made


# --- Read, taken, left ------------------------------------------------------------------------


@use_case
def read_bank_file(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    name: str,
    content: bytes,
    profile_id: UUID | None = None,
    opening_minor: int | None = None,
    closing_minor: int | None = None,
) -> BankFile:
    """Read a file and keep what it says for looking at; nothing is posted. camt.053 is told by its being XML.

    Malformed for a file that is cut off, of another account or currency, or whose opening balance and movements do
    not come to its closing balance; Refused while the co-op's account is not set.
    """
    check_treasurer(by)
    account = BankAccount.objects.of(coop).first()
    if account is None:
        raise Refused(_("Set the co-op's account first, so that a file of another account is not taken for its own."))
    statements, form = _read(coop, account, content, profile_id, opening_minor, closing_minor)
    today = now.astimezone(ZoneInfo(coop.time_zone)).date()
    movements.check(statements, iban=account.iban, currency=coop.currency, not_after=today)
    rows = [row for statement in statements for row in statement.movements]
    days = [row.on for row in rows]
    file: BankFile = BankFile.objects.create(
        coop=coop,
        name=movements.tidy(name, 120) or form,
        form=form,
        sha256=hashlib.sha256(content).hexdigest(),
        iban=account.iban,
        currency=coop.currency,
        opening_minor=statements[0].opening_minor,
        closing_minor=statements[-1].closing_minor,
        from_on=min(days, default=None),
        until_on=max(days, default=None),
        movements=[row.to_json() for row in rows],
        remarks=movements.follow(statements),
        read_by=by,
        read_at=now,
    )
    return file


def _read(
    coop: Coop,
    account: BankAccount,
    content: bytes,
    profile_id: UUID | None,
    opening_minor: int | None,
    closing_minor: int | None,
) -> tuple[list[BankStatement], str]:
    if camt.is_xml(content):
        return camt.read(content), "camt.053"
    if profile_id is None:
        movements.check_size(content)
        sentence = _("This is no camt.053 file. For a CSV, choose the profile of the bank, or save one first.")
        raise Malformed([sentence], fields={"profile": [sentence]})
    profile = _profile(coop, profile_id)
    statements = by_profile.read(
        content,
        by_profile.Profile.from_json(profile.rules),
        iban=account.iban,
        currency=coop.currency,
        opening_minor=opening_minor,
        closing_minor=closing_minor,
    )
    return statements, profile.name


@use_case
def take_bank_file(
    coop: Coop, *, by: Membership | None, now: datetime, file_id: UUID, accepted: Collection[str] = ()
) -> TakenFile:
    """Keep every movement that is new, and post what is a member's: those found by reference, and the proposals whose
    key is in ``accepted``. All others wait. All of it or nothing; a movement kept before is not added again."""
    check_treasurer(by)
    postings.lock_ledger(coop)
    file = _file(coop, file_id)
    if not BankFile.objects.filter(pk=file.pk, state=BankFile.State.READ).update(
        state=BankFile.State.TAKEN, taken_by=by, taken_at=now
    ):
        raise Taken(_("This file is %(state)s already.") % {"state": file.get_state_display()})
    rows = proposed(file)
    unknown = set(accepted) - {row.key for row in rows if row.member is not None}
    if unknown:
        raise Refused(_("What you ticked is not proposed any more; load the page again and look once more."))
    new = [row for row in rows if not row.is_known]
    placed = [row for row in new if row.member is not None and (row.is_certain or row.key in accepted)]
    payments = dict(zip([row.key for row in placed], _pay(coop, placed, by, now), strict=True))
    BankLine.objects.bulk_create(
        (_line(file, row, payments.get(row.key), by, now) for row in new),
        batch_size=500,
    )
    file.refresh_from_db(fields=["state", "taken_at"])
    return TakenFile(file, len(new), len(placed), len(new) - len(placed), len(rows) - len(new))


@use_case
def leave_bank_file(coop: Coop, *, by: Membership | None, now: datetime, file_id: UUID) -> None:
    """Leave a file that was read: nothing of it is kept but that it was read."""
    check_treasurer(by)
    file = _file(coop, file_id)
    if not BankFile.objects.filter(pk=file.pk, state=BankFile.State.READ).update(
        state=BankFile.State.LEFT, movements=[], remarks=[]
    ):
        raise Taken(_("This file is %(state)s already.") % {"state": file.get_state_display()})


def _pay(coop: Coop, rows: Sequence[Proposed], by: Membership | None, now: datetime) -> list[Payment]:
    """One payment with its posting a row."""
    bank = postings.own_account(coop, Account.Kind.BANK)
    accounts = {row.member.pk: row.member for row in rows if row.member is not None}
    opened = {pk: postings.account_of(member) for pk, member in accounts.items()}
    entries = []
    for row in rows:
        assert row.member is not None
        amount = row.movement.amount_minor
        text = _("Payment by %(name)s") if amount > 0 else _("Paid out to %(name)s")
        lines = [(bank, amount), (opened[row.member.pk], -amount)]
        entries.append((f"bank:{row.key}", text % {"name": row.member.name}, lines))
    made = postings.post_many(coop, kind="payment", entries=entries, by=by, now=now)
    return Payment.objects.bulk_create(
        (_payment(coop, row, posting, by, now) for row, posting in zip(rows, made, strict=True)), batch_size=500
    )


def _payment(coop: Coop, row: Proposed, posting: Posting, by: Membership | None, now: datetime) -> Payment:
    said: Movement = row.movement
    return Payment(
        coop=coop,
        member=row.member,
        on=said.on,
        amount_minor=said.amount_minor,
        currency=coop.currency,
        way=Payment.Way.BANK,
        reference=(said.reference or said.end_to_end)[:40],
        note=said.text[:200],
        posting=posting,
        entered_by=by,
        entered_at=now,
    )


def _line(file: BankFile, row: Proposed, payment: Payment | None, by: Membership | None, now: datetime) -> BankLine:
    said: Movement = row.movement
    return BankLine(
        coop=file.coop,
        file=file,
        key=row.key,
        on=said.on,
        amount_minor=said.amount_minor,
        currency=file.currency,
        name=said.name,
        iban=said.iban,
        reference=said.reference or said.end_to_end,
        text=said.text,
        state=BankLine.State.WAITING if payment is None else BankLine.State.PAYMENT,
        why=(said.note or row.reason)[:200],
        payment=payment,
        decided_by=None if payment is None else by,
        decided_at=None if payment is None else now,
    )


# --- Lines that wait --------------------------------------------------------------------------


@use_case
def place_bank_line(coop: Coop, *, by: Membership | None, now: datetime, line_id: UUID, member_id: UUID) -> Payment:
    """Say whose payment a waiting line is, and post it. Raises Taken when it was placed before."""
    check_treasurer(by)
    postings.lock_ledger(coop)
    line = _waiting(coop, line_id)
    member: Membership | None = Membership.objects.of(coop).select_related("person").filter(public_id=member_id).first()
    if member is None:
        raise NotFound(_("There is no such member here."))
    movement = Movement(line.on, line.amount_minor, line.name, line.iban, line.reference, text=line.text)
    (payment,) = _pay(coop, [Proposed(line.key, movement, member, False, "", False)], by, now)
    _decide(line, BankLine.State.PAYMENT, by, now, payment=payment)
    return payment


@use_case
def set_bank_line_aside(coop: Coop, *, by: Membership | None, now: datetime, line_id: UUID, why: str) -> BankLine:
    """Say why a waiting line is no member's payment (wood paid from the account, bank charges); nothing is posted."""
    check_treasurer(by)
    reason = movements.tidy(why, 201)
    if not reason or len(reason) > 200:
        sentence = _("Say in up to 200 characters why it is no member's payment.")
        raise Malformed([sentence], fields={"why": [sentence]})
    line = _waiting(coop, line_id)
    _decide(line, BankLine.State.ASIDE, by, now, why=reason)
    line.refresh_from_db()
    return line


def _decide(line: BankLine, state: str, by: Membership | None, now: datetime, **values: object) -> None:
    if not BankLine.objects.filter(pk=line.pk, state=BankLine.State.WAITING).update(
        state=state, decided_by=by, decided_at=now, **values
    ):
        raise Taken(_("Somebody was quicker; load the page again."))


def _waiting(coop: Coop, line_id: UUID) -> BankLine:
    line: BankLine | None = BankLine.objects.of(coop).filter(public_id=line_id).first()
    if line is None:
        raise NotFound(_("There is no such movement here."))
    if line.state != BankLine.State.WAITING:
        raise Taken(_("This movement was placed already: %(state)s.") % {"state": line.get_state_display()})
    return line


def _file(coop: Coop, file_id: UUID) -> BankFile:
    file: BankFile | None = BankFile.objects.of(coop).select_related("coop").filter(public_id=file_id).first()
    if file is None:
        raise NotFound(_("There is no such file here."))
    return file


def _profile(coop: Coop, profile_id: UUID) -> BankProfile:
    profile: BankProfile | None = BankProfile.objects.of(coop).filter(public_id=profile_id).first()
    if profile is None:
        raise NotFound(_("There is no such profile here."))
    return profile
