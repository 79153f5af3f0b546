"""A firing's own moves: called, put off, called off, from stage to stage, closed; and guests for one firing."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import datetime, timedelta
from uuid import UUID
from zoneinfo import ZoneInfo

from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop import notices
from coop.access import allowed, check_holds
from coop.errors import NotFound, Refused, Taken
from coop.models import Coop, Membership
from coop.periods import Span, show, show_span
from coop.services import current_policy, write_invitation
from coop.transactions import say, use_case
from firings import lifecycle
from firings.access import check_leads, check_may_call
from firings.fire import cones
from firings.models import (
    CheckItem,
    ChorePlace,
    Firing,
    FiringZone,
    GuestPass,
    Kiln,
    Piece,
    StageMove,
    Watch,
    WatchPlace,
)
from firings.queries.fire_end import heat_of
from firings.queries.firings import firing_of
from firings.services import chores, cleanup, furniture, hours, load_plans, space, watches

say(
    kiln_taken_once=gettext_lazy(
        "Somebody called another firing of this kiln for these days just now. Pick other dates from the calendar."
    ),
    firing_name_used_once=gettext_lazy("There is a firing of this name already; give this one another name."),
    firing_dates_are_in_order=gettext_lazy(
        "The dates must follow each other: loading, lighting, end of fire, unpacking, clean-up done."
    ),
    booking_closes_before_the_fire=gettext_lazy("Booking must close before the kiln is lit; pick an earlier moment."),
    fire_ends_after_it_is_lit=gettext_lazy("The end of the fire must come after it was lit; correct the time."),
    ended_firing_frees_the_kiln=gettext_lazy("This firing has ended; load the page again."),
)


# --- Calling --------------------------------------------------------------------------------


@use_case
def call(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    kiln_id: UUID,
    name: str,
    occupied_from: datetime,
    lights_at: datetime,
    target_cone: str = "",
    with_soda: bool = False,
    lead_id: UUID | None = None,
    deputy_id: UUID | None = None,
    ends_at: datetime | None = None,
    opens_at: datetime | None = None,
    occupied_until: datetime | None = None,
    booking_closes_at: datetime | None = None,
    cost_estimate_minor: int | None = None,
    notes: str = "",
) -> Firing:
    """Call a firing: the kiln is taken from loading to the end of clean-up, and every member is told.

    Dates that are not given follow from the kiln's usual hours. Refused where the kiln is taken, where the dates
    do not follow each other, or where they have passed.
    """
    check_may_call(by)
    kiln = _kiln_kept_still(coop, kiln_id)
    cone = cones.canonical(target_cone or kiln.target_cone)
    if with_soda and not kiln.takes_soda:
        raise Refused(_("No soda goes into %(kiln)s. Call it without soda, or pick another kiln.") % {"kiln": kiln})
    _check_to_come(occupied_from, now)
    firing = Firing(
        coop=coop,
        kiln=kiln,
        name=_name(coop, name),
        lead=_who_may_lead(coop, lead_id) if lead_id else _acting(coop, by),
        deputy=_who_may_lead(coop, deputy_id) if deputy_id else None,
        target_cone=cone,
        with_soda=with_soda,
        occupied_from=occupied_from,
        lights_at=lights_at,
        called_at=now,
        cost_estimate_minor=cost_estimate_minor,
        notes=notes.strip(),
    )
    _set_dates(firing, ends_at, opens_at, occupied_until, booking_closes_at, now)
    _check_dates(firing)
    _check_kiln_free(firing)
    if cost_estimate_minor is not None and cost_estimate_minor < 0:
        sentence = _("The estimate cannot be less than nothing; give zero or more.")
        raise Refused(sentence, fields={"cost_estimate": [sentence]})
    firing.save(force_insert=True)
    FiringZone.objects.bulk_create(
        FiringZone(coop=coop, firing=firing, zone=zone, capacity_ml=zone.capacity_ml) for zone in kiln.zones.all()
    )
    _write_move(firing, origin="", to=Firing.Stage.CALLED, by=by, now=now, note="")
    _tell(
        firing,
        Membership.objects.of(coop).current().select_related("person"),
        kind="firing_called",
        subject=_("%(firing)s is called") % {"firing": firing.name},
        text=_("%(kiln)s, cone %(cone)s, to be lit %(when)s. Booking closes %(closes)s.")
        % {
            "kiln": kiln.name,
            "cone": cone,
            "when": show(firing.lights_at, _zone(coop)),
            "closes": show(firing.booking_closes_at, _zone(coop)),
        },
        now=now,
    )
    return firing


@use_case
def put_off(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    firing_id: UUID,
    occupied_from: datetime,
    lights_at: datetime,
    ends_at: datetime | None = None,
    opens_at: datetime | None = None,
    occupied_until: datetime | None = None,
    booking_closes_at: datetime | None = None,
) -> Firing:
    """Change a firing's dates before it is lit; watches are cut anew and everyone who takes part is told.

    Dates that are not given move along: booking with loading, the rest with lighting.
    """
    firing = firing_of(coop, firing_id)
    check_leads(by, firing)
    if firing.stage not in lifecycle.BEFORE_LIT:
        raise Refused(_("This firing was lit; its dates stand as they were."))
    _kiln_kept_still(coop, firing.kiln.public_id)
    if firing.stage != Firing.Stage.LOADING:
        _check_to_come(occupied_from, now)
    later, closes = lights_at - firing.lights_at, occupied_from - firing.occupied_from
    firing.occupied_from, firing.lights_at = occupied_from, lights_at
    firing.ends_at = ends_at or firing.ends_at + later
    firing.opens_at = opens_at or firing.opens_at + later
    firing.occupied_until = occupied_until or firing.occupied_until + later
    firing.booking_closes_at = booking_closes_at or firing.booking_closes_at + closes
    _check_dates(firing)
    _check_kiln_free(firing)
    dates = {name: getattr(firing, name) for name in _DATES}
    # Lit by somebody else between our look and now: the dates stand, and nobody is told anything.
    if not Firing.objects.of(coop).filter(pk=firing.pk, stage=firing.stage).update(**dates):
        raise Taken(_("Somebody moved this firing on just now. Load the page again and see how things stand."))
    if firing.stage != Firing.Stage.CALLED:
        watches.cut_for(firing, now)
    _tell(
        firing,
        takes_part(firing),
        kind="firing_put_off",
        subject=_("%(firing)s has new dates") % {"firing": firing.name},
        text=_("To be lit %(when)s; the kiln is taken %(span)s. Look whether your watches still suit you.")
        % {
            "when": show(firing.lights_at, _zone(coop)),
            "span": show_span(Span(firing.occupied_from, firing.occupied_until), _zone(coop)),
        },
        now=now,
        key=f"{now:%Y%m%d%H%M%S}",
    )
    return firing


@use_case
def call_off(coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID, why: str) -> Firing:
    """Call a firing off before it is lit: space, places and kiln are free again, and everyone is told why."""
    firing = firing_of(coop, firing_id)
    check_leads(by, firing)
    lifecycle.check_move(firing.stage, lifecycle.CALLED_OFF)
    if not why.strip():
        raise Refused(
            _("Say in a few words why it is called off; everyone gets to read it."), fields={"why": [_("Why?")]}
        )
    told = list(takes_part(firing))
    space.release_all(firing, now)
    record_move(firing, to=lifecycle.CALLED_OFF, by=by, now=now, note=why.strip())
    Firing.objects.of(coop).filter(pk=firing.pk).update(holds_kiln=False, called_off_at=now, called_off_why=why.strip())
    firing.refresh_from_db()
    _free_places(firing, now)
    watches.cut_for(firing, now)
    _tell(
        firing,
        told,
        kind="firing_called_off",
        subject=_("%(firing)s is called off") % {"firing": firing.name},
        text=_("%(why)s\n\nYour space and your places are released; you need do nothing.") % {"why": why.strip()},
        now=now,
    )
    return firing


def _free_places(firing: Firing, now: datetime) -> None:
    """Nobody is expected on a watch or chore to come; the mail that calls the firing off says so once for all."""
    to_come = {"given_up_at": None, "coop": firing.coop_id}
    WatchPlace.objects.filter(watch__firing=firing, watch__starts_at__gt=now, **to_come).update(given_up_at=now)
    ChorePlace.objects.filter(chore__firing=firing, chore__starts_at__gt=now, **to_come).update(given_up_at=now)


# --- From stage to stage --------------------------------------------------------------------


@use_case
def move_on(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    firing_id: UUID,
    to: str,
    note: str = "",
    failed: bool = False,
    at: datetime | None = None,
) -> Firing:
    """Move a firing to its next stage, with all that belongs to it.

    ``at`` is when it happened (lit, end of fire) where that was earlier than now; ``failed`` says at the end of
    fire that the kiln did not reach temperature. Clean-up is left by signing it off, settling by posting the
    cost shares; both have services of their own.
    """
    firing = firing_of(coop, firing_id)
    check_leads(by, firing)
    move = lifecycle.check_move(firing.stage, to)
    if lifecycle.LEAD not in move.roles or to == lifecycle.CALLED_OFF:
        raise Refused(_("Use “%(button)s” on its own page for this step.") % {"button": move.word})
    happened = at or now
    if happened > now:
        raise Refused(_("That moment is still to come; give a time up to now."), fields={"at": [_("Not yet.")]})
    _ENTER.get(to, _nothing_more)(firing, by, now, happened, note.strip(), failed)
    record_move(firing, to=to, by=by, now=now, note=note.strip())
    firing.refresh_from_db()
    if (follow := _AFTER.get(to)) is not None:
        follow(firing, by, now)
    return firing


def record_move(firing: Firing, *, to: str, by: Membership | None, now: datetime, note: str) -> None:
    """Write the step down and take it, if the firing is still at the stage we saw; else Taken."""
    moved = Firing.objects.filter(coop=firing.coop_id, pk=firing.pk, stage=firing.stage).update(
        stage=to, **({"holds_kiln": False} if to in lifecycle.FINAL else {})
    )
    if not moved:
        raise Taken(_("Somebody moved this firing on just now. Load the page again and see how things stand."))
    _write_move(firing, origin=firing.stage, to=to, by=by, now=now, note=note)
    firing.stage = to


def close(firing: Firing, by: Membership | None, now: datetime) -> None:
    """The cost shares are posted: the record is complete and read-only. Call inside a use case."""
    record_move(firing, to=Firing.Stage.CLOSED, by=by, now=now, note="")
    Firing.objects.filter(coop=firing.coop_id, pk=firing.pk).update(closed_at=now)
    firing.closed_at = now
    hours.settle_in_money(firing, by, now)


def _nothing_more(firing: Firing, by: Membership | None, now: datetime, at: datetime, note: str, failed: bool) -> None:
    """Most stages are entered without more."""


def _open_booking(firing: Firing, by: Membership | None, now: datetime, at: datetime, note: str, failed: bool) -> None:
    if firing.booking_closes_at <= now:
        raise Refused(_("Booking would have closed already. Put the firing off, or set a later closing time."))
    Firing.objects.filter(pk=firing.pk).update(policy=current_policy(firing.coop))
    firing.refresh_from_db()
    watches.cut_for(firing, now)


def _share_out(firing: Firing, by: Membership | None, now: datetime, at: datetime, note: str, failed: bool) -> None:
    """Where pieces wait, the stage is entered by accepting an allotment; where all have space, none is needed."""
    waiting = Piece.objects.of(firing.coop).filter(booking__firing=firing).waiting().count()
    if waiting:
        raise Refused(
            _("More is asked than fits, and %(n)s rows of pieces wait. Propose an allotment on the space page first.")
            % {"n": waiting}
        )


def _begin_loading(firing: Firing, by: Membership | None, now: datetime, at: datetime, note: str, failed: bool) -> None:
    uncleaned = (
        Firing.objects.of(firing.coop)
        .filter(kiln=firing.kiln_id, stage__in=["lit", "cooling", "unpacking", "cleanup"])
        .exclude(pk=firing.pk)
        .first()
    )
    if uncleaned is not None:
        raise Refused(
            _("The kiln is blocked until the clean-up of %(other)s is signed off. Ask %(lead)s or a kiln steward.")
            % {"other": uncleaned.name, "lead": uncleaned.lead.name}
        )


def _light(firing: Firing, by: Membership | None, now: datetime, at: datetime, note: str, failed: bool) -> None:
    _check_safe(firing)
    _check_first_watch(firing)
    if not note and not Piece.objects.of(firing.coop).filter(booking__firing=firing).held().exists():
        raise Refused(
            _("No piece has space in this firing. Write down why an empty kiln is lit, or list the pieces first."),
            fields={"note": [_("Why is it lit empty?")]},
        )
    Firing.objects.filter(pk=firing.pk).update(lit_at=at)
    firing.refresh_from_db()


def _check_safe(firing: Firing) -> None:
    """Nothing marked as safety on the kiln's earlier checklists may be open."""
    item = (
        CheckItem.objects.of(firing.coop)
        .filter(checklist__firing__kiln=firing.kiln_id, is_safety=True, done_at=None)
        .exclude(checklist__firing=firing)
        .first()
    )
    if item is not None:
        raise Refused(
            _("The kiln must not be lit before this is done: “%(item)s”. Tick it on its clean-up checklist.")
            % {"item": item.text}
        )


