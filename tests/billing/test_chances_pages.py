"""Go or no-go for the lead and the reserve for the treasurer: who sees them, what they say, what they refuse."""

from fractions import Fraction

import pytest

from billing.queries import chances as queries
from coop.errors import NotAllowed
from coop.models import Policy
from coop.policy import Terms
from firings.models import Firing, Piece, Watch
from tests.factories import NOW, ada, ben, cy, tess
from tests.factories_money import DAY, make_settling_firing, posted, take

pytestmark = pytest.mark.django_db

TERMS = Terms(fill_guarantee=Fraction(0), minimum_fill=Fraction(1, 10), levy_minor_per_litre=5)


@pytest.fixture
def signed_in(client):
    def sign_in(member):
        client.force_login(member.person)
        return client

    return sign_in


def booking(**litres):
    return make_settling_firing(name="Spring", litres=litres, terms=TERMS, stage="booking", cost_estimate_minor=40_000)


def go(firing):
    return f"/{firing.coop.slug}/firings/{firing.public_id}/go-or-not/"


def test_fill_follows_what_each_member_booked_before_and_brought():
    past = make_settling_firing(name="Autumn", litres={"Ben": 30}, terms=TERMS)
    firing = booking(Ben=70, Ada=2)
    before = queries.go_or_not(firing.coop, firing.public_id, ada())
    Firing.objects.filter(pk=past.pk).update(lit_at=past.lights_at)
    Piece.objects.filter(booking__firing=past).update(count=40, brought=0)
    after = queries.go_or_not(firing.coop, firing.public_id, ada())
    assert (before.past_pots, after.past_pots) == (0, 40)
    assert after.fill < before.fill
    assert (after.booked_ml, after.least_percent) == (72_000, 10)


def test_no_watch_is_no_open_place_and_no_wood_is_no_go():
    firing = booking(Ada=100)
    found = queries.go_or_not(firing.coop, firing.public_id, ada())
    assert (found.crew, found.open_places, found.weakest) == (1.0, 0, "wood")
    assert found.wood < 0.01
    assert found.all == pytest.approx(found.fill * found.crew * found.wood)
    prices = [row.price.likely for row in found.rows]
    assert prices == sorted(prices, reverse=True)


def test_open_places_weigh_by_how_places_of_earlier_firings_were_filled():
    past = make_settling_firing(name="Autumn", litres={"Ben": 30}, terms=TERMS)
    firing = booking(Ada=100)
    for one, taken in ((past, 3), (firing, 2)):
        Watch.objects.create(
            coop=firing.coop,
            firing=one,
            number=1,
            starts_at=one.lights_at,
            ends_at=one.lights_at + DAY,
            people=3,
            most_people=4,
            taken=taken,
        )
    found = queries.go_or_not(firing.coop, firing.public_id, ada())
    assert (found.open_places, found.places, found.crew) == (1, 3, pytest.approx(1 / 2))
    Firing.objects.filter(pk=past.pk).update(lit_at=past.lights_at)
    found = queries.go_or_not(firing.coop, firing.public_id, ada())
    assert found.crew == pytest.approx(4 / 5), "three of three were filled: (1 + 3) / (2 + 3)"


def test_the_lead_sees_it_with_both_charts_and_members_do_not(signed_in):
    firing = booking(Ada=50, Ben=20)
    seen = signed_in(ada()).get(go(firing)).content.decode()
    assert seen.count("<svg viewBox") == 2
    assert "the chance that all is enough" in seen
    assert signed_in(ben()).get(go(firing)).status_code == 403
    assert signed_in(cy()).get(go(firing)).status_code == 404


def test_an_empty_firing_is_no_error(signed_in):
    assert signed_in(ada()).get(go(booking())).status_code == 200


def reserve(**said):
    plan = {
        "cost": "8000",
        "cost_margin": "0",
        "firings": "20",
        "firings_margin": "0",
        "litres": "400",
        "litres_margin": "0",
    }
    return {**plan, **said}


def test_the_reserve_is_what_the_ledger_holds_and_the_levy_what_is_missing(signed_in):
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 30}, terms=TERMS)
    treasurer = tess()
    take(firing, 10_000)
    posted(firing)
    Policy.objects.create(coop=firing.coop, version=90, terms=TERMS.to_json(), adopted_at=NOW)
    facts = queries.reserve_facts(firing.coop, treasurer)
    assert (facts.fund_minor, facts.levy_minor) == (300, 5)
    seen = signed_in(treasurer).get(f"/{firing.coop.slug}/money/reserve/", reserve()).content.decode()
    assert "€1.00" in seen, "8,000.00 less 3.00 over 8,000 l is 0.9996 a litre, rounded up"
    assert "a chance of 0 %" in seen
    with pytest.raises(NotAllowed):
        queries.reserve_facts(firing.coop, ben())


@pytest.mark.parametrize(
    ("said", "sentence"),
    [
        ({"cost": "lots"}, "lots"),
        ({"cost": "9" * 30}, "too large"),
        ({"cost": "-5"}, "above zero"),
        ({"firings": "0"}, "greater than or equal to 1"),
        ({"firings": "nan"}, "Enter a number"),
        ({"litres": ""}, "required"),
        ({"cost_margin": "9000"}, "how far off the cost"),
    ],
)
def test_a_plan_that_makes_no_sense_gets_a_sentence(signed_in, said, sentence):
    treasurer = tess()
    answer = signed_in(treasurer).get(f"/{treasurer.coop.slug}/money/reserve/", reserve(**said))
    assert answer.status_code == 400
    assert sentence in answer.content.decode()
