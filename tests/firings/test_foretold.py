"""The forecast stretches or shortens the roster: whoever is at the fire or on call is told, the lead decides."""

from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from coop.errors import NotAllowed, Refused
from coop.models import Computation, Notice
from firings.fire import ahead
from firings.models import CrewNews, Watch
from firings.services import crew_news, foretold, log, on_call
from firings.services.log import EntrySpec
from tests.factories import ben
from tests.factories_watches import LIGHTS, join, leader, make_watch_firing, stoker, watches_of

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)
TOP_C = 1285  # cone 10 at 60 °C an hour, self-supporting (Orton, current chart)


def burning(takes_h, seen_h, *, watches_h=24):
    """Lit at six in the morning, watches for so long; by its readings it takes so many hours. And the moment."""
    firing = make_watch_firing(stage="lit", lit_at=LIGHTS, hours=watches_h)
    for number, watch in enumerate(watches_of(firing)):
        join(watch, leader(f"Lead{number}"), stoker(f"Stoker{number}"))
    moments = [n / 4 for n in range(1, 4 * seen_h + 1)]
    log.write(
        firing.coop,
        by=firing.lead,
        now=LIGHTS + seen_h * HOUR,
        firing_id=firing.public_id,
        entries=[
            EntrySpec(
                kind="reading", probe="front", observed_at=LIGHTS + hour * HOUR, temperature_dc=_course(hour / takes_h)
            )
            for hour in moments
        ],
    )
    return firing, LIGHTS + seen_h * HOUR


def _course(share):
    """Tenths of °C at this share of the way, by the usual course."""
    marks, passed = zip(*ahead.usual_course(), strict=True)
    place = max(i for i, one in enumerate(passed[:-1]) if one <= share)
    part = (share - passed[place]) / (passed[place + 1] - passed[place])
    return round(10 * TOP_C * (marks[place] + (marks[place + 1] - marks[place]) * part))


def told():
    return sorted(Notice.objects.filter(kind="fire-departs").values_list("to_email", flat=True))


def test_a_slow_fire_is_told_to_the_crew_at_the_fire_and_on_call_once():
    firing, now = burning(38, 20)
    on_call.set_order(firing.coop, by=firing.lead, now=now, firing_id=firing.public_id, member_ids=[ben().public_id])
    assert foretold.watch_over(firing.coop, now=now) == 1
    watch = next(watch for watch in watches_of(firing) if watch.starts_at <= now < watch.ends_at)
    crew = [place.member.person.email for place in watch.places_held.select_related("member__person")]
    assert told() == sorted({*crew, ben().person.email, firing.lead.person.email})
    assert "later" in Notice.objects.filter(kind="fire-departs").first().subject
    before = told()
    assert foretold.watch_over(firing.coop, now=now + timedelta(minutes=1)) == 0
    assert told() == before


def test_a_fire_on_its_way_departs_from_nothing():
    firing, now = burning(22, 15)
    assert foretold.departure_now(firing, now) is None
    assert foretold.watch_over(firing.coop, now=now) == 0
    assert told() == []


def test_what_the_lead_has_said_is_not_proposed_again():
    firing, now = burning(38, 20)
    found = foretold.departure_now(firing, now)
    assert found.minutes >= 60
    assert found.minutes % 30 == 0
    crew_news.runs_longer(firing.coop, by=firing.lead, now=now, firing_id=firing.public_id, minutes=found.minutes)
    assert Computation.objects.filter(kind="watch_mending").count() == 1
    assert foretold.departure_now(firing, now) is None


def test_a_quick_fire_leaves_watches_over_and_the_lead_takes_them_off():
    firing, now = burning(11, 10, watches_h=36)
    found = foretold.departure_now(firing, now)
    assert [watch.number for watch in found.spare] == [
        watch.number for watch in watches_of(firing)[-len(found.spare) :]
    ]
    off = crew_news.runs_shorter(firing.coop, by=firing.lead, now=now, firing_id=firing.public_id, until=found.until)
    assert {watch.pk for watch in off} == {watch.pk for watch in found.spare}
    last = watches_of(firing)[-1]
    assert last.ends_at <= found.until + 6 * HOUR
    letters = Notice.objects.filter(subject__contains="Your watch is off")
    assert letters.count() == 2 * len(off)
    assert "likely to end before it" in letters.first().text
    firing.refresh_from_db()
    assert firing.ends_at == found.until
    assert foretold.departure_now(firing, now) is None


def test_only_the_lead_takes_watches_off_and_never_one_that_runs():
    firing, now = burning(11, 10, watches_h=36)
    standing = Watch.objects.filter(firing=firing).standing().count()
    with pytest.raises(NotAllowed):
        crew_news.runs_shorter(firing.coop, by=ben(), now=now, firing_id=firing.public_id, until=now + HOUR)
    with pytest.raises(Refused, match="has passed"):
        crew_news.runs_shorter(firing.coop, by=firing.lead, now=now, firing_id=firing.public_id, until=now)
    with pytest.raises(Refused, match="No watch begins after that"):
        crew_news.runs_shorter(
            firing.coop, by=firing.lead, now=now, firing_id=firing.public_id, until=LIGHTS + 31 * HOUR
        )
    assert Watch.objects.filter(firing=firing).standing().count() == standing


def test_saying_that_it_is_shorter_takes_back_that_it_is_longer():
    firing, now = burning(11, 10, watches_h=36)
    crew_news.runs_longer(firing.coop, by=firing.lead, now=now, firing_id=firing.public_id, minutes=120)
    crew_news.runs_shorter(firing.coop, by=firing.lead, now=now, firing_id=firing.public_id, until=now + 3 * HOUR)
    assert not CrewNews.objects.of(firing.coop).open().exists()


def test_one_tap_on_the_fire_page_asks_for_the_longer_roster(client, monkeypatch):
    firing, now = burning(38, 20)
    monkeypatch.setattr(timezone, "now", lambda: now)
    client.force_login(firing.lead.person)
    page = client.get(reverse("firing_fire", kwargs={"coop": firing.coop.slug, "firing": firing.public_id}))
    found = page.context["page"].departure
    assert f'name="hours" value="{found.hours_text}"' in page.content.decode()
    there = reverse("fire_longer", kwargs={"coop": firing.coop.slug, "firing": firing.public_id})
    client.post(there, {"hours": found.hours_text})
    assert CrewNews.objects.of(firing.coop).open().get(firing=firing).minutes == found.minutes


def test_one_tap_takes_the_watches_off_and_a_made_up_moment_is_refused(client, monkeypatch):
    firing, now = burning(11, 10, watches_h=36)
    monkeypatch.setattr(timezone, "now", lambda: now)
    client.force_login(firing.lead.person)
    there = reverse("fire_shorter", kwargs={"coop": firing.coop.slug, "firing": firing.public_id})
    standing = len(watches_of(firing))
    said = client.post(there, {"until": "tomorrow"}, follow=True).content.decode()
    assert "press its button" in said
    assert len(watches_of(firing)) == standing
    client.post(there, {"until": foretold.departure_now(firing, now).until.isoformat()})
    assert len(watches_of(firing)) < standing
