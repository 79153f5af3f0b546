"""The end of a fire, how long the kiln cools, and the day of unpacking told to everyone once."""

from datetime import timedelta

import pytest
from django.urls import reverse

from coop.errors import NotAllowed, Refused, Taken
from coop.models import Notice
from firings.models import Chore
from firings.queries import fire_end
from firings.services import firings
from firings.services.log import EntrySpec
from tests.factories import ben, make_member
from tests.factories_fire import HOUR, make_fire, on_watch, reading, write
from tests.factories_firings import make_firing

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


def cooled_for(firing, hours, *, every=3):
    """Readings of a kiln that loses half its heat in twelve hours; the moment of the last one."""
    moments = [firing.ended_at + hour * HOUR for hour in range(0, hours + 1, every)]
    falls = [reading(round(10 * (15 + 1250 * 0.5 ** ((at - firing.ended_at) / HOUR / 12))), at) for at in moments]
    write(firing, *falls, now=moments[-1])
    return moments[-1]


def page_of(firing, now, reader=None):
    return fire_end.end_page(firing.coop, firing.public_id, reader or firing.lead, now=now)


def set_day(firing, opens_at, *, by=None, now):
    return firings.set_unpacking(
        firing.coop, by=by or firing.lead, now=now, firing_id=firing.public_id, opens_at=opens_at
    )


def told(kind="unpacking_day"):
    return sorted(Notice.objects.filter(kind=kind).values_list("to_email", flat=True))


def open_it(firing, now, note=""):
    return firings.move_on(firing.coop, by=firing.lead, now=now, firing_id=firing.public_id, to="unpacking", note=note)


def test_the_end_says_who_decided_why_and_how_the_cones_stood_by_place():
    firing = make_fire()
    now = firing.lit_at + 20 * HOUR
    cones = [("front", "9", "down"), ("front", "10", "bent"), ("back", "9", "soft"), ("front", "9", "down")]
    write(
        firing,
        *(EntrySpec(kind="cone", cone=cone, pack=pack, cone_state=state) for pack, cone, state in cones),
        now=now - HOUR,
    )
    assert page_of(firing, now).cones_said == "front: 9 down, 10 half down; back: 9 softening"
    firings.move_on(
        firing.coop, by=firing.lead, now=now, firing_id=firing.public_id, to="cooling", note="Wood has run out."
    )
    write(firing, EntrySpec(kind="note", text="damper shut"), reading(11_000, now + HOUR), now=now + HOUR)
    page = page_of(firing, now + 2 * HOUR)
    assert (page.firing.ended_by, page.firing.end_reason) == (firing.lead, "Wood has run out.")
    assert [pack for pack, _cones in page.cones] == ["front", "back"]
    assert page.probes == ()  # what was read later is not how it stood


def test_the_day_proposed_is_the_first_morning_after_the_late_end_of_the_forecast():
    firing = make_fire(stage="cooling")
    now = cooled_for(firing, 24)
    page = page_of(firing, now)
    local = page.proposed.astimezone(fire_end.ZoneInfo(firing.coop.time_zone))
    assert (local.hour, local.minute) == (10, 0)
    assert page.cooling.latest <= page.proposed < page.cooling.latest + DAY
    assert page.proposes_other


def test_without_readings_no_day_is_proposed():
    firing = make_fire(stage="cooling")
    page = page_of(firing, firing.ended_at + 5 * HOUR)
    assert (page.cooling, page.proposed, page.heat) == (None, None, None)


def test_a_day_accepted_moves_the_dates_and_everyone_who_takes_part_is_told_once():
    firing = make_fire(stage="cooling")
    now = cooled_for(firing, 24)
    day, before = page_of(firing, now).proposed, firing.occupied_until - firing.opens_at
    after = set_day(firing, day, now=now)
    assert (after.opens_at, after.occupied_until - after.opens_at, after.unpacking_told_at) == (day, before, now)
    everyone = told()
    assert everyone == sorted({member.person.email for member in firings.takes_part(firing)})
    with pytest.raises(Taken, match="told of this day already"):
        set_day(firing, day, now=now + HOUR)
    assert told() == everyone
    unpacking = Chore.objects.get(firing=firing, kind="unpacking")
    assert day <= unpacking.starts_at < day + DAY


