"""Swapping two places on watches: one asks, the other agrees, and both change hands in one step."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

from django.db.models import Q
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop.errors import NotAllowed, NotFound, Refused, Taken
from coop.models import Coop, Membership
from coop.transactions import say, use_case
from firings.access import check_takes_part
from firings.models import Watch, WatchPlace, WatchSwap
from firings.queries import hours
from firings.services import rosters
from firings.services.watches import (
    check_takes_crew,
    crew_of,
    held_place,
    let_go,
    lock_member,
    name_leads,
    tell,
    tell_lead,
)

say(
    one_open_swap_per_pair=gettext_lazy("One of you has asked for this swap already; look under “Swaps”."),
    swap_is_of_two_places=gettext_lazy("A place cannot be swapped for itself; pick another one."),
    swap_agreed_is_closed=gettext_lazy("This swap was agreed already."),
)


@use_case
def ask(coop: Coop, *, by: Membership, now: datetime, place_id: UUID, for_place_id: UUID) -> WatchSwap:
    """Offer one's own place for somebody else's; nothing changes until they agree.

    Refused at once where it could never be: one of the watches has begun, or the rules forbid it to either.
    """
    mine, theirs = held_place(coop, place_id), held_place(coop, for_place_id)
    if by.pk != mine.member_id:
        raise NotAllowed(_("Only %(name)s can swap this place.") % {"name": mine.member.name})
    if theirs.member_id == by.pk:
        raise Refused(_("Both places are yours already; pick somebody else's."))
    _check(mine, theirs, now)
    pair = Q(place=mine, for_place=theirs) | Q(place=theirs, for_place=mine)
    if WatchSwap.objects.of(coop).open().filter(pair).exists():
        raise Taken(_("One of you has asked for this swap already; look under “Swaps”."))
    swap: WatchSwap = WatchSwap.objects.create(coop=coop, place=mine, for_place=theirs, asked_at=now)
    tell(
        theirs.watch.firing,
        theirs.member,
        key=f"swap-asked:{swap.public_id}",
        subject=_("%(who)s asks you to swap watches") % {"who": by.name},
        text=_(
            "%(who)s would stand %(yours)s for you, and asks you to stand %(theirs)s for them. "
            "Nothing changes unless you agree."
        )
        % {"who": by.name, "yours": rosters.spoken(theirs.watch), "theirs": rosters.spoken(mine.watch)},
        now=now,
        stale_at=min(mine.watch.starts_at, theirs.watch.starts_at),
    )
    return swap


@use_case
def agree(coop: Coop, *, by: Membership, now: datetime, swap_id: UUID) -> tuple[WatchPlace, WatchPlace]:
    """The one who was asked agrees: both places change hands at once, every rule checked for both, or neither does.

    Gives the new places: first that of who asked, then that of who agreed.
    """
    swap = _swap(coop, swap_id)
    mine, theirs = swap.place, swap.for_place  # as who asked sees it
    if by.pk != theirs.member_id:
        raise NotAllowed(_("Only %(name)s can agree to this swap.") % {"name": theirs.member.name})
    if swap.closed_at is not None:
        raise Taken(_("This swap is closed already: it was agreed, declined or taken back."))
    for member in sorted((mine.member, theirs.member), key=lambda one: one.pk):
        lock_member(member)
    if not WatchSwap.objects.of(coop).open().filter(pk=swap.pk).update(closed_at=now, agreed_at=now):
        raise Taken(_("This swap is closed already: it was agreed, declined or taken back."))
    held = WatchPlace.objects.of(coop).filter(pk__in=(mine.pk, theirs.pk), given_up_at=None, confirmed_at=None)
    if held.update(given_up_at=now) != 2:
        raise Taken(_("One of the two places is no longer there to be swapped."))
    crews = Watch.objects.of(coop).filter(pk__in=(mine.watch_id, theirs.watch_id), cancelled_at=None)
    if len(crews.select_for_update().order_by("pk")) != 2:  # whoever else changes these crews waits here
        raise Taken(_("One of the two watches is off; there is nothing to swap any more."))
    _check(mine, theirs, now)
    let_go(coop, [mine.pk, theirs.pk], now)
    new_mine = WatchPlace.objects.create(coop=coop, watch=theirs.watch, member=mine.member, taken_at=now)
    new_theirs = WatchPlace.objects.create(coop=coop, watch=mine.watch, member=theirs.member, taken_at=now)
    name_leads(mine.watch)
    name_leads(theirs.watch)
    _tell_agreed(swap, now)
    return new_mine, new_theirs


def _tell_agreed(swap: WatchSwap, now: datetime) -> None:
    mine, theirs = swap.place, swap.for_place
    words = {
        "asked": mine.member.name,
        "agreed": theirs.member.name,
        "first": rosters.spoken(mine.watch),
        "second": rosters.spoken(theirs.watch),
    }
    tell(
        theirs.watch.firing,
        mine.member,
        key=f"swap-agreed:{swap.public_id}",
        subject=_("%(agreed)s agrees to swap watches") % words,
        text=_("You now stand %(second)s, and %(agreed)s stands %(first)s.") % words,
        now=now,
    )
    for firing in {mine.watch.firing_id: mine.watch.firing, theirs.watch.firing_id: theirs.watch.firing}.values():
        if firing.lead_id not in (mine.member_id, theirs.member_id):
            tell_lead(
                firing,
                besides=mine.member,
                key=f"swap-made:{swap.public_id}:{firing.public_id}",
                subject=_("%(asked)s and %(agreed)s swapped watches") % words,
                text=_("%(first)s: %(agreed)s. %(second)s: %(asked)s.") % words,
                now=now,
            )


@use_case
def decline(coop: Coop, *, by: Membership, now: datetime, swap_id: UUID) -> None:
    """Say no to a swap one was asked for, or take one's own back; both places stay where they are."""
    swap = _swap(coop, swap_id)
    if by.pk not in (swap.place.member_id, swap.for_place.member_id):
        raise NotAllowed(_("Only the two whose places these are can close this swap."))
    if not WatchSwap.objects.of(coop).open().filter(pk=swap.pk).update(closed_at=now):
        raise Taken(_("This swap is closed already: it was agreed, declined or taken back."))
    if by.pk == swap.for_place.member_id:
        tell(
            swap.place.watch.firing,
            swap.place.member,
            key=f"swap-declined:{swap.public_id}",
            subject=_("%(who)s cannot swap watches") % {"who": by.name},
            text=_("You still hold %(watch)s. Ask somebody else, or offer your place.")
            % {"watch": rosters.spoken(swap.place.watch)},
            now=now,
        )


