"""Money through the API: the same services, figures and refusals as the pages."""

import uuid

import pytest
from django.test import Client

from billing import services
from billing.models import Payment, Posting, Receipt, Settlement
from tests.factories import NOW, ada, ben, cy, make_coop, make_member, tess
from tests.factories_money import DAY, PAID_ON, make_settling_firing, opened, posted, take

pytestmark = pytest.mark.django_db


class Caller:
    def __init__(self, member, slug="hollow-lane"):
        self.client, self.root = Client(), f"/{slug}/api/v1/"
        self.client.force_login(member.person)

    def get(self, address):
        return self.client.get(self.root + address)

    def send(self, address, body=None, *, key=None, method="post"):
        return getattr(self.client, method)(
            self.root + address,
            body or {},
            content_type="application/json",
            headers={"Idempotency-Key": key or uuid.uuid4().hex},
        )


def body(**changed):
    return {"on": "2026-04-20", "pool": "wood", "amount_minor": 41237, "supplier": "Sawmill", **changed}


def test_a_firing_is_settled_through_the_api():
    firing = make_settling_firing(litres={"Ada": 30, "Ben": (10, 5)})
    treasurer, member = Caller(tess()), Caller(ben())
    receipts = f"firings/{firing.public_id}/receipts/"
    made = treasurer.send(receipts, body())
    assert (made.status_code, made.json()["amount_minor"], made.json()["currency"]) == (201, 41237, "EUR")
    assert member.send(receipts, body(amount_minor=580, paid_by=str(ben().public_id))).status_code == 201
    assert len(member.get(receipts).json()["receipts"]) == 2

    drafted = treasurer.send(f"firings/{firing.public_id}/settlements/").json()
    at = f"settlements/{drafted['id']}/"
    assert treasurer.send(f"{at}open/").json()["state"] == "questions"
    shares = member.get(f"{at}shares/").json()
    for pool in shares["pools"]:
        cells = [s["amount_minor"] for m in shares["members"] for s in m["shares"] if s["pool"] == pool["pool"]]
        assert sum(cells) + pool["fund_minor"] == pool["bill_minor"]
    assert shares["is_out_of_date"] is False
    share = next(m for m in shares["members"] if m["name"] == "Ben")["shares"][0]
    assert " x 15 l / " in share["sentence"]

    asked = member.send(f"{at}questions/", {"share": share["id"], "text": "Why?"}).json()
    blocked = treasurer.send(f"{at}post/", {"early": True})
    assert (blocked.status_code, blocked["Content-Type"]) == (422, "application/problem+json")
    treasurer.send(f"questions/{asked['id']}/answer/", {"text": "By litres."})
    assert member.get(f"{at}questions/").json()["questions"][0]["answer"] == "By litres."
    assert treasurer.send(f"{at}post/", {"early": True}).json()["state"] == "posted"

    page = treasurer.get("ledger/").json()
    assert sum(line["amount_minor"] for line in page["postings"][0]["lines"]) == 0
    assert page["head_hash"] == page["postings"][0]["hash"]
    reversal = treasurer.send(f"{at}reverse/", {"why": "wood was paid twice"}).json()
    assert reversal["text"] == "Reverses 1: wood was paid twice"
    assert treasurer.get("balances/").json() == {"balances": []}


def test_the_same_key_again_enters_one_receipt_and_gives_the_same_answer():
    firing = make_settling_firing()
    treasurer = Caller(tess())
    first, again = (treasurer.send(f"firings/{firing.public_id}/receipts/", body(), key="k") for _ in "12")
    assert first.json() == again.json()
    assert Receipt.objects.count() == 1


@pytest.mark.parametrize(
    ("changed", "field", "sentence"),
    [
        ({"amount_minor": 0}, "amount", "zero changes nothing"),
        ({"amount_minor": 10**18}, "amount", "too large"),
        ({"amount_minor": "12.5"}, "amount_minor", "valid integer"),
        ({"pool": "beer"}, "pool", "what the receipt is for"),
        ({"on": "2026-02-30"}, "on", "wrong format"),
        ({"on": "2999-01-01"}, "on", "not come yet"),
        ({"currency": "USD"}, "currency", "in EUR"),
        ({"supplier": "a\u0000b"}, "supplier", "Null characters"),
    ],
)
def test_a_bad_receipt_is_refused_in_one_sentence_by_its_field(changed, field, sentence):
    firing = make_settling_firing()
    answer = Caller(tess()).send(f"firings/{firing.public_id}/receipts/", body(**changed))
    assert answer.status_code == 400
    assert sentence in " ".join(answer.json()["fields"][field])
    assert not Receipt.objects.exists()


