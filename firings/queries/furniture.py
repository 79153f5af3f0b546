"""The stock of boards and posts as pages show it, and whether it suffices for a load plan."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import Final
from uuid import UUID

from django.db.models import Q
from django.utils.translation import gettext as _

from coop.errors import NotFound
from coop.models import Coop
from firings.load_plan import furniture as core
from firings.load_plan.problem import plan_from, request_from
from firings.models import Firing, FurnitureLot, FurnitureMove, Kiln, LoadPlan

MOVES_SHOWN: Final = 50


def _by_size_and_condition(lot: FurnitureLot) -> tuple[str, int, int, int, int, int, int]:
    worse = list(FurnitureLot.Condition.values).index(lot.condition)
    return lot.kind, -lot.w_mm, -lot.l_mm, lot.thickness_mm, lot.height_mm, worse, lot.pk


@dataclass(frozen=True, slots=True)
class Group:
    """Boards of one size, or posts of one height, in all conditions."""

    kind: str
    size: str
    lots: tuple[FurnitureLot, ...]

    @property
    def fit(self) -> int:
        """How many may be used."""
        return sum(lot.count for lot in self.lots if lot.condition in FurnitureLot.FIT_FOR_USE)

    @property
    def unfit(self) -> int:
        return sum(lot.count for lot in self.lots) - self.fit


def lots_of(kiln: Kiln) -> list[FurnitureLot]:
    """What is there, boards before posts, all conditions."""
    rows = FurnitureLot.objects.filter(coop=kiln.coop_id, kiln=kiln).there().select_related("zone")
    return sorted(rows, key=_by_size_and_condition)


def groups_of(kiln: Kiln) -> list[Group]:
    """What is there, by size."""
    groups = groupby(lots_of(kiln), key=lambda lot: (lot.kind, lot.size))
    return [Group(kind, size, tuple(lots)) for (kind, size), lots in groups]


def lot_for(coop: Coop, lot_id: UUID) -> FurnitureLot:
    """One row of the stock list, or NotFound."""
    rows = FurnitureLot.objects.of(coop).select_related("kiln", "zone")
    found: FurnitureLot | None = rows.filter(public_id=lot_id).first()
    if found is None:
        raise NotFound(_("There is no such row in the stock list here."))
    return found


def moves_of(lot: FurnitureLot) -> list[FurnitureMove]:
    """What happened to a row, latest first: its firings with the zone it lay in, counts, conditions, who left it."""
    of_lot = FurnitureMove.objects.filter(Q(lot=lot) | Q(origin=lot), coop=lot.coop_id)
    return list(of_lot.select_related("by__person", "firing", "origin", "lot")[:MOVES_SHOWN])


def stock_of(kiln: Kiln) -> tuple[list[core.BoardStock] | None, list[core.PostStock] | None]:
    """Boards and posts fit for use (sound, or worn but still used), as the load plan's core knows them.

    None for what nobody has listed.
    """
    boards: list[core.BoardStock] = []
    posts: list[core.PostStock] = []
    listed = set()
    for lot in FurnitureLot.objects.filter(coop=kiln.coop_id, kiln=kiln).select_related("zone"):
        listed.add(lot.kind)
        if lot.condition not in FurnitureLot.FIT_FOR_USE or not lot.count:
            continue
        zone = lot.zone.name if lot.zone else None
        if lot.kind == FurnitureLot.Kind.BOARD:
            boards.append(core.BoardStock(lot.w_mm, lot.l_mm, lot.thickness_mm, lot.count, zone))
        else:
            posts.append(core.PostStock(lot.height_mm, lot.count, zone))
    kinds = FurnitureLot.Kind
    return boards if kinds.BOARD in listed else None, posts if kinds.POST in listed else None


def shortfalls(firing: Firing, plan: LoadPlan) -> list[str]:
    """What the load plan (a row, proposed or accepted) needs beyond the kiln's stock, one sentence each.

    Empty where the stock suffices, and where nobody keeps a stock list of this kiln.
    """
    boards, posts = stock_of(firing.kiln)
    if boards is None and posts is None:
        return []
    return core.shortfalls(request_from(plan.request), plan_from(plan.plan), boards, posts)
