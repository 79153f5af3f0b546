"""When the database or the cache is away, people are told to come back, and what can go on goes on."""

import json

import pytest
from django.core.cache import caches
from django.db import InterfaceError, OperationalError
from django.test import Client

from coop.cache import RedisCacheThatMayBeGone
from coop.errors import Taken
from coop.transactions import Once, once, use_case
from coop.views import people
from tests.factories import NOW, ben

pytestmark = pytest.mark.django_db


@pytest.fixture
def away(monkeypatch):
    """A client whose pages meet ``error`` where they read the members."""

    def meet(error):
        def read(*args, **kwargs):
            raise error

        monkeypatch.setattr(people.queries, "members", read)
        client = Client(raise_request_exception=False)
        client.force_login(ben().person)
        return client

    return meet


@pytest.mark.parametrize("error", [OperationalError("server closed the connection"), InterfaceError("closed")])
def test_a_page_without_its_database_says_closed_for_a_moment(away, error):
    answer = away(error).get("/hollow-lane/members/")
    assert (answer.status_code, answer["Retry-After"]) == (503, "5")
    assert "Closed for a moment" in answer.content.decode()


def test_the_api_says_so_as_a_problem_that_may_be_sent_again(away):
    answer = away(OperationalError("disk is full")).get("/hollow-lane/api/v1/members")
    assert (answer.status_code, answer["Content-Type"]) == (503, "application/problem+json")
    assert json.loads(answer.content)["type"].endswith("/problems/closed")
    assert "disk" not in answer.content.decode()


def test_a_fault_of_ours_stays_a_500_without_its_trace(away):
    client = away(ZeroDivisionError("secret"))
    page, api = client.get("/hollow-lane/members/"), client.get("/hollow-lane/api/v1/members")
    assert (page.status_code, api.status_code) == (500, 500)
    assert json.loads(api.content)["title"] == "broken"
    assert "secret" not in page.content.decode() + api.content.decode()


def test_every_kind_of_problem_has_a_page_that_explains_it(client):
    for kind in ("closed", "broken"):
        assert client.get(f"/problems/{kind}").status_code == 200


def test_a_cache_that_is_gone_knows_nothing_and_stops_nobody():
    gone = RedisCacheThatMayBeGone("redis://127.0.0.1:1/0", {})
    gone.set("key", "value")
    assert gone.get("key") is None
    assert gone.get("key", "instead") == "instead"
    assert gone.add("key", "value") is True
    assert gone.get_many(["key"]) == {}
    assert gone.incr("key") == 1
    assert not gone.delete("key")
    assert "key" not in gone
    gone.set_many({"key": "value"})
    gone.delete_many(["key"])


def test_one_signs_in_while_the_cache_is_gone(client, monkeypatch, settings):
    settings.CACHES = {
        "default": {"BACKEND": "coop.cache.RedisCacheThatMayBeGone", "LOCATION": "redis://127.0.0.1:1/0"}
    }
    settings.ACCOUNT_RATE_LIMITS = {"login_failed": "5/m/ip"}
    person = ben().person
    person.set_password("a few plain words in a row")
    person.save()
    assert type(caches["default"]) is RedisCacheThatMayBeGone
    answer = client.post("/accounts/login/", {"login": person.email, "password": "a few plain words in a row"})
    assert answer.status_code == 302, answer.content.decode()[:300]


def test_who_sends_one_request_twice_at_once_is_told_that_it_was_sent():
    @use_case
    def change(coop, *, by, now):
        return None

    token = once.set(Once(ben().person, "POST /there", "key", "hash"))
    try:
        change(ben().coop, by=ben(), now=NOW)
        once.set(Once(ben().person, "POST /there", "key", "hash"))  # the other process, which has not seen the first
        with pytest.raises(Taken, match="already sent once"):
            change(ben().coop, by=ben(), now=NOW)
    finally:
        once.reset(token)
