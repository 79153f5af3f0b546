"""What phones kept without signal: each entry written once, in order, judged by itself, whoever sends first."""

import itertools
import uuid
from datetime import timedelta

import pytest
from django.db import connection

from coop.errors import Malformed, NotAllowed
from firings.models import LogEntry
from firings.queries import fire
from firings.services import firings, log
from firings.services.log import EntrySpec
from tests.factories import NOW, ben
from tests.factories_fire import HOUR, MINUTE, make_fire, on_watch, reading
from tests.factories_firings import make_kiln

pytestmark = pytest.mark.django_db


def kept(dc, at, seq, device="phone-a", **more):
    return reading(dc, at, public_id=uuid.uuid4(), device_id=device, device_seq=seq, **more)


def other(kind, at, seq, **more):
    return EntrySpec(
        kind=kind, observed_at=at, public_id=uuid.uuid4(), device_id="phone-a", device_seq=seq, device_at=at, **more
    )


def send(firing, *entries, by=None, now=None):
    return log.receive(
        firing.coop,
        by=by or on_watch(firing),
        now=now or firing.lit_at + 12 * HOUR,
        firing_id=firing.public_id,
        entries=list(entries),
    )


def outcomes(answers):
    return [answer.outcome for answer in answers]


def test_entries_sent_again_and_again_are_written_once_and_known_afterwards():
    firing = make_fire()
    entries = [kept(1000 + n, firing.lit_at + n * MINUTE, n) for n in range(1, 6)]
    assert outcomes(send(firing, *entries[:3])) == ["written"] * 3
    assert outcomes(send(firing, *entries)) == ["known"] * 3 + ["written"] * 2
    assert outcomes(send(firing, *entries)) == ["known"] * 5
    assert [row.device_seq for row in LogEntry.objects.order_by("pk")] == [1, 2, 3, 4, 5]


def test_a_message_out_of_order_is_written_in_the_order_of_the_phones_numbers_and_answered_as_sent():
    firing = make_fire()
    entries = [kept(1000 + n, firing.lit_at + HOUR, n) for n in (3, 1, 2)]
    answers = send(firing, *entries)
    assert [row.device_seq for row in LogEntry.objects.order_by("pk")] == [1, 2, 3]
    assert [answer.row.public_id for answer in answers] == [spec.public_id for spec in entries]


def test_a_refused_entry_keeps_no_other_out_and_says_why():
    firing = make_fire()
    hour = firing.lit_at + HOUR
    answers = send(firing, kept(9000, hour, 1), kept(99_990, hour, 2), kept(9100, hour, 3), other("note", hour, 4))
    assert outcomes(answers) == ["written", "refused", "written", "refused"]
    assert "No kiln is at 9999" in str(answers[1].why)
    assert "Write the note first" in str(answers[3].why)
    assert LogEntry.objects.count() == 2


def test_the_clock_of_the_phone_and_its_offset_are_kept_beside_ours():
    firing = make_fire()
    seen, now = firing.lit_at + HOUR, firing.lit_at + 9 * HOUR
    send(firing, kept(9000, seen, 1, device_at=seen + MINUTE, device_offset_min=-210), now=now)
    row = LogEntry.objects.get()
    assert (row.observed_at, row.device_at, row.entered_at) == (seen, seen + MINUTE, now)
    assert row.device_offset_min == -210
    assert outcomes(send(firing, kept(9000, seen, 2, device_offset_min=900))) == ["refused"]


def test_a_second_entry_of_one_number_of_a_device_is_refused_alone():
    firing = make_fire()
    hour = firing.lit_at + HOUR
    send(firing, kept(9000, hour, 1))
    answers = send(firing, kept(9010, hour, 1), kept(9020, hour, 2))
    assert outcomes(answers) == ["refused", "written"]
    assert "already sent another entry of that number" in str(answers[0].why)


def test_an_id_of_another_firings_log_is_refused_alone():
    one = make_fire()
    two = make_fire(kiln=make_kiln(name="Second kiln"), occupied_from=NOW + timedelta(days=40))
    taken, fresh = kept(9000, one.lit_at + HOUR, 1), kept(9000, two.lit_at + HOUR, 2)
    send(one, taken)
    answers = send(two, taken, fresh)
    assert outcomes(answers) == ["refused", "written"]
    assert "log of another firing" in str(answers[0].why)


def test_who_does_not_keep_this_log_sends_nothing_and_too_much_or_nameless_is_malformed():
    firing = make_fire()
    hour = firing.lit_at + HOUR
    with pytest.raises(NotAllowed):
        send(firing, kept(9000, hour, 1), by=ben())
    with pytest.raises(Malformed, match="an id made by the device"):
        send(firing, reading(9000, hour))
    with pytest.raises(Malformed, match="at most 500"):
        send(firing, *(kept(9000, hour, n) for n in range(501)))
    assert not LogEntry.objects.exists()


def ended(firing, at):
    firings.move_on(
        firing.coop, by=firing.lead, now=at, firing_id=firing.public_id, to="cooling", note="cone 11 down all over"
    )
    firing.refresh_from_db()
    return firing


def test_a_stoke_of_before_the_end_comes_late_and_one_of_after_it_is_refused_with_the_hour_of_the_end():
    firing = make_fire()
    end = firing.lit_at + 10 * HOUR
    ended(firing, end)
    before, after = other("stoke", end - MINUTE, 1, pieces=4), other("stoke", end + MINUTE, 2, pieces=4)
    answers = send(firing, before, after, other("note", end + MINUTE, 3, text="one more piece went in"))
    assert outcomes(answers) == ["written", "refused", "written"]
    assert LogEntry.objects.get(kind="stoke").observed_at == end - MINUTE
    assert "no stoke comes after that" in str(answers[1].why)
    assert outcomes(send(firing, kept(9000, end + HOUR, 4))) == ["written"]  # it cools and is read on


def test_a_reading_of_before_the_kiln_was_opened_comes_late_and_one_of_after_it_is_refused():
    firing = make_fire(stage="unpacking")
    opened = firing.opened_at
    answers = send(
        firing, kept(900, opened - MINUTE, 1), kept(880, opened + MINUTE, 2), by=firing.lead, now=opened + HOUR
    )
    assert outcomes(answers) == ["written", "refused"]
    assert "takes notes only" in str(answers[1].why)


def test_two_phones_end_in_the_same_log_whichever_sends_first_and_however_often():
    firing = make_fire()
    a = [kept(9000 + 10 * n, firing.lit_at + n * MINUTE, n, device="phone-a") for n in range(1, 9)]
    b = [kept(9005 + 10 * n, firing.lit_at + n * MINUTE, n, device="phone-b", probe="back") for n in range(1, 9)]
    seen = []
    for parts in itertools.permutations([a[:5], b, a[2:]], 3):
        with connection.cursor() as cursor:
            cursor.execute("SAVEPOINT before_this_order")
        for part in parts:
            send(firing, *part)
        lines = fire.lines_of(fire.rows_of(firing))
        seen.append(sorted((line.at, line.entry.probe, line.entry.temperature_dc) for line in lines))
        with connection.cursor() as cursor:
            cursor.execute("ROLLBACK TO SAVEPOINT before_this_order")
    assert len(seen) == 6
    assert len(seen[0]) == 16
    assert all(state == seen[0] for state in seen)
