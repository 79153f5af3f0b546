"""Watches: cut from the kiln's phases, taken, given away, confirmed; and whole rosters proposed and accepted."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import F, Q
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop import computations, notices
from coop.errors import Malformed, NotAllowed, NotFound, Refused, Taken
from coop.models import Computation, Coop, Membership
from coop.periods import Span, show_time
from coop.transactions import reading, say, use_case
from firings.access import check_leads, check_takes_part
from firings.models import (
    CrewNews,
    Firing,
    HoursEntry,
    LogEntry,
    PlaceOffer,
    PlaceQuestion,
    Watch,
    WatchPlace,
    WatchPresence,
    WatchProposal,
    WatchSwap,
    Wish,
    WishLimits,
)
from firings.queries import hours
from firings.queries.firings import firing_of
from firings.roster.watches import CrewPhase, WatchSpan, cut_watches
from firings.services import chores, rosters
from firings.services.chores import check_may_confirm, worked_minutes
from firings.services.hours import credit

ALONE_HOURS = 24  # nobody is left alone at a watch that begins this soon
GIVE_UP_HOURS = 12  # later than this a place is only given away, not given up
MOST_TOLD = 50
TAKES_CREW = (Firing.Stage.CALLED, Firing.Stage.BOOKING, Firing.Stage.ALLOTTED, Firing.Stage.LOADING, Firing.Stage.LIT)

say(
    watch_place_held_once=gettext_lazy("You are on this watch already."),
    watch_not_overfilled=gettext_lazy("This watch is full; pick another, or see whether somebody gives a place away."),
    watch_confirmed_by_another=gettext_lazy("Somebody else must confirm that you were there."),
    watch_numbered_once=gettext_lazy("The watches were cut by somebody else just now; load the page again."),
    watch_ends_after_it_starts=gettext_lazy("The watch ends before it starts; correct the dates of the firing."),
    watch_needs_two_people=gettext_lazy("Nobody is alone at the fire: a watch needs at least two people."),
    watch_needs_a_lead=gettext_lazy("Each watch needs somebody signed off for leading."),
    limits_set_once_per_member=gettext_lazy("Your limits were saved twice at once; load the page and look."),
    one_open_offer_per_place=gettext_lazy("This place is on offer already; take that offer back first."),
    one_wish_per_watch_and_member=gettext_lazy("Your wishes were saved twice at once; load the page and look."),
    wish_is_known=gettext_lazy("Wish one of: want (+), can (.), rather not (-), cannot (x)."),
)


# --- Cutting ------------------------------------------------------------------------------


def cut_for(firing: Firing, now: datetime) -> list[Watch]:
    """Cut the fire into watches by the kiln's crew phases, and lay out the firing's chores.

    Safe to call again, on changed dates too: what has begun stays; a later watch that still overlaps a new one
    by half keeps its people, who are told of the new times; the others are taken off, their people told. A
    firing that was called off keeps no watch and no chore to come.
    """
    if firing.stage == Firing.Stage.CALLED_OFF:
        take_off_watches(firing, list(to_come(firing, now)), now)
        chores.cancel_for(firing, now)
        return []
    begun, later = _begun(firing, now), list(to_come(firing, now).select_for_update())
    spans = _spans(firing, after=max((watch.ends_at for watch in begun), default=None))
    first_number = 1 + max((watch.number for watch in begun), default=0)
    kept = _matched(later, spans)
    take_off_watches(firing, [watch for watch in later if watch.pk not in kept.values()], now)
    Watch.objects.filter(pk__in=kept.values()).update(number=F("number") + 10_000)  # numbers change places below
    by_pk = {watch.pk: watch for watch in later}
    watches = [
        _put(firing, first_number + place, span, by_pk.get(kept.get(place, 0)), now) for place, span in enumerate(spans)
    ]
    chores.make_for(firing, now)
    return [*begun, *watches]


def _begun(firing: Firing, now: datetime) -> list[Watch]:
    return list(Watch.objects.filter(coop=firing.coop_id, firing=firing, starts_at__lte=now).standing())


def to_come(firing: Firing, now: datetime) -> Any:
    return Watch.objects.filter(coop=firing.coop_id, firing=firing, starts_at__gt=now).standing()


def _spans(firing: Firing, *, after: datetime | None) -> list[WatchSpan]:
    """The watches of the whole fire, less what lies before ``after``; a stub joins the watch behind it."""
    kiln = firing.kiln
    phases = [
        CrewPhase(row.name, row.from_permille, row.to_permille, row.people, row.leads, row.most_people)
        for row in kiln.phases.order_by("from_permille")
    ]
    starts_at, ends_at = firing.lit_at or firing.lights_at, firing.ended_at or firing.ends_at
    spans = cut_watches(phases, starts_at, ends_at, kiln.watch_hours)
    if after is None:
        return spans
    rest = [span for span in spans if span.ends_at > after]
    if rest and rest[0].starts_at < after:
        stub = rest[0].ends_at - after
        if stub < timedelta(hours=kiln.watch_hours) / 2:
            rest = rest[1:] or rest
        rest[0] = replace(rest[0], starts_at=after)
    return rest


def _matched(watches: Sequence[Watch], spans: Sequence[WatchSpan]) -> dict[int, int]:
    """Which watch goes on as which new span: the largest overlaps first, at least half of the watch."""
    pairs = []
    for watch in watches:
        old = Span(watch.starts_at, watch.ends_at)
        for place, span in enumerate(spans):
            shared = old.shared(Span(span.starts_at, span.ends_at))
            if 2 * shared >= old.length:
                pairs.append((-shared, abs(span.starts_at - watch.starts_at), place, watch.pk))
    kept: dict[int, int] = {}
    for _shared, _shift, place, pk in sorted(pairs):
        if place not in kept and pk not in kept.values():
            kept[place] = pk
    return kept


def _put(firing: Firing, number: int, span: WatchSpan, watch: Watch | None, now: datetime) -> Watch:
    values = {
        "number": number,
        "phase": ", ".join(span.phases)[:40],
        "starts_at": span.starts_at,
        "ends_at": span.ends_at,
        "people": span.people,
        "leads": span.leads,
    }
    if watch is None:
        new: Watch = Watch.objects.create(coop_id=firing.coop_id, firing=firing, most_people=span.most, **values)
        return new
    before, moved = rosters.spoken(watch), (watch.starts_at, watch.ends_at) != (span.starts_at, span.ends_at)
    # Nobody loses a place because the kiln's phase now takes fewer.
    Watch.objects.filter(pk=watch.pk).update(most_people=max(span.most, watch.taken), **values)
    watch.refresh_from_db()
    if moved:
        for place in crew_of(watch):
            tell(
                firing,
                place.member,
                key=f"watch-moved:{place.public_id}:{watch.starts_at:%Y%m%d%H%M}-{watch.ends_at:%Y%m%d%H%M}",
                subject=_("Your watch has moved"),
                text=_(
                    "Your watch was %(before)s and is now %(now)s. You still hold your place; "
                    "if you cannot come then, give it away soon."
                )
                % {"before": before, "now": rosters.spoken(watch)},
                now=now,
            )
    return watch


def take_off_watches(firing: Firing, watches: Sequence[Watch], now: datetime, *, why: str = "") -> None:
    """Take watches off and tell their people ``why``, a sentence with ``%(watch)s`` in it."""
    for watch in watches:
        places = crew_of(watch)
        let_go(firing.coop, [place.pk for place in places], now)
        WatchPlace.objects.filter(coop=firing.coop_id, watch=watch, given_up_at=None).update(given_up_at=now)
        Watch.objects.filter(pk=watch.pk).update(cancelled_at=now, taken=0)
        for place in places:
            tell(
                firing,
                place.member,
                key=f"watch-off:{place.public_id}",
                subject=_("Your watch is off"),
                text=(
                    why
                    or _(
                        "The dates have changed and there is no longer a watch %(watch)s. Look whether another "
                        "suits you."
                    )
                )
                % {"watch": rosters.spoken(watch)},
                now=now,
            )


# --- Signing up and giving up -------------------------------------------------------------


@use_case
def sign_up(
    coop: Coop, *, by: Membership | None, now: datetime, watch_id: UUID, member_id: UUID | None = None
) -> WatchPlace:
    """Take a place on a watch (the lead may put ``member_id`` on it). Every refusal says what to do."""
    watch = standing_watch(coop, watch_id)
    member = chores.acting(coop, by, watch.firing, member_id)
    place = seat(watch, member, now)
    if by is not None and by.pk != member.pk:
        tell_seated(watch.firing, member, [watch], now)
    return place


def seat(watch: Watch, member: Membership, now: datetime) -> WatchPlace:
    """Put a member on a watch to come, all rules checked."""
    if watch.starts_at <= now:
        raise Refused(_("This watch has begun; pick a later one."))
    return put_on(watch, member, now)


def put_on(watch: Watch, member: Membership, now: datetime, *, goes_on: bool = False) -> WatchPlace:
    """Put a member on a watch that has not ended, all rules checked. The member's row is locked against their other
    sign-ups, the watch's row by its own counter. Who ``goes_on`` from the watch before needs no rest between the two.
    """
    firing = watch.firing
    check_takes_part(member, firing)
    check_takes_crew(firing)
    if watch.ends_at <= now:
        raise Refused(_("This watch is over."))
    lock_member(member)
    if WatchPlace.objects.filter(coop=firing.coop_id, watch=watch, member=member, given_up_at=None).exists():
        raise Taken(_("You are on this watch already."))
    before = _stood_before(watch, member) if goes_on else None
    if before is not None:
        rosters.check_can_stay_on(watch, member, hours.terms_of(firing), after=before)
    else:
        rosters.check_can_work(watch, member, hours.terms_of(firing))
    free = Watch.objects.filter(coop=firing.coop_id, pk=watch.pk, cancelled_at=None, taken__lt=F("most_people"))
    if not free.update(taken=F("taken") + 1):
        raise Taken(_("This watch is full; pick another, or see whether somebody gives a place away."))
    crew = [place.member for place in crew_of(watch)]
    for fault in rosters.joining_faults(watch, crew, member):
        Watch.objects.filter(pk=watch.pk).update(taken=F("taken") - 1)  # an accepted roster goes on without it
        raise Refused(fault)
    place: WatchPlace = WatchPlace.objects.create(
        coop_id=firing.coop_id, watch=watch, member=member, taken_at=now, is_leading=_would_lead(watch, crew, member)
    )
    return place


def _stood_before(watch: Watch, member: Membership) -> Watch | None:
    """The watch of the same firing that ends where this one begins, if the member is on it."""
    places = WatchPlace.objects.filter(coop=watch.coop_id, member=member, given_up_at=None)
    just_before = places.filter(watch__firing=watch.firing_id, watch__ends_at=watch.starts_at)
    found = just_before.select_related("watch__firing__kiln", "watch__firing__coop").first()
    return found.watch if found else None


def _would_lead(watch: Watch, crew: Sequence[Membership], member: Membership) -> bool:
    on = rosters.day_of(watch)
    return rosters.may_lead(member, on) and sum(rosters.may_lead(one, on) for one in crew) < watch.leads


@use_case
def give_up(coop: Coop, *, by: Membership | None, now: datetime, watch_id: UUID, member_id: UUID | None = None) -> None:
    """Give a place up; the lead is told. Refused once the watch is near: then the place is given away."""
    watch = standing_watch(coop, watch_id)
    member = chores.acting(coop, by, watch.firing, member_id)
    place = _own_place(watch, member)
    left = watch.starts_at - now
    if left <= timedelta(0):
        raise Refused(_("This watch has begun. Offer your place to somebody; you are on it until they agree."))
    if left < timedelta(hours=GIVE_UP_HOURS):
        raise Refused(
            _("This watch begins in less than %(hours)d hours: find a substitute and offer them your place.")
            % {"hours": GIVE_UP_HOURS}
        )
    if not WatchPlace.objects.of(coop).filter(pk=place.pk, given_up_at=None).update(given_up_at=now):
        raise Taken(_("This place was given up or taken over already."))
    stays = 3 if left < timedelta(hours=ALONE_HOURS) else 1
    if not Watch.objects.of(coop).filter(pk=watch.pk, taken__gte=stays).update(taken=F("taken") - 1):
        raise Refused(
            _(
                "This watch begins within %(hours)d hours and fewer than two would be left; nobody is alone at the "
                "fire. Offer your place, and leave when somebody takes it over."
            )
            % {"hours": ALONE_HOURS}
        )
    let_go(coop, [place.pk], now)
    name_leads(watch)
    watch.refresh_from_db(fields=["taken"])
    _tell_lead_of_leaving(watch, place, now)
    if by is not None and by.pk != member.pk:
        tell(
            watch.firing,
            member,
            key=f"watch-taken-off:{place.public_id}",
            subject=_("You were taken off a watch"),
            text=_("%(by)s took you off %(watch)s.") % {"by": by.name, "watch": rosters.spoken(watch)},
            now=now,
        )


def _tell_lead_of_leaving(watch: Watch, place: WatchPlace, now: datetime) -> None:
    open_text = (
        _("%(open)d of %(people)d places are open.") % {"open": watch.short_of, "people": watch.people}
        if watch.short_of
        else _("The watch still has enough people.")
    )
    if not WatchPlace.objects.filter(coop=watch.coop_id, watch=watch, given_up_at=None, is_leading=True).exists():
        open_text += " " + _("Nobody on it may lead.")
    tell_lead(
        watch.firing,
        besides=place.member,
        key=f"watch-given-up:{place.public_id}",
        subject=_("%(who)s gave up a watch") % {"who": place.member.name},
        text=f"{rosters.spoken(watch)}. {open_text}",
        now=now,
    )


def name_leads(watch: Watch) -> None:
    """After a change: as many of those who may lead are named as the watch needs, the earliest first."""
    on, missing = rosters.day_of(watch), watch.leads
    for place in sorted(crew_of(watch), key=lambda place: (not place.is_leading, place.taken_at, place.pk)):
        leads = missing > 0 and rosters.may_lead(place.member, on)
        missing -= leads
        if leads != place.is_leading:
            WatchPlace.objects.filter(pk=place.pk).update(is_leading=leads)


# --- Giving away and taking over ----------------------------------------------------------


@use_case
def offer(
    coop: Coop, *, by: Membership | None, now: datetime, place_id: UUID, to_member_id: UUID | None = None
) -> PlaceOffer:
    """Offer one's place to one member, or to whoever takes it; it stays one's own until somebody agrees."""
    place = held_place(coop, place_id)
    watch = place.watch
    if by is not None and by.pk != place.member_id:
        raise NotAllowed(_("Only %(name)s can give this place away.") % {"name": place.member.name})
    if watch.ends_at <= now or place.confirmed_at is not None:
        raise Refused(_("This watch is over; there is nothing to give away."))
    to = None
    if to_member_id is not None:
        to = Membership.objects.of(coop).current().with_roles().filter(public_id=to_member_id).first()
        if to is None:
            raise NotFound(_("There is no such member here."))
        if to.pk == place.member_id:
            raise Refused(_("This is your own place already; pick somebody else."))
        check_takes_part(to, watch.firing)
        if WatchPlace.objects.of(coop).filter(watch=watch, member=to, given_up_at=None).exists():
            raise Refused(_("%(name)s is on this watch already; ask somebody else.") % {"name": to.name})
    if PlaceOffer.objects.of(coop).filter(place=place, closed_at=None).exists():
        raise Taken(_("This place is on offer already; take that offer back first."))
    made: PlaceOffer = PlaceOffer.objects.create(coop=coop, place=place, to_member=to, offered_at=now)
    for member in [to] if to is not None else _could_take(watch, place.member_id):
        tell(
            watch.firing,
            member,
            key=f"place-offered:{made.public_id}:{member.public_id}",
            subject=_("%(who)s offers you a watch") % {"who": place.member.name}
            if to
            else _("A place on a watch is free to take"),
            text=_("%(who)s cannot keep %(watch)s. Take it over or leave it: it is yours only if you agree.")
            % {"who": place.member.name, "watch": rosters.spoken(watch)},
            now=now,
            stale_at=watch.ends_at,
            kind="watch" if to else "place-free",
        )
    return made


def _could_take(watch: Watch, giver: int) -> list[Membership]:
    """Who hears of a place for anybody: those of this firing who are not on the watch and did not rule it out."""
    firing, coop = watch.firing, watch.coop_id
    here = set(hours.space_of(firing)) | {
        *WatchPlace.objects.filter(coop=coop, watch__firing=firing, given_up_at=None).values_list("member", flat=True),
        *Wish.objects.filter(coop=coop, watch=watch).values_list("member", flat=True),
    }
    out = {
        giver,
        *WatchPlace.objects.filter(coop=coop, watch=watch, given_up_at=None).values_list("member", flat=True),
        *Wish.objects.filter(coop=coop, watch=watch, value=Wish.Value.CANNOT).values_list("member", flat=True),
    }
    return list(Membership.objects.filter(coop=coop, pk__in=here - out).current().select_related("person")[:MOST_TOLD])


@use_case
def take_over(coop: Coop, *, by: Membership, now: datetime, offer_id: UUID) -> WatchPlace:
    """Agree to an offer: the place moves to ``by`` at once, with every rule checked for them.

    What the giver has stood of a running watch goes into their hours account.
    """
    offered = _offer(coop, offer_id)
    old, watch = offered.place, offered.place.watch
    if offered.to_member_id not in (None, by.pk):
        raise NotAllowed(_("This place was offered to somebody else; ask them, or take a free one."))
    if by.pk == old.member_id:
        raise Refused(_("This is your own place; take the offer back if you want to keep it."))
    check_takes_part(by, watch.firing)
    check_takes_crew(watch.firing)
    if watch.ends_at <= now:
        raise Refused(_("This watch is over; there is nothing to take over."))
    lock_member(by)
    rosters.check_can_work(watch, by, hours.terms_of(watch.firing), besides=[watch.pk])
    if not PlaceOffer.objects.of(coop).filter(pk=offered.pk, closed_at=None).update(closed_at=now, taken_by=by):
        raise Taken(_("Somebody else took this place over, or it was taken back."))
    if not WatchPlace.objects.of(coop).filter(pk=old.pk, given_up_at=None, confirmed_at=None).update(given_up_at=now):
        raise Taken(_("This place is no longer there to be taken over."))
    stood = credit_stood(old, by, now)
    let_go(coop, [old.pk], now)
    Watch.objects.of(coop).filter(pk=watch.pk).update(taken=F("taken"))  # others who change this crew wait here
    crew = [place.member for place in crew_of(watch)]
    if any(member.pk == by.pk for member in crew):
        raise Taken(_("You are on this watch already."))
    for fault in rosters.replacing_faults(watch, [*crew, old.member], old.member, by):
        raise Refused(fault)
    place: WatchPlace = WatchPlace.objects.create(coop=coop, watch=watch, member=by, taken_at=now)
    name_leads(watch)
    place.refresh_from_db()
    words = {"by": by.name, "who": old.member.name, "watch": rosters.spoken(watch)}
    tell(
        watch.firing,
        old.member,
        key=f"place-taken:{offered.public_id}",
        subject=_("%(by)s takes your watch over") % words,
        text=" ".join([_("You are free: %(by)s stands %(watch)s for you.") % words, *_told_stood(stood)]),
        now=now,
    )
    tell_lead(
        watch.firing,
        besides=old.member if watch.firing.lead_id == old.member_id else by,
        key=f"place-moved:{offered.public_id}",
        subject=_("%(by)s stands a watch for %(who)s") % words,
        text=_("%(watch)s: %(by)s instead of %(who)s.") % words,
        now=now,
    )
    return place


@use_case
def decline(coop: Coop, *, by: Membership, now: datetime, offer_id: UUID) -> None:
    """Say no to an offer made to oneself, or take one's own offer back; the place stays where it is."""
    offered = _offer(coop, offer_id)
    giver = offered.place.member
    if by.pk not in (giver.pk, offered.to_member_id):
        raise NotAllowed(_("Only the one who was asked can decline, and only the one who offered can take it back."))
    if not PlaceOffer.objects.of(coop).filter(pk=offered.pk, closed_at=None).update(closed_at=now):
        raise Taken(_("This offer is closed already."))
    if by.pk != giver.pk:
        tell(
            offered.place.watch.firing,
            giver,
            key=f"place-declined:{offered.public_id}",
            subject=_("%(who)s cannot take your watch") % {"who": by.name},
            text=_("You still hold %(watch)s. Ask somebody else, or offer it to all.")
            % {"watch": rosters.spoken(offered.place.watch)},
            now=now,
        )


