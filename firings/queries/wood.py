"""Wood of a firing: need and stacks, what was taken for it, and how long it lasts."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from uuid import UUID

from django.db.models import Sum

from coop.models import Coop, Membership
from coop.periods import elapsed
from firings.access import check_takes_part
from firings.fire import wood
from firings.fire.entries import Entry, effective, hours_between
from firings.models import Firing, Kiln, LogEntry, WoodMove, WoodStack
from firings.queries.firings import firing_of

EARLIER: Final = 5
LATE: Final = timedelta(hours=3)
_MJ_PER_KG: Final = wood.net_heat_mj_per_kg(wood.species_named("pine").q_dry_mj_kg, wood.REFERENCE_MOISTURE)
WETTEST: Final = 800  # parts of 1000: wetter wood gives next to no heat and is not reckoned


@dataclass(frozen=True, slots=True)
class StackLine:
    """One stack as a firing sees it: kg at 20 % moisture (None where its wood is not in the table)."""

    stack: WoodStack
    kg: float | None
    taken_dm3: int


@dataclass(frozen=True, slots=True)
class WoodOfFiring:
    """Everything about the wood of one firing; kg are at 20 % moisture, so that stacks compare by heat."""

    firing: Firing
    need: wood.Need
    plan: wood.WoodPlan
    lines: tuple[StackLine, ...]
    by_size: tuple[tuple[str, float], ...]
    ready_kg: float
    taken_kg: float
    taken_dm3: int
    stokes: int
    pieces: int
    lasting: wood.Lasting | None
    ends_at: datetime | None = None  # end of the fire by the forecast, else as planned
    runs_out_at: datetime | None = None

    @property
    def runs_short(self) -> bool:
        return self.runs_out_at is not None and self.ends_at is not None and self.runs_out_at < self.ends_at

    @property
    def unreckoned(self) -> list[StackLine]:
        return [line for line in self.lines if line.kg is None and line.stack.stacked_dm3]


def as_stack(row: WoodStack, dm3: int) -> wood.Stack | None:
    """So much of a stack as the core reads it; None where its wood is not in the table or is far too wet."""
    if row.species.strip().lower() not in wood.SPECIES or row.moisture_permille > WETTEST:
        return None
    return wood.Stack(row.species, row.size_class, row.moisture_permille / 1000, dm3 / 1000)


def stacks_for(kiln: Kiln) -> list[WoodStack]:
    """The stacks a kiln may burn, the one reached first on top."""
    rows = WoodStack.objects.filter(coop=kiln.coop_id).order_by("reach_order", "pk")
    return [row for row in rows if row.kiln_id in (None, kiln.pk)]


def kg_of(row: WoodStack, dm3: int) -> float | None:
    """kg of pine at 20 % moisture that give as much heat, as the plan reckons."""
    stack = as_stack(row, dm3)
    return None if stack is None else max(wood.heat_mj(stack), 0.0) / _MJ_PER_KG


def need_of(kiln: Kiln, *, besides: Firing | None = None) -> wood.Need:
    """The kiln's need by its sheet and what its own firings took off the stacks."""
    return wood.learned(float(kiln.wood_kg_per_m3), [kg / (kiln.volume_l / 1000) for kg, _n in _earlier(kiln, besides)])


def plan_of(firing: Firing) -> wood.WoodPlan:
    """The wood plan of a firing: the stacks as they stand, and what was taken off them for it already."""
    return _plan(firing, need_of(firing.kiln, besides=firing), taken_of(firing))


def taken_of(firing: Firing) -> dict[int, int]:
    """Litres taken off each stack (by key) for a firing, less what was put back."""
    rows = WoodMove.objects.filter(coop=firing.coop_id, firing=firing).values("stack").annotate(sum=Sum("stacked_dm3"))
    return {row["stack"]: -row["sum"] for row in rows if row["sum"]}


def _plan(firing: Firing, need: wood.Need, taken: Mapping[int, int]) -> wood.WoodPlan:
    kiln = firing.kiln
    there = [(row, row.stacked_dm3 + max(taken.get(row.pk, 0), 0)) for row in stacks_for(kiln)]
    stacks = [stack for row, dm3 in there if dm3 and (stack := as_stack(row, dm3)) is not None]
    return wood.plan(
        volume_m3=kiln.volume_l / 1000,
        kg_per_m3=need.likely,
        kg_per_m3_low=need.low,
        kg_per_m3_high=need.high,
        stacks=stacks,
    )


def wood_page(coop: Coop, firing_id: UUID, reader: Membership, *, now: datetime) -> WoodOfFiring:
    """Raises NotFound, and NotAllowed for a guest of another firing."""
    firing = firing_of(coop, firing_id)
    check_takes_part(reader, firing)
    rows = LogEntry.objects.filter(coop=firing.coop_id, firing=firing, kind=LogEntry.Kind.STOKE, strikes=False)
    stokes = [
        Entry(at=at, kind="stoke", pieces=pieces, id=str(pk))
        for pk, at, pieces in rows.filter(corrections=None).values_list("pk", "observed_at", "pieces")
    ]
    return wood_of(firing, stokes, now)


