"""The ledger in the database: never changed, always balanced, one chain; and what verify makes of tampering."""

from datetime import timedelta
from io import StringIO

import pytest
from django.core.management import call_command
from django.db import IntegrityError, connection, transaction
from django.db.utils import DatabaseError

from billing import services
from billing.models import Account, Line, Payment, Posting
from billing.queries import ledger
from billing.services import postings
from coop.errors import Taken
from coop.transactions import use_case
from firings.models import FiringZone
from tests.factories import NOW, ben, cy, make_coop, tess
from tests.factories_money import PAID_ON, make_settling_firing, posted, take, walls_down

LATER = NOW + timedelta(days=8)  # after the time for questions

pytestmark = pytest.mark.django_db


def settled(**fields):
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 10}, **fields)
    take(firing, 4000, paid_by=ben())
    return posted(firing)


def pay(member, amount, key="k1"):
    return services.record_payment(
        member.coop,
        by=tess(member.coop),
        now=LATER,
        member_id=member.public_id,
        amount_minor=amount,
        on=PAID_ON,
        key=key,
    )


@pytest.mark.parametrize("rows", [Posting, Line])
def test_the_ledger_refuses_to_be_changed_or_deleted(rows):
    settled()
    for change in (lambda: rows.objects.update(coop=make_coop()), lambda: rows.objects.all()._raw_delete("default")):
        with pytest.raises(DatabaseError, match="append_only"), transaction.atomic():
            change()
    assert rows.objects.exists()


def _posting(**changed):
    values = {
        "number": 1,
        "key": "k",
        "kind": "payment",
        "on": PAID_ON,
        "at": NOW,
        "text": "x",
        "currency": "EUR",
        "line_count": 2,
        "previous_hash": "0" * 64,
        "hash": "1" * 64,
    }
    return Posting.objects.create(coop=make_coop(), **{**values, **changed})


def _two(**changed):
    _posting()
    _posting(**changed)


@pytest.mark.parametrize(
    ("name", "break_it"),
    [
        ("posting_hangs_on_the_last", lambda: _two(key="other")),
        ("posted_once_per_key|a posting is never replaced", lambda: _two(number=2, previous_hash="1" * 64)),
        ("posting_has_a_key", lambda: _posting(key="")),
        ("posting_has_two_lines_or_more", lambda: _posting(line_count=1)),
        (
            "line_is_not_nothing",
            lambda: Line.objects.create(
                coop=make_coop(),
                posting=_posting(),
                account=Account.objects.create(coop=make_coop(), code="bank", name="bank", kind="bank"),
                amount_minor=0,
            ),
        ),
        (
            "account_code_used_once|billing_account.code",
            lambda: [Account.objects.create(coop=make_coop(), code="bank", name="b", kind="bank") for _ in "12"],
        ),
        (
            "member_account_has_a_member",
            lambda: Account.objects.create(coop=make_coop(), code="m", name="m", kind="member"),
        ),
        (
            "member_account_has_a_member",
            lambda: Account.objects.create(coop=make_coop(), code="b", name="b", kind="bank", member=ben()),
        ),
        (
            "payment_is_not_nothing",
            lambda: Payment.objects.create(
                coop=make_coop(),
                member=ben(),
                on=PAID_ON,
                amount_minor=0,
                currency="EUR",
                posting=_posting(),
                entered_by=ben(),
                entered_at=NOW,
            ),
        ),
    ],
)
def test_the_database_refuses_what_the_services_would(name, break_it):
    with pytest.raises(IntegrityError, match=name), transaction.atomic():
        break_it()


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has no deferred triggers")
@pytest.mark.parametrize("amounts", [(100, -99), (100,), (100, -50, -50), ()])
def test_postgres_refuses_at_commit_what_does_not_balance_or_has_other_lines(amounts):
    coop = make_coop()
    accounts = [Account.objects.create(coop=coop, code=f"a{n}", name="a", kind="bank") for n in range(3)]

    @use_case
    def smuggle(coop, *, now):
        row = _posting(line_count=2)
        for account, amount in zip(accounts, amounts, strict=False):
            Line.objects.create(coop=coop, posting=row, account=account, amount_minor=amount)

    with pytest.raises(Taken, match="must add up to zero"):
        smuggle(coop, now=NOW)
    assert not Posting.objects.exists()


