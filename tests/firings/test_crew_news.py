"""Mending a roster at midnight: who drops out, who comes late, a fire that runs longer, and who is told or asked."""

from datetime import UTC, datetime, timedelta

import pytest
from django.db import IntegrityError, transaction

from coop.errors import Malformed, NotAllowed, NotFound, Refused, Taken
from coop.models import Computation, Notice
from coop.policy import Terms
from firings.models import CrewNews, HoursEntry, PlaceQuestion, WatchPlace, WatchPresence, WatchProposal, Wish
from firings.services import crew_news, mending
from tests.factories import NOW, ada, ben, cy
from tests.factories_watches import LIGHTS, join, leader, make_watch_firing, stoker, watches_of

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)
ELEVEN_AT_NIGHT = LIGHTS + 17 * HOUR  # Saturday 23:00 in Dublin, an hour before the fourth watch


def burning(**fields):
    """A fire lit at six in the morning: Liv and Sal, Lou and Sol, Lil and Sam, Lea and Sid from midnight."""
    firing = make_watch_firing(stage="lit", lit_at=LIGHTS, **fields)
    first, second, third, fourth = watches_of(firing)
    join(first, leader("Liv"), stoker("Sal"))
    join(second, leader("Lou"), stoker("Sol"))
    join(third, leader("Lil"), stoker("Sam"))
    join(fourth, leader("Lea"), stoker("Sid"))
    return firing


def can(member, *watches, value="."):
    for watch in watches:
        Wish.objects.create(coop=member.coop, watch=watch, member=member, value=value)
    return member


def place_of(member, watch):
    return WatchPlace.objects.get(member=member, watch=watch, given_up_at=None)


def out(member, watch, *, now, by=None):
    place = place_of(member, watch)
    return crew_news.cannot_come(watch.coop, by=by or member, now=now, place_id=place.public_id)


def mended(firing, now):
    """Do the computation that waits, and give the proposal it lays before the lead with what would come of it."""
    row = Computation.objects.get(kind="watch_mending", state="waiting")
    crew_news.compute_mending(row, now)
    proposal = WatchProposal.objects.get(firing=firing, replaced_at=None, accepted_at=None)
    return proposal, mending.effects(firing, proposal, now)


def accept(proposal, now, *, by=None, seen=None):
    return crew_news.accept_mending(proposal.coop, by=by or ada(), now=now, proposal_id=proposal.public_id, seen=seen)


def crew(watch):
    held = WatchPlace.objects.filter(watch=watch, given_up_at=None)
    return set(held.values_list("member__person__name", flat=True))


def mails(since, member=None):
    found = Notice.objects.filter(made_at=since)
    return found.filter(to_person=member.person) if member else found


# --- Somebody drops out ---


def test_a_drop_out_an_hour_before_midnight_is_told_to_the_lead_at_once():
    firing = burning()
    out(stoker("Sid"), watches_of(firing)[3], now=ELEVEN_AT_NIGHT)
    (mail,) = mails(ELEVEN_AT_NIGHT)
    assert mail.to_person == ada().person
    assert "Sid cannot come; the watch begins in 1 h 00 min" in mail.subject
    assert crew(watches_of(firing)[3]) == {"Lea", "Sid"}  # until the lead has accepted


def test_only_who_drops_out_and_who_comes_instead_are_told_anything():
    firing = burning()
    fourth = watches_of(firing)[3]
    can(stoker("Sue"), fourth)
    out(stoker("Sid"), fourth, now=ELEVEN_AT_NIGHT)
    proposal, found = mended(firing, ELEVEN_AT_NIGHT)
    assert [(one.member.name, one.asks) for one in found.told] == [("Sid", False), ("Sue", False)]
    assert "You stand 2026-05-10 00:00 to 06:00" in found.told[1].lines[0]
    assert proposal.mends["is_fewest"]
    later = ELEVEN_AT_NIGHT + timedelta(minutes=5)
    done = accept(proposal, later, seen=found.seen)
    assert crew(fourth) == {"Lea", "Sue"}
    assert {mail.to_person.name for mail in mails(later)} == {"Sid", "Sue"} == {one.name for one in done.told}
    assert not CrewNews.objects.open().exists()
    fourth.refresh_from_db()
    assert fourth.taken == 2


