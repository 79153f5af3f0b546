"""Forecast a fire from a fire-log/1 file; no database."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from coop.errors import Refused
from firings.fire import forecast
from firings.management import files


class Command(BaseCommand):
    help = "Rate, stall, time to target, cones due, wood left, cooling. Status 1: no reading yet; 2: faults."
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", help="fire-log/1, - for standard input")
        parser.add_argument("--out", default="-", metavar="FILE", help="where the forecast goes")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            answer = forecast.forecast(forecast.read_fire_log(files.read_text(options["file"])))
        except Refused as error:
            files.end_with(error, self.stderr)
        files.write_text(forecast.as_json(answer), options["out"], self.stdout)
