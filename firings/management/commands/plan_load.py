"""Plan a load for a load-request/1 file; no database."""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from coop.errors import Refused
from firings.documents.load_paper import load_paper
from firings.load_plan.bound import strengthened
from firings.load_plan.drawing import board_svg, stack_svg
from firings.load_plan.problem import LoadPlan, LoadRequest, read_request, write_plan
from firings.load_plan.solve import plan
from firings.management import files


def seconds(text: str) -> float:
    value = float(text)
    if not (math.isfinite(value) and 0 <= value <= 3600):
        raise argparse.ArgumentTypeError("give 0 to 3600 seconds")
    return value


class Command(BaseCommand):
    help = "Plan which piece stands where. Status 1: pieces are left out; 2: the file has faults."
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", help="load-request/1, - for standard input")
        parser.add_argument("--out", default="-", metavar="FILE", help="where the plan goes")
        parser.add_argument(
            "--seconds", type=seconds, default=2.0, help="time for the search; the bound takes up to half as long again"
        )
        parser.add_argument("--seed", type=int, default=1)
        parser.add_argument("--free-height", action="store_true", help="load everything, make the stack low")
        parser.add_argument("--svg", metavar="DIR", help="also draw every board and every stack there")
        parser.add_argument("--pdf", metavar="FILE", help="also set load sheets, one layer a page")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            request = read_request(files.read_text(options["file"]))
        except Refused as error:
            files.end_with(error, self.stderr)
        made = plan(request, seconds=options["seconds"], seed=options["seed"], free_height=options["free_height"])
        made = strengthened(request, made, seconds=options["seconds"] / 2)
        files.write_text(write_plan(made), options["out"], self.stdout)
        if options["svg"]:
            _draw(request, made, Path(options["svg"]))
        if options["pdf"]:
            self._print(request, made, Path(options["pdf"]))
        for left in made.left_out:
            self.stderr.write(f"{left.id}: {left.count} left out. {left.reason}")
        if made.left_out:
            sys.exit(files.NO_ANSWER)

    def _print(self, request: LoadRequest, made: LoadPlan, file: Path) -> None:
        try:
            file.write_bytes(load_paper(request, made))
        except Refused as error:
            files.end_with(error, self.stderr)
        except OSError as error:
            raise CommandError(f"{file}: cannot be written ({error.strerror}).", returncode=files.BAD_FILE) from error


def _draw(request: LoadRequest, made: LoadPlan, folder: Path) -> None:
    """Numbered files, since a zone's id may be no file name."""
    drawings: dict[str, str] = {}
    for zone_number, zone in enumerate(request.zones, 1):
        drawings[f"zone{zone_number}-stack.svg"] = stack_svg(request, made, zone.id)
        layers = [layer for layer in made.layers if layer.zone == zone.id]
        for number, layer in enumerate(layers, 1):
            for board in range(1, len(layer.boards) + 1):
                name = f"zone{zone_number}-layer{number:02}-board{board}.svg"
                drawings[name] = board_svg(request, layer, board, number=number)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, svg in drawings.items():
            (folder / name).write_text(svg, encoding="utf-8")
    except OSError as error:
        raise CommandError(f"{folder}: cannot be written ({error.strerror}).", returncode=files.BAD_FILE) from error
