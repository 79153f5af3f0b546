"""What the database itself refuses, beyond named constraints: kept the same on both engines where they can.

Installed after every ``migrate`` (a rebuilt SQLite table loses its triggers), safe to run again:

* append-only tables: UPDATE, DELETE, TRUNCATE and REPLACE are refused by trigger (both engines);
* a kiln is taken once at a time: exclusion constraint (PostgreSQL), guarding trigger (SQLite);
* rows that stand in calendars count their own changes, and nobody else can (both engines);
* what the ledger is made of (both engines): ``coop.walls_money``;
* rows of another co-op are not there: forced row-level security, and foreign keys that include the co-op
  (PostgreSQL only).
"""

from __future__ import annotations

from typing import Any

from django.apps import apps
from django.db import connection
from django.db.backends.base.base import BaseDatabaseWrapper

from coop import walls_money
from coop.models import CoopOwned
from coop.walls_money import Trigger

APPEND_ONLY = (
    "coop_auditentry",
    "coop_policy",
    "firings_stagemove",
    "firings_hoursentry",
    "firings_logentry",
    "firings_furnituremove",
    "billing_posting",
    "billing_line",
)
# What calendars show of each table: a change to one of these raises ``sequence`` and sets ``changed_at``.
COUNTED = {
    "firings_watch": ("starts_at", "ends_at", "phase", "cancelled_at"),
    "firings_watchplace": ("given_up_at", "is_leading"),
    "firings_chore": ("starts_at", "ends_at", "name", "cancelled_at"),
    "firings_choreplace": ("given_up_at",),
    "firings_firing": (
        "name",
        "kiln_id",
        "lead_id",
        "target_cone",
        "occupied_from",
        "lights_at",
        "ends_at",
        "opens_at",
        "occupied_until",
        "booking_closes_at",
        "lit_at",
        "ended_at",
        "opened_at",
        "cleaned_at",
        "called_off_at",
    ),
}
# Read before the co-op of a request is known.
WITHOUT_ROW_SECURITY = ("coop_membership", "coop_role", "coop_signoff", "coop_invitation")

_SQLITE_OVERLAP = """\
CREATE TRIGGER kiln_taken_once_{when_word} BEFORE {when} ON firings_firing WHEN NEW.holds_kiln
BEGIN
  SELECT RAISE(ABORT, 'kiln_taken_once') WHERE EXISTS (
    SELECT 1 FROM firings_firing other
    WHERE other.kiln_id = NEW.kiln_id AND other.holds_kiln AND other.id IS NOT NEW.id
      AND other.occupied_from < NEW.occupied_until AND NEW.occupied_from < other.occupied_until);
END"""

_SQLITE_COUNTED = """\
CREATE TRIGGER {table}_counted AFTER UPDATE ON {table}
WHEN ({changed}) OR NEW.sequence IS NOT OLD.sequence OR NEW.changed_at IS NOT OLD.changed_at
BEGIN
  UPDATE {table} SET
    sequence = OLD.sequence + CASE WHEN {changed} THEN 1 ELSE 0 END,
    changed_at = CASE WHEN {changed} THEN strftime('%Y-%m-%d %H:%M:%f', 'now') ELSE OLD.changed_at END
  WHERE id = NEW.id;
END"""

_POSTGRES_FUNCTIONS = {
    "coop_counted": """
DECLARE shown text; before jsonb := to_jsonb(OLD); after jsonb := to_jsonb(NEW);
BEGIN
  NEW.sequence := OLD.sequence;
  NEW.changed_at := OLD.changed_at;
  FOREACH shown IN ARRAY TG_ARGV LOOP
    IF before->shown IS DISTINCT FROM after->shown THEN
      NEW.sequence := OLD.sequence + 1;
      NEW.changed_at := clock_timestamp();
      EXIT;
    END IF;
  END LOOP;
  RETURN NEW;
END """,
    "coop_append_only": """
BEGIN
  RAISE EXCEPTION 'append_only: rows of % are never changed', TG_TABLE_NAME
    USING ERRCODE = 'integrity_constraint_violation';
END """,
    **walls_money.POSTGRES_FUNCTIONS,
}


def install(using: BaseDatabaseWrapper = connection) -> None:
    """Put every wall up, whether or not it stood before."""
    tables = set(using.introspection.table_names())
    if "billing_line" not in tables:
        return
    with using.cursor() as cursor:
        for statement in _postgres(cursor) if using.vendor == "postgresql" else _sqlite():
            cursor.execute(statement)


def clear_sqlite(using: BaseDatabaseWrapper = connection) -> None:
    """Before a migration: no trigger at all, those of earlier versions too (SQLite; PostgreSQL needs no such thing)."""
    if using.vendor != "sqlite":
        return
    with using.cursor() as cursor:
        cursor.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        for (name,) in cursor.fetchall():
            cursor.execute(f'DROP TRIGGER "{name}"')


