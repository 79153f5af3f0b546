"""Page-sized reads of firings: the list, one firing with its space, gaps and decisions, the calendar."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from django.core.paginator import Page, Paginator
from django.db.models import F, Q, QuerySet, Sum
from django.utils.translation import gettext as _

from coop.errors import NotFound
from coop.models import Coop, Membership
from firings import lifecycle
from firings.models import Firing, FiringZone, Kiln, StageMove, Watch

PER_PAGE = 50


@dataclass(frozen=True, slots=True)
class Fill:
    """How full one zone is: ml, and whole percent rounded down."""

    zone: FiringZone
    capacity_ml: int
    taken_ml: int

    @property
    def free_ml(self) -> int:
        return self.capacity_ml - self.taken_ml

    @property
    def percent(self) -> int:
        return self.taken_ml * 100 // self.capacity_ml if self.capacity_ml else 0


@dataclass(frozen=True, slots=True)
class Overview:
    """What the page of one firing shows."""

    firing: Firing
    fills: list[Fill]
    moves: list[StageMove]
    next_moves: tuple[lifecycle.Move, ...]
    short_watches: int
    places_missing: int
    may_lead: bool


def firing_of(coop: Coop, firing_id: UUID) -> Firing:
    """The co-op's firing with this id, with kiln, lead and policy. Raises NotFound."""
    found: Firing | None = (
        Firing.objects.of(coop)
        .select_related("coop", "kiln", "lead__person", "deputy__person", "policy", "ended_by__person")
        .filter(public_id=firing_id)
        .first()
    )
    if found is None:
        raise NotFound(_("There is no such firing here."))
    return found


def overview(firing: Firing, member: Membership) -> Overview:
    """Everything about a firing that its first page needs, in a handful of queries."""
    fills = [
        Fill(zone, zone.capacity_ml, zone.taken_ml)
        for zone in FiringZone.objects.filter(coop=firing.coop_id, firing=firing).select_related("zone")
    ]
    short = (
        Watch.objects.filter(coop=firing.coop_id, firing=firing, taken__lt=F("people"))
        .standing()
        .values_list("people", "taken")
    )
    may_lead = member.pk in (firing.lead_id, firing.deputy_id) or member.holds("coordinator")
    return Overview(
        firing=firing,
        fills=fills,
        moves=list(StageMove.objects.filter(coop=firing.coop_id, firing=firing).select_related("by__person")),
        next_moves=tuple(m for m in lifecycle.moves_from(firing.stage) if m.to != lifecycle.CALLED_OFF),
        short_watches=len(short),
        places_missing=sum(people - taken for people, taken in short),
        may_lead=may_lead,
    )


def listed(coop: Coop, *, which: str, page: str | int = 1) -> Page[Firing]:
    """Firings under way (soonest first) or past ones (latest first), 50 a page."""
    rows: QuerySet[Any] = (
        Firing.objects.of(coop)
        .for_list()
        .annotate(capacity_ml=Sum("zones__capacity_ml"), taken_ml=Sum("zones__taken_ml"))
    )
    if which == "past":
        rows = rows.filter(stage__in=["closed", "called_off"]).order_by("-lights_at", "-pk")
    else:
        rows = rows.exclude(stage__in=["closed", "called_off"]).order_by("lights_at", "pk")
    return Paginator(rows, PER_PAGE).get_page(page)


def occupations(coop: Coop, start: datetime, end: datetime) -> list[tuple[Kiln, list[Firing]]]:
    """Each kiln in use with the firings that take it between two moments; two queries."""
    kilns = list(Kiln.objects.of(coop).filter(retired_at=None))
    taken: dict[int, list[Firing]] = {}
    rows = (
        Firing.objects.of(coop)
        .for_list()
        .filter(occupied_from__lt=end, occupied_until__gt=start)
        .exclude(stage=Firing.Stage.CALLED_OFF)
        .order_by("occupied_from")
    )
    for firing in rows:
        taken.setdefault(firing.kiln_id, []).append(firing)
    known = {kiln.pk for kiln in kilns}
    retired = Kiln.objects.of(coop).filter(pk__in=[pk for pk in taken if pk not in known]) if taken else []
    return [(kiln, taken.get(kiln.pk, [])) for kiln in [*kilns, *retired]]


def kilns_in_use(coop: Coop) -> QuerySet[Any]:
    return Kiln.objects.of(coop).filter(retired_at=None)


def leads_of(coop: Coop) -> QuerySet[Any]:
    """Members who may lead a firing."""
    return (
        Membership.objects.of(coop)
        .current()
        .filter(Q(roles__kind="lead") | Q(roles__kind="coordinator"))
        .select_related("person")
        .distinct()
    )