def wood_of(firing: Firing, log: Sequence[Entry], now: datetime, ends_at: datetime | None = None) -> WoodOfFiring:
    """From the stacks, what was taken for the firing, and the stokes in its log; ``ends_at`` is the forecast's."""
    kiln = firing.kiln
    stokes = [entry for entry in effective(log) if entry.kind == "stoke"]
    earlier = _earlier(kiln, firing)
    volume = kiln.volume_l / 1000
    need = wood.learned(float(kiln.wood_kg_per_m3), [kg / volume for kg, _n in earlier])
    taken = taken_of(firing)
    ready = stacks_for(kiln)
    others = WoodStack.objects.filter(coop=firing.coop_id, pk__in=set(taken) - {row.pk for row in ready})
    lines = tuple(StackLine(row, kg_of(row, row.stacked_dm3), taken.get(row.pk, 0)) for row in (*ready, *others))
    by_size: dict[str, float] = defaultdict(float)
    for line in lines[: len(ready)]:
        by_size[line.stack.size_class] += line.kg or 0.0
    plan, ready_kg = _plan(firing, need, taken), sum(by_size.values())
    taken_kg = sum(kg_of(line.stack, max(line.taken_dm3, 0)) or 0.0 for line in lines)
    lasting = _lasting(firing, plan.need_kg, ready_kg, taken_kg, stokes, earlier, now)
    return WoodOfFiring(
        firing=firing,
        need=need,
        plan=plan,
        lines=lines,
        by_size=tuple((name, kg) for name, kg in by_size.items() if kg >= 1),
        ready_kg=ready_kg,
        taken_kg=taken_kg,
        taken_dm3=sum(taken.values()),
        stokes=len(stokes),
        pieces=sum(entry.pieces or 0 for entry in stokes),
        lasting=lasting,
        ends_at=ends_at or firing.ends_at,
        runs_out_at=now + timedelta(hours=min(lasting.hours, 1000.0)) if lasting else None,
    )


def _lasting(
    firing: Firing,
    need_kg: float,
    ready_kg: float,
    taken_kg: float,
    stokes: Sequence[Entry],
    earlier: Sequence[tuple[float, int]],
    now: datetime,
) -> wood.Lasting | None:
    """None unless the kiln burns and there is a rate to speak of."""
    if firing.stage != Firing.Stage.LIT or firing.lit_at is None:
        return None
    weighed = [(kg, pieces) for kg, pieces in earlier if pieces]
    pieces = sum(n for _kg, n in weighed)
    late = [entry for entry in stokes if elapsed(entry.at, now) <= LATE]
    return wood.lasting(
        ready_kg=ready_kg,
        taken_kg=taken_kg,
        pieces=sum(entry.pieces or 0 for entry in stokes),
        late_pieces=sum(entry.pieces or 0 for entry in late),
        late_h=min(LATE, max(elapsed(firing.lit_at, now), timedelta(minutes=30))) / timedelta(hours=1),
        kg_per_piece=sum(kg for kg, _n in weighed) / pieces if pieces else None,
        hours_fired=max(hours_between(firing.lit_at, now), 0.0),
        planned_kg_per_h=need_kg / max(float(firing.kiln.hours_likely), 1.0),
    )


def _earlier(kiln: Kiln, besides: Firing | None) -> list[tuple[float, int]]:
    """Wood (kg at 20 %) and pieces of the last EARLIER firings of the kiln that took wood off the stacks."""
    done = Firing.objects.filter(coop=kiln.coop_id, kiln=kiln, ended_at__isnull=False, has_failed=False)
    fires = list(done.exclude(pk=besides.pk if besides else None).order_by("-ended_at").values_list("pk", flat=True))
    moves = WoodMove.objects.filter(coop=kiln.coop_id, firing__in=fires[: 2 * EARLIER]).select_related("stack")
    kg: dict[int, float] = defaultdict(float)
    for move in moves:
        kg[move.firing_id or 0] -= (1 if move.stacked_dm3 > 0 else -1) * (kg_of(move.stack, abs(move.stacked_dm3)) or 0)
    took = [pk for pk in fires if kg.get(pk, 0) > 0][:EARLIER]
    stokes = LogEntry.objects.filter(
        coop=kiln.coop_id, firing__in=took, kind=LogEntry.Kind.STOKE, strikes=False, corrections=None
    )
    pieces = dict(stokes.values("firing").annotate(n=Sum("pieces")).values_list("firing", "n"))
    return [(kg[pk], pieces.get(pk) or 0) for pk in took]