def take_down(using: BaseDatabaseWrapper = connection, *, tables: str = "") -> None:
    """Take the triggers of these tables down, as the owner of the database could: for tests of what is seen then."""
    with using.cursor() as cursor:
        for trigger in _triggers(using.vendor):
            if trigger.table.startswith(tables):
                cursor.execute(_drop(trigger, using.vendor))


def put_up(using: BaseDatabaseWrapper = connection, *, tables: str = "") -> None:
    """Put the triggers of these tables up, whether or not they stood before."""
    with using.cursor() as cursor:
        for trigger in _triggers(using.vendor):
            if trigger.table.startswith(tables):
                cursor.execute(_drop(trigger, using.vendor))
                cursor.execute(trigger.sql)


def remove_append_only(using: BaseDatabaseWrapper = connection) -> None:
    """Take down what keeps rows where they are, so that a test database can be emptied."""
    with using.cursor() as cursor:
        for trigger in _triggers(using.vendor):
            if trigger.keeps_rows:
                cursor.execute(_drop(trigger, using.vendor))


def names(using: BaseDatabaseWrapper = connection) -> list[str]:
    """The triggers of this engine that ``missing`` looks for."""
    return [trigger.name for trigger in _triggers(using.vendor)]


def missing(using: BaseDatabaseWrapper = connection) -> list[str]:
    """One sentence for every wall that does not stand as it was put up; ``migrate`` puts it up again."""
    standing = _standing_postgres if using.vendor == "postgresql" else _standing_sqlite
    with using.cursor() as cursor:
        return standing(cursor)


def _standing_sqlite(cursor: Any) -> list[str]:
    cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
    found = dict(cursor.fetchall())
    return [
        f"The trigger {trigger.name} does not stand as it was put up."
        for trigger in _triggers("sqlite")
        if found.get(trigger.name) != trigger.sql
    ]


def _standing_postgres(cursor: Any) -> list[str]:
    cursor.execute(
        "SELECT t.tgname, p.proname FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
        "JOIN pg_proc p ON p.oid = t.tgfoid WHERE c.relnamespace = current_schema()::regnamespace "
        "AND NOT t.tgisinternal AND t.tgenabled = 'O' AND t.tgqual IS NULL"
    )
    found = {(name, f"EXECUTE FUNCTION {function}(") for name, function in cursor.fetchall()}
    faults = [
        f"The trigger {trigger.name} does not stand as it was put up."
        for trigger in _triggers("postgresql")
        if not any(name == trigger.name[:63] and call in trigger.sql for name, call in found)
    ]
    cursor.execute("SELECT proname, prosrc FROM pg_proc WHERE pronamespace = current_schema()::regnamespace")
    sources = dict(cursor.fetchall())
    faults += [
        f"The function {name} is not what was put up."
        for name, body in _POSTGRES_FUNCTIONS.items()
        if sources.get(name) != body
    ]
    cursor.execute(
        "SELECT c.relname FROM pg_class c JOIN pg_policy p ON p.polrelid = c.oid AND p.polname = 'own_coop' "
        "WHERE c.relnamespace = current_schema()::regnamespace AND c.relrowsecurity AND c.relforcerowsecurity "
        "AND pg_get_expr(p.polqual, p.polrelid) LIKE '%coop_id%' "
        "AND NOT EXISTS (SELECT 1 FROM pg_policy o WHERE o.polrelid = c.oid AND o.oid <> p.oid)"
    )
    guarded = {name for (name,) in cursor.fetchall()}
    faults += [
        f"Row security of {table} does not stand as it was put up." for table in _guarded() if table not in guarded
    ]
    return faults


def _drop(trigger: Trigger, vendor: str) -> str:
    return f"DROP TRIGGER IF EXISTS {trigger.name}" + (f" ON {trigger.table}" if vendor == "postgresql" else "")


def _triggers(vendor: str) -> list[Trigger]:
    if vendor == "postgresql":
        return [*_postgres_triggers(), *walls_money.postgres()]
    return [*_sqlite_triggers(), *walls_money.sqlite()]


def _sqlite() -> list[str]:
    return [sql for trigger in _triggers("sqlite") for sql in (_drop(trigger, "sqlite"), trigger.sql)]


