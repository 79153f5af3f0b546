"""What the watches of a firing lack in skills, and who could bring them: the lead's view."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.utils.translation import gettext as _

from coop.models import Membership, SignOff
from coop.periods import Span
from coop.policy import Terms
from firings.models import Firing, Watch, Wish
from firings.queries import hours
from firings.queries.watches import WatchRow
from firings.services import rosters

MOST_NAMED = 6


@dataclass(frozen=True, slots=True)
class Missing:
    """A watch that lacks somebody signed off for something, and who could come, the most willing first."""

    row: WatchRow
    skill: str
    could: tuple[str, ...]
    more: int


def missing(firing: Firing, rows: list[WatchRow], now: datetime) -> list[Missing]:
    """For each watch to come: who may lead, stoke, or charge soda is lacking, and who is free, rested and signed off.

    A firing with soda wants somebody signed off for it on each watch whose part of the fire is named for it.
    """
    to_come = [row for row in rows if not row.has_begun]
    lacks = [(row, kind) for row in to_come for kind in _lacking(firing, row)]
    if not lacks:
        return []
    terms = hours.terms_of(firing)
    people = list(Membership.objects.of(firing.coop).current().with_roles().select_related("person"))
    around = Span(to_come[0].watch.starts_at, max(row.watch.ends_at for row in to_come))
    busy = rosters.shifts_of(firing.coop, [one.pk for one in people], terms, around=around)
    wishes = {
        (member, watch): value
        for member, watch, value in Wish.objects.of(firing.coop)
        .filter(watch__firing=firing)
        .values_list("member", "watch", "value")
    }
    found = []
    for row, kind in lacks:
        able = [one for one in people if _could(row.watch, firing, one, kind, wishes, busy[one.pk], terms)]
        able.sort(key=lambda one: (_RANK[wishes.get((one.pk, row.watch.pk), "")], one.name))
        names = tuple(one.name for one in able[:MOST_NAMED])
        found.append(Missing(row, _WORDS[kind](), names, max(0, len(able) - MOST_NAMED)))
    return found


_RANK = {Wish.Value.WANT: 0, Wish.Value.CAN: 1, "": 2, Wish.Value.RATHER_NOT: 3, Wish.Value.CANNOT: 4}
_WORDS = {
    SignOff.Kind.LEADING: lambda: _("nobody may lead"),
    SignOff.Kind.STOKING: lambda: _("nobody signed off for stoking besides who leads"),
    SignOff.Kind.SODA: lambda: _("nobody signed off for soda"),
}


def _lacking(firing: Firing, row: WatchRow) -> list[SignOff.Kind]:
    row.watch.firing = firing
    on = rosters.day_of(row.watch)
    there = [person.place.member for person in row.crew if not person.is_out]
    lacks = []
    if row.lacks_lead:
        lacks.append(SignOff.Kind.LEADING)
    stokers = [one for one in there if not rosters.is_novice(one, on)]
    if len(stokers) < min(2, row.watch.people) and not row.lacks_lead:
        lacks.append(SignOff.Kind.STOKING)
    wants_soda = firing.with_soda and ("soda" in row.watch.phase.casefold() or "salt" in row.watch.phase.casefold())
    if wants_soda and not any(one.signed_off(SignOff.Kind.SODA, on) for one in there):
        lacks.append(SignOff.Kind.SODA)
    return lacks


def _could(
    watch: Watch,
    firing: Firing,
    member: Membership,
    kind: SignOff.Kind,
    wishes: dict[tuple[int, int], str],
    busy: list[rosters.Shift],
    terms: Terms,
) -> bool:
    on = rosters.day_of(watch)
    signed = member.signed_off(kind, on) or (kind == SignOff.Kind.STOKING and rosters.may_lead(member, on))
    if not signed or wishes.get((member.pk, watch.pk)) == Wish.Value.CANNOT:
        return False
    return not rosters.burden_faults(rosters.as_shift(watch, terms), busy, terms)
