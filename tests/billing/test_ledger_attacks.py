"""Attacks on the money by raw SQL: refused by a named wall, or shown by ``verify``.

Two roles. ``service`` is the service's own connection inside one co-op, walls up: what somebody could do who got SQL
past the code. ``owner`` owns the database and took every trigger down first (and, where it says so, constraints);
the walls stand again before ``verify`` looks, so that only the rows can give the attack away.
"""

from dataclasses import dataclass
from datetime import timedelta
from functools import partial
from io import StringIO

import pytest
from django.core.management import call_command
from django.db import connection, transaction
from django.db.utils import DatabaseError

from billing import services
from billing.invariants import check_all, head_stands
from billing.ledger import body_hash, chain_hash
from billing.models import Account, Line, Posting
from billing.queries.ledger import entry_of
from billing.services import postings
from coop import walls
from coop.transactions import reading, set_coop, use_case
from tests.factories import NOW, ada, ben, cy, make_coop, tess
from tests.factories_money import PAID_ON, make_settling_firing, posted, take, walls_down

POSTGRES = connection.vendor == "postgresql"
LATER = NOW + timedelta(days=8)
ZEROS = "0" * 64

pytestmark = pytest.mark.django_db


@dataclass(frozen=True)
class Attack:
    """SQL, and what stops it as the service; where nothing does (``None``), and as the owner, what verify says."""

    name: str
    sql: tuple[str, ...]
    refused: str | None
    shown: str | None
    only: str = ""
    refused_on_sqlite: str | None = "as refused"
    without: tuple[str, str] | None = None  # table and constraint that the owner drops first


def posting(*, lines=("{bank}, 100", "{ben}, -100"), coop="{coop}", line_coop="{coop}", **changed):
    values = {
        "public_id": "'aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa'",
        "coop_id": coop,
        "number": "{next}",
        "key": "'forged'",
        "kind": "'payment'",
        '"on"': "'2026-05-09'",
        "at": "'2026-05-09 09:00:00'",
        "text": "'forged'",
        "currency": "'EUR'",
        "line_count": "2",
        "previous_hash": "'{head}'",
        "hash": "'" + "f" * 64 + "'",
        "seal": "2",
        "reverses_id": "NULL",
        "by_id": "NULL",
        **changed,
    }
    return (
        f"INSERT INTO billing_posting ({', '.join(values)}) VALUES ({', '.join(values.values())})",
        *(line(at, one, line_coop, "(SELECT max(id) FROM billing_posting)") for at, one in enumerate(lines)),
    )


def line(at, account_and_amount, coop="{coop}", to="{last}", verb="INSERT"):
    account, amount = account_and_amount.split(", ", 1)
    return (
        f"{verb} INTO billing_line (public_id, coop_id, posting_id, account_id, amount_minor) "
        f"VALUES ('bbbbbbbbbbbbbbbbbbbbbbbbbbbbbbb{at}', {coop}, {to}, {account}, {amount})"
    )


def change(what, where="id = {first}"):
    return (f"UPDATE billing_posting SET {what} WHERE {where}",)


