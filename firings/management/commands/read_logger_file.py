"""Read a logger's CSV file at the prompt: readings as entries of a fire-log/1, or every fault by row; no database."""

from __future__ import annotations

import json
from typing import Any
from zoneinfo import ZoneInfo

from django.core.management.base import BaseCommand, CommandParser

from coop.errors import Malformed, Refused
from firings.fire import logger_file
from firings.management import files


class Command(BaseCommand):
    help = "Readings of a logger's CSV as JSON entries. Without --probe the columns are guessed. Status 2: faults."
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", help="CSV, - for standard input")
        parser.add_argument("--time", metavar="COLUMN", help="head of the column with the time")
        parser.add_argument("--day", metavar="COLUMN", help="head of the column with the date, if it is another")
        parser.add_argument("--probe", action="append", metavar="COLUMN=NAME", help="a probe's column; repeat")
        parser.add_argument("--format", choices=list(logger_file.FORMATS), help="how the time is written")
        parser.add_argument("--unit", choices=logger_file.UNITS, help="c or f")
        parser.add_argument("--zone", default="UTC", help="time zone of times without an offset")
        parser.add_argument("--out", default="-", metavar="FILE", help="where the entries go")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            sheet = logger_file.read_sheet(files.read_text(options["file"]))
            found, faults = logger_file.readings(sheet, _columns(sheet, options), _zone(options["zone"]))
            if faults:
                raise Malformed([str(fault) for fault in faults])
        except Refused as error:
            files.end_with(error, self.stderr)
        entries = [
            {"at": one.at.isoformat(), "kind": "reading", "probe": one.probe, "c": one.temperature_dc / 10}
            for one in found
        ]
        files.write_text(json.dumps(entries, ensure_ascii=False, indent=1), options["out"], self.stdout)


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as error:
        raise Malformed([f"“{name[:40]}” is no time zone; write it like Europe/Dublin."]) from error


def _columns(sheet: logger_file.Sheet, options: dict[str, Any]) -> logger_file.Columns:
    first = logger_file.guess(sheet)
    probes = dict(first.probes)
    if options["probe"]:
        probes = {}
        for told in options["probe"]:
            head, equals, name = told.partition("=")
            probes[_place(sheet, head)] = name if equals else head
    return logger_file.Columns(
        time=_place(sheet, options["time"]) if options["time"] else first.time,
        probes=probes,
        day=_place(sheet, options["day"]) if options["day"] else first.day,
        format=options["format"] or first.format,
        unit=options["unit"] or first.unit,
    )


def _place(sheet: logger_file.Sheet, head: str) -> int:
    if head not in sheet.heads:
        raise Malformed([f"There is no column “{head[:40]}”; there are: {', '.join(sheet.heads)}."])
    return sheet.heads.index(head)
