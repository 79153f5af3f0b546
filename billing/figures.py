"""What an export of a co-op says of its ledger, compared again after the import."""

from __future__ import annotations

from django.db.models import Sum

from billing.models import Line, Posting
from coop import exports
from coop.models import Coop


def _last_hash(coop: Coop) -> str:
    return Posting.objects.of(coop).order_by("-number").values_list("hash", flat=True).first() or ""


def _to_pay(coop: Coop) -> int:
    """What all members together have still to pay, in minor units."""
    balances = (
        Line.objects.of(coop)
        .filter(account__member__isnull=False)
        .values("account__member")
        .annotate(sum=Sum("amount_minor"))
        .values_list("sum", flat=True)
    )
    return sum(one for one in balances if one > 0)


exports.figure("last hash of the ledger", _last_hash)
exports.figure("to pay by all members", _to_pay)
