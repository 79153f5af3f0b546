"""Put a backup in place, bring it up to this code, and recompute every invariant."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.db.migrations.loader import MigrationLoader

from coop import backups
from coop.errors import Malformed, Refused
from coop.start import data_dir, only_one


class Command(BaseCommand):
    help = "Put a backup in place of an empty database, then migrate and verify it. Stop the service first."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path, help="what manage.py backup wrote")
        parser.add_argument("--replace", action="store_true", help="put it in the place of records that are there")

    def handle(self, *args: Any, **options: Any) -> None:
        known = frozenset(MigrationLoader(None).disk_migrations)
        with only_one(data_dir()):
            try:
                said = backups.restore(options["file"], replace=options["replace"], known=known)
            except Malformed as no:
                raise CommandError(str(no), returncode=2) from no
            except Refused as no:
                raise CommandError(str(no)) from no
            call_command("migrate", interactive=False, verbosity=0)
        self.stdout.write(f"The backup of {said.made_at} stands.")
        call_command("verify", stdout=self.stdout, stderr=self.stderr)
