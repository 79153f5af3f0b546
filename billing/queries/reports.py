"""The year as the ledger has it, and how long what members have to pay has been waiting."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

from django.db.models import Q, Sum
from django.utils.translation import gettext as _

from billing.models import Account, CostPool, Line, Pool, Settlement
from billing.queries.deposits import Held, held
from coop import money
from coop.models import Coop, Membership
from firings.tables import escape_cell

OWN = (Account.Kind.BANK, Account.Kind.FUND, Account.Kind.RESERVE)
AGES = (30, 60, 90)  # days; what is older stands in the last column


@dataclass(frozen=True, slots=True)
class PoolYear:
    """One pool of the cost shares posted in a year, minor units: its bills, and who bore them."""

    name: str
    bill_minor: int
    members_minor: int
    fund_minor: int


@dataclass(frozen=True, slots=True)
class Moved:
    """An account of the co-op over a year, minor units: where it stood, what went in and out, where it stands.

    Plus is the co-op's: for the fund and the reserve, whose ledger balances run the other way, signs are turned.
    """

    kind: str
    name: str
    before_minor: int
    in_minor: int
    out_minor: int

    @property
    def after_minor(self) -> int:
        return self.before_minor + self.in_minor - self.out_minor


@dataclass(frozen=True, slots=True)
class Standing:
    """What one member has to pay (plus) or to receive (minus) at the end of a year."""

    member: Membership
    minor: int

    @property
    def to_pay_minor(self) -> int:
        return max(self.minor, 0)

    @property
    def to_receive_minor(self) -> int:
        return max(-self.minor, 0)


@dataclass(frozen=True, slots=True)
class YearReport:
    """A co-op's year; ``off_minor`` is what the accounts together are from zero, 0 in a sound ledger."""

    year: int
    currency: str
    pools: list[PoolYear]
    accounts: list[Moved]
    standing: list[Standing]
    deposits: list[Held]
    postings: int
    off_minor: int
    head: str

    @property
    def to_pay_minor(self) -> int:
        return sum(row.minor for row in self.standing if row.minor > 0)

    @property
    def to_receive_minor(self) -> int:
        return -sum(row.minor for row in self.standing if row.minor < 0)

    @property
    def deposits_minor(self) -> int:
        return sum(row.minor for row in self.deposits)

    @property
    def bills_minor(self) -> int:
        return sum(row.bill_minor for row in self.pools)

    @property
    def members_minor(self) -> int:
        return sum(row.members_minor for row in self.pools)

    @property
    def fund_minor(self) -> int:
        return sum(row.fund_minor for row in self.pools)


def years(coop: Coop) -> list[int]:
    """The years in which something was posted, newest first."""
    days = Line.objects.of(coop).order_by().values_list("posting__on__year", flat=True).distinct()
    return sorted(days, reverse=True)


def year_report(coop: Coop, year: int) -> YearReport:
    """Income and spending by pool, the co-op's own accounts, who is to pay or to receive, deposits held.

    A posting counts in the year of its day. Cost shares that were reversed in the meantime are left out of the
    pools; in the accounts both postings stand.
    """
    first, last = date(year, 1, 1), date(year, 12, 31)
    lines = Line.objects.of(coop).order_by()
    until = lines.filter(posting__on__lte=last)
    postings = until.filter(posting__on__gte=first).values("posting").distinct().count()
    newest = until.order_by("-posting__number").values_list("posting__hash", flat=True).first()
    return YearReport(
        year=year,
        currency=coop.currency,
        pools=_pools(coop, first, last),
        accounts=[_moved(coop, kind, first, last) for kind in OWN],
        standing=_standing(coop, last),
        deposits=held(coop, until=last),
        postings=postings,
        off_minor=until.aggregate(sum=Sum("amount_minor", default=0))["sum"],
        head=newest or "",
    )


def _pools(coop: Coop, first: date, last: date) -> list[PoolYear]:
    rows = (
        CostPool.objects.of(coop)
        .filter(
            settlement__state=Settlement.State.POSTED,
            settlement__posting__on__gte=first,
            settlement__posting__on__lte=last,
        )
        .order_by()
        .values_list("pool")
        .annotate(bills=Sum("bill_minor"), fund=Sum("fund_minor"))
    )
    found = {pool: (bills, fund) for pool, bills, fund in rows}
    labels = dict(CostPool._meta.get_field("pool").flatchoices)
    order = [*Pool.values, *(pool for pool in found if pool not in Pool.values)]
    return [
        PoolYear(str(labels.get(pool, pool)), found[pool][0], found[pool][0] - found[pool][1], found[pool][1])
        for pool in order
        if pool in found
    ]


