"""200 attempts at once for the last litres, through the real web server: exactly what fits is sold."""

from __future__ import annotations

import http.client
import os
import re
import socket
import sqlite3
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from urllib.parse import urlencode

import pytest
from django.conf import settings
from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore
from django.db import connection
from django.utils import timezone

from firings.models import Firing, FiringZone, Piece
from tests.factories import make_coop, make_member
from tests.factories_space import make_open_firing

ROOT = Path(__file__).resolve().parent.parent.parent
ATTEMPTS, CLIENTS, MEMBERS, FIT = 200, 40, 20, 7
ONE_ML = 5353  # a bowl of 200 x 100 mm, see tests/firings/test_space.py
STARTS_WITHIN_S, ENDS_WITHIN_S = 30, 120

pytestmark = [pytest.mark.load, pytest.mark.slow, pytest.mark.django_db(transaction=True)]


def _free_port() -> int:
    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@pytest.fixture
def database_address(tmp_path) -> str:
    """Where the server finds the rows of this test: PostgreSQL's test database, or a copy of SQLite's as a file."""
    if connection.vendor == "postgresql":
        known = connection.settings_dict
        password = f":{known['PASSWORD']}" if known["PASSWORD"] else ""
        host = f"{known['HOST'] or '127.0.0.1'}:{known['PORT'] or 5432}"
        return f"postgres://{known['USER']}{password}@{host}/{known['NAME']}"
    return f"sqlite:///{tmp_path / 'last.sqlite3'}"


def _session_cookie(member) -> str:
    """A signed-in session, as signing in makes it."""
    session = SessionStore()
    session[SESSION_KEY] = str(member.person.pk)
    session[BACKEND_SESSION_KEY] = settings.AUTHENTICATION_BACKENDS[0]
    session[HASH_SESSION_KEY] = member.person.get_session_auth_hash()
    session.create()
    return session.session_key


class Visitor:
    """One signed-in browser: opens the form, then sends it with its CSRF token."""

    def __init__(self, port: int, address: str, session: str) -> None:
        self.port, self.address, self.session = port, address, session
        page = self._ask("GET")
        assert page.status == 200, page.body[:300]
        self.csrf = re.search(r"csrftoken=([^;]+)", page.headers)[1]
        self.token = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', page.body)[1]

    def ask_for_space(self, number: int) -> int:
        said = {
            **{"csrfmiddlewaretoken": self.token, "once": f"key-{number}", "name": f"bowl {number}", "count": "1"},
            **{"diameter_mm": "200", "height_mm": "100", "other_body": "grey clay", "cone": "11", "importance": "1"},
        }
        return self._ask("POST", urlencode(said)).status

    def _ask(self, method: str, body: str | None = None):
        cookies = f"sessionid={self.session}" + (f"; csrftoken={self.csrf}" if body else "")
        headers = {"Cookie": cookies, "Host": f"127.0.0.1:{self.port}"}
        if body:
            headers |= {
                "Content-Type": "application/x-www-form-urlencoded",
                "Referer": f"http://127.0.0.1:{self.port}{self.address}",
            }
        with closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)) as line:
            line.request(method, self.address, body, headers)
            answer = line.getresponse()
            answer.body = answer.read().decode()
            answer.headers = str(answer.headers)
            return answer


@pytest.fixture
def last_litres(db_is_ready):
    """A firing open for booking now, with one zone in which seven bowls fit."""
    now = timezone.now()
    lights = now + timedelta(days=9)
    firing = make_open_firing(
        make_coop("load"),
        lights_at=lights,
        occupied_from=lights - timedelta(hours=12),
        ends_at=lights + timedelta(hours=24),
        opens_at=lights + timedelta(hours=72),
        occupied_until=lights + timedelta(hours=96),
        booking_closes_at=now + timedelta(days=5),
        called_at=now,
    )
    FiringZone.objects.filter(firing=firing).exclude(zone__name="Front, hot").delete()
    FiringZone.objects.filter(firing=firing).update(capacity_ml=FIT * ONE_ML + ONE_ML - 1)
    return firing


@pytest.fixture
def db_is_ready(db, transactional_db):
    return True


