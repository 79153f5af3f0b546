"""The service as it runs, in processes of its own that can be killed: on PostgreSQL and Redis, or embedded."""

from __future__ import annotations

import http.client
import itertools
import json
import os
import resource
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path

from tests.faults.post import Post

ROOT = Path(__file__).resolve().parents[2]
PATIENCE = 90.0  # seconds after which a request that is sent again and again counts as stuck

SEED = """
import json, sys
from datetime import timedelta
from django.utils import timezone
from coop import services
from firings.models import FiringZone
from tests.factories import make_coop, make_member
from tests.factories_space import make_open_firing, make_small_kiln
now, coop = timezone.now(), make_coop("faults", "Faults")
def open_one(**fields):
    lights = now + timedelta(days=9)
    return make_open_firing(coop, kiln=make_small_kiln(coop), lights_at=lights, ends_at=lights + timedelta(hours=24),
        occupied_from=lights - timedelta(hours=12), opens_at=lights + timedelta(hours=72),
        occupied_until=lights + timedelta(hours=96), booking_closes_at=now + timedelta(days=5), called_at=now, **fields)
wide, tight, kiln = open_one(capacity_ml=10**9), open_one(), make_small_kiln(coop)
FiringZone.objects.filter(firing=tight).exclude(zone__name="Front, hot").delete()
FiringZone.objects.filter(firing=tight).update(capacity_ml=7 * 5353 + 5352)
members = [make_member(f"Potter {n}", coop=coop, roles=("member", "lead")) for n in range(16)]
tokens = [services.make_token(coop, by=one, name="faults", now=now)[1] for one in members]
ids = {name: str(row.public_id) for name, row in {"wide": wide, "tight": tight, "kiln": kiln}.items()}
print(json.dumps({**ids, "tokens": tokens}))
"""
TELL = """
from django.utils import timezone
from coop import notices
from coop.models import Coop
from coop.transactions import use_case
@use_case
def tell(coop, *, by, now):
    for n in range({count}):
        notices.queue(coop, key=f"{key}-{{n}}", kind="test", to=f"m{{n}}@far.example", subject="Wood",
                      text="Bring wood.", now=now)
tell(Coop.objects.get(slug="faults"), by=None, now=timezone.now())
"""
BOWL = {"count": 1, "shape": "round", "diameter_mm": 200, "height_mm": 100, "body": "grey clay", "cone": "11"}


def free_port() -> int:
    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def wait_for(what: Callable[[], object], seconds: float = 60) -> None:
    until = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < until, "it took too long"
        time.sleep(0.05)