def _check_first_watch(firing: Firing) -> None:
    """Never alone at the fire, and somebody who may lead: that is no policy and cannot be switched off."""
    first = Watch.objects.of(firing.coop).filter(firing=firing).standing().order_by("starts_at").first()
    if first is None:
        raise Refused(_("There are no watches yet. Open booking first, so that the watches are cut."))
    crew = list(first.places_held.filter(given_up_at=None).select_related("member__person"))
    when = show_span(Span(first.starts_at, first.ends_at), _zone(firing.coop))
    if len(crew) < 2:
        raise Refused(
            _("Nobody is alone at the fire: the first watch (%(when)s) has %(count)s of at least 2 people. Find more.")
            % {"when": when, "count": len(crew)}
        )
    if not any(place.is_leading for place in crew):
        raise Refused(
            _("Nobody on the first watch (%(when)s) is signed off to lead it. Find somebody who is.") % {"when": when}
        )


def _end_fire(firing: Firing, by: Membership | None, now: datetime, at: datetime, note: str, failed: bool) -> None:
    if not note:
        raise Refused(
            _("Write down why the fire ended: cones by place, or what forced it."), fields={"note": [_("Why?")]}
        )
    if firing.lit_at is not None and at <= firing.lit_at:
        raise Refused(_("The end of the fire must come after it was lit; correct the time."))
    Firing.objects.filter(pk=firing.pk).update(ended_at=at, ended_by=by, end_reason=note, has_failed=failed)


