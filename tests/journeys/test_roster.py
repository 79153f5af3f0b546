"""Watches and chores in the browser and over the API: wishes, sign-up, giving away, a whole roster, hours."""

import json
import re
from datetime import UTC, datetime, timedelta
from uuid import uuid4

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from coop.models import Computation, Document, Notice
from coop.queues import compute, sweep
from firings.models import Chore, HoursEntry, PlaceOffer, Watch, WatchPlace, WatchProposal, WatchSwap, Wish, WishLimits
from firings.queries import watches as queries
from firings.services import rosters
from firings.tasks import remind
from tests.factories import PASSWORD, ada, ben, cora, cy
from tests.factories_watches import give_space, join, leader, make_watch_firing, stoker, watches_of

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _quick(monkeypatch):
    monkeypatch.setattr(rosters, "PLAN_SECONDS", 0.1)


def signed_in(member) -> Client:
    client = Client()
    assert client.login(email=member.person.email, password=PASSWORD) or client.login(
        username=member.person.email, password=PASSWORD
    )
    return client


def soon():
    return (timezone.now() + timedelta(days=9)).replace(hour=5, minute=0, second=0, microsecond=0)


def page(firing, rest="watches/"):
    return f"/{firing.coop.slug}/firings/{firing.public_id}/{rest}"


def test_a_member_wishes_signs_up_and_gives_away_and_the_other_agrees():
    firing = make_watch_firing(lights_at=soon())
    first, second, *_ = watches_of(firing)
    sid, sue = signed_in(stoker("Sid")), signed_in(stoker("Sue"))

    wishes = sid.get(page(firing, "watches/wishes/"))
    assert wishes.content.count(b'type="radio"') == 5 * 4
    said = {f"wish-{first.public_id}": "+", f"wish-{second.public_id}": "", "limits": "1", "no_nights": "on"}
    assert sid.post(page(firing, "watches/wishes/"), said).status_code == 303
    assert set(Wish.objects.filter(member=stoker("Sid")).values_list("watch__number", "value")) == {(1, "+")}
    assert WishLimits.objects.get(member=stoker("Sid")).no_nights

    assert b"place open" in sid.get(page(firing)).content or b"places open" in sid.get(page(firing)).content
    assert sid.post(page(firing, f"watches/{first.public_id}/sign-up/")).status_code == 303
    place = WatchPlace.objects.get(member=stoker("Sid"))
    assert "Offer my place" in sid.get(page(firing, f"watches/{first.public_id}/")).content.decode()
    sid.post(page(firing, f"watch-places/{place.public_id}/offer/"), {"to": str(stoker("Sue").public_id)})
    offer = PlaceOffer.objects.get()
    assert "Sid asks you to take over" in sue.get(page(firing)).content.decode()
    sue.post(page(firing, f"watch-offers/{offer.public_id}/take/"))
    assert list(WatchPlace.objects.filter(given_up_at=None).values_list("member__person__name", flat=True)) == ["Sue"]


def test_each_tap_saves_itself_and_gets_a_word_back():
    firing = make_watch_firing(lights_at=soon())
    first, second, *_ = watches_of(firing)
    client, address = signed_in(stoker("Sid")), page(firing, "watches/wishes/")
    tap = {"HTTP_HX_REQUEST": "true"}
    assert "saved" in client.post(address, {f"wish-{first.public_id}": "+"}, **tap).content.decode()
    client.post(address, {f"wish-{second.public_id}": "-"}, **tap)
    assert set(Wish.objects.values_list("watch__number", "value")) == {(1, "+"), (2, "-")}
    client.post(address, {f"wish-{first.public_id}": ""}, **tap)
    assert set(Wish.objects.values_list("watch__number", "value")) == {(2, "-")}
    wrong = client.post(address, {f"wish-{first.public_id}": "?"}, **tap).content.decode()
    assert "not saved" in wrong
    assert "Wish one of" in wrong
    wrong = client.post(address, {"limits": "1", "most_hours": "900"}, **tap).content.decode()
    assert "not saved" in wrong
    assert not WishLimits.objects.exists()