def test_another_day_is_told_anew():
    firing = make_fire(stage="cooling")
    now = cooled_for(firing, 24)
    set_day(firing, now + 4 * DAY, now=now)
    set_day(firing, now + 5 * DAY, now=now + HOUR)
    set_day(firing, now + 4 * DAY, now=now + 2 * HOUR)
    assert len(told()) == 3 * len(set(told()))


def test_only_the_lead_sets_the_day_and_only_while_it_cools():
    firing = make_fire(stage="cooling")
    now = firing.ended_at + HOUR
    with pytest.raises(NotAllowed):
        set_day(firing, now + DAY, by=ben(), now=now)
    with pytest.raises(Refused, match="has passed"):
        set_day(firing, now, now=now)
    with pytest.raises(Refused, match="more than a month"):
        set_day(firing, now + 31 * DAY, now=now)
    assert told() == []


def test_while_it_burns_no_day_is_set():
    firing = make_fire()
    with pytest.raises(Refused, match="while the kiln cools"):
        set_day(firing, firing.ends_at + 4 * DAY, now=firing.lit_at + HOUR)


def test_a_day_that_runs_into_the_next_firing_of_the_kiln_is_refused_and_nobody_is_told():
    firing = make_fire(stage="cooling")
    following = make_firing(kiln=firing.kiln, occupied_from=firing.occupied_until + HOUR)
    now = firing.ended_at + HOUR
    with pytest.raises(Refused, match=following.name):
        set_day(firing, firing.opens_at + DAY, now=now)
    firing.refresh_from_db()
    assert firing.unpacking_told_at is None
    assert told() == []


def test_until_it_is_cool_at_every_probe_opening_asks_for_the_leads_word():
    firing = make_fire(stage="cooling")
    now = firing.ended_at + 60 * HOUR
    with pytest.raises(Refused, match="nobody has taken a reading"):
        open_it(firing, now)
    write(firing, reading(1500, now - 2 * HOUR, "back"), reading(900, now - HOUR, "front"), now=now)
    with pytest.raises(Refused, match=r"back 150\.0"):
        open_it(firing, now)
    assert open_it(firing, now, note="Ada measured with her own probe").stage == "unpacking"


def test_a_reading_below_the_limit_lets_the_lead_open_without_a_word():
    firing = make_fire(stage="cooling")
    now = firing.ended_at + 60 * HOUR
    write(firing, reading(3000, now - 30 * HOUR, "old"), reading(900, now - HOUR, "front"), now=now)
    assert page_of(firing, now).is_cool
    assert open_it(firing, now).stage == "unpacking"


def address(firing):
    return reverse("fire_end", kwargs={"coop": firing.coop.slug, "firing": firing.public_id})


def test_the_page_ends_the_fire_with_its_reason_and_without_one_says_what_is_missing(client):
    firing = make_fire()
    client.force_login(firing.lead.person)
    refused = client.post(address(firing), {"what": "end", "note": ""})
    assert refused.status_code == 400
    firing.refresh_from_db()
    assert firing.stage == "lit"


def test_whoever_does_not_lead_sees_the_page_without_its_buttons(client):
    firing = make_fire(stage="cooling")
    client.force_login(on_watch(firing).person)
    seen = client.get(address(firing)).content.decode()
    assert "Set this day" not in seen
    assert "cone down, by the lead" in seen
    client.force_login(make_member("Zoe", coop=firing.coop).person)
    assert client.post(address(firing), {"what": "open", "note": "me"}).status_code == 403