def _open_kiln(firing: Firing, by: Membership | None, now: datetime, at: datetime, note: str, failed: bool) -> None:
    """Too hot, or not known: opening then needs the lead's word, in writing."""
    heat = heat_of(firing)
    if not note and (heat is None or heat.dc > firing.kiln.opening_c * 10):
        seen = (
            _("nobody has taken a reading")
            if heat is None
            else f"{heat.probe} {heat.dc // 10}.{heat.dc % 10} °C, {show(heat.at, _zone(firing.coop))}"
        )
        raise Refused(
            _("The kiln may be opened below %(limit)s °C; last seen: %(seen)s. Wait, or write on whose word it opens.")
            % {"limit": firing.kiln.opening_c, "seen": seen},
            fields={"note": [_("On whose word?")]},
        )
    Firing.objects.filter(pk=firing.pk).update(opened_at=at)


_Enter = Callable[[Firing, Membership | None, datetime, datetime, str, bool], None]
_ENTER: dict[str, _Enter] = {
    Firing.Stage.BOOKING: _open_booking,
    Firing.Stage.ALLOTTED: _share_out,
    Firing.Stage.LOADING: _begin_loading,
    Firing.Stage.LIT: _light,
    Firing.Stage.COOLING: _end_fire,
    Firing.Stage.UNPACKING: _open_kiln,
}