# --- Wishes and rosters -------------------------------------------------------------------


@use_case
def wish(coop: Coop, *, by: Membership, now: datetime, watch_id: UUID, value: str) -> Wish:
    """Say what one wishes for one watch; an empty value is refused, see ``wish_all`` to take wishes back."""
    watch = standing_watch(coop, watch_id)
    check_takes_part(by, watch.firing)
    _check_wish(watch, value, now)
    wished: Wish = Wish.objects.update_or_create(coop=coop, watch=watch, member=by, defaults={"value": value})[0]
    return wished


@dataclass(frozen=True, slots=True)
class Limits:
    """What somebody wishes for a firing as a whole; None is no limit beyond the co-op's rules."""

    no_nights: bool = False
    most_hours: int | None = None
    rest_hours: int | None = None


@use_case
def wish_all(
    coop: Coop,
    *,
    by: Membership,
    now: datetime,
    firing_id: UUID,
    values: Mapping[UUID, str],
    limits: Limits | None = None,
) -> list[Wish]:
    """All wishes for one firing at once: what is named is set, an empty value takes a wish back, the rest stays.

    ``limits`` replace those that were set before; left out, they stay.
    """
    firing = firing_of(coop, firing_id)
    check_takes_part(by, firing)
    watches = {watch.public_id: watch for watch in Watch.objects.of(coop).filter(firing=firing).standing()}
    for watch_id, value in values.items():
        if watch_id not in watches:
            raise NotFound(_("There is no such watch in this firing."))
        if value:
            _check_wish(watches[watch_id], value, now)
    if limits is not None:
        _set_limits(firing, by, limits)
    gone = [watches[watch_id].pk for watch_id, value in values.items() if not value]
    Wish.objects.of(coop).filter(member=by, watch__in=gone).delete()
    return [
        Wish.objects.update_or_create(coop=coop, watch=watches[watch_id], member=by, defaults={"value": value})[0]
        for watch_id, value in values.items()
        if value
    ]