def test_the_chain_hangs_together_and_the_head_stands_on_paper():
    settled()
    pay(ben(), 500)
    rows = list(Posting.objects.order_by("number"))
    assert rows[0].previous_hash == "0" * 64
    assert rows[1].previous_hash == rows[0].hash
    assert ledger.head_hash(make_coop()) == rows[1].hash


def verify(*words):
    out = StringIO()
    try:
        call_command("verify", *words, stdout=out, stderr=out)
    except SystemExit as end:
        return end.code, out.getvalue()
    return 0, out.getvalue()


def test_verify_finds_nothing_in_sound_records_and_counts_them():
    settled()
    pay(ben(), 500)
    status, said = verify()
    assert status == 0
    assert "0 differences" in said
    assert "ok         2  the ledger's postings balance" in said


def test_verify_sees_an_amount_changed_behind_the_triggers():
    settled()
    with walls_down():
        line = Line.objects.filter(amount_minor__gt=0).first()
        Line.objects.filter(pk=line.pk).update(amount_minor=line.amount_minor + 1)
    status, said = verify()
    assert status == 1
    for words in ("The lines in EUR add up to 1", "its hash differs", "They add up to 1 minor units", "were posted"):
        assert words in said


@pytest.mark.parametrize(
    ("tamper", "words"),
    [
        (lambda s: s.pools.update(bill_minor=1), "the bill of wood is 1"),
        (lambda s: s.statements.filter(number=1).update(number=7), "Statement 7 comes after 2"),
        (lambda s: s.statements.filter(number=1).update(balance_minor=5), "says a balance of 5"),
        (lambda s: s.statements.filter(number=1).update(reference="RF001"), "wrong check digits"),
        (lambda s: type(s).objects.filter(pk=s.pk).update(state="reversed"), "is reversed, but its posting is not"),
        (lambda s: FiringZone.objects.update(taken_ml=7), "7 ml are taken, the pieces hold"),
        (lambda s: type(s.firing).objects.update(stage="settling"), "its last move was to closed"),
        (lambda s: type(s.firing).objects.filter(stage="closed").update(stage="cleanup"), "without a checklist"),
        (lambda s: Payment.objects.update(amount_minor=3), "Payment"),
    ],
)
def test_verify_names_each_difference(tamper, words):
    settlement = settled()
    pay(ben(), 500)
    with walls_down():
        tamper(settlement)
    status, said = verify("--coop", "hollow-lane")
    assert (status, words in said) == (1, True), said


def test_verify_says_when_there_is_no_such_coop():
    assert verify("--coop", "nowhere") == (2, "There is no co-op at “nowhere”; leave --coop out to check all.\n")


def test_the_export_escapes_what_a_spreadsheet_would_run():
    member = ben()
    member.person.name = '=HYPERLINK("x")'
    member.person.save()
    pay(member, 500)
    header, first, second = ledger.csv_rows(make_coop())
    assert header[0] == "posting"
    assert "'=HYPERLINK" in first[6] + second[6]
    assert sorted(row[7] for row in (first, second)) == ["-5.00", "5.00"]


def test_a_page_of_postings_costs_the_same_whatever_their_number(django_assert_max_num_queries):
    for n in range(3):
        pay(ben(), 100 + n, key=f"k{n}")
    coop = make_coop()
    with django_assert_max_num_queries(3):
        few = ledger.postings_page(coop)
    for n in range(60):
        pay(ben(), 100 + n, key=f"m{n}")
    with django_assert_max_num_queries(3):
        page = ledger.postings_page(coop)
        assert [line.account.name for row in page.postings for line in row.lines.all()]
    assert (len(few.postings), few.older) == (3, None)
    assert (len(page.postings), page.older) == (50, 14)
    rest = ledger.postings_page(make_coop(), below=page.older)
    assert [row.number for row in rest.postings] == list(range(13, 0, -1))


def test_accounts_show_their_balances_and_another_coops_are_not_there():
    pay(ben(), 500)
    services.record_payment(
        cy().coop, by=tess(cy().coop), now=NOW, member_id=cy().public_id, amount_minor=700, on=PAID_ON, key="k"
    )
    assert {one.account.name: one.balance_minor for one in ledger.accounts(make_coop())} == {
        "bank and cash": 500,
        "Ben": -500,
    }


def test_accounts_are_opened_once():
    assert postings.account_of(ben()) == postings.account_of(ben())
    assert postings.own_account(make_coop(), Account.Kind.BANK).code == "bank"
