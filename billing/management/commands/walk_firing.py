"""Carry one new firing from the call to the last cent through the services: the main job without a browser."""

from __future__ import annotations

import json
import re
from argparse import ArgumentParser
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand
from django.utils import timezone

from billing.management import invented, story
from billing.models import CostShare, Settlement
from coop import money, queues
from coop.errors import Malformed, Refused
from coop.models import Coop, Document, Notice
from firings import kiln_file, tables
from firings.fire import cones
from firings.management.files import read_text
from firings.models import Firing, Kiln, Material, Piece, Placement
from firings.queries.load_plans import usage
from firings.services import kilns
from firings.services.space import spec_of
from firings.tables import PieceRow, ReceiptRow

SAMPLES = Path(settings.BASE_DIR) / "firings" / "samples"
CREW = (
    invented.Someone("Walk lead", ("member", "lead", "coordinator"), ("stoking", "leading", "soda"), ""),
    invented.Someone("Walk deputy", ("member", "lead"), ("stoking", "leading", "splitter"), ""),
    invented.Someone("Walk treasurer", ("member", "treasurer"), ("stoking",), ""),
    invented.Someone("Walk steward", ("member", "steward"), ("stoking", "grinding", "splitter"), ""),
)
MOST_NAME, MOST_BODY = 120, 80
FEWEST = 18  # people it takes to crew a day and a night without anybody standing alone or too long


@dataclass(slots=True)
class Told:
    """What happened, for the screen and for summary.json."""

    stages: list[dict[str, str]] = field(default_factory=list)
    refused: list[dict[str, str]] = field(default_factory=list)
    waiting: list[dict[str, str]] = field(default_factory=list)


