"""What members have to pay or to receive, their payments and statements, and the fewest payments to settle all."""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

from django.db.models import QuerySet, Sum
from django.utils.translation import gettext as _

from billing import settlement
from billing.access import check_sees_money_of
from billing.models import Account, Payment, Settlement, Statement
from billing.queries.ledger import balance_of
from billing.queries.settlements import SharesTable, shares_table
from coop import money
from coop.errors import NotFound
from coop.models import Coop, Membership
from firings.models import Firing

PAGE = 50


@dataclass(frozen=True, slots=True)
class Balance:
    """A member's balance in minor units: plus is to pay, minus is to receive."""

    member: Membership
    minor: int
    currency: str

    @property
    def words(self) -> str:
        return balance_words(self.minor, self.currency)


@dataclass(frozen=True, slots=True)
class Suggestion:
    """One payment that would settle balances between members without the co-op's account."""

    payer: Membership
    payee: Membership
    amount_minor: int


@dataclass(frozen=True, slots=True)
class Suggestions:
    """The payments, and how few could be enough; none while the balances do not cancel out."""

    payments: list[Suggestion]
    at_least: int
    left_over_minor: int


@dataclass(frozen=True, slots=True)
class MyMoney:
    """What one member sees of their own money."""

    member: Membership
    balance: Balance
    shares: list[SharesTable]
    statements: list[Statement]
    payments: list[Payment]


def balance_words(minor: int, currency: str) -> str:
    """``12.30 EUR to pay``, ``4.00 EUR to receive`` or ``nothing to pay``."""
    if not minor:
        return _("nothing to pay")
    amount = money.format_plain(abs(minor), currency)
    text = _("%(amount)s %(currency)s to pay") if minor > 0 else _("%(amount)s %(currency)s to receive")
    return text % {"amount": amount, "currency": currency}


def balances(coop: Coop, *, after: str = "") -> list[Balance]:
    """Every member with an open balance, the most to pay first."""
    rows = (
        Account.objects.of(coop)
        .filter(kind=Account.Kind.MEMBER)
        .annotate(balance=Sum("lines__amount_minor", default=0))
        .exclude(balance=0)
        .select_related("member__person")
        .order_by("-balance", "member__person__name", "pk")
    )
    return [Balance(row.member, row.balance, coop.currency) for row in rows]


def suggestions(open_balances: list[Balance], *, seconds: float = 1.0) -> Suggestions:
    """The fewest payments between members that clear their balances; what does not cancel out stays with the co-op.

    Members to receive are served smallest first, so that whoever the co-op still owes is one person.
    """
    left = sum(balance.minor for balance in open_balances)
    plan_for = {str(balance.member.pk): -balance.minor for balance in open_balances}
    _take_out(plan_for, left)
    plan = settlement.plan({who: amount for who, amount in plan_for.items() if amount}, seconds=seconds)
    members = {str(balance.member.pk): balance.member for balance in open_balances}
    return Suggestions(
        [Suggestion(members[one.payer], members[one.payee], one.amount) for one in plan.payments],
        plan.at_least,
        left,
    )


def _take_out(plan_for: dict[str, int], left: int) -> None:
    """Leave with the co-op what the members together owe it (or it them), from the largest balances."""
    for who in sorted(plan_for, key=lambda name: (plan_for[name] * (1 if left > 0 else -1), name)):
        if not left:
            return
        amount = plan_for[who]
        moved = min(left, -amount) if left > 0 else max(left, -amount)
        if moved * left > 0:
            plan_for[who] += moved
            left -= moved


def member_of(coop: Coop, member_id: UUID) -> Membership:
    """A member, present or past. Raises NotFound."""
    found: Membership | None = Membership.objects.of(coop).with_roles().filter(public_id=member_id).first()
    if found is None:
        raise NotFound(_("There is no such member here."))
    return found


def my_money(coop: Coop, member: Membership, by: Membership) -> MyMoney:
    """One member's shares with their working, statements, payments and balance; for them and the treasurer."""
    check_sees_money_of(by, member)
    shown = (Settlement.State.QUESTIONS, Settlement.State.POSTED)
    rows = (
        Settlement.objects.of(coop)
        .filter(state__in=shown, shares__member=member)
        .select_related("firing", "coop")
        .prefetch_related("pools")
        .distinct()
        .order_by("-drafted_at")[:12]
    )
    return MyMoney(
        member=member,
        balance=Balance(member, balance_of(member), coop.currency),
        shares=[shares_table(row, only=member) for row in rows],
        statements=list(statements(coop).filter(member=member)[:PAGE]),
        payments=list(payments(coop).filter(member=member)[:PAGE]),
    )


def statements(coop: Coop) -> QuerySet[Statement]:
    """Statements, newest first, with what a list shows."""
    rows: QuerySet[Statement] = (
        Statement.objects.of(coop)
        .select_related("member__person", "settlement__firing", "document__computation")
        .defer("document__content", "settlement__request", "settlement__answer")
        .order_by("-number")
    )
    return rows


def statement_of(coop: Coop, statement_id: UUID, by: Membership) -> Statement:
    """One statement, if it is one's own or one is the treasurer. Raises NotFound or NotAllowed."""
    found = statements(coop).filter(public_id=statement_id).first()
    if found is None:
        raise NotFound(_("There is no such statement here."))
    check_sees_money_of(by, found.member)
    return found


def payments(coop: Coop) -> QuerySet[Payment]:
    """Payments, newest first, with what a list shows."""
    rows: QuerySet[Payment] = (
        Payment.objects.of(coop)
        .select_related("member__person", "posting", "entered_by__person")
        .order_by("-on", "-pk")
    )
    return rows


def settling(coop: Coop) -> list[Firing]:
    """Firings whose costs wait to be settled, longest first, for the treasurer's overview."""
    return list(
        Firing.objects.of(coop)
        .filter(stage=Firing.Stage.SETTLING)
        .select_related("kiln", "lead__person")
        .order_by("cleaned_at", "lights_at")[:PAGE]
    )
