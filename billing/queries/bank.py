"""The co-op's bank account, the payment slip of a statement, bank files and whose payments they hold."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from uuid import UUID

from django.db.models import QuerySet, Sum
from django.utils.translation import gettext as _

from billing import slips
from billing.bank_files.match import Member, match
from billing.bank_files.movements import Movement, keys
from billing.models import Account, BankAccount, BankFile, BankLine, BankProfile, Statement
from billing.references import rf_printed
from coop import money
from coop.errors import Malformed, NotFound
from coop.models import Coop, Membership

PAGE = 50
_AT_ONCE = 900  # names in one query, fewer than SQLite's least limit


@dataclass(frozen=True, slots=True)
class PayIn:
    """How to pay one statement: account, reference in fours, and the drawing of the code (empty where none is due)."""

    account: BankAccount
    iban: str
    reference: str
    amount_minor: int
    code: str


@dataclass(frozen=True, slots=True)
class Proposed:
    """A movement of a file: whose it is and why, or whether it is here already."""

    key: str
    movement: Movement
    member: Membership | None
    is_certain: bool
    reason: str
    is_known: bool


@dataclass(frozen=True, slots=True)
class Preview:
    """A file as the treasurer looks at it before taking it."""

    file: BankFile
    certain: list[Proposed]
    proposals: list[Proposed]
    waiting: list[Proposed]
    known: int
    remarks: list[str]

    @property
    def new(self) -> int:
        return len(self.certain) + len(self.proposals) + len(self.waiting)


def bank_account(coop: Coop) -> BankAccount | None:
    """The account members pay into, None while none is set."""
    found: BankAccount | None = BankAccount.objects.of(coop).select_related("set_by__person").first()
    return found


def pay_in(statement: Statement) -> PayIn | None:
    """How the balance of a statement is paid; None where nothing is to pay or no account is set.

    The code is drawn for co-ops that keep euro (EPC069-12 knows no other currency).
    """
    account = bank_account(statement.coop)
    amount = statement.balance_minor
    if account is None or amount <= 0:
        return None
    code = ""
    if statement.coop.currency == "EUR":
        slip = slips.Slip(account.holder, account.iban, amount, statement.reference, bic=account.bic)
        try:
            code = slips.picture(slip)
        except Malformed:  # an amount or account no slip has room for; number and reference still stand on the paper
            code = ""
    return PayIn(account, in_fours(account.iban), rf_printed(statement.reference), amount, code)


def in_fours(text: str) -> str:
    """An account number as it stands on paper."""
    return rf_printed(text)


def proposed(file: BankFile) -> list[Proposed]:
    """Every movement of a file in its order, matched with the members as they stand now."""
    rows = [Movement.from_json(said) for said in file.movements]
    names = keys(file.iban, rows)
    known = _known(file.coop, names)
    members = _members(file.coop)
    found = match(rows, [one for one, _ in members.values()])
    return [
        Proposed(key, row, members[one.member][1] if one.member else None, one.is_certain, one.reason, key in known)
        for key, row, one in zip(names, rows, found, strict=True)
    ]


def _known(coop: Coop, names: list[str]) -> set[str]:
    found: set[str] = set()
    for start in range(0, len(names), _AT_ONCE):
        part = names[start : start + _AT_ONCE]
        found.update(BankLine.objects.of(coop).filter(key__in=part).values_list("key", flat=True))
    return found


def _members(coop: Coop) -> dict[str, tuple[Member, Membership]]:
    """Everybody who may have paid, present or past, with references, open balance and the accounts they paid from."""
    references: defaultdict[int, list[str]] = defaultdict(list)
    for member, reference in Statement.objects.of(coop).values_list("member", "reference"):
        references[member].append(reference)
    ibans: defaultdict[int, set[str]] = defaultdict(set)
    paid = BankLine.objects.of(coop).filter(state=BankLine.State.PAYMENT, amount_minor__gt=0).exclude(iban="")
    for member, iban in paid.values_list("payment__member", "iban").distinct():
        ibans[member].add(iban)
    sums = Account.objects.of(coop).filter(kind=Account.Kind.MEMBER).annotate(sum=Sum("lines__amount_minor", default=0))
    balances = dict(sums.values_list("member", "sum"))
    rows = Membership.objects.of(coop).select_related("person")
    return {
        str(row.public_id): (
            Member(
                str(row.public_id),
                row.name,
                balances.get(row.pk, 0),
                tuple(references[row.pk]),
                tuple(sorted(ibans[row.pk])),
            ),
            row,
        )
        for row in rows
    }


def preview(coop: Coop, file_id: UUID) -> Preview:
    """A file read and not taken yet. Raises NotFound."""
    file = file_of(coop, file_id)
    rows = proposed(file) if file.state == BankFile.State.READ else []
    new = [row for row in rows if not row.is_known]
    return Preview(
        file=file,
        certain=[row for row in new if row.member and row.is_certain],
        proposals=[row for row in new if row.member and not row.is_certain],
        waiting=[row for row in new if not row.member],
        known=len(rows) - len(new),
        remarks=[*file.remarks, *_after_the_last(file)],
    )


def _after_the_last(file: BankFile) -> list[str]:
    """A sentence where the last file taken, of earlier days, did not close with what this one opens with."""
    last = (
        BankFile.objects.of(file.coop)
        .filter(state=BankFile.State.TAKEN, iban=file.iban, until_on__lt=file.from_on)
        .order_by("-until_on", "-pk")
        .first()
        if file.from_on
        else None
    )
    if last is None or last.closing_minor == file.opening_minor:
        return []
    text = _(
        "The last file taken closed on %(day)s with %(closed)s, this one opens with %(opens)s: "
        "movements in between are missing. You may take it and bring the missing file later."
    )
    return [
        text
        % {
            "day": last.until_on,
            "closed": money.format_plain(last.closing_minor, file.currency),
            "opens": money.format_plain(file.opening_minor, file.currency),
        }
    ]


def file_of(coop: Coop, file_id: UUID) -> BankFile:
    """One bank file. Raises NotFound."""
    found: BankFile | None = (
        BankFile.objects.of(coop)
        .select_related("coop", "read_by__person", "taken_by__person")
        .filter(public_id=file_id)
        .first()
    )
    if found is None:
        raise NotFound(_("There is no such file here."))
    return found


def files(coop: Coop) -> QuerySet[BankFile]:
    """Files read and taken, newest first; those left are not shown."""
    rows: QuerySet[BankFile] = (
        BankFile.objects.of(coop)
        .exclude(state=BankFile.State.LEFT)
        .select_related("read_by__person", "taken_by__person")
        .defer("movements")
        .order_by("-read_at", "-pk")
    )
    return rows


def profiles(coop: Coop) -> list[BankProfile]:
    """How the co-op's banks write their CSV, by name."""
    return list(BankProfile.objects.of(coop))


def profile_of(coop: Coop, profile_id: UUID) -> BankProfile:
    """One profile. Raises NotFound."""
    found: BankProfile | None = BankProfile.objects.of(coop).filter(public_id=profile_id).first()
    if found is None:
        raise NotFound(_("There is no such profile here."))
    return found


def lines(coop: Coop, *, state: str = "") -> QuerySet[BankLine]:
    """Movements on the account, newest first, with whose payment each is."""
    rows: QuerySet[BankLine] = (
        BankLine.objects.of(coop)
        .select_related("payment__member__person", "decided_by__person", "file")
        .defer("file__movements")
        .order_by("-on", "-pk")
    )
    return rows.filter(state=state) if state else rows


def line_of(coop: Coop, line_id: UUID) -> BankLine:
    """One movement. Raises NotFound."""
    found = lines(coop).filter(public_id=line_id).first()
    if found is None:
        raise NotFound(_("There is no such movement here."))
    return found
