"""A firing is called in the browser and carried to its clean-up, each step by whoever may take it."""

import re
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.test import Client
from django.urls import reverse

from coop.models import Notice
from firings.models import Firing
from tests.factories import NOW, ada, ben, cora, make_member
from tests.factories_firings import make_kiln

pytestmark = pytest.mark.django_db
H, DAY = timedelta(hours=1), timedelta(days=1)


class Browser:
    """One person's browser: opens pages, presses buttons, reads what is said."""

    def __init__(self, member):
        self.client, self.coop = Client(), member.coop.slug
        self.client.force_login(member.person)

    def at(self, name, **kwargs):
        return reverse(name, kwargs={"coop": self.coop, **kwargs})

    def sees(self, name, **kwargs):
        answer = self.client.get(self.at(name, **kwargs))
        assert answer.status_code == 200
        return re.sub(r"\s+", " ", answer.content.decode())

    def sends(self, name, data, **kwargs):
        answer = self.client.post(self.at(name, **kwargs), data, follow=True)
        return re.sub(r"\s+", " ", answer.content.decode())


def moments(**said):
    return {f"{name}_{part}": text for name, pair in said.items() for part, text in enumerate(pair)}


@pytest.fixture
def clock():
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


def test_a_firing_from_the_call_to_the_clean_up(clock):
    kiln = make_kiln()
    lead, member, coordinator = Browser(ada()), Browser(ben()), Browser(cora())
    crew = [make_member("Lena", sign_offs=("stoking", "leading")), make_member("Stoker", sign_offs=("stoking",))]

    # Ada calls it; the kiln is taken; everyone hears of it.
    call = {
        "name": "Hawthorn firing",
        "kiln_id": kiln.public_id,
        "target_cone": "9",
        "with_soda": "on",
        "notes": "Bring wads.",
        **moments(occupied_from=("2026-05-15", "09:00"), lights_at=("2026-05-16", "06:00")),
    }
    assert "The firing is called" in lead.sends("firing_call", call)
    firing = Firing.objects.get(name="Hawthorn firing")
    assert firing.lights_at == datetime(2026, 5, 16, 5, tzinfo=UTC)
    assert "Hawthorn firing" in member.sees("calendar")
    assert Notice.objects.filter(kind="firing_called").count() == 5

    # A second call onto those days names the first and the next free day, and keeps what was typed.
    second = {**call, "name": "Blackthorn", **moments(lights_at=("2026-05-17", "06:00"))}
    refused = coordinator.sends("firing_call", second)
    assert "Heron kiln is taken by Hawthorn firing 2026-05-15 09:00 to 2026-05-22 06:00" in refused
    assert "The next free moment is 2026-05-22 06:00." in refused
    assert 'value="Blackthorn"' in refused

    # A member sees the firing but has no lever; the lead opens booking.
    one = {"firing": firing.public_id}
    assert "Open booking" not in member.sees("firing", **one)
    member.sends("firing_move", {"to": "booking"}, **one)
    assert "cone 9 · with soda · led by Ada" in lead.sees("firing", **one)
    assert "Now: booking." in lead.sends("firing_move", {"to": "booking"}, **one)
    assert f"places on {firing.watches.count()} watches are empty" in lead.sees("firing", **one)

    # It is put off by a week; the later dates and the watches move along.
    dates = moments(occupied_from=("2026-05-22", "09:00"), lights_at=("2026-05-23", "06:00"))
    assert "The dates are changed" in lead.sends("firing_dates", dates, **one)
    firing.refresh_from_db()
    assert firing.ends_at == firing.lights_at + 24 * H

    # Booking is closed early, the first watch is crewed, the kiln is lit on a word: nothing is in it.
    clock.move_to(firing.occupied_from)
    assert "Now: loading." in lead.sends("firing_move", {"to": "loading"}, **one)
    assert "Nobody is alone at the fire" in lead.sends("firing_move", {"to": "lit", "note": "test"}, **one)
    first = firing.watches.filter(cancelled_at=None).order_by("starts_at").first()
    for person in crew:
        Browser(person).sends("watch_sign_up", {}, **one, watch=first.public_id)
    clock.move_to(firing.lights_at)
    assert "why an empty kiln is lit" in lead.sends("firing_move", {"to": "lit"}, **one)
    assert "Now: lit." in lead.sends("firing_move", {"to": "lit", "note": "Drying the new arch"}, **one)
    assert "Two people at the fire at all times" in member.sees("firing", **one)
    assert "cannot be called off" in lead.sends("firing_call_off", {"why": "Tired"}, **one)

    # It stalls and fails; it is opened on the lead's word, and the clean-up begins.
    clock.move_to(firing.lights_at + 20 * H)
    assert "Write down why the fire ended" in lead.sends("firing_move", {"to": "cooling"}, **one)
    stalled = {"to": "cooling", "note": "Stalled at cone 6", "failed": "1"}
    assert "Now: cooling." in lead.sends("firing_move", stalled, **one)
    assert "did not reach temperature" in member.sees("firing", **one)
    clock.move_to(firing.opens_at)
    assert "nobody has taken a reading" in lead.sends("firing_move", {"to": "unpacking"}, **one)
    opened = {"to": "unpacking", "note": "Hand held to the door, Ada"}
    assert "Now: unpacking." in lead.sends("firing_move", opened, **one)
    assert "Now: clean-up." in lead.sends("firing_move", {"to": "cleanup"}, **one)

    # Every decision stands on the page, with its reason.
    page = member.sees("firing", **one)
    for said in ("Drying the new arch", "Stalled at cone 6", "Hand held to the door, Ada"):
        assert said in page
    firing.refresh_from_db()
    assert (firing.stage, firing.has_failed, firing.holds_kiln) == ("cleanup", True, True)


def test_a_firing_is_called_off_and_its_days_are_free_again(clock):
    kiln = make_kiln()
    lead, member = Browser(ada()), Browser(ben())
    call = {
        "name": "Hawthorn firing",
        "kiln_id": kiln.public_id,
        **moments(occupied_from=("2026-05-15", "09:00"), lights_at=("2026-05-16", "06:00")),
    }
    lead.sends("firing_call", call)
    one = {"firing": Firing.objects.get().public_id}
    assert "Say in a few words why" in lead.sends("firing_call_off", {"why": " "}, **one)
    assert "is called off" in lead.sends("firing_call_off", {"why": "The wood is wet"}, **one)
    assert "Called off: The wood is wet" in member.sees("firing", **one)
    assert "Hawthorn firing" not in member.sees("calendar")
    assert "The firing is called" in lead.sends("firing_call", {**call, "name": "Hawthorn again"})
