"""Plan who pays whom for a balances/1 file; no database."""

from __future__ import annotations

import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from billing import settlement
from coop.errors import Refused
from firings.management import files


class Command(BaseCommand):
    help = "The fewest payments, proven or with a bound. Status 2: faults in the file."
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", help="balances/1, - for standard input")
        parser.add_argument("--out", default="-", metavar="FILE", help="where the payments go")
        parser.add_argument("--seconds", type=float, default=10.0, help="longest search, 0 or more")
        parser.add_argument("--seed", type=int, default=1, help="same seed, same plan")

    def handle(self, *args: Any, **options: Any) -> None:
        if not options["seconds"] >= 0:
            raise CommandError("--seconds must be 0 or more; give a number such as 10.", returncode=files.BAD_FILE)
        try:
            _, balances = settlement.parse(files.read_text(options["file"]))
            made = settlement.plan(balances, seconds=options["seconds"], seed=options["seed"])
        except Refused as error:
            files.end_with(error, self.stderr)
        text = json.dumps(settlement.answer(made), ensure_ascii=False, indent=1)
        files.write_text(text, options["out"], self.stdout)
