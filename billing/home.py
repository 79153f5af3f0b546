"""What money puts on the home page: my balance, cost shares open for questions, questions to answer."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db.models import Sum
from django.utils.translation import get_language

from billing.models import Line, Question, Settlement
from coop.home import part
from coop.models import Membership, Role
from coop.money import format_local

NEXT = 6


@part(60, "billing/home/_money.html")
def money(membership: Membership, now: datetime) -> dict[str, Any] | None:
    """What I have to pay or to receive, and cost shares I may still ask about."""
    lines = Line.objects.of(membership.coop).filter(account__member=membership)
    balance = lines.aggregate(sum=Sum("amount_minor"))["sum"] or 0
    open_for_questions = list(
        Settlement.objects.of(membership.coop)
        .filter(state=Settlement.State.QUESTIONS, shares__member=membership)
        .select_related("firing")
        .distinct()
        .order_by("questions_until")[:NEXT]
    )
    if not balance and not open_for_questions:
        return None
    amount = format_local(abs(balance), membership.coop.currency, get_language() or "en")
    return {
        "to_pay": amount if balance > 0 else "",
        "to_receive": amount if balance < 0 else "",
        "settlements": open_for_questions,
    }


@part(70, "billing/home/_questions.html")
def questions(membership: Membership, now: datetime) -> dict[str, Any] | None:
    """Questions about cost shares that wait for the treasurer's answer."""
    if not membership.holds(Role.Kind.TREASURER):
        return None
    waiting = list(
        Question.objects.of(membership.coop)
        .filter(answered_at=None, settlement__state=Settlement.State.QUESTIONS)
        .select_related("settlement__firing", "asked_by__person")
        .order_by("asked_at")[:NEXT]
    )
    return {"questions": waiting} if waiting else None