def test_a_lead_who_drops_out_is_replaced_by_somebody_who_may_lead():
    firing = burning()
    fourth = watches_of(firing)[3]
    can(stoker("Sue"), fourth, value="+")
    can(leader("Lisa"), fourth, value="-")
    can(ada(), fourth, value="x")
    out(leader("Lea"), fourth, now=ELEVEN_AT_NIGHT)
    proposal, _found = mended(firing, ELEVEN_AT_NIGHT)
    accept(proposal, ELEVEN_AT_NIGHT)
    assert crew(fourth) == {"Lisa", "Sid"}
    assert place_of(leader("Lisa"), fourth).is_leading


def test_whoever_says_no_one_can_come_leaves_a_gap_that_is_said_and_nobody_is_told_for_nothing():
    firing = burning()
    fourth = watches_of(firing)[3]
    can(ada(), fourth, value="x")
    out(stoker("Sid"), fourth, now=ELEVEN_AT_NIGHT)
    proposal, found = mended(firing, ELEVEN_AT_NIGHT)
    assert proposal.answer["unfilled"][0]["task"] == str(fourth.public_id)
    assert {one.member.name for one in found.told} <= {"Sid", "Lea"}


def test_a_person_who_said_cannot_is_never_put_on():
    firing = burning()
    fourth = watches_of(firing)[3]
    can(stoker("Sue"), fourth, value="x")
    out(stoker("Sid"), fourth, now=ELEVEN_AT_NIGHT)
    proposal, _found = mended(firing, ELEVEN_AT_NIGHT)
    assert str(stoker("Sue").public_id) not in proposal.answer["assigned"][str(fourth.public_id)]


def test_only_oneself_or_the_lead_says_that_somebody_cannot_come():
    firing = burning()
    fourth = watches_of(firing)[3]
    with pytest.raises(NotAllowed):
        out(stoker("Sid"), fourth, now=ELEVEN_AT_NIGHT, by=ben())
    assert out(stoker("Sid"), fourth, now=ELEVEN_AT_NIGHT, by=ada()).said_by == ada()


def test_it_is_taken_back_and_the_proposal_with_it():
    firing = burning()
    fourth = watches_of(firing)[3]
    can(stoker("Sue"), fourth)
    news = out(stoker("Sid"), fourth, now=ELEVEN_AT_NIGHT)
    proposal, _found = mended(firing, ELEVEN_AT_NIGHT)
    crew_news.take_back(firing.coop, by=stoker("Sid"), now=ELEVEN_AT_NIGHT, news_id=news.public_id)
    with pytest.raises(Taken, match="replaced"):
        accept(proposal, ELEVEN_AT_NIGHT)
    assert crew(fourth) == {"Lea", "Sid"}
    with pytest.raises(Taken):
        crew_news.take_back(firing.coop, by=stoker("Sid"), now=ELEVEN_AT_NIGHT, news_id=news.public_id)


def test_a_list_that_is_no_longer_true_is_not_carried_out():
    firing = burning()
    fourth = watches_of(firing)[3]
    can(stoker("Sue"), fourth)
    out(stoker("Sid"), fourth, now=ELEVEN_AT_NIGHT)
    proposal, found = mended(firing, ELEVEN_AT_NIGHT)
    WatchPlace.objects.create(coop=firing.coop, watch=fourth, member=stoker("Sue"), taken_at=NOW)
    fourth.taken = 3
    fourth.save()
    with pytest.raises(Taken, match="changed since you looked"):
        accept(proposal, ELEVEN_AT_NIGHT, seen=found.seen)
    proposal.refresh_from_db()
    assert proposal.accepted_at is None
    assert crew(fourth) == {"Lea", "Sid", "Sue"}


def test_only_the_lead_accepts_and_nobody_from_elsewhere_finds_it():
    firing = burning()
    out(stoker("Sid"), watches_of(firing)[3], now=ELEVEN_AT_NIGHT)
    proposal, _found = mended(firing, ELEVEN_AT_NIGHT)
    with pytest.raises(NotAllowed):
        accept(proposal, ELEVEN_AT_NIGHT, by=ben())
    with pytest.raises(NotFound):
        crew_news.accept_mending(cy().coop, by=cy(), now=ELEVEN_AT_NIGHT, proposal_id=proposal.public_id)


# --- People at the fire ---


