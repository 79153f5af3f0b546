"""Found a co-op from the prompt; its first member is its coordinator."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError
from django.core.validators import validate_email
from django.urls import reverse
from django.utils import timezone

from coop.errors import Refused
from coop.models import Person
from coop.services import found


class Command(BaseCommand):
    help = "Found a co-op. The coordinator sets a password by the page for forgotten passwords."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("slug", help="its address: small letters, digits and hyphens")
        parser.add_argument("--name", required=True, help="its name")
        parser.add_argument("--email", required=True, help="the coordinator's e-mail address")
        parser.add_argument("--person", required=True, help="the coordinator's name")
        parser.add_argument("--currency", default="EUR", help="code of its currency (default EUR)")
        parser.add_argument("--time-zone", default="Europe/Dublin", help="like Europe/Dublin (the default)")

    def handle(self, *args: Any, **options: Any) -> None:
        email = options["email"].strip().lower()
        try:
            validate_email(email)
        except ValidationError as error:
            raise CommandError(f"{email!r} is no e-mail address; write it like ada@example.org.") from error
        if not options["person"].strip():
            raise CommandError("Give the coordinator's name with --person.")
        person = Person.objects.filter(email=email).first()
        is_new = person is None
        if person is None:
            person = Person(email=email, name=options["person"].strip())
            person.set_unusable_password()
        try:
            coop = found(
                name=options["name"],
                slug=options["slug"],
                currency=options["currency"],
                time_zone=options["time_zone"],
                founder=person,
                now=timezone.now(),
            )
        except Refused as no:
            raise CommandError(str(no)) from no
        self.stdout.write(f"{coop.name} is founded at {settings.SITE_URL}/{coop.slug}/.")
        if is_new:
            self.stdout.write(
                f"{person.name} sets a password at {settings.SITE_URL}{reverse('account_reset_password')}"
            )
