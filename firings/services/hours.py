"""The hours account: what a firing asks of each member, and what their work is credited with."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop import notices
from coop.access import check_holds
from coop.errors import Malformed, NotFound, Refused, Taken
from coop.models import Coop, Membership, Role
from coop.transactions import say, use_case
from firings.models import Firing, HoursEntry
from firings.queries import hours
from firings.roster.hours import carried_over, owed_minutes, traded

MOST_MINUTES = 60 * 24 * 31

say(
    hours_credited_once_per_key=gettext_lazy("This work is in the hours account already; nothing was credited twice."),
    hours_entry_says_why=gettext_lazy("Say why; the member reads it in the account."),
    hours_correction_points_back=gettext_lazy("A correction names the line it corrects."),
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
    corrects: HoursEntry | None = None,
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
        corrects=corrects,
    )
    return entry


def owe_for(firing: Firing, by: Membership | None, now: datetime) -> list[HoursEntry]:
    """Put into each account what its member owes for this firing: total work x (a + (1 - a) x space share).

    The work is that of all places to be filled, nights weighted; what is owed adds up to it to the minute.
    Done once per member; nobody with space means nobody owes. What somebody is ahead or behind from elsewhere is
    carried over with it: behind all of it, ahead as much as they owe.
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
    new = {int(pk): minutes for pk, minutes in owed.minutes.items() if minutes and keys[int(pk)] not in there}
    entries = [
        credit(
            member=members[pk],
            firing=firing,
            kind=HoursEntry.Kind.OWED,
            minutes=-minutes,
            why=_("Work for your space in %(firing)s") % {"firing": firing.name},
            key=keys[pk],
            by=by,
            now=now,
        )
        for pk, minutes in new.items()
    ]
    for pk, balance in hours.carryable(firing, new).items():
        _carry(members[pk], firing, carried_over(balance, new[pk]), by, now)
    return entries


def _carry(member: Membership, firing: Firing, minutes: int, by: Membership | None, now: datetime) -> None:
    """Two lines that add up to nothing: out of the account at large, into this firing."""
    for into, amount, word in ((None, -minutes, "out"), (firing, minutes, "in")):
        credit(
            member=member,
            firing=into,
            kind=HoursEntry.Kind.CARRIED,
            minutes=amount,
            why=_("Carried over into %(firing)s") % {"firing": firing.name},
            key=f"carried-{word}:{firing.public_id}:{member.public_id}",
            by=by,
            now=now,
        )


def settle_in_money(firing: Firing, by: Membership | None, now: datetime) -> list[HoursEntry]:
    """The cost shares are posted: hours that were paid for and hours that were paid out leave the accounts.

    As many on one side as on the other, as the cost shares count them; nothing where an hour has no price. What
    is left stays in the account and is carried over. Done once per member. Call inside a use case.
    """
    if not hours.terms_of(firing).hour_rate_minor:
        return []
    members = {one.member.pk: one for one in hours.for_firing(firing.coop, firing) if not one.settled}
    moved = traded({f"{pk:012d}": one.balance for pk, one in members.items()})
    return [
        credit(
            member=members[int(pk)].member,
            firing=firing,
            kind=HoursEntry.Kind.MONEY,
            minutes=minutes,
            why=(
                _("Paid for with the cost shares of %(firing)s")
                if minutes > 0
                else _("Paid out with the cost shares of %(firing)s")
            )
            % {"firing": firing.name},
            key=f"money:{firing.public_id}:{members[int(pk)].member.public_id}",
            by=by,
            now=now,
        )
        for pk, minutes in moved.items()
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


@use_case
def correct(coop: Coop, *, by: Membership | None, now: datetime, entry_id: UUID, minutes: int, why: str) -> HoursEntry:
    """The coordinator says what a line should have been; the difference becomes a line that points back at it.

    ``minutes`` is the right figure with its sign (0: it should not be there). The line itself stays as it was, and
    the member is told.
    """
    check_holds(by, Role.Kind.COORDINATOR, to=_("correct an hours account"))
    entry = HoursEntry.objects.of(coop).select_related("member__person", "firing").filter(public_id=entry_id).first()
    if entry is None:
        raise NotFound(_("There is no such line in an hours account here."))
    if entry.corrects_id is not None:
        raise Refused(_("This line is a correction itself; correct the line it points at."))
    if entry.kind in (HoursEntry.Kind.CARRIED, HoursEntry.Kind.MONEY):
        raise Refused(_("This line has another half that would no longer fit; adjust the account instead."))
    faults = {}
    if abs(minutes) > MOST_MINUTES or (minutes and (minutes < 0) != (entry.minutes < 0)):
        faults["minutes"] = [_("Give the right figure with the same sign as the line, at most 31 days, or 0.")]
    if not why.strip():
        faults["why"] = [_("Say why; the member reads it in the account.")]
    if faults:
        raise Malformed([text for texts in faults.values() for text in texts], fields=faults)
    Membership.objects.select_for_update(no_key=True).get(pk=entry.member_id)  # corrections wait for each other
    earlier = list(HoursEntry.objects.of(coop).filter(corrects=entry).values_list("minutes", flat=True))
    difference = minutes - entry.minutes - sum(earlier)
    if not difference:
        raise Refused(_("This line counts that much already; there is nothing to correct."))
    made = credit(
        member=entry.member,
        firing=entry.firing,
        kind=HoursEntry.Kind.CORRECTED,
        minutes=difference,
        why=" ".join(why.split()),
        key=f"corrected:{entry.public_id}:{len(earlier) + 1}",
        by=by,
        now=now,
        corrects=entry,
    )
    notices.queue(
        coop,
        key=f"hours-corrected:{made.public_id}",
        kind="hours",
        to=entry.member,
        subject=_("Your hours account was corrected"),
        text=_("“%(line)s” now counts %(minutes)+d minutes: %(why)s")
        % {"line": entry.why, "minutes": minutes, "why": made.why},
        link=f"/{coop.slug}/hours/",
        now=now,
    )
    return made