HASH = "Entry 1: It is not what was sealed; its hash differs."
ATTACKS = [
    # Lines that are no posting
    Attack("one cent missing", posting(lines=("{bank}, 100", "{ben}, -99")), "posting_balances", "add up to 1, not to"),
    Attack(
        "all on one side", posting(lines=("{bank}, 100", "{ben}, 100")), "posting_balances", "add up to 200, not to 0"
    ),
    Attack("no lines", posting(lines=()), "posting_balances", "needs two lines or more", refused_on_sqlite=None),
    Attack(
        "one line", posting(lines=("{bank}, 1",)), "posting_balances", "says 2 lines in EUR", refused_on_sqlite=None
    ),
    Attack(
        "says one line",
        posting(lines=("{bank}, 1",), line_count="1"),
        "posting_has_two_lines_or_more|posting_balances",
        "needs two lines or more",
        without=("billing_posting", "posting_has_two_lines_or_more"),
    ),
    Attack(
        "a line of zero",
        posting(lines=("{bank}, 100", "{ben}, -100", "{ben}, 0"), line_count="3"),
        "line_is_not_nothing",
        "is zero; leave it out",
        without=("billing_line", "line_is_not_nothing"),
    ),
    Attack(
        "a pair of lines added later",
        (line(0, "{bank}, 100"), line(1, "{ben}, -100")),
        "posting_balances",
        "says 2 lines in EUR and has 4",
    ),
    Attack("an amount of 30 digits", (line(0, "{bank}, " + "9" * 30),), "out of range|line_is_whole", None),
    Attack("an amount beyond reason", (line(0, "{bank}, 1000000000001"),), "line_is_within_reason|balances", None),
    Attack("an amount that is a word", (line(0, "{bank}, 'much'"),), "invalid input syntax|line_is_whole", None),
    Attack("half a cent", (line(0, "{bank}, 0.5"),), "line_is_whole", None, only="sqlite"),
    # Chain, keys and reversals
    Attack("a number left out", posting(number="{next} + 1"), "posting_hangs_on_the_last", "Entries are missing"),
    Attack("a number before the first", posting(number="0"), "posting_hangs_on_the_last", "It is there twice"),
    Attack(
        "a number used twice",
        posting(number="1"),
        "posting_hangs_on_the_last",
        "It is there twice",
        without=("billing_posting", "posting_numbered_once"),
    ),
    Attack(
        "hung on nothing",
        posting(previous_hash=f"'{ZEROS}'"),
        "posting_hangs_on_the_last",
        "does not hang on the entry before it",
    ),
    Attack("a hash of one's own", posting(), None, "It is not what was sealed; its hash differs"),
    Attack(
        "a key used before",
        posting(key="(SELECT key FROM billing_posting WHERE id = {first})"),
        "posted_once_per_key|never replaced",
        "It repeats the key of entry 1",
        without=("billing_posting", "posted_once_per_key"),
    ),
    Attack("no key", posting(key="''"), "posting_has_a_key", None),
    Attack(
        "the date before the last one's",
        posting(at="'2026-01-02 09:00:00'", **{'"on"': "'2026-01-02'"}),
        None,
        "is dated before entry 5",
    ),
    Attack("a day that is not the moment's", posting(**{'"on"': "'2026-01-02'"}), None, "is not the day it was posted"),
    Attack("sealed the old way", posting(seal="1"), None, "sealed in an older way"),
    Attack("sealed in no known way", posting(seal="9"), None, "is not known"),
    Attack(
        "another currency",
        posting(currency="'JPY'"),
        "posting_in_coop_currency",
        "says 2 lines in JPY",
    ),
    Attack(
        "a reversal of a reversal",
        posting(reverses_id="{reversal}"),
        "reverses_no_reversal",
        "itself a reversal",
    ),
    Attack("a reversal of nothing", posting(reverses_id="987654"), "reverses_no_reversal", None),
    Attack(
        "a reversal of another co-op's posting",
        posting(reverses_id="{foreign_posting}"),
        "reverses_no_reversal",
        "reverses that is not in this co-op",
        without=("billing_posting", "billing_posting_reverses_id_same_coop"),
    ),
    Attack(
        "a second reversal",
        posting(reverses_id="{reversed}"),
        "reverses_id|never replaced",
        "which entry 5 reversed before",
        without=("billing_posting", "reverses_id_key"),
    ),
    Attack(
        "a reversal with other lines",
        posting(reverses_id="{first}"),
        "reversal_undoes_its_target",
        "Its lines do not undo entry 1",
    ),
    # Another co-op
    Attack(
        "a posting in another co-op",
        posting(coop="{foreign}", line_coop="{foreign}", previous_hash=f"'{ZEROS}'", number="1"),
        "row-level security",
        None,
        only="postgresql",
    ),
    Attack(
        "a posting in another co-op, with accounts of this one",
        posting(coop="{foreign}", line_coop="{foreign}", previous_hash="'{foreign_head}'", number="2"),
        "posting_hangs_on_the_last|line_stays_in_its_coop",
        None,
    ),
    Attack(
        "a line on another co-op's account",
        posting(lines=("{bank}, 100", "{foreign_bank}, -100")),
        "same_coop|line_stays_in_its_coop",
        "has a account that is not in this co-op",
        without=("billing_line", "billing_line_account_id_same_coop"),
    ),
    Attack(
        "a line given to another co-op",
        ("UPDATE billing_line SET coop_id = {foreign} WHERE posting_id = {first}",),
        "append_only",
        "not in this co-op",
        without=("billing_line", "same_coop"),
    ),
    # The record changed
    Attack("an amount", ("UPDATE billing_line SET amount_minor = amount_minor * 2",), "append_only", HASH),
    Attack(
        "the two accounts of a posting changed about",
        ("UPDATE billing_line SET amount_minor = -amount_minor WHERE posting_id = {first}",),
        "append_only",
        HASH,
    ),
    Attack(
        "a line moved to another account",
        ("UPDATE billing_line SET account_id = {ben} WHERE posting_id = {first} AND account_id = {bank}",),
        "append_only",
        HASH,
    ),
    Attack(
        "a line moved to another posting",
        ("UPDATE billing_line SET posting_id = {last} WHERE posting_id = {first}",),
        "append_only",
        "needs two lines or more",
    ),
    Attack("its text", change("text = 'other'"), "append_only", HASH),
    Attack("its kind", change("kind = 'reversal'"), "append_only", HASH),
    Attack("its day", change("\"on\" = '2026-04-30'"), "append_only", HASH),
    Attack("its moment, put back", change("at = '2026-04-30 09:00:00'"), "append_only", HASH),
    Attack("who posted it", change("by_id = {ben_id}"), "append_only", HASH),
    Attack("its key", change("key = 'other'"), "append_only", HASH),
    Attack("its number", change("number = 99"), "append_only", "Entries are missing"),
    Attack("its currency", change("currency = 'USD'"), "append_only", HASH),
    Attack("its number of lines", change("line_count = 3"), "append_only", "says 3 lines in EUR and has 2"),
    Attack("its hash", change("hash = '{zeros}'"), "append_only", HASH),
    Attack("what it hangs on", change("previous_hash = '{head}'"), "append_only", "does not hang on the entry"),
    Attack("its seal", change("seal = 1"), "append_only", HASH),
    Attack(
        "a reversal that is none any more",
        change("reverses_id = NULL", "id = {reversal}"),
        "append_only",
        "Entry 5: It is not what was sealed",
    ),
    Attack(
        "a posting written over by its key",
        (
            posting(number="1", previous_hash=f"'{ZEROS}'", lines=())[0]
            + " ON CONFLICT (coop_id, number) DO UPDATE SET text = 'other'",
        ),
        "append_only|posting_hangs_on_the_last",
        HASH,
    ),
    Attack(
        "a posting replaced in its place",
        ("INSERT OR REPLACE INTO billing_posting SELECT * FROM billing_posting WHERE id = {first}",),
        "append_only|never replaced",
        None,
        only="sqlite",
    ),
    Attack(
        "a line replaced in its place",
        (
            "REPLACE INTO billing_line (id, public_id, coop_id, posting_id, account_id, amount_minor) "
            "SELECT id, public_id, coop_id, posting_id, account_id, amount_minor + 1 FROM billing_line",
        ),
        "append_only|never replaced",
        HASH,
        only="sqlite",
    ),
    # The record taken away
    Attack("a line deleted", ("DELETE FROM billing_line WHERE posting_id = {first}",), "append_only", "and has 0"),
    Attack(
        "a posting deleted with its lines",
        (
            "DELETE FROM billing_line WHERE posting_id = {first}",
            "DELETE FROM billing_payment WHERE posting_id = {first}",
            "DELETE FROM billing_posting WHERE id = {first}",
        ),
        "append_only",
        "Entries are missing between 0 and this one",
    ),
    Attack(
        "the newest posting deleted without a trace",
        (
            "DELETE FROM billing_line WHERE posting_id = {last}",
            "UPDATE billing_settlement SET posting_id = NULL WHERE posting_id = {last}",
            "DELETE FROM billing_posting WHERE id = {last}",
        ),
        "append_only",
        "the ledger is not the one it was taken from",
    ),
    Attack("the ledger emptied", ("TRUNCATE billing_line",), "append_only", "and has 0", only="postgresql"),
    Attack("all of it emptied", ("TRUNCATE billing_posting CASCADE",), "append_only", None, only="postgresql"),
    # What stands around the ledger
    Attack("an account called otherwise", ("UPDATE billing_account SET code = 'x' WHERE id = {bank}",), "frozen", HASH),
    Attack(
        "an account of another kind",
        ("UPDATE billing_account SET kind = 'fund' WHERE id = {bank}",),
        "frozen",
        "The account bank should be called fund",
    ),
    Attack(
        "an account given to another member",
        ("UPDATE billing_account SET member_id = {tess_id} WHERE id = {ben}",),
        "frozen",
        "should be called member:",
    ),
    Attack(
        "a member's account without its member",
        ("UPDATE billing_account SET member_id = NULL WHERE id = {ben}",),
        "frozen|member_account_has_a_member",
        None,
    ),
    Attack("a payment's amount", ("UPDATE billing_payment SET amount_minor = 1",), "frozen", "were posted"),
    Attack(
        "a payment's member",
        ("UPDATE billing_payment SET member_id = {tess_id} WHERE coop_id = {coop}",),
        "frozen",
        "were posted",
    ),
    Attack("a payment deleted", ("DELETE FROM billing_payment",), "append_only", "no payment of its own"),
    Attack("a statement's balance", ("UPDATE billing_statement SET balance_minor = 0",), "frozen", "says a balance"),
    Attack("a statement's number", ("UPDATE billing_statement SET number = number + 7",), "frozen", "comes after 0"),
    Attack("a statement deleted", ("DELETE FROM billing_statement WHERE number = 1",), "append_only", "comes after 0"),
    Attack("a receipt's amount", ("UPDATE billing_receipt SET amount_minor = 1",), "frozen", None),
    Attack("a receipt deleted", ("DELETE FROM billing_receipt",), "append_only", None),
    Attack("a posted bill", ("UPDATE billing_costpool SET bill_minor = 1",), "settled_shares_stay", "the bill of wood"),
    Attack(
        "posted shares changed about",
        ("UPDATE billing_costshare SET amount_minor = 4000 - amount_minor",),
        "settled_shares_stay",
        "the total says",
    ),
    Attack(
        "a share added to posted ones",
        (
            "INSERT INTO billing_costshare (public_id, coop_id, settlement_id, pool_id, member_id, amount_minor, "
            "working) "
            "SELECT 'dddddddddddddddddddddddddddddddd', coop_id, settlement_id, id, {tess_id}, 5, '{{}}' "
            "FROM billing_costpool LIMIT 1",
        ),
        None,
        "5 minor units are not in the totals",
    ),
    Attack("posted shares deleted", ("DELETE FROM billing_costshare",), "settled_shares_stay", "the total says"),
    Attack(
        "posted shares opened again",
        ("UPDATE billing_settlement SET state = 'draft', posting_id = NULL",),
        "settled_shares_stay",
        "no cost shares of its own",
    ),
    Attack(
        "what was posted said otherwise",
        ("UPDATE billing_settlement SET answer = replace(answer{text}, '{ada_total}', '7'){json}",),
        "settled_shares_stay",
        "the total says",
    ),
    Attack(
        "a deposit given back that was never taken",
        posting(lines=("{deposit}, 901", "{bank}, -901")),
        "deposit_is_never_overdrawn",
        "The deposit of member",
    ),
    Attack(
        "a deposit that is nobody's",
        ("UPDATE billing_account SET depositor_id = NULL WHERE id = {deposit}",),
        "frozen|deposit_account_has_a_depositor",
        None,
    ),
    Attack("a deposit's amount", ("UPDATE billing_depositmove SET amount_minor = 1",), "frozen", "were taken and not"),
    Attack(
        "a deposit's way",
        ("UPDATE billing_depositmove SET kind = 'given_back'",),
        "frozen",
        "were taken and not given back",
    ),
    Attack("a deposit deleted", ("DELETE FROM billing_depositmove",), "append_only", "has no deposit move of its own"),
    Attack(
        "the co-op's currency",
        ("UPDATE coop_coop SET currency = 'JPY' WHERE id = {coop}",),
        "currency_stays_once_posted",
        "lines in EUR and has",
    ),
]


