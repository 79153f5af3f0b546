"""An invented co-op to look around in: firings closed, one burning, one cooling, one open for booking."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand
from django.utils import timezone

from billing.management import invented, story
from billing.services import payments
from coop import services
from coop.errors import Refused
from coop.models import Coop, Membership
from coop.policy import Terms
from firings.kiln_file import from_document
from firings.models import Firing, FiringZone, Kiln, Piece
from firings.services import kilns
from firings.tables import ReceiptRow

PASSWORD = "ash-and-cinders-by-night"  # noqa: S105 (the demo's, and printed)
HOUR, DAY = story.HOUR, story.DAY
# Until the stacking factor is measured litres promise too much; so much of them fills this kiln with these pots.
_HELD_BEFORE_MEASURED = 0.57


class Command(BaseCommand):
    help = "Make the demo co-op unless there is a co-op already, and print who can sign in."

    def handle(self, *args: Any, **options: Any) -> None:
        if not Coop.objects.exists():
            self.stdout.write("Making the demo co-op; this takes about a minute ...")
            seed(timezone.now().replace(second=0, microsecond=0))
        coop = Coop.objects.filter(slug=invented.COOP_SLUG).first()
        if coop is None:
            self.stdout.write("There is a co-op here already, and it is not the demo; nothing was changed.")
            return
        self._print_people(coop)

    def _print_people(self, coop: Coop) -> None:
        self.stdout.write(f"\n{coop.name}: {settings.SITE_URL}/{coop.slug}/")
        if settings.DEMO:
            self.stdout.write("Come in with one press on the front page, or sign in with an address and the password")
        self.stdout.write(f"  password for all: {PASSWORD}")
        for member in Membership.objects.with_roles().filter(coop=coop).order_by("pk")[:8]:
            roles = ", ".join(str(role) for role in member.roles.all())
            self.stdout.write(f"  {member.person.email:24} {member.name:20} {roles}")
        rest = Membership.objects.filter(coop=coop).count() - 8
        self.stdout.write(f"  and {rest} more members (m09@... and on)")


def seed(now: datetime) -> Coop:
    """The whole demo as of ``now``."""
    cast = story.found(
        invented.COOP_NAME,
        invented.COOP_SLUG,
        currency="EUR",
        time_zone="Europe/Dublin",
        people=invented.PEOPLE,
        now=now - 200 * DAY,
        password=PASSWORD,
    )
    terms = replace(Terms(), levy_minor_per_litre=6, hour_rate_minor=600, fill_guarantee=Terms().fill_guarantee)
    services.adopt_policy(cast.coop, by=None, terms=terms, now=now - 199 * DAY)
    heron = kilns.add_kiln(
        cast.coop, by=cast.steward, now=now - 198 * DAY, spec=from_document(invented.HERON), place="Lower yard"
    )
    kite = kilns.add_kiln(
        cast.coop, by=cast.steward, now=now - 198 * DAY, spec=from_document(invented.KITE), place="Upper yard"
    )
    _stores(cast, heron, kite, now - 197 * DAY)
    _past(cast, heron, now, "Spring thaw burn", days=150, seed=31)
    _past(cast, heron, now, "High summer burn", days=100, seed=47)
    _closed(cast, kite, now)
    _cooling(cast, kite, now)
    _burning(cast, heron, now)
    _booking(cast, heron, now)
    return cast.coop


def _stores(cast: story.Cast, heron: Kiln, kite: Kiln, now: datetime) -> None:
    for kind, name, cone, runs, price, unit in invented.MATERIALS:
        kilns.add_material(
            cast.coop,
            by=cast.steward,
            now=now,
            kind=kind,
            name=name,
            stands_cone=cone,
            is_runny=runs,
            price_minor=price,
            price_unit=unit,
        )
    for number, (name, species, size, dm3, moisture, kiln) in enumerate(
        (
            ("Long rick", "spruce", "split, wrist", 6200, 170, heron),
            ("Ash rick", "ash", "split, arm", 3100, 190, heron),
            ("Slab wall", "pine", "slabs", 2400, 210, kite),
        ),
        start=1,
    ):
        kilns.add_wood_stack(
            cast.coop,
            by=cast.steward,
            now=now,
            name=name,
            species=species,
            size_class=size,
            stacked_dm3=dm3,
            moisture_permille=moisture,
            kiln_id=kiln.public_id,
            split_on=(now - 260 * DAY).date(),
            reach_order=number,
        )


def _who(cast: story.Cast, first: int, count: int) -> list[str]:
    names = list(cast.members)
    return [names[(first + step) % len(names)] for step in range(count)]


def _past(cast: story.Cast, heron: Kiln, now: datetime, name: str, *, days: int, seed: int) -> None:
    """A full load of the big kiln, closed: from three of these its stacking factor is measured."""
    lights_at = (now - days * DAY).replace(hour=6, minute=0)
    loads_at = lights_at - 30 * HOUR
    called = loads_at - 30 * DAY
    firing = story.call(
        cast,
        kiln_id=heron.public_id,
        name=name,
        loads_at=loads_at,
        lights_at=lights_at,
        now=called,
        cost_estimate_minor=96_000,
    )
    _book_evenly(cast, firing, _HELD_BEFORE_MEASURED, seed=seed, now=called + 5 * HOUR)
    story.crew(cast, firing, now=called + 2 * DAY)
    firing = story.to(cast, firing, "loading", loads_at)
    story.load(cast, firing, now=loads_at + HOUR)
    firing.refresh_from_db()
    story.burn(cast, firing, until=firing.ends_at, seed=seed, target_c=1300, cones=("8", "10", "11"))
    firing.refresh_from_db()
    _opened_and_settled(cast, firing, cones=("10", "11"), top_c=1300)


def _book_evenly(cast: story.Cast, firing: Firing, share: float, *, seed: int, now: datetime) -> None:
    """Pieces are listed until every zone holds ``share`` of its litres; glazed ones stand the back zone only."""
    for name, fields in invented.bookings(_who(cast, seed, 20) * 4, seed=seed, rows=(1, 2)):
        zones: list[FiringZone] = list(FiringZone.objects.filter(coop=firing.coop_id, firing=firing))
        short = {zone.zone.name for zone in zones if zone.taken_ml < share * zone.capacity_ml}
        if not short:
            return
        if (zone_name := "Back" if fields["glaze"] else "Front") in short:
            story.book(cast, firing, [(name, {**fields, "zone": zone_name})], now=now)
            now += timedelta(minutes=3)


def _closed(cast: story.Cast, kite: Kiln, now: datetime) -> None:
    """Ten weeks ago: a soda firing with its full record, paid by most."""
    lights_at = (now - 68 * DAY).replace(hour=5, minute=0)
    loads_at = lights_at - 14 * HOUR
    called = loads_at - 30 * DAY
    firing = story.call(
        cast,
        kiln_id=kite.public_id,
        name="Late summer soda",
        loads_at=loads_at,
        lights_at=lights_at,
        now=called,
        with_soda=True,
        cost_estimate_minor=42_000,
    )
    story.book(cast, firing, invented.bookings(_who(cast, 0, 14), seed=11, rows=(1, 3)), now=called + 5 * HOUR)
    story.crew(cast, firing, now=called + 2 * DAY)
    firing = story.to(cast, firing, "loading", loads_at)
    plan = story.load(cast, firing, now=loads_at + HOUR)
    story.print_papers(cast, plan, now=loads_at + HOUR)
    firing.refresh_from_db()
    story.burn(cast, firing, until=firing.ends_at, seed=11, target_c=1285, cones=("6", "8", "10"))
    firing.refresh_from_db()
    _opened_and_settled(cast, firing, cones=("8", "10"), top_c=1285)


def _opened_and_settled(cast: story.Cast, firing: Firing, *, cones: tuple[str, ...], top_c: int) -> None:
    """From the end of the fire to the last cent, paid by most."""
    firing = story.cool(cast, firing, cones=cones, top_c=top_c)
    firing = story.unpack(cast, firing, now=firing.opens_at)
    firing = story.clean(cast, firing, now=firing.opens_at + 30 * HOUR)
    settled = firing.opens_at + 5 * DAY
    posted = story.settle(cast, firing, _receipts(cast, (settled - 3 * DAY).date()), now=settled)
    for number, statement in enumerate(story.statements_of(posted)):
        if statement.balance_minor > 0 and number % 4:
            payments.record_payment(
                cast.coop,
                by=cast.treasurer,
                now=settled + number * DAY,
                member_id=statement.member.public_id,
                amount_minor=statement.balance_minor,
                on=(settled + number * DAY).date(),
                reference=statement.reference,
                key=f"demo-{statement.number}",
            )


def _receipts(cast: story.Cast, day: date) -> Iterator[ReceiptRow]:
    payer = next(iter(_who(cast, 9, 1)))
    for row, (pool, amount, paid_by, supplier) in enumerate(
        (
            ("wood", 21_450, "", "Mill on the Brook"),
            ("wood", 4_800, payer, "Hedge cutting, two trailers"),
            ("soda", 1_890, "", "Chandler's stores"),
            ("shelf_wash", 3_120, "", "Chandler's stores"),
            ("wads_cones", 2_475, payer, "Chandler's stores"),
            ("permit", 2_500, "", "Town office"),
            ("per_head", 3_960, payer, "Soup and bread"),
            ("wood", -1_200, "", "Mill on the Brook, short load"),
        ),
        start=2,
    ):
        yield ReceiptRow(row, day, paid_by, pool, amount, "EUR", supplier, "")


def _cooling(cast: story.Cast, kite: Kiln, now: datetime) -> None:
    """The small kiln was clammed up last night."""
    lights_at = (now - 26 * HOUR).replace(minute=0)
    loads_at = lights_at - 14 * HOUR
    called = loads_at - 24 * DAY
    firing = story.call(
        cast,
        kiln_id=kite.public_id,
        name="First frost soda",
        loads_at=loads_at,
        lights_at=lights_at,
        now=called,
        with_soda=True,
    )
    story.book(cast, firing, invented.bookings(_who(cast, 4, 12), seed=5, rows=(1, 3)), now=called + 5 * HOUR)
    story.crew(cast, firing, now=called + 2 * DAY)
    firing = story.to(cast, firing, "loading", loads_at)
    story.load(cast, firing, now=loads_at + HOUR)
    firing.refresh_from_db()
    story.burn(cast, firing, until=firing.ends_at, seed=5, target_c=1280, cones=("6", "8", "9"))
    firing.refresh_from_db()
    story.cool(cast, firing, cones=("8", "9"), top_c=1280, until=now)


def _burning(cast: story.Cast, heron: Kiln, now: datetime) -> None:
    """The big kiln was lit sixteen hours ago."""
    lights_at = (now - 16 * HOUR).replace(minute=0)
    loads_at = lights_at - 30 * HOUR
    called = loads_at - 35 * DAY
    cast = replace_leads(cast)
    firing = story.call(
        cast,
        kiln_id=heron.public_id,
        name="November long burn",
        loads_at=loads_at,
        lights_at=lights_at,
        now=called,
        cost_estimate_minor=96_000,
    )
    _book_evenly(cast, firing, _HELD_BEFORE_MEASURED, seed=3, now=called + 5 * HOUR)
    story.crew(cast, firing, now=called + 2 * DAY)
    firing = story.to(cast, firing, "loading", loads_at)
    story.load(cast, firing, now=loads_at + HOUR)
    firing.refresh_from_db()
    story.burn(cast, firing, until=now, seed=3, target_c=1300, cones=("8", "10", "11"))


def replace_leads(cast: story.Cast) -> story.Cast:
    """The other two leads take this one."""
    leads = [member for member in cast.members.values() if member.holds("lead")]
    return replace(cast, lead=leads[-1], deputy=leads[0])


def _booking(cast: story.Cast, heron: Kiln, now: datetime) -> None:
    """The next firing of the big kiln: open, nearly full, some waiting; watches half taken."""
    latest = Firing.objects.of(cast.coop).filter(kiln=heron).order_by("-occupied_until").first()
    begins = max(now + 20 * DAY, latest.occupied_until + 2 * DAY if latest else now)
    loads_at = begins.replace(hour=8, minute=0)
    firing = story.call(
        cast,
        kiln_id=heron.public_id,
        name="Midwinter burn",
        loads_at=loads_at,
        lights_at=loads_at + 24 * HOUR,
        now=now - 6 * DAY,
        cost_estimate_minor=98_000,
    )
    when = now - 5 * DAY
    for seed_number in range(20, 40):
        for name, fields in invented.bookings(_who(cast, 2, 17), seed=seed_number, rows=(1, 2)):
            if (
                _fill(firing) > 0.94
                and Piece.objects.of(cast.coop).filter(booking__firing=firing).waiting().count() > 2
            ):
                return
            when += timedelta(minutes=3)
            try:
                story.book(cast, firing, [(name, fields)], now=min(when, now))
            except Refused:
                continue


def _fill(firing: Firing) -> float:
    zones: list[FiringZone] = list(FiringZone.objects.filter(coop=firing.coop_id, firing=firing))
    return sum(zone.taken_ml for zone in zones) / sum(zone.capacity_ml for zone in zones)
