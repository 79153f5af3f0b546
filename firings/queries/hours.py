"""The hours account as pages read it: balances, what a firing asks, what an hour of work counts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import Any

from django.db.models import Q, Sum

from coop.models import Coop, Membership, Policy
from coop.policy import Terms
from firings.models import Chore, Firing, HoursEntry, Watch
from firings.queries.load_plans import space_used_ml
from firings.roster.hours import Night, credited_minutes, night_seconds

MOST_ROWS = 50


@dataclass(frozen=True, slots=True)
class Account:
    """One member's minutes: owed and worked (in one firing, or in all), and what is still missing."""

    member: Membership
    owed: int
    worked: int

    @property
    def balance(self) -> int:
        return self.worked - self.owed

    @property
    def short(self) -> int:
        return max(0, self.owed - self.worked)


def terms_of(firing: Firing) -> Terms:
    """The terms frozen into the firing; before booking opens, the co-op's present ones."""
    policy = firing.policy or Policy.objects.filter(coop=firing.coop_id).order_by("-version").first()
    return Terms.from_json(policy.terms) if policy else Terms()


def night_of(terms: Terms) -> Night:
    return Night(terms.night_from_hour, terms.night_to_hour)


def night_minutes(starts_at: datetime, ends_at: datetime, zone: str, terms: Terms) -> Fraction:
    """Minutes of the span inside the co-op's night, counted on instants (the clocks may change in it)."""
    return Fraction(night_seconds(starts_at, ends_at, zone, night_of(terms)), 60)


def credited(
    starts_at: datetime, ends_at: datetime, zone: str, terms: Terms, *, minutes: int | None = None, kind: str = ""
) -> int:
    """Minutes that count for work from start to end: nights and heavy chores (``kind``) by the co-op's weights.

    ``minutes`` is how long somebody was really there; the weight of the whole span is then shared out evenly.
    """
    return credited_minutes(
        starts_at,
        ends_at,
        zone,
        night_weight=terms.night_weight,
        work_weight=terms.chore_weight(kind),
        night=night_of(terms),
        minutes=minutes,
    )


def counts_for(shift: Watch | Chore, zone: str, terms: Terms, *, minutes: int | None = None) -> int:
    """What one person's place on this watch or chore counts, in minutes."""
    kind = shift.kind if isinstance(shift, Chore) else ""
    return credited(shift.starts_at, shift.ends_at, zone, terms, minutes=minutes, kind=kind)


def work_asked(firing: Firing) -> int:
    """Credited minutes of all places that must be filled, watches and chores of this firing together."""
    terms, zone = terms_of(firing), firing.coop.time_zone
    shifts: list[Watch | Chore] = [
        *Watch.objects.filter(coop=firing.coop_id, firing=firing).standing(),
        *Chore.objects.filter(coop=firing.coop_id, firing=firing).standing(),
    ]
    return sum(shift.people * counts_for(shift, zone, terms) for shift in shifts)


def space_of(firing: Firing) -> dict[int, int]:
    """Millilitres by member (primary key), as loaded or (nothing ticked yet) as held; who has none is not in it."""
    used = {member: sum(zones.values()) for member, zones in space_used_ml(firing).items()}
    return {member: ml for member, ml in used.items() if ml > 0}


def balances(coop: Coop, *, members: Iterable[int] | None = None) -> dict[int, int]:
    """Minutes ahead (plus) or behind (minus) over all firings, by member."""
    rows = HoursEntry.objects.of(coop)
    if members is not None:
        rows = rows.filter(member__in=list(members))
    return dict(rows.values_list("member").annotate(minutes=Sum("minutes")))


def for_member(coop: Coop, member: Membership) -> dict[str, Any]:
    """One member's hours account: the latest lines and the sums over all."""
    rows = HoursEntry.objects.of(coop).filter(member=member)
    return {"account": _account(member, _sums(rows).get(member.pk, (0, 0))), "entries": _latest(rows)}


def for_firing(coop: Coop, firing: Firing) -> list[Account]:
    """Owed, worked and missing of everybody who owes or worked in this firing, the furthest behind first."""
    sums = _sums(HoursEntry.objects.of(coop).filter(firing=firing))
    members = Membership.objects.of(coop).filter(pk__in=sums).select_related("person")
    accounts = [_account(member, sums[member.pk]) for member in members]
    return sorted(accounts, key=lambda one: (one.balance, one.member.person.name))


def _latest(rows: Any) -> list[HoursEntry]:
    return list(rows.select_related("firing", "by__person")[:MOST_ROWS])


def _sums(rows: Any) -> dict[int, tuple[int, int]]:
    owed = Sum("minutes", filter=Q(kind=HoursEntry.Kind.OWED), default=0)
    worked = Sum("minutes", filter=~Q(kind=HoursEntry.Kind.OWED), default=0)
    found = rows.order_by().values("member").annotate(owed=owed, worked=worked)
    return {row["member"]: (-row["owed"], row["worked"]) for row in found}


def _account(member: Membership, sums: tuple[int, int] | Mapping[str, int]) -> Account:
    owed, worked = sums
    return Account(member, int(owed), int(worked))
