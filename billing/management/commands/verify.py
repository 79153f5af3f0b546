"""Recompute every invariant over all co-ops; status 1 if anything differs."""

from __future__ import annotations

import sys
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from billing.invariants import check_all
from coop.models import Coop
from coop.transactions import reading


class Command(BaseCommand):
    help = "Recompute every invariant, say how many rows were checked and the first differences. Status 1 if any."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--coop", metavar="ADDRESS", help="only the co-op at this address")
        parser.add_argument("--first", type=int, default=10, metavar="N", help="differences to print for each")

    def handle(self, *args: Any, **options: Any) -> None:
        coops = Coop.objects.order_by("slug")
        if options["coop"]:
            coops = coops.filter(slug=options["coop"])
            if not coops.exists():
                self.stderr.write(f"There is no co-op at “{options['coop']}”; leave --coop out to check all.")
                sys.exit(2)
        rows = differences = 0
        for coop in coops:
            self.stdout.write(f"{coop.name} ({coop.slug})")
            with reading(coop):
                for checked in check_all(coop):
                    rows += checked.rows
                    differences += len(checked.faults)
                    word = "ok  " if not checked.faults else "DIFF"
                    self.stdout.write(f"  {word} {checked.rows:>7}  {checked.name}")
                    for fault in checked.faults[: options["first"]]:
                        self.stdout.write(f"         - {fault}")
                    if (more := len(checked.faults) - options["first"]) > 0:
                        self.stdout.write(f"         - and {more} more")
        self.stdout.write(f"{rows} rows checked in {len(coops)} co-ops, {differences} differences.")
        if differences:
            sys.exit(1)