def _moved(coop: Coop, kind: Account.Kind, first: date, last: date) -> Moved:
    in_year = Q(posting__on__gte=first, posting__on__lte=last)
    sums = (
        Line.objects.of(coop)
        .filter(account__kind=kind)
        .aggregate(
            before=Sum("amount_minor", filter=Q(posting__on__lt=first), default=0),
            plus=Sum("amount_minor", filter=in_year & Q(amount_minor__gt=0), default=0),
            minus=Sum("amount_minor", filter=in_year & Q(amount_minor__lt=0), default=0),
        )
    )
    before, plus, minus = sums["before"], sums["plus"], -sums["minus"]
    if kind != Account.Kind.BANK:
        before, plus, minus = -before, minus, plus
    return Moved(str(kind.value), str(kind.label), before, plus, minus)


def _standing(coop: Coop, last: date) -> list[Standing]:
    rows = (
        Account.objects.of(coop)
        .filter(kind=Account.Kind.MEMBER)
        .annotate(balance=Sum("lines__amount_minor", filter=Q(lines__posting__on__lte=last), default=0))
        .exclude(balance=0)
        .select_related("member__person")
        .order_by("-balance", "member__person__name", "pk")
    )
    return [Standing(row.member, row.balance) for row in rows if row.member]


def year_rows(report: YearReport) -> Iterator[list[str]]:
    """The report for a spreadsheet: section, what, and amounts in columns of their own; formulas escaped."""

    def plain(minor: int) -> str:
        return money.format_plain(minor, report.currency)

    yield ["section", "name", "amount", "members", "fund", "before", "in", "out", "after", "currency"]
    for pool in report.pools:
        shared = [plain(pool.bill_minor), plain(pool.members_minor), plain(pool.fund_minor)]
        yield ["pool", escape_cell(pool.name), *shared, "", "", "", "", report.currency]
    for one in report.accounts:
        moved = [one.before_minor, one.in_minor, one.out_minor, one.after_minor]
        yield ["account", escape_cell(one.name), "", "", "", *map(plain, moved), report.currency]
    for row in report.standing:
        section = "to pay" if row.minor > 0 else "to receive"
        yield [section, escape_cell(row.member.name), plain(abs(row.minor)), *[""] * 6, report.currency]
    for deposit in report.deposits:
        yield ["deposit", escape_cell(deposit.member.name), plain(deposit.minor), *[""] * 6, report.currency]


# --- Ageing -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Aged:
    """What one member has to pay, minor units, by how long it has been waiting: one figure for each of AGES, and
    what is older."""

    member: Membership
    parts: tuple[int, ...]
    oldest: date

    @property
    def minor(self) -> int:
        return sum(self.parts)


def ageing(coop: Coop, today: date) -> list[Aged]:
    """Everybody who has to pay, the longest waiting first.

    Whatever came in pays the oldest charge first. A posting that was reversed and its reversal cancel each other
    and pay nothing else.
    """
    rows = (
        Line.objects.of(coop)
        .filter(account__kind=Account.Kind.MEMBER, posting__reverses=None, posting__reversed_by=None)
        .order_by("posting__number", "pk")
        .values_list("account__member", "posting__on", "amount_minor")
    )
    of_member: defaultdict[int, list[tuple[date, int]]] = defaultdict(list)
    for member, on, amount in rows:
        of_member[member].append((on, amount))
    waiting = {member: left for member, lines in of_member.items() if (left := still_open(lines))}
    members = Membership.objects.of(coop).select_related("person").in_bulk(waiting)
    aged = [
        Aged(members[member], _by_age(left, today), min(on for on, _amount in left)) for member, left in waiting.items()
    ]
    return sorted(aged, key=lambda row: (row.oldest, row.member.name))


def still_open(lines: Iterable[tuple[date, int]]) -> list[tuple[date, int]]:
    """The charges (plus) that payments (minus) have not met, each with its day; payments meet the oldest first."""
    lines = list(lines)
    paid = -sum(amount for _on, amount in lines if amount < 0)
    left = []
    for on, amount in sorted(line for line in lines if line[1] > 0):
        met = min(paid, amount)
        paid -= met
        if amount > met:
            left.append((on, amount - met))
    return left


def _by_age(left: Iterable[tuple[date, int]], today: date) -> tuple[int, ...]:
    parts = [0] * (len(AGES) + 1)
    for on, amount in left:
        parts[sum(today - on > timedelta(days=most) for most in AGES)] += amount
    return tuple(parts)


def age_names() -> list[str]:
    """The heads of the columns that ``Aged.parts`` fills."""
    names = [_("up to %(days)d days") % {"days": AGES[0]}]
    for low, high in pairwise(AGES):
        names.append(_("%(low)d to %(high)d days") % {"low": low + 1, "high": high})
    return [*names, _("more than %(days)d days") % {"days": AGES[-1]}]
