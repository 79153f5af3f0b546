"""The ledger as pages and checks read it: accounts with balances, postings with their lines, the chain."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db.models import Count, QuerySet, Sum
from django.utils.translation import gettext as _

from billing.ledger import Entry, EntryLine
from billing.models import Account, Line, Posting
from coop import money
from coop.errors import NotFound
from coop.models import Coop, Membership
from firings.tables import escape_cell

PAGE = 50


@dataclass(frozen=True, slots=True)
class PostingPage:
    """At most PAGE postings, newest first; ``older`` is the number to go on below, None at the end."""

    postings: list[Posting]
    older: int | None


@dataclass(frozen=True, slots=True)
class AccountBalance:
    """An account, the sum of its lines in minor units, and how many there are."""

    account: Account
    balance_minor: int
    lines: int


def postings_page(coop: Coop, *, below: int | None = None, limit: int = PAGE) -> PostingPage:
    """The newest postings (with a number under ``below``), their lines fetched with them."""
    rows = _with_lines(coop)
    if below is not None:
        rows = rows.filter(number__lt=below)
    found = list(rows[: limit + 1])
    return PostingPage(found[:limit], found[limit - 1].number if len(found) > limit else None)


def posting(coop: Coop, posting_id: UUID) -> Posting:
    """One posting with its lines. Raises NotFound."""
    found: Posting | None = _with_lines(coop).filter(public_id=posting_id).first()
    if found is None:
        raise NotFound(_("There is no such posting here."))
    return found


def _with_lines(coop: Coop) -> QuerySet[Any]:
    return (
        Posting.objects.of(coop)
        .select_related("by__person", "reverses", "reversed_by")
        .prefetch_related("lines__account")
        .order_by("-number")
    )


def accounts(coop: Coop) -> list[AccountBalance]:
    """Every account with its balance, the co-op's own first."""
    rows = Account.objects.of(coop).annotate(balance=Sum("lines__amount_minor", default=0), count=Count("lines"))
    found = [AccountBalance(row, row.balance, row.count) for row in rows]
    return sorted(found, key=lambda one: (one.account.kind == Account.Kind.MEMBER, one.account.name, one.account.code))


def balance_of(member: Membership) -> int:
    """A member's balance in minor units: plus is to pay, minus is to receive."""
    lines = Line.objects.filter(coop=member.coop_id, account__member=member)
    return int(lines.aggregate(sum=Sum("amount_minor", default=0))["sum"])


def entry_of(row: Posting) -> Entry:
    """The posting as the ledger's core knows it: what its hash is taken over."""
    return Entry(
        coop=str(row.coop.public_id),
        seq=row.number,
        key=row.key,
        at=row.at,
        memo=row.text,
        lines=tuple(EntryLine(_code(line), row.currency, line.amount_minor) for line in row.lines.all()),
        reverses=None if row.reverses is None else row.reverses.number,
        previous_hash=row.previous_hash,
        hash=row.hash,
        kind=row.kind,
        on=row.on,
        by="" if row.by is None else str(row.by.public_id),
        seal=row.seal,
    )


def _code(line: Line) -> str:
    """The code of a line's account; one that is hidden or gone has none, so that the line's hash differs."""
    try:
        return line.account.code
    except Account.DoesNotExist:
        return f"missing account {line.account_id}"


def head_hash(coop: Coop) -> str:
    """The hash of the newest posting: whoever has it on paper can see whether anything before it was changed."""
    return Posting.objects.of(coop).order_by("-number").values_list("hash", flat=True).first() or ""


CSV_HEADER = ("posting", "date", "at", "kind", "text", "account", "account_name", "amount", "currency", "by", "hash")


def csv_rows(coop: Coop) -> Iterator[list[str]]:
    """The whole ledger for a spreadsheet, one row a line, oldest first; what could run as a formula is escaped."""
    rows = (
        Line.objects.of(coop)
        .select_related("posting__by__person", "account")
        .order_by("posting__number", "pk")
        .iterator(chunk_size=1000)
    )
    yield list(CSV_HEADER)
    for line in rows:
        made = line.posting
        texts = [made.kind, made.text, line.account.code, line.account.name]
        yield [
            str(made.number),
            made.on.isoformat(),
            made.at.isoformat(),
            *(escape_cell(text) for text in texts),
            money.format_plain(line.amount_minor, made.currency),
            made.currency,
            escape_cell(made.by.name) if made.by else "",
            made.hash,
        ]


JOURNAL_HEAD = """\
# Double-entry journal of {coop}, in {currency}.
# One block a posting, oldest first, a blank line after each. Every line of a block is "Name: value"; days and moments
# are written as in RFC 3339. A "Line" is an amount, an account and what it is called: debits plus, credits minus.
# The lines of a block add up to zero.
"""


def journal(coop: Coop) -> Iterator[str]:
    """The whole ledger as plain text, oldest first, a block for each posting; JOURNAL_HEAD says how it is written."""
    yield JOURNAL_HEAD.format(coop=_one_line(coop.name), currency=coop.currency)
    rows = (
        Posting.objects.of(coop)
        .select_related("by__person", "reverses")
        .prefetch_related("lines__account")
        .order_by("number")
        .iterator(chunk_size=500)
    )
    for row in rows:
        said = [("Posting", str(row.number)), ("Day", row.on.isoformat()), ("Moment", row.at.isoformat())]
        said += [("Kind", row.kind), ("Text", row.text)]
        if row.by is not None:
            said.append(("By", row.by.name))
        if row.reverses is not None:
            said.append(("Reverses", str(row.reverses.number)))
        for line in row.lines.all():
            amount = money.format_plain(line.amount_minor, row.currency)
            said.append(("Line", f"{amount} {row.currency} {line.account.code} {line.account.name}"))
        said.append(("Hash", row.hash))
        yield "\n" + "".join(f"{name}: {_one_line(value)}\n" for name, value in said)


def _one_line(text: str) -> str:
    """Names and texts as people typed them, without what would begin a line of its own."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
