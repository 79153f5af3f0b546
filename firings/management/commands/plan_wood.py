"""Say how much wood a firing needs from a wood-plan/1 file; no database."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from coop.errors import Refused
from firings.fire import forecast
from firings.management import files


class Command(BaseCommand):
    help = "Need with interval, shortfall, hours of work. Status 2: faults in the file."
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", help="wood-plan/1, - for standard input")
        parser.add_argument("--out", default="-", metavar="FILE", help="where the answer goes")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            plan = forecast.read_wood_plan(files.read_text(options["file"]))
        except Refused as error:
            files.end_with(error, self.stderr)
        files.write_text(forecast.as_json(forecast.wood_answer(plan)), options["out"], self.stdout)