def _set_limits(firing: Firing, by: Membership, limits: Limits) -> None:
    if limits.most_hours is not None and not 1 <= limits.most_hours <= 200:
        raise Malformed([_("The most hours on watch are from 1 to 200; leave it empty for no limit.")])
    if limits.rest_hours is not None and not 1 <= limits.rest_hours <= 48:
        raise Malformed([_("The hours of rest are from 1 to 48; leave it empty for the co-op's rule.")])
    WishLimits.objects.update_or_create(
        coop=firing.coop,
        firing=firing,
        member=by,
        defaults={
            "no_nights": limits.no_nights,
            "most_hours": limits.most_hours,
            "rest_hours": limits.rest_hours,
        },
    )


def _check_wish(watch: Watch, value: str, now: datetime) -> None:
    if value not in Wish.Value.values:
        raise Malformed([_("Wish one of: want (+), can (.), rather not (-), cannot (x).")])
    if watch.starts_at <= now:
        raise Refused(_("This watch has begun; wishes are for watches to come."))


@use_case
def propose_roster(coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID) -> Computation:
    """Ask for a proposal of the whole roster; the lead sees it when it is computed and decides."""
    firing = firing_of(coop, firing_id)
    check_leads(by, firing)
    check_takes_crew(firing)
    if not to_come(firing, now).exists():
        raise Refused(_("There is no watch to come in this firing, so there is nothing to plan."))
    return computations.ask(coop, kind="watch_roster", subject=firing.public_id, by=by, now=now)


