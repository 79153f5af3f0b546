"""The roster for the wall: two days a sheet, gaps to write a name on, both half past ones told apart."""

from datetime import UTC, datetime, timedelta

import pytest
from django.template.loader import render_to_string
from django.utils import timezone

from firings.documents.roster_sheet import context_of
from firings.models import CrewNews, Watch, WatchPlace
from firings.queries.firings import firing_of
from tests.factories import NOW, ada
from tests.factories_watches import LIGHTS, join, leader, make_watch_firing, stoker, watches_of

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)


def sheet(firing, now=NOW):
    found = firing_of(firing.coop, firing.public_id)
    with timezone.override("Europe/Dublin"):
        context = context_of(found, now)
        return context, render_to_string("print/roster.html", context)


def test_every_watch_stands_on_one_sheet_of_two_days():
    firing = make_watch_firing(hours=96)
    context, text = sheet(firing)
    numbers = [row.watch.number for page in context["sheets"] for row in page.rows]
    assert numbers == [watch.number for watch in watches_of(firing)]
    assert [len(page.rows) for page in context["sheets"]] == [7, 8, 1]
    assert text.count("next-page") >= 2


def test_a_gap_has_a_line_for_each_name_that_is_missing():
    firing = make_watch_firing(hours=6)
    join(watches_of(firing)[0], ada())
    _context, text = sheet(firing)
    assert "★ <strong>Ada</strong>" in text
    assert "1 place open" in text
    assert text.count('class="blank"') == 1


def test_who_cannot_come_is_struck_out_and_who_stays_is_named():
    firing = make_watch_firing(hours=12)
    first, second = watches_of(firing)
    lea, _ = join(first, leader("Lea"), stoker("Sid"))
    _, sam = join(second, leader("Lil"), stoker("Sam"))
    CrewNews.objects.create(coop=firing.coop, firing=firing, kind="out", place=sam, said_at=NOW)
    WatchPlace.objects.filter(pk=lea.pk).update(stays_until=LIGHTS + 7 * HOUR)
    _context, text = sheet(firing)
    assert "<s>Sam</s>" in text
    assert "stays until 13:00" in text


def test_both_half_past_ones_of_the_clock_change_are_told_apart_on_paper():
    # Dublin, 25 October 2026: 02:00 IST becomes 01:00 GMT.
    firing = make_watch_firing(lights_at=datetime(2026, 10, 24, 18, 30, tzinfo=UTC), hours=12)
    first, second = watches_of(firing)
    Watch.objects.filter(pk=first.pk).update(ends_at=datetime(2026, 10, 25, 0, 30, tzinfo=UTC))
    Watch.objects.filter(pk=second.pk).update(starts_at=datetime(2026, 10, 25, 1, 30, tzinfo=UTC))
    _context, text = sheet(firing)
    assert "19:30 – 01:30 IST" in text
    assert "01:30 GMT – 06:30" in text


def test_an_empty_roster_says_when_there_will_be_one():
    firing = make_watch_firing(cut=False)
    assert "cut when booking opens" in sheet(firing)[1]