class House:
    """All processes of one installation. ``kill`` and ``start`` take their names: web, worker, beat, redis, base."""

    def __init__(self, *, served: bool) -> None:
        self.served = served
        self.folder = Path(tempfile.mkdtemp(prefix="faults-"))
        self.folder.chmod(0o755)
        self.post = Post()
        self.ports = {name: free_port() for name in ("web", "base", "redis")}
        self.running: dict[str, subprocess.Popen[bytes]] = {}
        self.environment = {
            **{name: value for name, value in os.environ.items() if name in ("PATH", "HOME", "LANG", "TZ")},
            "DATA_DIR": str(self.folder / "data"),
            "SITE_URL": f"http://127.0.0.1:{self.ports['web']}",
            "SECRET_KEY": "only-for-these-tests-" + "k" * 40,
            "EMAIL_URL": f"smtp://127.0.0.1:{self.post.port}",
            "PYTHONPATH": str(ROOT),
        }
        if served:
            self.environment["DATABASE_URL"] = f"postgres://kiln@127.0.0.1:{self.ports['base']}/coop"
            self.environment["REDIS_URL"] = f"redis://127.0.0.1:{self.ports['redis']}/0"

    def __enter__(self) -> House:
        try:
            if self.served:
                self.make_base()
                self.start("redis")
            self.manage("migrate", "-v0")
            self.manage("createcachetable")
            self.seeded = json.loads(self.manage("shell", "-v0", "-c", SEED).splitlines()[-1])
            for name in ("web", "worker", *(["beat"] if self.served else [])):
                self.start(name)
            wait_for(self.answers)
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *error: object) -> None:
        for name in ("beat", "worker", "web", "redis", "base"):
            if name in self.running:
                self.kill(name)
        self.post.close()
        shutil.rmtree(self.folder, ignore_errors=True)

    # --- Processes ---

    def make_base(self) -> None:
        """A cluster of PostgreSQL's own, so that it may be killed; as another user where we are root."""
        bin_dir = max(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda at: int(at.parent.name))
        self.bin, self.cluster = bin_dir, self.folder / "base"
        self.cluster.mkdir(mode=0o700)
        self.as_user: dict[str, object] = {}
        if os.getuid() == 0:
            shutil.chown(self.cluster, "postgres", "postgres")
            self.as_user = {"user": "postgres", "group": "postgres", "extra_groups": []}
        made = [bin_dir / "initdb", "-D", self.cluster, "-A", "trust", "-U", "postgres", "--no-sync", "-E", "UTF8"]
        subprocess.run(made, check=True, capture_output=True, cwd="/", **self.as_user)
        self.start("base")
        for command in ("CREATE ROLE kiln LOGIN", "CREATE DATABASE coop OWNER kiln"):
            self._sql(command)

    def _sql(self, command: str) -> None:
        where = ["-h", "127.0.0.1", "-p", str(self.ports["base"]), "-U", "postgres", "-d", "postgres"]
        subprocess.run([self.bin / "psql", *where, "-qc", command], check=True, capture_output=True)

    def _command(self, name: str) -> list[str]:
        python, port = sys.executable, self.ports.get(name)
        web = [python, "-m", "gunicorn", "coop.wsgi", "-b", f"127.0.0.1:{port}", "-w", "2", "--threads", "4"]
        celery = [python, "-m", "celery", "-A", "coop"]
        return {
            "web": [*web, "--no-control-socket", "--log-level", "error"],
            "worker": [*celery, "worker", "-c", "2", "-l", "ERROR"]
            if self.served
            else [python, "manage.py", "background"],
            "beat": [*celery, "beat", "-l", "ERROR", "-s", str(self.folder / "beat"), "--pidfile", ""],
            "redis": ["redis-server", "--port", str(port), "--save", "", "--appendonly", "no", "--loglevel", "warning"],
            "base": [
                *(str(getattr(self, "bin", Path()) / "postgres"), "-D", str(self.folder / "base"), "-p", str(port)),
                *("-c", "listen_addresses=127.0.0.1", "-c", f"unix_socket_directories={self.folder / 'base'}"),
            ],
        }[name]

    def start(self, name: str) -> None:
        more: dict[str, object] = {"cwd": ROOT, "env": self.environment}
        if name in ("base", "redis"):
            more = {"cwd": self.folder / name if name == "base" else self.folder, **getattr(self, "as_user", {})}
            more = more if name == "base" else {"cwd": self.folder}
        log = open(self.folder / f"{name}.log", "ab") if name != "web" else subprocess.DEVNULL  # noqa: SIM115
        self.running[name] = subprocess.Popen(
            self._command(name), start_new_session=True, stdin=subprocess.DEVNULL, stdout=log, stderr=log, **more
        )
        if name == "base":
            wait_for(
                lambda: (
                    not subprocess.run(
                        [self.bin / "pg_isready", "-q", "-h", "127.0.0.1", "-p", str(self.ports["base"])]
                    ).returncode
                )
            )

    def kill(self, name: str) -> None:
        """SIGKILL to all its processes at once. PostgreSQL: an immediate stop, its own word for a crash."""
        process = self.running.pop(name)
        if name == "base":
            process.send_signal(signal.SIGQUIT)
        else:
            with suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
        process.wait()

    def limit_files(self, most: int) -> None:
        """What the web processes may write into any file from now on, bytes: a full disk, as they see it."""
        for pid in self._with_children(self.running["web"].pid):
            resource.prlimit(pid, resource.RLIMIT_FSIZE, (most, resource.RLIM_INFINITY))

    @staticmethod
    def _with_children(parent: int) -> Iterator[int]:
        yield parent
        for at in Path("/proc").glob("[0-9]*/stat"):
            with suppress(OSError):  # it ended meanwhile
                # proc(5): "pid (comm) state ppid ...", where comm may hold spaces and parentheses
                if int(at.read_text().rpartition(")")[2].split()[1]) == parent:
                    yield int(at.parent.name)

    # --- Asking it ---

    def manage(self, *words: str) -> str:
        done = subprocess.run(
            [sys.executable, "manage.py", *words], cwd=ROOT, env=self.environment, capture_output=True, text=True
        )
        assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
        return done.stdout

    def figure(self, expression: str) -> object:
        """A figure from the database, in the words of the ORM."""
        script = (
            "import json\nfrom django.db.models import Sum\nfrom coop.models import *\nfrom firings.models import *\n"
            f"print(json.dumps({expression}))"
        )
        return json.loads(self.manage("shell", "-v0", "-c", script).splitlines()[-1])

    def tell(self, key: str, count: int) -> None:
        self.manage("shell", "-v0", "-c", TELL.format(key=key, count=count))

    def answers(self) -> bool:
        try:
            return self.ask("GET", "/livez")[0] == 200
        except OSError:
            return False

    def ask(self, method: str, path: str, body: object = None, *, token: str = "", key: str = "") -> tuple[int, str]:
        with closing(http.client.HTTPConnection("127.0.0.1", self.ports["web"], timeout=20)) as line:
            headers = {"Content-Type": "application/json", "Host": f"127.0.0.1:{self.ports['web']}"}
            if token:
                headers |= {"Authorization": f"Bearer {token}", "Idempotency-Key": key}
            text = None if body is None else json.dumps(body)
            line.request(method, path, text, headers)
            answer = line.getresponse()
            return answer.status, answer.read().decode()

    def until_answered(self, number: int, path: str, body: object, key: str) -> Answered:
        """Send one request with one key again and again until it is answered for good, as a phone does."""
        token, began, tries, status = self.seeded["tokens"][number % 16], time.monotonic(), 0, 0
        while time.monotonic() < began + PATIENCE:
            tries += 1
            try:
                status, _text = self.ask("POST", f"/faults/api/v1/{path}", body, token=token, key=key)
            except (OSError, http.client.HTTPException):
                time.sleep(0.2)
                continue
            if status < 500 and status != 429:
                done = status in (200, 201, 409)  # 409: another with this key was first
                return Answered(key, done, status, tries, time.monotonic())
            time.sleep(0.2)
        return Answered(key, False, 0, tries, time.monotonic())

    def book(self, number: int, firing: str, key: str) -> Answered:
        body = {**BOWL, "name": key, "importance": 1}
        return self.until_answered(number, f"firings/{self.seeded[firing]}/pieces/", body, key)