@pytest.fixture(scope="module")
def there(django_db_setup, django_db_blocker):
    """The scene, made once: every test runs inside this transaction and is rolled back to it."""
    with django_db_blocker.unblock():
        whole = transaction.atomic()
        whole._from_testcase = True
        whole.__enter__()
        yield scene()
        transaction.set_rollback(True)
        whole.__exit__(None, None, None)


def scene():
    """A payment, cost shares posted, a second payment reversed; and a payment in another co-op."""
    coop = make_coop()
    pay(ben(), 500, at=NOW)
    services.move_deposit(
        coop, by=tess(), now=NOW, member_id=ben().public_id, kind="taken", amount_minor=900, on=PAID_ON, key="d"
    )
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 10})
    take(firing, 4000, paid_by=ben())
    settlement = posted(firing)
    made = adjust(coop, now=LATER)
    undo(coop, target=made, now=LATER)
    pay(cy(), 700, at=NOW)
    connection.check_constraints()  # as each use case does at COMMIT
    rows = list(Posting.objects.of(coop).order_by("number"))
    foreign = cy().coop
    account = partial(Account.objects.of(coop).get)
    return {
        "coop": coop.pk,
        "foreign": foreign.pk,
        "foreign_posting": Posting.objects.of(foreign).get().pk,
        "foreign_head": Posting.objects.of(foreign).get().hash,
        "foreign_bank": Account.objects.of(foreign).get(code="bank").pk,
        "next": len(rows) + 1,
        "head": rows[-1].hash,
        "first": rows[0].pk,
        "last": rows[-1].pk,
        "reversed": made.pk,
        "reversal": rows[-1].pk,
        "bank": account(code="bank").pk,
        "ben": account(member=ben()).pk,
        "deposit": account(depositor=ben()).pk,
        "ben_id": ben().pk,
        "tess_id": tess().pk,
        "settlement": settlement.pk,
        "ada_total": settlement.answer["totals"][str(ada().public_id)],
        "zeros": ZEROS,
        "text": "::text" if POSTGRES else "",
        "json": "::jsonb" if POSTGRES else "",
    }


