"""The page of what a firing may cost: each member's forecast, and the same firing by two policies."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from django.db.models import Sum
from django.utils.translation import gettext as _

from billing import what_if
from billing.models import CostPool, Pool, Settlement
from billing.pools import FiringCosts, Outlay, Use
from billing.queries.costs import costs_of
from billing.what_if import Comparison, Fills, Range
from coop.errors import Malformed
from coop.models import Coop, Membership, Policy
from coop.policy import Terms
from firings.models import Firing, FiringZone
from firings.queries.hours import terms_of

PAST = 6  # firings of the kiln whose bills and fill are looked at
MOST_LITRES = 10_000
_FORECAST = [pool for pool in Pool.values if pool not in (Pool.RESERVE, Pool.BREAKAGE)]
_BEFORE_RECEIPTS = ("called", "booking", "allotted", "loading", "lit", "cooling", "unpacking", "cleanup")


@dataclass(frozen=True, slots=True)
class MemberForecast:
    """What one member may pay, and for how much space."""

    member: Membership
    space_ml: int
    amount: Range


@dataclass(frozen=True, slots=True)
class Outlook:
    """What each member may pay for the firing, own line first; ``past`` firings and the lead's estimate behind it."""

    rows: list[MemberForecast]
    mine: MemberForecast | None
    bills: list[tuple[str, Range]]
    fills: Fills
    past: int

    @property
    def percents(self) -> tuple[int, int, int]:
        return tuple(round(fill * 100) for fill in (self.fills.worst, self.fills.likely, self.fills.best))  # type: ignore[return-value]


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """What one member pays by either policy."""

    member: Membership
    before_minor: int
    after_minor: int

    @property
    def difference_minor(self) -> int:
        return self.after_minor - self.before_minor


@dataclass(frozen=True, slots=True)
class Compared:
    """The same firing by two terms, who gains most first; by its receipts, or while there are none by a forecast."""

    rows: list[ChangeRow]
    comparison: Comparison
    by_forecast: bool

    @property
    def fund_difference(self) -> int:
        return self.comparison.fund_after - self.comparison.fund_before

    @property
    def reserve_difference(self) -> int:
        return self.comparison.reserve_after - self.comparison.reserve_before


def outlook(firing: Firing, by: Membership, litres: int = 0) -> Outlook | None:
    """The forecast while a firing has not been settled; ``litres`` more for who looks. None without any bills.

    Raises Malformed for litres that make no sense.
    """
    if not 0 <= litres <= MOST_LITRES:
        sentence = _("Give litres as a whole number from 0 to %(most)d.") % {"most": MOST_LITRES}
        raise Malformed([sentence], fields={"litres": [sentence]})
    if firing.stage not in _BEFORE_RECEIPTS:
        return None
    costs = costs_of(firing)
    costs = replace(costs, use=_with_more(costs.use, str(by.public_id), litres))
    past = past_firings(firing)
    bills = likely_bills(firing, past)
    if not bills:
        return None
    fills = _fills(costs, past)
    found = what_if.forecast(costs, bills, fills)
    members = _members(firing.coop, list(found))
    rows = [
        MemberForecast(members[who], int(costs.use[who].space_ml), amount)
        for who, amount in found.items()
        if who in members and costs.use[who].space_ml
    ]
    rows.sort(key=lambda row: (row.member != by, row.member.name.casefold(), row.member.pk))
    names = dict(Pool.choices)
    return Outlook(
        rows=rows,
        mine=rows[0] if rows and rows[0].member == by else None,
        bills=[(str(names[pool]), bills[pool]) for pool in Pool.values if pool in bills],
        fills=fills,
        past=len(past),
    )


def compared(firing: Firing, before: Terms, after: Terms) -> Compared | None:
    """The firing's costs by two terms; None while there is nothing to share."""
    first, second = costs_of(firing, before), costs_of(firing, after)
    by_forecast = not first.outlays
    if by_forecast:
        bills = likely_bills(firing, past_firings(firing))
        outlays = tuple(Outlay(pool, pool, amount.likely, None) for pool, amount in bills.items())
        first, second = replace(first, outlays=outlays), replace(second, outlays=outlays)
    if not first.outlays or not first.use:
        return None
    found = what_if.compare(first, second)
    members = _members(firing.coop, [change.member for change in found.changes])
    rows = [ChangeRow(members[one.member], one.before, one.after) for one in found.changes if one.member in members]
    rows.sort(key=lambda row: (row.difference_minor, row.member.name.casefold(), row.member.pk))
    return Compared(rows, found, by_forecast)


