"""Calendar feeds: what stands in them, how changes show, who may read them, and what reading costs.

Each feed is read three times: by the project's own strict reader, by the icalendar package's parser, and by
vobject; what they find must be the same.
"""

from datetime import UTC, datetime, timedelta

import pytest
from django.core.cache import cache
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from icalendar import Calendar

from coop.errors import NotAllowed, NotFound
from coop.models import Membership, Role
from coop.walls import COUNTED
from firings.models import CalendarFeed, Chore, ChorePlace, Firing, GuestPass, Kiln, Watch, WatchPlace
from firings.queries import feeds as queries
from firings.services import chores, feeds, watches
from tests import calendar_client
from tests.factories import NOW, ada, ben, cy, make_member
from tests.factories_watches import LIGHTS, give_space, join, make_watch_firing, make_watch_kiln, stoker, watches_of
from tests.strict_calendar import read

pytestmark = pytest.mark.django_db
HOUR, DAY = timedelta(hours=1), timedelta(days=1)


@pytest.fixture(autouse=True)
def _nobody_has_guessed_yet():
    cache.clear()


@pytest.fixture
def at(monkeypatch):
    """Set the clock the feed is read by."""

    def set_to(moment):
        monkeypatch.setattr("django.utils.timezone.now", lambda: moment)

    set_to(NOW)
    return set_to


def link_of(member, kiln=None):
    _row, token = feeds.make(member.coop, by=member, now=NOW, kiln_id=kiln.public_id if kiln else None)
    return reverse("feed", kwargs={"coop": member.coop.slug, "token": token})


def events_at(client, link):
    answer = client.get(link)
    assert answer.status_code == 200
    assert answer["Content-Type"] == "text/calendar; charset=utf-8"
    _calendar, strict = read(answer.content)
    library = Calendar.from_ical(answer.content).events
    assert {one["UID"]: one["SEQUENCE"] for one in strict} == {str(one["uid"]): one["sequence"] for one in library}
    assert {one["UID"]: one for one in strict} == calendar_client.read(answer.content)
    return {one["SUMMARY"]: one for one in strict}


def the_watch(client, link):
    return next(one for name, one in events_at(client, link).items() if name.startswith("Watch"))


# --- What stands in it ---


def test_my_feed_has_my_watches_chores_and_the_key_days_of_my_firings(client, at):
    firing = make_watch_firing(name="May fire")
    make_watch_firing(name="Not mine", lights_at=LIGHTS + 9 * DAY)
    first, wads = watches_of(firing)[0], Chore.objects.get(firing=firing, kind="wads")
    join(first, ada(), stoker())
    sid = stoker()
    chores.sign_up(firing.coop, by=sid, now=NOW, chore_id=wads.public_id)
    found = events_at(client, link_of(sid))
    assert set(found) == {
        "Watch 1: May fire",
        "Roll wads: May fire",
        "Booking closes: May fire",
        "Loading: May fire",
        "Fire: May fire",
        "Unpacking and clean-up: May fire",
    }
    watch = found["Watch 1: May fire"]
    assert (watch["DTSTART"], watch["DTEND"]) == (first.starts_at, first.ends_at)
    assert (watch["STATUS"], watch["TRANSP"], watch["LOCATION"]) == ("CONFIRMED", "OPAQUE", firing.kiln.name)
    assert watch["URL"].endswith(f"/watches/{first.public_id}/")
    assert found["Loading: May fire"]["TRANSP"] == "TRANSPARENT"
    assert "DTEND" not in found["Booking closes: May fire"]


def test_who_leads_a_watch_reads_so_and_nobody_elses_name_is_told(client, at):
    firing = make_watch_firing()
    join(watches_of(firing)[0], ada(), stoker())
    assert "You lead this watch" in the_watch(client, link_of(ada()))["DESCRIPTION"]
    text = client.get(link_of(ada())).content.decode()
    assert "Sid" not in text