@dataclass(frozen=True, slots=True)
class Answered:
    key: str
    is_done: bool
    status: int  # 0: never answered
    tries: int
    at: float


@dataclass(slots=True)
class Row:
    """One line of the table."""

    fault: str
    times: int
    asked: int
    lost: int
    doubled: int
    stuck: int
    heal_s: float
    notes: str = ""
    clean: bool = field(default=False)  # verify found nothing afterwards


def hammer(
    house: House,
    job: Callable[[int], Answered],
    sabotage: Callable[[], None],
    *,
    many: int,
    times: int,
    pause: float,
) -> tuple[list[Answered], list[float]]:
    """Eight clients work while the sabotage happens so many times; their answers, and seconds to the next success.

    They do at least so many jobs and do not stop before the last sabotage has healed.
    """
    moments: list[float] = []
    over = threading.Event()
    numbers = itertools.count()

    def spoil() -> None:
        for _ in range(times):
            time.sleep(pause)
            moments.append(time.monotonic())
            sabotage()
        time.sleep(pause)
        over.set()

    def work(_: int) -> list[Answered]:
        done = []
        while (number := next(numbers)) < many or not over.is_set():
            done.append(job(number))
        return done

    with ThreadPoolExecutor(9) as crowd:
        spoiling = crowd.submit(spoil)
        answers = [one for part in crowd.map(work, range(8)) for one in part]
        spoiling.result()
    successes = sorted(one.at for one in answers if one.is_done)
    heals = [next((at - moment for at in successes if at > moment), PATIENCE) for moment in moments]
    return answers, heals
