"""Chores as pages read them: who does what when, and what is still missing."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from uuid import UUID

from django.db.models import Prefetch
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from coop.errors import NotFound
from coop.models import Membership, SignOff
from coop.policy import Terms
from firings.models import Chore, ChorePlace, Firing
from firings.queries import hours
from firings.queries.wood import plan_of
from firings.roster.problem import Task

MOST = 50
WOOD_WORK = (Chore.Kind.CUT, Chore.Kind.SPLIT, Chore.Kind.STACK, Chore.Kind.HAUL)
M3_PER_HOUR = 0.5  # stacked cubic metres a person cuts, splits, stacks and hauls in an hour, until measured


@dataclass(frozen=True, slots=True)
class ChoreRow:
    """One chore with its people, for one reader."""

    chore: Chore
    people: tuple[ChorePlace, ...]
    mine: ChorePlace | None
    has_begun: bool
    is_over: bool
    sign_off: str

    @property
    def open(self) -> int:
        return self.chore.short_of

    @property
    def has_gap(self) -> bool:
        return bool(self.open) and not self.is_over

    @property
    def trouble(self) -> str:
        if not self.open:
            return ""
        return ngettext("%(n)d person still needed", "%(n)d people still needed", self.open) % {"n": self.open}

    @property
    def can_take(self) -> bool:
        return not self.is_over and self.mine is None and len(self.people) < self.chore.most_people


def rows_for(firing: Firing, me: Membership | None, now: datetime) -> list[ChoreRow]:
    """The firing's chores in order of time, at most 50."""
    places = ChorePlace.objects.filter(coop=firing.coop_id, given_up_at=None).select_related("member__person")
    chores = (
        Chore.objects.filter(coop=firing.coop_id, firing=firing)
        .standing()
        .prefetch_related(Prefetch("places_held", queryset=places))[:MOST]
    )
    return [_row(chore, me, now) for chore in chores]


def _row(chore: Chore, me: Membership | None, now: datetime) -> ChoreRow:
    people = tuple(chore.places_held.all())
    return ChoreRow(
        chore=chore,
        people=people,
        mine=next((place for place in people if me is not None and place.member_id == me.pk), None),
        has_begun=chore.starts_at <= now,
        is_over=chore.ends_at <= now,
        sign_off=str(SignOff.Kind(chore.needs_sign_off).label) if chore.needs_sign_off else "",
    )


def row_of(firing: Firing, chore_id: UUID, me: Membership | None, now: datetime) -> ChoreRow:
    """One chore. Raises NotFound."""
    chore = Chore.objects.filter(coop=firing.coop_id, firing=firing, public_id=chore_id).standing().first()
    if chore is None:
        raise NotFound(_("There is no such chore here."))
    return _row(chore, me, now)


# --- Wood ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class WoodNeed:
    """What the wood plan finds missing for a firing: stacked m3, and the work on it in person-hours."""

    short_m3: float
    hours: float


def wood_need(firing: Firing) -> WoodNeed:
    """Wood still to be cut for this firing, from the kiln's need and the stacks as they stand."""
    plan = plan_of(firing)
    return WoodNeed(plan.short_stacked_m3, plan.short_stacked_m3 / M3_PER_HOUR)


def wood_minutes_to_come(rows: Iterable[ChoreRow]) -> int:
    """Person-minutes of the wood days that have not begun, if each has the people it needs."""
    days = [row.chore for row in rows if row.chore.kind in WOOD_WORK and not row.has_begun]
    return sum(int((day.ends_at - day.starts_at).total_seconds()) // 60 * day.people for day in days)


# --- For the roster -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ChoreTask:
    """A chore as the roster plans it, and who holds a place on it already (member ids)."""

    task: Task
    crew: tuple[str, ...]


def to_come(firing: Firing, now: datetime) -> list[Chore]:
    """The firing's chores that have not begun, in order of time: the roster may fill their places."""
    return list(
        Chore.objects.filter(coop=firing.coop_id, firing=firing, starts_at__gt=now)
        .standing()
        .select_related("firing__kiln", "firing__coop")
    )


def chores_as_tasks(firing: Firing, *, now: datetime, t0: datetime, unit_min: int) -> list[ChoreTask]:
    """The chores to come as tasks of watch-roster/1, in units of ``unit_min`` from ``t0``.

    Where the unit does not divide a chore's times it is widened to whole units, so that nobody is planned into
    two places. ``skill`` is the sign-off needed, in the words :func:`skills_of` gives; ``night`` counts units
    in the co-op's night.
    """
    rows = to_come(firing, now)
    crews: dict[int, list[str]] = {row.pk: [] for row in rows}
    places = ChorePlace.objects.filter(coop=firing.coop_id, chore__in=crews, given_up_at=None).order_by("taken_at")
    for chore_pk, member_id in places.values_list("chore", "member__public_id"):
        crews[chore_pk].append(str(member_id))
    terms, unit = hours.terms_of(firing), timedelta(minutes=unit_min)
    return [_as_task(row, tuple(crews[row.pk]), terms, t0, unit) for row in rows]


def _as_task(chore: Chore, crew: tuple[str, ...], terms: Terms, t0: datetime, unit: timedelta) -> ChoreTask:
    night = hours.night_minutes(chore.starts_at, chore.ends_at, chore.firing.coop.time_zone, terms)
    need = max(chore.people, len(crew))
    task = Task(
        id=str(chore.public_id),
        kind="chore",
        start=(chore.starts_at - t0) // unit,
        end=-(-(chore.ends_at - t0) // unit),
        need=need,
        cap=max(chore.most_people, need),
        firing=chore.firing.name,
        kiln=chore.firing.kiln.name,
        skill=chore.needs_sign_off or None,
        night=int(night * 60 // int(unit.total_seconds())),
    )
    return ChoreTask(task, crew)


def skills_of(member: Membership, on: date) -> tuple[str, ...]:
    """The sign-offs a chore may ask for that this member has on that day."""
    return tuple(sorted({kind for kind in SignOff.Kind.values if member.signed_off(kind, on)}))
