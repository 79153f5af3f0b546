"""Mails come when their reader wants them; what is one's own duty always comes, and news can be ended from a mail."""

from datetime import UTC, datetime, time, timedelta
from email import message_from_string, policy
from email.message import EmailMessage
from io import BytesIO, TextIOWrapper
from types import SimpleNamespace

import pytest
from django.conf import settings
from django.core import mail as outbox
from django.core.management import CommandError, call_command
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from coop import mail_wishes, notices, queues, services
from coop.errors import NotFound, Refused
from coop.mail import message_id, notice_of
from coop.models import MailWishes, Notice
from coop.transactions import use_case
from tests.factories import NOW, ben, cora, make_coop

pytestmark = pytest.mark.django_db

DUTY, OWN, NEWS, URGENT = "cleanup", "statement", "firing_called", "watch-call"


@use_case
def tell(coop, *, kind, key=None, to=None, now=NOW, **more):
    return notices.queue(
        coop, key=key or kind, kind=kind, to=to or ben(), subject=f"About {kind}", text="Words.", now=now, **more
    )


def wish(own="at_once", news="at_once", quiet=(None, None)):
    return services.change_mail_wishes(
        make_coop(), by=ben(), own=own, news=news, quiet_from=quiet[0], quiet_to=quiet[1], now=NOW
    )


def swept(moment=NOW):
    queues.sweep(lambda: moment)
    return [one.subject for one in outbox.outbox]


def local(hour, minute=0, day=9):
    """A moment of May 2026 in Dublin, an hour ahead of UTC."""
    return datetime(2026, 5, day, hour, minute, tzinfo=UTC) - timedelta(hours=1)


def test_without_a_word_everything_comes_at_once():
    for kind in (DUTY, OWN, NEWS, URGENT):
        tell(make_coop(), kind=kind)
    assert len(swept()) == 4


def test_no_news_means_none_and_the_row_says_why():
    coop = make_coop()
    wish(news="never")
    for kind in (DUTY, OWN, NEWS):
        tell(coop, kind=kind)
    assert sorted(swept()) == ["About cleanup", "About statement"]
    row = Notice.objects.get(kind=NEWS)
    assert (row.unwanted, row.dead_at, row.attempts) == (True, NOW, 0)
    with pytest.raises(Refused, match="does not want such mails"):
        services.send_again(coop, by=cora(), notice_id=row.public_id, now=NOW)


def test_the_daily_mail_brings_all_that_was_put_off_in_one():
    coop = make_coop()
    wish(own="daily", news="daily")
    evening, morning = local(18), local(7, day=10)
    tell(coop, kind=OWN, key="a", now=evening)
    tell(coop, kind=NEWS, key="b", now=evening, link="/hollow-lane/")
    tell(coop, kind=DUTY, now=evening)
    tell(coop, kind=NEWS, key="c", to=cora(), now=evening)
    assert sorted(swept(evening)) == ["About cleanup", "About firing_called"]
    assert set(Notice.objects.filter(sent_at=None).values_list("due_at", "attempts")) == {(morning, 0)}
    assert len(swept(morning - timedelta(minutes=1))) == 2
    assert swept(morning)[2:] == ["Hollow Lane Kilns: 2 notices of today"]
    body = outbox.outbox[2].body
    assert "About statement" in body
    assert "About firing_called" in body
    assert f"{settings.SITE_URL}/hollow-lane/" in body
    assert len(swept(morning + timedelta(days=1))) == 3


def test_a_daily_mail_that_fails_is_tried_again_whole_and_is_the_same_mail(monkeypatch):
    coop = make_coop()
    wish(news="daily")
    first = tell(coop, kind=NEWS, key="a")
    tell(coop, kind=NEWS, key="b")
    swept()
    morning = Notice.objects.get(pk=first.pk).due_at
    down = SimpleNamespace(send_messages=lambda mails: (_ for _ in ()).throw(OSError("down")), close=lambda: None)
    with monkeypatch.context() as patched:
        patched.setattr(queues, "get_connection", lambda: down)
        swept(morning)
    assert outbox.outbox == []
    assert set(Notice.objects.values_list("attempts", "sent_at")) == {(1, None)}
    assert len(swept(morning + timedelta(hours=1))) == 1
    assert outbox.outbox[0].extra_headers["Message-ID"] == message_id(first.public_id)
    assert not Notice.objects.filter(sent_at=None).exists()


def test_what_would_be_stale_by_the_daily_mail_comes_at_once():
    wish(news="daily")
    tell(make_coop(), kind=NEWS, stale_at=NOW + timedelta(minutes=30))
    assert swept() == ["About firing_called"]