@use_case
def print_roster(coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID) -> Computation:
    """Ask for the roster as a sheet for the wall (PDF), as it stands when it is made."""
    firing = firing_of(coop, firing_id)
    if by is not None:
        check_takes_part(by, firing)
    return computations.ask(coop, kind="roster_sheet", subject=firing.public_id, by=by, now=now)


@computations.work("watch_roster")
def compute_roster(row: Computation, now: datetime) -> dict[str, Any]:
    """Plan the roster and lay it before the lead. Twice gives two proposals, the later of which counts."""
    with reading(row.coop):
        firing = (
            Firing.objects.of(row.coop)
            .select_related("kiln", "coop", "policy", "lead__person")
            .filter(public_id=row.subject)
            .first()
        )
        if firing is None:
            raise NotFound(_("There is no such firing here."))
        wanted = rosters.asked(firing, now)
    request, answer = rosters.planned(wanted)
    proposal = rosters.keep_proposal(
        row.coop, by=None, now=now, firing_id=firing.public_id, request=request, answer=answer
    )
    return {"proposal": str(proposal.public_id), "link": page_of(firing, "watch_proposal", proposal=proposal.public_id)}


@dataclass(slots=True)
class Accepted:
    """What became of a proposal: places written, and those the rules no longer let through, with the reason."""

    proposal: WatchProposal
    seated: list[WatchPlace] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)


