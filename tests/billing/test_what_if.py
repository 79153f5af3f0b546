"""The page of what a firing may cost: a range for each, two policies side by side, nothing changed."""

from fractions import Fraction

import pytest

from billing.models import Settlement
from billing.queries import what_if
from coop.errors import Malformed
from coop.models import Policy
from coop.policy import Terms
from firings.models import Firing
from tests.factories import ada, ben, cy, make_coop, make_member, tess
from tests.factories_money import make_settling_firing, posted, take

pytestmark = pytest.mark.django_db

ALL = Terms(fill_guarantee=Fraction(0))


@pytest.fixture
def signed_in(client):
    def sign_in(member):
        client.force_login(member.person)
        return client

    return sign_in


def past_and_present(**fields):
    """A past firing of 400.00 wood and 20.00 soda; a new one whose booking is open: Ben 10 l of 1,000 or so."""
    past = make_settling_firing(name="Autumn", litres={"Ada": 30, "Ben": 10}, terms=ALL)
    tess()
    take(past, 40_000)
    take(past, 2_000, "soda")
    posted(past)
    Firing.objects.filter(pk=past.pk).update(lit_at=past.lights_at)
    return make_settling_firing(name="Spring", litres={"Ben": 10, "Ada": 30}, terms=ALL, stage="booking", **fields)


def page(firing):
    return f"/{firing.coop.slug}/firings/{firing.public_id}/money/what-if/"


def test_the_bills_of_past_firings_make_a_range_for_each():
    firing = past_and_present(with_soda=True)
    found = what_if.outlook(firing, ben())
    assert found.past == 1
    assert {name: (bill.low, bill.likely, bill.high) for name, bill in found.bills} == {
        "wood": (32_000, 40_000, 48_000),
        "soda": (1_600, 2_000, 2_400),
    }
    assert (found.rows[0].member, found.mine.space_ml) == (ben(), 10_000)
    assert found.mine.amount.low < found.mine.amount.likely < found.mine.amount.high
    assert found.rows[1].amount.likely == pytest.approx(3 * found.mine.amount.likely, abs=2)


def test_before_signing_up_one_can_ask_what_litres_would_cost():
    firing = past_and_present()
    dora = make_member("Dora")
    assert what_if.outlook(firing, dora).mine is None
    assert what_if.outlook(firing, ben()).mine.amount.likely == 10_000, "10 l of 40 l, as full as last time"
    assert what_if.outlook(firing, dora, 10).mine.amount.likely == 8_000, "10 l of 50 l"
    with pytest.raises(Malformed, match="from 0 to"):
        what_if.outlook(firing, dora, -1)


def test_without_any_past_the_leads_estimate_counts_and_without_that_nothing():
    firing = make_settling_firing(litres={"Ben": 10}, terms=ALL, stage="booking", cost_estimate_minor=10_000)
    assert what_if.outlook(firing, ben()).bills[0][1].likely == 10_000
    Firing.objects.filter(pk=firing.pk).update(cost_estimate_minor=None)
    firing.refresh_from_db()
    assert what_if.outlook(firing, ben()) is None


def test_two_versions_share_the_same_receipts():
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 10}, terms=ALL)
    take(firing, 40_000)
    heads = Terms(fill_guarantee=Fraction(0), cost_keys={**ALL.cost_keys, "wood": "heads"})
    found = what_if.compared(firing, ALL, heads)
    assert [(row.member, row.before_minor, row.after_minor) for row in found.rows] == [
        (ada(), 30_000, 20_000),
        (ben(), 10_000, 20_000),
    ]
    assert not found.by_forecast
    assert what_if.compared(make_settling_firing(name="None yet"), ALL, heads) is None


def test_the_page_shows_who_gains_as_chart_and_table_and_changes_nothing(signed_in):
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 10}, terms=ALL)
    take(firing, 40_000)
    versions, settlements = Policy.objects.count(), Settlement.objects.count()
    seen = signed_in(ben()).get(page(firing), {"b": "own", "key_wood": "heads"}).content.decode()
    assert all(words in seen for words in ("url(#hatched)", "−100.00", "+100.00"))
    assert seen.index("€300.00") < seen.index("€200.00")
    assert (Policy.objects.count(), Settlement.objects.count()) == (versions, settlements)


@pytest.mark.parametrize(
    ("said", "sentence"),
    [
        ({"litres": "lots"}, "whole number from 0"),
        ({"litres": "-5"}, "whole number from 0"),
        ({"litres": "9" * 30}, "whole number from 0"),
        ({"litres": "10001"}, "whole number from 0"),
        ({"b": "77"}, "There is no policy 77"),
        ({"a": "x", "b": "1"}, "There is no policy x"),
        ({"b": "own", "fill_guarantee": "2"}, "from 0 to 1"),
        ({"b": "own", "levy_minor_per_litre": "-3"}, "from 0 to"),
        ({"b": "own", "key_wood": "beauty"}, "not one of the available"),
        ({"b": "own", "guest_factor": "much"}, "as text"),
    ],
)
def test_what_makes_no_sense_gets_a_sentence(signed_in, said, sentence):
    firing = past_and_present()
    answer = signed_in(ben()).get(page(firing), said)
    assert answer.status_code in (400, 422)
    assert sentence in answer.content.decode()


def test_the_page_is_for_who_takes_part(signed_in):
    firing = past_and_present()
    assert signed_in(cy()).get(page(firing)).status_code == 404
    gus = make_member("Gus", coop=make_coop())
    gus.roles.update(kind="guest")
    assert signed_in(gus).get(page(firing)).status_code == 403


def test_the_cost_of_the_page_does_not_grow_with_members(signed_in):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    def queries_for(client, firing):
        with CaptureQueriesContext(connection) as seen:
            client.get(page(firing), {"b": "own"})
        return len(seen)

    client = signed_in(ben())
    few = make_settling_firing(name="Few", litres={"Ada": 5, "Ben": 5}, terms=ALL)
    many = make_settling_firing(name="Many", litres={f"Potter {n}": 5 for n in range(14)}, terms=ALL)
    take(few, 100)
    take(many, 100)
    assert queries_for(client, many) == queries_for(client, few)
