"""Share out space for an allotment/1 file; no database."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from coop.errors import Refused
from firings.allotment import read_allotment, write_allotment
from firings.management import files


class Command(BaseCommand):
    help = "Litres per member, who waits, and the working. Status 1: the floors do not fit; 2: faults."
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", help="allotment/1, - for standard input")
        parser.add_argument("--out", default="-", metavar="FILE", help="where the allotment goes")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            allotment = read_allotment(files.read_text(options["file"])).answer()
        except Refused as error:
            files.end_with(error, self.stderr)
        files.write_text(write_allotment(allotment), options["out"], self.stdout)
