"""Somebody is at the watch, or the next one is called: the order of the firing, presence, and the calls."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from uuid import UUID

from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop import notices
from coop.access import allowed
from coop.errors import Malformed, NotAllowed, NotFound, Refused, Taken
from coop.models import Coop, Membership
from coop.transactions import say, use_case
from firings.access import check_leads, check_takes_part
from firings.models import Firing, OnCall, Watch, WatchCall, WatchPresence
from firings.queries import hours
from firings.queries import on_call as queries
from firings.queries.firings import firing_of
from firings.queries.on_call import AT_THE_FIRE, EARLY
from firings.services import rosters

MOST_ON_CALL = 10

say(
    here_once_per_watch_and_member=gettext_lazy("This is known already: they are at the watch."),
    on_call_place_held_once=gettext_lazy("Somebody else changed who is on call just now; load the page again."),
    on_call_once_per_member=gettext_lazy("Nobody is on call twice; name each person once."),
    called_once_per_step=gettext_lazy("The next person was called already."),
    called_once_per_member=gettext_lazy("This person was called already."),
)


@use_case
def set_order(
    coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID, member_ids: Sequence[UUID]
) -> list[OnCall]:
    """The lead names who is called, in order, when nobody is at a watch; lead and deputy come after them.

    Who is new in it is told. An empty list leaves lead and deputy.
    """
    firing = firing_of(coop, firing_id)
    check_leads(by, firing)
    if firing.stage in (Firing.Stage.CLOSED, Firing.Stage.CALLED_OFF):
        raise Refused(_("This firing is over and its record is read-only."))
    if len(set(member_ids)) < len(member_ids):
        raise _malformed(_("Nobody is on call twice; name each person once."))
    if len(member_ids) > MOST_ON_CALL:
        raise _malformed(_("Name at most %(most)d people.") % {"most": MOST_ON_CALL})
    found = {
        member.public_id: member
        for member in Membership.objects.of(coop).current().with_roles().filter(public_id__in=member_ids)
    }
    if len(found) < len(member_ids):
        raise NotFound(_("There is no such member here."))
    for member in found.values():
        check_takes_part(member, firing)
    before = set(OnCall.objects.of(coop).filter(firing=firing).values_list("member", flat=True))
    OnCall.objects.of(coop).filter(firing=firing).delete()
    order: list[OnCall] = [
        OnCall.objects.create(coop=coop, firing=firing, member=found[member_id], position=position)
        for position, member_id in enumerate(member_ids, 1)
    ]
    for row in order:
        if row.member_id not in before:
            _tell_on_call(row, by, now)
    return order


def _malformed(text: str) -> Malformed:
    return Malformed([text], fields={"members": [text]})


def _tell_on_call(row: OnCall, by: Membership | None, now: datetime) -> None:
    if by is not None and by.pk == row.member_id:
        return
    firing = row.firing
    notices.queue(
        firing.coop,
        key=f"on-call:{firing.public_id}:{row.member.public_id}:{now:%Y%m%d%H%M%S}",
        kind="watch",
        to=row.member,
        subject=_("You are on call for %(firing)s") % {"firing": firing.name},
        text=_(
            "When nobody says they are at a watch, you are number %(position)d to be called. Tell the lead if you "
            "cannot be."
        )
        % {"position": row.position},
        link=reverse("on_call", kwargs={"coop": firing.coop.slug, "firing": firing.public_id}),
        now=now,
    )


# --- I am here ----------------------------------------------------------------------------


@use_case
def here(coop: Coop, *, by: Membership, now: datetime, watch_id: UUID, member_id: UUID | None = None) -> WatchPresence:
    """Say that one is at a watch, or that one of its crew is. Whoever was called hears that somebody is there.

    Refused: too early, over, not of its crew (and neither lead nor called).
    """
    watch = queries.watch_of(coop, watch_id)
    firing = watch.firing
    if firing.stage not in AT_THE_FIRE:
        raise Refused(_("This kiln is not burning, so nobody needs to be at a watch now."))
    if now < watch.starts_at - EARLY:
        raise Refused(_("This watch is still to come; say so when you are there, from an hour before."))
    if now >= watch.ends_at:
        raise Refused(_("This watch is over; who was there is confirmed by somebody else."))
    crew = {place.member.public_id: place.member for place in queries.crew_of(watch)}
    member = by if member_id in (None, by.public_id) else crew.get(member_id)
    if member is None:
        raise NotFound(_("They are not on this watch; they can say themselves that they are here."))
    if by.public_id not in crew and not _may_say(watch, by):
        raise NotAllowed(_("You are neither on this watch nor on call; ask one of its crew or the lead."))
    if WatchPresence.objects.of(coop).filter(watch=watch, member=member).exists():
        raise Taken(_("This is known already: %(name)s is at the watch.") % {"name": member.name})
    there: WatchPresence = WatchPresence.objects.create(coop=coop, watch=watch, member=member, at=now, said_by=by)
    for call in queries.calls_of(watch):
        if call.member_id != member.pk:
            _tell(
                watch,
                call.member,
                f"watch-taken-up:{watch.public_id}:{call.member.public_id}",
                now,
                *_all_clear(watch, member),
            )
    return there


def _may_say(watch: Watch, by: Membership) -> bool:
    if allowed(check_leads, by, watch.firing):
        return True
    return any(member.pk == by.pk for member in queries.order_of(watch.firing))


def _all_clear(watch: Watch, member: Membership) -> tuple[str, str]:
    return (
        _("Somebody is at the watch"),
        _("%(who)s is at %(watch)s. You need not come.") % {"who": member.name, "watch": rosters.spoken(watch)},
    )


# --- Calls --------------------------------------------------------------------------------


def escalate(coop: Coop, *, now: datetime) -> int:
    """Call the next person for every watch nobody has taken up in time; how many were called.

    One step at a time and no sooner than the policy's minutes after the last, so that a sweep that slept does
    not wake everybody at once. Running twice, or dying in between, calls nobody twice.
    """
    called = 0
    for watch in queries.not_taken_up(coop, now):
        wait = timedelta(minutes=hours.terms_of(watch.firing).take_up_minutes)
        calls = queries.calls_of(watch)
        since = calls[-1].called_at if calls else watch.starts_at
        if now - since >= wait and _next_in(watch, calls) is not None:
            try:
                called += _call(coop, by=None, now=now, watch_id=watch.public_id, step=len(calls) + 1) is not None
            except Taken:  # another sweep called them in the same moment
                continue
    return called


def _next_in(watch: Watch, calls: Sequence[WatchCall]) -> Membership | None:
    """The next of the order who was not called yet and is not on the watch anyway."""
    known = {call.member_id for call in calls} | {place.member_id for place in queries.crew_of(watch)}
    return next((member for member in queries.order_of(watch.firing) if member.pk not in known), None)


@use_case
def _call(coop: Coop, *, by: Membership | None, now: datetime, watch_id: UUID, step: int) -> WatchCall | None:
    watch = queries.watch_of(coop, watch_id)
    if queries.is_taken_up(watch):
        return None
    member = _next_in(watch, queries.calls_of(watch))
    if member is None:
        return None
    call: WatchCall = WatchCall.objects.create(coop=coop, watch=watch, step=step, member=member, called_at=now)
    crew = queries.crew_of(watch)
    names = ", ".join(place.member.name for place in crew) or _("nobody signed up")
    _tell(
        watch,
        member,
        f"watch-call:{watch.public_id}:{step}",
        now,
        _("Nobody is at the watch yet"),
        _(
            "%(watch)s has begun and nobody has said they are there. On it: %(crew)s. Call them or go; whoever is "
            "there says so on the page. The crew before stays until they are relieved."
        )
        % {"watch": rosters.spoken(watch), "crew": names},
    )
    for place in crew if step == 1 else ():
        _tell(
            watch,
            place.member,
            f"watch-not-here:{watch.public_id}:{place.member.public_id}",
            now,
            _("Are you at your watch?"),
            _(
                "%(watch)s has begun and nobody has said they are there. If you are, say so on the page; if you "
                "cannot come, call %(who)s, who has been told."
            )
            % {"watch": rosters.spoken(watch), "who": member.name},
        )
    return call


def _tell(watch: Watch, member: Membership, key: str, now: datetime, subject: str, text: str) -> None:
    firing = watch.firing
    notices.queue(
        firing.coop,
        key=key,
        kind="watch-call",
        to=member,
        subject=f"{firing.name}: {subject}",
        text=text,
        link=reverse(
            "watch_here", kwargs={"coop": firing.coop.slug, "firing": firing.public_id, "watch": watch.public_id}
        ),
        now=now,
        stale_at=watch.ends_at,
    )
