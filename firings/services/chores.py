"""Chores: made for a firing, taken and given up, confirmed by somebody else into the hours account."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import F
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop import notices
from coop.errors import Malformed, NotAllowed, NotFound, Refused, Taken
from coop.models import Coop, Membership, SignOff
from coop.periods import Span, local_moment
from coop.transactions import say, use_case
from firings.access import check_leads, check_takes_part
from firings.models import Chore, ChorePlace, Firing, HoursEntry
from firings.queries import hours
from firings.queries.chores import M3_PER_HOUR, WOOD_WORK, wood_need
from firings.queries.firings import firing_of
from firings.roster.wood import ChoreDemand, wood_chores
from firings.services import rosters
from firings.services.hours import credit

SESSION = timedelta(hours=4)
MOST_SESSIONS = 8  # of one kind of wood work; more wood than that is work for more people
WOOD_WEEKS = 6
SIGN_OFF_FOR = {Chore.Kind.SPLIT: SignOff.Kind.SPLITTER, Chore.Kind.GRINDING: SignOff.Kind.GRINDING}
NEVER_ALONE = (Chore.Kind.CUT, Chore.Kind.SPLIT, Chore.Kind.GRINDING)
LONGEST = timedelta(hours=14)
BEFORE_THE_FIRE = (Firing.Stage.CALLED, Firing.Stage.BOOKING, Firing.Stage.ALLOTTED)
OVER = (Firing.Stage.CLOSED, Firing.Stage.CALLED_OFF)

say(
    chore_place_held_once=gettext_lazy("You are on this chore already."),
    chore_not_overfilled=gettext_lazy("This chore is full; pick another one."),
    chore_confirmed_by_another=gettext_lazy("Somebody else must confirm that you were there."),
    splitting_needs_its_sign_off=gettext_lazy("Splitting wood needs the sign-off for the splitter."),
    grinding_needs_its_sign_off=gettext_lazy("Grinding shelves needs its sign-off."),
    chore_ends_after_it_starts=gettext_lazy("The chore ends before it starts; correct one of the times."),
    chore_needs_somebody=gettext_lazy("A chore needs at least one person."),
    dangerous_chore_needs_two=gettext_lazy(
        "Nobody saws, splits or grinds alone: this chore needs at least two people."
    ),
)


@dataclass(frozen=True, slots=True)
class Planned:
    """A chore that every firing has."""

    kind: str
    name: str
    span: Span
    people: int
    most_people: int


def make_for(firing: Firing, now: datetime) -> list[Chore]:
    """Lay out the firing's usual chores, once each; on changed dates they move and their people are told.

    A chore the lead took out stays out, and one that has begun stays as it is. Wood days are sized once and then
    only moved where they no longer lie before loading; :func:`size_wood_days` sizes them anew.
    """
    rows = list(
        Chore.objects.filter(coop=firing.coop_id, firing=firing).order_by(F("cancelled_at").desc(nulls_last=True), "pk")
    )
    there = {(chore.kind, chore.name): chore for chore in rows}  # one that stands before one that was taken out
    laid = [chore for chore in rows if _is_wood_day(chore)]
    if laid:
        _move_wood_days(firing, [one for one in laid if one.cancelled_at is None and one.starts_at > now], now)
    made = [] if laid else [_make(firing, plan) for plan in _wood_work(firing, now)]
    for plan in _around_the_fire(firing):
        chore = there.get((plan.kind, plan.name))
        if chore is None:
            made.append(_make(firing, plan))
        elif chore.cancelled_at is None and chore.starts_at > now:
            _move(firing, chore, plan.span, now)
    return made


def _is_wood_day(chore: Chore) -> bool:
    """Whether the wood plan laid this chore out, and not the lead by hand."""
    if chore.kind not in WOOD_WORK:
        return False
    label = re.escape(_capital(chore.kind))
    return re.fullmatch(rf"{label}( \(\d+/\d+\))?", chore.name) is not None


def _capital(kind: str) -> str:
    return str(Chore.Kind(kind).label).capitalize()


def _move_wood_days(firing: Firing, chores: list[Chore], now: datetime) -> None:
    """Whatever no longer ends before loading goes to a free half day; the rest stays where people expect it."""
    stay = [one for one in chores if one.ends_at <= firing.occupied_from]
    move = [one for one in chores if one.ends_at > firing.occupied_from]
    starts = _free_starts(firing, now, len(move), besides={one.starts_at for one in stay})
    for chore, start in zip(sorted(move, key=lambda one: (one.starts_at, one.pk)), starts, strict=True):
        _move(firing, chore, Span(start, start + (chore.ends_at - chore.starts_at)), now)


def follow_dates(firing: Firing, now: datetime) -> None:
    """Move the firing's usual chores that have not begun to its dates; their people are told. Nothing is added."""
    to_come = {
        (chore.kind, chore.name): chore
        for chore in Chore.objects.filter(coop=firing.coop_id, firing=firing, starts_at__gt=now).standing()
    }
    for plan in _around_the_fire(firing):
        if (chore := to_come.get((plan.kind, plan.name))) is not None and plan.span.start > now:
            _move(firing, chore, plan.span, now)