def test_space_in_a_firing_brings_its_key_days_and_withdrawing_takes_them(client, at):
    firing = make_watch_firing(name="May fire")
    piece = give_space(firing, ben(), 5000)
    link = link_of(ben())
    assert "Unpacking and clean-up: May fire" in events_at(client, link)
    type(piece.booking).objects.update(withdrawn_at=NOW)
    assert events_at(client, link) == {}


def test_the_feed_of_a_kiln_has_its_firings_and_no_one_elses(client, at):
    firing = make_watch_firing(name="May fire")
    make_watch_firing(name="Other kiln", lights_at=LIGHTS + 9 * DAY)
    found = events_at(client, link_of(ben(), firing.kiln))
    assert {name.split(": ")[1] for name in found} == {"May fire"}
    mine = events_at(client, link_of(ada()))
    assert found["Fire: May fire"]["UID"] == mine["Fire: May fire"]["UID"]


def test_what_is_long_over_is_left_out(client, at):
    firing = make_watch_firing()
    join(watches_of(firing)[0], ada(), stoker())
    link = link_of(stoker())
    at(firing.occupied_until + 59 * DAY)
    assert "DTSTART" in events_at(client, link)[f"Fire: {firing.name}"]
    at(firing.occupied_until + 61 * DAY)
    assert events_at(client, link) == {}


# --- Changes ---


def test_an_event_keeps_its_id_and_its_sequence_rises_with_each_change(client, at):
    firing = make_watch_firing()
    first = watches_of(firing)[0]
    join(first, ada(), stoker())
    link = link_of(stoker())
    before = the_watch(client, link)
    Watch.objects.filter(pk=first.pk).update(people=2)  # nothing a calendar shows
    assert the_watch(client, link) == before
    Watch.objects.filter(pk=first.pk).update(starts_at=first.starts_at + HOUR)
    after = the_watch(client, link)
    assert after["UID"] == before["UID"]
    assert after["SEQUENCE"] == before["SEQUENCE"] + 1
    assert after["DTSTART"] == before["DTSTART"] + HOUR
    assert after["LAST-MODIFIED"] >= before["LAST-MODIFIED"]
    assert after["DTSTAMP"] == after["LAST-MODIFIED"]


def test_a_place_given_up_is_cancelled_for_thirty_days_and_comes_back_as_the_same_event(client, at):
    firing = make_watch_firing(lights_at=LIGHTS + 60 * DAY)
    first = watches_of(firing)[0]
    join(first, ada(), stoker())
    link = link_of(stoker())
    seen = [the_watch(client, link)]
    watches.give_up(firing.coop, by=stoker(), now=NOW, watch_id=first.public_id)
    seen.append(the_watch(client, link))
    join(first, stoker())
    seen.append(the_watch(client, link))
    watches.give_up(firing.coop, by=stoker(), now=NOW, watch_id=first.public_id)
    seen.append(the_watch(client, link))
    assert [one["STATUS"] for one in seen] == ["CONFIRMED", "CANCELLED", "CONFIRMED", "CANCELLED"]
    assert len({one["UID"] for one in seen}) == 1
    numbers = [one["SEQUENCE"] for one in seen]
    assert numbers == sorted(set(numbers))
    at(NOW + 29 * DAY)
    assert the_watch(client, link)["STATUS"] == "CANCELLED"
    at(NOW + 31 * DAY)
    assert not any(name.startswith("Watch") for name in events_at(client, link))


def test_a_firing_called_off_stays_as_cancelled(client, at):
    firing = make_watch_firing()
    join(watches_of(firing)[0], ada(), stoker())
    link = link_of(ada())
    before = events_at(client, link)
    Firing.objects.filter(pk=firing.pk).update(
        stage="called_off", holds_kiln=False, called_off_at=NOW, called_off_why="no wood"
    )
    firing.refresh_from_db()
    with transaction.atomic():
        watches.cut_for(firing, NOW)
    after = events_at(client, link)
    assert set(after) == set(before)
    assert {one["STATUS"] for one in after.values()} == {"CANCELLED"}
    assert all(after[name]["SEQUENCE"] > before[name]["SEQUENCE"] for name in before)
    at(NOW + 31 * DAY)
    assert events_at(client, link) == {}


