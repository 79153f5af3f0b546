"""Run the whole service on one machine: web server and background process, started and stopped together."""

from __future__ import annotations

import argparse
import contextlib
import fcntl
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import FrameType
from typing import NoReturn

from coop import bootstrap

HERE = Path(__file__).resolve().parent.parent
GRACE_SECONDS = 20.0  # what a stopping process gets before it is killed
READY_SECONDS = 60.0  # what the first page gets
DEMO_FILES = ("coop.sqlite3", "coop.sqlite3-wal", "coop.sqlite3-shm", "mail", "media")
DEMO_MARK = "made-by-demo"  # stands in DATA_DIR when the database there began as the demo


def say(text: str) -> None:
    """Print; a closed terminal is no reason to leave processes behind."""
    with contextlib.suppress(OSError):
        print(text, flush=True)


def stop(text: str) -> NoReturn:
    sys.exit(f"start: {text}")


def data_dir() -> Path:
    """Where this machine's data lie, as the settings have it."""
    return Path(os.environ.get("DATA_DIR") or HERE / "var").absolute()


def wants_demo() -> bool:
    return os.environ.get("DEMO", "").strip().lower() in ("1", "true", "yes", "on")


def asked_port() -> int:
    """The port from PORT, 8000 when unset; stops with a sentence when it is none or taken."""
    text = os.environ.get("PORT") or "8000"
    if not text.isascii() or not text.isdigit() or not 1 <= int(text) <= 65535:
        stop(f"PORT must be a number from 1 to 65535, not {text!r}. Run: make run PORT=8001")
    port = int(text)
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            stop(f"port {port} is taken by another program. Run: make run PORT={port % 65535 + 1}")
    return port


@contextlib.contextmanager
def only_one(folder: Path) -> Iterator[None]:
    """Hold the data folder; a second start, or a reset while the service runs, stops with a sentence."""
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "running.lock").open("a+") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            lock.seek(0)
            stop(f"the service runs already on these data (process {lock.read().strip()}); stop it first")
        lock.seek(0)
        lock.truncate()
        lock.write(f"{os.getpid()}\n")
        lock.flush()
        yield


# --- Processes ------------------------------------------------------------------------------


def _end(children: Mapping[str, subprocess.Popen[bytes]]) -> None:
    """Ask every process that still runs to end; kill what does not within the grace."""
    running = {name: child for name, child in children.items() if child.poll() is None}
    for child in running.values():
        child.terminate()  # the main process only: it lets running work finish
    until = time.monotonic() + GRACE_SECONDS
    for name, child in running.items():
        try:
            child.wait(max(0.0, until - time.monotonic()))
        except subprocess.TimeoutExpired:
            say(f"{name} did not stop in {GRACE_SECONDS:.0f} seconds and was killed")
            os.killpg(child.pid, signal.SIGKILL)
            child.wait()


def _answers(address: str) -> bool:
    try:
        with urllib.request.urlopen(address, timeout=2):  # noqa: S310 - our own http address
            return True
    except urllib.error.HTTPError:
        return True
    except OSError:
        return False


