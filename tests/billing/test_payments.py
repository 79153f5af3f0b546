"""Payments and balances: recorded once, more than owed allowed, the fewest payments between members."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from billing import services
from billing.models import Payment, Posting
from billing.queries import balances as queries
from billing.queries.ledger import balance_of
from coop.errors import Malformed, NotAllowed, NotFound, Refused
from tests.factories import NOW, ada, ben, cy, make_coop, make_member, tess
from tests.factories_money import PAID_ON, make_settling_firing, posted, take

pytestmark = pytest.mark.django_db


def pay(member, amount=500, *, by=None, **changed):
    said = {"on": PAID_ON, "key": "k1", "amount_minor": amount, "member_id": member.public_id, **changed}
    return services.record_payment(make_coop(), by=by or tess(), now=NOW, **said)


def test_a_payment_lowers_what_is_to_pay_and_a_pay_out_raises_it():
    payment = pay(ben(), 500)
    assert {line.account.kind: line.amount_minor for line in payment.posting.lines.all()} == {
        "bank": 500,
        "member": -500,
    }
    pay(ben(), -200, key="k2", way="cash")
    assert balance_of(ben()) == -300


def test_the_same_key_again_adds_nothing_and_with_other_figures_is_refused():
    first = pay(ben(), 500)
    assert pay(ben(), 500) == first
    with pytest.raises(Refused, match=r"recorded already: 5\.00 EUR"):
        pay(ben(), 501)
    with pytest.raises(Refused, match="recorded already"):
        pay(ada(), 500)
    assert (Payment.objects.count(), Posting.objects.count()) == (1, 1)


@pytest.mark.parametrize(
    ("changed", "field", "sentence"),
    [
        ({"amount_minor": 0}, "amount", "zero changes nothing"),
        ({"amount_minor": 10**12}, "amount", "too large"),
        ({"on": date(2026, 5, 2)}, "on", "today or before"),
        ({"on": date(1226, 5, 2)}, "on", "today or before"),
        ({"way": "barter"}, "way", "bank or cash"),
        ({"currency": "CHF"}, "currency", "keeps its money in EUR"),
    ],
)
def test_a_payment_that_cannot_be_is_refused_by_its_field(changed, field, sentence):
    with pytest.raises(Malformed, match=sentence) as refusal:
        pay(ben(), **changed)
    assert list(refusal.value.fields) == [field]
    assert not Posting.objects.exists()


def test_a_payment_needs_a_key_a_member_of_this_coop_and_the_treasurer():
    with pytest.raises(Malformed, match="key"):
        pay(ben(), key=" ")
    with pytest.raises(NotFound, match="no such member"):
        pay(cy())
    with pytest.raises(NotAllowed, match="treasurer"):
        pay(ben(), by=ben())
    assert not Payment.objects.exists()


@pytest.mark.parametrize(
    ("minor", "currency", "words"),
    [
        (1230, "EUR", "12.30 EUR to pay"),
        (-400, "EUR", "4.00 EUR to receive"),
        (0, "EUR", "nothing to pay"),
        (-400, "JPY", "400 JPY to receive"),
    ],
)
def test_a_balance_is_said_in_words(minor, currency, words):
    assert queries.balance_words(minor, currency) == words


def test_balances_list_who_has_to_pay_first_and_leave_out_who_is_even():
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 10})
    take(firing, 4000, paid_by=ben())
    posted(firing)
    pay(ada(), balance_of(ada()))
    assert [(row.member.name, row.minor < 0) for row in queries.balances(make_coop())] == [("Ben", True)]


def test_suggestions_are_the_fewest_payments_and_keep_what_the_coop_itself_has_to_get():
    rows = [
        queries.Balance(make_member(name), minor, "EUR")
        for name, minor in (("Ada", 1000), ("Ben", 500), ("Dov", -700), ("Eve", -300))
    ]
    made = queries.suggestions(rows)
    assert made.left_over_minor == 500
    assert sum(payment.amount_minor for payment in made.payments) == 1000
    assert len(made.payments) == made.at_least


class _Who:
    def __init__(self, pk):
        self.pk = pk


@given(st.lists(st.integers(-5000, 5000).filter(bool), max_size=9))
def test_suggestions_never_move_more_than_somebody_owes(amounts):
    rows = [queries.Balance(_Who(pk), minor, "EUR") for pk, minor in enumerate(amounts, start=1)]
    made = queries.suggestions(rows)
    left = {row.member.pk: row.minor for row in rows}
    for payment in made.payments:
        left[payment.payer.pk] -= payment.amount_minor
        left[payment.payee.pk] += payment.amount_minor
    assert sum(left.values()) == made.left_over_minor
    assert all(minor * made.left_over_minor >= 0 for minor in left.values())


def test_balances_cost_the_same_for_many_members(django_assert_max_num_queries):
    for n in range(12):
        pay(make_member(f"Potter {n}"), 100, key=f"k{n}")
    coop = make_coop()
    with django_assert_max_num_queries(1):
        assert len([row.member.name for row in queries.balances(coop)]) == 12


def test_my_money_is_seen_by_me_and_the_treasurer_only():
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 10})
    take(firing, 4000)
    posted(firing)
    mine = queries.my_money(make_coop(), ben(), ben())
    assert [row.member for table in mine.shares for row in table.rows] == [ben()]
    assert mine.balance.words.endswith("EUR to pay")
    assert queries.my_money(make_coop(), ben(), tess()).balance == mine.balance
    with pytest.raises(NotAllowed):
        queries.my_money(make_coop(), ben(), ada())
    statement = mine.statements[0]
    with pytest.raises(NotAllowed):
        queries.statement_of(make_coop(), statement.public_id, ada())
    with pytest.raises(NotFound):
        queries.statement_of(cy().coop, statement.public_id, cy())