def _loaded(firing: Firing, by: Membership | None, now: datetime) -> None:
    """The load is final: hours are owed for it, and it tells how pots pack in this kiln."""
    hours.owe_for(firing, by, now)
    load_plans.learn_stacking(firing, by, now)


def _begin_cleanup(firing: Firing, by: Membership | None, now: datetime) -> None:
    cleanup.make_checklist(firing, by, now)
    furniture.fire_furniture(firing, by, now)


_AFTER: dict[str, Callable[[Firing, Membership | None, datetime], None]] = {
    Firing.Stage.LIT: _loaded,
    Firing.Stage.CLEANUP: _begin_cleanup,
}


# --- The day of unpacking -------------------------------------------------------------------


@use_case
def set_unpacking(coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID, opens_at: datetime) -> Firing:
    """The lead accepts the moment the cooling kiln is to be opened; everyone who takes part is told, once.

    Clean-up keeps its length and moves along, and so do the chores after the fire. Refused where it would run
    into the next firing of the kiln. It promises nothing about the heat: opening still asks for a reading or a word.
    """
    firing = firing_of(coop, firing_id)
    check_leads(by, firing)
    if firing.stage != Firing.Stage.COOLING:
        raise Refused(_("The day of unpacking is set while the kiln cools."))
    if opens_at <= now:
        raise _at_fault("opens_at", _("That moment has passed; pick one to come."))
    if opens_at - now > timedelta(days=30):
        raise _at_fault("opens_at", _("That is more than a month away; pick an earlier day."))
    if firing.unpacking_told_at is not None and opens_at == firing.opens_at:
        raise Taken(_("Everyone was told of this day already."))
    _kiln_kept_still(coop, firing.kiln.public_id)
    until = firing.occupied_until + (opens_at - firing.opens_at)
    _check_makes_room(firing, until)
    moved = Firing.objects.of(coop).filter(pk=firing.pk, stage=firing.stage, opens_at=firing.opens_at)
    ends_at = min(firing.ends_at, opens_at)
    if not moved.update(opens_at=opens_at, occupied_until=until, ends_at=ends_at, unpacking_told_at=now):
        raise Taken(_("Somebody changed this firing just now. Load the page again and see how things stand."))
    firing.refresh_from_db()
    chores.follow_dates(firing, now)
    zone = _zone(coop)
    _tell(
        firing,
        takes_part(firing),
        kind="unpacking_day",
        subject=_("%(firing)s is unpacked %(when)s") % {"firing": firing.name, "when": show(opens_at, zone)},
        text=_(
            "%(kiln)s should be below %(limit)s °C by then; if it is not, the lead writes again. Nobody opens it "
            "before. Come for your pots and for the clean-up, which ends %(until)s."
        )
        % {"kiln": firing.kiln.name, "limit": firing.kiln.opening_c, "until": show(until, zone)},
        now=now,
        key=f"{opens_at:%Y%m%d%H%M}:{now:%Y%m%d%H%M%S}",
    )
    return firing


