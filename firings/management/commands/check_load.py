"""Judge a load plan against its request; no database."""

from __future__ import annotations

import sys
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from coop.errors import Malformed, Refused
from firings.load_plan.check import faults
from firings.load_plan.problem import read_plan, read_request
from firings.management import files


class Command(BaseCommand):
    help = "Say every rule a load plan breaks. Status 1 if there is any; 2: a file has faults."
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("request", help="load-request/1, - for standard input")
        parser.add_argument("plan", help="load-plan/1, - for standard input")
        parser.add_argument("--free-height", action="store_true", help="the stack may be higher than the zone")
        parser.add_argument("--out", default="-", metavar="FILE", help="where the findings go")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            if options["request"] == options["plan"] == "-":
                raise Malformed(["Only one of the two can be standard input; give the other as a file."])
            request = read_request(files.read_text(options["request"]))
            plan = read_plan(files.read_text(options["plan"]))
        except Refused as error:
            files.end_with(error, self.stderr)
        found = faults(request, plan, free_height=options["free_height"])
        files.write_text("\n".join(found) or "No rule is broken.", options["out"], self.stdout)
        if found:
            sys.exit(files.NO_ANSWER)
