"""Work off notices and computations on one machine, without a broker: a solo Celery worker and a beat thread."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from coop.celery import app


class Command(BaseCommand):
    help = "Deliver notices and carry out computations until stopped (embedded mode; SIGTERM ends it in order)."

    def handle(self, *args: Any, **options: Any) -> None:
        if settings.REDIS_URL:
            raise CommandError(
                "REDIS_URL is set: run `celery -A coop worker` and `celery -A coop beat`, or unset it for this command."
            )
        from celery.beat import EmbeddedService

        # `worker -B` would fork beat into a process that cannot see the broker in this one's memory.
        beat = EmbeddedService(app, thread=True, schedule_filename=str(settings.DATA_DIR / "beat"))
        beat.start()
        try:
            app.Worker(pool="solo", loglevel="WARNING", without_gossip=True, without_mingle=True).start()
        finally:
            beat.stop()
