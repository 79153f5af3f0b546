"""Deposits: taken, given back, set off; never more than is held, and always the co-op's debt."""

from datetime import timedelta

import pytest
from django.urls import reverse

from billing import services
from billing.invariants import check_all
from billing.models import DepositMove, Posting
from billing.queries import deposits
from billing.queries.balances import balances
from coop.errors import Malformed, NotAllowed, NotFound, Refused
from coop.transactions import reading
from tests.factories import NOW, PASSWORD, ben, cy, make_coop, make_member, tess
from tests.factories_money import PAID_ON

pytestmark = pytest.mark.django_db


def move(kind="taken", amount=5000, key="d1", member=None, **changed):
    member = member or ben()
    said = {"by": tess(member.coop), "now": NOW, "on": PAID_ON, **changed}
    return services.move_deposit(
        make_coop() if "coop" not in said else said.pop("coop"),
        member_id=member.public_id,
        kind=kind,
        amount_minor=amount,
        key=key,
        **said,
    )


def lines():
    return {line.account.kind: line.amount_minor for line in Posting.objects.latest("number").lines.all()}


def faults(coop=None):
    coop = coop or make_coop()
    with reading(coop):
        return [fault for checked in check_all(coop) for fault in checked.faults]


def test_a_deposit_taken_is_owed_by_the_co_op_and_nobody_has_to_pay_it():
    move()
    assert lines() == {"bank": 5000, "deposit": -5000}
    assert deposits.held_for(ben()) == 5000
    assert balances(make_coop()) == []
    assert faults() == []


def test_what_is_given_back_or_set_off_is_held_no_longer():
    move()
    move("given_back", 2000, "d2")
    assert lines() == {"deposit": 2000, "bank": -2000}
    move("set_off", 2500, "d3")
    assert lines() == {"deposit": 2500, "member": -2500}
    assert [(row.member.name, row.minor) for row in deposits.held(make_coop())] == [("Ben", 500)]
    assert [row.minor for row in balances(make_coop())] == [-2500]
    assert faults() == []


@pytest.mark.parametrize("kind", ["given_back", "set_off"])
def test_more_than_is_held_is_refused_and_nothing_moves(kind):
    move(amount=700)
    with pytest.raises(Refused, match=r"Only 7\.00 EUR are held for Ben"):
        move(kind, 701, "d2")
    assert (Posting.objects.count(), DepositMove.objects.count()) == (1, 1)


def test_the_same_key_moves_it_once_and_with_other_figures_not_at_all():
    first = move()
    assert move() == first
    assert Posting.objects.count() == 1
    with pytest.raises(Refused, match=r"recorded already: 50\.00 EUR"):
        move(amount=6000)


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"amount": 0}, "above zero"),
        ({"amount": -5}, "above zero"),
        ({"amount": 10**30}, "too large to be right"),
        ({"kind": "kept"}, "taken, given back or set off"),
        ({"on": PAID_ON + timedelta(days=400)}, "today or before"),
        ({"key": " "}, "Give the deposit a key"),
    ],
)
def test_what_makes_no_sense_is_refused_with_one_sentence(changed, says):
    with pytest.raises(Malformed, match=says):
        move(**changed)
    assert not Posting.objects.exists()


def test_only_the_treasurer_moves_deposits_and_only_of_members_here():
    with pytest.raises(NotAllowed):
        move(by=ben())
    with pytest.raises(NotFound, match="no such member"):
        move(member=cy(), coop=make_coop(), by=tess(make_coop()))


@pytest.mark.parametrize(("currency", "shown"), [("JPY", "Only 5000 JPY"), ("KWD", r"Only 5\.000 KWD")])
def test_currencies_of_no_and_of_three_digits_are_kept_and_shown_as_they_are(currency, shown):
    coop = make_coop(currency.lower(), f"{currency} kilns", currency=currency)
    member = make_member("Ben", coop=coop)
    move(member=member, coop=coop)
    with pytest.raises(Refused, match=shown):
        move("set_off", 5001, "d2", member=member, coop=coop)
    assert faults(coop) == []


def test_the_pages_take_a_deposit_and_show_what_is_held(client):
    client.login(username=tess().person.email, password=PASSWORD)
    new = reverse("deposit_new", kwargs={"coop": make_coop().slug})
    said = {"member": str(ben().public_id), "kind": "taken", "amount": "50", "on": "2026-04-20", "key": "k", "note": ""}
    said["request_key"] = client.get(new).context.get("request_key", "")
    assert client.post(new, said | {"amount": "9" * 30}).status_code == 400
    answer = client.post(new, said, follow=True)
    assert "Ben" in answer.text
    assert deposits.held_for(ben()) == 5000
    refused = client.post(new, said | {"kind": "given_back", "amount": "60", "key": "k2"})
    assert "Only 50.00 EUR are held for Ben" in refused.text
    client.login(username=ben().person.email, password=PASSWORD)
    assert client.get(reverse("deposits", kwargs={"coop": make_coop().slug})).status_code == 403