@pytest.mark.parametrize(
    ("quiet", "moment", "until"),
    [
        ((time(22), time(6, 30)), local(23), local(6, 30, day=10)),
        ((time(22), time(6, 30)), local(2), local(6, 30)),
        ((time(22), time(6, 30)), local(6, 30), None),
        ((time(22), time(6, 30)), local(21, 59), None),
        ((time(13), time(15)), local(13), local(15)),
        ((time(13), time(15)), local(15), None),
    ],
)
def test_quiet_hours_hold_mails_back_until_they_end(quiet, moment, until):
    wish(quiet=quiet)
    tell(make_coop(), kind=DUTY, now=moment)
    tell(make_coop(), kind=URGENT, now=moment)
    sent = swept(moment)
    assert "About watch-call" in sent
    assert ("About cleanup" in sent) is (until is None)
    if until is not None:
        assert Notice.objects.get(kind=DUTY).due_at == until
        assert "About cleanup" in swept(until)


def test_quiet_hours_that_end_in_the_hour_the_clocks_skip_end_after_it():
    """Dublin, 29 March 2026: 01:00 becomes 02:00."""
    wish(quiet=(time(22), time(1, 30)))
    row = tell(make_coop(), kind=DUTY, now=datetime(2026, 3, 28, 23, tzinfo=UTC))
    swept(datetime(2026, 3, 28, 23, tzinfo=UTC))
    row.refresh_from_db()
    assert row.due_at == datetime(2026, 3, 29, 1, 30, tzinfo=UTC)


def test_a_reminder_that_quiet_hours_would_make_stale_comes_all_the_same():
    wish(quiet=(time(22), time(6)))
    tell(make_coop(), kind=DUTY, now=local(23), stale_at=local(5, day=10))
    assert swept(local(23)) == ["About cleanup"]


@pytest.mark.parametrize("own", ["never", "weekly"])
def test_ones_own_cannot_be_turned_off(own):
    with pytest.raises(Refused, match="no such choice"):
        wish(own=own)


@pytest.mark.parametrize("quiet", [(time(22), None), (None, time(6)), (time(6), time(6))])
def test_quiet_hours_have_a_beginning_and_an_end(quiet):
    with pytest.raises(Refused, match="begins and another"):
        wish(quiet=quiet)


@pytest.mark.parametrize(
    ("fields", "name"),
    [
        ({"own": "never"}, "mail_of_ones_own_always_comes"),
        ({"news": "weekly"}, "mail_of_news_is_known"),
        ({"quiet_from": time(22)}, "quiet_hours_begin_and_end"),
        ({"quiet_from": time(6), "quiet_to": time(6)}, "quiet_hours_begin_and_end"),
    ],
)
def test_the_database_knows_the_choices_too(fields, name):
    with pytest.raises(IntegrityError, match=name), transaction.atomic():
        MailWishes.objects.create(coop=make_coop(), membership=ben(), **fields)


@pytest.mark.parametrize(
    ("fields", "name"),
    [({"unwanted": True}, "notice_unwanted_is_given_up"), ({"came_back_at": NOW}, "notice_came_back_once_sent")],
)
def test_the_database_knows_what_can_become_of_a_notice(fields, name):
    row = tell(make_coop(), kind=DUTY)
    with pytest.raises(IntegrityError, match=name), transaction.atomic():
        Notice.objects.filter(pk=row.pk).update(**fields)


# --- The link in the mail -----------------------------------------------------------------


def stop_address(row):
    where = {"coop": "hollow-lane", "notice": row.public_id, "token": mail_wishes.stop_token(row)}
    return reverse("mail_stop", kwargs=where)


