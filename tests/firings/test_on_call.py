"""“I am here” at a watch, and who is called, in order, when nobody says it."""

from datetime import UTC, datetime, timedelta

import pytest
from django.db import IntegrityError, OperationalError, connection, transaction
from django.db.models import Q

from coop.errors import Malformed, NotAllowed, NotFound, Refused, Taken
from coop.models import Membership, Notice
from coop.policy import Terms
from firings.models import Firing, HandOver, LogEntry, OnCall, WatchCall, WatchPresence
from firings.queries import on_call as queries
from firings.services import on_call, watches
from firings.tasks import watch_over
from tests.factories import NOW, ada, ben, cy, make_member, tess
from tests.factories_watches import (
    a_real_database,
    at_once,
    join,
    leader,
    make_watch_firing,
    stoker,
    watches_of,
)

pytestmark = pytest.mark.django_db
MINUTE = timedelta(minutes=1)


def burning(**more):
    """A kiln that burns, its first watch taken by Lea and Sid; Ada leads the firing, Tess is her deputy."""
    firing = make_watch_firing(deputy=tess(), **more)
    first = watches_of(firing)[0]
    join(first, leader(), stoker())
    Firing.objects.filter(pk=firing.pk).update(stage="lit", lit_at=firing.lights_at)
    firing.refresh_from_db()
    return firing, first


def order(firing, *members, by=None):
    on_call.set_order(
        firing.coop, by=by or ada(), now=NOW, firing_id=firing.public_id, member_ids=[one.public_id for one in members]
    )


def called(watch):
    return [call.member.name for call in WatchCall.objects.filter(watch=watch)]


def say_here(watch, by, now, member=None):
    return on_call.here(
        watch.coop, by=by, now=now, watch_id=watch.public_id, member_id=member.public_id if member else None
    )


def told(kind="watch-call"):
    return sorted((one.to_person.name, one.subject.split(": ")[-1]) for one in Notice.objects.filter(kind=kind))


# --- The order ---


def test_the_lead_then_the_deputy_are_called_unless_an_order_is_set():
    firing, _first = burning()
    assert [one.name for one in queries.order_of(firing)] == ["Ada", "Tess"]
    order(firing, ben(), tess())
    assert [one.name for one in queries.order_of(firing)] == ["Ben", "Tess", "Ada"]
    order(firing)
    assert [one.name for one in queries.order_of(firing)] == ["Ada", "Tess"]


def test_who_is_new_on_call_is_told_once():
    firing, _first = burning()
    order(firing, ben(), ada())
    order(firing, ada(), ben())
    assert [name for name, _subject in told("watch")].count("Ben") == 1
    assert Notice.objects.filter(kind="watch", subject__contains="on call").count() == 1  # Ada set it herself


def test_only_the_lead_sets_the_order_and_names_each_member_once():
    firing, _first = burning()
    with pytest.raises(NotAllowed):
        order(firing, ben(), by=ben())
    with pytest.raises(Malformed, match="twice"):
        order(firing, ben(), ben())
    with pytest.raises(Malformed, match="at most 10"):
        order(firing, *(make_member(f"M{number}") for number in range(11)))
    with pytest.raises(NotFound):
        order(firing, cy())
    assert not OnCall.objects.exists()


def test_the_database_refuses_an_order_that_cannot_be():
    firing, _first = burning()
    order(firing, ben())
    values = {"coop": firing.coop, "firing": firing}
    for name, more in (
        ("position", {"member": tess(), "position": 1}),
        ("member", {"member": ben(), "position": 2}),
        ("on_call_counts_from_one", {"member": tess(), "position": 0}),
    ):
        with pytest.raises(IntegrityError, match=f"{name}|on_call"), transaction.atomic():
            OnCall.objects.create(**values, **more)


# --- I am here ---


def test_the_crew_says_it_for_themselves_and_for_each_other_once():
    _firing, first = burning()
    say_here(first, stoker(), first.starts_at - 30 * MINUTE)
    say_here(first, stoker(), first.starts_at, member=leader())
    assert set(WatchPresence.objects.values_list("member__person__name", "said_by__person__name")) == {
        ("Sid", "Sid"),
        ("Lea", "Sid"),
    }
    with pytest.raises(Taken, match="known already"):
        say_here(first, leader(), first.starts_at)