def policies(coop: Coop) -> list[Policy]:
    """The versions of the policy, newest first."""
    return list(Policy.objects.of(coop).order_by("-version")[:50])


def terms_of_version(coop: Coop, version: str) -> Terms:
    """The terms of one version. Raises Malformed with the versions there are."""
    found = (
        Policy.objects.of(coop).filter(version=int(version)).first()
        if version.isascii() and version.isdecimal() and len(version) < 9
        else None
    )
    if found is None:
        newest = Policy.objects.of(coop).order_by("-version").values_list("version", flat=True).first() or 1
        sentence = _("There is no policy %(version)s; pick a version from 1 to %(newest)d.") % {
            "version": version[:20],
            "newest": newest,
        }
        raise Malformed([sentence])
    return Terms.from_json(found.terms)


def present_terms(firing: Firing) -> Terms:
    """The terms the firing is settled by as things stand."""
    return terms_of(firing)


def _with_more(use: Mapping[str, Use], who: str, litres: int) -> dict[str, Use]:
    if not litres:
        return dict(use)
    mine = use.get(who, Use(Fraction(0), Fraction(0), 0, 0))
    return {**use, who: replace(mine, space_ml=mine.space_ml + litres * 1000, pieces=mine.pieces + 1)}


def past_firings(firing: Firing) -> list[Firing]:
    """The last firings of the kiln whose cost shares are posted, newest first."""
    posted = Settlement.objects.of(firing.coop).filter(state=Settlement.State.POSTED, firing__kiln=firing.kiln_id)
    ids = posted.exclude(firing=firing).values("firing")
    return list(Firing.objects.of(firing.coop).filter(pk__in=ids, lit_at__isnull=False).order_by("-lights_at")[:PAST])


def likely_bills(firing: Firing, past: list[Firing]) -> dict[str, Range]:
    rows: dict[int, dict[str, int]] = {one.pk: {} for one in past}
    pools = CostPool.objects.of(firing.coop).filter(
        settlement__firing__in=past, settlement__state=Settlement.State.POSTED, pool__in=_FORECAST
    )
    for firing_pk, pool, bill in pools.values_list("settlement__firing", "pool", "bill_minor"):
        rows[firing_pk][pool] = bill
    bills = what_if.usual_bills(rows.values(), firing.cost_estimate_minor)
    if not firing.with_soda:
        bills.pop("soda", None)
    entered: defaultdict[str, int] = defaultdict(int)
    for receipt in firing.receipts.standing().filter(pool__in=_FORECAST):
        entered[receipt.pool] += receipt.amount_minor
    for pool, amount in entered.items():  # what is on receipts is the least it will be
        usual = bills.get(pool, Range(amount, amount, amount))
        bills[pool] = Range(max(usual.low, amount), max(usual.likely, amount), max(usual.high, amount))
    return bills


def _fills(costs: FiringCosts, past: list[Firing]) -> Fills:
    sums = FiringZone.objects.filter(firing__in=past).order_by().values("firing")
    rows = [
        Fraction(taken, capacity)
        for taken, capacity in sums.annotate(taken=Sum("taken_ml"), all=Sum("capacity_ml")).values_list("taken", "all")
        if capacity
    ]
    space = sum((use.space_ml for use in costs.use.values()), Fraction(0))
    present = space / costs.capacity_ml if costs.capacity_ml else Fraction(0)
    return what_if.usual_fills(rows, costs.terms.minimum_fill, present)


def _members(coop: Coop, ids: list[str]) -> dict[str, Membership]:
    rows = Membership.objects.of(coop).filter(public_id__in=[i for i in ids if not i.startswith(what_if.TO_COME)])
    return {str(row.public_id): row for row in rows.select_related("person")}
