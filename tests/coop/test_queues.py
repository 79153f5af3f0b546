"""Notices and computations: written once, worked on by one, tried again, given up, never lost."""

import smtplib
from datetime import timedelta
from uuid import uuid4

import pytest
from django.conf import settings

from coop import computations, documents, notices, queues, services
from coop.errors import Refused
from coop.mail import kept
from coop.models import Computation, Document, Notice
from coop.transactions import use_case
from tests.factories import NOW, ben, cora, make_coop

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _mail_goes_to_the_folder(settings):
    settings.EMAIL_BACKEND = "coop.mail.FolderBackend"


@use_case
def tell(coop, *, key="k", to="ben@hollow-lane.example", subject="Wood", text="Bring wood.", now=NOW, **more):
    return notices.queue(coop, key=key, kind="test", to=to, subject=subject, text=text, now=now, **more)


@use_case
def want(coop, *, kind, subject=None, request=None, now=NOW):
    return computations.ask(coop, kind=kind, subject=subject or uuid4(), by=None, now=now, request=request)


def at(moment):
    return lambda: moment


def mails():
    return sorted(settings.EMAIL_FILE_PATH.glob("*.eml"))


class BadPost:
    """A mail server that answers as it is told."""

    def __init__(self, error):
        self.error, self.tried = error, 0

    def send_messages(self, messages):
        self.tried += 1
        raise self.error

    def close(self):
        pass


def test_a_notice_is_written_once_per_key():
    coop = make_coop()
    assert tell(coop).pk == tell(coop, subject="Other").pk
    assert Notice.objects.count() == 1


def test_a_sweep_sends_what_is_due_and_only_that():
    coop = make_coop()
    tell(coop, link="/hollow-lane/")
    tell(coop, key="later", due_at=NOW + timedelta(hours=1))
    assert queues.sweep(at(NOW)).sent == 1
    assert queues.sweep(at(NOW)).sent == 0
    (mail,) = mails()
    text = mail.read_text()
    sent = Notice.objects.get(key="k")
    assert f"Message-ID: <{sent.public_id}@" in text
    assert "Bring wood." in text
    assert "http://127.0.0.1:8000/hollow-lane/" in text
    assert queues.sweep(at(NOW + timedelta(hours=2))).sent == 1


def test_line_breaks_in_a_subject_or_address_add_no_header():
    coop = make_coop()
    tell(coop, subject="Wood\r\nBcc: all@far.example")
    assert queues.sweep(at(NOW)).sent == 1
    head = mails()[0].read_text().split("\n\n")[0]
    assert "\nBcc:" not in head
    assert "Subject: Wood Bcc: all@far.example" in head


def test_a_notice_in_somebodys_hands_is_left_until_the_lease_ends():
    coop = make_coop()
    row = tell(coop)
    assert queues._claim_notice(NOW).pk == row.pk  # a worker took it and died
    assert queues.sweep(at(NOW + timedelta(minutes=1))).sent == 0
    assert queues.deliver_notice(row.pk, at(NOW + timedelta(minutes=1))) is False
    assert queues.sweep(at(NOW + timedelta(minutes=3))).sent == 1
    assert queues.deliver_notice(row.pk, at(NOW + timedelta(minutes=9))) is False


def test_a_mail_sent_twice_is_one_mail():
    coop = make_coop()
    row = tell(coop)
    queues.sweep(at(NOW))
    Notice.objects.filter(pk=row.pk).update(sent_at=None)  # died between sending and saying so
    queues.sweep(at(NOW))
    assert len(mails()) == 1


def test_a_stale_notice_is_dropped_not_sent_late():
    coop = make_coop()
    tell(coop, stale_at=NOW + timedelta(hours=1))
    swept = queues.sweep(at(NOW + timedelta(hours=2)))
    assert (swept.sent, swept.given_up) == (0, 1)
    assert mails() == []
    assert "too late" in Notice.objects.get().last_error


