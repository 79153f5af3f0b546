"""A real server with the demo in a folder of its own, and people who sit at their phones and desks before it."""

import fcntl
import os
import re
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest
from playwright.sync_api import expect

HERE = Path(__file__).resolve().parents[2]
PHONE, DESK = {"width": 360, "height": 740}, {"width": 1280, "height": 800}
HARMLESS = ("Failed to load resource: the server responded with a status of 4",)


def pytest_collection_modifyitems(items):
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.browser)


class House:
    """The service as it is run: migrated, seeded, served by gunicorn; background work is done when asked for."""

    def __init__(self, folder):
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        self.url, self.folder = f"http://127.0.0.1:{port}", folder
        self.env = {**os.environ, "DATA_DIR": str(folder), "DEMO": "1", "SITE_URL": self.url}
        for unwanted in ("REDIS_URL", "SECRET_KEY", "DEBUG", "ALLOWED_HOSTS"):
            self.env.pop(unwanted, None)

    def manage(self, *words):
        done = subprocess.run(
            [sys.executable, "manage.py", *words], cwd=HERE, env=self.env, capture_output=True, text=True
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    def work_off(self):
        """What the background process does in its own time: mails, plans, papers."""
        return self.manage("sweep")

    def start(self):
        gunicorn = [sys.executable, "-m", "gunicorn", "coop.wsgi", "-w", "1", "--threads", "4", "--no-control-socket"]
        gunicorn += ["--bind", self.url.removeprefix("http://"), "--log-level", "warning"]
        self.log = (self.folder / "server.log").open("w+")
        self.server = subprocess.Popen(gunicorn, cwd=HERE, env=self.env, stdout=self.log, stderr=self.log)
        until = time.monotonic() + 30
        while time.monotonic() < until:
            try:
                urllib.request.urlopen(f"{self.url}/livez", timeout=2)
            except (urllib.error.URLError, OSError):
                time.sleep(0.1)
            else:
                return
        self.stop()
        raise AssertionError("the server did not start: " + (self.folder / "server.log").read_text())

    def stop(self):
        self.server.terminate()
        try:
            self.server.wait(15)
        except subprocess.TimeoutExpired:
            self.server.kill()
            self.server.wait()
        self.log.close()

    def mails_to(self, address):
        """The mails written for an address, oldest first, as text."""
        mails = sorted((self.folder / "mail").iterdir(), key=lambda path: path.stat().st_mtime_ns)
        texts = [path.read_text(encoding="utf-8") for path in mails if path.is_file()]
        return [text for text in texts if re.search(rf"^To: .*{re.escape(address)}", text, re.M)]


def _furnished(tmp_path_factory):
    """A folder with the demo in it: seeded once a run, by whichever worker comes first, then copied."""
    shared = tmp_path_factory.getbasetemp()
    if os.environ.get("PYTEST_XDIST_WORKER"):
        shared = shared.parent
    model = shared / "model-house"
    with (shared / "model-house.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (model / "seeded").exists():
            shutil.rmtree(model, ignore_errors=True)
            model.mkdir()
            made = House(model)
            made.manage("migrate", "--no-input", "--verbosity", "0")
            made.manage("createcachetable")
            made.manage("seed_demo")
            (model / "seeded").touch()
    return Path(shutil.copytree(model, tmp_path_factory.mktemp("house"), dirs_exist_ok=True))


def only_on_sqlite():
    if os.environ.get("DATABASE_URL"):
        pytest.skip("the browser tests make a demo of their own in SQLite; unset DATABASE_URL to run them")


@pytest.fixture(scope="session")
def house(tmp_path_factory):
    only_on_sqlite()
    made = House(_furnished(tmp_path_factory))
    made.start()
    yield made
    made.stop()


class Visitor:
    """Somebody at a page. Whatever the console says, or breaks the content security policy, is kept."""

    def __init__(self, house, context):
        self.house, self.context = house, context
        self.page, self.complaints = context.new_page(), []
        self.page.set_default_timeout(10_000)
        self.page.on("console", self._hear)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def _hear(self, message):
        if message.type in ("error", "warning") and not message.text.startswith(HARMLESS):
            self.complaints.append(f"{self.page.url}: {message.text}")

    def sign_in(self, name):
        self.go("/")
        self.press(re.compile(f"^{name}"))
        expect(self.page.get_by_role("heading", level=1)).to_have_text("What needs me now")
        return self

    def go(self, address):
        """Open an address of the house, or one within the demo's co-op when it has no slash in front."""
        self.page.goto(self.house.url + (address if address.startswith("/") else f"/wrenfield/{address}"))
        return self

    def open_firing(self, name):
        """By way of the firings' list, as a person gets there."""
        self.go("firings/")
        if not self.page.get_by_role("link", name=name, exact=True).count():
            self.follow("Past")
        self.follow(name)
        return self

    def tab(self, word):
        self.page.get_by_role("navigation", name="Pages of this firing").get_by_role("link", name=word).click()
        return self

    def follow(self, word):
        self.page.get_by_role("main").get_by_role("link", name=word, exact=isinstance(word, str)).first.click()
        return self

    def press(self, word, n=0):
        self.page.get_by_role("main").get_by_role("button", name=word, exact=isinstance(word, str)).nth(n).click()
        return self

    def fill(self, label, text):
        self.page.get_by_label(label, exact=isinstance(label, str)).fill(text)
        return self

    def pick(self, label, choice):
        """Choose the option that begins with these words."""
        select = self.page.get_by_label(label, exact=isinstance(label, str))
        option = select.locator("option", has_text=re.compile(f"^{re.escape(choice)}")).first
        select.select_option(option.get_attribute("value"))
        return self

    def sees(self, text):
        expect(self.page.get_by_role("main")).to_contain_text(text)
        return self

    def sees_not(self, text):
        expect(self.page.get_by_role("main")).not_to_contain_text(text)
        return self

    def download(self, word):
        with self.page.expect_download() as waiting:
            self.follow(word)
        return Path(waiting.value.path()).read_bytes()


@pytest.fixture
def visit(house, browser):
    """``visit("Tamsin Vale", at=PHONE)`` opens a browser of their own and signs them in by the demo's button."""
    contexts, visitors = [], []

    def opened(name=None, *, at=DESK, **options):
        context = browser.new_context(viewport=at, locale="en-GB", timezone_id="Europe/Dublin", **options)
        contexts.append(context)
        visitor = Visitor(house, context)
        visitors.append(visitor)
        return visitor.sign_in(name) if name else visitor

    yield opened
    for context in contexts:
        context.close()
    assert [complaint for visitor in visitors for complaint in visitor.complaints] == []