def at_the_fire():
    """Lil stands the first watch now and the fourth tonight; only she could take the third, only Lou the fourth."""
    firing = make_watch_firing(stage="lit", lit_at=LIGHTS, terms=Terms(rest_hours=6, most_hours_in_24=12))
    first, second, third, fourth = watches_of(firing)
    join(first, leader("Lil"), stoker("Sid"))
    join(second, leader("Lea"), stoker("Sol"))
    join(third, leader("Lisa"), stoker("Sam"))
    join(fourth, leader("Lil"), stoker("Sid"))
    can(leader("Lil"), third)
    can(leader("Lou"), fourth)
    can(leader("Lou"), third, value="x")
    can(leader("Lea"), third, fourth, value="x")
    can(leader("Lisa"), fourth, value="x")
    can(ada(), *watches_of(firing), value="x")
    now = LIGHTS + HOUR
    out(leader("Lisa"), third, now=now)
    proposal, found = mended(firing, now)
    return firing, proposal, found, now


def test_somebody_at_the_fire_is_asked_and_stays_until_they_agree():
    firing, proposal, found, now = at_the_fire()
    third, fourth = watches_of(firing)[2:]
    assert [(one.member.name, one.asks) for one in found.told] == [("Lil", True), ("Lisa", False), ("Lou", False)]
    done = accept(proposal, now, seen=found.seen)
    assert crew(third) == {"Sam"}
    assert crew(fourth) == {"Lil", "Sid", "Lou"}
    (question,) = done.asked
    crew_news.answer(firing.coop, by=leader("Lil"), now=now, question_id=question.public_id, agrees=True)
    assert crew(third) == {"Sam", "Lil"}
    assert crew(fourth) == {"Sid", "Lou"}
    assert [watch.taken for watch in watches_of(firing)] == [2, 2, 2, 2]


def test_somebody_at_the_fire_who_says_no_keeps_their_places():
    firing, proposal, _found, now = at_the_fire()
    (question,) = accept(proposal, now).asked
    with pytest.raises(NotAllowed, match="Only Lil"):
        crew_news.answer(firing.coop, by=ada(), now=now, question_id=question.public_id, agrees=True)
    crew_news.answer(firing.coop, by=leader("Lil"), now=now, question_id=question.public_id, agrees=False)
    assert "Lil" in crew(watches_of(firing)[3])
    assert mails(now, ada()).filter(subject__contains="Lil says no").exists()
    with pytest.raises(Taken):
        crew_news.answer(firing.coop, by=leader("Lil"), now=now, question_id=question.public_id, agrees=True)


def test_nobody_leaves_the_watch_they_are_on_by_a_mended_roster():
    firing = burning()
    third = watches_of(firing)[2]
    out(stoker("Sam"), third, now=ELEVEN_AT_NIGHT)  # ill at the fire, an hour before the end
    can(stoker("Sue"), third)
    proposal, found = mended(firing, ELEVEN_AT_NIGHT)
    accept(proposal, ELEVEN_AT_NIGHT, seen=found.seen)
    assert crew(third) == {"Lil", "Sue"}
    assert not PlaceQuestion.objects.exists()


@pytest.mark.parametrize(("was_here", "minutes"), [(True, [330]), (False, [])])  # five hours, one of them at night
def test_who_goes_home_ill_is_credited_until_they_said_so_and_who_never_came_is_not(was_here, minutes):
    firing = burning()
    third = watches_of(firing)[2]  # 18:00 to 24:00 in Dublin; the last two hours are night
    sam = stoker("Sam")
    if was_here:
        WatchPresence.objects.create(coop=firing.coop, watch=third, member=sam, at=third.starts_at, said_by=sam)
    out(sam, third, now=ELEVEN_AT_NIGHT)
    can(stoker("Sue"), third)
    later = ELEVEN_AT_NIGHT + HOUR / 2
    proposal, _found = mended(firing, later)
    accept(proposal, later)
    entries = HoursEntry.objects.filter(member=sam)
    assert [entry.minutes for entry in entries] == minutes
    assert all("stood from 18:00 to 23:00" in entry.why for entry in entries)


def test_who_came_late_and_leaves_early_is_credited_between():
    firing = burning()
    third = watches_of(firing)[2]
    sam = stoker("Sam")
    crew_news.comes_late(
        firing.coop, by=sam, now=third.starts_at - HOUR, place_id=place_of(sam, third).public_id, minutes=60
    )
    place = place_of(sam, third)
    with transaction.atomic():
        crew_news.take_off(WatchPlace.objects.get(pk=place.pk), ada(), third.starts_at + 3 * HOUR)
    assert HoursEntry.objects.get(member=sam).minutes == 120


# --- Somebody comes late ---


