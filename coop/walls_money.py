"""What the database refuses about money, as triggers for both engines; ``coop.walls`` puts them up.

* a posting hangs on the last one of its co-op, in the co-op's currency, and reverses no reversal;
* its lines are whole minor units of its own co-op, as many as it says, add up to nothing, and undo what it reverses:
  at COMMIT on PostgreSQL; on SQLite, which has no deferred triggers, with the last line (one that lacks lines is
  shown by ``verify``);
* a deposit is the co-op's debt: its account never stands above zero;
* figures of accounts, receipts, payments, statements and bank lines are frozen, and so are cost shares once posted.
"""

# ruff: noqa: S608 - names of our own tables, nothing anybody typed
from __future__ import annotations

from dataclasses import dataclass

GENESIS = "0" * 64

# Columns that are written once. Everything else of these rows may still change.
FROZEN = {
    "billing_account": ("coop_id", "code", "kind", "member_id", "depositor_id"),
    "billing_receipt": ("coop_id", "firing_id", "on", "pool", "amount_minor", "currency", "paid_by_id"),
    "billing_payment": ("coop_id", "member_id", "on", "amount_minor", "currency", "posting_id"),
    "billing_bankline": (
        *("coop_id", "file_id", "key", "on", "amount_minor", "currency"),
        *("name", "iban", "reference", "text"),
    ),
    "billing_depositmove": ("coop_id", "member_id", "kind", "on", "amount_minor", "currency", "posting_id"),
    "billing_statement": (
        "coop_id",
        "settlement_id",
        "member_id",
        "number",
        "reference",
        "total_minor",
        "balance_minor",
    ),
}
NEVER_DELETED = ("billing_bankline", "billing_payment", "billing_depositmove", "billing_statement", "billing_receipt")
OF_A_SETTLEMENT = ("billing_costpool", "billing_costshare")


@dataclass(frozen=True, slots=True)
class Trigger:
    """One trigger as SQL that makes it; ``keeps_rows`` stands in the way of emptying its table."""

    table: str
    name: str
    sql: str
    keeps_rows: bool = False


def _refuse(name: str, words: str, when: str) -> str:
    return f"SELECT RAISE(ABORT, '{name}: {words}') WHERE {when};"


_LAST = "SELECT max(number) FROM billing_posting WHERE coop_id = NEW.coop_id"
_SQLITE_POSTING = "\n".join(
    [
        _refuse(
            "append_only",
            "a posting is never replaced",
            "EXISTS (SELECT 1 FROM billing_posting WHERE id = NEW.id OR public_id = NEW.public_id "
            "OR reverses_id = NEW.reverses_id OR (coop_id = NEW.coop_id AND key = NEW.key))",
        ),
        _refuse(
            "posting_hangs_on_the_last",
            "number or hash do not follow",
            f"NEW.number IS NOT coalesce(({_LAST}), 0) + 1 OR NEW.previous_hash IS NOT coalesce("
            f"(SELECT hash FROM billing_posting WHERE coop_id = NEW.coop_id AND number = ({_LAST})), '{GENESIS}')",
        ),
        _refuse(
            "posting_in_coop_currency",
            "another currency",
            "NEW.currency IS NOT (SELECT currency FROM coop_coop WHERE id = NEW.coop_id)",
        ),
        _refuse(
            "reverses_no_reversal",
            "no posting of this co-op that can be reversed",
            "NEW.reverses_id IS NOT NULL AND NOT EXISTS (SELECT 1 FROM billing_posting p WHERE p.id = NEW.reverses_id "
            "AND p.coop_id = NEW.coop_id AND p.reverses_id IS NULL)",
        ),
    ]
)
_SQLITE_LINE_BEFORE = "\n".join(
    [
        _refuse(
            "append_only",
            "a line is never replaced",
            "EXISTS (SELECT 1 FROM billing_line WHERE id = NEW.id OR public_id = NEW.public_id)",
        ),
        _refuse("line_is_whole", "not a whole number", "typeof(NEW.amount_minor) <> 'integer'"),
        _refuse(
            "line_stays_in_its_coop",
            "posting or account of another co-op",
            "NOT EXISTS (SELECT 1 FROM billing_posting WHERE id = NEW.posting_id AND coop_id = NEW.coop_id) "
            "OR NOT EXISTS (SELECT 1 FROM billing_account WHERE id = NEW.account_id AND coop_id = NEW.coop_id)",
        ),
        _refuse(
            "posting_balances",
            "the posting has its lines",
            "(SELECT count(*) FROM billing_line WHERE posting_id = NEW.posting_id) >= "
            "(SELECT line_count FROM billing_posting WHERE id = NEW.posting_id)",
        ),
    ]
)
_COMPLETE = (
    "(SELECT count(*) FROM billing_line WHERE posting_id = NEW.posting_id) = "
    "(SELECT line_count FROM billing_posting WHERE id = NEW.posting_id)"
)
_SQLITE_LINE_AFTER = "\n".join(
    [
        _refuse(
            "posting_balances",
            "the lines do not add up to zero",
            f"{_COMPLETE} AND (SELECT sum(amount_minor) FROM billing_line WHERE posting_id = NEW.posting_id) <> 0",
        ),
        _refuse(
            "reversal_undoes_its_target",
            "lines differ",
            f"{_COMPLETE} AND EXISTS (SELECT 1 FROM billing_line l JOIN billing_posting p ON p.id = NEW.posting_id "
            "AND p.reverses_id IS NOT NULL WHERE l.posting_id IN (p.id, p.reverses_id) "
            "GROUP BY l.account_id HAVING sum(l.amount_minor) <> 0)",
        ),
        _refuse(
            "deposit_is_never_overdrawn",
            "less is held",
            f"{_COMPLETE} AND EXISTS (SELECT 1 FROM billing_account a JOIN billing_line l ON l.account_id = a.id "
            "WHERE a.kind = 'deposit' AND a.id IN (SELECT account_id FROM billing_line WHERE posting_id = "
            "NEW.posting_id) GROUP BY a.id HAVING sum(l.amount_minor) > 0)",
        ),
    ]
)

