"""Fires for tests: a lit firing with somebody on watch, readings, and firings further on with pieces."""

from __future__ import annotations

from datetime import timedelta

from firings.models import WatchPlace
from firings.services import firings, log, space
from firings.services.log import EntrySpec
from firings.services.space import PieceSpec
from tests.factories import NOW, make_member
from tests.factories_firings import make_firing, man_first_watch

HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)


def make_fire(stage="lit", **fields):
    """A firing Ada leads; Lena (leads the first watch) and Stoker are on watch."""
    return make_firing(stage=stage, **fields)


def make_fire_with_pieces(stage="unpacking", *, rows=(("Ben", "bowl", 4), ("Dora", "jar", 1)), **fields):
    """A firing in which these members hold space for rows of pieces, carried on to ``stage``."""
    firing = make_firing(stage="booking", **fields)
    for name, piece, count in rows:
        space.list_piece(
            firing.coop,
            by=make_member(name, coop=firing.coop),
            now=NOW,
            firing_id=firing.public_id,
            piece=PieceSpec(name=piece, count=count, diameter_mm=100, height_mm=80, body="grey clay", cone="11"),
        )
    return carry_on(firing, stage)


def carry_on(firing, stage):
    """Move a firing that is open for booking on to ``stage``, by its lead, at the planned moments."""
    moments = {
        "loading": firing.occupied_from,
        "lit": firing.lights_at,
        "cooling": firing.ends_at,
        "unpacking": firing.opens_at,
        "cleanup": firing.opens_at + 4 * HOUR,
    }
    steps = list(moments)
    for step in steps[: steps.index(stage) + 1]:
        if step == "lit":
            man_first_watch(firing)
        firings.move_on(
            firing.coop, by=firing.lead, now=moments[step], firing_id=firing.public_id, to=step, note="as agreed"
        )
    firing.refresh_from_db()
    return firing


def on_watch(firing, name="Stoker"):
    """Whoever of that name has a place on a watch of the firing."""
    place = WatchPlace.objects.select_related("member__person").get(
        watch__firing=firing, member__person__name=name, given_up_at=None
    )
    return make_member(place.member.name, coop=firing.coop)


def reading(dc, at=None, probe="front", **more):
    return EntrySpec(kind="reading", probe=probe, temperature_dc=dc, observed_at=at, **more)


def write(firing, *entries, by=None, now=None):
    return log.write(
        firing.coop,
        by=by or firing.lead,
        now=now or firing.lit_at + 2 * HOUR,
        firing_id=firing.public_id,
        entries=list(entries),
    )
