"""Go or no-go for the lead, and the kiln reserve for the treasurer, from bookings, places, wood and the ledger."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from fractions import Fraction
from statistics import fmean, pstdev
from uuid import UUID

from django.db.models import F, Sum

from billing import chances, what_if
from billing.access import check_treasurer
from billing.chances import Booked, Rebuild
from billing.models import Account, Line
from billing.queries import what_if as forecasts
from billing.queries.costs import costs_of
from billing.what_if import Range
from coop.models import Coop, Membership, Policy
from coop.policy import Terms
from firings.access import check_leads
from firings.fire.wood import WoodPlan
from firings.models import Firing, FiringZone, Piece, Watch
from firings.queries.firings import firing_of
from firings.queries.wood import plan_of

FILLS = (30, 40, 50, 60, 70, 80, 90, 100)
LEVELS = (50, 80, 90, 95)
PAST = 12


@dataclass(frozen=True, slots=True)
class FillRow:
    """A fill in percent, how likely at least that much is brought, and what a litre then costs."""

    percent: int
    chance: float
    price: Range | None

    @property
    def chance_percent(self) -> int:
        return round(self.chance * 100)


@dataclass(frozen=True, slots=True)
class GoOrNot:
    """Whether fill, crew and wood will be enough, each as a chance from 0 to 1, independent of each other."""

    firing: Firing
    least_percent: int
    booked_ml: int
    capacity_ml: int
    fill: float
    crew: float
    wood: float
    open_places: int
    places: int
    wood_plan: WoodPlan
    past_pots: int
    rows: list[FillRow]
    chances: list[float]

    @property
    def all(self) -> float:
        return self.fill * self.crew * self.wood

    @property
    def weakest(self) -> str:
        return min((self.fill, "fill"), (self.crew, "crew"), (self.wood, "wood"))[1]

    @property
    def parts(self) -> dict[str, int]:
        """The chances in percent, by name."""
        return {name: round(getattr(self, name) * 100) for name in ("fill", "crew", "wood", "all")}


def go_or_not(coop: Coop, firing_id: UUID, by: Membership) -> GoOrNot:
    """For the lead, the deputy and the coordinator; others are refused."""
    firing = firing_of(coop, firing_id)
    check_leads(by, firing)
    costs = costs_of(firing)
    history = _history(coop, firing)
    booked: Counter[int] = Counter()
    pots: Counter[int] = Counter()
    for member, ml, count in (
        Piece.objects.of(coop).filter(booking__firing=firing).held().values_list("booking__member", "asked_ml", "count")
    ):
        booked[member] += ml
        pots[member] += count
    capacity = FiringZone.objects.of(coop).filter(firing=firing).aggregate(all=Sum("capacity_ml"))["all"] or 0
    rows = [Booked(booked[who] / 1000, pots[who], *history.get(who, (0, 0))) for who in sorted(booked)]
    found = chances.fill_chances(rows, capacity / 1000) if capacity else [1.0] + [0.0] * chances.GRID
    bills = forecasts.likely_bills(firing, forecasts.past_firings(firing))
    least = costs.terms.minimum_fill
    watches = list(Watch.objects.filter(coop=coop, firing=firing).standing())
    open_places = sum(watch.short_of for watch in watches)
    plan = plan_of(firing)
    return GoOrNot(
        firing=firing,
        least_percent=round(least * 100),
        booked_ml=sum(booked.values()),
        capacity_ml=capacity,
        fill=chances.at_least(found, float(least)),
        crew=chances.crew_chance(open_places, *_places(coop, firing)),
        wood=chances.wood_chance(plan.ready_kg, plan.need_kg, plan.need_low_kg, plan.need_high_kg),
        open_places=open_places,
        places=sum(watch.people for watch in watches),
        wood_plan=plan,
        past_pots=sum(many for many, _brought in history.values()),
        rows=[
            FillRow(
                percent,
                chances.at_least(found, percent / 100),
                what_if.price_per_litre(costs, bills, Fraction(percent, 100)) if bills and capacity else None,
            )
            for percent in FILLS
        ],
        chances=found,
    )


def _history(coop: Coop, firing: Firing) -> dict[int, tuple[int, int]]:
    """Pots booked and brought in lit firings before, by member, as far as somebody counted them in."""
    rows = Piece.objects.of(coop).held().filter(booking__firing__lit_at__isnull=False, brought__isnull=False)
    sums = rows.exclude(booking__firing=firing).order_by().values("booking__member")
    found = sums.annotate(booked=Sum("count"), came=Sum("brought"))
    return {row["booking__member"]: (row["booked"], row["came"]) for row in found}


def _places(coop: Coop, firing: Firing) -> tuple[int, int]:
    """Places on watches of lit firings before: how many were filled, how many stayed open."""
    watches = Watch.objects.filter(coop=coop, firing__lit_at__isnull=False).standing().exclude(firing=firing)
    filled = left = 0
    for watch in watches.order_by("-starts_at")[:500]:
        filled, left = filled + watch.people - watch.short_of, left + watch.short_of
    return filled, left


# --- The reserve ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ReserveFacts:
    """What the books know: the fund, today's levy (minor units a litre), litres of past firings."""

    fund_minor: int
    levy_minor: int
    firings: int
    litres: float
    litres_margin: float


@dataclass(frozen=True, slots=True)
class ReservePlan:
    """What today's levy reaches, and what levy reaches which chance (percent)."""

    plan: Rebuild
    chance: float
    levies: list[tuple[int, float | None]]
    now: list[chances.Path]
    needed: list[chances.Path]

    @property
    def chance_percent(self) -> int:
        return round(self.chance * 100)


def reserve_facts(coop: Coop, by: Membership) -> ReserveFacts:
    """For the treasurer; others are refused."""
    check_treasurer(by)
    lines = Line.objects.of(coop).filter(account__kind=Account.Kind.RESERVE)
    policy = Policy.objects.of(coop).order_by("-version").first()
    terms = Terms.from_json(policy.terms) if policy else Terms()
    past = (
        FiringZone.objects.of(coop)
        .filter(firing__lit_at__isnull=False)
        .values("firing")
        .annotate(taken=Sum("taken_ml"), at=F("firing__lights_at"))
        .order_by("-at")[:PAST]
    )
    litres = [row["taken"] / 1000 for row in past if row["taken"]]
    return ReserveFacts(
        fund_minor=-int(lines.aggregate(sum=Sum("amount_minor", default=0))["sum"]),
        levy_minor=terms.levy_minor_per_litre,
        firings=len(litres),
        litres=round(fmean(litres), 1) if litres else 0.0,
        litres_margin=round(chances.Z_80 * pstdev(litres), 1) if len(litres) > 1 else 0.0,
    )


def reserve_plan(facts: ReserveFacts, plan: Rebuild) -> ReservePlan:
    """Raises Malformed for a plan that makes no sense."""
    levies = [(level, chances.levy_for(plan, level / 100)) for level in LEVELS]
    needed = dict(levies)[80]
    return ReservePlan(
        plan=plan,
        chance=chances.chance_to_reach(plan, facts.levy_minor),
        levies=levies,
        now=chances.path(plan, facts.levy_minor),
        needed=chances.path(plan, needed) if needed is not None else [],
    )