def _sqlite_triggers() -> list[Trigger]:
    made = []
    for table in APPEND_ONLY:
        refuse = f"SELECT RAISE(ABORT, 'append_only: rows of {table} are never changed')"
        for what in ("update", "delete"):
            name = f"{table}_no_{what}"
            sql = f"CREATE TRIGGER {name} BEFORE {what.upper()} ON {table} BEGIN {refuse}; END"
            made.append(Trigger(table, name, sql, keeps_rows=True))
        name = f"{table}_no_replace"  # INSERT OR REPLACE deletes without firing the trigger above
        sql = (
            f"CREATE TRIGGER {name} BEFORE INSERT ON {table} "  # noqa: S608 - our own tables
            f"BEGIN {refuse} WHERE EXISTS (SELECT 1 FROM {table} WHERE id = NEW.id); END"
        )
        made.append(Trigger(table, name, sql))
    for table, shown in COUNTED.items():
        changed = " OR ".join(f"NEW.{column} IS NOT OLD.{column}" for column in shown)
        sql = _SQLITE_COUNTED.format(table=table, changed=changed)
        made.append(Trigger(table, f"{table}_counted", sql))
    for word, when in (
        ("insert", "INSERT"),
        ("update", "UPDATE OF kiln_id, occupied_from, occupied_until, holds_kiln"),
    ):
        sql = _SQLITE_OVERLAP.format(when_word=word, when=when)
        made.append(Trigger("firings_firing", f"kiln_taken_once_{word}", sql))
    return made


def _postgres_triggers() -> list[Trigger]:
    made = []
    for table in APPEND_ONLY:
        for what, each in (("update", "ROW"), ("delete", "ROW"), ("truncate", "STATEMENT")):
            name = f"{table}_no_{what}"
            sql = (
                f"CREATE TRIGGER {name} BEFORE {what.upper()} ON {table} "
                f"FOR EACH {each} EXECUTE FUNCTION coop_append_only()"
            )
            made.append(Trigger(table, name, sql, keeps_rows=True))
    for table, shown in COUNTED.items():
        columns = ", ".join(f"'{column}'" for column in shown)
        name = f"{table}_counted"
        sql = f"CREATE TRIGGER {name} BEFORE UPDATE ON {table} FOR EACH ROW EXECUTE FUNCTION coop_counted({columns})"
        made.append(Trigger(table, name, sql))
    return made


def _postgres(cursor: Any) -> list[str]:
    statements = [
        f"CREATE OR REPLACE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $${body}$$"
        for name, body in _POSTGRES_FUNCTIONS.items()
    ]
    for trigger in _triggers("postgresql"):
        statements += [_drop(trigger, "postgresql"), trigger.sql]
    standing = _constraints(cursor)
    if "kiln_taken_once" not in standing:
        statements += [
            "CREATE EXTENSION IF NOT EXISTS btree_gist",
            "ALTER TABLE firings_firing ADD CONSTRAINT kiln_taken_once EXCLUDE USING gist "
            "(kiln_id WITH =, tstzrange(occupied_from, occupied_until, '[)') WITH &&) WHERE (holds_kiln)",
        ]
    return [*statements, *_coop_keys(standing), *_row_security()]


def _constraints(cursor: Any) -> set[str]:
    cursor.execute("SELECT conname FROM pg_constraint WHERE connamespace = current_schema()::regnamespace")
    return {name for (name,) in cursor.fetchall()}


def _owned_models() -> list[Any]:
    return [model for model in apps.get_models() if issubclass(model, CoopOwned)]


def _coop_keys(standing: set[str]) -> list[str]:
    """Foreign keys inside a co-op that include it: (coop, id) unique, (coop, x_id) referring to it."""
    statements = []
    for model in _owned_models():
        table = model._meta.db_table
        if f"{table}_in_coop" not in standing:
            statements.append(f"ALTER TABLE {table} ADD CONSTRAINT {table}_in_coop UNIQUE (coop_id, id)")
    for model in _owned_models():
        table = model._meta.db_table
        for field in model._meta.local_fields:
            other = field.related_model
            if not (field.is_relation and isinstance(other, type) and issubclass(other, CoopOwned)):
                continue
            name = f"{table}_{field.column}_same_coop"[:63]
            if name not in standing:
                statements.append(
                    f"ALTER TABLE {table} ADD CONSTRAINT {name} FOREIGN KEY (coop_id, {field.column}) "
                    f"REFERENCES {other._meta.db_table} (coop_id, id) DEFERRABLE INITIALLY DEFERRED"
                )
    return statements


def _guarded() -> list[str]:
    tables = [model._meta.db_table for model in _owned_models()]
    return [table for table in tables if table not in WITHOUT_ROW_SECURITY]


def _row_security() -> list[str]:
    statements = []
    for table in _guarded():
        statements += [
            f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY",
            f"ALTER TABLE {table} FORCE ROW LEVEL SECURITY",
            f"DROP POLICY IF EXISTS own_coop ON {table}",
            f"CREATE POLICY own_coop ON {table} USING (current_setting('coop.current', true) = '*' "
            "OR coop_id::text = current_setting('coop.current', true))",
        ]
    return statements
