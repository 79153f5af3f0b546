"""The one place where the ledger grows: a balanced posting, numbered without gaps, hung on the one before it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from django.db import connection
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from billing import ledger
from billing.models import Account, Line, Posting
from billing.queries.ledger import entry_of
from coop.models import Coop, Membership
from coop.transactions import say

_LEDGER_LOCK = 4711  # any number; one name space of advisory locks for all ledgers

say(
    posting_numbered_once=gettext_lazy("Somebody posted at the same moment, so nothing was posted. Try again."),
    posted_once_per_key=gettext_lazy("This is in the ledger already; it was not posted a second time."),
    posting_has_a_key=gettext_lazy("A posting needs a key, so that it is posted once; nothing was posted."),
    posting_hangs_on_the_last=gettext_lazy("Somebody posted at the same moment, so nothing was posted. Try again."),
    posting_in_coop_currency=gettext_lazy("A posting is in the co-op's own currency; nothing was posted."),
    currency_stays_once_posted=gettext_lazy("The ledger has postings in this currency, so the co-op keeps it."),
    reverses_no_reversal=gettext_lazy("Only a posting that is no reversal itself can be reversed; make a new posting."),
    reversal_undoes_its_target=gettext_lazy("A reversal undoes every line of its posting; nothing was posted."),
    line_stays_in_its_coop=gettext_lazy("A line belongs to the co-op of its posting; nothing was posted."),
    line_is_whole=gettext_lazy("An amount is a whole number of the smallest coin; nothing was posted."),
    line_is_within_reason=gettext_lazy("An amount is too large to be right; nothing was posted."),
    frozen=gettext_lazy("What was recorded stays as it is; enter what is right as something new."),
    settled_shares_stay=gettext_lazy("Cost shares that were posted are never changed; reverse them instead."),
    posting_has_two_lines_or_more=gettext_lazy("A posting needs two lines or more; nothing was posted."),
    line_is_not_nothing=gettext_lazy("A line of zero says nothing; leave it out. Nothing was posted."),
    posting_balances=gettext_lazy("The lines of a posting must add up to zero; nothing was posted."),
    append_only=gettext_lazy("What is in the ledger is never changed; reverse it instead."),
    account_code_used_once=gettext_lazy("Somebody opened this account at the same moment. Try again."),
    member_account_has_a_member=gettext_lazy("A member's account needs its member, and no other account has one."),
)


def lock_ledger(coop: Coop) -> None:
    """Wait until nobody else posts in this co-op; held to the end of the use case. SQLite has one writer anyway."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(%s, %s)", [_LEDGER_LOCK, coop.pk % 2**31])


def account_of(member: Membership) -> Account:
    """The member's account, opened when first needed."""
    found: Account = Account.objects.get_or_create(
        coop_id=member.coop_id,
        code=f"member:{member.public_id}",
        defaults={"name": member.name, "kind": Account.Kind.MEMBER, "member": member},
    )[0]
    return found


def deposit_account_of(member: Membership) -> Account:
    """Where the member's deposit is held, opened when first needed."""
    found: Account = Account.objects.get_or_create(
        coop_id=member.coop_id,
        code=f"deposit:{member.public_id}",
        defaults={"name": _("deposit of %(name)s") % {"name": member.name}, "kind": Account.Kind.DEPOSIT}
        | {"depositor": member},
    )[0]
    return found


def own_account(coop: Coop, kind: Account.Kind) -> Account:
    """The co-op's own account of this kind: bank, fund or reserve."""
    found: Account = Account.objects.get_or_create(
        coop=coop, code=str(kind.value), defaults={"name": str(kind.label), "kind": kind}
    )[0]
    return found


def post(
    coop: Coop,
    *,
    key: str,
    kind: str,
    text: str,
    lines: Sequence[tuple[Account, int]],
    by: Membership | None,
    now: datetime,
    reverses: Posting | None = None,
) -> Posting:
    """One balanced posting, inside a use case that holds ``lock_ledger``. Raises Unbalanced, or Taken for a key
    that was posted before."""
    return _append(coop, _last(coop), key=key, kind=kind, text=text, lines=lines, by=by, now=now, reverses=reverses)


def post_many(
    coop: Coop,
    *,
    kind: str,
    entries: Sequence[tuple[str, str, Sequence[tuple[Account, int]]]],
    by: Membership | None,
    now: datetime,
) -> list[Posting]:
    """Many balanced postings in a row, each a key, a text and its lines; as ``post``, in two queries each."""
    made: list[Posting] = []
    last = _last(coop)
    for key, text, lines in entries:
        last = _append(coop, last, key=key, kind=kind, text=text, lines=lines, by=by, now=now)
        made.append(last)
    return made


def _last(coop: Coop) -> Posting | None:
    last: Posting | None = Posting.objects.of(coop).order_by("-number").first()
    return last


def _append(
    coop: Coop,
    last: Posting | None,
    *,
    key: str,
    kind: str,
    text: str,
    lines: Sequence[tuple[Account, int]],
    by: Membership | None,
    now: datetime,
    reverses: Posting | None = None,
) -> Posting:
    """The posting behind ``last``, then its lines: on SQLite the walls look at each posting as the next one comes."""
    on = now.astimezone(ZoneInfo(coop.time_zone)).date()
    entry = ledger.sealed(
        ledger.Entry(
            coop=str(coop.public_id),
            seq=last.number + 1 if last else 1,
            key=key[:120],
            at=now,
            memo=text[:200],
            lines=tuple(ledger.EntryLine(account.code, coop.currency, amount) for account, amount in lines),
            reverses=reverses.number if reverses else None,
            kind=kind,
            on=on,
            by=str(by.public_id) if by else "",
        ),
        last.hash if last else ledger.GENESIS,
    )
    made: Posting = Posting.objects.create(
        coop=coop,
        number=entry.seq,
        key=entry.key,
        kind=entry.kind,
        on=on,
        at=now,
        by=by,
        text=entry.memo,
        currency=coop.currency,
        line_count=len(lines),
        reverses=reverses,
        previous_hash=entry.previous_hash,
        hash=entry.hash,
        seal=entry.seal,
    )
    Line.objects.bulk_create(
        Line(coop=coop, posting=made, account=account, amount_minor=amount) for account, amount in lines
    )
    return made


def post_reversal(target: Posting, *, text: str, by: Membership | None, now: datetime) -> Posting:
    """The posting that undoes another, line by line. Raises CannotReverse for what was reversed before."""
    target_entry = entry_of(target)
    reversed_before = Posting.objects.of(target.coop).filter(reverses=target).exists()
    undone = ledger.reversal_of(
        target_entry,
        seq=target.number + 1,
        key=f"reversal:{target.key}",
        at=now,
        memo=text,
        reversed_before=reversed_before,
    )
    return post(
        target.coop,
        key=undone.key,
        kind="reversal",
        text=undone.memo,
        lines=[(line.account, -line.amount_minor) for line in target.lines.select_related("account")],
        by=by,
        now=now,
        reverses=target,
    )
