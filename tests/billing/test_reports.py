"""The year's report, how long what is to pay has waited, and the journal: each agrees with the ledger."""

import csv
import io
import re
from datetime import date, timedelta

import pytest
from django.urls import reverse
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from billing import services
from billing.models import Posting
from billing.queries import ledger, reports
from billing.year_papers import make
from coop import money
from coop.models import Computation, Document
from tests.factories import NOW, PASSWORD, ada, ben, make_coop, make_member, tess
from tests.factories_money import PAID_ON, make_settling_firing, posted, take

pytestmark = pytest.mark.django_db
LATER = NOW + timedelta(days=8)


def pay(member, amount, key="k", now=LATER):
    return services.record_payment(
        member.coop,
        by=tess(member.coop),
        now=now,
        member_id=member.public_id,
        amount_minor=amount,
        on=min(PAID_ON, now.date()),
        key=key,
    )


def a_year():
    """Two firings, one of them reversed; a payment and a deposit; and a payment in the year before."""
    pay(ada(), 300, "old", now=NOW - timedelta(days=200))
    wrong = make_settling_firing(name="Wrong", litres={"Ada": 10})
    take(wrong, 900)
    services.reverse(
        wrong.coop, by=tess(), now=LATER, settlement_id=posted(wrong).public_id, why="the wrong stack of wood"
    )
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 10})
    take(firing, 40000, paid_by=ben())
    take(firing, 6000, "permit")
    made = posted(firing)
    pay(ada(), 1000)
    services.move_deposit(
        firing.coop,
        by=tess(),
        now=LATER,
        member_id=ben().public_id,
        kind="taken",
        amount_minor=5000,
        on=PAID_ON,
        key="d",
    )
    return made


def test_the_year_says_what_was_spent_who_bore_it_and_how_all_stand():
    made = a_year()
    report = reports.year_report(make_coop(), 2026)
    assert {pool.name: pool.bill_minor for pool in report.pools} == {"wood": 40000, "permit": 6000}
    assert report.members_minor + report.fund_minor == report.bills_minor == 46000
    bank = report.accounts[0]
    assert (bank.before_minor, bank.in_minor, bank.out_minor) == (300, 1000 + 5000 + 900, 6000 + 900)
    assert bank.after_minor == 300
    assert [(row.member.name, row.minor) for row in report.deposits] == [("Ben", 5000)]
    totals = made.answer["totals"]
    assert {row.member.name: row.minor for row in report.standing} == {
        "Ada": totals[str(ada().public_id)] - 1300,
        "Ben": totals[str(ben().public_id)] - 40000,
    }
    assert report.off_minor == 0
    # What the co-op has is what it owes: bank + to pay = deposits + to receive + fund + reserve.
    own = sum(one.after_minor for one in report.accounts[1:])
    assert bank.after_minor + report.to_pay_minor == report.deposits_minor + report.to_receive_minor + own


def test_a_year_before_knows_nothing_of_the_next():
    a_year()
    report = reports.year_report(make_coop(), 2025)
    assert (report.pools, report.deposits, report.postings) == ([], [], 1)
    assert [(row.member.name, row.minor) for row in report.standing] == [("Ada", -300)]
    assert report.head == Posting.objects.get(number=1).hash
    assert reports.years(make_coop()) == [2026, 2025]


def test_the_csv_says_the_same_and_runs_no_formula():
    member = make_member("Mal")
    member.person.name = '=HYPERLINK("x")'
    member.person.save()
    pay(member, 700, "mal")
    a_year()
    report = reports.year_report(make_coop(), 2026)
    rows = list(csv.DictReader(io.StringIO("\n".join(",".join(map(_cell, row)) for row in reports.year_rows(report)))))
    assert {row["name"]: row["amount"] for row in rows if row["section"] == "pool"} == {
        "wood": "400.00",
        "permit": "60.00",
    }
    assert [row["after"] for row in rows if row["name"] == "bank and cash"] == ["10.00"]
    assert [row["amount"] for row in rows if row["name"].startswith("'=HYPER")] == ["7.00"]


def _cell(text):
    return '"' + text.replace('"', '""') + '"'