def test_the_fire_as_it_was_replaces_the_fire_as_planned(client, at):
    firing = make_watch_firing(name="May fire")
    link = link_of(ada())
    lit, ended = firing.lights_at + HOUR, firing.ends_at + 5 * HOUR
    Firing.objects.filter(pk=firing.pk).update(stage="cooling", lit_at=lit, ended_at=ended)
    fire = events_at(client, link)["Fire: May fire"]
    assert (fire["DTSTART"], fire["DTEND"]) == (lit, ended)


@pytest.mark.parametrize(
    ("lights", "minutes"),
    [
        (datetime(2026, 10, 24, 21, tzinfo=UTC), 360),  # Dublin goes back an hour in this watch
        (datetime(2027, 3, 27, 22, tzinfo=UTC), 360),  # and forward in this one
    ],
)
def test_a_watch_over_the_clock_change_is_as_long_as_it_is(client, at, lights, minutes):
    firing = make_watch_firing(lights_at=lights)
    first = watches_of(firing)[0]
    join(first, ada(), stoker())
    found = the_watch(client, link_of(stoker()))
    assert found["DTSTART"] == lights
    assert found["DTEND"] - found["DTSTART"] == timedelta(minutes=minutes)


# --- The database counts ---


def test_the_sequence_is_the_databases_and_nobody_writes_it():
    firing = make_watch_firing()
    stale = Firing.objects.get(pk=firing.pk)
    Firing.objects.filter(pk=firing.pk).update(sequence=99, changed_at=NOW)
    fresh = Firing.objects.get(pk=firing.pk)
    assert (fresh.sequence, fresh.changed_at) == (stale.sequence, stale.changed_at)
    Firing.objects.filter(pk=firing.pk).update(ends_at=firing.ends_at + HOUR)
    assert Firing.objects.get(pk=firing.pk).sequence == stale.sequence + 1
    stale.notes = "an old copy is saved over it"
    stale.ends_at = firing.ends_at + HOUR
    stale.save()
    assert Firing.objects.get(pk=firing.pk).sequence == stale.sequence + 1


def test_one_standing_link_per_member_and_per_kiln():
    firing, member = make_watch_firing(), ben()
    for kiln in (None, firing.kiln):
        feeds.make(firing.coop, by=member, now=NOW, kiln_id=kiln and kiln.public_id)
        with pytest.raises(IntegrityError), transaction.atomic():
            CalendarFeed.objects.create(coop=firing.coop, member=member, kiln=kiln, token_hash="x", made_at=NOW)


# --- Who may read it ---


def test_the_token_is_kept_as_a_hash_only(at):
    _row, token = feeds.make(ben().coop, by=ben(), now=NOW)
    assert len(token) >= 40
    row = CalendarFeed.objects.get()
    assert token not in str(vars(row))
    assert len(row.token_hash) == 64


def test_a_new_link_ends_the_old_and_a_revoked_one_reads_nothing(client, at):
    first = link_of(ben())
    second = link_of(ben())
    assert client.get(first).status_code == 404
    assert client.get(second).status_code == 200
    feeds.revoke(ben().coop, by=ben(), now=NOW, feed_id=CalendarFeed.objects.standing().get().public_id)
    assert client.get(second).status_code == 404


def test_nobody_revokes_a_link_of_others():
    row, _token = feeds.make(ben().coop, by=ben(), now=NOW)
    for stranger in (ada(), cy()):
        with pytest.raises(NotFound):
            feeds.revoke(stranger.coop, by=stranger, now=NOW, feed_id=row.public_id)
    assert CalendarFeed.objects.standing().exists()