def _at_fault(field: str, sentence: str) -> Refused:
    return Refused(sentence, fields={field: [sentence]})


def _check_makes_room(firing: Firing, until: datetime) -> None:
    """Clean-up until then must not run into the next firing of the kiln."""
    other = (
        Firing.objects.of(firing.coop)
        .filter(kiln=firing.kiln, holds_kiln=True, occupied_from__lt=until, occupied_until__gt=firing.occupied_from)
        .exclude(pk=firing.pk)
        .order_by("occupied_from")
        .first()
    )
    if other is not None:
        raise _at_fault(
            "opens_at",
            _("Clean-up would then run into %(other)s, which loads %(when)s. Pick an earlier day, or put that off.")
            % {"other": other.name, "when": show(other.occupied_from, _zone(firing.coop))},
        )


# --- Guests ---------------------------------------------------------------------------------


def check_may_bring_guest(by: Membership | None) -> None:
    """Any member may bring a guest; a guest may not."""
    check_holds(by, "member", "lead", "steward", "treasurer", "coordinator", to=_("bring a guest"))


@use_case
def bring_guest(
    coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID, email: str, name: str
) -> GuestPass:
    """Invite somebody to this one firing, as the guest of whoever invites them; a mail brings the link."""
    check_may_bring_guest(by)
    firing = firing_of(coop, firing_id)
    if firing.stage not in (Firing.Stage.CALLED, Firing.Stage.BOOKING):
        raise Refused(_("Booking is over, so a guest could bring nothing. Invite them to the next firing."))
    host = _acting(coop, by)
    address = email.strip().lower()
    there = Membership.objects.of(coop).current().filter(person__email=address).first()
    if there is not None:
        if GuestPass.objects.of(coop).filter(firing=firing, guest=there).exists() or not there.holds("guest"):
            raise Taken(_("%(name)s may take part already.") % {"name": there.name})
        return GuestPass.objects.create(coop=coop, firing=firing, host=host, guest=there)
    invitation = write_invitation(coop, by=by, email=email, name=name, roles=["guest"], now=now)
    return GuestPass.objects.create(coop=coop, firing=firing, host=host, invitation=invitation)


