"""The kiln work's tasks: computations register themselves on import; reminders are written as notices."""

from __future__ import annotations

import importlib
import logging
import pkgutil
from threading import Thread
from typing import Any

from celery import shared_task
from celery.signals import worker_ready
from django.db.models import Exists, OuterRef
from django.utils import timezone

from coop.models import Coop
from firings import documents
from firings.load_plan import solve
from firings.models import Firing
from firings.services import cleanup, foretold, on_call, reminders

log = logging.getLogger(__name__)

# Whoever works the queue needs every work function: each paper's module registers its own.
for _module in pkgutil.iter_modules(documents.__path__):
    importlib.import_module(f"firings.documents.{_module.name}")


@worker_ready.connect  # type: ignore[untyped-decorator]
def warm_the_planner(**_said: Any) -> None:
    """Compile the load planner beside the first work, so that no member waits for that."""
    Thread(target=solve.warm, daemon=True).start()


@shared_task(name="firings.remind")  # type: ignore[untyped-decorator]
def remind() -> None:
    """Remind of watches that begin soon and of clean-up that is due; running twice mails nobody twice."""
    now = timezone.now()
    for coop in Coop.objects.order_by("pk"):
        for what in (reminders.remind, cleanup.remind):
            try:
                what(coop, now=now)
            except Exception:  # one co-op's trouble must not keep the others from their reminders
                log.exception("reminders of %s failed", coop.slug)


@shared_task(name="firings.watch_over")  # type: ignore[untyped-decorator]
def watch_over() -> None:
    """Call for each watch that nobody has taken up, tell where a fire outlasts its roster; twice tells nobody twice."""
    now = timezone.now()
    burning = Firing.objects.filter(coop=OuterRef("pk"), stage=Firing.Stage.LIT)
    for coop in Coop.objects.filter(Exists(burning)).order_by("pk"):
        for what in (on_call.escalate, foretold.watch_over):
            try:
                what(coop, now=now)
            except Exception:  # one co-op's trouble must not keep the others uncalled
                log.exception("watches of %s could not be watched over", coop.slug)
