"""Bring a co-op in from the file another installation wrote."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from coop import exports
from coop.errors import Malformed, Refused


class Command(BaseCommand):
    help = "Bring in a co-op that manage.py export_coop wrote, whole or not at all; its figures must come out equal."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path, help="what manage.py export_coop wrote")
        parser.add_argument("--slug", default="", metavar="ADDRESS", help="another address than the one it had")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            with options["file"].open(encoding="utf-8") as source:
                found = exports.read(source, slug=options["slug"])
        except (OSError, UnicodeDecodeError) as error:
            raise CommandError(f"The file could not be read: {error}", returncode=2) from error
        except Malformed as no:
            raise CommandError(str(no), returncode=2) from no
        except Refused as no:
            raise CommandError(str(no)) from no
        self.stdout.write(
            f"{found.coop.name} stands at {settings.SITE_URL}/{found.coop.slug}/: {found.rows} rows, "
            f"{found.new_people} new people, who set a password by the page for forgotten ones."
        )