POSTGRES_FUNCTIONS = {
    "coop_posting_hangs": f"""
DECLARE last billing_posting%ROWTYPE;
BEGIN
  SELECT * INTO last FROM billing_posting WHERE coop_id = NEW.coop_id ORDER BY number DESC LIMIT 1;
  IF NEW.number <> coalesce(last.number, 0) + 1 OR NEW.previous_hash <> coalesce(last.hash, '{GENESIS}') THEN
    RAISE EXCEPTION 'posting_hangs_on_the_last: number or hash do not follow'
      USING ERRCODE = 'integrity_constraint_violation';
  END IF;
  IF NEW.currency IS DISTINCT FROM (SELECT currency FROM coop_coop WHERE id = NEW.coop_id) THEN
    RAISE EXCEPTION 'posting_in_coop_currency: another currency' USING ERRCODE = 'integrity_constraint_violation';
  END IF;
  IF NEW.reverses_id IS NOT NULL AND NOT EXISTS (SELECT 1 FROM billing_posting p WHERE p.id = NEW.reverses_id
      AND p.coop_id = NEW.coop_id AND p.reverses_id IS NULL) THEN
    RAISE EXCEPTION 'reverses_no_reversal: no posting of this co-op that can be reversed'
      USING ERRCODE = 'integrity_constraint_violation';
  END IF;
  RETURN NEW;
END """,
    "coop_no_more_lines": """
BEGIN
  IF EXISTS (SELECT 1 FROM billing_posting p WHERE p.id IN (SELECT posting_id FROM added)
      AND p.line_count < (SELECT count(*) FROM billing_line l WHERE l.posting_id = p.id)) THEN
    RAISE EXCEPTION 'posting_balances: the posting has its lines' USING ERRCODE = 'integrity_constraint_violation';
  END IF;
  RETURN NULL;
END """,
    "coop_posting_balances": """
DECLARE found_sum numeric; found_count bigint;
BEGIN
  SELECT coalesce(sum(amount_minor), 0), count(*) INTO found_sum, found_count
    FROM billing_line WHERE posting_id = NEW.id;
  IF found_sum <> 0 OR found_count <> NEW.line_count THEN
    RAISE EXCEPTION 'posting_balances: posting % has % lines with sum %', NEW.id, found_count, found_sum
      USING ERRCODE = 'integrity_constraint_violation';
  END IF;
  IF NEW.reverses_id IS NOT NULL AND EXISTS (SELECT 1 FROM billing_line
      WHERE posting_id IN (NEW.id, NEW.reverses_id) GROUP BY account_id HAVING sum(amount_minor) <> 0) THEN
    RAISE EXCEPTION 'reversal_undoes_its_target: posting % has other lines', NEW.id
      USING ERRCODE = 'integrity_constraint_violation';
  END IF;
  IF EXISTS (SELECT 1 FROM billing_account a JOIN billing_line l ON l.account_id = a.id WHERE a.kind = 'deposit'
      AND a.id IN (SELECT account_id FROM billing_line WHERE posting_id = NEW.id)
      GROUP BY a.id HAVING sum(l.amount_minor) > 0) THEN
    RAISE EXCEPTION 'deposit_is_never_overdrawn: posting % takes more than is held', NEW.id
      USING ERRCODE = 'integrity_constraint_violation';
  END IF;
  RETURN NULL;
END """,
    "coop_frozen": """
DECLARE kept text; before jsonb := to_jsonb(OLD); after jsonb := to_jsonb(NEW);
BEGIN
  FOREACH kept IN ARRAY TG_ARGV LOOP
    IF before->kept IS DISTINCT FROM after->kept THEN
      RAISE EXCEPTION 'frozen: % of % is never changed', kept, TG_TABLE_NAME
        USING ERRCODE = 'integrity_constraint_violation';
    END IF;
  END LOOP;
  RETURN NEW;
END """,
    "coop_settlement_stays": """
BEGIN
  IF OLD.state IN ('posted', 'reversed') AND (TG_OP = 'DELETE' OR NEW.request IS DISTINCT FROM OLD.request
      OR NEW.answer IS DISTINCT FROM OLD.answer OR NEW.posting_id IS DISTINCT FROM OLD.posting_id
      OR NEW.firing_id <> OLD.firing_id OR (NEW.state <> OLD.state AND NEW.state <> 'reversed')) THEN
    RAISE EXCEPTION 'settled_shares_stay: posted cost shares are never changed'
      USING ERRCODE = 'integrity_constraint_violation';
  END IF;
  RETURN CASE WHEN TG_OP = 'DELETE' THEN OLD ELSE NEW END;
END """,
    "coop_shares_stay": """
BEGIN
  IF EXISTS (SELECT 1 FROM billing_settlement WHERE id = (to_jsonb(OLD)->>'settlement_id')::bigint
      AND state IN ('posted', 'reversed')) THEN
    RAISE EXCEPTION 'settled_shares_stay: posted cost shares are never changed'
      USING ERRCODE = 'integrity_constraint_violation';
  END IF;
  RETURN CASE WHEN TG_OP = 'DELETE' THEN OLD ELSE NEW END;
END """,
    "coop_currency_stays": """
BEGIN
  IF NEW.currency <> OLD.currency AND EXISTS (SELECT 1 FROM billing_posting WHERE coop_id = OLD.id) THEN
    RAISE EXCEPTION 'currency_stays_once_posted: the ledger has postings in %', OLD.currency
      USING ERRCODE = 'integrity_constraint_violation';
  END IF;
  RETURN NEW;
END """,
}


