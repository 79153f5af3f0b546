"""The worker is killed (SIGKILL) again and again while it mails 100 notices: none is lost, none is two mails."""

import os
import signal
import sqlite3
import subprocess
import sys
import time
from datetime import timedelta
from pathlib import Path

import pytest
from django.conf import settings
from django.db import connection
from django.utils import timezone

from coop import bell, notices
from coop.models import Notice
from coop.transactions import use_case
from tests.factories import make_coop

ROOT = Path(__file__).resolve().parents[2]
MAILS = 100
KILLED_AT = (30, 65)  # mails in the folder when the next SIGKILL falls

SEED = f"""
from django.utils import timezone
from coop import notices
from coop.models import Coop
from coop.transactions import use_case

@use_case
def tell(coop, *, by, now):
    for number in range({MAILS}):
        notices.queue(coop, key=f"n{{number}}", kind="test", to=f"m{{number}}@far.example", subject="Wood",
                      text="Bring wood.", now=now)

tell(Coop.objects.create(slug="hollow-lane", name="Hollow Lane"), by=None, now=timezone.now())
"""


def wait_for(condition, seconds=60):
    until = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < until, "it took too long"
        time.sleep(0.001)


class Worker:
    """A worker in a session of its own, so that SIGKILL takes all its processes at once."""

    def __init__(self, command, env):
        self.process = subprocess.Popen(
            [sys.executable, *command], cwd=ROOT, env=env, start_new_session=True, stdout=subprocess.DEVNULL
        )

    def kill(self):
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()

    def stop(self):
        self.process.terminate()
        return self.process.wait(30)


def names(folder):
    return {path.name for path in folder.glob("*.eml")}


def environment(folder, **more):
    kept = {name: value for name, value in os.environ.items() if name not in ("DATABASE_URL", "REDIS_URL", "EMAIL_URL")}
    return {**kept, "DATA_DIR": str(folder), "DEMO": "0", **more}


@pytest.mark.slow
@pytest.mark.load
def test_embedded_no_notice_is_lost_when_the_background_process_is_killed(tmp_path):
    env = environment(tmp_path)
    for command in (["migrate", "-v0"], ["shell", "-c", SEED]):
        subprocess.run([sys.executable, "manage.py", *command], cwd=ROOT, env=env, check=True, capture_output=True)
    folder, file = tmp_path / "mail", tmp_path / "coop.sqlite3"

    def ask(sql, *values):
        with sqlite3.connect(file, timeout=20) as base:
            return base.execute(sql, values).fetchone()

    for so_many in KILLED_AT:
        worker = Worker(["manage.py", "background"], env)
        wait_for(lambda so_many=so_many: len(names(folder)) >= so_many)
        worker.kill()
        # The two minutes of the dead worker's lease pass.
        ask("UPDATE coop_notice SET leased_until = '2000-01-01' WHERE sent_at IS NULL AND leased_until IS NOT NULL")
    assert len(names(folder)) < MAILS
    worker = Worker(["manage.py", "background"], env)
    wait_for(lambda: ask("SELECT count(*) FROM coop_notice WHERE sent_at IS NULL")[0] == 0)
    assert worker.stop() == 0  # SIGTERM ends it in order

    sent, dead, attempts = ask("SELECT count(sent_at), count(dead_at), sum(attempts) FROM coop_notice")
    assert (sent, dead, len(names(folder))) == (MAILS, 0, MAILS)
    assert MAILS <= attempts <= MAILS + len(KILLED_AT)


@use_case
def _tell_all(coop, *, by, now):
    for number in range(MAILS):
        to = f"m{number}@far.example"
        notices.queue(coop, key=f"n{number}", kind="test", to=to, subject="Wood", text="Bring wood.", now=now)


def _database_address():
    at = connection.settings_dict
    who = at["USER"] + (f":{at['PASSWORD']}" if at["PASSWORD"] else "")
    return f"postgres://{who}@{at['HOST'] or '127.0.0.1'}:{at['PORT'] or 5432}/{at['NAME']}"


@pytest.mark.slow
@pytest.mark.load
@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(
    connection.vendor != "postgresql" or not settings.REDIS_URL, reason="needs PostgreSQL and Redis (served mode)"
)
def test_served_no_notice_is_lost_when_celery_workers_are_killed(tmp_path, monkeypatch):
    from kombu import Connection

    from coop import tasks

    # A queue of its own in Redis, so that no other worker helps.
    queue = f"killed-{os.getpid()}"
    env = environment(tmp_path, DATABASE_URL=_database_address(), REDIS_URL=settings.REDIS_URL)
    monkeypatch.setattr(bell, "_ringer", None)
    now = timezone.now()
    _tell_all(make_coop(), by=None, now=now)
    ids = list(Notice.objects.order_by("pk").values_list("pk", flat=True))
    folder = tmp_path / "mail"
    command = ["-m", "celery", "-A", "coop", "worker", "-c", "2", "-Q", queue, "-l", "WARNING", "-n", f"{queue}@%h"]
    with Connection(settings.REDIS_URL) as broker:
        for notice_id in ids:
            tasks.deliver_notice.apply_async(kwargs={"notice_id": notice_id}, queue=queue, connection=broker)
        for so_many in KILLED_AT:
            worker = Worker(command, env)
            wait_for(lambda so_many=so_many: len(names(folder)) >= so_many)
            worker.kill()
            Notice.objects.filter(sent_at=None).update(leased_until=None)  # the dead workers' leases run out
        assert len(names(folder)) < MAILS
        # What the killed workers had taken from Redis is not there any more: the sweep finds it by its rows.
        tasks.sweep.apply_async(queue=queue, connection=broker)
        worker = Worker(command, env)
        wait_for(lambda: not Notice.objects.filter(sent_at=None).exists())
        assert worker.stop() == 0

    assert len(names(folder)) == MAILS
    assert Notice.objects.filter(sent_at__gte=now, dead_at=None).count() == MAILS
    # Two processes a worker: each kill can catch two mails between sending and saying so.
    assert sum(Notice.objects.values_list("attempts", flat=True)) <= MAILS + 2 * len(KILLED_AT)
    assert Notice.objects.filter(sent_at__lt=now + timedelta(minutes=5)).count() == MAILS
