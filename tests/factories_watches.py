"""A firing cut into four watches of six hours, people signed off to stand them, and a database to race in."""

from __future__ import annotations

import itertools
import sqlite3
import threading
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

from django.db import connection, connections, transaction

from coop.models import Policy
from coop.policy import Terms
from firings.models import Booking, CrewPhase, Firing, FiringZone, Kiln, Piece, Watch, WatchPlace, Zone
from firings.services import watches
from tests.factories import NOW, ada, make_coop, make_member

LIGHTS = datetime(2026, 5, 9, 5, 0, tzinfo=UTC)  # Saturday 06:00 in Dublin
_numbers = itertools.count(1)


def make_watch_kiln(coop=None, *, phases=None, **fields) -> Kiln:
    coop = coop or make_coop()
    kiln = Kiln.objects.create(
        **{
            "coop": coop,
            "name": f"Kiln {next(_numbers)}",
            "volume_l": 2000,
            "target_cone": "10",
            "hours_low": 20,
            "hours_likely": 24,
            "hours_high": 30,
            "loading_hours": 12,
            "cooling_hours": 48,
            "cleanup_hours": 24,
            "watch_hours": 6,
            **fields,
        }
    )
    for name, begins, ends, people, most in phases or (("climb", 0, 1000, 2, 3),):
        CrewPhase.objects.create(
            coop=coop, kiln=kiln, name=name, from_permille=begins, to_permille=ends, people=people, most_people=most
        )
    return kiln


def make_watch_firing(
    coop=None, *, kiln=None, stage="booking", terms=None, lights_at=LIGHTS, hours=24, cut=True, **fields
):
    """A firing Ada leads; its watches are cut (06-12, 12-18, 18-24 and 00-06 in Dublin unless moved)."""
    coop = coop or make_coop()
    kiln = kiln or make_watch_kiln(coop)
    version = Policy.objects.of(coop).count() + 1
    policy = Policy.objects.create(
        coop=coop, version=version, terms=(terms or Terms()).to_json(), adopted_at=NOW, adopted_by=None
    )
    firing = Firing.objects.create(
        **{
            "coop": coop,
            "name": f"Firing {next(_numbers)}",
            "kiln": kiln,
            "stage": stage,
            "lead": ada(coop),
            "target_cone": "10",
            "policy": policy,
            "occupied_from": lights_at - timedelta(hours=12),
            "lights_at": lights_at,
            "ends_at": lights_at + timedelta(hours=hours),
            "opens_at": lights_at + timedelta(hours=hours + 48),
            "occupied_until": lights_at + timedelta(hours=hours + 72),
            "booking_closes_at": lights_at - timedelta(days=1),
            "called_at": NOW - timedelta(days=20),
            **fields,
        }
    )
    if cut:
        with transaction.atomic():
            watches.cut_for(firing, NOW)
    return firing


def watches_of(firing) -> list[Watch]:
    return list(Watch.objects.filter(firing=firing, cancelled_at=None))


def stoker(name="Sid", coop=None):
    return make_member(name, coop=coop, sign_offs=("stoking",))


def leader(name="Lea", coop=None):
    return make_member(name, coop=coop, sign_offs=("stoking", "leading"))


def join(watch, *members, now=NOW) -> list[WatchPlace]:
    return [watches.sign_up(watch.coop, by=member, now=now, watch_id=watch.public_id) for member in members]


def give_space(firing, member, ml) -> Piece:
    """A held piece of that many ml, written straight into the tables."""
    zone = Zone.objects.filter(kiln=firing.kiln).first() or Zone.objects.create(
        coop=firing.coop,
        kiln=firing.kiln,
        name="Front",
        boards_per_layer=2,
        board_w_mm=600,
        board_l_mm=300,
        usable_height_mm=900,
        cone="10",
    )
    space, _ = FiringZone.objects.get_or_create(
        coop=firing.coop, firing=firing, zone=zone, defaults={"capacity_ml": 10_000_000}
    )
    booking, _ = Booking.objects.get_or_create(
        coop=firing.coop, firing=firing, member=member, defaults={"made_at": NOW}
    )
    return Piece.objects.create(
        coop=firing.coop,
        booking=booking,
        name="bowl",
        diameter_mm=200,
        height_mm=100,
        body_name="grey clay",
        cone="11",
        zone=space,
        asked_ml=ml,
        asked_at=NOW,
    )


@contextmanager
def a_real_database(tmp_path):
    """Threads get one committed database: PostgreSQL's own, or (SQLite) a file copied from the one in memory."""
    if connection.vendor == "postgresql":
        yield
        return
    path = str(tmp_path / "race.sqlite3")
    copy = sqlite3.connect(path)
    connection.ensure_connection()
    connection.connection.backup(copy)
    copy.execute("PRAGMA journal_mode=WAL")
    copy.close()
    settings = connections["default"].settings_dict
    before, settings["NAME"] = settings["NAME"], path
    try:
        yield
    finally:
        settings["NAME"] = before


def at_once(*jobs):
    """Run the jobs in threads that start together; what each returned or raised, in order."""
    gate, said = threading.Barrier(len(jobs)), [None] * len(jobs)

    def run(number, job):
        try:
            gate.wait()
            said[number] = job()
        except Exception as error:
            said[number] = error
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=pair) for pair in enumerate(jobs)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return said
