"""A small kiln with two zones, firings open for booking in it, and pieces asked through the services."""

from __future__ import annotations

import itertools
from datetime import timedelta

from coop.models import Policy
from coop.policy import Terms
from firings.models import Firing, FiringZone, Kiln, Material, PostSpot, Zone
from firings.services import space
from firings.services.space import PieceSpec
from tests.factories import NOW, ada, ben, make_coop

_numbers = itertools.count(1)


def make_small_kiln(coop=None, *, zones=(("Front, hot", "10", False), ("Back, soda", "9", True))) -> Kiln:
    """Boards of 610 x 305 mm, one a layer, 400 mm high: 74.42 l a zone."""
    coop = coop or make_coop()
    kiln = Kiln.objects.create(
        coop=coop,
        name=f"Kiln {next(_numbers)}",
        volume_l=200,
        target_cone="10",
        takes_soda=True,
        hours_low=18,
        hours_likely=24,
        hours_high=30,
        loading_hours=12,
        cooling_hours=48,
        cleanup_hours=24,
    )
    for position, (name, cone, is_soda) in enumerate(zones):
        zone = Zone.objects.create(
            coop=coop,
            kiln=kiln,
            name=name,
            position=position,
            boards_per_layer=1,
            board_w_mm=610,
            board_l_mm=305,
            usable_height_mm=400,
            is_soda=is_soda,
            cone=cone,
        )
        PostSpot.objects.create(coop=coop, zone=zone, x0_mm=0, y0_mm=0, x1_mm=40, y1_mm=40)
    return kiln


def make_open_firing(coop=None, *, kiln=None, stage="booking", terms=None, capacity_ml=None, **fields) -> Firing:
    """A firing Ada leads, lit nine days from now, with the space of every zone of its kiln."""
    coop = coop or make_coop()
    kiln = kiln or make_small_kiln(coop)
    version = Policy.objects.of(coop).count() + 1
    policy = Policy.objects.create(
        coop=coop, version=version, terms=(terms or Terms()).to_json(), adopted_at=NOW, adopted_by=None
    )
    lights = NOW + timedelta(days=9)
    firing = Firing.objects.create(
        **{
            "coop": coop,
            "name": f"Firing {next(_numbers)}",
            "kiln": kiln,
            "stage": stage,
            "lead": ada(coop),
            "target_cone": "10",
            "with_soda": True,
            "policy": policy,
            "occupied_from": lights - timedelta(hours=12),
            "lights_at": lights,
            "ends_at": lights + timedelta(hours=24),
            "opens_at": lights + timedelta(hours=72),
            "occupied_until": lights + timedelta(hours=96),
            "booking_closes_at": NOW + timedelta(days=7),
            "called_at": NOW - timedelta(days=20),
            **fields,
        }
    )
    for zone in kiln.zones.all():
        FiringZone.objects.create(
            coop=coop, firing=firing, zone=zone, capacity_ml=capacity_ml or zone.capacity_ml, taken_ml=0
        )
    return firing


def bowl(**fields) -> PieceSpec:
    """A round bowl, 200 mm across and 100 mm high, of a clay that stands cone 11."""
    described = {"name": "bowl", "diameter_mm": 200, "height_mm": 100, "body": "grey clay", "cone": "11", **fields}
    return PieceSpec(**described)


def book(firing, by=None, *, now=NOW, member=None, **fields):
    """List one piece; Ben's bowl unless said otherwise."""
    return space.list_piece(
        firing.coop,
        by=by or ben(firing.coop),
        now=now,
        firing_id=firing.public_id,
        piece=bowl(**fields),
        member_id=member.public_id if member else None,
    )


def make_body(name="Stoneware S", cone="10", coop=None, kind="body", **fields) -> Material:
    return Material.objects.create(coop=coop or make_coop(), kind=kind, name=name, stands_cone=cone, **fields)