def test_every_way_not_to_have_a_calendar_answers_alike(client, at):
    link = link_of(ben())
    token = link.rsplit("/", 1)[1]
    gone = link_of(make_member("Gone"))
    Membership.objects.filter(person__name="Gone").update(left_at=NOW)
    cy()
    answers = [
        client.get(f"/hollow-lane/feeds/{'x' * 43}.ics"),
        client.get(f"/far-field/feeds/{token}"),  # the right token under another co-op's address
        client.get(f"/nowhere/feeds/{token}"),
        client.get(gone),
    ]
    assert {(one.status_code, one.content) for one in answers} == {(404, b"There is no such calendar.")}
    assert client.get(link).status_code == 200


def test_guessing_is_slowed_and_told_to_wait(client, at):
    link = link_of(ben())
    for _guess in range(20):
        assert client.get(f"/hollow-lane/feeds/{'y' * 43}.ics").status_code == 404
    slowed = client.get(f"/hollow-lane/feeds/{'y' * 43}.ics")
    assert (slowed.status_code, slowed["Retry-After"]) == (429, "60")
    assert client.get(link).status_code == 429  # right or wrong makes no difference meanwhile
    assert client.get(link, REMOTE_ADDR="192.0.2.7").status_code == 200
    at(NOW + timedelta(minutes=1))
    assert client.get(link).status_code == 200


def test_a_guest_has_a_calendar_of_their_own_but_not_a_kilns():
    guest = make_member("Gil")
    Role.objects.filter(membership=guest).update(kind="guest")
    guest = Membership.objects.with_roles().select_related("coop").get(pk=guest.pk)
    kiln = make_watch_firing().kiln
    with pytest.raises(NotAllowed):
        feeds.make(guest.coop, by=guest, now=NOW, kiln_id=kiln.public_id)
    assert feeds.make(guest.coop, by=guest, now=NOW)[1]


def test_another_coops_kiln_is_not_there():
    kiln = Kiln.objects.get(pk=make_watch_firing().kiln_id)
    with pytest.raises(NotFound):
        feeds.make(cy().coop, by=cy(), now=NOW, kiln_id=kiln.public_id)


@pytest.mark.parametrize("method", ["post", "put", "delete"])
def test_a_feed_is_only_read(client, at, method):
    assert getattr(client, method)(link_of(ben())).status_code == 405


# --- What reading costs ---


def test_an_unchanged_feed_is_answered_by_304_by_tag_and_by_date(client, at):
    firing = make_watch_firing()
    join(watches_of(firing)[0], ada(), stoker())
    link = link_of(stoker())
    full = client.get(link)
    again = client.get(link, headers={"If-None-Match": full["ETag"]})
    assert (again.status_code, again.content, again["ETag"]) == (304, b"", full["ETag"])
    assert client.get(link, headers={"If-Modified-Since": full["Last-Modified"]}).status_code == 304
    assert client.head(link)["ETag"] == full["ETag"]


@pytest.mark.parametrize(
    "change",
    [
        lambda firing: Watch.objects.filter(firing=firing, number=1).update(ends_at=firing.lights_at + 7 * HOUR),
        lambda firing: WatchPlace.objects.filter(member=stoker()).update(given_up_at=NOW),
        lambda firing: Firing.objects.filter(pk=firing.pk).update(opens_at=firing.opens_at + HOUR),
        lambda firing: chores.sign_up(
            firing.coop, by=stoker(), now=NOW, chore_id=Chore.objects.get(firing=firing, kind="wads").public_id
        ),
        lambda firing: Firing.objects.filter(pk=firing.pk).update(name="Another name"),
    ],
)
def test_every_change_that_shows_changes_the_tag(client, at, change):
    firing = make_watch_firing()
    join(watches_of(firing)[0], ada(), stoker())
    link = link_of(stoker())
    before = client.get(link)
    change(firing)
    after = client.get(link, headers={"If-None-Match": before["ETag"]})
    assert after.status_code == 200
    assert after.content != before.content


