"""Write everything one co-op has into one file that another installation can bring in."""

from __future__ import annotations

import sys
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from coop import exports
from coop.models import Coop


class Command(BaseCommand):
    help = "Write all rows of one co-op as JSON lines, with figures to compare. Passwords and API keys stay behind."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("coop", metavar="ADDRESS", help="the co-op's address")
        parser.add_argument("--out", default="-", metavar="FILE", help="where to (default: standard output)")

    def handle(self, *args: Any, **options: Any) -> None:
        coop = Coop.objects.filter(slug=options["coop"]).first()
        if coop is None:
            raise CommandError(f"There is no co-op at “{options['coop']}”.", returncode=2)
        if options["out"] == "-":
            exports.write(coop, sys.stdout)
            return
        to = Path(options["out"])
        unfinished = to.with_name(f".{to.name}.part")
        with unfinished.open("w", encoding="utf-8") as out:
            lines = exports.write(coop, out)
        unfinished.replace(to)
        self.stdout.write(f"{coop.name}: {lines} lines in {to.name}.")
