"""The restore drill: a backup made while the service runs comes back whole, and a damaged one changes nothing."""

import os
import subprocess
import sys
from pathlib import Path

import psycopg
import pytest
from django.conf import settings
from django.db import connection

pytestmark = [pytest.mark.slow, pytest.mark.django_db]

HERE = Path(__file__).resolve().parents[2]


@pytest.fixture
def installation(tmp_path):
    """A database of its own on the engine under test; ``run`` answers with status and words."""
    url, drop = "", None
    if connection.vendor == "postgresql":
        known = settings.DATABASES["default"]
        name = f"{known['NAME']}_drill"[-60:]
        admin = psycopg.connect(
            host=known["HOST"], port=known["PORT"] or 5432, user=known["USER"], password=known["PASSWORD"],
            dbname="postgres", autocommit=True,
        )  # fmt: skip
        drop = f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)'
        admin.execute(drop)
        admin.execute(f'CREATE DATABASE "{name}"')
        secret = f":{known['PASSWORD']}" if known["PASSWORD"] else ""
        url = f"postgres://{known['USER']}{secret}@{known['HOST']}:{known['PORT'] or 5432}/{name}"
    environment = {**os.environ, "DATA_DIR": str(tmp_path / "data"), "DATABASE_URL": url}
    if not url:
        del environment["DATABASE_URL"]

    def run(*words):
        done = subprocess.run(
            [sys.executable, "manage.py", *map(str, words)], cwd=HERE, env=environment, capture_output=True, text=True
        )
        return done.returncode, done.stdout + done.stderr

    yield run
    if drop:
        admin.execute(drop)
        admin.close()


def found(run, slug):
    status, said = run(
        "found_coop", slug, "--name", f"The {slug} kilns", "--email", "cora@drill.example", "--person", "Cora"
    )
    assert status == 0, said


def test_a_backup_comes_back_whole_and_a_damaged_one_changes_nothing(installation, tmp_path):
    file, data = tmp_path / "kiln.backup", tmp_path / "data"
    assert installation("migrate", "--verbosity", "0") == (0, "")
    found(installation, "before")
    (data / "media").mkdir()
    (data / "media" / "pot.jpg").write_bytes(b"a pot")
    status, said = installation("backup", file)
    assert status == 0, said
    assert file.stat().st_mode & 0o077 == 0
    found(installation, "after")

    status, said = installation("restore", file)
    assert (status, "give --replace" in said) == (1, True), said
    spoilt = tmp_path / "spoilt.backup"
    content = bytearray(file.read_bytes())
    content[content.index(b"a pot")] ^= 1
    spoilt.write_bytes(content)
    status, said = installation("restore", spoilt, "--replace")
    assert (status, "media/pot.jpg is not what was backed up" in said) == (2, True), said
    cut = tmp_path / "cut.backup"
    cut.write_bytes(content[: len(content) // 2])
    status, said = installation("restore", cut, "--replace")
    assert status == 2, said
    assert installation("verify", "--coop", "after")[0] == 0

    (data / "media" / "pot.jpg").unlink()
    status, said = installation("restore", file, "--replace")
    assert status == 0, said
    assert "rows checked in 1 co-ops, 0 differences" in said
    assert (data / "media" / "pot.jpg").read_bytes() == b"a pot"
    assert installation("verify", "--coop", "after")[0] == 2
    found(installation, "after")  # the database takes new rows and its walls stand
    assert installation("migrate", "--check")[0] == 0
