"""Take a bank's file at the prompt: read, shown in figures, and with --take posted."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from billing import services
from billing.bank_files.movements import MAX_BYTES
from billing.models import BankProfile
from billing.queries import bank as queries
from coop import money
from coop.errors import Malformed, Refused
from coop.models import Coop, Membership
from coop.transactions import reading
from firings.management import files


class Command(BaseCommand):
    help = "Read a camt.053 or CSV file of the co-op's account. Status 2: faults in the file; 1: refused."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("coop", help="address of the co-op")
        parser.add_argument("file", help="the bank's file")
        parser.add_argument("--by", required=True, metavar="E-MAIL", help="the treasurer in whose name it is taken")
        parser.add_argument("--profile", default="", help="name of the profile, for a CSV")
        parser.add_argument("--opening", default=None, help="balance before, for a CSV without balances")
        parser.add_argument("--closing", default=None, help="balance after, for a CSV without balances")
        parser.add_argument(
            "--take", action="store_true", help="take it: what has a reference is posted, the rest waits"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        coop = Coop.objects.filter(slug=options["coop"]).first()
        if coop is None:
            raise CommandError(f"There is no co-op at “{options['coop']}”.", returncode=files.BAD_FILE)
        with reading(coop):
            by = Membership.objects.of(coop).current().filter(person__email=options["by"].strip().lower()).first()
            profile = BankProfile.objects.of(coop).filter(name=options["profile"]).first()
        if by is None:
            raise CommandError(f"{options['by']} is no member of {coop.name}.", returncode=files.BAD_FILE)
        if options["profile"] and profile is None:
            raise CommandError(f"There is no profile “{options['profile']}”; save it first.", returncode=files.BAD_FILE)
        try:
            self._read(coop, by, profile.public_id if profile else None, options)
        except Refused as error:
            files.end_with(error, self.stderr)

    def _read(self, coop: Coop, by: Membership, profile_id: UUID | None, options: dict[str, Any]) -> None:
        told = {name: options[name] for name in ("opening", "closing")}
        balances = {f"{name}_minor": money.parse(text, coop.currency) if text else None for name, text in told.items()}
        file = services.read_bank_file(
            coop,
            by=by,
            now=timezone.now(),
            name=Path(options["file"]).name,
            content=_content(options["file"]),
            profile_id=profile_id,
            **balances,
        )
        with reading(coop):
            shown = queries.preview(coop, file.public_id)
        self.stdout.write(
            f"{shown.new} new movements: {len(shown.certain)} by reference, {len(shown.proposals)} proposed, "
            f"{len(shown.waiting)} nobody's yet; {shown.known} are here already."
        )
        for remark in shown.remarks:
            self.stdout.write(remark)
        if not options["take"]:
            services.leave_bank_file(coop, by=by, now=timezone.now(), file_id=file.public_id)
            self.stdout.write("Nothing was taken; add --take to take it.")
            return
        done = services.take_bank_file(coop, by=by, now=timezone.now(), file_id=file.public_id)
        self.stdout.write(f"Taken: {done.new} movements, {done.payments} payments posted, {done.waiting} wait.")


def _content(name: str) -> bytes:
    try:
        with Path(name).open("rb") as source:
            return source.read(MAX_BYTES + 1)
    except OSError as error:
        raise Malformed([f"{name}: cannot be read ({error.strerror}); give the path of a file."]) from error
