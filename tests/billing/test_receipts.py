"""Receipts: who may enter which, what is refused, files taken as a whole, withdrawn while not settled."""

from datetime import date
from uuid import uuid4

import pytest
from django.db import IntegrityError, transaction

from billing import services
from billing.models import Receipt
from coop.errors import Malformed, NotAllowed, NotFound, Refused, Taken
from firings.tables import read_receipts
from tests.factories import NOW, ada, ben, cy, make_coop, make_member, tess
from tests.factories_money import PAID_ON, make_settling_firing, posted, take

pytestmark = pytest.mark.django_db


def enter(firing, by, **changed):
    said = {"on": PAID_ON, "pool": "wood", "amount_minor": 4000, "firing_id": firing.public_id, **changed}
    return services.take_receipt(firing.coop, by=by, now=NOW, **said)


def test_the_treasurer_and_the_lead_enter_any_receipt():
    firing = make_settling_firing()
    for by in (tess(), ada()):
        receipt = enter(firing, by, paid_by_id=ben().public_id)
        assert (receipt.amount_minor, receipt.currency, receipt.paid_by) == (4000, "EUR", ben())
        assert receipt.entered_by == by


def test_a_member_hands_in_what_they_paid_themselves_and_nothing_else():
    firing = make_settling_firing()
    enter(firing, ben(), paid_by_id=ben().public_id)
    with pytest.raises(NotAllowed, match="you paid yourself"):
        enter(firing, ben(), paid_by_id=ada().public_id)
    with pytest.raises(NotAllowed, match="you paid yourself"):
        enter(firing, ben())
    assert Receipt.objects.count() == 1


def test_a_guest_hands_in_receipts_only_for_the_firing_they_are_invited_to():
    firing = make_settling_firing()
    guest = make_member("Gus", roles=())
    guest.roles.all().delete()
    guest.roles.create(coop=firing.coop, kind="guest")
    guest = type(guest).objects.with_roles().get(pk=guest.pk)
    with pytest.raises(NotAllowed, match="not invited"):
        enter(firing, guest, paid_by_id=guest.public_id)


def test_a_refund_is_a_receipt_with_a_minus():
    assert enter(make_settling_firing(), tess(), amount_minor=-1850).amount_minor == -1850


@pytest.mark.parametrize(
    ("changed", "field", "sentence"),
    [
        ({"amount_minor": 0}, "amount", "zero changes nothing"),
        ({"amount_minor": 10**9 + 1}, "amount", "too large"),
        ({"amount_minor": -(10**17)}, "amount", "too large"),
        ({"pool": "beer"}, "pool", "what the receipt is for"),
        ({"on": date(2026, 5, 2)}, "on", "not come yet"),
        ({"on": date(1026, 4, 2)}, "on", "too long ago"),
        ({"currency": "USD"}, "currency", "keeps its money in EUR"),
    ],
)
def test_a_receipt_that_cannot_be_is_refused_by_its_field(changed, field, sentence):
    firing = make_settling_firing()
    with pytest.raises(Malformed, match=sentence) as refusal:
        enter(firing, tess(), **changed)
    assert list(refusal.value.fields) == [field]
    assert not Receipt.objects.exists()


def test_another_coops_firing_payer_and_receipt_are_not_there():
    firing, stranger = make_settling_firing(), cy()
    with pytest.raises(NotFound, match="no such firing"):
        services.take_receipt(
            stranger.coop, by=stranger, now=NOW, firing_id=firing.public_id, on=PAID_ON, pool="wood", amount_minor=1
        )
    with pytest.raises(NotFound, match="no such member"):
        enter(firing, tess(), paid_by_id=stranger.public_id)
    receipt = take(firing, 100)
    with pytest.raises(NotFound, match="no such receipt"):
        services.withdraw_receipt(stranger.coop, by=None, now=NOW, receipt_id=receipt.public_id)


def test_a_receipt_is_withdrawn_once_and_stays_on_record():
    receipt = take(make_settling_firing(), 4000, paid_by=ben(), by=ben())
    services.withdraw_receipt(receipt.coop, by=ben(), now=NOW, receipt_id=receipt.public_id)
    assert Receipt.objects.get().withdrawn_at == NOW
    with pytest.raises(Refused, match="withdrawn before"):
        services.withdraw_receipt(receipt.coop, by=ben(), now=NOW, receipt_id=receipt.public_id)