def test_one_press_speaks_for_a_whole_night_without_a_script():
    firing = make_watch_firing(lights_at=soon(), hours=48)
    client, address = signed_in(stoker("Sid")), page(firing, "watches/wishes/")
    shown = client.get(address).content.decode()
    first = queries.nights_of(firing, queries.rows_for(firing, stoker("Sid"), timezone.now()))[0]
    assert f'name="whole" value="{first.key}|x"' in shown
    answer = client.post(address, {"whole": f"{first.key}|x"})
    assert answer["Location"].endswith(f"#night-{first.key}")
    assert len(first.rows) > 1
    assert set(Wish.objects.values_list("watch", "value")) == {(row.watch.pk, "x") for row in first.rows}


def test_two_members_swap_on_their_pages():
    firing = make_watch_firing(lights_at=soon())
    first, _, third, _ = watches_of(firing)
    _, sids = join(first, leader("Lea"), stoker("Sid"), now=timezone.now())
    _, sues = join(third, leader("Lil"), stoker("Sue"), now=timezone.now())
    sid, sue = signed_in(stoker("Sid")), signed_in(stoker("Sue"))
    assert str(sues.public_id) in sid.get(page(firing, f"watches/{first.public_id}/")).content.decode()
    empty = sid.post(page(firing, f"watch-places/{sids.public_id}/swap/"), {"for_place": ""}, follow=True)
    assert "Pick the watch and the name" in empty.content.decode()
    sid.post(page(firing, f"watch-places/{sids.public_id}/swap/"), {"for_place": str(sues.public_id)})
    swap = WatchSwap.objects.get()
    assert "Sid asks you to swap" in sue.get(page(firing)).content.decode()
    assert "Sid asks you to swap" in sue.get(f"/{firing.coop.slug}/").content.decode()
    assert "You asked Sue to swap" in sid.get(page(firing)).content.decode()
    agreed = sue.post(page(firing, f"watch-swaps/{swap.public_id}/agree/"), follow=True).content.decode()
    assert "both places have changed hands" in agreed
    assert set(WatchPlace.objects.filter(given_up_at=None).values_list("watch__number", "member__person__name")) == {
        (1, "Lea"),
        (1, "Sue"),
        (3, "Lil"),
        (3, "Sid"),
    }


def test_a_drop_out_is_seen_mended_and_told_before_it_is_accepted():
    lights = timezone.now().replace(second=0, microsecond=0) - timedelta(hours=17)
    firing = make_watch_firing(lights_at=lights, stage="lit", lit_at=lights)
    third, fourth = watches_of(firing)[2:]
    join(third, leader("Lil"), stoker("Sam"), now=lights)
    lea, sid = join(fourth, leader("Lea"), stoker("Sid"), now=lights)
    Wish.objects.create(coop=firing.coop, watch=fourth, member=stoker("Sue"), value=".")
    client = signed_in(stoker("Sid"))
    assert "I cannot come at all" in client.get(page(firing, f"watches/{fourth.public_id}/")).content.decode()
    client.post(page(firing, f"watch-places/{sid.public_id}/cannot-come/"))
    lead = signed_in(ada())
    shown = lead.get(page(firing)).content.decode()
    assert "Sid cannot come" in shown
    assert "A mended roster is being computed" in shown
    assert compute(Computation.objects.get(kind="watch_mending").pk)
    assert "Look at the mended roster" in lead.get(page(firing)).content.decode()
    proposal = WatchProposal.objects.get()
    address = page(firing, f"watches/proposals/{proposal.public_id}/")
    listed = lead.get(address).content.decode()
    assert "2 people will be told or asked; nobody else hears of it" in listed
    assert "Accept and tell them" not in client.get(address).content.decode()
    seen = re.search(r'name="seen" value="(\w+)"', listed)[1]
    wrong = lead.post(address + "mend/", {"seen": "other"}, follow=True).content.decode()
    assert "changed since you looked" in wrong
    assert lead.post(page(firing, f"watches/proposals/{proposal.public_id}/accept/"), follow=True).status_code == 200
    done = lead.post(address + "mend/", {"seen": seen}, follow=True).content.decode()
    assert "2 people are told." in done
    held = WatchPlace.objects.filter(watch=fourth, given_up_at=None).values_list("member__person__name", flat=True)
    assert set(held) == {"Lea", "Sue"}
    assert lea.given_up_at is None