@use_case
def accept_roster(coop: Coop, *, by: Membership | None, now: datetime, proposal_id: UUID) -> Accepted:
    """The lead accepts a proposal: each new place goes through the same rules as a sign-up.

    Nobody who is on a watch is taken off it. Only those who got a place are told, once each.
    """
    proposal = (
        WatchProposal.objects.of(coop)
        .filter(public_id=proposal_id)
        .select_related("firing__kiln", "firing__coop", "firing__policy", "firing__lead__person")
        .first()
    )
    if proposal is None:
        raise NotFound(_("There is no such proposal here."))
    firing = proposal.firing
    check_leads(by, firing)
    if proposal.mends:
        raise Refused(_("This mends a roster: look at who is told what, and accept it there."))
    open_one = WatchProposal.objects.of(coop).filter(pk=proposal.pk, accepted_at=None, replaced_at=None)
    if not open_one.update(accepted_at=now):
        raise Taken(_("This proposal was accepted or replaced already; ask for a new one."))
    proposal.refresh_from_db()
    done = Accepted(proposal)
    for watch, member in _new_places(firing, proposal):
        try:
            done.seated.append(seat(watch, member, now))
        except Refused as no:
            done.left_out.append(f"{member.name}, {rosters.spoken(watch)}: {no}")
    seated: dict[int, list[WatchPlace]] = {}
    for place in done.seated:
        seated.setdefault(place.member_id, []).append(place)
    for places in seated.values():
        tell_seated(firing, places[0].member, [place.watch for place in places], now)
    return done


