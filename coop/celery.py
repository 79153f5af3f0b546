"""Celery: the bell, never the truth. Rows are swept every few seconds whether or not a message came."""

from __future__ import annotations

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "coop.settings")

from django.conf import settings

app = Celery("coop", broker=settings.REDIS_URL or "memory://", set_as_current=True)
app.conf.update(
    task_ignore_result=True,
    task_acks_late=True,
    task_reject_on_worker_lost=True,
    worker_prefetch_multiplier=1,
    worker_hijack_root_logger=False,
    broker_connection_retry_on_startup=True,
    broker_connection_timeout=2,
    task_publish_retry=False,
    # Shorter than the lease of a computation and the broker's visibility timeout, both five minutes.
    **({"task_time_limit": 280} if settings.REDIS_URL else {}),
    timezone="UTC",
    beat_schedule={
        "sweep": {
            "task": "coop.sweep",
            "schedule": 30.0 if settings.REDIS_URL else 2.0,
            "options": {"expires": 5},
        },
        "watches": {"task": "firings.watch_over", "schedule": 60.0, "options": {"expires": 50}},
        "daily": {"task": "firings.remind", "schedule": 900.0, "options": {"expires": 600}},
    },
    broker_transport_options=(
        # Without the throttle a lost worker's tasks come back only long after the timeout.
        # The retries bound how long a page may wait for a broker that is gone.
        {
            "visibility_timeout": 300,
            "unacked_restore_interval": 5,
            "unacked_restore_throttle": 1,
            "socket_connect_timeout": 2,
            "socket_timeout": 10,
            "max_retries": 1,
            "interval_start": 0,
            "interval_step": 0.2,
            "interval_max": 0.2,
        }
        if settings.REDIS_URL
        else {"polling_interval": 0.2}
    ),
)
app.autodiscover_tasks(["coop", "firings", "billing"])
