"""What comes by itself: a reminder before each watch, once."""

from datetime import UTC, datetime, timedelta

import pytest

from coop.models import Notice
from coop.policy import Terms
from firings.models import Chore
from firings.services import chores, reminders, watches
from tests.factories import NOW, ada, ben, stu
from tests.factories_watches import join, make_watch_firing, stoker, watches_of

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)


def reminded():
    return sorted(Notice.objects.filter(kind="watch-reminder").values_list("to_person__name", flat=True))


@pytest.mark.parametrize("hours", [6, 24, 72])
def test_a_reminder_comes_as_many_hours_before_as_the_policy_says_and_once(hours):
    firing = make_watch_firing(terms=Terms(remind_hours=hours))
    first = watches_of(firing)[0]
    join(first, ada(), stoker())
    due = first.starts_at - timedelta(hours=hours)
    assert reminders.remind(firing.coop, now=due - timedelta(minutes=1)) == 0
    assert reminders.remind(firing.coop, now=due) == 2
    assert reminders.remind(firing.coop, now=due + HOUR) == 0
    assert reminded() == ["Ada", "Sid"]
    assert all(one.stale_at == first.starts_at for one in Notice.objects.filter(kind="watch-reminder"))


def test_who_gave_up_and_who_comes_too_late_is_not_reminded():
    firing = make_watch_firing()
    first = watches_of(firing)[0]
    join(first, ada(), stoker(), stoker("Tam"))
    watches.give_up(firing.coop, by=stoker(), now=NOW, watch_id=first.public_id)
    reminders.remind(firing.coop, now=first.starts_at - HOUR)
    assert reminded() == ["Ada", "Tam"]
    assert reminders.remind(firing.coop, now=first.starts_at) == 0


def test_a_watch_that_moved_is_reminded_of_anew():
    firing = make_watch_firing()
    first = watches_of(firing)[0]
    join(first, ada(), stoker())
    reminders.remind(firing.coop, now=first.starts_at - HOUR)
    type(first).objects.filter(pk=first.pk).update(starts_at=first.starts_at + HOUR)
    assert reminders.remind(firing.coop, now=first.starts_at) == 2


def test_the_reminder_names_the_hour_that_comes_twice():
    # Dublin 2026: at 02:00 on 25 October the clocks go back to 01:00.
    lights = datetime(2026, 10, 24, 18, 30, tzinfo=UTC)
    firing = make_watch_firing(lights_at=lights)
    second = watches_of(firing)[1]  # 00:30 UTC is 01:30 in summer time; six hours on is 06:30 in winter time
    join(second, ada(), stoker())
    assert reminders.remind(firing.coop, now=second.starts_at - 24 * HOUR - timedelta(seconds=1)) == 0
    assert reminders.remind(firing.coop, now=second.starts_at - 24 * HOUR) == 2
    text = Notice.objects.filter(kind="watch-reminder").first().text
    assert "2026-10-25 01:30 IST to 06:30" in text


def test_a_chore_is_reminded_of_once_and_says_who_is_missing():
    firing = make_watch_firing()
    grinding = Chore.objects.get(firing=firing, kind="grinding")
    chores.sign_up(firing.coop, by=stu(), now=NOW, chore_id=grinding.public_id)
    assert reminders.remind(firing.coop, now=grinding.starts_at - 25 * HOUR) == 0
    assert reminders.remind(firing.coop, now=grinding.starts_at - 24 * HOUR) == 1
    assert reminders.remind(firing.coop, now=grinding.starts_at - 23 * HOUR) == 0
    text = Notice.objects.get(kind="chore-reminder", to_person=stu().person).text
    assert "1 of 2 people are still missing" in text
    assert "Nobody saws, splits or grinds alone" in text


def test_a_chore_given_up_or_full_says_no_more_than_it_must():
    firing = make_watch_firing()
    wads = Chore.objects.get(firing=firing, kind="wads")
    for member in (ben(), stoker(), stoker("Tam")):
        chores.sign_up(firing.coop, by=member, now=NOW, chore_id=wads.public_id)
    chores.give_up(firing.coop, by=ben(), now=NOW, chore_id=wads.public_id)
    assert reminders.remind(firing.coop, now=wads.starts_at - HOUR) == 2
    assert not any("missing" in one.text for one in Notice.objects.filter(kind="chore-reminder"))
