"""What stands in a calendar feed: a member's watches, chores and firings' key days, or those of one kiln."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from itertools import groupby
from typing import Any
from uuid import UUID, uuid5

from django.conf import settings
from django.db import connection
from django.db.models import Exists, OuterRef, Q
from django.urls import reverse
from django.utils.translation import gettext as _

from coop.models import Coop, Membership
from coop.tokens import token_hash
from firings.calendar_feed import COLOURS, Feed, FeedEvent, stamp
from firings.models import Booking, CalendarFeed, ChorePlace, Firing, GuestPass, Kiln, WatchPlace

BACK = timedelta(days=60)  # how long what is over stays in the feed
KEPT = timedelta(days=30)  # how long what was called off or given up stays, as cancelled
MOST = 400  # rows of a kind: a year of a busy member


@dataclass(frozen=True, slots=True)
class Link:
    """A standing link by its keys: whose it is, and of which kiln (None: of the member)."""

    pk: int
    member: int
    kiln: int | None
    made_at: datetime


def coop_at(slug: str) -> int | None:
    """The key of the co-op at this address."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT id FROM coop_coop WHERE slug = %s", [slug])
        row = cursor.fetchone()
    return None if row is None else row[0]


def find(coop_pk: int, token: str) -> Link | None:
    """What this link stands for, or None: unknown, revoked, or its member has gone, with no difference."""
    with connection.cursor() as cursor:
        cursor.execute(_FIND, [coop_pk, token_hash(token)])
        row = cursor.fetchone()
    return None if row is None else Link(row[0], row[1], row[2], _moment(row[3]))


def feed_row(link: Link) -> CalendarFeed:
    row: CalendarFeed = CalendarFeed.objects.select_related("coop", "member__person", "kiln").get(pk=link.pk)
    return row


def of_member(member: Membership) -> list[CalendarFeed]:
    """A member's standing links: their own first, then kilns by name."""
    return list(
        CalendarFeed.objects.filter(coop=member.coop_id, member=member)
        .standing()
        .select_related("kiln")
        .order_by("kiln__name", "pk")
    )


def kilns_of(coop: Coop) -> list[Kiln]:
    return list(Kiln.objects.of(coop).order_by("name")[:MOST])


def address_of(coop: Coop, token: str) -> str:
    """Where a calendar reads the feed with this token."""
    return f"{settings.SITE_URL}{reverse('feed', kwargs={'coop': coop.slug, 'token': token})}"


@dataclass(frozen=True, slots=True)
class Mark:
    """What tells a feed that has changed from one that has not, without writing it."""

    etag: str
    changed_at: datetime


def mark_of(link: Link, coop_pk: int, now: datetime) -> Mark:
    """Entity tag and moment of the last change: counts and sums of sequences, which only grow, and the day.

    The day is in it because events leave the feed as days go by.
    """
    today = datetime.combine(now.astimezone(UTC).date(), time(0), UTC)
    told: list[object] = [link.pk, settings.SITE_URL, today]
    moments = [link.made_at, today]
    since = connection.ops.adapt_datetimefield_value(now - BACK)
    if link.kiln is None:
        me = link.member
        statement, values = _MARK_OF_MEMBER, [coop_pk, me, since, coop_pk, me, since, coop_pk, since, *[me] * 6]
    else:
        statement, values = _MARK_OF_KILN, [coop_pk, since, link.kiln]
    with connection.cursor() as cursor:
        cursor.execute(statement, values)
        for what, count, sequences, *changed in sorted(cursor.fetchall(), key=lambda row: row[0]):
            told += [what, count, sequences, *changed]
            moments += [_moment(at) for at in changed if at is not None]
    return Mark(stamp(told), max(moments))


def _moment(told: datetime | str) -> datetime:
    """SQLite answers in text, UTC without saying so."""
    at = datetime.fromisoformat(told) if isinstance(told, str) else told
    return at if at.tzinfo else at.replace(tzinfo=UTC)


