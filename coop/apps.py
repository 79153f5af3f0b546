"""The people app; loads Celery so that tasks find it, and puts the database's walls up after each migrate."""

from __future__ import annotations

import os
from typing import Any

from django.apps import AppConfig
from django.db.backends.signals import connection_created
from django.db.models.signals import post_migrate, pre_migrate


class CoopConfig(AppConfig):
    name = "coop"
    verbose_name = "Co-op"

    def ready(self) -> None:
        from coop import celery, tasks  # noqa: F401

        pre_migrate.connect(_make_way, dispatch_uid="coop.way")
        post_migrate.connect(_put_up_walls, dispatch_uid="coop.walls")
        connection_created.connect(_say_whose_rows, dispatch_uid="coop.rows")


def _make_way(sender: Any, **kwargs: Any) -> None:
    """SQLite rebuilds a table on many changes, and refuses where a trigger speaks of the one that is gone meanwhile."""
    from coop import walls

    if sender.label == "coop":
        walls.clear_sqlite()


def _put_up_walls(sender: Any, **kwargs: Any) -> None:
    from coop import walls

    if sender.label == "billing":  # the last of ours: all tables stand
        walls.install()


def _say_whose_rows(connection: Any, **kwargs: Any) -> None:
    """A web process sees no co-op's rows until a request enters one; the prompt and workers see all."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT set_config('coop.current', %s, false)", [session_default()])


def session_default() -> str:
    return "" if os.environ.get("COOP_WEB") == "1" else "*"
