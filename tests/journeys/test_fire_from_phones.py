"""The batch a phone sends over the API: whether it gets through, as whom, and one answer per entry."""

import json
import uuid

import pytest
from django.test import Client
from django.utils import timezone

from firings.models import LogEntry
from tests.factories import ben
from tests.factories_fire import HOUR, make_fire, on_watch

pytestmark = pytest.mark.django_db


def address(firing):
    return f"/hollow-lane/api/v1/firings/{firing.public_id}/log/batch/"


def entry(seq, **more):
    return {"id": str(uuid.uuid4()), "kind": "note", "text": f"note {seq}", "device_id": "p", "device_seq": seq, **more}


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


def test_three_hundred_entries_cost_no_more_questions_to_the_database_than_three(
    client, firing, django_assert_max_num_queries
):
    client.force_login(on_watch(firing).person)
    with django_assert_max_num_queries(22):
        assert send(client, firing, [entry(n) for n in range(3)]).status_code == 200
    with django_assert_max_num_queries(22):
        answers = send(client, firing, [entry(100 + n) for n in range(300)]).json()["answers"]
    assert {one["outcome"] for one in answers} == {"written"}
