"""Figures for Prometheus at ``/metrics``: queues as the database has them, requests as this machine served them.

Counters of several web processes are put together through files in PROMETHEUS_MULTIPROC_DIR, which
``coop.start`` sets; without it each process tells of itself only.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable
from datetime import datetime

from django.conf import settings
from django.core.exceptions import MiddlewareNotUsed
from django.http import HttpRequest, HttpResponse
from prometheus_client import CollectorRegistry, Histogram, generate_latest
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.multiprocess import MultiProcessCollector
from prometheus_client.registry import Collector

from coop import operating
from coop.transactions import reading

SECONDS = (0.01, 0.025, 0.05, 0.1, 0.2, 0.3, 0.5, 1.0, 2.5, 5.0, 10.0)
_of_this_process = CollectorRegistry()
_requests = Histogram(
    "coop_request_seconds",
    "How long answers took, by page and kind of status.",
    ["page", "method", "status"],
    buckets=SECONDS,
    registry=_of_this_process,
)


class Middleware:
    """Take the time of every answer; not there at all where nobody asks for figures."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        if not settings.METRICS_TOKEN:
            raise MiddlewareNotUsed
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        began = time.perf_counter()
        response = self.get_response(request)
        at = request.resolver_match
        _requests.labels(
            page=(at.view_name or "unnamed") if at else "unknown",
            method=request.method if request.method in ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE") else "other",
            status=f"{response.status_code // 100}xx",
        ).observe(time.perf_counter() - began)
        return response


class _Queues(Collector):
    def __init__(self, now: datetime) -> None:
        self.now = now

    def collect(self) -> Iterable[GaugeMetricFamily]:
        with reading(None):
            queues = operating.queues(self.now)
        rows = GaugeMetricFamily("coop_queue_rows", "Rows of a queue by state.", labels=["queue", "state"])
        age = GaugeMetricFamily("coop_queue_age_seconds", "How long the oldest due row has waited.", labels=["queue"])
        for queue in queues:
            for state in ("waiting", "in_hand", "put_off", "done", "given_up"):
                rows.add_metric([queue.name, state], getattr(queue, state))
            age.add_metric([queue.name], queue.age(self.now).total_seconds())
        yield rows
        yield age


def text(now: datetime) -> bytes:
    """All figures in Prometheus' text form; ``done`` and ``given_up`` are of the last 24 hours."""
    registry = CollectorRegistry()
    registry.register(_Queues(now))
    if os.environ.get("PROMETHEUS_MULTIPROC_DIR"):
        MultiProcessCollector(registry)  # type: ignore[no-untyped-call]
        return generate_latest(registry)
    return generate_latest(registry) + generate_latest(_of_this_process)