def pay(member, amount, *, at):
    coop = member.coop
    return services.record_payment(
        coop, by=tess(coop), now=at, member_id=member.public_id, amount_minor=amount, on=PAID_ON, key=f"k{amount}"
    )


@use_case
def adjust(coop, *, now):
    lines = [(postings.own_account(coop, Account.Kind.FUND), 90), (postings.account_of(ben(coop)), -90)]
    return postings.post(coop, key="gift", kind="gift", text="gift", lines=lines, by=None, now=now)


@use_case
def undo(coop, *, target, now):
    return postings.post_reversal(target, text="a slip", by=None, now=now)


def carried_out(attack, there, *, commit=False):
    with connection.cursor() as cursor:
        for statement in attack.sql:
            cursor.execute(statement.format(**there))
    if commit:  # what waits for COMMIT is looked at now
        connection.check_constraints()


def differences(there):
    found = []
    for coop in (make_coop(), make_coop("far-field")):
        with reading(coop):
            found += [fault for checked in check_all(coop) for fault in checked.faults]
            if coop.pk == there["coop"]:
                found += head_stands(coop, there["head"]).faults
    return found


def shows(words, there):
    found = differences(there)
    assert any(one in fault for fault in found for one in words.split("|")), found


def here(attacks):
    return [pytest.param(attack, id=attack.name) for attack in attacks if attack.only in ("", connection.vendor)]


