"""What operators see of the queues: on a page for them, and as figures for whoever holds the token."""

from datetime import timedelta
from uuid import uuid4

import pytest
from django.utils import timezone

from coop import computations, notices, operating
from coop.models import Computation, Notice
from coop.transactions import reading, use_case
from tests.factories import NOW, ben, make_coop

pytestmark = pytest.mark.django_db


@use_case
def tell(coop, *, key, now=NOW, **more):
    return notices.queue(
        coop, key=key, kind="firing_called", to=ben(), subject="Secret", text="Secret.", now=now, **more
    )


@use_case
def want(coop, *, now=NOW):
    return computations.ask(coop, kind="load_plan", subject=uuid4(), by=None, now=now)


@pytest.fixture
def busy():
    """One of each: waiting since an hour, put off, in a worker's hands, sent, given up, not wanted, failed."""
    coop, now = make_coop(), timezone.now()
    hour = timedelta(hours=1)
    tell(coop, key="waits", due_at=now - hour)
    tell(coop, key="put off", due_at=now + hour)
    for key, fields in {
        "in hand": {"leased_until": now + hour},
        "sent": {"sent_at": now - hour},
        "long sent": {"sent_at": now - 30 * hour},
        "given up": {"dead_at": now - hour, "last_error": "550 no such mailbox", "attempts": 12},
        "unwanted": {"dead_at": now - hour, "unwanted": True},
    }.items():
        Notice.objects.filter(pk=tell(coop, key=key, due_at=now).pk).update(**fields)
    failed = Computation.State.FAILED
    Computation.objects.filter(pk=want(coop).pk).update(state=failed, done_at=now, trouble="It could not be computed.")
    want(coop, now=now - 2 * hour)
    return now


def test_each_row_is_counted_where_it_is_and_the_oldest_one_due_gives_the_age(busy):
    with reading(None):
        mails, works = operating.queues(busy)
    assert (mails.waiting, mails.in_hand, mails.put_off, mails.done, mails.given_up) == (1, 1, 1, 1, 1)
    assert mails.age(busy) == timedelta(hours=1)
    assert (works.waiting, works.in_hand, works.done, works.given_up) == (1, 0, 0, 1)
    assert works.age(busy) == timedelta(hours=2)


def test_what_was_given_up_is_told_without_anybodys_address_or_words(busy):
    with reading(None):
        told = operating.failures()
    assert [(one.what, one.why) for one in told] == [
        ("load_plan", "It could not be computed."),
        ("mail: firing_called", "550 no such mailbox"),
    ]


def test_operators_see_the_page_and_nobody_else_does(busy, client):
    assert client.get("/operators/jobs/").status_code == 302
    person = ben().person
    client.force_login(person)
    assert client.get("/operators/jobs/").status_code == 302
    person.is_staff = True
    person.save()
    page = client.get("/operators/jobs/")
    assert page.status_code == 200
    text = page.content.decode()
    assert "550 no such mailbox" in text
    assert "Secret" not in text


def test_figures_are_given_for_the_token_only(busy, client, settings):
    assert client.get("/metrics", headers={"Authorization": "Bearer "}).status_code == 404
    settings.METRICS_TOKEN = "ash"
    assert client.get("/metrics").status_code == 404
    assert client.get("/metrics", headers={"Authorization": "Bearer soot"}).status_code == 404
    told = client.get("/metrics", headers={"Authorization": "Bearer ash"}).content.decode()
    assert 'coop_queue_rows{queue="notices",state="waiting"} 1.0' in told
    age = float(told.split('coop_queue_age_seconds{queue="computations"} ')[1].split()[0])
    assert 7200 <= age < 7300


def test_answers_are_timed_by_page_and_never_by_address(busy, client, settings):
    settings.METRICS_TOKEN = "ash"
    client.handler.load_middleware()
    client.force_login(ben().person)
    client.get("/hollow-lane/members/?q=ben")
    client.get("/nowhere/at/all/")
    told = client.get("/metrics", headers={"Authorization": "Bearer ash"}).content.decode()
    assert 'coop_request_seconds_count{method="GET",page="members",status="2xx"} 1.0' in told
    assert "hollow-lane" not in told
    assert "nowhere" not in told