def _other(row, column):
    """A value this column may take and does not have."""
    value = getattr(row, column)
    if column.endswith("_at") or column in ("occupied_from", "occupied_until"):
        return (value or LIGHTS + HOUR) + timedelta(minutes=1)
    if column == "lead_id":
        return make_member("Lou").pk
    if column == "kiln_id":
        return make_watch_kiln().pk
    return not value if isinstance(value, bool) else f"{value} "


@pytest.mark.parametrize(
    ("table", "column"), [(table, column) for table, columns in COUNTED.items() for column in columns]
)
def test_whatever_a_calendar_shows_of_a_row_changes_the_tag_and_the_event(client, at, table, column):
    firing, sid = make_watch_firing(lit_at=LIGHTS), stoker()
    place = join(watches_of(firing)[0], ada(), sid)[1]
    do_a_chore(firing, sid)
    mine = {"firings_watch": place.watch, "firings_watchplace": place, "firings_firing": firing}
    chore_place = ChorePlace.objects.get(member=sid)
    row = {**mine, "firings_chore": chore_place.chore, "firings_choreplace": chore_place}[table]
    link = link_of(sid)
    before = client.get(link)
    type(row).objects.filter(pk=row.pk).update(**{column: _other(row, column)})
    after = client.get(link, headers={"If-None-Match": before["ETag"]})
    assert after.status_code == 200
    assert after["ETag"] != before["ETag"]
    assert calendar_client.read(after.content) != calendar_client.read(before.content)
    assert client.get(link, headers={"If-None-Match": after["ETag"]}).status_code == 304


def test_a_tag_is_worth_nothing_without_its_link_or_with_another_ones(client, at):
    firing = make_watch_firing()
    join(watches_of(firing)[0], ada(), stoker())
    mine, others = link_of(stoker()), link_of(ada())
    tag = client.get(mine)["ETag"]
    known = {"If-None-Match": f'"other", {tag}'}
    assert client.get(mine, headers=known).status_code == 304
    assert client.get(others, headers=known).status_code == 200
    assert client.get(f"/hollow-lane/feeds/{'x' * 43}.ics", headers=known).status_code == 404
    feeds.revoke(firing.coop, by=stoker(), now=NOW, feed_id=CalendarFeed.objects.get(member=stoker()).public_id)
    assert client.get(mine, headers=known).status_code == 404


def test_while_guesses_are_slowed_a_calendar_that_knows_its_tag_is_answered(client, at):
    link = link_of(ben())
    tag = client.get(link)["ETag"]
    for _guess in range(20):
        client.get(f"/hollow-lane/feeds/{'y' * 43}.ics", headers={"If-None-Match": tag})
    assert client.get(link).status_code == 429
    assert client.get(link, headers={"If-None-Match": tag}).status_code == 304
    assert client.get(f"/hollow-lane/feeds/{'y' * 43}.ics", headers={"If-None-Match": tag}).status_code == 429


def test_what_leaves_the_feed_by_time_alone_changes_the_tag(client, at):
    firing = make_watch_firing()
    link = link_of(ada())
    tag = client.get(link)["ETag"]
    at(firing.occupied_until + 61 * DAY)
    assert client.get(link, headers={"If-None-Match": tag}).status_code == 200


def test_queries_do_not_grow_with_watches_and_304_needs_few(client, at):
    def count(link, **headers):
        with CaptureQueriesContext(connection) as seen:
            client.get(link, headers=headers)
        return len([one for one in seen if not one["sql"].startswith(("BEGIN", "PRAGMA", "SAVEPOINT", "RELEASE"))])

    firing = make_watch_firing()
    link = link_of(stoker())
    join(watches_of(firing)[0], ada(), stoker())
    few = count(link)
    for step in range(1, 5):
        more = make_watch_firing(lights_at=LIGHTS + 9 * step * DAY)
        join(watches_of(more)[0], ada(), stoker())
    assert count(link) == few
    set_config = 4 if connection.vendor == "postgresql" else 0
    assert count(link, **{"If-None-Match": client.get(link)["ETag"]}) <= 5 + set_config