@pytest.mark.parametrize("attack", here(ATTACKS))
def test_the_service_is_refused_by_a_wall_or_shown_by_verify(attack, there):
    refused = attack.refused
    if not POSTGRES and attack.refused_on_sqlite != "as refused":
        refused = attack.refused_on_sqlite
    set_coop(there["coop"], local=True)
    try:
        if refused is None:
            carried_out(attack, there)
        else:
            with pytest.raises(DatabaseError, match=refused), transaction.atomic():
                carried_out(attack, there, commit=True)
    finally:
        set_coop("*", local=True)
    if refused is None:
        shows(attack.shown, there)


def test_verify_has_nothing_to_say_before_an_attack(there):
    assert differences(there) == []


@pytest.mark.parametrize("attack", here(attack for attack in ATTACKS if attack.shown))
def test_verify_shows_what_an_owner_did_with_the_walls_down(attack, there):
    with walls_down("coop_coop" if "coop_coop" in attack.sql[0] else "billing_"):
        if attack.without and not POSTGRES and not attack.without[1].endswith("same_coop"):
            # SQLite refuses even the owner: a UNIQUE or CHECK of a table cannot be dropped.
            with pytest.raises(DatabaseError, match="constraint failed"), transaction.atomic():
                carried_out(attack, there)
            return
        if attack.without and POSTGRES:
            drop(*attack.without)
        carried_out(attack, there)
    shows(attack.shown, there)


