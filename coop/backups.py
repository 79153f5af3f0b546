"""A whole installation in one file, and back: the database, uploaded files and the secret key, with check sums."""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
import sqlite3
import subprocess
import tarfile
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import connection
from django.db.migrations.recorder import MigrationRecorder
from django.utils.translation import gettext as _

from coop.errors import Malformed, Refused

FORMAT = "coop-backup/1"
HEAD = "backup.json"
DATABASE = {"sqlite": "coop.sqlite3", "postgresql": "coop.dump"}
KEY, MEDIA = "secret_key", "media/"
_SQLITE_FILES = ("coop.sqlite3", "coop.sqlite3-wal", "coop.sqlite3-shm")


@dataclass(frozen=True, slots=True)
class Backup:
    """What a backup file says of itself."""

    engine: str
    made_at: str
    migrations: frozenset[tuple[str, str]]
    files: Mapping[str, str]  # SHA-256 by name


# --- Making one ---------------------------------------------------------------------------


def make(to: Path, *, now: datetime) -> Backup:
    """Write a backup beside ``to`` and put it in place whole; the service may run meanwhile.

    Raises Refused where the database's own tool is missing or says no.
    """
    with tempfile.TemporaryDirectory(dir=to.parent) as scratch:
        copy = Path(scratch) / DATABASE[connection.vendor]
        _COPY[connection.vendor](copy)
        files = dict(_files(copy))
        said = Backup(
            engine=connection.vendor,
            made_at=now.isoformat(),
            migrations=frozenset(_applied()),
            files={name: _digest(path) for name, path in files.items()},
        )
        unfinished = Path(scratch) / "unfinished"
        with os.fdopen(os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as raw:
            with tarfile.open(fileobj=raw, mode="w") as tar:
                _add_text(tar, HEAD, _head(said))
                for name, path in files.items():
                    tar.add(path, arcname=name, recursive=False)
            raw.flush()
            os.fsync(raw.fileno())
        unfinished.replace(to)
    return said


def _files(database: Path) -> Iterator[tuple[str, Path]]:
    yield database.name, database
    if (key := Path(settings.DATA_DIR) / KEY).is_file():
        yield KEY, key
    media = Path(settings.MEDIA_ROOT)
    for path in sorted(media.rglob("*")) if media.is_dir() else ():
        if path.is_file() and not path.is_symlink():
            yield MEDIA + path.relative_to(media).as_posix(), path


def _head(said: Backup) -> str:
    return json.dumps(
        {
            "format": FORMAT,
            "engine": said.engine,
            "made_at": said.made_at,
            "migrations": sorted(said.migrations),
            "files": said.files,
        },
        indent=1,
    )


def _add_text(tar: tarfile.TarFile, name: str, text: str) -> None:
    entry = tarfile.TarInfo(name)
    content = text.encode()
    entry.size = len(content)
    tar.addfile(entry, io.BytesIO(content))


def _copy_sqlite(to: Path) -> None:
    """SQLite's own online copy: one moment of the database, however busy it is."""
    connection.ensure_connection()
    with closing(sqlite3.connect(to)) as copy:
        connection.connection.backup(copy)
        copy.execute("PRAGMA ignore_check_constraints = ON")  # they use functions that Django brings
        found = copy.execute("PRAGMA integrity_check").fetchone()[0]
    if found != "ok":
        raise Refused(_("The copy of the database is damaged (%(found)s); no backup was made.") % {"found": found})


def _copy_postgres(to: Path) -> None:
    """As any role that may read the tables: it sees every co-op's rows, as the prompt does."""
    _run(
        [
            "pg_dump",
            "--format=custom",
            "--enable-row-security",
            "--no-owner",
            "--no-privileges",
            f"--file={to}",
        ],
        PGOPTIONS="-c coop.current=*",
    )


_COPY = {"sqlite": _copy_sqlite, "postgresql": _copy_postgres}


def _applied() -> list[tuple[str, str]]:
    return list(MigrationRecorder(connection).applied_migrations())


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


# --- Putting one back ---------------------------------------------------------------------


@contextmanager
def opened(source: Path) -> Iterator[tuple[Backup, Path]]:
    """The backup and a folder with its files, every one of them checked; Malformed where one is not whole."""
    target = Path(settings.DATA_DIR)
    with tempfile.TemporaryDirectory(dir=target) as scratch:
        try:
            with tarfile.open(source, mode="r:") as tar:
                tar.extractall(scratch, filter="data")
            said = _read_head(Path(scratch) / HEAD)
        except (OSError, tarfile.TarError, ValueError, KeyError, TypeError) as error:
            raise Malformed(
                [_("%(file)s is no whole backup: %(why)s") % {"file": source.name, "why": error}]
            ) from error
        for name, digest in said.files.items():
            path = Path(scratch) / name
            if not path.is_file() or _digest(path) != digest:
                raise Malformed(
                    [_("In %(file)s, %(name)s is not what was backed up.") % {"file": source.name, "name": name}]
                )
        yield said, Path(scratch)


def _read_head(path: Path) -> Backup:
    said: dict[str, Any] = json.loads(path.read_text())
    if said["format"] != FORMAT:
        raise ValueError(f"its format is {said['format']}, not {FORMAT}")
    return Backup(
        engine=said["engine"],
        made_at=said["made_at"],
        migrations=frozenset((app, name) for app, name in said["migrations"]),
        files=said["files"],
    )


def restore(source: Path, *, replace: bool, known: frozenset[tuple[str, str]]) -> Backup:
    """Put a backup in place of an empty database, or of what stands there with ``replace``.

    ``known`` are the migrations of this code. The service must be stopped (``coop.start.only_one``); migrate
    and verify afterwards. Raises Malformed for a damaged file, Refused where it does not belong here.
    """
    with opened(source) as (said, folder):
        if said.engine != connection.vendor:
            raise Refused(
                _("This backup is of %(theirs)s and the database here is %(ours)s; use export_coop between the two.")
                % {"theirs": said.engine, "ours": connection.vendor}
            )
        if newer := sorted(said.migrations - known):
            raise Refused(
                _("This backup was made by newer code (%(app)s %(name)s); fetch that code first.")
                % {"app": newer[0][0], "name": newer[0][1]}
            )
        if not replace and _holds_rows():
            raise Refused(_("There are records here already; give --replace to put the backup in their place."))
        _PUT_BACK[connection.vendor](folder / DATABASE[connection.vendor])
        _put_files(folder)
    return said


def _holds_rows() -> bool:
    if "coop_coop" not in connection.introspection.table_names():
        return False
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM coop_coop")
        return bool(cursor.fetchone()[0])


def _put_back_sqlite(copy: Path) -> None:
    """The old file steps aside until the new one stands; both are kept on the same disk, so each step is whole."""
    connection.close()
    standing = Path(settings.DATABASES["default"]["NAME"])
    aside = standing.parent / "before-restore"
    shutil.rmtree(aside, ignore_errors=True)
    aside.mkdir()
    for name in _SQLITE_FILES:
        path = standing.with_name(name.replace("coop.sqlite3", standing.name))
        if path.exists():
            path.rename(aside / path.name)
    copy.rename(standing)


def _put_back_postgres(dump: Path) -> None:
    """All in one transaction: a fault leaves the database as it was. Rights given to other roles by default stay."""
    script = dump.with_suffix(".sql")
    _run(["pg_restore", "--no-owner", "--no-privileges", "--no-comments", f"--file={script}", str(dump)])
    first = dump.with_suffix(".first.sql")
    first.write_text("\n".join(_drops()))
    connection.close()
    _run(
        [
            *("psql", "--no-psqlrc", "--quiet", "--single-transaction", "--set=ON_ERROR_STOP=1"),
            *("--output=/dev/null", f"--file={first}", f"--file={script}"),
        ]
    )


def _drops() -> Iterator[str]:
    with connection.cursor() as cursor:
        cursor.execute("SELECT quote_ident(tablename) FROM pg_tables WHERE schemaname = current_schema()")
        yield from (f"DROP TABLE {table} CASCADE;" for (table,) in cursor.fetchall())
        cursor.execute(
            "SELECT oid::regprocedure FROM pg_proc WHERE pronamespace = current_schema()::regnamespace "
            "AND proname LIKE 'coop\\_%%'"
        )
        yield from (f"DROP FUNCTION {function} CASCADE;" for (function,) in cursor.fetchall())


_PUT_BACK = {"sqlite": _put_back_sqlite, "postgresql": _put_back_postgres}


def _put_files(folder: Path) -> None:
    """Uploaded files and the key; what stood there before is put aside."""
    target = Path(settings.DATA_DIR)
    for name in (MEDIA.rstrip("/"), KEY):
        if not (folder / name).exists():
            continue
        standing = target / name
        if standing.exists():
            aside = target / "before-restore"
            aside.mkdir(exist_ok=True)
            shutil.move(standing, aside / name)
        shutil.move(folder / name, standing)


# --- PostgreSQL's own tools ---------------------------------------------------------------


def _run(command: list[str], **more: str) -> None:
    """Run one of PostgreSQL's tools on our database; its own words when it fails."""
    database = settings.DATABASES["default"]
    said = {"HOST": "PGHOST", "PORT": "PGPORT", "USER": "PGUSER", "PASSWORD": "PGPASSWORD", "NAME": "PGDATABASE"}
    environment = {
        **os.environ,
        **{name: str(database[key]) for key, name in said.items() if database.get(key)},
        **more,
    }
    try:
        done = subprocess.run(  # noqa: S603
            command, env=environment, stdin=subprocess.DEVNULL, capture_output=True, text=True
        )
    except FileNotFoundError as error:
        raise Refused(_("%(tool)s is missing: install PostgreSQL's client tools.") % {"tool": command[0]}) from error
    if done.returncode:
        raise Refused(
            _("%(tool)s said no: %(why)s") % {"tool": command[0], "why": done.stderr.strip()[-300:] or done.returncode}
        )