def test_the_lead_sees_which_skills_are_missing_and_who_could_bring_them():
    firing = make_watch_firing(lights_at=soon())
    join(watches_of(firing)[0], stoker("Sid"), stoker("Sue"), now=timezone.now())
    leader("Lea")
    shown = signed_in(ada()).get(page(firing)).content.decode()
    assert "Skills that are missing" in shown
    assert "nobody may lead" in shown
    assert "Lea" in shown
    assert "Skills that are missing" not in signed_in(ben()).get(page(firing)).content.decode()


def test_the_watches_of_all_kilns_stand_on_one_page():
    one, two = make_watch_firing(lights_at=soon()), make_watch_firing(lights_at=soon() + timedelta(hours=3))
    shown = signed_in(ben()).get(f"/{one.coop.slug}/watches/").content.decode()
    assert one.kiln.name in shown
    assert two.kiln.name in shown
    assert shown.count("<svg viewBox") >= 2
    assert signed_in(cy()).get(f"/{one.coop.slug}/watches/").status_code == 404


def test_both_half_past_ones_of_the_night_the_clocks_go_back_are_told_apart(client):
    firing = make_watch_firing(lights_at=datetime(2027, 10, 30, 17, 30, tzinfo=UTC), hours=18)
    # Dublin, 31 October 2027: 02:00 IST becomes 01:00 GMT, so the fire passes 01:30 twice.
    first, second, _ = watches_of(firing)
    Watch.objects.filter(pk=first.pk).update(ends_at=datetime(2027, 10, 31, 0, 30, tzinfo=UTC))
    Watch.objects.filter(pk=second.pk).update(
        starts_at=datetime(2027, 10, 31, 0, 30, tzinfo=UTC), ends_at=datetime(2027, 10, 31, 1, 30, tzinfo=UTC)
    )
    member = signed_in(ben())
    for address in (page(firing), page(firing, "watches/wishes/"), page(firing, f"watches/{second.public_id}/")):
        shown = member.get(address).content.decode()
        assert {"01:30 IST", "01:30 GMT"} <= set(re.findall(r"01:30 [A-Z]{3}", shown)), address


def test_a_refusal_is_said_on_the_page_and_changes_nothing():
    firing = make_watch_firing(lights_at=soon())
    client = signed_in(ben())
    answer = client.post(page(firing, f"watches/{watches_of(firing)[0].public_id}/sign-up/"), follow=True)
    assert "novices may not outnumber the experienced" in answer.content.decode()
    assert not WatchPlace.objects.exists()


def test_a_button_pressed_twice_has_one_effect():
    firing = make_watch_firing(lights_at=soon())
    client, address = signed_in(ada()), page(firing, f"watches/{watches_of(firing)[0].public_id}/sign-up/")
    client.post(address, {"once": "k1"})
    assert "already saved" in client.post(address, {"once": "k1"}, follow=True).content.decode()
    assert WatchPlace.objects.count() == 1