def mark(member, token, now=NOW):
    link = queries.find(member.coop_id, token)
    return queries.mark_of(link, member.coop_id, now)


def test_the_mark_names_no_rows_of_others(at):
    firing = make_watch_firing()
    join(watches_of(firing)[0], ada(), stoker())
    _row, token = feeds.make(firing.coop, by=ben(), now=NOW)
    before = mark(ben(), token)
    join(watches_of(firing)[1], stoker("Tam"))
    assert mark(ben(), token) == before


def lead_it(firing, member):
    Firing.objects.filter(pk=firing.pk).update(lead=member)


def stand_in(firing, member):
    Firing.objects.filter(pk=firing.pk).update(deputy=member)


def book(firing, member):
    give_space(firing, member, 100)


def stand_a_watch(firing, member):
    join(watches_of(firing)[0], member)


def do_a_chore(firing, member):
    wads = Chore.objects.get(firing=firing, kind="wads")
    chores.sign_up(firing.coop, by=member, now=NOW, chore_id=wads.public_id)


def be_a_guest(firing, member):
    GuestPass.objects.create(coop=firing.coop, firing=firing, host=ada(), guest=member)


@pytest.mark.parametrize("join_in", [lead_it, stand_in, book, stand_a_watch, do_a_chore, be_a_guest])
def test_whatever_brings_a_firing_into_the_feed_changes_its_mark(client, at, join_in):
    """The mark is written in SQL of its own: it must see every row the feed shows."""
    firing, member = make_watch_firing(name="May fire"), stoker()
    _row, token = feeds.make(firing.coop, by=member, now=NOW)
    link = reverse("feed", kwargs={"coop": firing.coop.slug, "token": token})
    assert events_at(client, link) == {}
    marks = [mark(member, token)]
    join_in(firing, member)
    assert "Fire: May fire" in events_at(client, link)
    marks.append(mark(member, token))
    Firing.objects.filter(pk=firing.pk).update(ends_at=firing.ends_at + HOUR)
    marks.append(mark(member, token))
    assert len({one.etag for one in marks}) == 3
    assert marks[2].changed_at == Firing.objects.get(pk=firing.pk).changed_at


# --- The page and the API ---


def signed_in(client, member):
    client.force_login(member.person)
    return client


def test_a_link_is_made_shown_once_and_revoked_on_the_page(client, at):
    page = "/hollow-lane/account/calendars/"
    kiln = make_watch_firing().kiln
    signed_in(client, ben())
    assert b"None yet." in client.get(page).content
    made = client.post(page, {"of": str(kiln.public_id), "once": "k1"})
    address = made.context["address"]
    assert address.encode() in made.content
    assert "no-store" in made["Cache-Control"]
    assert client.get(address).status_code == 200
    assert address.encode() not in client.get(page).content
    row = CalendarFeed.objects.standing().get()
    client.post(f"{page}{row.public_id}/revoke/", {"once": "k2"})
    assert client.get(address).status_code == 404


def test_a_calendar_of_nothing_is_refused_at_its_field(client, at):
    signed_in(client, ben())
    answer = client.post("/hollow-lane/account/calendars/", {"of": "moon"})
    assert answer.status_code == 422
    assert "of" in answer.context["form"].errors
    assert not CalendarFeed.objects.exists()


def test_links_are_made_listed_and_revoked_over_the_api(client, at):
    signed_in(client, ben())
    base, headers = "/hollow-lane/api/v1/calendar-feeds/", {"Idempotency-Key": "a1"}
    made = client.post(base, {}, content_type="application/json", headers=headers)
    assert made.status_code == 201
    assert client.get(made.json()["url"]).status_code == 200
    [listed] = client.get(base).json()
    assert listed["id"] == made.json()["id"]
    assert "url" not in listed
    assert client.delete(f"{base}{listed['id']}/", headers={"Idempotency-Key": "a2"}).status_code == 204
    assert client.delete(f"{base}{listed['id']}/", headers={"Idempotency-Key": "a3"}).status_code == 404
    assert client.get(base).json() == []