def _new_places(firing: Firing, proposal: WatchProposal) -> list[tuple[Watch, Membership]]:
    """Places of the proposal that nobody holds yet: leads first, novices last, so that each joins a sound crew."""
    assigned: dict[str, list[str]] = proposal.answer["assigned"]
    watches = {
        str(watch.public_id): watch
        for watch in Watch.objects.filter(coop=firing.coop_id, firing=firing)
        .standing()
        .select_related("firing__kiln", "firing__coop", "firing__policy", "firing__lead__person")
    }
    names = {name for crew in assigned.values() for name in crew}
    members = {
        str(member.public_id): member
        for member in Membership.objects.filter(coop=firing.coop_id, public_id__in=names).current().with_roles()
    }
    held = set(
        WatchPlace.objects.filter(coop=firing.coop_id, watch__firing=firing, given_up_at=None).values_list(
            "watch", "member"
        )
    )
    new = [
        (watches[task], members[name])
        for task, crew in assigned.items()
        if task in watches
        for name in crew
        if name in members and (watches[task].pk, members[name].pk) not in held
    ]

    def order(pair: tuple[Watch, Membership]) -> tuple[datetime, int, int]:
        watch, member = pair
        on = rosters.day_of(watch)
        rank = 0 if rosters.may_lead(member, on) else 2 if rosters.is_novice(member, on) else 1
        return (watch.starts_at, rank, member.pk)

    return sorted(new, key=order)


