"""Work off once everything that waits: notices to send, computations to carry out."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.core.management.base import BaseCommand

from coop import queues


class Command(BaseCommand):
    help = "Send every notice and carry out every computation that waits, then end."

    def handle(self, *args: Any, **options: Any) -> None:
        done = queues.sweep(at_most=timedelta(hours=12))
        self.stdout.write(f"{done.sent} mails sent, {done.computed} computations done, {done.given_up} given up.")
