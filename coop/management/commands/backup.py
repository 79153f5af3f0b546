"""Back up the whole installation into one file."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from coop import backups
from coop.errors import Refused


class Command(BaseCommand):
    help = "Write database, uploaded files and secret key into one file, while the service runs. Keep it secret."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path, help="where to, e.g. kiln.backup; one that is there is replaced")

    def handle(self, *args: Any, **options: Any) -> None:
        to: Path = options["file"].absolute()
        if not to.parent.is_dir():
            raise CommandError(f"There is no folder {options['file'].parent}; make it first.", returncode=2)
        try:
            made = backups.make(to, now=timezone.now())
        except Refused as no:
            raise CommandError(str(no)) from no
        except OSError as error:
            raise CommandError(f"The backup could not be written: {error}. Nothing was replaced.") from error
        self.stdout.write(f"{to.name}: {made.engine}, {len(made.files)} files, {to.stat().st_size:,} bytes.")
