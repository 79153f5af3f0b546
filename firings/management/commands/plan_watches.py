"""Propose a watch roster for a watch-roster/1 file; no database."""

from __future__ import annotations

import argparse
import math
import sys
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from coop.errors import Refused
from firings.management import files
from firings.roster.problem import read_assigned, read_request
from firings.roster.solve import plan, write_roster


def seconds(text: str) -> float:
    value = float(text)
    if not (math.isfinite(value) and 0 <= value <= 3600):
        raise argparse.ArgumentTypeError("give 0 to 3600 seconds")
    return value


class Command(BaseCommand):
    help = "Propose who is on which watch and chore. Status 1: places stay open; 2: the file has faults."
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", help="watch-roster/1, - for standard input")
        parser.add_argument("--keep", metavar="FILE", help="watch-assignment/1 that people already know")
        parser.add_argument("--out", default="-", metavar="FILE", help="where the roster goes")
        parser.add_argument("--seconds", type=seconds, default=2.0, help="time for the search")
        parser.add_argument("--seed", type=int, default=1)
        parser.add_argument(
            "--repeatable", action="store_true", help="let work, not the clock, end the search: one seed, one roster"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            request = read_request(files.read_text(options["file"]))
            keep = read_assigned(files.read_text(options["keep"])) if options["keep"] else None
            roster = plan(
                request, seconds=options["seconds"], seed=options["seed"], keep=keep, repeatable=options["repeatable"]
            )
        except Refused as error:
            files.end_with(error, self.stderr)
        files.write_text(write_roster(roster), options["out"], self.stdout)
        for reason in roster.reasons:
            self.stderr.write(reason)
        if roster.unfilled:
            sys.exit(files.NO_ANSWER)