# --- Shared steps ---------------------------------------------------------------------------


def takes_part(firing: Firing) -> Iterable[Membership]:
    """Whoever holds or waits for space, stands on a watch or chore, or leads; each once."""
    standing = Membership.objects.of(firing.coop).select_related("person")
    found = {
        *standing.filter(bookings__firing=firing, bookings__withdrawn_at=None).values_list("pk", flat=True),
        *standing.filter(watch_places__watch__firing=firing, watch_places__given_up_at=None).values_list(
            "pk", flat=True
        ),
        *standing.filter(chore_places__chore__firing=firing, chore_places__given_up_at=None).values_list(
            "pk", flat=True
        ),
        *(pk for pk in (firing.lead_id, firing.deputy_id) if pk),
    }
    return list(standing.filter(pk__in=found, left_at=None))


_DATES = ("occupied_from", "lights_at", "ends_at", "opens_at", "occupied_until", "booking_closes_at")


def _set_dates(
    firing: Firing,
    ends_at: datetime | None,
    opens_at: datetime | None,
    occupied_until: datetime | None,
    booking_closes_at: datetime | None,
    now: datetime,
) -> None:
    """What is not given follows from the kiln's usual hours; booking closes a day before loading.

    Where that day has begun already, booking closes when loading begins.
    """
    kiln = firing.kiln
    firing.ends_at = ends_at or firing.lights_at + timedelta(hours=kiln.hours_likely)
    firing.opens_at = opens_at or firing.ends_at + timedelta(hours=kiln.cooling_hours)
    firing.occupied_until = occupied_until or firing.opens_at + timedelta(hours=kiln.cleanup_hours)
    day_before = firing.occupied_from - timedelta(days=1)
    firing.booking_closes_at = booking_closes_at or (day_before if day_before > now else firing.occupied_from)


def _check_to_come(occupied_from: datetime, now: datetime) -> None:
    if occupied_from < now:
        sentence = _("Loading would begin in the past. Pick a day to come.")
        raise Refused(sentence, fields={"occupied_from": [sentence]})


def _check_dates(firing: Firing) -> None:
    steps = (
        (
            "lights_at",
            firing.occupied_from,
            firing.lights_at,
            _("Lighting comes after loading begins; correct the dates."),
        ),
        (
            "ends_at",
            firing.lights_at,
            firing.ends_at,
            _("The end of the fire comes after lighting; correct the dates."),
        ),
        (
            "opens_at",
            firing.ends_at,
            firing.opens_at,
            _("Unpacking comes after the end of the fire; correct the dates."),
        ),
        (
            "occupied_until",
            firing.opens_at,
            firing.occupied_until,
            _("Clean-up ends after unpacking; correct the dates."),
        ),
    )
    for field, earlier, later, sentence in steps:
        if later < earlier or (later == earlier and field in ("ends_at", "occupied_until")):
            raise Refused(sentence, fields={field: [sentence]})
    if firing.booking_closes_at > firing.lights_at:
        sentence = _("Booking must close before the kiln is lit; pick an earlier moment.")
        raise Refused(sentence, fields={"booking_closes_at": [sentence]})
    if firing.occupied_until - firing.occupied_from > timedelta(days=90):
        raise Refused(_("That would take the kiln for more than 90 days; correct the dates."))


