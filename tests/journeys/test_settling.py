"""One firing settled in the browser: receipts, draft, a question, posted, paid, reversed."""

import pytest
from django.test import Client
from django.urls import reverse

from billing.models import Payment, Question, Receipt, Settlement, Statement
from billing.queries.ledger import balance_of
from coop import queues
from coop.models import Document, Notice
from firings.models import Firing
from tests.factories import ben, cora, cy, make_coop, make_member, tess
from tests.factories_money import make_settling_firing, posted, take

pytestmark = pytest.mark.django_db


def signed_in(member):
    client = Client()
    client.force_login(member.person)
    return client


def to(name, *args):
    return reverse(name, args=[make_coop().slug, *args])


def receipt(**changed):
    return {
        "pool": "wood",
        "amount": "412,37",
        "on": "2026-04-20",
        "paid_by": "",
        "supplier": "Sawmill by the weir",
        "note": "",
        **changed,
    }


def test_a_firing_is_settled_from_the_first_receipt_to_the_last_cent():
    firing = make_settling_firing(litres={"Ada": 40, "Ben": (10, 5)})
    page = to("firing_money", firing.public_id)
    treasurer, member = signed_in(tess()), signed_in(ben())

    answer = treasurer.post(to("receipt_new", firing.public_id), receipt(), follow=True)
    assert "The receipt is entered." in answer.content.decode()
    member.post(
        to("receipt_new", firing.public_id),
        receipt(pool="soda", amount="1.60", paid_by=str(ben().public_id)),
    )
    assert sorted(Receipt.objects.values_list("amount_minor", flat=True)) == [160, 41237]

    treasurer.post(to("shares_draft", firing.public_id))
    settlement = Settlement.objects.get()
    treasurer.post(to("shares_open", firing.public_id, settlement.public_id))
    share = settlement.shares.get(member=ben(), pool__pool="wood")
    shown = member.get(page).content.decode()
    assert share.working["sentence"].split(" = ")[0] in shown
    asked = member.post(
        to("question_ask_share", firing.public_id, settlement.public_id, share.public_id),
        {"text": "Is the rain-wet half in this?"},
        follow=True,
    )
    assert "Is the rain-wet half in this?" in asked.content.decode()

    early = {"early": "yes"}
    refused = treasurer.post(to("shares_post", firing.public_id, settlement.public_id), early, follow=True)
    assert "One question waits for an answer" in refused.content.decode()
    question = Question.objects.get()
    treasurer.post(to("question_answer", firing.public_id, question.public_id), {"text": "No, it went back."})
    done = treasurer.post(to("shares_post", firing.public_id, settlement.public_id), early, follow=True)
    assert "The cost shares are posted" in done.content.decode()
    assert Firing.objects.get(pk=firing.pk).stage == "closed"

    queues.sweep()
    statement = Statement.objects.get(member=ben())
    assert statement.document is not None
    assert Notice.objects.get(kind="statement", to_person=ben().person).document == statement.document
    mine = member.get(to("money")).content.decode()
    assert to("document", statement.document.public_id) in mine
    assert "EUR to pay" in mine

    owed = balance_of(ben())
    paid = {
        "member": str(ben().public_id),
        "amount": f"{owed / 100:.2f}",
        "way": "bank",
        "on": "2026-05-20",
        "key": "one",
    }
    for _ in range(2):
        treasurer.post(to("payment_new"), paid)
    assert (Payment.objects.count(), balance_of(ben())) == (1, 0)
    assert "nothing to pay" in member.get(to("money")).content.decode()

    treasurer.post(to("shares_reverse", firing.public_id, settlement.public_id), {"why": "wood was paid twice"})
    assert balance_of(ben()) == -owed
    assert "reversed" in treasurer.get(page).content.decode()