def test_the_lead_has_a_roster_proposed_accepts_it_and_prints_it():
    firing = make_watch_firing(lights_at=soon())
    for member in (leader("Lea"), leader("Lil"), leader("Lou"), *map(stoker, ("Sid", "Sue", "Sol", "Sam"))):
        for watch in watches_of(firing):
            Wish.objects.create(coop=firing.coop, watch=watch, member=member, value=".")
    client = signed_in(ada())
    answer = client.post(page(firing, "watches/propose/"))
    assert "/computations/" in answer["Location"]
    assert "being planned" in client.get(page(firing)).content.decode()
    assert compute(Computation.objects.get(kind="watch_roster").pk)
    proposal = WatchProposal.objects.get()
    shown = client.get(page(firing, f"watches/proposals/{proposal.public_id}/")).content.decode()
    assert "Every place that must be filled is filled" in shown
    assert (
        "Accept" not in signed_in(ben()).get(page(firing, f"watches/proposals/{proposal.public_id}/")).content.decode()
    )
    accepted = client.post(page(firing, f"watches/proposals/{proposal.public_id}/accept/"), follow=True)
    assert "8 places were filled" in accepted.content.decode()
    assert "Every watch has its people" in accepted.content.decode()


@pytest.mark.slow
def test_the_roster_is_a_sheet_for_the_wall():
    firing = make_watch_firing(lights_at=soon())
    join(watches_of(firing)[0], ada(), stoker("Sid"), now=timezone.now())
    client = signed_in(ben())
    client.post(page(firing, "watches/print/"))
    assert compute(Computation.objects.get(kind="roster_sheet").pk)
    document = Document.objects.get(kind="roster_sheet")
    from io import BytesIO

    from pypdf import PdfReader

    text = " ".join(sheet.extract_text() for sheet in PdfReader(BytesIO(bytes(document.content))).pages)
    assert "★ Ada Sid" in " ".join(text.split())
    assert "2 places open, nobody to lead" in " ".join(text.split())


def test_a_watch_that_is_over_is_confirmed_and_counts():
    lights = timezone.now() - timedelta(hours=13)
    firing = make_watch_firing(lights_at=lights, stage="lit", lit_at=lights)
    watch = watches_of(firing)[0]
    for member in (ada(), stoker("Sid")):
        WatchPlace.objects.create(coop=firing.coop, watch=watch, member=member, taken_at=lights)
    Watch.objects.filter(pk=watch.pk).update(taken=2)
    place = WatchPlace.objects.get(member=stoker("Sid"))
    client = signed_in(ada())
    assert "Was there" in client.get(page(firing, f"watches/{watch.public_id}/")).content.decode()
    bad = client.post(page(firing, f"watch-places/{place.public_id}/confirm/"), {"minutes": "lots"}, follow=True)
    assert "whole number" in bad.content.decode()
    client.post(page(firing, f"watch-places/{place.public_id}/confirm/"), {"minutes": "120"})
    assert HoursEntry.objects.get().member == stoker("Sid")
    assert "there for" in client.get(page(firing, f"watches/{watch.public_id}/")).content.decode()
    mine = signed_in(stoker("Sid")).get(f"/{firing.coop.slug}/hours/").content.decode()
    assert "worked ahead" in mine


def test_a_chore_is_added_taken_and_given_up():
    firing = make_watch_firing(lights_at=soon())
    lead, member = signed_in(ada()), signed_in(ben())
    said = {
        "kind": "wash",
        "name": "Wash the arch",
        "starts_at": "2031-05-09T10:00",
        "ends_at": "2031-05-09T09:00",
        "people": "1",
        "most_people": "3",
    }
    refused = lead.post(page(firing, "chores/add/"), said)
    assert refused.status_code == 400
    assert "ends before it starts" in refused.content.decode()
    assert 'value="Wash the arch"' in refused.content.decode()
    lead.post(page(firing, "chores/add/"), {**said, "ends_at": "2031-05-09T12:00"})
    chore = Chore.objects.get(name="Wash the arch")
    assert member.get(page(firing, f"chores/{chore.public_id}/")).status_code == 200
    member.post(page(firing, f"chores/{chore.public_id}/sign-up/"))
    chore.refresh_from_db()
    assert chore.taken == 1
    member.post(page(firing, f"chores/{chore.public_id}/give-up/"))
    lead.post(page(firing, f"chores/{chore.public_id}/cancel/"))
    chore.refresh_from_db()
    assert (chore.taken, bool(chore.cancelled_at)) == (0, True)


