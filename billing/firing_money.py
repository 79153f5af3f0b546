"""What a firing cost, for the pages and papers of the kiln work."""

from __future__ import annotations

from django.db.models import Sum
from django.utils.translation import gettext as _

from billing.models import CostPool, CostShare, Receipt, Settlement
from billing.queries.costs import STANDING
from firings.costs import FiringMoney, told_by
from firings.models import Firing


@told_by
def money_of(firing: Firing) -> FiringMoney | None:
    """From the settlement that stands; before one is drafted from the receipts so far."""
    standing = Settlement.objects.filter(coop=firing.coop_id, firing=firing, state__in=STANDING).first()
    if standing is None:
        return _from_receipts(firing)
    pools = [(str(pool), pool.bill_minor) for pool in CostPool.objects.filter(coop=firing.coop_id, settlement=standing)]
    shares = (
        CostShare.objects.filter(coop=firing.coop_id, settlement=standing)
        .order_by("member__person__name", "member")
        .values_list("member__person__name", "member")
        .annotate(sum=Sum("amount_minor"))
    )
    return FiringMoney(
        state=_("cost shares: %(state)s") % {"state": standing.get_state_display()},
        total_minor=sum(minor for _name, minor in pools),
        pools=tuple(pools),
        shares=tuple((name, minor) for name, _member, minor in shares),
    )


def _from_receipts(firing: Firing) -> FiringMoney | None:
    sums = dict(
        Receipt.objects.filter(coop=firing.coop_id, firing=firing)
        .standing()
        .order_by()
        .values_list("pool")
        .annotate(sum=Sum("amount_minor"))
    )
    if not sums:
        return None
    words = dict(Receipt._meta.get_field("pool").flatchoices)
    pools = tuple((str(words.get(pool, pool)), minor) for pool, minor in sorted(sums.items()))
    return FiringMoney(_("receipts so far"), sum(sums.values()), pools)