def test_a_double_press_of_draft_drafts_once():
    firing = make_settling_firing(litres={"Ben": 10})
    take(firing, 4000)
    client, form = signed_in(tess()), {"once": "abc"}
    client.post(to("shares_draft", firing.public_id), form)
    again = client.post(to("shares_draft", firing.public_id), form, follow=True)
    assert "it was not done a second time" in again.content.decode()
    assert Settlement.objects.count() == 1


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"amount": "0"}, "An amount of zero changes nothing"),
        ({"amount": "a lot"}, "is no amount"),
        ({"amount": "12.345"}, "can be read as"),
        ({"amount": "99999999999"}, "too large to be right"),
        ({"amount": "12 USD"}, "is not in EUR"),
        ({"on": "2999-01-01"}, "not come yet"),
        ({"on": "2026-02-30"}, "valid date"),
        ({"pool": "beer"}, "Select a valid choice"),
    ],
)
def test_a_bad_receipt_comes_back_as_typed_with_one_sentence(changed, sentence):
    firing = make_settling_firing()
    answer = signed_in(tess()).post(to("receipt_new", firing.public_id), receipt(**changed))
    shown = answer.content.decode()
    assert (answer.status_code, sentence in shown) == (400, True)
    assert "Sawmill by the weir" in shown
    assert not Receipt.objects.exists()


def test_a_pasted_list_is_taken_whole_or_every_fault_is_named_by_row():
    firing = make_settling_firing()
    client, page = signed_in(tess()), to("receipts_file", firing.public_id)
    bad = "date,pool,amount\n2026-04-01,wood,0\n2026-04-02,beer,5\n2026-04-03,wood,7.00\n"
    answer = client.post(page, {"text": bad})
    shown = answer.content.decode()
    assert answer.status_code == 400
    assert "Row 2, amount" in shown
    assert "Row 3, pool" in shown
    assert bad.splitlines()[3] in shown
    assert not Receipt.objects.exists()
    assert client.post(page, {"text": ""}).status_code == 400
    client.post(page, {"text": "date,pool,amount\n2026-04-01,wood,5.00\n2026-04-03,wood,-7.00\n"})
    assert sorted(Receipt.objects.values_list("amount_minor", flat=True)) == [-700, 500]


PAGES_OF_THE_TREASURER = ["balances", "payment_new", "ledger", "ledger_csv"]


@pytest.mark.parametrize("name", PAGES_OF_THE_TREASURER)
def test_the_treasurers_pages_are_the_treasurers(name):
    firing = make_settling_firing(litres={"Ben": 10})
    take(firing, 4000)
    posted(firing)
    assert signed_in(tess()).get(to(name)).status_code == 200
    assert signed_in(ben()).get(to(name)).status_code == 403
    assert Client().get(to(name)).status_code == 302
    assert signed_in(cy()).get(to(name)).status_code == 404


def test_the_coordinator_reads_the_ledger_and_a_posting_but_moves_no_money():
    firing = make_settling_firing(litres={"Ben": 10})
    take(firing, 4000)
    row = posted(firing).posting
    client = signed_in(cora())
    assert client.get(to("ledger")).status_code == 200
    assert "Cost shares of Spring firing" in client.get(to("posting", row.public_id)).content.decode()
    assert client.get(to("payment_new")).status_code == 403


def test_a_members_money_and_papers_are_theirs_and_the_treasurers():
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 10})
    take(firing, 4000)
    posted(firing)
    queues.sweep()
    paper = Document.objects.get(for_membership=ben())
    for client, status in ((signed_in(ben()), 200), (signed_in(tess()), 200), (signed_in(make_member("Ada")), 403)):
        assert client.get(to("member_money", ben().public_id)).status_code == status
        assert client.get(to("document", paper.public_id)).status_code == status
    assert signed_in(cy()).get(to("document", paper.public_id)).status_code == 404


def test_the_money_page_costs_the_same_for_few_and_many(django_assert_max_num_queries):
    few = make_settling_firing(litres={"Ada": 10, "Ben": 10})
    many = make_settling_firing(name="Autumn firing", litres={f"Potter {n}": 5 for n in range(14)})
    client = signed_in(tess())
    for firing, receipts in ((few, 2), (many, 12)):
        for n in range(receipts):
            take(firing, 100 + n, paid_by=ben())
        posted(firing)
    client.get(to("firing_money", few.public_id))
    counts = []
    for firing in (few, many):
        with django_assert_max_num_queries(30) as counted:
            assert client.get(to("firing_money", firing.public_id)).status_code == 200
        counts.append(len(counted))
    assert counts[0] == counts[1]


def test_another_coops_firing_has_no_money_page():
    firing = make_settling_firing()
    assert signed_in(cy()).get(to("firing_money", firing.public_id)).status_code == 404
    other = signed_in(cy()).get(reverse("firing_money", args=["far-field", firing.public_id]))
    assert other.status_code == 404