def test_the_paper_is_made_for_who_asked():
    a_year()
    asked = services.ask_for_year_report(make_coop(), by=tess(), now=LATER, year=2026)
    make(Computation.objects.get(pk=asked.pk), LATER)
    make(Computation.objects.get(pk=asked.pk), LATER)
    paper = Document.objects.get()
    assert (paper.for_membership, bytes(paper.content[:5]), paper.file_name) == (tess(), b"%PDF-", "year-2026.pdf")


# --- Ageing -----------------------------------------------------------------------------------

days = st.integers(0, 200).map(lambda ago: date(2026, 7, 1) - timedelta(days=ago))


@settings(suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.tuples(days, st.integers(-500, 500).filter(bool)), max_size=12))
def test_what_is_open_is_what_was_charged_less_what_came_in(lines):
    left = reports.still_open(lines)
    assert sum(amount for _on, amount in left) == max(0, sum(amount for _on, amount in lines))
    assert all(amount > 0 for _on, amount in left)


def test_a_payment_meets_the_oldest_charge_first():
    charged = [(date(2026, 1, 5), 100), (date(2026, 3, 1), 50), (date(2026, 3, 9), -120)]
    assert reports.still_open(charged) == [(date(2026, 3, 1), 30)]


def test_what_is_to_pay_stands_under_its_age_and_a_reversed_posting_under_none():
    a_year()
    owed = sum(row.minor for row in reports.year_report(make_coop(), 2026).standing if row.minor > 0)
    for later, column in ((0, 0), (30, 0), (31, 1), (61, 2), (500, 3)):
        (row,) = reports.ageing(make_coop(), (LATER - timedelta(days=1)).date() + timedelta(days=later))
        assert (row.member.name, row.parts[column], row.minor) == ("Ada", owed, owed)


# --- Journal ----------------------------------------------------------------------------------


def blocks(text):
    return [dict_of(block) for block in text.split("\n\n")[1:]]


def dict_of(block):
    said = {}
    for line in block.strip().splitlines():
        name, value = line.split(": ", 1)
        said.setdefault(name, []).append(value)
    return said


@pytest.mark.parametrize(("currency", "line"), [("EUR", "5.00 EUR"), ("JPY", "500 JPY"), ("KWD", "0.500 KWD")])
def test_the_journal_has_a_block_a_posting_whose_lines_balance(currency, line):
    coop = make_coop(currency.lower(), "Kilns\nPosting: 7", currency=currency)
    member = make_member("Ben", coop=coop)
    pay(member, 500)
    pay(member, -120, "back")
    text = "".join(ledger.journal(coop))
    first, second = blocks(text)
    assert first["Posting"] == ["1"]
    assert any(said.startswith(line + " bank ") for said in first["Line"])
    for block in (first, second):
        assert sum(money.parse(said.split(" ")[0], currency) for said in block["Line"]) == 0
        assert date.fromisoformat(block["Day"][0]) == LATER.date()
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00", block["Moment"][0])
    assert second["Hash"] == [ledger.head_hash(coop)]


def test_a_name_with_a_line_break_begins_no_line_of_its_own():
    member = make_member("Mal")
    member.person.name = "Mal\nLine: 9.00 EUR bank\u2028x"
    member.person.save()
    pay(member, 500)
    (block,) = blocks("".join(ledger.journal(make_coop())))
    assert len(block["Line"]) == 2


# --- Pages ------------------------------------------------------------------------------------


def test_the_treasurer_opens_every_report_and_a_member_none(client):
    a_year()
    slug = {"coop": make_coop().slug}
    paths = [
        reverse("ageing", kwargs=slug),
        reverse("deposits", kwargs=slug),
        reverse("journal", kwargs=slug),
        reverse("year_report", kwargs={**slug, "year": 2026}),
        reverse("year_csv", kwargs={**slug, "year": 2026}),
    ]
    client.login(username=tess().person.email, password=PASSWORD)
    for path in paths:
        assert client.get(path).status_code == 200, path
    assert client.get(reverse("years", kwargs=slug)).url == paths[3]
    assert client.get(reverse("year_report", kwargs={**slug, "year": 1999})).status_code == 404
    client.login(username=ben().person.email, password=PASSWORD)
    for path in paths:
        assert client.get(path).status_code == 403, path