# --- Afterwards ---------------------------------------------------------------


@use_case
def confirm(
    coop: Coop, *, by: Membership | None, now: datetime, place_id: UUID, minutes: int | None = None
) -> WatchPlace:
    """Somebody else confirms that a member stood their watch, all of it (from when they took over, if it ran by
    then) unless ``minutes`` are said; 0 is "did not come".

    The minutes go to the hours account with the weight of the night.
    """
    place = held_place(coop, place_id)
    watch, firing = place.watch, place.watch.firing
    fellow = (
        by is not None
        and WatchPlace.objects.of(coop)
        .filter(watch__firing=firing, member=by, given_up_at=None, watch__ends_at__gte=watch.starts_at)
        .filter(watch__starts_at__lte=watch.ends_at)
        .exists()
    )
    check_may_confirm(by, firing, place.member, is_crewmate=bool(fellow))
    began = max(watch.starts_at, place.taken_at)
    worked = worked_minutes(watch, minutes, now, since=began)
    changed = WatchPlace.objects.of(coop).filter(pk=place.pk, confirmed_at=None, given_up_at=None)
    if not changed.update(confirmed_at=now, confirmed_by=by, worked_minutes=worked):
        raise Taken(_("This was confirmed already; a mistake is mended by the coordinator in the hours account."))
    let_go(coop, [place.pk], now)
    counts = hours.credited(began, watch.ends_at, coop.time_zone, hours.terms_of(firing), minutes=worked)
    if counts:
        credit(
            member=place.member,
            firing=firing,
            kind=HoursEntry.Kind.WATCH,
            minutes=counts,
            why=_("Watch %(number)d (%(firing)s)") % {"number": watch.number, "firing": firing.name},
            key=f"watch:{place.public_id}",
            by=by,
            now=now,
        )
    place.refresh_from_db()
    return place


def credit_stood(place: WatchPlace, by: Membership | None, now: datetime) -> HoursEntry | None:
    """Put what a member has stood of a running watch into their account as they leave it; the row says from when
    to when. None where nothing was stood.

    They stood until now; who had said that they cannot come, until they said so, and only if anything tells that
    they came at all; who had said they come late, from then on. Call inside a use case, before the place's news is
    closed.
    """
    watch, member, firing = place.watch, place.member, place.watch.firing
    began, left = max(watch.starts_at, place.taken_at), min(now, watch.ends_at)
    news = CrewNews.objects.filter(coop=place.coop_id, place=place, closed_at=None).first()
    if news is not None and news.kind == CrewNews.Kind.LATE:
        began = max(began, watch.starts_at + timedelta(minutes=news.minutes or 0))
    elif news is not None:
        left = min(left, news.said_at) if _was_seen(watch, member) else began
    terms, zone = hours.terms_of(firing), firing.coop.time_zone
    is_burning = firing.stage == Firing.Stage.LIT
    counts = hours.credited(began, left, zone, terms) if is_burning and began < left else 0
    if not counts:
        return None
    clock = ZoneInfo(zone)
    return credit(
        member=member,
        firing=firing,
        kind=HoursEntry.Kind.WATCH,
        minutes=counts,
        why=_("Watch %(number)d (%(firing)s), stood from %(from)s to %(until)s and left to others")
        % {
            "number": watch.number,
            "firing": firing.name[:100],
            "from": show_time(began, clock),
            "until": show_time(left, clock),
        },
        key=f"watch:{place.public_id}",
        by=by,
        now=now,
    )


def _was_seen(watch: Watch, member: Membership) -> bool:
    """Whether somebody said they are at this watch, or they wrote in its log."""
    here = WatchPresence.objects.filter(coop=watch.coop_id, watch=watch, member=member)
    wrote = LogEntry.objects.filter(
        coop=watch.coop_id, firing=watch.firing_id, by=member, entered_at__gte=watch.starts_at
    )
    return here.exists() or wrote.exists()


