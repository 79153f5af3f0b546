"""Judge a watch roster against its request; no database."""

from __future__ import annotations

import sys
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from coop.errors import Malformed, Refused
from firings.management import files
from firings.roster.check import faults, gaps
from firings.roster.problem import read_assigned, read_request


class Command(BaseCommand):
    help = "Say every rule a roster breaks and every place it leaves open. Status 1 if there is any."
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("request", help="watch-roster/1, - for standard input")
        parser.add_argument("assignment", help="watch-assignment/1, - for standard input")
        parser.add_argument("--out", default="-", metavar="FILE", help="where the findings go")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            if options["request"] == options["assignment"] == "-":
                raise Malformed(["Only one of the two can be standard input; give the other as a file."])
            request = read_request(files.read_text(options["request"]))
            assigned = read_assigned(files.read_text(options["assignment"]))
        except Refused as error:
            files.end_with(error, self.stderr)
        found = [*faults(request, assigned), *(gap.text for gap in gaps(request, assigned))]
        files.write_text("\n".join(found) or "No rule is broken, every place is filled.", options["out"], self.stdout)
        if found:
            sys.exit(files.NO_ANSWER)