@pytest.mark.parametrize(
    ("shift", "match"),
    [(-61 * MINUTE, "still to come"), (timedelta(hours=6), "is over")],
)
def test_it_is_said_from_an_hour_before_to_the_end(shift, match):
    _firing, first = burning()
    with pytest.raises(Refused, match=match):
        say_here(first, stoker(), first.starts_at + shift)
    assert not WatchPresence.objects.exists()


def test_who_is_not_of_the_watch_says_nothing_for_it():
    firing, first = burning()
    with pytest.raises(NotAllowed, match="neither on this watch nor on call"):
        say_here(first, ben(), first.starts_at)
    with pytest.raises(NotFound, match="not on this watch"):
        say_here(first, stoker(), first.starts_at, member=ben())
    with pytest.raises(NotFound):
        on_call.here(cy().coop, by=cy(), now=first.starts_at, watch_id=first.public_id)
    order(firing, ben())
    assert say_here(first, ben(), first.starts_at).member == ben()


def test_a_kiln_that_does_not_burn_awaits_nobody():
    firing, first = burning()
    Firing.objects.filter(pk=firing.pk).update(stage="cooling")
    with pytest.raises(Refused, match="not burning"):
        say_here(first, stoker(), first.starts_at)
    assert on_call.escalate(firing.coop, now=first.starts_at + 60 * MINUTE) == 0


# --- Calls ---


def test_the_next_on_call_is_called_then_the_lead_then_the_deputy():
    firing, first = burning(terms=Terms(take_up_minutes=10))
    order(firing, ben())
    seen = []
    for minute in range(0, 61, 5):
        on_call.escalate(firing.coop, now=first.starts_at + minute * MINUTE)
        seen.append(len(called(first)))
    assert called(first) == ["Ben", "Ada", "Tess"]
    assert seen == [0, 0, 1, 1, 2, 2, 3, 3, 3, 3, 3, 3, 3]
    assert told() == [
        ("Ada", "Nobody is at the watch yet"),
        ("Ben", "Nobody is at the watch yet"),
        ("Lea", "Are you at your watch?"),
        ("Sid", "Are you at your watch?"),
        ("Tess", "Nobody is at the watch yet"),
    ]
    assert all(one.stale_at == first.ends_at for one in Notice.objects.filter(kind="watch-call"))


def test_running_twice_calls_nobody_twice():
    firing, first = burning()
    due = first.starts_at + 15 * MINUTE
    assert [on_call.escalate(firing.coop, now=due) for _time in range(3)] == [1, 0, 0]
    assert called(first) == ["Ada"]


def test_a_sweep_that_slept_wakes_one_at_a_time():
    firing, first = burning()
    late = first.starts_at + 3 * 60 * MINUTE
    assert on_call.escalate(firing.coop, now=late) == 1
    assert on_call.escalate(firing.coop, now=late + 14 * MINUTE) == 0
    assert on_call.escalate(firing.coop, now=late + 15 * MINUTE) == 1
    assert called(first) == ["Ada", "Tess"]


def test_who_is_on_the_watch_is_not_called_to_it_as_well():
    firing = make_watch_firing(deputy=tess())
    first = watches_of(firing)[0]
    join(first, ada(), stoker())
    Firing.objects.filter(pk=firing.pk).update(stage="lit", lit_at=firing.lights_at)
    on_call.escalate(firing.coop, now=first.starts_at + 15 * MINUTE)
    assert called(first) == ["Tess"]


def by_saying_so(firing, first):
    say_here(first, stoker(), first.starts_at + 5 * MINUTE)


def by_writing_in_the_log(firing, first):
    at = first.starts_at + 5 * MINUTE
    LogEntry.objects.create(
        coop=firing.coop, firing=firing, kind="note", text="all well", observed_at=at, entered_at=at, by=stoker()
    )


def by_accepting_the_hand_over(firing, first):
    at = first.starts_at - 5 * MINUTE
    HandOver.objects.create(
        coop=firing.coop,
        firing=firing,
        drafted_at=at,
        text="quiet",
        outgoing=ben(),
        outgoing_at=at,
        incoming=stoker(),
        incoming_at=at,
    )


@pytest.mark.parametrize("sign", [by_saying_so, by_writing_in_the_log, by_accepting_the_hand_over])
def test_whatever_shows_that_somebody_came_calls_nobody(sign):
    firing, first = burning()
    sign(firing, first)
    assert on_call.escalate(firing.coop, now=first.starts_at + 60 * MINUTE) == 0
    assert not Notice.objects.filter(kind="watch-call").exists()


