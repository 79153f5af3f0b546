"""Share the bills of a cost-shares/1 file; no database."""

from __future__ import annotations

import json
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from billing import cost_shares
from coop.errors import Refused
from firings.management import files


class Command(BaseCommand):
    help = "Amount per member and pool with the working behind each figure. Status 2: faults in the file."
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", help="cost-shares/1, - for standard input")
        parser.add_argument("--out", default="-", metavar="FILE", help="where the amounts go")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            shares = cost_shares.share(cost_shares.parse(files.read_text(options["file"])))
        except Refused as error:
            files.end_with(error, self.stderr)
        text = json.dumps(cost_shares.answer(shares), ensure_ascii=False, indent=1)
        files.write_text(text, options["out"], self.stdout)