def postgres() -> list[Trigger]:
    """The triggers of PostgreSQL; their functions are POSTGRES_FUNCTIONS and ``coop_append_only``."""

    def on(table: str, name: str, when: str, function: str, *, keeps_rows: bool = False) -> Trigger:
        sql = f"CREATE TRIGGER {table}_{name} {when} ON {table} FOR EACH ROW EXECUTE FUNCTION {function}"
        return Trigger(table, f"{table}_{name}", sql, keeps_rows)

    made = [
        on("billing_posting", "hangs", "BEFORE INSERT", "coop_posting_hangs()"),
        on("billing_settlement", "stays", "BEFORE UPDATE OR DELETE", "coop_settlement_stays()", keeps_rows=True),
        on("coop_coop", "currency_stays", "BEFORE UPDATE OF currency", "coop_currency_stays()"),
    ]
    made += [
        Trigger(
            "billing_posting",
            "billing_posting_balances",
            "CREATE CONSTRAINT TRIGGER billing_posting_balances AFTER INSERT ON billing_posting "
            "DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION coop_posting_balances()",
        ),
        Trigger(  # once a statement: a posting that stood at COMMIT has all its lines, so one more is too many
            "billing_line",
            "billing_line_balances",
            "CREATE TRIGGER billing_line_balances AFTER INSERT ON billing_line REFERENCING NEW TABLE AS added "
            "FOR EACH STATEMENT EXECUTE FUNCTION coop_no_more_lines()",
        ),
    ]
    for table, columns in FROZEN.items():
        named = ", ".join(f"'{column}'" for column in columns)
        made.append(on(table, "frozen", "BEFORE UPDATE", f"coop_frozen({named})"))
    for table in NEVER_DELETED:
        made.append(on(table, "no_delete", "BEFORE DELETE", "coop_append_only()", keeps_rows=True))
    for table in OF_A_SETTLEMENT:
        made.append(on(table, "stays", "BEFORE UPDATE OR DELETE", "coop_shares_stay()", keeps_rows=True))
    for table in NEVER_DELETED:
        sql = (
            f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION coop_append_only()"
        )
        made.append(Trigger(table, f"{table}_no_truncate", sql, keeps_rows=True))
    return made