def test_a_mail_server_that_is_away_is_asked_once_a_round_and_again_later(monkeypatch):
    coop = make_coop()
    for key in "abc":
        tell(coop, key=key)
    post = BadPost(ConnectionRefusedError("away"))
    monkeypatch.setattr(queues, "get_connection", lambda: post)
    assert queues.sweep(at(NOW)).sent == 0
    assert post.tried == 1
    monkeypatch.undo()
    tried = Notice.objects.get(attempts=1)
    wait = (tried.leased_until - NOW).total_seconds()
    assert 24 <= wait <= 36
    assert "away" in tried.last_error
    assert queues.sweep(at(NOW + timedelta(minutes=1))).sent == 3


def test_waits_grow_to_an_hour():
    waits = [(queues._next_try(attempt, NOW) - NOW).total_seconds() for attempt in range(1, 13)]
    expected = [30, 60, 120, 240, 480, 960, 1920] + [3600] * 5
    assert all(0.8 * e <= w <= 1.2 * e for w, e in zip(waits, expected, strict=True))


def test_after_its_last_attempt_a_notice_is_given_up_and_the_coordinator_sends_it_again(monkeypatch):
    boss = cora()
    row = tell(boss.coop)
    post = BadPost(smtplib.SMTPServerDisconnected("gone"))
    monkeypatch.setattr(queues, "get_connection", lambda: post)
    moment = NOW
    for _round in range(queues.MOST_SENDS + 3):
        queues.sweep(at(moment))
        moment += timedelta(hours=2)
    assert post.tried == queues.MOST_SENDS
    assert Notice.objects.get().dead_at is not None
    monkeypatch.undo()
    services.send_again(boss.coop, by=boss, notice_id=row.public_id, now=moment)
    assert queues.sweep(at(moment)).sent == 1


def test_an_address_the_server_does_not_know_is_given_up_at_once(monkeypatch):
    coop = make_coop()
    tell(coop)
    refusal = smtplib.SMTPRecipientsRefused({"ben@hollow-lane.example": (550, b"no such user")})
    monkeypatch.setattr(queues, "get_connection", lambda: BadPost(refusal))
    queues.sweep(at(NOW))
    assert Notice.objects.get().dead_at == NOW


def test_one_bad_address_does_not_hold_up_the_others(monkeypatch):
    coop = make_coop()
    tell(coop, key="a")
    tell(coop, key="b")
    refusal = smtplib.SMTPRecipientsRefused({"x": (550, b"no such user")})
    post = BadPost(refusal)
    monkeypatch.setattr(queues, "get_connection", lambda: post)
    queues.sweep(at(NOW))
    assert post.tried == 2


def test_the_paper_goes_with_the_mail():
    member = ben()
    paper = documents.keep(
        member.coop, kind="statement", subject=uuid4(), title="S", file_name="s.pdf", content=b"%PDF-1.7 x", now=NOW
    )
    tell(member.coop, document=paper)
    queues.sweep(at(NOW))
    text = mails()[0].read_text()
    assert 'filename="s.pdf"' in text
    assert "application/pdf" in text


def test_the_mail_in_the_folder_can_be_read():
    coop = make_coop()
    row = tell(coop)
    assert kept(row.public_id) is None
    queues.sweep(at(NOW))
    assert "Bring wood." in kept(row.public_id)


@pytest.fixture
def works():
    """Kinds of computations for these tests, taken out afterwards."""
    before = dict(computations._WORKS)
    yield computations._WORKS
    computations._WORKS.clear()
    computations._WORKS.update(before)


def test_a_computation_is_carried_out_once_and_keeps_its_answer(works):
    coop, calls = make_coop(), []

    @computations.work("double")
    def double(row, now):
        calls.append(row.pk)
        return {"twice": row.request["n"] * 2}

    row = want(coop, kind="double", request={"n": 4})
    assert queues.compute(row.pk, at(NOW)) is True
    assert queues.compute(row.pk, at(NOW)) is False
    assert queues.sweep(at(NOW)).computed == 0
    done = Computation.objects.get()
    assert (done.state, done.answer, calls) == ("done", {"twice": 8}, [row.pk])