def test_a_receipt_of_others_is_not_withdrawn_by_a_member():
    receipt = take(make_settling_firing(), 4000)
    with pytest.raises(NotAllowed, match="Only who entered"):
        services.withdraw_receipt(receipt.coop, by=ben(), now=NOW, receipt_id=receipt.public_id)
    assert Receipt.objects.standing().count() == 1


def test_once_the_shares_are_posted_no_receipt_comes_or_goes():
    firing = make_settling_firing(litres={"Ben": 40})
    receipt = take(firing, 4000)
    posted(firing)
    with pytest.raises(Refused, match="closed and its record is read-only"):
        take(firing, 100)
    with pytest.raises(Refused, match="are posted"):
        services.withdraw_receipt(firing.coop, by=tess(), now=NOW, receipt_id=receipt.public_id)


FILE = """date,paid_by,pool,amount,currency,supplier,note
2026-03-02,,wood,412.37,EUR,Sawmill by the weir,"pine slabs, 6 stere"
2026-03-09,Ben,wood,58.00,,Farm sale,oak offcuts
2026-04-02,ada@hollow-lane.example,wood,-18.50,EUR,Farm sale,refund
"""


def take_file(firing, by, text):
    rows = read_receipts(text, currency=firing.coop.currency).require()
    return services.take_receipts(firing.coop, by=by, now=NOW, firing_id=firing.public_id, rows=rows)


def test_a_file_of_receipts_is_taken_whole():
    ben(), ada()
    taken = take_file(make_settling_firing(), tess(), FILE)
    assert [(row.amount_minor, row.paid_by and row.paid_by.name) for row in taken] == [
        (41237, None),
        (5800, "Ben"),
        (-1850, "Ada"),
    ]


def test_a_file_with_unknown_payers_is_refused_by_row_and_nothing_is_taken():
    firing = make_settling_firing()
    make_member("Ada", coop=firing.coop)
    with pytest.raises(Malformed) as refusal:
        take_file(firing, tess(), FILE.replace("Ben", "Zoe").replace("2026-04-02", "2026-05-02"))
    assert refusal.value.faults == (
        "Row 3, paid_by: there is no member “Zoe”; give the name as in the list of members, or nothing for the co-op.",
        "Row 4, on: This day has not come yet; give the day on the receipt.",
    )
    assert not Receipt.objects.exists()


def test_two_members_of_one_name_need_their_address():
    firing = make_settling_firing()
    make_member("Ben")
    other = make_member("Ben 2")
    other.person.name = "Ben"
    other.person.save()
    with pytest.raises(Malformed, match="2 members are called “Ben”"):
        take_file(firing, tess(), FILE)


def test_a_members_file_may_only_hold_their_own_outlays():
    firing = make_settling_firing()
    with pytest.raises(Malformed, match="Row 2: You can hand in what you paid yourself"):
        take_file(firing, ben(), FILE)
    assert not Receipt.objects.exists()


@pytest.mark.parametrize(
    ("changed", "name"),
    [({"amount_minor": 0}, "receipt_is_not_nothing"), ({"pool": "beer"}, "receipt_pool_is_known")],
)
def test_the_database_refuses_what_the_service_would(changed, name):
    firing = make_settling_firing()
    values = {"on": PAID_ON, "pool": "wood", "amount_minor": 5, "currency": "EUR", "entered_at": NOW, **changed}
    with pytest.raises(IntegrityError, match=name), transaction.atomic():
        Receipt.objects.create(coop=firing.coop, firing=firing, **values)


def test_a_constraint_that_stops_a_race_says_its_sentence(monkeypatch):
    monkeypatch.setattr("billing.services.receipts._check", lambda **given: None)
    with pytest.raises(Taken, match="zero changes nothing"):
        enter(make_settling_firing(), tess(), amount_minor=0)


def test_a_receipt_for_a_firing_that_is_not_there(db):
    with pytest.raises(NotFound, match="no such firing"):
        services.take_receipt(
            make_coop(), by=tess(), now=NOW, firing_id=uuid4(), on=PAID_ON, pool="wood", amount_minor=1
        )
