"""A treasurer whose connection breaks: nothing is posted twice, nothing is lost (the long run: bench-money)."""

import pytest
from django.db import connection

from billing.invariants import check_all
from coop.transactions import reading
from tests.bench.simulated_ledger import Treasurer
from tests.factories import make_coop, make_member, tess

pytestmark = pytest.mark.django_db


@pytest.mark.slow
@pytest.mark.parametrize("currency", ["EUR", "JPY", "KWD"])
def test_steps_that_are_killed_and_tried_again_are_posted_once(currency):
    coop = make_coop(f"kilns-{currency.lower()}", currency=currency)
    members = [make_member(name, coop=coop) for name in ("Ada", "Ben", "Cleo")]
    treasurer = Treasurer(coop, members, tess(coop), seed=len(currency) + ord(currency[0]), for_good=False)
    for _ in range(120):
        treasurer.step()
    connection.check_constraints()
    assert treasurer.differences() == []
    with reading(coop):
        assert not [fault for checked in check_all(coop) for fault in checked.faults]
    assert treasurer.counts["killed"] > 10
    assert treasurer.counts["answers lost"] > 3
    assert treasurer.counts["refused"] > 3
