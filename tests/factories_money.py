"""Firings that are ready to be settled, with booked space, and the money that goes with them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, timedelta

from django.db import connection

from billing import services
from billing.models import Settlement
from coop import walls
from coop.models import Membership, Policy
from coop.policy import Terms
from firings.models import Booking, Firing, FiringZone, Kiln, Piece, Zone
from tests.factories import NOW, ada, make_coop, make_member, tess

DAY = timedelta(days=1)
PAID_ON = date(2026, 4, 20)


def make_settling_firing(
    coop=None, *, name="Spring firing", litres=None, terms=None, stage="settling", **fields
) -> Firing:
    """A firing whose clean-up is signed off; ``litres`` by member's name, a pair is (front, soda zone)."""
    coop = coop or make_coop()
    lead = ada(coop)
    kiln = Kiln.objects.of(coop).first() or _make_kiln(coop)
    version = Policy.objects.of(coop).count() + 1
    policy = Policy.objects.create(coop=coop, version=version, terms=(terms or Terms()).to_json(), adopted_at=NOW)
    start = NOW - 20 * DAY - 30 * DAY * Firing.objects.of(coop).count()
    firing = Firing.objects.create(
        coop=coop,
        name=name,
        kiln=kiln,
        stage=stage,
        lead=lead,
        target_cone="10",
        policy=policy,
        occupied_from=start,
        lights_at=start + DAY,
        ends_at=start + 2 * DAY,
        opens_at=start + 5 * DAY,
        occupied_until=start + 7 * DAY,
        booking_closes_at=start,
        holds_kiln=False,
        called_at=start - 30 * DAY,
        **fields,
    )
    zones = [
        FiringZone.objects.create(coop=coop, firing=firing, zone=zone, capacity_ml=zone.capacity_ml)
        for zone in kiln.zones.all()
    ]
    for who, asked in (litres or {}).items():
        front, soda = asked if isinstance(asked, tuple) else (asked, 0)
        book(firing, make_member(who, coop=coop), zones[0], front)
        book(firing, make_member(who, coop=coop), zones[1], soda)
    return Firing.objects.select_related("coop", "lead__person", "policy", "kiln").get(pk=firing.pk)


def _make_kiln(coop) -> Kiln:
    kiln = Kiln.objects.create(
        coop=coop,
        name="Long kiln",
        volume_l=600,
        target_cone="10",
        takes_soda=True,
        hours_low=14,
        hours_likely=18,
        hours_high=24,
        loading_hours=24,
        cooling_hours=72,
        cleanup_hours=48,
    )
    size = {"boards_per_layer": 2, "board_w_mm": 300, "board_l_mm": 500, "usable_height_mm": 1000}
    Zone.objects.create(coop=coop, kiln=kiln, name="front", position=0, cone="10", **size)
    Zone.objects.create(coop=coop, kiln=kiln, name="back", position=1, cone="10", is_soda=True, **size)
    return kiln


def book(firing: Firing, member: Membership, zone: FiringZone, litres: int) -> Piece | None:
    """Space held by one row of pieces, counted in the zone as booking does."""
    if not litres:
        return None
    booking, _ = Booking.objects.get_or_create(
        coop=firing.coop, firing=firing, member=member, defaults={"made_at": NOW}
    )
    FiringZone.objects.filter(pk=zone.pk).update(taken_ml=zone.taken_ml + litres * 1000)
    zone.refresh_from_db()
    return Piece.objects.create(
        coop=firing.coop,
        booking=booking,
        name="jars",
        count=4,
        diameter_mm=120,
        height_mm=200,
        body_name="stoneware",
        cone="10",
        zone=zone,
        asked_ml=litres * 1000,
        asked_at=NOW,
    )


def take(firing: Firing, amount_minor: int, pool="wood", *, paid_by: Membership | None = None, by=None):
    return services.take_receipt(
        firing.coop,
        by=by,
        now=NOW,
        firing_id=firing.public_id,
        on=PAID_ON,
        pool=pool,
        amount_minor=amount_minor,
        paid_by_id=paid_by.public_id if paid_by else None,
        supplier="Sawmill by the weir",
    )


def draft(firing: Firing, now=NOW) -> Settlement:
    return services.draft_shares(firing.coop, by=tess(firing.coop), now=now, firing_id=firing.public_id)


def opened(firing: Firing, now=NOW) -> Settlement:
    """Cost shares open for questions."""
    made = draft(firing, now)
    return services.open_questions(firing.coop, by=tess(firing.coop), now=now, settlement_id=made.public_id)


def posted(firing: Firing, now=NOW) -> Settlement:
    """Cost shares posted on the first day they may be."""
    made = opened(firing, now)
    return services.post_shares(
        firing.coop, by=tess(firing.coop), now=made.questions_until, settlement_id=made.public_id
    )


@contextmanager
def walls_down(tables: str = "") -> Iterator[None]:
    """Rows written by somebody who owns the database and took its triggers down; they stand again afterwards."""
    connection.check_constraints()  # PostgreSQL alters no table while a deferred check waits
    walls.take_down(tables=tables)
    yield
    if connection.vendor == "postgresql":
        connection.check_constraints()
    walls.put_up(tables=tables)