@pytest.fixture
def server(last_litres, database_address, tmp_path):
    """gunicorn as ``make run`` starts it, on a port of its own; skipped with the reason where it cannot start."""
    sessions = [_session_cookie(make_member(f"Potter {n}", coop=last_litres.coop)) for n in range(MEMBERS)]
    if connection.vendor == "sqlite":
        with connection.cursor() as cursor:
            cursor.execute("VACUUM INTO %s", [str(tmp_path / "last.sqlite3")])
        # `migrate` leaves a database in write-ahead mode; the copy is not, and to change that needs it for oneself.
        with closing(sqlite3.connect(tmp_path / "last.sqlite3")) as copy:
            copy.execute("PRAGMA journal_mode=WAL")
    port = _free_port()
    environment = {
        **{name: value for name, value in os.environ.items() if name in ("PATH", "HOME", "LANG", "TZ")},
        **{"DATABASE_URL": database_address, "DATA_DIR": str(tmp_path), "SECRET_KEY": settings.SECRET_KEY},
        **{"DJANGO_SETTINGS_MODULE": "coop.settings", "COOP_WEB": "1", "SITE_URL": f"http://127.0.0.1:{port}"},
    }
    log = (tmp_path / "server.log").open("wb")
    command = [sys.executable, "-m", "gunicorn", "coop.wsgi:application", "-b", f"127.0.0.1:{port}"]
    running = subprocess.Popen(
        [*command, "-w", "2", "--threads", "4", "--timeout", "60"],
        cwd=ROOT,
        env=environment,
        stdout=log,
        stderr=subprocess.STDOUT,
    )
    try:
        until = time.monotonic() + STARTS_WITHIN_S
        while not _answers(port):
            if running.poll() is not None or time.monotonic() > until:
                pytest.fail(f"gunicorn did not start: {(tmp_path / 'server.log').read_text()[-500:]}")
            time.sleep(0.2)
        yield port, sessions
    finally:
        running.terminate()
        try:
            running.wait(20)
        except subprocess.TimeoutExpired:
            running.kill()
        log.close()


def _answers(port: int) -> bool:
    try:
        with closing(socket.create_connection(("127.0.0.1", port), timeout=1)):
            return True
    except OSError:
        return False


def test_the_last_litres_are_sold_once(server, last_litres, database_address, tmp_path):
    port, sessions = server
    address = f"/{last_litres.coop.slug}/firings/{last_litres.public_id}/space/pieces/new/"
    started = time.monotonic()
    with ThreadPoolExecutor(CLIENTS) as crowd:
        visitors = list(crowd.map(lambda session: Visitor(port, address, session), sessions))
        statuses = list(crowd.map(lambda n: visitors[n % MEMBERS].ask_for_space(n), range(ATTEMPTS)))
    took = time.monotonic() - started
    assert [status for status in statuses if status >= 500] == [], (tmp_path / "server.log").read_text()[-2000:]
    assert (statuses.count(303), statuses.count(409)) == (FIT, ATTEMPTS - FIT)
    assert took < ENDS_WITHIN_S
    rows = _rows_as_the_server_left_them(last_litres, tmp_path)
    assert rows == {"taken": FIT * ONE_ML, "held": FIT * ONE_ML, "pieces": FIT, "waiting": 0}
    print(f"{ATTEMPTS} attempts in {took:.1f} s on {connection.vendor}")


def _rows_as_the_server_left_them(firing: Firing, tmp_path: Path) -> dict[str, int]:
    """Counter and sums as the server's database has them; SQLite's copy is read by its own library."""
    taken = FiringZone.objects.filter(firing=firing).values_list("taken_ml")
    pieces = Piece.objects.filter(booking__firing=firing).values_list("state", "asked_ml")
    if connection.vendor == "sqlite":
        with closing(sqlite3.connect(tmp_path / "last.sqlite3")) as left:
            (counter,) = left.execute(*_as_sql(taken)).fetchone()
            rows = left.execute(*_as_sql(pieces)).fetchall()
    else:
        (counter,), rows = taken.get(), list(pieces)
    held = [ml for state, ml in rows if state == "held"]
    return {"taken": counter, "held": sum(held), "pieces": len(held), "waiting": len(rows) - len(held)}


def _as_sql(rows) -> tuple[str, tuple]:
    sql, values = rows.query.sql_with_params()
    return sql.replace("%s", "?"), values