def cancel_for(firing: Firing, now: datetime) -> None:
    """Take every chore that has not begun off, and tell the people on them."""
    for chore in Chore.objects.filter(coop=firing.coop_id, firing=firing, starts_at__gt=now).standing():
        _cancel(firing, chore, now)


def _make(firing: Firing, plan: Planned) -> Chore:
    chore: Chore = Chore.objects.create(
        coop_id=firing.coop_id,
        firing=firing,
        kind=plan.kind,
        name=plan.name,
        starts_at=plan.span.start,
        ends_at=plan.span.end,
        people=plan.people,
        most_people=plan.most_people,
        needs_sign_off=SIGN_OFF_FOR.get(Chore.Kind(plan.kind), ""),
    )
    return chore


def _move(firing: Firing, chore: Chore, span: Span, now: datetime) -> None:
    if (chore.starts_at, chore.ends_at) == (span.start, span.end):
        return
    Chore.objects.filter(pk=chore.pk).update(starts_at=span.start, ends_at=span.end)
    before = rosters.spoken(chore)
    chore.starts_at, chore.ends_at = span.start, span.end
    for place in _held(chore):
        notices.queue(
            firing.coop,
            key=f"chore-moved:{place.public_id}:{chore.starts_at:%Y%m%d%H%M}",
            kind="chore",
            to=place.member,
            subject=_("Your chore has moved: %(name)s") % {"name": chore.name},
            text=_("It was %(before)s and is now %(now)s. If you cannot come then, give the place up soon.")
            % {"before": before, "now": rosters.spoken(chore)},
            link=page_of(firing),
            now=now,
        )


def _cancel(firing: Firing, chore: Chore, now: datetime) -> None:
    people = [place.member for place in _held(chore)]
    ChorePlace.objects.filter(coop=firing.coop_id, chore=chore, given_up_at=None).update(given_up_at=now)
    Chore.objects.filter(pk=chore.pk).update(cancelled_at=now, taken=0)
    for member in people:
        notices.queue(
            firing.coop,
            key=f"chore-off:{chore.public_id}:{member.public_id}",
            kind="chore",
            to=member,
            subject=_("Your chore is off: %(name)s") % {"name": chore.name},
            text=_("%(chore)s will not happen. There is nothing for you to do.") % {"chore": rosters.spoken(chore)},
            link=page_of(firing),
            now=now,
        )


def _held(chore: Chore) -> list[ChorePlace]:
    return list(
        ChorePlace.objects.filter(coop=chore.coop_id, chore=chore, given_up_at=None).select_related("member__person")
    )


