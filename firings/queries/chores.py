"""Chores as pages read them: who does what when, and what is still missing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db.models import Prefetch
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from coop.errors import NotFound
from coop.models import Membership, SignOff
from firings.models import Chore, ChorePlace, Firing

MOST = 50


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