def late(member, watch, minutes, *, now):
    return crew_news.comes_late(
        watch.coop, by=member, now=now, place_id=place_of(member, watch).public_id, minutes=minutes
    )


def test_who_is_late_is_bridged_by_one_of_the_watch_before_who_is_asked():
    firing = burning()
    third, fourth = watches_of(firing)[2:]
    late(stoker("Sid"), fourth, 90, now=ELEVEN_AT_NIGHT)
    proposal, found = mended(firing, ELEVEN_AT_NIGHT)
    (told,) = found.told
    assert (told.member.name, told.asks) == ("Sam", True)  # the stoker stays, not the lead
    assert "Stay until 01:30, 1 h 30 min beyond the end" in told.lines[0]
    (question,) = accept(proposal, ELEVEN_AT_NIGHT).asked
    crew_news.answer(firing.coop, by=stoker("Sam"), now=ELEVEN_AT_NIGHT, question_id=question.public_id, agrees=True)
    assert place_of(stoker("Sam"), third).stays_until == fourth.starts_at + 90 * timedelta(minutes=1)
    assert crew(fourth) == {"Lea", "Sid"}


def test_for_a_lead_who_is_late_the_lead_stays():
    firing = burning()
    late(leader("Lea"), watches_of(firing)[3], 45, now=ELEVEN_AT_NIGHT)
    _proposal, found = mended(firing, ELEVEN_AT_NIGHT)
    assert [one.member.name for one in found.told] == ["Lil"]


def test_a_crew_that_is_sound_without_the_late_one_keeps_nobody_up():
    firing = burning()
    fourth = watches_of(firing)[3]
    join(fourth, stoker("Sue"))
    late(stoker("Sid"), fourth, 60, now=ELEVEN_AT_NIGHT)
    _proposal, found = mended(firing, ELEVEN_AT_NIGHT)
    assert found.told == ()


def test_who_misses_more_than_half_the_watch_is_replaced():
    firing = burning()
    fourth = watches_of(firing)[3]
    can(stoker("Sue"), fourth)
    late(stoker("Sid"), fourth, 200, now=ELEVEN_AT_NIGHT)
    proposal, _found = mended(firing, ELEVEN_AT_NIGHT)
    accept(proposal, ELEVEN_AT_NIGHT)
    assert crew(fourth) == {"Lea", "Sue"}


@pytest.mark.parametrize(
    ("minutes", "kind", "words"),
    [(0, Malformed, "minutes"), (721, Malformed, "minutes"), (400, Refused, "cannot come")],
)
def test_impossible_lateness_is_refused_in_words(minutes, kind, words):
    firing = burning()
    with pytest.raises(kind, match=words):
        late(stoker("Sid"), watches_of(firing)[3], minutes, now=ELEVEN_AT_NIGHT)
    assert not CrewNews.objects.exists()


# --- The fire runs longer ---


def longer(firing, minutes, *, now, by=None):
    return crew_news.runs_longer(firing.coop, by=by or ada(), now=now, firing_id=firing.public_id, minutes=minutes)


def test_five_hours_more_make_a_watch_with_rested_people_and_move_the_end():
    firing = burning()
    for member in (leader("Lois"), stoker("Sven")):
        can(member, watches_of(firing)[3], value="-")
    can(ada(), watches_of(firing)[3], value="x")
    longer(firing, 300, now=ELEVEN_AT_NIGHT)
    proposal, found = mended(firing, ELEVEN_AT_NIGHT)
    assert [one.member.name for one in found.told] == ["Lois", "Sven"]
    assert len(watches_of(firing)) == 4
    accept(proposal, ELEVEN_AT_NIGHT, seen=found.seen)
    fifth = watches_of(firing)[4]
    assert (fifth.number, fifth.starts_at, fifth.ends_at) == (5, LIGHTS + 24 * HOUR, LIGHTS + 29 * HOUR)
    assert crew(fifth) == {"Lois", "Sven"}
    firing.refresh_from_db()
    assert firing.ends_at == LIGHTS + 29 * HOUR
    assert firing.opens_at >= firing.ends_at


