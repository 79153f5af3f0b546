"""The batch a phone sends over the API: whether it gets through, as whom, and one answer per entry."""

import json
import uuid

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from coop.models import Person
from firings.models import LogEntry
from firings.services import hand_overs
from firings.services.log import EntrySpec
from firings.views import phones
from tests.factories import ben
from tests.factories_fire import HOUR, make_fire, on_watch, write

pytestmark = pytest.mark.django_db


def address(firing):
    return f"/hollow-lane/api/v1/firings/{firing.public_id}/log/batch/"


def entry(seq, **more):
    return {"id": str(uuid.uuid4()), "kind": "note", "text": f"note {seq}", "device_id": "p", "device_seq": seq, **more}


def test_the_copy_a_phone_keeps_has_first_names_only_and_neither_the_log_nor_papers(client, firing):
    stoker = on_watch(firing)
    Person.objects.filter(pk=stoker.person_id).update(name="Stoker Ashdown")
    write(firing, EntrySpec(kind="note", text="bag wall leans"), by=stoker)
    hand_overs.draft(firing.coop, by=stoker, now=firing.lit_at + 2 * HOUR, firing_id=firing.public_id)
    client.force_login(stoker.person)
    page = f"/hollow-lane/firings/{firing.public_id}/fire/"
    whole, kept = (client.get(path).content.decode() for path in (page, f"{page}kept/"))
    assert "by Stoker Ashdown: bag wall leans" in whole
    assert "by Stoker: bag wall leans" in kept
    assert "Ashdown" not in kept
    for part in ('id="log-part"', "Record of this firing", "Draft a hand-over"):
        assert part in whole
        assert part not in kept
    for part in ('id="reading"', 'id="now-part"', 'id="curve-part"', 'id="crew-part"', "Never alone at the fire"):
        assert part in kept


def test_the_worker_is_the_same_signed_out_is_asked_for_anew_and_changes_with_the_files(client, firing):
    signed_out = client.get("/hollow-lane/fire-worker.js")
    client.force_login(firing.lead.person)
    assert client.get("/hollow-lane/fire-worker.js").content == signed_out.content
    assert signed_out["Content-Type"].startswith("text/javascript")
    assert signed_out["Cache-Control"] == "no-cache"
    for name in phones.FILES:
        assert f"/static/{name}" in signed_out.content.decode()


def send(client, firing, entries, **headers):
    return client.post(
        address(firing), json.dumps({"entries": entries}), content_type="application/json", headers=headers
    )


@pytest.fixture
def firing(monkeypatch):
    made = make_fire()
    monkeypatch.setattr(timezone, "now", lambda: made.lit_at + 2 * HOUR)
    return made


def test_each_entry_has_its_answer_and_a_misformed_one_keeps_no_other_out(client, firing):
    client.force_login(on_watch(firing).person)
    entries = [
        entry(1),
        entry(2, observed_at="last night"),
        "not an entry",
        entry(3, kind="reading", probe="front", temperature_dc=9000),
        {"kind": "note", "text": "without an id"},
        entry(4, kind="soda", grams=200),
    ]
    answers = send(client, firing, entries).json()["answers"]
    assert [one["outcome"] for one in answers] == ["written", "refused", "refused", "written", "refused", "written"]
    assert [one["id"] for one in answers] == [e.get("id", "") if isinstance(e, dict) else "" for e in entries]
    assert "Write a moment like" in answers[1]["detail"]
    assert "an id made by the device" in answers[4]["detail"]
    assert "Cone 8 is not down" in answers[5]["warnings"][0]
    assert LogEntry.objects.count() == 3
    again = send(client, firing, entries).json()["answers"]
    assert [one["outcome"] for one in again] == ["known", "refused", "refused", "known", "refused", "known"]


def test_a_phone_learns_that_it_gets_through_and_as_whom_and_the_answer_is_never_stored(client, firing):
    stoker = on_watch(firing)
    client.force_login(stoker.person)
    answer = client.get(address(firing))
    assert answer.json()["member_id"] == str(stoker.public_id)
    assert answer.json()["stage"] == "lit"
    assert answer["Cache-Control"] == "no-store"


def test_a_phone_sends_with_the_token_it_was_given_and_not_without(firing):
    phone = Client(enforce_csrf_checks=True)
    phone.force_login(on_watch(firing).person)
    assert send(phone, firing, [entry(1)]).status_code == 403
    token = phone.get(address(firing)).json()["csrf_token"]
    assert send(phone, firing, [entry(1)], **{"X-CSRFToken": token}).status_code == 200
    assert LogEntry.objects.count() == 1


def test_a_sign_in_that_ran_out_is_told_as_such_and_who_keeps_no_log_is_told_why(client, firing):
    assert client.get(address(firing)).status_code == 401
    assert send(client, firing, [entry(1)]).status_code == 401
    client.force_login(ben().person)
    refused = send(client, firing, [entry(1)])
    assert refused.status_code == 403
    assert "written by those on watch" in refused.json()["detail"]
    assert not LogEntry.objects.exists()


def test_three_hundred_entries_cost_no_more_questions_to_the_database_than_three(client, firing):
    client.force_login(on_watch(firing).person)
    asked = []
    for entries in ([entry(n) for n in range(3)], [entry(100 + n) for n in range(300)]):
        with CaptureQueriesContext(connection) as seen:
            answers = send(client, firing, entries).json()["answers"]
        assert {one["outcome"] for one in answers} == {"written"}
        asked.append(len(seen))
    statements = 300 * len(LogEntry._meta.fields) // 999 + 1  # SQLite takes 999 values in one statement
    assert asked[1] <= asked[0] + statements
