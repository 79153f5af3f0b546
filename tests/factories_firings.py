"""Kilns and firings for tests, made through the services."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

from firings.kiln_file import from_document
from firings.models import Firing, Kiln
from firings.services import firings, kilns, watches
from tests.factories import NOW, ada, make_coop, make_member

SAMPLE = Path(__file__).resolve().parent.parent / "firings/samples/kiln.json"


def make_kiln(coop=None, **changes) -> Kiln:
    """The sample kiln (front: cone 10, back: cone 9 with soda), with top-level keys of kiln/1 changed."""
    coop = coop or make_coop()
    document = {**json.loads(SAMPLE.read_text()), **changes}
    document.pop("$schema", None)
    there = Kiln.objects.of(coop).filter(name=document["name"]).first()
    return there or kilns.add_kiln(coop, by=None, now=NOW, spec=from_document(document))


def make_firing(coop=None, kiln=None, lead=None, stage="called", **fields) -> Firing:
    """A firing called on NOW, to be loaded two weeks on, carried through the services up to ``stage``."""
    coop = coop or (kiln.coop if kiln else make_coop())
    kiln = kiln or make_kiln(coop)
    lead = lead or ada(coop)
    begins = fields.pop("occupied_from", NOW + timedelta(days=14))
    firing = firings.call(
        coop,
        by=lead,
        now=fields.pop("now", NOW),
        kiln_id=kiln.public_id,
        name=fields.pop("name", f"Firing {Firing.objects.of(coop).count() + 1}"),
        occupied_from=begins,
        lights_at=fields.pop("lights_at", begins + timedelta(hours=20)),
        **fields,
    )
    return carry_to(firing, stage)


PATH = ("booking", "loading", "lit", "cooling", "unpacking", "cleanup")


def carry_to(firing: Firing, stage: str) -> Firing:
    """Move a called firing on by its lead, with a crew of two on every watch where it is to be lit."""
    if stage == "called":
        return firing
    if stage == "allotted":
        carry_to(firing, "booking")
        firings.move_on(firing.coop, by=firing.lead, now=NOW, firing_id=firing.public_id, to="allotted")
        firing.refresh_from_db()
        return firing
    when = {
        "booking": NOW,
        "loading": firing.occupied_from,
        "lit": firing.lights_at,
        "cooling": firing.ends_at,
        "unpacking": firing.opens_at,
        "cleanup": firing.opens_at + timedelta(hours=4),
    }
    for step in PATH[: PATH.index(stage) + 1]:
        if step == "lit":
            man_first_watch(firing)
        firings.move_on(
            firing.coop,
            by=firing.lead,
            now=when[step],
            firing_id=firing.public_id,
            to=step,
            note="cone down, by the lead",
        )
    firing.refresh_from_db()
    return firing


def man_first_watch(firing: Firing) -> None:
    """Two people on the first watch, one of whom may lead it."""
    first = firing.watches.filter(cancelled_at=None).order_by("starts_at").first()
    for member in (
        make_member("Lena", coop=firing.coop, sign_offs=("stoking", "leading")),
        make_member("Stoker", coop=firing.coop, sign_offs=("stoking",)),
    ):
        if not first.places_held.filter(member=member, given_up_at=None).exists():
            watches.sign_up(firing.coop, by=member, now=NOW, watch_id=first.public_id)
