"""Who is at a watch, who was called, and who would be next."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from django.db.models import Exists, OuterRef
from django.utils.translation import gettext as _

from coop.errors import NotFound
from coop.models import Coop, Membership
from firings.models import Firing, HandOver, LogEntry, OnCall, Watch, WatchCall, WatchPlace, WatchPresence

EARLY = timedelta(hours=1)  # for the hand-over people come before their watch begins
AT_THE_FIRE = (Firing.Stage.LOADING, Firing.Stage.LIT)
_WITH_FIRING = ("firing__kiln", "firing__coop", "firing__policy", "firing__lead__person", "firing__deputy__person")


def watch_of(coop: Coop, watch_id: UUID) -> Watch:
    """A standing watch with its firing. Raises NotFound."""
    watch: Watch | None = (
        Watch.objects.of(coop).standing().select_related(*_WITH_FIRING).filter(public_id=watch_id).first()
    )
    if watch is None:
        raise NotFound(_("There is no such watch here."))
    return watch


def crew_of(watch: Watch) -> list[WatchPlace]:
    return list(
        WatchPlace.objects.filter(coop=watch.coop_id, watch=watch, given_up_at=None).select_related("member__person")
    )


def calls_of(watch: Watch) -> list[WatchCall]:
    """Who was called for this watch, in order."""
    return list(WatchCall.objects.filter(coop=watch.coop_id, watch=watch).select_related("member__person"))


def listed(firing: Firing) -> list[OnCall]:
    """Whom the lead has named, in order."""
    return list(OnCall.objects.filter(coop=firing.coop_id, firing=firing).select_related("member__person"))


def order_of(firing: Firing) -> list[Membership]:
    """Who is called one after the other: whom the lead named, then the lead, then the deputy; no one who has left."""
    people = [*(row.member for row in listed(firing)), firing.lead, *([firing.deputy] if firing.deputy else [])]
    once: dict[int, Membership] = {}
    for member in people:
        once.setdefault(member.pk, member)
    return [member for member in once.values() if member.left_at is None]


def is_taken_up(watch: Watch) -> bool:
    """Whether somebody took the watch up: they said so, one of the crew wrote in the log since, or accepted the
    hand-over (an hour before at the earliest)."""
    coop, crew = watch.coop_id, [place.member_id for place in crew_of(watch)]
    if WatchPresence.objects.filter(coop=coop, watch=watch).exists():
        return True
    wrote = LogEntry.objects.filter(coop=coop, firing=watch.firing_id, by__in=crew, entered_at__gte=watch.starts_at)
    came = HandOver.objects.filter(
        coop=coop, firing=watch.firing_id, incoming__in=crew, incoming_at__gte=watch.starts_at - EARLY
    )
    return bool(crew) and (wrote.exists() or came.exists())


def not_taken_up(coop: Coop, now: datetime) -> list[Watch]:
    """Watches of burning kilns that have begun and are not over, at which nobody is as far as the rows say."""
    running = (
        Watch.objects.of(coop)
        .standing()
        .filter(firing__stage=Firing.Stage.LIT, starts_at__lte=now, ends_at__gt=now)
        .select_related(*_WITH_FIRING)
    )
    return [watch for watch in running if not is_taken_up(watch)]


@dataclass(frozen=True, slots=True)
class Person:
    """One of a watch, or called to it, as the page shows them."""

    member: Membership
    here: WatchPresence | None
    is_on_crew: bool
    called_at: datetime | None


def people_of(watch: Watch) -> list[Person]:
    """The crew of a watch, then whoever was called to it or came besides."""
    here = {
        row.member_id: row
        for row in WatchPresence.objects.filter(coop=watch.coop_id, watch=watch).select_related("member__person")
    }
    calls = {call.member_id: call for call in calls_of(watch)}
    crew = {place.member_id: place.member for place in crew_of(watch)}
    others = {pk: row.member for pk, row in (*calls.items(), *here.items()) if pk not in crew}
    return [
        Person(member, here.get(pk), pk in crew, calls[pk].called_at if pk in calls else None)
        for pk, member in (*crew.items(), *others.items())
    ]


def mine_now(coop: Coop, member: Membership, now: datetime) -> list[Watch]:
    """Watches a member should be at now or within the hour and has not said they are: their own, or called to."""
    mine = Exists(WatchPlace.objects.filter(watch=OuterRef("pk"), member=member, given_up_at=None))
    called = Exists(WatchCall.objects.filter(watch=OuterRef("pk"), member=member))
    return list(
        Watch.objects.of(coop)
        .standing()
        .filter(firing__stage__in=AT_THE_FIRE, starts_at__lte=now + EARLY, ends_at__gt=now)
        .filter(mine | called)
        .exclude(Exists(WatchPresence.objects.filter(watch=OuterRef("pk"), member=member)))
        .select_related("firing__kiln")[:4]
    )