# Written out because the framework takes ten times as long to build these as the database to answer them, and a
# calendar asks all day. They say the same as _watch_places, _chore_places and _firings below; a test compares.
_FIND = """
SELECT f.id, f.member_id, f.kiln_id, f.made_at FROM firings_calendarfeed f
JOIN coop_membership m ON m.id = f.member_id JOIN coop_person p ON p.id = m.person_id
WHERE f.coop_id = %s AND f.token_hash = %s AND f.revoked_at IS NULL AND m.left_at IS NULL AND p.is_active
"""
_FIRINGS = """
SELECT 'firing', COUNT(f.id), COALESCE(SUM(f.sequence), 0), MAX(f.changed_at), NULL FROM firings_firing f
WHERE f.coop_id = %s AND f.occupied_until > %s AND"""
_MINE = """
(f.lead_id = %s OR f.deputy_id = %s
  OR EXISTS (SELECT 1 FROM firings_booking b
    WHERE b.firing_id = f.id AND b.member_id = %s AND b.withdrawn_at IS NULL)
  OR EXISTS (SELECT 1 FROM firings_watchplace p JOIN firings_watch w ON w.id = p.watch_id
    WHERE w.firing_id = f.id AND p.member_id = %s AND p.given_up_at IS NULL)
  OR EXISTS (SELECT 1 FROM firings_choreplace p JOIN firings_chore c ON c.id = p.chore_id
    WHERE c.firing_id = f.id AND p.member_id = %s AND p.given_up_at IS NULL)
  OR EXISTS (SELECT 1 FROM firings_guestpass g WHERE g.firing_id = f.id AND g.guest_id = %s))
"""
_WATCHES = """
SELECT 'watch', COUNT(p.id), COALESCE(SUM(p.sequence + w.sequence), 0), MAX(p.changed_at), MAX(w.changed_at)
FROM firings_watchplace p JOIN firings_watch w ON w.id = p.watch_id
WHERE p.coop_id = %s AND p.member_id = %s AND w.ends_at > %s
"""
_CHORES = """
SELECT 'chore', COUNT(p.id), COALESCE(SUM(p.sequence + c.sequence), 0), MAX(p.changed_at), MAX(c.changed_at)
FROM firings_choreplace p JOIN firings_chore c ON c.id = p.chore_id
WHERE p.coop_id = %s AND p.member_id = %s AND c.ends_at > %s
"""
_MARK_OF_KILN = " ".join([_FIRINGS, "f.kiln_id = %s"])
_MARK_OF_MEMBER = "UNION ALL".join([_WATCHES, _CHORES, " ".join([_FIRINGS, _MINE])])


def _watch_places(member: Membership, now: datetime) -> Any:
    return WatchPlace.objects.filter(coop=member.coop_id, member=member, watch__ends_at__gt=now - BACK)


def _chore_places(member: Membership, now: datetime) -> Any:
    return ChorePlace.objects.filter(coop=member.coop_id, member=member, chore__ends_at__gt=now - BACK)


def _firings(feed: CalendarFeed, now: datetime) -> Any:
    rows = Firing.objects.filter(coop=feed.coop_id, occupied_until__gt=now - BACK)
    if feed.kiln_id is not None:
        return rows.filter(kiln=feed.kiln_id)
    me = feed.member_id
    return rows.filter(
        Q(lead=me)
        | Q(deputy=me)
        | Exists(Booking.objects.filter(firing=OuterRef("pk"), member=me, withdrawn_at=None))
        | Exists(WatchPlace.objects.filter(watch__firing=OuterRef("pk"), member=me, given_up_at=None))
        | Exists(ChorePlace.objects.filter(chore__firing=OuterRef("pk"), member=me, given_up_at=None))
        | Exists(GuestPass.objects.filter(firing=OuterRef("pk"), guest=me))
    )


# --- Events -------------------------------------------------------------------------------


def feed_of(feed: CalendarFeed, now: datetime) -> Feed:
    """The whole feed as it stands now."""
    coop: Coop = feed.coop
    firings = list(_firings(feed, now).select_related("kiln", "lead__person").order_by("-occupied_from")[:MOST])
    events = [event for firing in firings for event in _key_days(coop, firing, now)]
    if feed.kiln_id is None:
        events += _shifts(coop, feed.member, now)
    return Feed(
        uid=str(feed.public_id),
        name=f"{coop.name}: {feed.kiln.name}" if feed.kiln else _("%(coop)s: my watches and chores") % {"coop": coop},
        description=_("Firings, watches and chores as they stand; changes are made on the co-op's pages."),
        colour=COLOURS[(feed.kiln_id or 0) % len(COLOURS)],
        url=_link(coop, "calendar"),
        changed_at=max((event.changed_at for event in events), default=feed.made_at),
        events=tuple(events),
    )