def sqlite() -> list[Trigger]:
    """The triggers of SQLite."""

    def on(table: str, name: str, when: str, body: str, *, keeps_rows: bool = False) -> Trigger:
        sql = f"CREATE TRIGGER {table}_{name} {when} BEGIN {body} END"
        return Trigger(table, f"{table}_{name}", sql, keeps_rows)

    stays = "SELECT RAISE(ABORT, 'settled_shares_stay: posted cost shares are never changed');"
    changed = (
        "NEW.request IS NOT OLD.request OR NEW.answer IS NOT OLD.answer OR NEW.posting_id IS NOT OLD.posting_id "
        "OR NEW.firing_id IS NOT OLD.firing_id OR (NEW.state <> OLD.state AND NEW.state <> 'reversed')"
    )
    over = "OLD.state IN ('posted', 'reversed')"
    posted = "SELECT 1 FROM billing_settlement WHERE state IN ('posted', 'reversed') AND id"
    made = [
        on("billing_posting", "hangs", "BEFORE INSERT ON billing_posting", _SQLITE_POSTING),
        on("billing_line", "belongs", "BEFORE INSERT ON billing_line", _SQLITE_LINE_BEFORE),
        on("billing_line", "balances", "AFTER INSERT ON billing_line", _SQLITE_LINE_AFTER),
        on("billing_settlement", "stays", f"BEFORE UPDATE ON billing_settlement WHEN {over} AND ({changed})", stays),
        on(
            "billing_settlement",
            "kept",
            f"BEFORE DELETE ON billing_settlement WHEN {over}",
            stays,
            keeps_rows=True,
        ),
        on(
            "coop_coop",
            "currency_stays",
            "BEFORE UPDATE OF currency ON coop_coop WHEN NEW.currency <> OLD.currency "
            "AND EXISTS (SELECT 1 FROM billing_posting WHERE coop_id = OLD.id)",
            "SELECT RAISE(ABORT, 'currency_stays_once_posted: the ledger has postings in this currency');",
        ),
    ]
    for table, columns in FROZEN.items():
        differs = " OR ".join(f'NEW."{column}" IS NOT OLD."{column}"' for column in columns)
        body = f"SELECT RAISE(ABORT, 'frozen: figures of {table} are never changed');"
        made.append(on(table, "frozen", f"BEFORE UPDATE ON {table} WHEN {differs}", body))
        body = _refuse(
            "frozen",
            f"a row of {table} is never replaced",
            f"EXISTS (SELECT 1 FROM {table} WHERE id = NEW.id OR public_id = NEW.public_id)",
        )
        made.append(on(table, "no_replace", f"BEFORE INSERT ON {table}", body))
    for table in NEVER_DELETED:
        body = f"SELECT RAISE(ABORT, 'append_only: rows of {table} are never changed');"
        made.append(on(table, "no_delete", f"BEFORE DELETE ON {table}", body, keeps_rows=True))
    for table in OF_A_SETTLEMENT:
        for what in ("UPDATE", "DELETE"):
            when = f"BEFORE {what} ON {table} WHEN EXISTS ({posted} = OLD.settlement_id)"
            made.append(on(table, f"stays_{what.lower()}", when, stays, keeps_rows=what == "DELETE"))
    return made
