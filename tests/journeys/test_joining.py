"""From the invitation to the first page: a coordinator invites, a newcomer joins, an old hand joins as well."""

import re

import pytest
from django.core import mail
from django.test import Client
from django.utils import timezone

from coop import queues
from coop.models import Membership, Person
from tests.factories import PASSWORD, cora, cy

pytestmark = pytest.mark.django_db


def link_in(message):
    return re.search(r"http://[^/\s]+(/join/[^\s]+)", message.body)[1]


def test_a_newcomer_joins_by_the_mailed_link():
    boss = cora()
    desk, phone = Client(), Client()
    desk.force_login(boss.person)
    sent = desk.post(
        "/hollow-lane/invitations/",
        {"email": "nia@far.example", "name": "Nia", "roles": ["member", "steward"], "once": "a"},
        follow=True,
    )
    assert "nia@far.example" in sent.content.decode()
    queues.sweep(timezone.now)
    (message,) = mail.outbox
    assert message.to == ["nia@far.example"]
    link = link_in(message)

    page = phone.get(link).content.decode()
    assert "Join Hollow Lane Kilns" in page
    assert 'value="Nia"' in page
    weak = phone.post(link, {"name": "Nia Reed", "password": "too short"})
    assert weak.status_code == 422
    assert "at least 15" in weak.content.decode()
    assert "Nia Reed" in weak.content.decode()
    joined = phone.post(link, {"name": "Nia Reed", "password": PASSWORD}, follow=True)
    assert joined.request["PATH_INFO"] == "/hollow-lane/"
    assert "Welcome to Hollow Lane Kilns" in joined.content.decode()
    assert phone.get(link).status_code == 404

    phone.post("/accounts/logout/")
    assert phone.get("/hollow-lane/").status_code == 302
    phone.post("/accounts/login/", {"login": "nia@far.example", "password": PASSWORD})
    assert phone.get("/", follow=True).request["PATH_INFO"] == "/hollow-lane/"
    assert "Nia Reed" in desk.get("/hollow-lane/members/").content.decode()


def test_whoever_has_an_account_joins_with_one_press():
    boss, old_hand = cora(), cy()
    desk, phone = Client(), Client()
    desk.force_login(boss.person)
    desk.post("/hollow-lane/invitations/", {"email": old_hand.person.email, "roles": ["member"]})
    queues.sweep(timezone.now)
    link = link_in(mail.outbox[0])
    page = phone.get(link).content.decode()
    assert f"/accounts/login/?next={link}" in page
    signed_in = phone.post(f"/accounts/login/?next={link}", {"login": old_hand.person.email, "password": PASSWORD})
    assert signed_in["Location"] == link
    phone.post(link)
    assert Membership.objects.filter(person=old_hand.person).count() == 2
    assert Person.objects.filter(email=old_hand.person.email).count() == 1
    assert phone.get("/hollow-lane/").status_code == 200