def test_what_others_wrote_in_the_log_is_no_sign_of_the_crew():
    firing, first = burning()
    at = first.starts_at + MINUTE
    LogEntry.objects.create(
        coop=firing.coop, firing=firing, kind="note", text="going home", observed_at=at, entered_at=at, by=ben()
    )
    assert on_call.escalate(firing.coop, now=first.starts_at + 15 * MINUTE) == 1


def test_once_somebody_is_there_the_calls_end_and_the_called_may_sleep():
    firing, first = burning()
    on_call.escalate(firing.coop, now=first.starts_at + 15 * MINUTE)
    say_here(first, stoker(), first.starts_at + 20 * MINUTE)
    assert on_call.escalate(firing.coop, now=first.starts_at + 60 * MINUTE) == 0
    assert ("Ada", "Somebody is at the watch") in told()
    assert called(first) == ["Ada"]


def test_a_watch_without_a_crew_is_called_for_too():
    firing, first = burning()
    second = watches_of(firing)[1]
    say_here(first, stoker(), first.starts_at)
    on_call.escalate(firing.coop, now=second.starts_at + 15 * MINUTE)
    assert called(second) == ["Ada"]
    assert "nobody signed up" in Notice.objects.get(kind="watch-call", subject__contains="Nobody is at").text


@pytest.mark.parametrize(
    ("lights", "spoken"),
    [
        (datetime(2026, 10, 25, 0, 30, tzinfo=UTC), "2026-10-25 01:30 IST to 06:30"),  # 01:30 comes twice
        (datetime(2026, 10, 25, 1, 30, tzinfo=UTC), "2026-10-25 01:30 GMT to 07:30"),
        (datetime(2027, 3, 28, 0, 30, tzinfo=UTC), "2027-03-28 00:30 to 07:30"),  # 01:00 to 02:00 is not there
    ],
)
def test_minutes_are_minutes_in_the_night_of_the_clock_change(lights, spoken):
    firing, first = burning(lights_at=lights)
    assert on_call.escalate(firing.coop, now=first.starts_at + 14 * MINUTE) == 0
    assert on_call.escalate(firing.coop, now=first.starts_at + 15 * MINUTE) == 1
    assert on_call.escalate(firing.coop, now=first.starts_at + 29 * MINUTE) == 0
    assert on_call.escalate(firing.coop, now=first.starts_at + 30 * MINUTE) == 1
    assert spoken in Notice.objects.get(kind="watch-call", to_person=tess().person).text


def test_dying_at_any_statement_of_a_call_leaves_it_made_or_not_made():
    firing, first = burning()
    due, calls = first.starts_at + 15 * MINUTE, 0
    for fails_at in range(1, 80):
        count = 0

        def fail(execute, sql, params, many, context, fails_at=fails_at):
            nonlocal count
            count += 1
            if count == fails_at:
                raise OperationalError("the process died here")
            return execute(sql, params, many, context)

        try:
            with connection.execute_wrapper(fail):
                on_call.escalate(firing.coop, now=due)
        except OperationalError:
            pass
        calls, mails = WatchCall.objects.count(), Notice.objects.filter(kind="watch-call").count()
        assert (calls, mails) in {(0, 0), (1, 3)}
        if calls:
            break
    assert calls
    assert fails_at > 5  # it did fail on the way


@pytest.mark.django_db(transaction=True)
def test_two_sweeps_at_once_call_one_person_once(tmp_path):
    firing, first = burning()
    due = first.starts_at + 15 * MINUTE

    def sweep():
        return on_call.escalate(firing.coop, now=due)

    with a_real_database(tmp_path):
        said = at_once(sweep, sweep, sweep)
        [calls] = at_once(lambda: called(first))
        [mails] = at_once(lambda: Notice.objects.filter(kind="watch-call").count())
    assert sorted(said) == [0, 0, 1]
    assert (calls, mails) == (["Ada"], 3)


def test_the_beat_watches_over_every_coop(monkeypatch):
    _firing, first = burning()
    monkeypatch.setattr("django.utils.timezone.now", lambda: first.starts_at + 15 * MINUTE)
    cy()
    watch_over()
    watch_over()
    assert called(first) == ["Ada"]