def _check_kiln_free(firing: Firing) -> None:
    other = (
        Firing.objects.of(firing.coop)
        .filter(
            kiln=firing.kiln,
            holds_kiln=True,
            occupied_from__lt=firing.occupied_until,
            occupied_until__gt=firing.occupied_from,
        )
        .exclude(pk=firing.pk)
        .order_by("occupied_from")
        .first()
    )
    if other is None:
        return
    zone = _zone(firing.coop)
    sentence = _("%(kiln)s is taken by %(other)s %(span)s. The next free moment is %(free)s.") % {
        "kiln": firing.kiln.name,
        "other": other.name,
        "span": show_span(Span(other.occupied_from, other.occupied_until), zone),
        "free": show(next_free(firing, other.occupied_until), zone),
    }
    raise Taken(sentence, fields={"occupied_from": [sentence]})


def next_free(firing: Firing, after: datetime) -> datetime:
    """The first moment from ``after`` on at which the kiln is free for as long as this firing takes it."""
    length, moment = firing.occupied_until - firing.occupied_from, after
    taken = (
        Firing.objects.of(firing.coop)
        .filter(kiln=firing.kiln, holds_kiln=True, occupied_until__gt=after)
        .exclude(pk=firing.pk)
        .order_by("occupied_from")
    )
    for start, end in taken.values_list("occupied_from", "occupied_until"):
        if start >= moment + length:
            break
        moment = max(moment, end)
    return moment


def _kiln_kept_still(coop: Coop, kiln_id: UUID) -> Kiln:
    """The kiln, locked: without it the exclusion constraint deadlocks under many writers (PostgreSQL)."""
    kiln: Kiln | None = Kiln.objects.of(coop).select_for_update().filter(public_id=kiln_id, retired_at=None).first()
    if kiln is None:
        raise NotFound(_("There is no such kiln in use here."))
    if not kiln.zones.exists():
        raise Refused(_("%(kiln)s has no zones yet; a kiln steward adds them first.") % {"kiln": kiln.name})
    return kiln


def _name(coop: Coop, name: str) -> str:
    tidy = " ".join(name.split())
    if not tidy or len(tidy) > 80:
        sentence = _("Give the firing a name of at most 80 letters.")
        raise Refused(sentence, fields={"name": [sentence]})
    if Firing.objects.of(coop).filter(name=tidy).exists():
        sentence = _("There is a firing of this name already; give this one another name.")
        raise Taken(sentence, fields={"name": [sentence]})
    return tidy


def _member(coop: Coop, member_id: UUID) -> Membership:
    found: Membership | None = Membership.objects.of(coop).current().filter(public_id=member_id).first()
    if found is None:
        raise NotFound(_("There is no such member here."))
    return found


def _who_may_lead(coop: Coop, member_id: UUID) -> Membership:
    member = _member(coop, member_id)
    if not allowed(check_may_call, member):
        raise Refused(
            _("%(name)s is no firing lead here. Pick somebody who is, or ask the coordinator for the role.")
            % {"name": member.name}
        )
    return member


def _acting(coop: Coop, by: Membership | None) -> Membership:
    if by is None:
        raise Refused(_("Say who leads this firing."), fields={"lead": [_("Who leads?")]})
    return by


def _write_move(firing: Firing, *, origin: str, to: str, by: Membership | None, now: datetime, note: str) -> None:
    StageMove.objects.create(
        coop_id=firing.coop_id, firing=firing, from_stage=origin, to_stage=to, at=now, by=by, note=note
    )


def _tell(
    firing: Firing, members: Iterable[Membership], *, kind: str, subject: str, text: str, now: datetime, key: str = ""
) -> None:
    link = reverse("firing", kwargs={"coop": firing.coop.slug, "firing": firing.public_id})
    for member in members:
        notices.queue(
            firing.coop,
            key=f"{kind}:{firing.public_id}:{member.public_id}:{key}",
            kind=kind,
            to=member,
            subject=subject,
            text=text,
            link=link,
            now=now,
        )


def _zone(coop: Coop) -> ZoneInfo:
    return ZoneInfo(coop.time_zone)