def test_csv_is_taken_whole_or_every_fault_is_named():
    firing = make_settling_firing()
    address, treasurer = f"firings/{firing.public_id}/receipts/csv/", Caller(tess())
    bad = treasurer.send(address, {"csv": "date,pool,amount\n2026-04-01,wood,0\n2026-04-02,beer,1\n"})
    assert (bad.status_code, len(bad.json()["faults"])) == (400, 2)
    unknown = treasurer.send(address, {"csv": "date,pool,amount,paid_by\n2026-04-01,wood,1,Zoe\n"})
    assert "Row 2, paid_by: there is no member" in unknown.json()["detail"]
    assert not Receipt.objects.exists()
    good = treasurer.send(address, {"csv": "date;pool;amount\n2026-04-01;wood;1.234,50\n"})
    assert good.json()["receipts"][0]["amount_minor"] == 123450


def test_a_receipt_is_withdrawn_by_delete():
    firing = make_settling_firing()
    receipt = take(firing, 400)
    gone = Caller(tess()).send(f"receipts/{receipt.public_id}/", method="delete")
    assert gone.json()["withdrawn_at"]
    refused = Caller(ben()).send(f"receipts/{receipt.public_id}/", method="delete")
    assert refused.status_code == 403


def test_payments_are_recorded_once_per_key_and_listed_to_whom_they_concern():
    treasurer = Caller(tess())
    said = {"member": str(ben().public_id), "on": str(PAID_ON), "amount_minor": 500, "key": "bank-17"}
    first, again = treasurer.send("payments/", said), treasurer.send("payments/", said)
    assert (first.status_code, first.json()["id"]) == (201, again.json()["id"])
    assert (Payment.objects.count(), Posting.objects.count()) == (1, 1)
    assert treasurer.send("payments/", {**said, "amount_minor": 501}).status_code == 422
    assert Caller(ben()).send("payments/", said).status_code == 403
    assert len(Caller(ben()).get("payments/").json()["payments"]) == 1
    assert Caller(ada()).get("payments/").json()["payments"] == []
    assert Caller(ben()).get("balances/").json()["balances"][0]["words"] == "5.00 EUR to receive"


def test_statements_and_the_ledger_are_for_whom_they_are():
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 10})
    take(firing, 4000)
    posted(firing)
    mine = Caller(ben()).get("statements/").json()["statements"]
    assert [row["member"] for row in mine] == [str(ben().public_id)]
    assert len(Caller(tess()).get("statements/").json()["statements"]) == 2
    one = f"statements/{mine[0]['id']}/"
    assert Caller(ben()).get(one).status_code == 200
    assert Caller(make_member("Ada")).get(one).status_code == 403
    assert Caller(cy()).get(one).status_code == 404
    assert Caller(cy(), slug="far-field").get(one).status_code == 404
    assert Caller(ben()).get("ledger/").status_code == 403
    assert Client().get("/hollow-lane/api/v1/ledger/").status_code == 401


def test_the_ledger_is_read_page_by_page():
    for n in range(5):
        services.record_payment(
            make_coop(),
            by=tess(),
            now=NOW,
            member_id=ben().public_id,
            amount_minor=100 + n,
            on=PAID_ON,
            key=f"k{n}",
        )
    treasurer, seen, cursor = Caller(tess()), [], 0
    while cursor is not None:
        page = treasurer.get(f"ledger/?limit=2&cursor={cursor}").json()
        seen += [row["number"] for row in page["postings"]]
        cursor = page["cursor"]
    assert seen == [5, 4, 3, 2, 1]
    wrong = treasurer.get("ledger/?limit=many")
    assert (wrong.status_code, "give a whole number" in wrong.json()["detail"]) == (400, True)


def test_another_coops_cost_shares_answer_404_everywhere():
    made = opened(_with_a_receipt())
    stranger = Caller(cy(), slug="far-field")
    for address in (f"settlements/{made.public_id}/shares/", f"firings/{made.firing.public_id}/receipts/"):
        assert stranger.get(address).status_code == 404
    for what in ("open", "post", "reverse", "questions"):
        sent = stranger.send(f"settlements/{made.public_id}/{what}/", {"why": "x", "text": "x"})
        assert sent.status_code in (403, 404)
    assert Settlement.objects.get().state == "questions"


def _with_a_receipt():
    firing = make_settling_firing(litres={"Ben": 10})
    take(firing, 4000)
    return firing


def test_posting_by_api_before_the_day_needs_its_confirmation():
    made = opened(_with_a_receipt(), NOW + 3650 * DAY)
    refused = Caller(tess()).send(f"settlements/{made.public_id}/post/")
    assert (refused.status_code, "confirm that you post early" in refused.json()["detail"]) == (422, True)
    assert not Posting.objects.exists()