def test_the_same_question_while_one_waits_is_the_same_row():
    coop, subject = make_coop(), uuid4()
    assert want(coop, kind="x", subject=subject).pk == want(coop, kind="x", subject=subject).pk


def test_a_refused_computation_says_why_and_is_not_tried_again(works):
    boss = cora()

    @computations.work("no")
    def no(row, now):
        raise Refused("There are no pieces to place; list some first.")

    row = want(boss.coop, kind="no")
    queues.sweep(at(NOW))
    assert Computation.objects.get().trouble == "There are no pieces to place; list some first."
    assert queues.sweep(at(NOW + timedelta(days=1))).computed == 0
    works["no"] = lambda row, now: {}
    services.compute_again(boss.coop, by=boss, computation_id=row.public_id, now=NOW)
    assert queues.sweep(at(NOW)).computed == 1


def test_a_fault_is_tried_three_times_then_said_plainly(works):
    coop, calls = make_coop(), []

    @computations.work("broken")
    def broken(row, now):
        calls.append(1)
        raise ZeroDivisionError("secret detail")

    want(coop, kind="broken")
    for hour in range(6):
        queues.sweep(at(NOW + timedelta(hours=hour)))
    failed = Computation.objects.get()
    assert (len(calls), failed.state) == (3, "failed")
    assert "secret" not in failed.trouble


def test_a_computation_that_kills_its_workers_is_given_up():
    coop = make_coop()
    row = want(coop, kind="killer")
    for minute in (0, 10, 20):
        assert queues._claim_computation(NOW + timedelta(minutes=minute)).pk == row.pk
    assert queues.sweep(at(NOW + timedelta(minutes=30))).given_up == 1
    assert Computation.objects.get().state == "failed"


def test_a_paper_made_twice_for_one_computation_stays_one():
    coop = make_coop()
    row = want(coop, kind="paper")
    made = [
        documents.keep(
            coop,
            kind="sheet",
            subject=row.subject,
            title="T",
            file_name="t.pdf",
            content=content,
            now=NOW,
            computation=row,
        )
        for content in (b"first", b"second")
    ]
    assert made[0].pk == made[1].pk
    assert bytes(Document.objects.get().content) == b"first"


def test_what_waits_too_long_is_seen():
    coop = make_coop()
    assert queues.overdue_since(NOW) is None
    tell(coop, due_at=NOW - timedelta(minutes=7))
    assert queues.overdue_since(NOW) == NOW - timedelta(minutes=7)
    queues.sweep(at(NOW))
    assert queues.overdue_since(NOW) is None


def test_a_clock_that_jumps_loses_no_mail_and_sends_none_twice():
    coop, jumps = make_coop(), [0, -7200, 86_400, -86_400, 3600, 0, 7200, 90_000]
    moments = [NOW + timedelta(seconds=jump) for jump in jumps]
    for number, moment in enumerate(moments):
        tell(coop, key=str(number), now=moment)
        queues.sweep(at(moment))
    queues.sweep(at(max(moments)))
    assert Notice.objects.exclude(sent_at=None).count() == len(mails()) == len(jumps)
    assert set(Notice.objects.values_list("attempts", flat=True)) == {1}


def test_a_lease_taken_before_the_clock_went_back_ends_all_the_same():
    notice = tell(make_coop())
    Notice.objects.filter(pk=notice.pk).update(leased_until=NOW + queues.SENDING, attempts=1)
    queues.sweep(at(NOW - timedelta(hours=1)))
    assert mails() == []
    queues.sweep(at(NOW + queues.SENDING + timedelta(seconds=1)))
    assert len(mails()) == 1