def supervise(commands: Mapping[str, list[str]], *, address: str = "", welcome: str = "") -> int:
    """Run the commands until one ends or we are told to stop, then end them all.

    Says ``welcome`` once ``address`` answers. Returns 0 when told to stop (Ctrl-C, SIGTERM, SIGHUP), 1 when a
    process ended by itself or the address never answered. Each runs in a session of its own, so Ctrl-C in
    the terminal reaches this process only, which then ends the others in order.
    """
    told: list[int] = []

    def hear(number: int, frame: FrameType | None) -> None:
        told.append(number)

    before = {number: signal.signal(number, hear) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
    children: dict[str, subprocess.Popen[bytes]] = {}
    try:
        for name, command in commands.items():
            children[name] = subprocess.Popen(  # noqa: S603
                command, cwd=HERE, stdin=subprocess.DEVNULL, start_new_session=True
            )
        greeted, give_up_at = not address, time.monotonic() + READY_SECONDS
        while not told:
            for name, child in children.items():
                if (code := child.poll()) is not None:
                    say(f"{name} ended by itself with {code}; stopping the rest. The lines above say why.")
                    return 1
            if not greeted and _answers(address):
                greeted = True
                say(welcome)
            if not greeted and time.monotonic() > give_up_at:
                say(f"{address} did not answer within {READY_SECONDS:.0f} seconds; stopping.")
                return 1
            time.sleep(0.2)
        say("Stopping ...")
        return 0
    finally:
        _end(children)
        for number, handler in before.items():
            signal.signal(number, handler)


def _manage(*arguments: str) -> None:
    """Run a management command; when it fails it has said why, so only stop."""
    done = subprocess.run([sys.executable, "manage.py", *arguments], cwd=HERE, stdin=subprocess.DEVNULL)  # noqa: S603
    if done.returncode:
        stop(f"manage.py {arguments[0]} did not succeed; nothing was started")


# --- What a person asks for -----------------------------------------------------------------


def run() -> int:
    """Bring the database up to date, seed the demo where it is wanted, then serve until stopped."""
    folder = data_dir()
    with only_one(folder):
        port = asked_port()
        os.environ.setdefault("SITE_URL", f"http://127.0.0.1:{port}")
        if bootstrap.missing_for_pdf():
            say(bootstrap.pdf_advice())
        is_new = not (folder / "coop.sqlite3").exists() and not os.environ.get("DATABASE_URL")
        if wants_demo() and is_new:
            (folder / DEMO_MARK).touch()
        _manage("migrate", "--no-input", "--verbosity", "0")
        _manage("createcachetable")
        if wants_demo():
            _manage("seed_demo")
        if os.environ.get("METRICS_TOKEN"):
            figures = folder / "metrics"
            shutil.rmtree(figures, ignore_errors=True)
            figures.mkdir()
            os.environ["PROMETHEUS_MULTIPROC_DIR"] = str(figures)
        web = [
            sys.executable,
            "-m",
            "gunicorn",
            "coop.wsgi",
            "-w",
            "2",
            "--threads",
            "4",
            "--no-control-socket",
        ]
        web += ["--bind", f"127.0.0.1:{port}", "--graceful-timeout", "15", "--log-level", "warning"]
        return supervise(
            {
                "The web server": web,
                "The background process": [sys.executable, "manage.py", "background"],
            },
            address=f"http://127.0.0.1:{port}/livez",
            welcome=f"\nThe kiln is open at {os.environ['SITE_URL']}/  (Ctrl-C stops it)\n",
        )


def reset_demo() -> int:
    """Put the demo's data aside so that the next start makes it anew; data not begun as the demo stay."""
    if os.environ.get("DATABASE_URL"):
        stop("demo-reset knows the demo's own file only; unset DATABASE_URL, or empty that database yourself")
    folder = data_dir()
    with only_one(folder):
        if not (folder / "coop.sqlite3").exists():
            say("There are no data yet; make run makes the demo.")
            return 0
        if not (folder / DEMO_MARK).exists():
            stop(f"the data in {folder.name}/ did not begin as the demo, so nothing was touched")
        aside = folder / "replaced-demo"
        shutil.rmtree(aside, ignore_errors=True)
        aside.mkdir()
        for name in DEMO_FILES:
            if (folder / name).exists():
                (folder / name).rename(aside / name)
    say(f"The old demo lies in {folder.name}/{aside.name}/ until the next reset; make run makes a new one.")
    return 0


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m coop.start", description=__doc__)
    parser.add_argument("--reset-demo", action="store_true", help="start the demo over; does not start the service")
    asked = parser.parse_args(arguments)
    try:
        return reset_demo() if asked.reset_demo else run()
    except KeyboardInterrupt:
        say("Stopped.")
        return 130


if __name__ == "__main__":
    sys.exit(main())