def test_news_can_be_ended_by_one_click_without_a_cookie(settings):
    settings.SITE_URL = "https://kiln.example"
    row = tell(make_coop(), kind=NEWS)
    swept()
    headers = outbox.outbox[0].extra_headers
    address = f"https://kiln.example{stop_address(row)}"
    assert headers["List-Unsubscribe"] == f"<{address}>"
    assert headers["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"  # RFC 8058, section 3.1
    assert address in outbox.outbox[0].body
    for _ in range(2):
        stranger = Client(enforce_csrf_checks=True)
        assert stranger.post(stop_address(row), {"List-Unsubscribe": "One-Click"}).status_code == 200
    assert MailWishes.objects.get().news == "never"
    assert MailWishes.objects.get().own == "at_once"


def test_looking_at_the_link_changes_nothing(client):
    row = tell(make_coop(), kind=NEWS)
    assert "Stop the news" in client.get(stop_address(row)).content.decode()
    assert not MailWishes.objects.exists()


def test_a_wrong_key_ends_nothing_and_says_so(client):
    row = tell(make_coop(), kind=NEWS)
    other = tell(make_coop(), kind=NEWS, key="other")
    wrong = stop_address(row).replace(mail_wishes.stop_token(row), mail_wishes.stop_token(other))
    response = client.post(wrong)
    assert response.status_code == 404
    assert "This link has ended" in response.content.decode()
    assert client.post(stop_address(row).replace("hollow-lane", "nowhere")).status_code == 404
    assert not MailWishes.objects.exists()


@pytest.mark.parametrize("kind", [DUTY, OWN, URGENT])
def test_what_is_ones_own_has_no_such_link(kind, settings):
    settings.SITE_URL = "https://kiln.example"
    row = tell(make_coop(), kind=kind)
    swept()
    assert "List-Unsubscribe" not in outbox.outbox[0].extra_headers
    with pytest.raises(NotFound):
        services.stop_news(make_coop(), by=None, notice_id=row.public_id, token=mail_wishes.stop_token(row), now=NOW)


# --- The page -----------------------------------------------------------------------------


def test_a_member_chooses_on_a_page_and_a_fault_stands_by_its_field(client):
    client.force_login(ben().person)
    page = reverse("mail_wishes", kwargs={"coop": "hollow-lane"})
    told = {"own": "daily", "news": "never", "quiet_from": "22:00", "quiet_to": ""}
    refused = client.post(page, {**told, "once": "one"})
    assert refused.status_code == 422
    assert "begins and another" in refused.content.decode()
    assert not MailWishes.objects.exists()
    assert client.post(page, {**told, "quiet_to": "06:30", "once": "two"}).status_code == 302
    saved = MailWishes.objects.get()
    assert (saved.membership, saved.own, saved.news) == (ben(), "daily", "never")
    assert (saved.quiet_from, saved.quiet_to) == (time(22), time(6, 30))
    assert 'value="22:00"' in client.get(page).content.decode()


# --- Mails that come back -----------------------------------------------------------------


def bounce(identifier, action="failed"):
    """As RFC 3464, appendix E.1 has it, shortened."""
    return f"""From: Mail Delivery Subsystem <MAILER-DAEMON@example.org>
To: kiln@kiln.example
Subject: Returned mail
MIME-Version: 1.0
Content-Type: multipart/report; report-type=delivery-status; boundary="B"

--B

Your message could not be delivered.

--B
Content-Type: message/delivery-status

Reporting-MTA: dns; mail.example.org

Original-Recipient: rfc822;ben@hollow-lane.example
Action: {action}
Status: 5.1.1
Diagnostic-Code: smtp; 550 no such mailbox

--B
Content-Type: message/rfc822

Message-ID: {identifier}
Subject: About cleanup
From: kiln@kiln.example

Words.
--B--
"""


def pipe(monkeypatch, text):
    monkeypatch.setattr("sys.stdin", TextIOWrapper(BytesIO(text.encode())))
    call_command("record_bounce")


def test_a_mail_that_came_back_is_noted_on_its_notice_once(monkeypatch, capsys):
    row = tell(make_coop(), kind=DUTY)
    swept()
    for _ in range(2):
        pipe(monkeypatch, bounce(message_id(row.public_id)))
    row.refresh_from_db()
    assert row.came_back_at is not None
    assert row.last_error == "smtp; 550 no such mailbox"
    assert "came back" in capsys.readouterr().out


@pytest.mark.parametrize(
    "text",
    [
        "Subject: Hello\n\nA letter.\n",
        bounce("<somebody-elses@example.org>"),
        bounce("<11111111-1111-1111-1111-111111111111@elsewhere.example>"),
    ],
)
def test_other_mails_are_passed_over(text, monkeypatch, capsys):
    pipe(monkeypatch, text)
    assert "nothing was noted" in capsys.readouterr().out


def test_a_mail_that_is_only_late_has_not_come_back():
    row = tell(make_coop(), kind=DUTY)
    late = message_from_string(bounce(message_id(row.public_id), "delayed"), _class=EmailMessage, policy=policy.default)
    assert notice_of(late) is None


def test_a_bounce_of_a_notice_that_is_not_here_says_so(monkeypatch):
    make_coop()
    with pytest.raises(CommandError, match="There is no notice"):
        pipe(monkeypatch, bounce(message_id("11111111-1111-1111-1111-111111111111")))