def test_hours_show_everybody_to_the_lead_and_only_oneself_to_a_member():
    from firings.services import hours

    firing = make_watch_firing(lights_at=soon())
    for member in (ben(), stoker("Sid")):
        give_space(firing, member, 10_000)
    hours.owe_for(firing, None, timezone.now())
    lead, member = (signed_in(one).get(page(firing, "hours/")).content.decode() for one in (ada(), ben()))
    assert "Sid" in lead
    assert "Sid" not in member
    assert "Adjust an account" not in lead
    coordinator = signed_in(cora())
    said = {"member": str(ben().public_id), "minutes": "0", "why": "", "once": "k"}
    refused = coordinator.post(page(firing, "hours/"), said)
    assert refused.status_code == 400
    coordinator.post(page(firing, "hours/"), {**said, "minutes": "30", "why": "Carried bricks", "once": "k2"})
    assert HoursEntry.objects.get(kind="adjusted").minutes == 30


@pytest.mark.parametrize("rest", ["watches/", "watches/wishes/", "hours/", "chores/add/"])
def test_strangers_find_nothing_and_the_signed_out_are_asked_to_sign_in(rest):
    firing = make_watch_firing(lights_at=soon())
    assert signed_in(cy()).get(page(firing, rest)).status_code == 404
    other = page(firing, rest).replace("hollow-lane", "far-field")
    assert signed_in(cy()).get(other).status_code == 404
    assert "/accounts/login/" in Client().get(page(firing, rest))["Location"]


def test_the_page_costs_the_same_however_long_the_fire():
    short, long = make_watch_firing(lights_at=soon(), hours=6), make_watch_firing(lights_at=soon(), hours=96)
    for firing in (short, long):
        join(watches_of(firing)[-1], stoker("Sid" if firing is short else "Sue"), now=timezone.now())
    client = signed_in(ben())
    client.get(page(short))

    def count(firing):
        with CaptureQueriesContext(connection) as seen:
            assert client.get(page(firing)).status_code == 200
        return len(seen)

    assert count(long) == count(short)


def test_reminders_are_swept_for_every_coop_once():
    firing = make_watch_firing(lights_at=timezone.now() + timedelta(hours=10))
    join(watches_of(firing)[0], ada(), stoker("Sid"), now=timezone.now())
    remind()
    remind()
    assert Notice.objects.filter(kind="watch-reminder").count() == 2
    sweep()


# --- API ---


def api(client, method, firing, path, body=None, key=None):
    return client.generic(
        method,
        f"/{firing.coop.slug}/api/v1/{path}",
        json.dumps(body or {}),
        content_type="application/json",
        headers={"Idempotency-Key": key or uuid4().hex},
    )


