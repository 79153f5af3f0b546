"""The curve beside plan and earlier fires, two firings side by side, and the record with everything in it."""

from datetime import timedelta

import pytest
from django.urls import reverse

from coop import pictures
from firings.documents.firing_record import context_of
from firings.queries import compare
from firings.queries.firings import firing_of
from firings.services import probes
from firings.services.log import EntrySpec
from tests.coop.test_pictures import photo
from tests.factories import NOW, cy, make_member, stu
from tests.factories_fire import HOUR, MINUTE, make_fire, reading, write
from tests.factories_firings import make_kiln
from tests.factories_money import make_settling_firing, take

pytestmark = pytest.mark.django_db


def burnt(firing, *, step=100):
    """Readings each hour, and something of every kind."""
    at = firing.lit_at
    for n in range(1, 6):
        write(firing, reading(1000 * n + step, at + n * HOUR), now=at + n * HOUR)
    write(
        firing,
        EntrySpec(kind="cone", cone="9", pack="front", cone_state="down", observed_at=at + 4 * HOUR),
        EntrySpec(kind="stoke", pieces=5, observed_at=at + 4 * HOUR),
        EntrySpec(kind="soda", grams=300, observed_at=at + 4 * HOUR),
        EntrySpec(kind="wood", kg=120, observed_at=at + 4 * HOUR),
        EntrySpec(kind="decision", text="Close the damper", reason="too fast", observed_at=at + 4 * HOUR),
        now=at + 5 * HOUR,
    )
    return firing


@pytest.fixture
def two():
    """An earlier fire of the kiln that is being settled, and one that burns now."""
    kiln = make_kiln()
    lit = NOW - timedelta(days=19)
    first = make_settling_firing(kiln.coop, name="First", lit_at=lit, ended_at=lit + 20 * HOUR)
    second = make_fire(kiln=kiln, lead=first.lead, name="Second")
    return first, burnt(second)


def page(name, firing, query=""):
    return reverse(name, kwargs={"coop": firing.coop.slug, "firing": firing.public_id}) + query


def test_the_curve_stands_beside_plan_and_earlier_fires(client, two):
    first, second = two
    client.force_login(second.lead.person)
    text = client.get(page("fire_curve", second)).content.decode()
    assert "A: Second; B: plan" in text
    assert f'value="{first.public_id}" checked' in text
    assert "510 °C" in text
    assert "soda 300 g" in text
    assert "Close the damper" in text
    none = client.get(page("fire_curve", second, "?choose=1")).content.decode()
    assert f'value="{first.public_id}" checked' not in none


@pytest.mark.parametrize("query", ["?choose=1&beside=x", "?choose=1&beside="])
def test_a_choice_that_is_none_is_refused_in_a_sentence(client, two, query):
    client.force_login(two[1].lead.person)
    answer = client.get(page("fire_curve", two[1], query))
    assert answer.status_code == 400
    assert "Choose a firing from the list" in answer.content.decode()


def test_before_lighting_there_is_nothing_to_draw(client):
    from tests.factories_firings import make_firing

    firing = make_firing(stage="booking")
    client.force_login(firing.lead.person)
    assert "has not been lit" in client.get(page("fire_curve", firing)).content.decode()


def test_two_firings_stand_side_by_side(client, two):
    first, second = two
    client.force_login(second.lead.person)
    asked = client.get(page("firing_compare", second)).content.decode()
    assert str(first.public_id) in asked
    text = client.get(page("firing_compare", second, f"?with={first.public_id}")).content.decode()
    for word in ("Hours of fire", "120 kg", "300 g", "Cones, front", "Cost per litre", "1 (5 pieces)"):
        assert word in text


def test_a_firing_of_others_is_not_found(client, two):
    client.force_login(two[1].lead.person)
    assert client.get(page("firing_compare", two[1], f"?with={cy().public_id}")).status_code == 404
    assert client.get(page("firing_compare", two[1], "?with=nothing")).status_code == 400
    client.force_login(cy().person)
    assert client.get(page("firing_compare", two[1])).status_code == 404


def test_a_guest_sees_no_firing_they_are_not_invited_to(client, two):
    guest = make_member("Gwen", roles=("guest",))
    guest.roles.exclude(kind="guest").delete()
    client.force_login(guest.person)
    assert client.get(page("fire_curve", two[1])).status_code == 403
    assert client.get(page("firing_compare", two[1])).status_code == 403


def test_the_cost_per_litre_comes_from_the_receipts_or_the_shares():
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 20}, name="Settled")
    take(firing, 10_000)
    side = compare.side_of(firing_of(firing.coop, firing.public_id))
    assert side.money.total_minor == 10_000
    assert side.per_litre_minor == round(10_000 * 1000 / side.taken_ml)


def test_the_record_holds_everything(two):
    _first, second = two
    mine = pictures.add(second.coop, by=second.lead, now=NOW, picture=pictures.cleaned(photo()))
    write(second, EntrySpec(kind="draw", place="spy", pictures=(mine.public_id,)))
    told = context_of(firing_of(second.coop, second.public_id), second.lit_at + 6 * HOUR)
    assert told["courses"].startswith("data:image/svg+xml")
    assert [(entry.text, entry.reason) for entry in told["decided"]] == [("Close the damper", "too fast")]
    assert told["side"].wood_kg == 120
    assert told["photos"][0]["address"].startswith("data:image/jpeg")
    from django.template.loader import render_to_string

    html = render_to_string("print/firing_record.html", told)
    for word in ("Close the damper", "too fast", "120 kg brought", "Photos", "data:image/jpeg", "beside its plan"):
        assert word in html


def test_the_record_tells_the_costs():
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 20}, name="Settled")
    take(firing, 10_000)
    from django.template.loader import render_to_string

    html = render_to_string("print/firing_record.html", context_of(firing_of(firing.coop, firing.public_id), NOW))
    assert "receipts so far" in html
    assert "100.00" in html


def test_a_loggers_readings_do_not_drown_the_log():
    firing = make_fire()
    row, _key = probes.make_logger(firing.coop, by=stu(), now=NOW, kiln_id=firing.kiln.public_id, name="Box")
    sent = [probes.Sent(n, firing.lit_at + n * MINUTE, "front", 1000 + n) for n in range(1, 121)]
    now = firing.lit_at + 3 * HOUR
    probes.take_readings(firing.coop, by=None, now=now, logger=row, device_id="", readings=sent)
    write(firing, EntrySpec(kind="note", text="all well"))
    from firings.queries import fire

    lines = fire.calm(fire.lines_of(fire.rows_of(firing)))
    assert len(lines) == 5
    assert len(fire.lines_of(fire.rows_of(firing))) == 121
