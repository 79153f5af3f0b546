"""The hours account: what a firing asks of each member, and what their work is credited with."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop import notices
from coop.access import check_holds
from coop.errors import Malformed, NotFound, Taken
from coop.models import Coop, Membership, Role
from coop.transactions import say, use_case
from firings.models import Firing, HoursEntry
from firings.queries import hours
from firings.roster.hours import owed_minutes

MOST_MINUTES = 60 * 24 * 31

say(
    hours_credited_once_per_key=gettext_lazy("This work is in the hours account already; nothing was credited twice."),
    hours_entry_is_not_nothing=gettext_lazy("No minutes at all change nothing; give minutes above or below zero."),
)


def credit(
    *,
    member: Membership,
    firing: Firing | None,
    kind: str,
    minutes: int,
    why: str,
    key: str,
    by: Membership | None,
    now: datetime,
) -> HoursEntry:
    """One line in a member's hours account; plus is worked, minus is owed. The same key again raises Taken."""
    entry: HoursEntry = HoursEntry.objects.create(
        coop_id=member.coop_id,
        member=member,
        firing=firing,
        kind=kind,
        minutes=minutes,
        why=why[:200],
        key=key[:120],
        by=by,
        at=now,
    )
    return entry


def owe_for(firing: Firing, by: Membership | None, now: datetime) -> list[HoursEntry]:
    """Put into each account what its member owes for this firing: total work x (a + (1 - a) x space share).

    The work is that of all places to be filled, nights weighted; what is owed adds up to it to the minute.
    Done once per member; nobody with space means nobody owes. What was worked ahead stays in the balance.
    """
    space, total = hours.space_of(firing), hours.work_asked(firing)
    if not space or not total:
        return []
    terms = hours.terms_of(firing)
    # Padded, so that the order of ids as text (who gets the odd minute) is that of the numbers.
    owed = owed_minutes(
        total,
        {f"{member:012d}": ml for member, ml in space.items()},
        equal_per_mille=round(terms.owed_share_even * 1000),
    )
    members = {one.pk: one for one in Membership.objects.filter(coop=firing.coop_id, pk__in=space)}
    keys = {pk: f"owed:{firing.public_id}:{one.public_id}" for pk, one in members.items()}
    there = set(HoursEntry.objects.filter(coop=firing.coop_id, key__in=keys.values()).values_list("key", flat=True))
    return [
        credit(
            member=members[int(member)],
            firing=firing,
            kind=HoursEntry.Kind.OWED,
            minutes=-minutes,
            why=_("Work for your space in %(firing)s") % {"firing": firing.name},
            key=keys[int(member)],
            by=by,
            now=now,
        )
        for member, minutes in owed.minutes.items()
        if minutes and keys[int(member)] not in there
    ]


@use_case
def adjust(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    member_id: UUID,
    minutes: int,
    why: str,
    key: str,
    firing_id: UUID | None = None,
) -> HoursEntry:
    """The coordinator mends a member's account, with the reason; the member is told."""
    check_holds(by, Role.Kind.COORDINATOR, to=_("adjust an hours account"))
    faults = {}
    if not 0 < abs(minutes) <= MOST_MINUTES:
        faults["minutes"] = [_("Give minutes above or below zero, at most 31 days of them.")]
    if not why.strip():
        faults["why"] = [_("Say why; the member reads it in the account.")]
    if faults:
        raise Malformed([text for texts in faults.values() for text in texts], fields=faults)
    member = Membership.objects.of(coop).filter(public_id=member_id).select_related("person").first()
    if member is None:
        raise NotFound(_("There is no such member here."))
    if HoursEntry.objects.of(coop).filter(key=f"adjusted:{key}"[:120]).exists():
        raise Taken(_("This work is in the hours account already; nothing was credited twice."))
    firing = None
    if firing_id is not None:
        firing = Firing.objects.of(coop).filter(public_id=firing_id).first()
        if firing is None:
            raise NotFound(_("There is no such firing here."))
    entry = credit(
        member=member,
        firing=firing,
        kind=HoursEntry.Kind.ADJUSTED,
        minutes=minutes,
        why=" ".join(why.split()),
        key=f"adjusted:{key}",
        by=by,
        now=now,
    )
    notices.queue(
        coop,
        key=f"hours-adjusted:{entry.public_id}",
        kind="hours",
        to=member,
        subject=_("Your hours account was adjusted"),
        text=_("%(minutes)+d minutes: %(why)s") % {"minutes": minutes, "why": entry.why},
        link=f"/{coop.slug}/hours/",
        now=now,
    )
    return entry