def _told_stood(entry: HoursEntry | None) -> list[str]:
    if entry is None:
        return []
    return [_("%(minutes)d minutes are in your hours account for what you stood.") % {"minutes": entry.minutes}]


# --- Shared steps -------------------------------------------------------------------------


def check_takes_crew(firing: Firing) -> None:
    if firing.stage not in TAKES_CREW:
        raise Refused(_("The fire of this firing is out; there is no watch to take any more."))


def lock_member(member: Membership) -> None:
    """Two sign-ups of one person wait for each other, so that rest and hours hold between them."""
    Membership.objects.select_for_update(no_key=True).get(pk=member.pk)


def standing_watch(coop: Coop, watch_id: UUID) -> Watch:
    watch: Watch | None = (
        Watch.objects.of(coop)
        .standing()
        .filter(public_id=watch_id)
        .select_related("firing__kiln", "firing__coop", "firing__policy", "firing__lead__person")
        .first()
    )
    if watch is None:
        raise NotFound(_("There is no such watch here."))
    return watch


def held_place(coop: Coop, place_id: UUID) -> WatchPlace:
    place: WatchPlace | None = (
        WatchPlace.objects.of(coop)
        .filter(public_id=place_id, given_up_at=None, watch__cancelled_at=None)
        .select_related(
            "member__person",
            "watch__firing__kiln",
            "watch__firing__coop",
            "watch__firing__policy",
            "watch__firing__lead__person",
        )
        .first()
    )
    if place is None:
        raise NotFound(_("There is no such place on a watch here."))
    return place


def _own_place(watch: Watch, member: Membership) -> WatchPlace:
    place: WatchPlace | None = (
        WatchPlace.objects.filter(coop=watch.coop_id, watch=watch, member=member, given_up_at=None)
        .select_related("member__person")
        .first()
    )
    if place is None:
        raise Refused(_("You are not on this watch, so there is nothing to give up."))
    return place


def _offer(coop: Coop, offer_id: UUID) -> PlaceOffer:
    offered: PlaceOffer | None = (
        PlaceOffer.objects.of(coop)
        .filter(public_id=offer_id)
        .select_related(
            "place__watch__firing__kiln",
            "place__watch__firing__coop",
            "place__watch__firing__policy",
            "place__watch__firing__lead__person",
            "place__member__person",
        )
        .first()
    )
    if offered is None:
        raise NotFound(_("There is no such offer here."))
    return offered


def crew_of(watch: Watch) -> list[WatchPlace]:
    return list(
        WatchPlace.objects.filter(coop=watch.coop_id, watch=watch, given_up_at=None)
        .select_related("member__person")
        .prefetch_related("member__sign_offs")
    )


def let_go(coop: Coop, places: Iterable[int], now: datetime) -> None:
    """These places (keys) change hands or are over: what was on offer, to be swapped or asked about them is closed."""
    keys = list(places)
    PlaceOffer.objects.of(coop).filter(place__in=keys, closed_at=None).update(closed_at=now)
    WatchSwap.objects.of(coop).open().filter(Q(place__in=keys) | Q(for_place__in=keys)).update(closed_at=now)
    CrewNews.objects.of(coop).open().filter(place__in=keys).update(closed_at=now)
    PlaceQuestion.objects.of(coop).open().filter(place__in=keys).update(closed_at=now)


def page_of(firing: Firing, name: str, **more: UUID) -> str:
    return reverse(name, kwargs={"coop": firing.coop.slug, "firing": firing.public_id, **more})


def tell(
    firing: Firing,
    member: Membership,
    *,
    key: str,
    subject: str,
    text: str,
    now: datetime,
    stale_at: datetime | None = None,
    kind: str = "watch",
) -> None:
    notices.queue(
        firing.coop,
        key=key,
        kind=kind,
        to=member,
        subject=f"{firing.name}: {subject}",
        text=text,
        link=page_of(firing, "firing_watches"),
        now=now,
        stale_at=stale_at,
    )


def tell_lead(firing: Firing, *, besides: Membership, key: str, subject: str, text: str, now: datetime) -> None:
    if firing.lead_id != besides.pk:
        tell(firing, firing.lead, key=key, subject=subject, text=text, now=now)


def tell_seated(firing: Firing, member: Membership, watches: Sequence[Watch], now: datetime) -> None:
    lines = [rosters.spoken(watch) for watch in sorted(watches, key=lambda watch: watch.starts_at)]
    tell(
        firing,
        member,
        key=f"watch-seated:{member.public_id}:{now:%Y%m%d%H%M%S%f}:{watches[0].public_id}",
        subject=_("You have a watch") if len(lines) == 1 else _("You have watches"),
        text="\n".join([*lines, _("If you cannot come, give the place up or away soon.")]),
        now=now,
    )