class Command(BaseCommand):
    help = (
        "Found a co-op, a kiln and the members named in the files, and carry one firing from call to closed. "
        "Leaves summary.json, the mails (.eml) and the PDFs in --out, and the firing in the database."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--pieces", metavar="FILE", help="pieces as CSV (default: the sample)")
        parser.add_argument("--receipts", metavar="FILE", help="receipts as CSV (default: the sample)")
        parser.add_argument("--kiln", metavar="FILE", help="the kiln as kiln/1 JSON (default: the sample)")
        parser.add_argument("--out", metavar="DIR", required=True, help="folder for summary, mails and PDFs")
        parser.add_argument("--seed", type=int, default=1, help="seed of planner and invented fire")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            pieces, receipts, kiln = _read(options)
        except Malformed as no:
            for fault in no.faults:
                self.stderr.write(fault)
            raise SystemExit(2) from no
        except Refused as no:
            self.stderr.write(str(no))
            raise SystemExit(2) from no
        out = Path(options["out"])
        try:
            out.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            self.stderr.write(f"{out} cannot be used as the folder: {error.strerror}. Give another with --out.")
            raise SystemExit(2) from error
        try:
            self._walk(pieces, receipts, kiln, out, options["seed"])
        except Refused as no:
            self.stderr.write(f"The walk stops here: {no}")
            raise SystemExit(1) from no

    def _walk(
        self,
        pieces: Sequence[PieceRow],
        receipts: Sequence[ReceiptRow],
        spec: kiln_file.KilnSpec,
        out: Path,
        seed: int,
    ) -> None:
        told = Told()
        currency = receipts[0].currency if receipts else "EUR"
        end = _end(receipts)
        length = timedelta(hours=spec.load_hours + spec.hours.likely + spec.cool_hours + spec.cleanup_hours, days=30)
        start = (end - length).replace(minute=0, second=0, microsecond=0)
        cast = story.found(
            f"Walk of {end:%d %B %Y %H:%M:%S}",
            _free_slug(f"walk-{end:%Y%m%d-%H%M%S}"),
            currency=currency,
            time_zone="Europe/Dublin",
            people=_people(_names(pieces, receipts)),
            now=start,
        )
        kiln = _prepare(cast, spec, pieces, start)
        firing = self._before(cast, kiln, pieces, told, start, seed, spec)
        firing = self._fire(cast, firing, told, seed)
        posted = self._after(cast, firing, receipts, told, end)
        files = _leave_papers(cast.coop, out)
        mails = _leave_mails(cast.coop, out, end)
        summary = _summary(posted, told, mails, files)
        (out / "summary.json").write_text(json.dumps(summary, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
        self._print_shares(summary, currency)
        self.stdout.write(f"\n{mails} mails and {len(files)} PDFs in {out}; summary in {out / 'summary.json'}")
        self.stdout.write(f"To look at in the browser: /{cast.coop.slug}/firings/{firing.public_id}/")

    # --- The stages -----------------------------------------------------------------------

    def _before(
        self,
        cast: story.Cast,
        kiln: Kiln,
        pieces: Sequence[PieceRow],
        told: Told,
        start: datetime,
        seed: int,
        spec: kiln_file.KilnSpec,
    ) -> Firing:
        loads_at = start + timedelta(days=21)
        lights_at = loads_at + timedelta(hours=kiln.loading_hours)
        firing = story.call(
            cast,
            kiln_id=kiln.public_id,
            name="Walked firing",
            loads_at=loads_at,
            lights_at=lights_at,
            now=start,
            with_soda=kiln.takes_soda,
        )
        self._say(told, "called", f"{kiln.name}, cone {firing.target_cone}, to be lit {lights_at:%Y-%m-%d %H:%M} UTC")
        zones = {name.casefold(): zone.name for zone in spec.zones for name in (zone.id, zone.name)}
        for row in pieces:
            self._book(cast, firing, row, told, zones, start + timedelta(hours=2))
        held = Piece.objects.of(cast.coop).filter(booking__firing=firing)
        told.waiting = self._waiting(held)
        pots = sum(held.held().values_list("count", flat=True))
        self._say(
            told,
            "booking",
            f"{pots} pots of {len(pieces) - len(told.refused)} rows have space, {len(told.waiting)} rows wait, "
            f"{len(told.refused)} refused",
        )
        missing = story.crew(cast, firing, now=start + timedelta(days=1))
        self._say(told, "crew", "every watch is crewed" if not missing else "; ".join(missing))
        firing = story.share_out(cast, firing, loads_at - timedelta(days=1))
        told.waiting = self._waiting(held)
        self._say(told, "allotted", f"the space is shared out by the policy, {len(told.waiting)} rows wait in order")
        firing = story.to(cast, firing, "loading", loads_at)
        plan = story.load(cast, firing, now=loads_at + timedelta(hours=1), seed=seed)
        answer = plan.plan
        self._say(
            told,
            "loading",
            f"{Placement.objects.of(cast.coop).filter(layer__plan=plan).count()} pots on {plan.layers.count()} layers, "
            f"stack {answer['stack_mm']} mm, no plan below {answer['lower_bound_mm']} mm, "
            f"{len(answer['left_out'])} rows left out",
        )
        story.print_papers(cast, plan, now=loads_at + timedelta(hours=1))
        firing.refresh_from_db()
        return firing

    @staticmethod
    def _waiting(pieces: Any) -> list[dict[str, str]]:
        rows = pieces.waiting().select_related("booking__member__person")
        return [{"member": piece.booking.member.name, "piece": piece.name} for piece in rows]

    def _book(
        self, cast: story.Cast, firing: Firing, row: PieceRow, told: Told, zones: dict[str, str], now: datetime
    ) -> None:
        if row.zone and row.zone.casefold() not in zones:
            self.stdout.write(f"  {row.member}: {row.piece}: this kiln has no zone {row.zone}; it may stand anywhere")
        row = replace(row, zone=zones.get(row.zone.casefold(), ""))
        fields = spec_of(row)
        for name, piece, why in story.book(cast, firing, [(row.member, _as_fields(fields))], now=now):
            told.refused.append({"member": name, "piece": piece, "why": why})
            self.stdout.write(f"  refused: row {row.row}, {name}: {piece}: {why}")

    def _fire(self, cast: story.Cast, firing: Firing, told: Told, seed: int) -> Firing:
        top = cones.equivalent_c(firing.target_cone, 60).temp_c or 1280
        down = (firing.target_cone,)
        written = story.burn(cast, firing, until=firing.ends_at, seed=seed, target_c=int(top), cones=down)
        self._say(told, "lit", f"{written} log entries, hand-overs accepted by both leads")
        firing.refresh_from_db()
        firing = story.cool(cast, firing, cones=down, top_c=int(top))
        self._say(told, "cooling", f"end of fire {firing.ends_at:%Y-%m-%d %H:%M} UTC, cone {down[0]} down")
        return firing

    def _after(
        self, cast: story.Cast, firing: Firing, receipts: Sequence[ReceiptRow], told: Told, end: datetime
    ) -> Settlement:
        firing = story.unpack(cast, firing, now=firing.opens_at)
        self._say(told, "unpacking", "outcome of every piece written down; one board damaged by accident")
        lines = firing.checklist.items.count()
        listed = Notice.objects.of(cast.coop).filter(kind__startswith="cleanup").count()
        self._say(told, "cleanup", f"{lines} lines shared out, {listed} mails written on entering clean-up")
        firing = story.clean(cast, firing, now=firing.opens_at + timedelta(hours=firing.kiln.cleanup_hours - 4))
        self._say(told, "settling", "clean-up signed off, the kiln is free")
        posted = story.settle(cast, firing, receipts, now=end)
        posted.refresh_from_db()
        firing.refresh_from_db()
        self._say(
            told,
            firing.stage,
            f"cost shares posted as number {posted.posting.number if posted.posting else '-'}, "
            f"{len(story.statements_of(posted))} statements",
        )
        return posted

    def _say(self, told: Told, stage: str, happened: str) -> None:
        told.stages.append({"stage": stage, "happened": happened})
        self.stdout.write(f"{stage:10} {happened}")

    def _print_shares(self, summary: dict[str, Any], currency: str) -> None:
        self.stdout.write("\nFinal shares")
        for name, shares in summary["members"].items():
            self.stdout.write(
                f"  {name:28} {shares['litres']:8.1f} l {money.format_plain(shares['total'], currency):>12}"
            )
        for pool, bill in summary["pools"].items():
            borne = sum(member["shares"].get(pool, 0) for member in summary["members"].values())
            fund = summary["fund"][pool]
            self.stdout.write(
                f"  pool {pool:12} bill {money.format_plain(bill, currency)} = members "
                f"{money.format_plain(borne, currency)} + fund {money.format_plain(fund, currency)}"
            )


# --- Reading the files --------------------------------------------------------------------


def _read(options: dict[str, Any]) -> tuple[Sequence[PieceRow], Sequence[ReceiptRow], kiln_file.KilnSpec]:
    """All three files, or every fault of all of them at once."""
    faults: list[str] = []
    pieces: Sequence[PieceRow] = ()
    receipts: Sequence[ReceiptRow] = ()
    wanted_pieces = Path(options["pieces"] or SAMPLES / "pieces.csv")
    wanted_receipts = Path(options["receipts"] or SAMPLES / "receipts.csv")
    table = tables.read_pieces(_bytes(wanted_pieces))
    faults += [f"{wanted_pieces.name}: {fault}" for fault in table.faults]
    pieces = table.rows
    faults += [
        f"{wanted_pieces.name}: row {row.row}, member: name whose piece this is." for row in pieces if not row.member
    ]
    receipt_table = tables.read_receipts(_bytes(wanted_receipts), currency=_currency(wanted_receipts))
    faults += [f"{wanted_receipts.name}: {fault}" for fault in receipt_table.faults]
    receipts = receipt_table.rows
    if faults:
        raise Malformed(faults)
    if not pieces:
        raise Malformed([f"{wanted_pieces.name}: there are no pieces in it; add at least one row."])
    kiln = kiln_file.read_kiln(read_text(str(options["kiln"] or SAMPLES / "kiln.json")))
    kilns.check_spec(kiln)
    if faults := [*_too_long(pieces, receipts, wanted_pieces, wanted_receipts), *_nothing_fits(pieces, kiln)]:
        raise Malformed(faults)
    return pieces, receipts, kiln


def _too_long(
    pieces: Sequence[PieceRow], receipts: Sequence[ReceiptRow], pieces_file: Path, receipts_file: Path
) -> Iterator[str]:
    """What a list may say but the record of a person or a clay body cannot hold."""
    texts = [(pieces_file, row.row, "member", row.member, MOST_NAME) for row in pieces]
    texts += [(pieces_file, row.row, "body", row.body, MOST_BODY) for row in pieces]
    texts += [(receipts_file, row.row, "paid_by", row.paid_by, MOST_NAME) for row in receipts]
    for file, row, column, text, most in texts:
        if len(text) > most:
            yield f"{file.name}: Row {row}, {column}: this text has {len(text)} characters; shorten it to {most}."


def _nothing_fits(pieces: Sequence[PieceRow], kiln: kiln_file.KilnSpec) -> Iterator[str]:
    """A walk without a single pot in the kiln would stop halfway, so it is not begun."""
    claimed = _claimed(pieces)
    if not any(_may_fit(row, row.cone or claimed.get(row.body, ""), zone) for row in pieces for zone in kiln.zones):
        reach = ", ".join(f"{zone.name}: cone {zone.cone}, {zone.chamber_height_mm} mm" for zone in kiln.zones)
        yield (
            f"No piece of the list can stand in {kiln.name} ({reach}); "
            "give pieces of a clay that stands the cone and low enough to go in, or another kiln."
        )


def _may_fit(row: PieceRow, cone: str, zone: kiln_file.ZoneSpec) -> bool:
    room = zone.chamber_height_mm - zone.shelf_thickness_mm - zone.wadding_mm - zone.clearance_above_mm
    short, long = sorted((row.width_mm or row.diameter_mm or 0, row.length_mm or row.diameter_mm or 0))
    narrow, wide = sorted(zone.board_mm)
    fits = row.height_mm <= room and short <= narrow and long <= wide
    return fits and bool(cone) and cones.stands(cone, zone.cone)


def _bytes(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(tables.MAX_BYTES + 1)
    except OSError as error:
        raise Malformed([f"{path}: it cannot be read ({error.strerror}); give another file."]) from error


def _currency(path: Path) -> str:
    """The first currency code in the receipts file; one co-op has one currency, so the reader refuses another."""
    found = re.search(rb"[,;\t\n\"]([A-Z]{3})[,;\t\n\r\"]", _bytes(path))
    return found[1].decode() if found and found[1].decode() in money.MINOR_DIGITS else "EUR"


def _names(pieces: Sequence[PieceRow], receipts: Sequence[ReceiptRow]) -> list[str]:
    """Everybody named in the files, once each, in the order they appear."""
    taken = {someone.name for someone in CREW}
    named = [*(row.member for row in pieces), *(row.paid_by for row in receipts if row.paid_by)]
    return [name for name in dict.fromkeys(named) if name not in taken]


def _people(names: Sequence[str]) -> list[invented.Someone]:
    """The walk's own four, the members named in the files, and friends who help at the fire where those are few."""
    friends = range(1, FEWEST - len(CREW) - len(names) + 1)
    return [
        *CREW,
        *(invented.Someone(name) for name in names),
        *(invented.Someone(f"Walk friend {number}", ("member",), ("stoking", "leading")) for number in friends),
    ]


def _end(receipts: Sequence[ReceiptRow]) -> datetime:
    """The moment of settling: now, or the day after the last receipt where that is later."""
    now = timezone.now()
    latest = max((row.date for row in receipts), default=now.date())
    return now if latest <= now.date() else now + timedelta(days=(latest - now.date()).days + 1)


def _free_slug(wanted: str) -> str:
    slug, number = wanted, 1
    while Coop.objects.filter(slug=slug).exists():
        number += 1
        slug = f"{wanted}-{number}"
    return slug


def _as_fields(spec: Any) -> dict[str, Any]:
    return {name: getattr(spec, name) for name in spec.__dataclass_fields__}


def _prepare(cast: story.Cast, spec: kiln_file.KilnSpec, pieces: Sequence[PieceRow], now: datetime) -> Kiln:
    """The kiln, and the clay bodies the file names with the lowest cone it claims for each."""
    kiln = kilns.add_kiln(cast.coop, by=cast.steward, now=now, spec=spec)
    for name, cone in _claimed(pieces).items():
        kilns.add_material(cast.coop, by=cast.steward, now=now, kind=Material.Kind.BODY, name=name, stands_cone=cone)
    return kiln


def _claimed(pieces: Sequence[PieceRow]) -> dict[str, str]:
    """The lowest cone the list claims for each clay body it names."""
    claimed: dict[str, str] = {}
    for row in pieces:
        if row.body and row.cone:
            claimed[row.body] = min((claimed.get(row.body, row.cone), row.cone), key=cones.rank)
    return claimed


# --- What is left behind ------------------------------------------------------------------


def _leave_papers(coop: Coop, out: Path) -> list[str]:
    folder = out / "pdfs"
    folder.mkdir(exist_ok=True)
    left = []
    for number, paper in enumerate(Document.objects.of(coop).order_by("pk"), start=1):
        path = folder / f"{number:02d}-{paper.file_name}"
        path.write_bytes(bytes(paper.content))
        left.append(str(path.relative_to(out)))
    return left


def _leave_mails(coop: Coop, out: Path, now: datetime) -> int:
    """Every mail of this co-op as .eml, whoever sent it; a worker running beside us may have been quicker."""
    settings.EMAIL_BACKEND, settings.EMAIL_FILE_PATH = "coop.mail.FolderBackend", out / "mails"
    story.send_mails(coop, lambda: now)
    for notice in Notice.objects.of(coop).select_related("coop", "document"):
        queues.as_mail(notice).send()
    return len(list((out / "mails").glob("*.eml")))


def _summary(posted: Settlement, told: Told, mails: int, files: list[str]) -> dict[str, Any]:
    members: dict[str, dict[str, Any]] = {}
    used = {row.member_pk: row for row in usage(posted.firing).values()}
    for share in _shares(posted):
        entry = members.setdefault(share.member.name, {"litres": 0.0, "shares": {}, "total": 0})
        if share.member_id in used:
            entry["litres"] = used[share.member_id].ml / 1000
        entry["shares"][share.pool.pool] = share.amount_minor
        entry["total"] += share.amount_minor
    pools = list(posted.pools.all())
    return {
        "stages": told.stages,
        "members": members,
        "pools": {pool.pool: pool.bill_minor for pool in pools},
        "fund": {pool.pool: pool.fund_minor for pool in pools},
        "refused": told.refused,
        "waiting": told.waiting,
        "mails": mails,
        "files": files,
    }


def _shares(posted: Settlement) -> Iterator[CostShare]:
    yield from posted.shares.select_related("member__person", "pool").order_by("member__person__name", "pool__pk")
