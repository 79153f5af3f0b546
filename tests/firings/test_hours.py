"""The hours account: owed to the minute, credited once, adjusted with a reason."""

from datetime import UTC, datetime, timedelta
from fractions import Fraction

import pytest
from django.db import IntegrityError, transaction
from django.db.models import Sum
from hypothesis import given
from hypothesis import strategies as st

from coop.errors import Malformed, NotAllowed, NotFound, Taken
from coop.models import Notice
from coop.policy import Terms
from firings.models import HoursEntry
from firings.queries import hours as queries
from firings.roster.hours import credited_minutes
from firings.services import hours
from tests.factories import NOW, ada, ben, cora, cy, tess
from tests.factories_watches import give_space, make_watch_firing

moments = st.datetimes(datetime(2026, 1, 1), datetime(2026, 12, 31)).map(
    lambda at: at.replace(tzinfo=UTC, microsecond=0)
)


@given(moments, st.integers(1, 60 * 72))
def test_minutes_agree_with_the_roster_core_at_its_night(start, minutes):
    end = start + timedelta(minutes=minutes)
    core = credited_minutes(start, end, "Europe/Dublin", night_weight=Fraction(3, 2))
    assert abs(queries.credited(start, end, "Europe/Dublin", Terms()) - core) <= 1  # halves round differently


@pytest.mark.parametrize(
    ("local", "night"),
    [
        # Dublin 2026: clocks go forward 29 March 01:00, back 25 October 02:00; the night is 22:00 to 06:00.
        ((datetime(2026, 3, 28, 22, tzinfo=UTC), datetime(2026, 3, 29, 5, tzinfo=UTC)), 7 * 60),
        ((datetime(2026, 10, 24, 21, tzinfo=UTC), datetime(2026, 10, 25, 6, tzinfo=UTC)), 9 * 60),
    ],
)
def test_the_night_of_the_clock_change_is_as_long_as_it_is(local, night):
    assert queries.night_minutes(*local, "Europe/Dublin", Terms()) == night


def test_a_night_that_does_not_pass_midnight_counts():
    terms = Terms(night_from_hour=1, night_to_hour=5)
    start = datetime(2026, 1, 10, 22, tzinfo=UTC)
    assert queries.night_minutes(start, start + timedelta(hours=8), "Europe/Dublin", terms) == 4 * 60


@pytest.mark.django_db
def test_what_is_owed_adds_up_to_the_work_to_the_minute():
    firing = make_watch_firing(terms=Terms(owed_share_even=Fraction(1, 3)))
    for member, ml in ((ada(), 10_000), (ben(), 20_001), (tess(), 7)):
        give_space(firing, member, ml)
    hours.owe_for(firing, ada(), NOW)
    owed = HoursEntry.objects.filter(kind="owed").aggregate(minutes=Sum("minutes"))["minutes"]
    assert -owed == queries.work_asked(firing) > 0


@pytest.mark.django_db
def test_half_is_owed_alike_and_half_by_litres():
    firing = make_watch_firing()  # owed_share_even 1/2
    give_space(firing, ada(), 30_000)
    give_space(firing, ben(), 10_000)
    hours.owe_for(firing, None, NOW)
    work = queries.work_asked(firing)
    minutes = {entry.member.name: -entry.minutes for entry in HoursEntry.objects.all()}
    assert abs(minutes["Ada"] - work * Fraction(5, 8)) < 1  # 1/2 x 1/2 + 1/2 x 3/4
    assert abs(minutes["Ben"] - work * Fraction(3, 8)) < 1


@pytest.mark.django_db
def test_owing_twice_owes_once():
    firing = make_watch_firing()
    give_space(firing, ben(), 10_000)
    assert len(hours.owe_for(firing, None, NOW)) == 1
    assert hours.owe_for(firing, None, NOW) == []
    assert HoursEntry.objects.count() == 1


@pytest.mark.django_db
def test_nobody_with_space_owes_nothing():
    assert hours.owe_for(make_watch_firing(), None, NOW) == []


@pytest.mark.django_db
def test_the_account_says_owed_worked_and_missing():
    firing = make_watch_firing()
    give_space(firing, ben(), 10_000)
    hours.owe_for(firing, None, NOW)
    hours.credit(member=ben(), firing=firing, kind="chore", minutes=60, why="Wads", key="chore:1", by=ada(), now=NOW)
    [account] = queries.for_firing(firing.coop, firing)
    assert account.worked == 60
    assert account.short == account.owed - 60 == -account.balance


@pytest.mark.django_db
def test_only_the_coordinator_adjusts_with_a_reason_and_the_member_is_told():
    firing = make_watch_firing()
    said = {"member_id": ben().public_id, "minutes": 90, "why": "Carried bricks", "firing_id": firing.public_id}
    with pytest.raises(NotAllowed):
        hours.adjust(firing.coop, by=ada(), now=NOW, key="1", **said)
    entry = hours.adjust(firing.coop, by=cora(), now=NOW, key="1", **said)
    assert (entry.minutes, entry.kind, entry.by) == (90, "adjusted", cora())
    assert Notice.objects.filter(to_person=ben().person, kind="hours").count() == 1
    with pytest.raises(Taken, match="nothing was credited twice"):
        hours.adjust(firing.coop, by=cora(), now=NOW, key="1", **said)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("minutes", "why", "match"),
    [(0, "because", "above or below zero"), (60, "   ", "Say why"), (10**7, "because", "31 days")],
)
def test_an_adjustment_that_says_nothing_is_refused(minutes, why, match):
    with pytest.raises(Malformed, match=match):
        hours.adjust(ben().coop, by=cora(), now=NOW, member_id=ben().public_id, minutes=minutes, why=why, key="1")


@pytest.mark.django_db
def test_another_coops_member_is_not_found():
    with pytest.raises(NotFound):
        hours.adjust(ben().coop, by=cora(), now=NOW, member_id=cy().public_id, minutes=5, why="x", key="1")


@pytest.mark.django_db
def test_the_database_refuses_change_twice_and_nothing():
    firing = make_watch_firing()
    entry = hours.credit(
        member=ben(), firing=firing, kind="chore", minutes=60, why="Wads", key="chore:1", by=None, now=NOW
    )
    values = {"coop": firing.coop, "member": ben(), "kind": "chore", "why": "x", "at": NOW}
    with pytest.raises(IntegrityError), transaction.atomic():
        HoursEntry.objects.create(key="chore:1", minutes=5, **values)
    with pytest.raises(IntegrityError, match="hours_entry_is_not_nothing"), transaction.atomic():
        HoursEntry.objects.create(key="chore:2", minutes=0, **values)
    with pytest.raises(IntegrityError, match="append_only"), transaction.atomic():
        HoursEntry.objects.filter(pk=entry.pk).update(minutes=600)