def test_an_hour_more_lengthens_a_last_watch_that_has_not_begun_and_tells_its_crew():
    firing = burning()
    fourth = watches_of(firing)[3]
    longer(firing, 60, now=ELEVEN_AT_NIGHT)
    proposal, found = mended(firing, ELEVEN_AT_NIGHT)
    assert [(one.member.name, one.asks) for one in found.told] == [("Lea", False), ("Sid", False)]
    assert "now ends at 07:00" in found.told[0].lines[0]
    accept(proposal, ELEVEN_AT_NIGHT)
    fourth.refresh_from_db()
    assert fourth.ends_at == LIGHTS + 25 * HOUR


def test_an_hour_more_of_the_watch_that_runs_asks_its_crew_to_go_on():
    firing = burning()
    now = LIGHTS + 20 * HOUR
    longer(firing, 60, now=now)
    proposal, found = mended(firing, now)
    assert [(one.member.name, one.asks) for one in found.told] == [("Lea", True), ("Sid", True)]
    done = accept(proposal, now)
    fifth = watches_of(firing)[4]
    assert crew(fifth) == set()
    for question in done.asked:
        crew_news.answer(firing.coop, by=question.member, now=now, question_id=question.public_id, agrees=True)
    assert crew(fifth) == {"Lea", "Sid"}


def test_nobody_is_asked_to_go_on_beyond_the_hours_of_a_day():
    firing = burning(terms=Terms(most_hours_in_24=6, rest_hours=8))
    now = LIGHTS + 20 * HOUR
    longer(firing, 60, now=now)
    _proposal, found = mended(firing, now)
    assert not any(one.asks for one in found.told)


def test_only_the_lead_says_how_long_the_fire_runs():
    firing = burning()
    with pytest.raises(NotAllowed):
        longer(firing, 300, now=ELEVEN_AT_NIGHT, by=ben())
    for minutes in (0, -60, 100_000):
        with pytest.raises(Malformed):
            longer(firing, minutes, now=ELEVEN_AT_NIGHT)


def test_the_later_word_about_the_end_counts():
    firing = burning()
    longer(firing, 300, now=ELEVEN_AT_NIGHT)
    longer(firing, 600, now=ELEVEN_AT_NIGHT)
    assert [news.minutes for news in CrewNews.objects.open()] == [600]


def test_a_longer_fire_in_the_night_of_the_clock_change_counts_elapsed_hours():
    # Dublin, 25 October 2026: 02:00 IST becomes 01:00 GMT. The fire would end at 00:30 IST; five hours more end at
    # 04:30 GMT by the clock, which is six on the dial and five for the crew.
    lights = datetime(2026, 10, 24, 11, 30, tzinfo=UTC)
    firing = make_watch_firing(stage="lit", lights_at=lights, lit_at=lights, hours=12)
    for watch, lead, hand in zip(watches_of(firing), ("Lea", "Lil"), ("Sid", "Sam"), strict=True):
        join(watch, leader(lead), stoker(hand))
    for member in (leader("Lou"), stoker("Sol")):
        can(member, watches_of(firing)[1], value="-")
    now = lights + 2 * HOUR
    longer(firing, 300, now=now)
    proposal, found = mended(firing, now)
    accept(proposal, now)
    last = watches_of(firing)[2]
    assert last.ends_at - last.starts_at == 5 * HOUR
    assert "2026-10-25 00:30 to 04:30" in found.told[0].lines[0]


# --- The database ---


def test_the_database_refuses_news_without_its_words():
    firing = burning()
    place = place_of(stoker("Sid"), watches_of(firing)[3])
    made = {"coop": firing.coop, "firing": firing, "said_at": NOW}
    wrongs = [{"kind": "late", "place": place}, {"kind": "longer"}, {"kind": "out"}, {"kind": "gone", "place": place}]
    for wrong in wrongs:
        with pytest.raises(IntegrityError, match="news_says_what_it_must"), transaction.atomic():
            CrewNews.objects.create(**made, **wrong)
    CrewNews.objects.create(**made, kind="out", place=place)
    with pytest.raises(IntegrityError), transaction.atomic():
        CrewNews.objects.create(**made, kind="late", place=place, minutes=5)


def test_the_database_refuses_a_question_about_nothing():
    firing = burning()
    made = {"coop": firing.coop, "firing": firing, "member": ada(), "asked_at": NOW}
    for wrong in ({}, {"until": NOW}):
        with pytest.raises(IntegrityError, match="question_asks_something"), transaction.atomic():
            PlaceQuestion.objects.create(**made, **wrong)
    with pytest.raises(IntegrityError, match="answer_closes_question"), transaction.atomic():
        PlaceQuestion.objects.create(**made, takes=watches_of(firing)[0], agreed=True)
