"""What the database itself refuses, beyond named constraints: kept the same on both engines where they can.

Installed after every ``migrate`` (a rebuilt SQLite table loses its triggers), safe to run again:

* append-only tables: UPDATE and DELETE are refused by trigger (both engines);
* a kiln is taken once at a time: exclusion constraint (PostgreSQL), guarding trigger (SQLite);
* rows that stand in calendars count their own changes, and nobody else can (both engines);
* a posting's lines sum to zero and are as many as it says: deferred trigger (PostgreSQL only; SQLite has none);
* rows of another co-op are not there: forced row-level security, and foreign keys that include the co-op
  (PostgreSQL only).
"""

from __future__ import annotations

from typing import Any

from django.apps import apps
from django.db import connection
from django.db.backends.base.base import BaseDatabaseWrapper

from coop.models import CoopOwned

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

_SQLITE_OVERLAP = """
CREATE TRIGGER kiln_taken_once_{when_word} BEFORE {when} ON firings_firing WHEN NEW.holds_kiln
BEGIN
  SELECT RAISE(ABORT, 'kiln_taken_once') WHERE EXISTS (
    SELECT 1 FROM firings_firing other
    WHERE other.kiln_id = NEW.kiln_id AND other.holds_kiln AND other.id IS NOT NEW.id
      AND other.occupied_from < NEW.occupied_until AND NEW.occupied_from < other.occupied_until);
END
"""

_SQLITE_COUNTED = """
CREATE TRIGGER {table}_counted AFTER UPDATE ON {table}
WHEN ({changed}) OR NEW.sequence IS NOT OLD.sequence OR NEW.changed_at IS NOT OLD.changed_at
BEGIN
  UPDATE {table} SET
    sequence = OLD.sequence + CASE WHEN {changed} THEN 1 ELSE 0 END,
    changed_at = CASE WHEN {changed} THEN strftime('%Y-%m-%d %H:%M:%f', 'now') ELSE OLD.changed_at END
  WHERE id = NEW.id;
END
"""

_POSTGRES_FUNCTIONS = """
CREATE OR REPLACE FUNCTION coop_counted() RETURNS trigger LANGUAGE plpgsql AS $$
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
END $$;
CREATE OR REPLACE FUNCTION coop_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  RAISE EXCEPTION 'append_only: rows of % are never changed', TG_TABLE_NAME
    USING ERRCODE = 'integrity_constraint_violation';
END $$;
CREATE OR REPLACE FUNCTION coop_posting_balances() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE wanted posting_row; found_sum numeric; found_count bigint; posting_key bigint;
BEGIN
  posting_key := CASE WHEN TG_TABLE_NAME = 'billing_posting' THEN (to_jsonb(NEW)->>'id')::bigint
                      ELSE (to_jsonb(NEW)->>'posting_id')::bigint END;
  SELECT p.line_count INTO wanted.line_count FROM billing_posting p WHERE p.id = posting_key;
  SELECT coalesce(sum(amount_minor), 0), count(*) INTO found_sum, found_count
    FROM billing_line WHERE posting_id = posting_key;
  IF found_sum <> 0 OR found_count <> wanted.line_count THEN
    RAISE EXCEPTION 'posting_balances: posting % has % lines with sum %', posting_key, found_count, found_sum
      USING ERRCODE = 'integrity_constraint_violation';
  END IF;
  RETURN NULL;
END $$;
"""


def install(using: BaseDatabaseWrapper = connection) -> None:
    """Put every wall up, whether or not it stood before."""
    tables = set(using.introspection.table_names())
    if "billing_line" not in tables:
        return
    with using.cursor() as cursor:
        for statement in _postgres(cursor) if using.vendor == "postgresql" else _sqlite():
            cursor.execute(statement)


def remove_append_only(using: BaseDatabaseWrapper = connection) -> None:
    """Take the append-only triggers down, so that a test database can be emptied."""
    with using.cursor() as cursor:
        for table in APPEND_ONLY:
            for what in ("update", "delete"):
                on = f" ON {table}" if using.vendor == "postgresql" else ""
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_no_{what}{on}")


def _sqlite() -> list[str]:
    statements = []
    for table in APPEND_ONLY:
        for what in ("update", "delete"):
            name = f"{table}_no_{what}"
            statements += [
                f"DROP TRIGGER IF EXISTS {name}",
                f"CREATE TRIGGER {name} BEFORE {what.upper()} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, 'append_only: rows of {table} are never changed'); END",
            ]
    for table, shown in COUNTED.items():
        changed = " OR ".join(f"NEW.{column} IS NOT OLD.{column}" for column in shown)
        statements.append(f"DROP TRIGGER IF EXISTS {table}_counted")
        statements.append(_SQLITE_COUNTED.format(table=table, changed=changed))
    for word, when in (
        ("insert", "INSERT"),
        ("update", "UPDATE OF kiln_id, occupied_from, occupied_until, holds_kiln"),
    ):
        statements.append(f"DROP TRIGGER IF EXISTS kiln_taken_once_{word}")
        statements.append(_SQLITE_OVERLAP.format(when_word=word, when=when))
    return statements


def _postgres(cursor: Any) -> list[str]:
    statements = [_POSTGRES_FUNCTIONS.replace("wanted posting_row;", "wanted billing_posting%ROWTYPE;")]
    for table in APPEND_ONLY:
        for what in ("update", "delete"):
            name = f"{table}_no_{what}"
            statements += [
                f"DROP TRIGGER IF EXISTS {name} ON {table}",
                f"CREATE TRIGGER {name} BEFORE {what.upper()} ON {table} "
                "FOR EACH ROW EXECUTE FUNCTION coop_append_only()",
            ]
    for table, shown in COUNTED.items():
        columns = ", ".join(f"'{column}'" for column in shown)
        statements += [
            f"DROP TRIGGER IF EXISTS {table}_counted ON {table}",
            f"CREATE TRIGGER {table}_counted BEFORE UPDATE ON {table} "
            f"FOR EACH ROW EXECUTE FUNCTION coop_counted({columns})",
        ]
    for table in ("billing_posting", "billing_line"):
        statements += [
            f"DROP TRIGGER IF EXISTS {table}_balances ON {table}",
            f"CREATE CONSTRAINT TRIGGER {table}_balances AFTER INSERT ON {table} DEFERRABLE INITIALLY DEFERRED "
            "FOR EACH ROW EXECUTE FUNCTION coop_posting_balances()",
        ]
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


def _row_security() -> list[str]:
    statements = []
    for model in _owned_models():
        table = model._meta.db_table
        if table in WITHOUT_ROW_SECURITY:
            continue
        statements += [
            f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY",
            f"ALTER TABLE {table} FORCE ROW LEVEL SECURITY",
            f"DROP POLICY IF EXISTS own_coop ON {table}",
            f"CREATE POLICY own_coop ON {table} USING (current_setting('coop.current', true) = '*' "
            "OR coop_id::text = current_setting('coop.current', true))",
        ]
    return statements
