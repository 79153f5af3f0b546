"""The hours account as pages read it: balances, what a firing asks, what an hour of work counts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import Any
from uuid import UUID

from django.db.models import F, Q, Sum
from django.utils.translation import gettext as _

from coop.errors import NotFound
from coop.models import Coop, Membership, Policy
from coop.policy import Terms
from firings.models import Chore, ChorePlace, Firing, HoursEntry, Watch, WatchPlace
from firings.queries.load_plans import space_used_ml
from firings.roster.hours import (
    Night,
    Outlook,
    carried_over,
    credited_minutes,
    night_seconds,
    outlook,
    owed_minutes,
)

MOST_ROWS = 50


@dataclass(frozen=True, slots=True)
class Account:
    """One member's minutes, in one firing or in all: owed, worked, carried over, and settled in money."""

    member: Membership
    owed: int
    worked: int
    carried: int = 0
    settled: int = 0

    @property
    def balance(self) -> int:
        """Ahead or behind before any money: what the cost shares of a firing count."""
        return self.worked + self.carried - self.owed

    @property
    def left(self) -> int:
        """Ahead or behind once what was settled in money is counted."""
        return self.balance + self.settled

    @property
    def short(self) -> int:
        return max(0, -self.left)


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
    return {"account": _sums(rows).get(member.pk, _Sums()).account(member), "entries": _latest(rows)}


def for_firing(coop: Coop, firing: Firing) -> list[Account]:
    """Owed, worked and missing of everybody who owes or worked in this firing, the furthest behind first."""
    sums = _sums(HoursEntry.objects.of(coop).filter(firing=firing))
    members = Membership.objects.of(coop).filter(pk__in=sums).select_related("person")
    accounts = [sums[member.pk].account(member) for member in members]
    return sorted(accounts, key=lambda one: (one.balance, one.member.person.name))


def _latest(rows: Any) -> list[HoursEntry]:
    return list(rows.select_related("firing", "by__person", "corrects")[:MOST_ROWS])


@dataclass(frozen=True, slots=True)
class _Sums:
    owed: int = 0
    worked: int = 0
    carried: int = 0
    settled: int = 0

    def account(self, member: Membership) -> Account:
        return Account(member, -self.owed, self.worked, self.carried, self.settled)


def _sums(rows: Any) -> dict[int, _Sums]:
    """By member: a correction counts where the line it corrects does."""

    def of(*kinds: str) -> Sum:
        return Sum("minutes", filter=Q(kind__in=kinds) | Q(corrects__kind__in=kinds), default=0)

    kind = HoursEntry.Kind
    found = (
        rows.order_by()
        .values("member")
        .annotate(
            owed=of(kind.OWED),
            worked=of(kind.WATCH, kind.CHORE, kind.ADJUSTED),
            carried=of(kind.CARRIED),
            settled=of(kind.MONEY),
        )
    )
    return {row.pop("member"): _Sums(**{name: int(minutes) for name, minutes in row.items()}) for row in found}


def line_of(coop: Coop, entry_id: UUID) -> HoursEntry:
    """One line of an account. Raises NotFound."""
    found: HoursEntry | None = (
        HoursEntry.objects.of(coop).select_related("member__person", "firing").filter(public_id=entry_id).first()
    )
    if found is None:
        raise NotFound(_("There is no such line in an hours account here."))
    return found


def carryable(firing: Firing, members: Iterable[int]) -> dict[int, int]:
    """Minutes ahead or behind from elsewhere, by member: firings that are closed, and lines of no firing.

    What a firing that is still open leaves is counted when it is closed: until then its cost shares may settle it.
    """
    rows = HoursEntry.objects.filter(coop=firing.coop_id, member__in=list(members)).exclude(firing=firing)
    over = rows.filter(Q(firing=None) | Q(firing__stage__in=[Firing.Stage.CLOSED, Firing.Stage.CALLED_OFF]))
    sums = over.order_by().values_list("member").annotate(minutes=Sum("minutes"))
    return {member: int(minutes) for member, minutes in sums if minutes}


# --- The outlook before loading -----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class OutlookRow:
    """One member's outlook; ``most_minor`` is what the missing hours cost at most, in minor units."""

    member: Membership
    outlook: Outlook
    most_minor: int


def outlook_of(firing: Firing) -> list[OutlookRow]:
    """Who will be short of hours if everybody does what they signed up for and no more, the shortest first."""
    terms, zone = terms_of(firing), firing.coop.time_zone
    space, planned = space_of(firing), _planned(firing, terms, zone)
    worked = {one.member.pk: one.worked for one in for_firing(firing.coop, firing)}
    people = {*space, *planned, *worked}
    total, even = work_asked(firing), round(terms.owed_share_even * 1000)
    owed = owed_minutes(total, _by_text(space), equal_per_mille=even).minutes if space else {}
    elsewhere = carryable(firing, people)
    carried = {pk: carried_over(minutes, owed.get(f"{pk:012d}", 0)) for pk, minutes in elsewhere.items() if pk in space}
    found = outlook(
        total,
        _by_text(space),
        equal_per_mille=even,
        carried=_by_text(carried),
        worked=_by_text(worked),
        planned=_by_text(planned),
    )
    members = {one.pk: one for one in Membership.objects.of(firing.coop).filter(pk__in=people).select_related("person")}
    rows = [
        OutlookRow(members[int(pk)], one, round(Fraction(terms.hour_rate_minor * one.short, 60)))
        for pk, one in found.items()
    ]
    return sorted(rows, key=lambda row: (-row.outlook.short, row.outlook.ahead, row.member.person.name))


def _by_text(minutes: Mapping[int, int]) -> dict[str, int]:
    """Keys whose order as text is that of the numbers."""
    return {f"{pk:012d}": value for pk, value in minutes.items()}


def _planned(firing: Firing, terms: Terms, zone: str) -> dict[int, int]:
    """What the places members hold and nobody has confirmed yet will count, by member."""
    watches = WatchPlace.objects.filter(coop=firing.coop_id, watch__firing=firing, watch__cancelled_at=None)
    chores = ChorePlace.objects.filter(coop=firing.coop_id, chore__firing=firing, chore__cancelled_at=None)
    held = {"given_up_at": None, "confirmed_at": None}
    shifts: list[tuple[int, Watch | Chore]] = [
        *((place.member_id, place.watch) for place in watches.filter(**held).select_related("watch")),
        *((place.member_id, place.chore) for place in chores.filter(**held).select_related("chore")),
    ]
    planned: dict[int, int] = {}
    for member, shift in shifts:
        planned[member] = planned.get(member, 0) + counts_for(shift, zone, terms)
    return planned


@dataclass(frozen=True, slots=True)
class OpenWork:
    """A watch or chore that still needs people, and what one place on it counts."""

    shift: Watch | Chore
    is_watch: bool
    minutes: int


def open_work(firing: Firing, now: datetime) -> list[OpenWork]:
    """What a member short of hours may take: to come, and short of people; in order of time."""
    terms, zone = terms_of(firing), firing.coop.time_zone
    to_come = {"coop": firing.coop_id, "firing": firing, "starts_at__gt": now, "taken__lt": F("people")}
    watches = Watch.objects.filter(**to_come).standing()
    chores = Chore.objects.filter(**to_come).standing()
    found = [OpenWork(one, True, counts_for(one, zone, terms)) for one in watches]
    found += [OpenWork(one, False, counts_for(one, zone, terms)) for one in chores]
    return sorted(found, key=lambda one: (one.shift.starts_at, one.shift.pk))
