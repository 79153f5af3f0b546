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


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup, django_db_blocker):
    """A server of ours that was slow to stop must not keep PostgreSQL's test database from being dropped."""
    yield
    with django_db_blocker.unblock():
        if connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                cursor.execute(
                    "SELECT query, pg_terminate_backend(pid) FROM pg_stat_activity "
                    "WHERE datname = current_database() AND pid <> pg_backend_pid() AND usename = current_user"
                )
                for query, _done in cursor.fetchall():
                    print(f"still connected after the tests, and cut off: {query[:200]}")


@pytest.fixture(autouse=True)
def _own_mail_folder(settings, tmp_path):
    settings.EMAIL_FILE_PATH = tmp_path / "mail"
