"""Starting and stopping the two processes together, and starting the demo over."""

import os
import signal
import socket
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from coop import start

ROOT = Path(start.__file__).parent.parent
SLEEPER = [sys.executable, "-c", "import time; time.sleep(60)"]


def is_alive(pid):
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


@pytest.fixture
def elsewhere(tmp_path):
    """The supervisor in a process of its own; ended and closed after the test whatever happens."""
    processes = []

    def begin(commands, **how):
        script = tmp_path / "supervise.py"
        script.write_text(
            textwrap.dedent(f"""
            import sys
            sys.path.insert(0, {str(ROOT)!r})
            from coop import start
            start.GRACE_SECONDS = 1.0
            sys.exit(start.supervise({commands!r}, **{how!r}))
            """)
        )
        process = subprocess.Popen([sys.executable, "-I", script], stdout=subprocess.PIPE, text=True)
        processes.append(process)
        return process

    yield begin
    for process in processes:
        with process:
            process.terminate()


def note_pid(path, then="import time; time.sleep(60)"):
    return [sys.executable, "-c", f"import os; open({str(path)!r}, 'w').write(str(os.getpid())); {then}"]


def pid_from(path):
    until = time.monotonic() + 10
    while time.monotonic() < until:
        if path.exists() and path.read_text():
            return int(path.read_text())
        time.sleep(0.05)
    raise AssertionError(f"{path} was never written")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_told_to_stop_it_ends_both_and_says_zero(tmp_path, elsewhere, number):
    both = {"web": note_pid(tmp_path / "a"), "jobs": note_pid(tmp_path / "b")}
    process = elsewhere(both)
    children = [pid_from(tmp_path / "a"), pid_from(tmp_path / "b")]
    process.send_signal(number)
    assert process.wait(10) == 0
    assert not any(is_alive(child) for child in children)


def test_a_process_that_dies_takes_the_other_along_and_is_named(tmp_path, capfd):
    one = {"web": note_pid(tmp_path / "a"), "jobs": [sys.executable, "-c", "raise SystemExit(7)"]}
    assert start.supervise(one) == 1
    assert "jobs ended by itself with 7" in capfd.readouterr().out
    assert not (tmp_path / "a").exists() or not is_alive(pid_from(tmp_path / "a"))


def test_a_process_that_will_not_stop_is_killed_and_named(tmp_path, elsewhere):
    deaf = "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN)"
    deaf += f"; open({str(tmp_path / 'deaf')!r}, 'w').write(str(os.getpid())); time.sleep(60)"
    process = elsewhere({"jobs": note_pid(tmp_path / "a", then=deaf)})
    child = pid_from(tmp_path / "deaf")
    process.send_signal(signal.SIGINT)
    out, _ = process.communicate(timeout=10)
    assert "jobs did not stop in 1 seconds and was killed" in out
    assert not is_alive(child)


def test_the_welcome_waits_for_the_page(tmp_path, elsewhere):
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    late = f"import time, http.server as h; time.sleep(1); print('serving', flush=True); h.test(port={port})"
    process = elsewhere({"web": [sys.executable, "-c", late]}, address=f"http://127.0.0.1:{port}/", welcome="come in")
    heard = [process.stdout.readline().strip()]
    while heard[-1] not in ("come in", ""):
        heard.append(process.stdout.readline().strip())
    assert (heard[0], heard[-1]) == ("serving", "come in")
    process.send_signal(signal.SIGTERM)
    assert process.wait(10) == 0


def test_a_page_that_never_answers_stops_everything(monkeypatch, capfd):
    monkeypatch.setattr(start, "READY_SECONDS", 0.3)
    assert start.supervise({"web": SLEEPER}, address="http://127.0.0.1:9/", welcome="come in") == 1
    out = capfd.readouterr().out
    assert "did not answer" in out
    assert "come in" not in out


@pytest.mark.parametrize("port", ["eighty", "0", "65536", "-1", "８０００"])
def test_a_port_that_is_none_gets_one_sentence(monkeypatch, port):
    monkeypatch.setenv("PORT", port)
    with pytest.raises(SystemExit, match="PORT must be a number from 1 to 65535"):
        start.asked_port()


def test_a_taken_port_names_the_next(monkeypatch):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        monkeypatch.setenv("PORT", str(port))
        with pytest.raises(SystemExit, match=f"port {port} is taken.*PORT={port % 65535 + 1}"):
            start.asked_port()


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setenv("DATA_DIR", str(tmp_path))
    monkeypatch.delenv("DATABASE_URL", raising=False)
    return tmp_path


def test_reset_puts_the_demo_aside_and_keeps_one_before(folder):
    (folder / start.DEMO_MARK).touch()
    for content in ("first", "second"):
        (folder / "coop.sqlite3").write_text(content)
        assert start.reset_demo() == 0
        assert not (folder / "coop.sqlite3").exists()
        assert (folder / "replaced-demo" / "coop.sqlite3").read_text() == content


def test_reset_leaves_data_that_did_not_begin_as_the_demo(folder):
    (folder / "coop.sqlite3").write_text("real")
    with pytest.raises(SystemExit, match="did not begin as the demo, so nothing was touched"):
        start.reset_demo()
    assert (folder / "coop.sqlite3").read_text() == "real"


def test_reset_refuses_a_server_database(folder, monkeypatch):
    monkeypatch.setenv("DATABASE_URL", "postgres://coop@127.0.0.1/coop")
    with pytest.raises(SystemExit, match="unset DATABASE_URL"):
        start.reset_demo()


def test_reset_refuses_while_the_service_runs(folder):
    (folder / start.DEMO_MARK).touch()
    (folder / "coop.sqlite3").write_text("in use")
    with start.only_one(folder), pytest.raises(SystemExit, match=f"runs already .*process {os.getpid()}"):
        start.reset_demo()
    assert (folder / "coop.sqlite3").read_text() == "in use"


def test_the_lock_is_free_again_afterwards(folder):
    for _ in range(2):
        with start.only_one(folder):
            pass