def drop(table, constraint):
    """The owner's way round constraints, by the end of their names."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT conname FROM pg_constraint WHERE conrelid = %s::regclass AND conname LIKE %s",
            [table, f"%{constraint}"],
        )
        found = cursor.fetchall()
        assert found
        for (name,) in found:
            cursor.execute(f'ALTER TABLE {table} DROP CONSTRAINT "{name}" CASCADE')


# What an owner does to the walls themselves.
WALLS = [
    ("DROP TRIGGER billing_line_no_update{on_line}", "The trigger billing_line_no_update", ""),
    ("DROP TRIGGER billing_posting_hangs{on_posting}", "The trigger billing_posting_hangs", ""),
    (
        "CREATE TRIGGER billing_line_no_delete BEFORE DELETE ON billing_line BEGIN SELECT 1; END",
        "The trigger billing_line_no_delete",
        "sqlite",
    ),
    ("ALTER TABLE billing_line DISABLE TRIGGER billing_line_no_delete", "The trigger billing_line_no", "postgresql"),
    ("ALTER TABLE billing_posting DISABLE TRIGGER USER", "The trigger billing_posting_no_update", "postgresql"),
    (
        "CREATE OR REPLACE TRIGGER billing_line_no_update BEFORE UPDATE ON billing_line FOR EACH ROW WHEN (false) "
        "EXECUTE FUNCTION coop_append_only()",
        "The trigger billing_line_no_update",
        "postgresql",
    ),
    (
        "CREATE OR REPLACE TRIGGER billing_line_no_update BEFORE UPDATE ON billing_line FOR EACH ROW "
        "EXECUTE FUNCTION suppress_redundant_updates_trigger()",
        "The trigger billing_line_no_update",
        "postgresql",
    ),
    (
        "CREATE OR REPLACE FUNCTION coop_append_only() RETURNS trigger LANGUAGE plpgsql AS "
        "$$BEGIN RETURN coalesce(NEW, OLD); END$$",
        "The function coop_append_only",
        "postgresql",
    ),
    ("ALTER TABLE billing_line NO FORCE ROW LEVEL SECURITY", "Row security of billing_line", "postgresql"),
    ("ALTER TABLE billing_payment DISABLE ROW LEVEL SECURITY", "Row security of billing_payment", "postgresql"),
    ("DROP POLICY own_coop ON billing_posting", "Row security of billing_posting", "postgresql"),
    (
        "ALTER POLICY own_coop ON billing_posting USING (true)",
        "Row security of billing_posting",
        "postgresql",
    ),
]


@pytest.mark.parametrize(("sql", "says"), [(sql, says) for sql, says, only in WALLS if only in ("", connection.vendor)])
def test_verify_shows_a_wall_that_was_taken_down_or_hollowed_out(sql, says):
    assert walls.missing() == []
    if sql.startswith("CREATE TRIGGER billing_line_no_delete"):
        walls.take_down()
    names = {"on_line": " ON billing_line", "on_posting": " ON billing_posting"} if POSTGRES else {}
    with connection.cursor() as cursor:
        cursor.execute(sql.format(**{"on_line": "", "on_posting": "", **names}))
    assert any(fault.startswith(says) for fault in walls.missing())
    walls.install()
    assert walls.missing() == []


def test_who_seals_the_whole_chain_anew_is_shown_by_a_head_on_paper(there):
    coop = make_coop()
    with walls_down():
        Posting.objects.filter(pk=there["first"]).update(text="nothing to see here")
        previous = ZEROS
        for row in Posting.objects.of(coop).select_related("coop", "reverses", "by").order_by("number"):
            sealed = chain_hash(previous, body_hash(entry_of(row)))
            Posting.objects.filter(pk=row.pk).update(previous_hash=previous, hash=sealed)
            previous = sealed
    with reading(coop):
        assert not [fault for checked in check_all(coop) for fault in checked.faults]
        assert "not the one it was taken from" in head_stands(coop, there["head"]).faults[0]
        assert not head_stands(coop, previous).faults


@pytest.mark.skipif(not POSTGRES, reason="row-level security is PostgreSQL's")
def test_another_coops_money_is_not_there_to_be_read(there):
    set_coop(there["foreign"], local=True)
    assert [row.amount_minor for row in Line.objects.all()] in ([700, -700], [-700, 700])
    set_coop("", local=True)
    assert not Posting.objects.exists()
    set_coop("*", local=True)


def test_the_command_prints_a_taken_down_wall_and_a_lost_head(there):
    out = StringIO()
    with pytest.raises(SystemExit) as end:
        call_command("verify", "--coop", "hollow-lane", "--head", "e" * 64, stdout=out)
    assert end.value.code == 1
    assert "the database's own walls stand" in out.getvalue()
    assert "the ledger is not the one it was taken from" in out.getvalue()
    call_command("verify", "--coop", "hollow-lane", "--head", there["head"], stdout=out)
    with pytest.raises(SystemExit) as end:
        call_command("verify", "--head", there["head"], stdout=out, stderr=out)
    assert (end.value.code, "say which with --coop" in out.getvalue()) == (2, True)