def test_a_place_given_up_is_not_awaited():
    firing = make_watch_firing()
    first = watches_of(firing)[0]
    join(first, leader(), stoker(), stoker("Tam"))
    watches.give_up(firing.coop, by=stoker("Tam"), now=NOW, watch_id=first.public_id)
    Firing.objects.filter(pk=firing.pk).update(stage="lit", lit_at=firing.lights_at)
    on_call.escalate(firing.coop, now=first.starts_at + 15 * MINUTE)
    assert "Tam" not in [name for name, _subject in told()]


# --- Pages and API ---


@pytest.fixture
def at(monkeypatch):
    def set_to(moment):
        monkeypatch.setattr("django.utils.timezone.now", lambda: moment)

    return set_to


def pages(client, member, firing):
    client.force_login(Membership.objects.select_related("person").get(pk=member.pk).person)
    return f"/hollow-lane/firings/{firing.public_id}/"


def test_one_press_says_i_am_here(client, at):
    firing, first = burning()
    at(first.starts_at + MINUTE)
    base = pages(client, stoker(), firing)
    here = f"{base}watches/{first.public_id}/here/"
    assert b"Nobody has said they are at this watch" in client.get(here).content
    assert b"You are awaited at the fire" in client.get("/hollow-lane/").content
    answer = client.post(f"{here}{stoker().public_id}/", {"once": "1"}, follow=True)
    assert b"Sid is at the watch" in answer.content
    assert b"You are awaited at the fire" not in client.get("/hollow-lane/").content
    assert WatchPresence.objects.filter(watch=first, member=stoker()).exists()


def test_a_stranger_to_the_watch_sees_no_button_and_is_refused(client, at):
    firing, first = burning()
    at(first.starts_at + MINUTE)
    base = pages(client, ben(), firing)
    here = f"{base}watches/{first.public_id}/here/"
    assert b"I am here" not in client.get(here).content
    answer = client.post(f"{here}{ben().public_id}/", {"once": "1"}, follow=True)
    assert b"neither on this watch nor on call" in answer.content
    assert not WatchPresence.objects.exists()


def test_the_lead_sets_the_order_on_the_page_and_members_read_it(client, at):
    firing, _first = burning()
    at(NOW)
    page = f"{pages(client, ada(), firing)}on-call/"
    client.post(page, {"place_1": "", "place_2": str(ben().public_id), "once": "1"})
    assert [one.name for one in queries.order_of(firing)] == ["Ben", "Ada", "Tess"]
    twice = {"place_1": str(ben().public_id), "place_2": str(ben().public_id), "once": "2"}
    answer = client.post(page, twice)
    assert answer.status_code == 400
    assert b"Nobody is on call twice" in answer.content
    pages(client, ben(), firing)
    read = client.get(page)
    assert b"Set the order" not in read.content
    assert b"Ben" in read.content
    assert client.post(page, {"place_1": str(ben().public_id), "once": "3"}).status_code == 403


def test_order_and_presence_over_the_api(client, at):
    firing, first = burning()
    at(first.starts_at)
    pages(client, ada(), firing)
    api = "/hollow-lane/api/v1/"
    put = {"content_type": "application/json", "headers": {"Idempotency-Key": "1"}}
    answer = client.put(f"{api}firings/{firing.public_id}/on-call/", {"member_ids": [str(ben().public_id)]}, **put)
    assert [one["name"] for one in answer.json()] == ["Ben", "Ada", "Tess"]
    pages(client, stoker(), firing)
    here = f"{api}watches/{first.public_id}/here/"
    said = client.post(here, {}, content_type="application/json", headers={"Idempotency-Key": "2"})
    assert (said.status_code, said.json()["name"]) == (201, "Sid")
    again = client.post(here, {}, content_type="application/json", headers={"Idempotency-Key": "3"})
    assert again.status_code == 409


def test_watching_over_costs_the_same_for_many_firings_that_do_not_burn(django_assert_num_queries):
    firing, first = burning()
    say_here(first, stoker(), first.starts_at)
    make_watch_firing(lights_at=firing.lights_at + timedelta(days=9))
    now = first.starts_at + 60 * MINUTE
    assert on_call.escalate(firing.coop, now=now) == 0
    with django_assert_num_queries(3):
        on_call.escalate(firing.coop, now=now)
    assert WatchPresence.objects.filter(~Q(watch=first)).count() == 0
