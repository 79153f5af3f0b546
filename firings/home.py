"""What kiln work puts on the home page: the fire, my watches and chores, clean-up, pieces, open bookings."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db.models import Exists, F, OuterRef, Q, Subquery, Sum

from coop.home import part
from coop.models import Invitation, Membership, Person, Role, SignOff
from firings.models import (
    CheckItem,
    ChorePlace,
    Firing,
    Kiln,
    LogEntry,
    Material,
    Piece,
    PlaceOffer,
    PlaceQuestion,
    WatchPlace,
    WatchSwap,
)
from firings.queries import on_call

NEXT = 6


@part(10, "firings/home/_burning.html")
def burning(membership: Membership, now: datetime) -> dict[str, Any] | None:
    """What is burning now, with its last reading that nothing has corrected."""
    corrections = LogEntry.objects.filter(coop_id=membership.coop_id, corrects=OuterRef("pk"))
    readings = (
        LogEntry.objects.filter(firing=OuterRef("pk"), kind=LogEntry.Kind.READING, strikes=False)
        .filter(~Exists(corrections))
        .order_by("-observed_at", "-pk")
    )
    firings = (
        Firing.objects.of(membership.coop)
        .filter(stage=Firing.Stage.LIT)
        .select_related("kiln")
        .annotate(
            last_dc=Subquery(readings.annotate(true=F("temperature_dc") + F("offset_dc")).values("true")[:1]),
            last_probe=Subquery(readings.values("probe")[:1]),
            last_at=Subquery(readings.values("observed_at")[:1]),
        )
        .order_by("lit_at")[:NEXT]
    )
    rows = [
        {"firing": firing, "temperature": _temperature(firing.last_dc, membership.person.temperature_unit)}
        for firing in firings
    ]
    return {"rows": rows} if rows else None


def _temperature(tenths_celsius: int | None, unit: str) -> str:
    if tenths_celsius is None:
        return ""
    if unit == Person.Temperature.FAHRENHEIT:
        return f"{round(tenths_celsius * 9 / 50) + 32} °F"
    return f"{round(tenths_celsius / 10)} °C"


@part(5, "firings/home/_here.html")
def here(membership: Membership, now: datetime) -> dict[str, Any] | None:
    """Watches I should be at now, or am called to, and have not said that I am at."""
    watches = on_call.mine_now(membership.coop, membership, now)
    return {"watches": watches} if watches else None


@part(3, "firings/home/_first_steps.html")
def first_steps(membership: Membership, now: datetime) -> dict[str, Any] | None:
    """For who sets a co-op up, until its first firing is called: what is done and what comes next."""
    if not membership.holds(Role.Kind.COORDINATOR, Role.Kind.STEWARD):
        return None
    coop = membership.coop
    if Firing.objects.of(coop).exists():
        return None
    leads = SignOff.objects.of(coop).filter(kind=SignOff.Kind.LEADING, withdrawn_at=None)
    return {
        "has_kiln": Kiln.objects.of(coop).exists(),
        "has_bodies": Material.objects.of(coop).filter(kind=Material.Kind.BODY).exists(),
        "has_people": Membership.objects.of(coop).current().count() + Invitation.objects.of(coop).count() > 1,
        "has_lead": leads.exists(),
        "may_coordinate": membership.holds(Role.Kind.COORDINATOR),
    }


@part(20, "firings/home/_shifts.html")
def shifts(membership: Membership, now: datetime) -> dict[str, Any] | None:
    """My next watches and chores, and the watches somebody asks me to take over."""
    watches = (
        WatchPlace.objects.of(membership.coop)
        .filter(member=membership, given_up_at=None, watch__cancelled_at=None, watch__ends_at__gt=now)
        .exclude(watch__firing__stage=Firing.Stage.CALLED_OFF)
        .select_related("watch__firing__kiln")
        .order_by("watch__starts_at")[:NEXT]
    )
    chores = (
        ChorePlace.objects.of(membership.coop)
        .filter(member=membership, given_up_at=None, chore__cancelled_at=None, chore__ends_at__gt=now)
        .exclude(chore__firing__stage=Firing.Stage.CALLED_OFF)
        .select_related("chore__firing")
        .order_by("chore__starts_at")[:NEXT]
    )
    offers = (
        PlaceOffer.objects.of(membership.coop)
        .filter(to_member=membership, closed_at=None, place__watch__starts_at__gt=now)
        .select_related("place__watch__firing", "place__member__person")
        .order_by("place__watch__starts_at")[:NEXT]
    )
    mine = [
        {
            "what": "watch",
            "name": place.watch.phase,
            "leads": place.is_leading,
            "firing": place.watch.firing,
            "starts_at": place.watch.starts_at,
            "ends_at": place.watch.ends_at,
        }
        for place in watches
    ] + [
        {
            "what": "chore",
            "name": place.chore.name,
            "leads": False,
            "firing": place.chore.firing,
            "starts_at": place.chore.starts_at,
            "ends_at": place.chore.ends_at,
        }
        for place in chores
    ]
    mine.sort(key=lambda shift: shift["starts_at"])
    swaps = (
        WatchSwap.objects.of(membership.coop)
        .filter(for_place__member=membership, closed_at=None)
        .filter(place__watch__starts_at__gt=now, for_place__watch__starts_at__gt=now)
        .select_related("place__watch", "place__member__person", "for_place__watch__firing")[:NEXT]
    )
    questions = (
        PlaceQuestion.objects.of(membership.coop)
        .filter(member=membership, closed_at=None)
        .select_related("firing")[:NEXT]
    )
    asked = {"offers": list(offers), "swaps": list(swaps), "questions": list(questions)}
    return {"shifts": mine[:NEXT], **asked} if mine or any(asked.values()) else None


@part(30, "firings/home/_check_items.html")
def check_items(membership: Membership, now: datetime) -> dict[str, Any] | None:
    """My open lines of clean-up checklists, the soonest due first."""
    items = list(
        CheckItem.objects.of(membership.coop)
        .open()
        .filter(assigned_to=membership, checklist__signed_at=None)
        .select_related("checklist__firing")
        .order_by("due_on", "position")[:NEXT]
    )
    return {"items": items, "now": now} if items else None


@part(40, "firings/home/_open_firings.html")
def open_firings(membership: Membership, now: datetime) -> dict[str, Any] | None:
    """Firings open for booking, how full they are, and what I have waiting there."""
    firings = list(
        Firing.objects.of(membership.coop)
        .filter(stage=Firing.Stage.BOOKING)
        .select_related("kiln")
        .annotate(capacity_ml=Sum("zones__capacity_ml"), taken_ml=Sum("zones__taken_ml"))
        .order_by("booking_closes_at")[:NEXT]
    )
    waiting = list(
        Piece.objects.of(membership.coop)
        .waiting()
        .filter(booking__member=membership, booking__firing__stage__in=[Firing.Stage.BOOKING, Firing.Stage.ALLOTTED])
        .select_related("booking__firing")[:NEXT]
    )
    rows = [
        {"firing": firing, "percent": 100 * (firing.taken_ml or 0) // firing.capacity_ml if firing.capacity_ml else 0}
        for firing in firings
    ]
    return {"rows": rows, "waiting": waiting} if rows or waiting else None


@part(50, "firings/home/_led_firings.html")
def led_firings(membership: Membership, now: datetime) -> dict[str, Any] | None:
    """The firings I lead or stand in for, which are not closed."""
    firings = list(
        Firing.objects.of(membership.coop)
        .open()
        .filter(Q(lead=membership) | Q(deputy=membership))
        .select_related("kiln")
        .order_by("lights_at")[:NEXT]
    )
    return {"firings": firings} if firings else None