def test_the_whole_of_a_watch_over_the_api():
    firing = make_watch_firing(lights_at=soon())
    first = watches_of(firing)[0]
    sid, sue, lead = (signed_in(one) for one in (stoker("Sid"), stoker("Sue"), ada()))
    said = api(
        sid,
        "PUT",
        firing,
        f"firings/{firing.public_id}/watch-wishes/",
        {"wishes": [{"watch_id": str(first.public_id), "value": "+"}]},
    )
    assert said.json() == [{"watch_id": str(first.public_id), "value": "+"}]
    taken = api(sid, "POST", firing, f"watches/{first.public_id}/sign-up/")
    assert taken.status_code == 201
    listed = sid.get(f"/{firing.coop.slug}/api/v1/firings/{firing.public_id}/watches/").json()
    assert listed[0]["my_wish"] == "+"
    assert [one["name"] for one in listed[0]["crew"]] == ["Sid"]
    assert listed[0]["troubles"] == ["1 place open", "nobody to lead"]
    again = api(sid, "POST", firing, f"watches/{first.public_id}/sign-up/")
    assert again.status_code == 409
    assert again.json()["detail"] == "You are on this watch already."
    offer = api(
        sid,
        "POST",
        firing,
        f"watch-places/{taken.json()['id']}/offers/",
        {"to_member_id": str(stoker("Sue").public_id)},
    ).json()
    assert (
        sue.get(f"/{firing.coop.slug}/api/v1/firings/{firing.public_id}/watch-offers/").json()[0]["id"] == offer["id"]
    )
    assert api(sue, "POST", firing, f"watch-offers/{offer['id']}/decline/").status_code == 204
    offer = api(sid, "POST", firing, f"watch-places/{taken.json()['id']}/offers/").json()
    assert api(sue, "POST", firing, f"watch-offers/{offer['id']}/take-over/").status_code == 201
    assert api(sue, "POST", firing, f"watches/{first.public_id}/give-up/").status_code == 204
    assert api(sid, "POST", firing, f"firings/{firing.public_id}/watch-proposals/").status_code == 403
    asked = api(lead, "POST", firing, f"firings/{firing.public_id}/watch-proposals/")
    assert asked.status_code == 202
    compute(Computation.objects.get(public_id=asked.json()["computation_id"]).pk)
    [proposal] = lead.get(f"/{firing.coop.slug}/api/v1/firings/{firing.public_id}/watch-proposals/").json()
    assert proposal["answer"]["format"] == "watch-assignment/1"
    accepted = api(lead, "POST", firing, f"watch-proposals/{proposal['id']}/accept/")
    assert accepted.status_code == 200
    assert accepted.json()["accepted_at"]


def test_the_whole_of_a_chore_over_the_api():
    firing = make_watch_firing(lights_at=soon())
    member, lead = signed_in(ben()), signed_in(ada())
    body = {
        "kind": "wads",
        "name": "More wads",
        "starts_at": "2031-05-09T10:00:00Z",
        "ends_at": "2031-05-09T12:00:00Z",
        "people": 1,
        "most_people": 2,
    }
    address = f"firings/{firing.public_id}/chores/"
    assert api(member, "POST", firing, address, body).status_code == 403
    refused = api(lead, "POST", firing, address, {**body, "ends_at": "2031-05-09T09:00:00Z"})
    assert "ends_at" in refused.json()["fields"]
    chore = api(lead, "POST", firing, address, body).json()
    place = api(member, "POST", firing, f"chores/{chore['id']}/sign-up/").json()
    listed = member.get(f"/{firing.coop.slug}/api/v1/{address}").json()
    assert ["Ben"] in [[one["name"] for one in row["crew"]] for row in listed]
    early = api(lead, "POST", firing, f"chore-places/{place['id']}/confirm/")
    assert (early.status_code, "not over yet" in early.json()["detail"]) == (422, True)
    assert api(member, "POST", firing, f"chores/{chore['id']}/give-up/").status_code == 204
    assert api(lead, "DELETE", firing, f"chores/{chore['id']}/").status_code == 204


def test_confirming_and_hours_over_the_api():
    lights = timezone.now() - timedelta(hours=13)
    firing = make_watch_firing(lights_at=lights, stage="lit", lit_at=lights)
    watch = watches_of(firing)[0]
    place = WatchPlace.objects.create(coop=firing.coop, watch=watch, member=ben(), taken_at=lights)
    lead = signed_in(ada())
    assert api(signed_in(ben()), "POST", firing, f"watch-places/{place.public_id}/confirm/").status_code == 403
    done = api(lead, "POST", firing, f"watch-places/{place.public_id}/confirm/", {"minutes": 60}, key="same")
    assert done.json()["worked_minutes"] == 60
    replay = api(lead, "POST", firing, f"watch-places/{place.public_id}/confirm/", {"minutes": 60}, key="same")
    assert replay.json() == done.json()
    [mine] = lead.get(f"/{firing.coop.slug}/api/v1/firings/{firing.public_id}/hours/").json()
    assert mine["worked_minutes"] == HoursEntry.objects.get().minutes
    account = signed_in(ben()).get(f"/{firing.coop.slug}/api/v1/hours/").json()
    assert account["balance_minutes"] == mine["worked_minutes"]
    assert len(account["entries"]) == 1
