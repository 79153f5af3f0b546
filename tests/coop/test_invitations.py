"""Invitations: a mailed link, used once, for 14 days; only its hash is kept."""

import re
from datetime import timedelta
from uuid import uuid4

import pytest

from coop import queues, services
from coop.errors import NotAllowed, NotFound, Refused, Taken
from coop.mail import kept
from coop.models import Invitation, Membership, Notice, Person
from coop.tokens import token_hash
from tests.factories import NOW, PASSWORD, ada, ben, cora, cy

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _mail_goes_to_the_folder(settings):
    settings.EMAIL_BACKEND = "coop.mail.FolderBackend"


def invite(boss, **more):
    asked = {"email": "nia@far.example", "name": "Nia", "roles": ["member"], "now": NOW, **more}
    return services.invite(boss.coop, by=boss, **asked)


def token_in(text):
    return re.search(r"/join/([^/\s]+)/", text)[1]


def token_of(invitation):
    waiting = Notice.objects.filter(key__startswith=f"invitation:{invitation.public_id}", dead_at=None)
    return token_in(waiting.order_by("-pk")[0].link)


def test_an_invitation_mails_a_long_random_link_and_keeps_only_its_hash():
    boss = cora()
    row = invite(boss)
    token = token_of(row)
    assert len(token) >= 22  # 22 letters of base64 are 128 bits
    assert row.token_hash == token_hash(token)
    queues.sweep(lambda: NOW)
    notice = Notice.objects.get()
    assert token in kept(notice.public_id)
    everything_kept = str(list(Invitation.objects.values())) + str(list(Notice.objects.values()))
    assert token not in everything_kept


def test_whoever_accepts_gets_the_roles_and_may_sign_in(client):
    boss = cora()
    row = invite(boss, roles=["member", "steward"])
    member = services.accept_invitation(boss.coop, token=token_of(row), name="Nia Reed", password=PASSWORD, now=NOW)
    assert {role.kind for role in member.roles.all()} == {"member", "steward"}
    assert member.person.check_password(PASSWORD)
    assert Invitation.objects.get().accepted_by_id == member.pk
    assert client.login(email="nia@far.example", password=PASSWORD)


def test_a_link_works_once():
    boss = cora()
    token = token_of(invite(boss))
    services.accept_invitation(boss.coop, token=token, name="Nia", password=PASSWORD, now=NOW)
    with pytest.raises(NotFound, match="not open"):
        services.accept_invitation(boss.coop, token=token, name="Nia", password=PASSWORD, now=NOW)


def test_a_link_ends_after_14_days():
    boss = cora()
    token = token_of(invite(boss))
    late = NOW + timedelta(days=14)
    with pytest.raises(NotFound):
        services.accept_invitation(boss.coop, token=token, name="Nia", password=PASSWORD, now=late)
    in_time = late - timedelta(seconds=1)
    assert services.accept_invitation(boss.coop, token=token, name="Nia", password=PASSWORD, now=in_time)


@pytest.mark.parametrize("password", ["only-fourteen!", "password", "nia@far.example"])
def test_a_weak_password_is_refused_and_the_link_stays_open(password):
    boss = cora()
    token = token_of(invite(boss))
    with pytest.raises(Refused) as no:
        services.accept_invitation(boss.coop, token=token, name="Nia", password=password, now=NOW)
    assert no.value.fields["password"]
    assert not Person.objects.filter(email="nia@far.example").exists()
    assert services.invitation_by(token, NOW) is not None


def test_a_new_link_ends_the_old_one_and_a_mail_not_yet_sent():
    boss = cora()
    row = invite(boss)
    old = token_of(row)
    services.resend_invitation(boss.coop, by=boss, invitation_id=row.public_id, now=NOW + timedelta(days=20))
    assert services.invitation_by(old, NOW) is None
    assert services.invitation_by(token_of(row), NOW + timedelta(days=33)) is not None
    assert queues.sweep(lambda: NOW + timedelta(days=20)).sent == 1