def _link(coop: Coop, name: str, **kwargs: UUID) -> str:
    return f"{settings.SITE_URL}{reverse(name, kwargs={'coop': coop.slug, **kwargs})}"


def _key_days(coop: Coop, firing: Firing, now: datetime) -> Iterator[FeedEvent]:
    """When booking closes, loading, the fire, unpacking and clean-up: as planned, or as it was."""
    off = firing.stage == Firing.Stage.CALLED_OFF
    if off and firing.called_off_at is not None and firing.called_off_at < now - KEPT:
        return
    days: Sequence[tuple[str, str, datetime, datetime | None]] = (
        ("booking", _("Booking closes"), firing.booking_closes_at, None),
        ("loading", _("Loading"), firing.occupied_from, firing.lit_at or firing.lights_at),
        ("fire", _("Fire"), firing.lit_at or firing.lights_at, firing.ended_at or firing.ends_at),
        (
            "unpacking",
            _("Unpacking and clean-up"),
            firing.opened_at or firing.opens_at,
            firing.cleaned_at or firing.occupied_until,
        ),
    )
    for what, word, starts_at, ends_at in days:
        yield FeedEvent(
            uid=str(uuid5(firing.public_id, what)),
            sequence=firing.sequence,
            changed_at=firing.changed_at,
            starts_at=starts_at,
            ends_at=ends_at if ends_at is not None and ends_at > starts_at else None,
            summary=f"{word}: {firing.name}",
            description=_("%(kiln)s, cone %(cone)s. Lead: %(lead)s.")
            % {"kiln": firing.kiln.name, "cone": firing.target_cone, "lead": firing.lead.name},
            location=firing.kiln.name,
            url=_link(coop, "firing", firing=firing.public_id),
            category=_("firing"),
            is_cancelled=off,
            is_busy=False,
        )


def _shifts(coop: Coop, member: Membership, now: datetime) -> Iterator[FeedEvent]:
    watches = _watch_places(member, now).select_related("watch__firing__kiln").order_by("-watch_id", "pk")[:MOST]
    for _pk, places in groupby(watches, key=lambda place: place.watch_id):
        yield from _shift(coop, list(places), "watch", now)
    chores = _chore_places(member, now).select_related("chore__firing__kiln").order_by("-chore_id", "pk")[:MOST]
    for _pk, places in groupby(chores, key=lambda place: place.chore_id):
        yield from _shift(coop, list(places), "chore", now)


def _shift(coop: Coop, places: list[Any], what: str, now: datetime) -> Iterable[FeedEvent]:
    """One watch or chore of one member, however often they took and gave up their place on it.

    The sequence adds up all that ever changed (the shift, each place, and each new place), so it only grows.
    """
    shift, held = getattr(places[0], what), next((place for place in places if place.given_up_at is None), None)
    ended = [moment for moment in (shift.cancelled_at, *(place.given_up_at for place in places)) if moment]
    is_off = shift.cancelled_at is not None or held is None
    if is_off and max(ended) < now - KEPT:
        return []
    firing = shift.firing
    name = _("Watch %(number)d") % {"number": shift.number} if what == "watch" else shift.name
    return [
        FeedEvent(
            uid=str(uuid5(shift.public_id, f"member {places[0].member_id}")),
            sequence=shift.sequence + sum(place.sequence for place in places) + len(places) - 1,
            changed_at=max([shift.changed_at, *(place.changed_at for place in places)]),
            starts_at=shift.starts_at,
            ends_at=shift.ends_at,
            summary=f"{name}: {firing.name}",
            description=_words(shift, held, what),
            location=firing.kiln.name,
            url=_link(coop, what, firing=firing.public_id, **{what: shift.public_id}),
            category=_("watch") if what == "watch" else _("chore"),
            is_cancelled=is_off,
        )
    ]


def _words(shift: Any, held: Any, what: str) -> str:
    if what == "chore":
        return str(shift.get_kind_display())
    if held is not None and held.is_leading:
        return _("%(phase)s. You lead this watch.") % {"phase": shift.phase}
    return str(shift.phase)