def _check(mine: WatchPlace, theirs: WatchPlace, now: datetime) -> None:
    for place in (mine, theirs):
        check_takes_crew(place.watch.firing)
        if place.watch.starts_at <= now:
            raise Refused(
                _("%(watch)s has begun; it can no longer be swapped.") % {"watch": rosters.spoken(place.watch)}
            )
    if mine.watch_id == theirs.watch_id:
        raise Refused(_("You are both on this watch; there is nothing to swap."))
    _check_may_stand(theirs, mine.member, besides=[mine.watch_id, theirs.watch_id])
    _check_may_stand(mine, theirs.member, besides=[mine.watch_id, theirs.watch_id])


def _check_may_stand(place: WatchPlace, new: Membership, *, besides: Sequence[int]) -> None:
    """Every rule for ``new`` in the stead of who holds ``place``; the refusal names the person it stands against."""
    watch = place.watch
    check_takes_part(new, watch.firing)
    crew = [one.member for one in crew_of(watch) if one.pk != place.pk]
    if any(member.pk == new.pk for member in crew):
        raise Refused(_("%(name)s is on %(watch)s already.") % {"name": new.name, "watch": rosters.spoken(watch)})
    try:
        rosters.check_can_work(watch, new, hours.terms_of(watch.firing), besides=besides)
    except Refused as no:
        raise Refused(_("%(name)s cannot stand %(watch)s: %(why)s") % _said(new, watch, no)) from no
    for fault in rosters.replacing_faults(watch, [*crew, place.member], place.member, new):
        raise Refused(_("%(name)s cannot stand %(watch)s: %(why)s") % _said(new, watch, fault))


def _said(member: Membership, watch: Watch, why: object) -> dict[str, str]:
    return {"name": member.name, "watch": rosters.spoken(watch), "why": str(why)}


def _swap(coop: Coop, swap_id: UUID) -> WatchSwap:
    deep = ("watch__firing__kiln", "watch__firing__coop", "watch__firing__policy", "watch__firing__lead__person")
    swap: WatchSwap | None = (
        WatchSwap.objects.of(coop)
        .filter(public_id=swap_id)
        .select_related(*[f"{side}__{path}" for side in ("place", "for_place") for path in (*deep, "member__person")])
        .first()
    )
    if swap is None:
        raise NotFound(_("There is no such swap here."))
    return swap