def test_a_withdrawn_invitation_opens_nothing_and_its_mail_is_not_sent():
    boss = cora()
    row = invite(boss)
    token = token_of(row)
    services.withdraw_invitation(boss.coop, by=boss, invitation_id=row.public_id, now=NOW)
    assert services.invitation_by(token, NOW) is None
    assert queues.sweep(lambda: NOW).sent == 0
    assert token not in str(list(Notice.objects.values()))
    with pytest.raises(NotFound):
        services.resend_invitation(boss.coop, by=boss, invitation_id=row.public_id, now=NOW)
    assert invite(boss).pk != row.pk


def test_one_open_invitation_per_address_until_it_expires():
    boss = cora()
    invite(boss)
    with pytest.raises(Taken, match="open invitation"):
        invite(boss, email="NIA@far.example ")
    assert invite(boss, now=NOW + timedelta(days=15))


def test_members_are_not_invited_again_and_addresses_must_be_addresses():
    boss = cora()
    with pytest.raises(Taken, match="already"):
        invite(boss, email=ben().person.email)
    for email in ("", "nia", "nia@far.example\r\nBcc: all@far.example"):
        with pytest.raises(Refused, match="no e-mail address"):
            invite(boss, email=email)
    with pytest.raises(Refused, match="roles"):
        invite(boss, roles=[])
    with pytest.raises(Refused, match="roles"):
        invite(boss, roles=["king"])
    assert not Invitation.objects.exists()


def test_members_invite_guests_and_nobody_else():
    member = ben()
    assert invite(member, roles=["guest"])
    with pytest.raises(NotAllowed):
        invite(ada(), email="lee@far.example", roles=["member"])
    with pytest.raises(NotAllowed):
        invite(member, email="lee@far.example", roles=["guest", "treasurer"])


def test_whoever_has_an_account_signs_in_and_joins_with_it():
    boss, stranger = cora(), cy()
    row = invite(boss, email=stranger.person.email)
    with pytest.raises(Refused, match="Sign in"):
        services.accept_invitation(boss.coop, token=token_of(row), name="Cy", password=PASSWORD, now=NOW)
    member = services.accept_invitation(
        boss.coop, token=token_of(row), name="", password="", now=NOW, person=stranger.person
    )
    assert member.person_id == stranger.person_id
    assert Membership.objects.filter(person=stranger.person).count() == 2


def test_a_token_of_another_co_op_opens_nothing_here():
    boss, stranger = cora(), cy()
    row = invite(boss)
    with pytest.raises(NotFound):
        services.accept_invitation(stranger.coop, token=token_of(row), name="N", password=PASSWORD, now=NOW)
    with pytest.raises(NotFound):
        services.withdraw_invitation(stranger.coop, by=stranger, invitation_id=row.public_id, now=NOW)
    with pytest.raises(NotFound):
        services.withdraw_invitation(boss.coop, by=boss, invitation_id=uuid4(), now=NOW)


def test_a_given_up_invitation_is_not_sent_again_without_its_link():
    boss = cora()
    row = invite(boss)
    services.withdraw_invitation(boss.coop, by=boss, invitation_id=row.public_id, now=NOW)
    with pytest.raises(Refused, match="invitation again"):
        services.send_again(boss.coop, by=boss, notice_id=Notice.objects.get().public_id, now=NOW)


def test_apps_above_may_follow_up_on_a_joining(monkeypatch):
    from coop import joining

    boss, seen = cora(), []
    monkeypatch.setattr(joining, "_FOLLOWING", [lambda invitation, member: seen.append((invitation.email, member))])
    row = invite(boss)
    member = services.accept_invitation(boss.coop, token=token_of(row), name="Nia", password=PASSWORD, now=NOW)
    assert seen == [("nia@far.example", member)]
