"""Recompute every invariant over all co-ops; status 1 if anything differs."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from billing.invariants import check_all, head_stands
from coop import walls
from coop.models import Coop
from coop.transactions import reading


class Command(BaseCommand):
    help = "Recompute every invariant, say how many rows were checked and the first differences. Status 1 if any."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--coop", metavar="ADDRESS", help="only the co-op at this address")
        parser.add_argument("--head", metavar="HASH", help="a head of the chain from paper; needs --coop")
        parser.add_argument("--first", type=int, default=10, metavar="N", help="differences to print for each")

    def handle(self, *args: Any, **options: Any) -> None:
        coops = Coop.objects.order_by("slug")
        if options["coop"]:
            coops = coops.filter(slug=options["coop"])
            if not coops.exists():
                self.stderr.write(f"There is no co-op at “{options['coop']}”; leave --coop out to check all.")
                sys.exit(2)
        if options["head"] and not options["coop"]:
            self.stderr.write("A head belongs to one co-op; say which with --coop.")
            sys.exit(2)
        rows = differences = 0
        faults = walls.missing()
        differences += len(faults)
        self._say("the database's own walls stand", len(walls.names()), faults, options["first"])
        for coop in coops:
            self.stdout.write(f"{coop.name} ({coop.slug})")
            with reading(coop):
                for checked in [*check_all(coop), *([head_stands(coop, options["head"])] if options["head"] else [])]:
                    rows += checked.rows
                    differences += len(checked.faults)
                    self._say(checked.name, checked.rows, checked.faults, options["first"])
        self.stdout.write(f"{rows} rows checked in {len(coops)} co-ops, {differences} differences.")
        if differences:
            sys.exit(1)

    def _say(self, name: str, rows: int, faults: Sequence[str], first: int) -> None:
        self.stdout.write(f"  {'DIFF' if faults else 'ok  '} {rows:>7}  {name}")
        for fault in faults[:first]:
            self.stdout.write(f"         - {fault}")
        if (more := len(faults) - first) > 0:
            self.stdout.write(f"         - and {more} more")