def page_of(firing: Firing) -> str:
    return reverse("firing_watches", kwargs={"coop": firing.coop.slug, "firing": firing.public_id})


def _wood_work(firing: Firing, now: datetime) -> list[Planned]:
    """Cutting to hauling for the wood that is missing, in sessions on the free days before loading."""
    sessions = [one for demand in wood_chores(wood_need(firing).short_m3, 0, M3_PER_HOUR) for one in _sessions(demand)]
    starts = _free_starts(firing, now, len(sessions))
    return [
        Planned(kind, name, Span(start, start + each), people, people + 2)
        for (kind, name, each, people), start in zip(sessions, starts, strict=True)
    ]


def _sessions(demand: ChoreDemand) -> list[tuple[str, str, timedelta, int]]:
    """One kind of wood work in sessions of at most four hours: kind, name, length, people."""
    people = 2 if demand.person_minutes <= 2 * 2 * SESSION / timedelta(minutes=1) else 4
    length = timedelta(minutes=-(-demand.person_minutes // people))
    parts = min(MOST_SESSIONS, -(-length // SESSION))
    each = max(timedelta(minutes=30), min(SESSION, _quarters(length / parts)))
    label = _capital(demand.work)
    return [
        (demand.work, f"{label} ({part}/{parts})" if parts > 1 else label, each, people) for part in range(1, parts + 1)
    ]


@use_case
def size_wood_days(coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID) -> list[Chore]:
    """The lead lays the wood days to come out anew for the wood that is missing now.

    Days on which somebody signed up stay, and count; the others go, and what is missing beyond them comes anew.
    What has begun or is done is left alone: its wood is in the stacks. Returns the days to come.
    """
    firing = firing_of(coop, firing_id)
    check_leads(by, firing)
    if firing.occupied_from <= now or firing.stage not in BEFORE_THE_FIRE:
        raise Refused(_("Loading has begun, so there is no wood day to lay out; add a chore by hand."))
    rows = Chore.objects.of(coop).filter(firing=firing, kind__in=WOOD_WORK, starts_at__gt=now).standing()
    to_come = [chore for chore in rows if _is_wood_day(chore)]
    stay = [chore for chore in to_come if chore.taken]
    for chore in to_come:
        if not chore.taken:
            _cancel(firing, chore, now)
    covers, plans = Counter(chore.kind for chore in stay), []  # each day that stays does the work of one
    for plan in _wood_work(firing, now):
        if covers[plan.kind]:
            covers[plan.kind] -= 1
        else:
            plans.append(plan)
    starts = _free_starts(firing, now, len(plans), besides={one.starts_at for one in stay})
    made = [
        _make(firing, replace(plan, span=Span(start, start + plan.span.length)))
        for plan, start in zip(plans, starts, strict=True)
    ]
    return sorted([*stay, *made], key=lambda chore: (chore.starts_at, chore.pk))


def _quarters(length: timedelta) -> timedelta:
    return -(-length // timedelta(minutes=15)) * timedelta(minutes=15)


def _free_starts(
    firing: Firing, now: datetime, count: int, besides: Collection[datetime] = frozenset()
) -> list[datetime]:
    """``count`` mornings and afternoons before loading, weekends first, in order of time; none of ``besides`` while
    there are others."""
    zone = ZoneInfo(firing.coop.time_zone)
    last = firing.occupied_from.astimezone(zone).date() - timedelta(days=1)
    first = max(now.astimezone(zone).date() + timedelta(days=1), last - timedelta(weeks=WOOD_WEEKS))
    days = [last - timedelta(days=back) for back in range(max(0, (last - first).days) + 1)]
    days.sort(key=lambda day: (day.weekday() < 5, -day.toordinal()))
    halves = [local_moment(day, clock, zone) for day in days for clock in (time(9), time(14))]
    halves = [half for half in halves if half not in besides] or halves
    taken = [halves[number % len(halves)] for number in range(count)]
    return sorted(taken)


def _around_the_fire(firing: Firing) -> Iterator[Planned]:
    zone = ZoneInfo(firing.coop.time_zone)
    eve = firing.occupied_from.astimezone(zone).date() - timedelta(days=1)
    evening = local_moment(eve, time(18), zone)
    hour = timedelta(hours=1)
    yield Planned(Chore.Kind.WASH, _("Wash shelves"), Span(evening - 2 * hour, evening), 2, 4)
    yield Planned(Chore.Kind.WADS, _("Roll wads"), Span(evening, evening + 2 * hour), 2, 4)
    yield Planned(Chore.Kind.CONE_PACKS, _("Make cone packs"), Span(evening, evening + hour), 1, 2)
    if firing.lights_at > firing.occupied_from:
        loaded = min(firing.lights_at, firing.occupied_from + 8 * hour)
        yield Planned(Chore.Kind.LOADING, _("Load the kiln"), Span(firing.occupied_from, loaded), 3, 6)
    third = (firing.occupied_until - firing.opens_at) / 3
    begins, until = firing.opens_at, firing.occupied_until
    for kind, name, length, people, most in (
        (Chore.Kind.UNPACKING, _("Unpack the kiln"), 4 * hour, 3, 8),
        (Chore.Kind.GRINDING, _("Grind shelves"), 3 * hour, 2, 4),
        (Chore.Kind.CLEANUP, _("Clean-up day"), 5 * hour, 3, 10),
    ):
        span = _by_day(begins, min(length, third), until, zone)
        yield Planned(kind, name, span, people, most)
        begins = span.end if span.end < until - third else max(firing.opens_at, until - third)


def _by_day(earliest: datetime, length: timedelta, latest: datetime, zone: ZoneInfo) -> Span:
    """The first span in daylight hours that still ends in time; else at once."""
    local = earliest.astimezone(zone)
    for day in (local.date(), local.date() + timedelta(days=1)):
        start = max(earliest, local_moment(day, time(9), zone))
        if start + length <= min(latest, local_moment(day, time(21), zone)):
            return Span(start, start + length)
    return Span(earliest, earliest + length)


# --- What people do -----------------------------------------------------------------------


@use_case
def add(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    firing_id: UUID,
    kind: str,
    name: str,
    starts_at: datetime,
    ends_at: datetime,
    people: int,
    most_people: int,
) -> Chore:
    """The lead adds a chore. Refused: times out of order, too long, one person for dangerous work."""
    firing = firing_of(coop, firing_id)
    check_leads(by, firing)
    if firing.stage in OVER:
        raise Refused(_("This firing is over and its record is read-only; add the chore to another one."))
    faults = _faults(kind, name, starts_at, ends_at, people, most_people)
    if faults:
        raise Malformed([text for texts in faults.values() for text in texts], fields=faults)
    return _make(firing, Planned(kind, " ".join(name.split()), Span(starts_at, ends_at), people, most_people))


def _faults(
    kind: str, name: str, starts_at: datetime, ends_at: datetime, people: int, most_people: int
) -> dict[str, list[str]]:
    faults: dict[str, list[str]] = {}
    if kind not in Chore.Kind.values:
        faults["kind"] = [_("Pick one of: %(kinds)s.") % {"kinds": ", ".join(Chore.Kind.values)}]
    if not 0 < len(" ".join(name.split())) <= 120:
        faults["name"] = [_("Give the chore a name of at most 120 letters.")]
    if ends_at <= starts_at:
        faults["ends_at"] = [_("The chore ends before it starts; correct one of the times.")]
    elif ends_at - starts_at > LONGEST:
        faults["ends_at"] = [_("A chore of more than 14 hours is too long; cut it into several.")]
    least = 2 if kind in NEVER_ALONE else 1
    if not least <= people <= 50:
        faults["people"] = [
            _("Nobody saws, splits or grinds alone: give two people or more.")
            if least == 2
            else _("Give one person or more, at most 50.")
        ]
    if not people <= most_people <= 100:
        faults["most_people"] = [_("Give at least as many as are needed, at most 100.")]
    return faults


@use_case
def cancel(coop: Coop, *, by: Membership | None, now: datetime, chore_id: UUID) -> None:
    """The lead takes a chore out; its people are told."""
    chore = _chore(coop, chore_id)
    check_leads(by, chore.firing)
    if chore.starts_at <= now:
        raise Refused(_("This chore has begun; confirm who was there instead of taking it out."))
    _cancel(chore.firing, chore, now)


@use_case
def sign_up(
    coop: Coop, *, by: Membership | None, now: datetime, chore_id: UUID, member_id: UUID | None = None
) -> ChorePlace:
    """Take a place on a chore. Refused: full, over, sign-off missing, elsewhere at that time."""
    chore = _chore(coop, chore_id)
    member = acting(coop, by, chore.firing, member_id)
    check_takes_part(member, chore.firing)
    if chore.firing.stage in OVER or chore.ends_at <= now:
        raise Refused(_("This chore is over; pick a later one."))
    if chore.needs_sign_off and not member.signed_off(chore.needs_sign_off, rosters.day_of(chore)):
        raise NotAllowed(
            _("This chore needs the sign-off “%(kind)s”. Ask the coordinator to be trained for it.")
            % {"kind": SignOff.Kind(chore.needs_sign_off).label}
        )
    if ChorePlace.objects.of(coop).filter(chore=chore, member=member, given_up_at=None).exists():
        raise Taken(_("You are on this chore already."))
    Membership.objects.select_for_update(no_key=True).get(pk=member.pk)  # their other sign-ups wait
    terms = hours.terms_of(chore.firing)
    new = rosters.as_shift(chore, terms)
    others = rosters.shifts_of(coop, [member.pk], terms, around=new.span)[member.pk]
    for fault in rosters.burden_faults(new, others, terms):
        raise Refused(fault)
    free = Chore.objects.of(coop).filter(pk=chore.pk, cancelled_at=None, taken__lt=F("most_people"))
    if not free.update(taken=F("taken") + 1):
        raise Taken(_("This chore is full; pick another one."))
    place: ChorePlace = ChorePlace.objects.create(coop=coop, chore=chore, member=member, taken_at=now)
    return place


@use_case
def give_up(coop: Coop, *, by: Membership | None, now: datetime, chore_id: UUID, member_id: UUID | None = None) -> None:
    """Give a place up again; the lead hears of it when that leaves the chore short within two days."""
    chore = _chore(coop, chore_id)
    member = acting(coop, by, chore.firing, member_id)
    if chore.starts_at <= now:
        raise Refused(_("This chore has begun; whoever confirms it can say that you were not there."))
    mine = ChorePlace.objects.of(coop).filter(chore=chore, member=member, given_up_at=None)
    if not mine.update(given_up_at=now):
        raise Refused(_("You are not on this chore, so there is nothing to give up."))
    Chore.objects.of(coop).filter(pk=chore.pk, taken__gt=0).update(taken=F("taken") - 1)
    chore.refresh_from_db(fields=["taken"])
    if chore.short_of and chore.starts_at - now < timedelta(days=2) and chore.firing.lead_id != member.pk:
        notices.queue(
            coop,
            key=f"chore-short:{chore.public_id}:{member.public_id}:{now:%Y%m%d%H%M}",
            kind="chore",
            to=chore.firing.lead,
            subject=_("A chore is short of people: %(name)s") % {"name": chore.name},
            text=_("%(who)s gave up their place. %(chore)s: %(open)d still needed.")
            % {"who": member.name, "chore": rosters.spoken(chore), "open": chore.short_of},
            link=page_of(chore.firing),
            now=now,
        )


@use_case
def confirm(
    coop: Coop, *, by: Membership | None, now: datetime, place_id: UUID, minutes: int | None = None
) -> ChorePlace:
    """Somebody else confirms that a member was there; minutes default to the whole chore, 0 is "did not come"."""
    place: ChorePlace | None = (
        ChorePlace.objects.of(coop)
        .filter(public_id=place_id)
        .select_related(
            "member__person",
            "chore__firing__kiln",
            "chore__firing__coop",
            "chore__firing__policy",
            "chore__firing__lead",
        )
        .first()
    )
    if place is None or place.given_up_at is not None:
        raise NotFound(_("There is no such place on a chore here."))
    chore = place.chore
    others = ChorePlace.objects.of(coop).filter(chore=chore, given_up_at=None)
    check_may_confirm(by, chore.firing, place.member, is_crewmate=by is not None and others.filter(member=by).exists())
    worked = worked_minutes(chore, minutes, now)
    confirmed: dict[str, Any] = {"confirmed_at": now, "confirmed_by": by, "worked_minutes": worked}
    if not ChorePlace.objects.of(coop).filter(pk=place.pk, confirmed_at=None, given_up_at=None).update(**confirmed):
        raise Taken(_("This was confirmed already; a mistake is mended by the coordinator in the hours account."))
    counts = hours.counts_for(chore, coop.time_zone, hours.terms_of(chore.firing), minutes=worked)
    if counts:
        credit(
            member=place.member,
            firing=chore.firing,
            kind=HoursEntry.Kind.CHORE,
            minutes=counts,
            why=f"{chore.name} ({chore.firing.name})",
            key=f"chore:{place.public_id}",
            by=by,
            now=now,
        )
    place.refresh_from_db()
    return place


def worked_minutes(shift: Any, minutes: int | None, now: datetime, *, since: datetime | None = None) -> int:
    """How long somebody was there: the whole shift (or ``since`` then) unless said; refused before its end, or out
    of bounds."""
    if now < shift.ends_at:
        raise Refused(_("This is not over yet; confirm it afterwards."))
    whole = (shift.ends_at - max(shift.starts_at, since or shift.starts_at)) // timedelta(minutes=1)
    if minutes is None:
        return int(whole)
    if not 0 <= minutes <= 24 * 60:
        fault = _("Give the minutes somebody was there: 0 if they did not come, at most 24 hours.")
        raise Malformed([fault], fields={"minutes": [fault]})
    return minutes


def check_may_confirm(by: Membership | None, firing: Firing, member: Membership, *, is_crewmate: bool) -> None:
    """Somebody who was there too, or the lead; never the member themselves."""
    if firing.stage in OVER:
        raise Refused(_("This firing is over and its record is read-only; ask the coordinator to adjust the hours."))
    if by is None:
        return
    if by.pk == member.pk:
        raise NotAllowed(_("Somebody else must confirm that you were there. Ask one of your crew or the lead."))
    if is_crewmate:
        return
    check_leads(by, firing)


def acting(coop: Coop, by: Membership | None, firing: Firing, member_id: UUID | None) -> Membership:
    """Whose place it is: one's own, or (for the lead) the named member's."""
    if member_id is None or (by is not None and by.public_id == member_id):
        if by is None:
            raise Malformed([_("Say who it is for.")])
        return by
    check_leads(by, firing)
    member: Membership | None = Membership.objects.of(coop).current().with_roles().filter(public_id=member_id).first()
    if member is None:
        raise NotFound(_("There is no such member here."))
    return member


def _chore(coop: Coop, chore_id: UUID) -> Chore:
    chore: Chore | None = (
        Chore.objects.of(coop)
        .standing()
        .filter(public_id=chore_id)
        .select_related("firing__kiln", "firing__coop", "firing__policy", "firing__lead__person")
        .first()
    )
    if chore is None:
        raise NotFound(_("There is no such chore here."))
    return chore
