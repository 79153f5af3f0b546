"""Deposits the co-op holds, by member, and how they came about."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from django.db.models import Q, QuerySet, Sum

from billing.models import Account, DepositMove, Line
from coop.models import Coop, Membership


@dataclass(frozen=True, slots=True)
class Held:
    """What is held for one member, in minor units."""

    member: Membership
    minor: int


def held_for(member: Membership) -> int:
    """What the co-op holds for a member in minor units, never below zero."""
    lines = Line.objects.filter(coop=member.coop_id, account__depositor=member)
    return -int(lines.aggregate(sum=Sum("amount_minor", default=0))["sum"])


def held(coop: Coop, *, until: date | None = None) -> list[Held]:
    """Everybody the co-op holds a deposit for (at the end of a day), by name."""
    counted = Q() if until is None else Q(lines__posting__on__lte=until)
    rows = (
        Account.objects.of(coop)
        .filter(kind=Account.Kind.DEPOSIT)
        .annotate(balance=Sum("lines__amount_minor", filter=counted, default=0))
        .exclude(balance=0)
        .select_related("depositor__person")
        .order_by("depositor__person__name", "pk")
    )
    return [Held(row.depositor, -row.balance) for row in rows]


def moves(coop: Coop) -> QuerySet[DepositMove]:
    """Deposits taken, given back and set off, newest first."""
    rows: QuerySet[DepositMove] = (
        DepositMove.objects.of(coop).select_related("member__person", "posting").order_by("-on", "-pk")
    )
    return rows
