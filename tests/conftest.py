"""What all tests share: emptying a database whose rows may not be deleted, and a browser's flags."""

import os
import shutil

import pytest
from django.db import connection
from django.test import TransactionTestCase
from hypothesis import settings as properties

from coop import walls

# The suite draws the same cases each time; HYPOTHESIS_PROFILE=searching looks for new ones.
properties.register_profile("the same", derandomize=True)
properties.register_profile("searching", derandomize=False)
properties.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "the same"))

os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")  # the browser tests run beside an event loop

_empty = TransactionTestCase._fixture_teardown


def _empty_in_spite_of_triggers(self):
    walls.remove_append_only(connection)
    _empty(self)
    walls.install(connection)


TransactionTestCase._fixture_teardown = _empty_in_spite_of_triggers

BROWSER_FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args):
    return {**browser_type_launch_args, "executable_path": shutil.which("chromium"), "args": BROWSER_FLAGS}


@pytest.fixture(autouse=True)
def _own_mail_folder(settings, tmp_path):
    settings.EMAIL_FILE_PATH = tmp_path / "mail"
