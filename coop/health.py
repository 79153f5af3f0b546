"""Whether this machine can serve: the database, its migrations, the disk, and the rows that wait."""

from __future__ import annotations

import shutil
from datetime import datetime, timedelta
from functools import cache

from django.conf import settings
from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor
from django.utils.translation import gettext as _

from coop import queues
from coop.transactions import reading

PATIENCE = timedelta(minutes=2)
LEAST_FREE_BYTES = 200_000_000


class _Behind(Exception):
    """The database is older than the code."""


def troubles(now: datetime) -> list[str]:
    """What keeps this machine from serving well, one line each; empty when nothing does."""
    found = []
    try:
        _check_migrations()
        with reading(None):
            since = queues.overdue_since(now)
        if since is not None and now - since > PATIENCE:
            minutes = int((now - since).total_seconds() // 60)
            found.append(
                _("Jobs wait since %(minutes)d minutes: no worker takes them up. Start the background process.")
                % {"minutes": minutes}
            )
    except _Behind:
        found.append(_("The database waits for migrations: run manage.py migrate."))
    except DatabaseError:
        found.append(_("The database does not answer."))
    if shutil.disk_usage(settings.DATA_DIR).free < LEAST_FREE_BYTES:
        found.append(_("The disk is nearly full: make room."))
    return found


@cache
def _check_migrations() -> None:
    """Raise unless every migration of this code is applied; a yes holds for the life of the process."""
    executor = MigrationExecutor(connection)
    if executor.migration_plan(executor.loader.graph.leaf_nodes()):
        raise _Behind
