"""The bell: rung after the commit, never for what was rolled back, and no page fails when nobody hears it."""

import logging
import time
from uuid import uuid4

import pytest

from coop import bell, computations, notices, tasks
from coop.errors import Refused
from coop.logs import WithoutKeys
from coop.models import Notice
from coop.transactions import use_case
from tests.coop.test_queues import tell
from tests.factories import NOW, make_coop

pytestmark = pytest.mark.django_db


@pytest.fixture
def heard(monkeypatch):
    rung = []
    monkeypatch.setattr(bell, "_ringer", lambda kind, row_id: rung.append((kind, row_id)))
    return rung


def test_new_rows_are_rung_after_the_commit(heard, django_capture_on_commit_callbacks):
    coop = make_coop()
    with django_capture_on_commit_callbacks(execute=True):
        row = tell(coop)
        assert heard == []
    assert heard == [("notice", row.pk)]


def test_a_row_that_was_there_already_rings_no_second_time(heard, django_capture_on_commit_callbacks):
    coop = make_coop()
    tell(coop)
    with django_capture_on_commit_callbacks(execute=True):
        tell(coop)
    assert heard == []


def test_what_was_rolled_back_is_not_rung(heard, django_capture_on_commit_callbacks):
    @use_case
    def tell_and_refuse(coop, *, now):
        notices.queue(coop, key="k", kind="test", to="a@far.example", subject="S", text="T", now=now)
        computations.ask(coop, kind="x", subject=uuid4(), by=None, now=now)
        raise Refused("No.")

    with django_capture_on_commit_callbacks(execute=True), pytest.raises(Refused):
        tell_and_refuse(make_coop(), now=NOW)
    assert heard == []
    assert not Notice.objects.exists()


def test_a_broker_that_is_away_is_left_alone_for_a_while(monkeypatch, caplog):
    asked = []

    def no_broker(**kwargs):
        asked.append(kwargs)
        raise ConnectionError("away")

    monkeypatch.setattr(tasks, "_quiet_until", 0.0)
    monkeypatch.setattr(tasks.deliver_notice, "apply_async", no_broker)
    with caplog.at_level(logging.WARNING):
        tasks.ring("notice", 1)
        tasks.ring("notice", 2)
    assert len(asked) == 1
    assert "wait for the sweep" in caplog.text
    monkeypatch.setattr(tasks, "_quiet_until", 0.0)
    tasks.ring("notice", 3)
    assert len(asked) == 2


def test_publishing_to_a_dead_broker_gives_up_soon(monkeypatch):
    from celery import Celery

    from coop.celery import app

    dead = Celery("dead", broker="redis://127.0.0.1:1/0", set_as_current=False)
    dead.conf.update(
        broker_connection_timeout=2,
        broker_transport_options={
            "socket_connect_timeout": 2,
            "max_retries": 1,
            "interval_start": 0,
            "interval_step": 0.2,
            "interval_max": 0.2,
        },
    )
    assert app.conf.task_publish_retry is False
    begun = time.monotonic()
    with pytest.raises(Exception, match=r"6379|refused|Connection|:1"):
        dead.send_task("coop.sweep", retry=False)
    assert time.monotonic() - begun < 4


def test_keys_in_addresses_do_not_reach_the_log():
    record = logging.LogRecord("django.request", 30, "", 0, "%s: %s", ("Not Found", "/join/SeCrEt-42/"), None)
    assert WithoutKeys().filter(record)
    assert "SeCrEt-42" not in record.getMessage()
    assert "/join/..." in record.getMessage()
    other = logging.LogRecord("x", 30, "", 0, "kept %s", ("/hollow-lane/members/",), None)
    WithoutKeys().filter(other)
    assert other.getMessage() == "kept /hollow-lane/members/"


@pytest.mark.worker
@pytest.mark.django_db(transaction=True)
def test_a_real_worker_hears_the_bell():
    import os

    if os.environ.get("TEST_CELERY") != "1":
        pytest.skip("needs a running Celery worker on this database (TEST_CELERY=1)")
    row = tell(make_coop())
    until = time.monotonic() + 20
    while Notice.objects.get(pk=row.pk).sent_at is None:
        assert time.monotonic() < until, "the worker did not deliver the notice"
        time.sleep(0.1)
