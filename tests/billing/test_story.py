"""The story the demo tells holds together."""

from datetime import timedelta

import pytest

from billing.management import story
from firings.models import LogEntry
from firings.queries import on_call as queries
from firings.services import on_call
from tests.factories import ada, tess
from tests.factories_watches import give_space, join, leader, make_watch_firing, stoker, watches_of

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)


def test_a_fire_in_the_story_has_its_crew_there_and_calls_nobody():
    firing = make_watch_firing(stage="loading", deputy=tess())
    first, second, third, _fourth = watches_of(firing)
    join(first, leader("Liv"), stoker("Sal"))
    join(second, leader("Lou"), stoker("Sol"))
    join(third, leader("Lil"), stoker("Sam"))
    give_space(firing, ada(), 5000)
    cast = story.Cast(firing.coop, lead=ada(), deputy=tess(), treasurer=tess(), steward=ada())
    now = second.starts_at + 2 * HOUR
    assert story.burn(cast, firing, until=now, seed=3, target_c=1300, cones=("8", "10")) == LogEntry.objects.count() > 0
    assert {one.member.name for one in queries.people_of(second) if one.here} == {"Lou", "Sol"}
    assert not any(one.here for one in queries.people_of(third))
    assert on_call.escalate(firing.coop, now=now) == 0
