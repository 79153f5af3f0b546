"""Watches: cut from phases, taken by the rules, given away with consent, confirmed by somebody else."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from django.db import IntegrityError, connection, transaction
from django.db.models import F
from django.test.utils import CaptureQueriesContext

from coop.errors import Malformed, NotAllowed, NotFound, Refused, Taken
from coop.models import Notice
from coop.policy import Terms
from firings.models import CrewNews, HoursEntry, PlaceOffer, Watch, WatchPlace, Wish
from firings.queries import hours
from firings.queries import watches as queries
from firings.queries.firings import firing_of
from firings.services import watches
from tests.factories import NOW, ada, ben, cy, make_member
from tests.factories_watches import (
    LIGHTS,
    a_real_database,
    at_once,
    join,
    leader,
    make_watch_firing,
    make_watch_kiln,
    stoker,
    watches_of,
)

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)


def notices_to(member, kind="watch"):
    return Notice.objects.filter(to_person=member.person, kind=kind)


# --- Cutting ---


def test_the_fire_is_cut_into_watches_that_cover_it_exactly():
    firing = make_watch_firing()
    spans = [(watch.starts_at, watch.ends_at) for watch in watches_of(firing)]
    assert spans == [(LIGHTS + n * 6 * HOUR, LIGHTS + (n + 1) * 6 * HOUR) for n in range(4)]


def test_a_watch_takes_the_crew_of_its_phase():
    kiln = make_watch_kiln(phases=(("light-up", 0, 500, 2, 3), ("side-stoking", 500, 1000, 4, 5)))
    assert [(w.people, w.most_people) for w in watches_of(make_watch_firing(kiln=kiln))] == [
        (2, 3),
        (2, 3),
        (4, 5),
        (4, 5),
    ]


def test_cutting_again_changes_nothing_and_tells_nobody():
    firing = make_watch_firing()
    first = watches_of(firing)
    join(first[0], ada(), ben())
    told = Notice.objects.count()
    watches.cut_for(firing, NOW)
    assert [watch.pk for watch in watches_of(firing)] == [watch.pk for watch in first]
    assert watches_of(firing)[0].taken == 2
    assert Notice.objects.count() == told


def test_a_fire_lit_an_hour_later_keeps_its_people_and_tells_them():
    firing = make_watch_firing()
    join(watches_of(firing)[1], ada(), ben())
    firing.lights_at += HOUR
    firing.ends_at += HOUR
    firing.save()
    watches.cut_for(firing, NOW)
    moved = watches_of(firing)[1]
    assert moved.starts_at == LIGHTS + 7 * HOUR
    assert moved.taken == WatchPlace.objects.filter(watch=moved, given_up_at=None).count() == 2
    assert notices_to(ben()).filter(subject__contains="has moved").count() == 1


def test_a_fire_on_another_day_takes_its_people_off_and_tells_them():
    firing = make_watch_firing()
    place = join(watches_of(firing)[0], ada())[0]
    ben_place = join(watches_of(firing)[0], ben())[0]
    watches.offer(firing.coop, by=ben(), now=NOW, place_id=ben_place.public_id)
    firing.lights_at += timedelta(days=7)
    firing.ends_at += timedelta(days=7)
    firing.opens_at += timedelta(days=7)
    firing.occupied_until += timedelta(days=7)
    firing.save()
    watches.cut_for(firing, NOW)
    place.refresh_from_db()
    assert place.given_up_at == NOW
    assert len(watches_of(firing)) == 4
    assert sum(watch.taken for watch in watches_of(firing)) == 0
    assert notices_to(ben()).filter(subject__contains="off").count() == 1
    assert not PlaceOffer.objects.filter(closed_at=None).exists()


def test_a_fire_that_lasts_longer_adds_watches_and_leaves_what_has_begun():
    firing = make_watch_firing(stage="lit", lit_at=LIGHTS)
    before = watches_of(firing)
    join(before[3], ada(), ben())
    firing.ends_at += 6 * HOUR
    firing.save()
    watches.cut_for(firing, LIGHTS + 8 * HOUR)
    after = watches_of(firing)
    assert [watch.pk for watch in after[:4]] == [watch.pk for watch in before]
    assert after[-1].ends_at == firing.ends_at
    assert all(a.ends_at == b.starts_at for a, b in pairwise(after))
    assert after[3].taken == 2


def test_an_early_end_of_fire_takes_off_the_watches_behind_it():
    firing = make_watch_firing(stage="lit", lit_at=LIGHTS)
    join(watches_of(firing)[3], ada(), ben())
    firing.ended_at = LIGHTS + 14 * HOUR
    firing.save()
    watches.cut_for(firing, LIGHTS + 14 * HOUR)
    assert len(watches_of(firing)) == 3
    assert notices_to(ben()).filter(subject__contains="off").count() == 1


def test_a_firing_called_off_keeps_no_watch_and_tells_its_crew():
    firing = make_watch_firing()
    join(watches_of(firing)[0], ada(), ben())
    firing.stage, firing.holds_kiln = "called_off", False
    firing.save()
    assert watches.cut_for(firing, NOW) == []
    assert watches_of(firing) == []
    assert notices_to(ben()).exists()


def test_a_kiln_without_phases_is_refused_with_what_to_give():
    firing = make_watch_firing(cut=False)
    firing.kiln.phases.all().delete()
    with pytest.raises(Malformed, match="crew phases"):
        watches.cut_for(firing, NOW)


def test_the_night_the_clocks_go_back_is_an_hour_longer_in_elapsed_time():
    # Dublin, 25 October 2026: 02:00 IST becomes 01:00 GMT.
    lights = datetime(2026, 10, 24, 17, 0, tzinfo=UTC)
    firing = make_watch_firing(lights_at=lights, hours=12)
    night = watches_of(firing)[1]
    assert night.ends_at - night.starts_at == 6 * HOUR
    terms = Terms()
    # 00:00 IST to 05:00 GMT on the clocks, six real hours, all of them night: 6 h x 1.5.
    assert hours.credited(night.starts_at, night.ends_at, "Europe/Dublin", terms) == 9 * 60


# --- Signing up ---


def test_a_member_takes_a_place_and_the_first_who_may_lead_leads():
    watch = watches_of(make_watch_firing())[0]
    first, second = join(watch, leader(), ada())
    assert (first.is_leading, second.is_leading) == (True, False)
    watch.refresh_from_db()
    assert watch.taken == 2


def test_a_full_watch_refuses_and_takes_no_one():
    watch = watches_of(make_watch_firing())[0]
    join(watch, ada(), stoker("Sid"), stoker("Sue"))
    with pytest.raises(Taken, match="full"):
        join(watch, stoker("Sol"))
    watch.refresh_from_db()
    assert watch.taken == 3 == watch.places_held.count()


def test_the_same_watch_twice_is_refused():
    watch = watches_of(make_watch_firing())[0]
    join(watch, ada())
    with pytest.raises(Taken, match="already"):
        join(watch, ada())


def test_the_last_free_place_is_kept_for_a_lead():
    watch = watches_of(make_watch_firing())[0]
    join(watch, stoker("Sid"), stoker("Sue"))
    with pytest.raises(Refused, match="signed off for leading"):
        join(watch, stoker("Sol"))
    watch.refresh_from_db()
    assert watch.taken == 2
    assert join(watch, ada())[0].is_leading


def test_novices_may_not_outnumber_the_experienced():
    watch = watches_of(make_watch_firing())[0]
    with pytest.raises(Refused, match="novices may not outnumber"):
        join(watch, ben())
    join(watch, ada(), ben())
    with pytest.raises(Refused, match="novices may not outnumber"):
        join(watch, make_member("Nia"))


def test_a_sign_off_that_has_run_out_before_the_watch_does_not_count():
    watch = watches_of(make_watch_firing())[0]
    lapsed = stoker("Sid")
    lapsed.sign_offs.update(valid_until=datetime(2026, 5, 8).date())
    join(watch, ada(), ben())
    with pytest.raises(Refused, match="novices"):
        join(watch, stoker("Sid"))


def test_rest_between_watches_is_kept():
    first, second, third, _ = watches_of(make_watch_firing())
    join(first, ada())
    with pytest.raises(Refused, match=r"0 min of rest.*8 h are due"):
        join(second, ada())
    with pytest.raises(Refused, match="6 h 00 min of rest"):
        join(third, ada())


def test_hours_within_a_day_are_limited():
    first, _, third, _ = watches_of(make_watch_firing(terms=Terms(rest_hours=4, most_hours_in_24=8)))
    join(first, ada())
    with pytest.raises(Refused, match="12 h 00 min of work within 24 hours; 8 h"):
        join(third, ada())


def test_nobody_is_at_two_kilns_at_once():
    join(watches_of(make_watch_firing())[0], ada())
    other = make_watch_firing(lights_at=LIGHTS + 2 * HOUR)
    with pytest.raises(Refused, match="two places at once"):
        join(watches_of(other)[0], ada())


def test_rest_counts_between_two_kilns():
    join(watches_of(make_watch_firing())[0], ada())
    other = make_watch_firing(lights_at=LIGHTS + 9 * HOUR)
    with pytest.raises(Refused, match="3 h 00 min of rest"):
        join(watches_of(other)[0], ada())


def test_three_nights_in_a_row_are_too_many():
    firing = make_watch_firing(hours=96)
    nights = [watch for watch in watches_of(firing) if queries.is_at_night(watch, firing)]
    late = [watch for watch in nights if watch.starts_at.hour == 23]
    join(late[0], ada())
    join(late[1], ada())
    with pytest.raises(Refused, match="3 nights in a row; 2 are allowed"):
        join(late[2], ada())


def test_a_watch_that_has_begun_takes_nobody():
    watch = watches_of(make_watch_firing())[0]
    with pytest.raises(Refused, match="has begun"):
        join(watch, ada(), now=watch.starts_at)


def test_a_fire_that_is_out_takes_nobody():
    firing = make_watch_firing(stage="cooling")
    with pytest.raises(Refused, match="fire of this firing is out"):
        join(watches_of(firing)[0], ada())


def test_a_guest_of_another_firing_is_refused():
    firing = make_watch_firing()
    guest = make_member("Gus", roles=("guest",))
    guest.roles.filter(kind="member").delete()
    guest = type(guest).objects.with_roles().get(pk=guest.pk)
    with pytest.raises(NotAllowed, match="guest"):
        join(watches_of(firing)[0], guest)


def test_the_lead_puts_a_member_on_a_watch_and_the_member_is_told():
    firing = make_watch_firing()
    watch = watches_of(firing)[0]
    sid = stoker("Sid")
    watches.sign_up(firing.coop, by=ada(), now=NOW, watch_id=watch.public_id, member_id=sid.public_id)
    assert notices_to(sid).count() == 1
    with pytest.raises(NotAllowed, match="lead of this firing"):
        watches.sign_up(firing.coop, by=ben(), now=NOW, watch_id=watch.public_id, member_id=leader().public_id)


def test_another_coops_watch_is_not_there():
    watch = watches_of(make_watch_firing())[0]
    with pytest.raises(NotFound):
        watches.sign_up(cy().coop, by=cy(), now=NOW, watch_id=watch.public_id)


# --- Giving up ---


def test_giving_up_frees_the_place_and_tells_the_lead():
    watch = watches_of(make_watch_firing())[0]
    sid = stoker("Sid")
    join(watch, leader(), sid)
    watches.give_up(watch.coop, by=sid, now=NOW, watch_id=watch.public_id)
    watch.refresh_from_db()
    assert watch.taken == 1
    told = notices_to(ada()).get()
    assert "Sid gave up a watch" in told.subject
    assert "1 of 2 places are open" in told.text


def test_the_next_who_may_lead_leads_when_the_lead_gives_up():
    watch = watches_of(make_watch_firing())[0]
    join(watch, leader(), ada())
    watches.give_up(watch.coop, by=leader(), now=NOW, watch_id=watch.public_id)
    assert WatchPlace.objects.get(watch=watch, member=ada(), given_up_at=None).is_leading


def test_a_place_is_not_given_up_twelve_hours_before_but_given_away():
    watch = watches_of(make_watch_firing())[0]
    join(watch, ada(), stoker("Sid"), stoker("Sue"))
    late = watch.starts_at - 11 * HOUR
    with pytest.raises(Refused, match="find a substitute"):
        watches.give_up(watch.coop, by=stoker("Sid"), now=late, watch_id=watch.public_id)
    watch.refresh_from_db()
    assert watch.taken == 3


def test_nobody_is_left_alone_at_a_watch_within_a_day():
    watch = watches_of(make_watch_firing())[0]
    join(watch, ada(), stoker("Sid"), stoker("Sue"))
    soon = watch.starts_at - 20 * HOUR
    watches.give_up(watch.coop, by=stoker("Sue"), now=soon, watch_id=watch.public_id)
    with pytest.raises(Refused, match="nobody is alone"):
        watches.give_up(watch.coop, by=stoker("Sid"), now=soon, watch_id=watch.public_id)
    assert WatchPlace.objects.get(watch=watch, member=stoker("Sid")).given_up_at is None


def test_what_one_does_not_hold_one_cannot_give_up():
    watch = watches_of(make_watch_firing())[0]
    with pytest.raises(Refused, match="not on this watch"):
        watches.give_up(watch.coop, by=ben(), now=NOW, watch_id=watch.public_id)


# --- Giving away ---


def test_an_offer_moves_nothing_until_the_other_agrees():
    watch = watches_of(make_watch_firing())[0]
    sid, sue = stoker("Sid"), stoker("Sue")
    place = join(watch, ada(), sid)[1]
    offer = watches.offer(watch.coop, by=sid, now=NOW, place_id=place.public_id, to_member_id=sue.public_id)
    place.refresh_from_db()
    assert place.given_up_at is None
    assert notices_to(sue).filter(subject__contains="offers you a watch").exists()
    taken = watches.take_over(watch.coop, by=sue, now=NOW, offer_id=offer.public_id)
    place.refresh_from_db()
    watch.refresh_from_db()
    assert (taken.member, place.given_up_at, watch.taken) == (sue, NOW, 2)
    assert notices_to(sid).filter(subject__contains="takes your watch over").exists()
    assert notices_to(ada()).filter(subject__contains="stands a watch for").exists()


def test_a_place_offered_to_one_is_not_anothers_to_take():
    watch = watches_of(make_watch_firing())[0]
    place = join(watch, ada(), stoker("Sid"))[1]
    offer = watches.offer(
        watch.coop, by=stoker("Sid"), now=NOW, place_id=place.public_id, to_member_id=stoker("Sue").public_id
    )
    with pytest.raises(NotAllowed, match="offered to somebody else"):
        watches.take_over(watch.coop, by=stoker("Sol"), now=NOW, offer_id=offer.public_id)


def test_an_offer_to_all_goes_to_the_first_who_takes_it():
    watch = watches_of(make_watch_firing())[0]
    place = join(watch, ada(), stoker("Sid"))[1]
    offer = watches.offer(watch.coop, by=stoker("Sid"), now=NOW, place_id=place.public_id)
    with pytest.raises(Refused, match="your own place"):
        watches.take_over(watch.coop, by=stoker("Sid"), now=NOW, offer_id=offer.public_id)
    watches.take_over(watch.coop, by=stoker("Sue"), now=NOW, offer_id=offer.public_id)
    with pytest.raises(Taken, match="Somebody else"):
        watches.take_over(watch.coop, by=stoker("Sol"), now=NOW, offer_id=offer.public_id)


def test_the_taker_keeps_every_rule():
    first, second, *_ = watches_of(make_watch_firing())
    place = join(first, ada(), stoker("Sid"))[1]
    join(second, stoker("Sue"))
    offer = watches.offer(first.coop, by=stoker("Sid"), now=NOW, place_id=place.public_id)
    with pytest.raises(Refused, match="rest between"):
        watches.take_over(first.coop, by=stoker("Sue"), now=NOW, offer_id=offer.public_id)
    join(first, ben())
    with pytest.raises(Refused, match="novices may not outnumber"):
        watches.take_over(first.coop, by=make_member("Nia"), now=NOW, offer_id=offer.public_id)


def test_the_only_leads_place_goes_only_to_one_who_may_lead():
    watch = watches_of(make_watch_firing())[0]
    place = join(watch, leader(), stoker("Sid"))[0]
    offer = watches.offer(watch.coop, by=leader(), now=NOW, place_id=place.public_id)
    with pytest.raises(Refused, match="Lea leads this watch"):
        watches.take_over(watch.coop, by=stoker("Sue"), now=NOW, offer_id=offer.public_id)
    assert watches.take_over(watch.coop, by=ada(), now=NOW, offer_id=offer.public_id).is_leading


def test_a_decline_leaves_the_place_and_tells_the_giver():
    watch = watches_of(make_watch_firing())[0]
    sid, sue = stoker("Sid"), stoker("Sue")
    place = join(watch, ada(), sid)[1]
    offer = watches.offer(watch.coop, by=sid, now=NOW, place_id=place.public_id, to_member_id=sue.public_id)
    with pytest.raises(NotAllowed):
        watches.decline(watch.coop, by=ben(), now=NOW, offer_id=offer.public_id)
    watches.decline(watch.coop, by=sue, now=NOW, offer_id=offer.public_id)
    assert notices_to(sid).filter(subject__contains="cannot take your watch").exists()
    with pytest.raises(Taken, match="closed already"):
        watches.decline(watch.coop, by=sid, now=NOW, offer_id=offer.public_id)
    place.refresh_from_db()
    assert place.given_up_at is None


def test_a_place_is_offered_once_at_a_time_and_only_by_its_holder():
    watch = watches_of(make_watch_firing())[0]
    place = join(watch, ada())[0]
    with pytest.raises(NotAllowed, match="Only Ada"):
        watches.offer(watch.coop, by=ben(), now=NOW, place_id=place.public_id)
    watches.offer(watch.coop, by=ada(), now=NOW, place_id=place.public_id)
    with pytest.raises(Taken, match="on offer already"):
        watches.offer(watch.coop, by=ada(), now=NOW, place_id=place.public_id)


# --- Wishes ---


def test_a_wish_is_kept_once_and_can_be_taken_back():
    firing = make_watch_firing()
    first, second, *_ = watches_of(firing)
    watches.wish(firing.coop, by=ben(), now=NOW, watch_id=first.public_id, value="+")
    watches.wish_all(
        firing.coop, by=ben(), now=NOW, firing_id=firing.public_id, values={first.public_id: "-", second.public_id: "x"}
    )
    assert set(Wish.objects.filter(member=ben()).values_list("watch", "value")) == {(first.pk, "-"), (second.pk, "x")}
    watches.wish_all(firing.coop, by=ben(), now=NOW, firing_id=firing.public_id, values={first.public_id: ""})
    assert Wish.objects.filter(member=ben()).count() == 1


@pytest.mark.parametrize("value", ["?", "want", "++"])
def test_a_wish_that_means_nothing_is_refused_and_nothing_is_saved(value):
    firing = make_watch_firing()
    first, second, *_ = watches_of(firing)
    with pytest.raises(Malformed, match="rather not"):
        watches.wish_all(
            firing.coop,
            by=ben(),
            now=NOW,
            firing_id=firing.public_id,
            values={first.public_id: "+", second.public_id: value},
        )
    assert not Wish.objects.exists()


def test_a_wish_for_a_watch_of_another_firing_is_not_found():
    firing, other = make_watch_firing(), make_watch_firing(lights_at=LIGHTS + timedelta(days=9))
    with pytest.raises(NotFound):
        watches.wish_all(
            firing.coop,
            by=ben(),
            now=NOW,
            firing_id=firing.public_id,
            values={watches_of(other)[0].public_id: "+"},
        )


# --- Leaving a watch that runs ---


def pass_on(watch, place, to, *, now):
    """Give a place away and have it taken over in the same moment."""
    offer = watches.offer(watch.coop, by=place.member, now=now, place_id=place.public_id, to_member_id=to.public_id)
    return watches.take_over(watch.coop, by=to, now=now, offer_id=offer.public_id)


def accounts(firing):
    entries = HoursEntry.objects.filter(firing=firing).order_by("pk")
    return [(entry.member.name, entry.minutes, entry.why) for entry in entries.select_related("member__person")]


def test_two_who_share_a_watch_are_each_credited_what_they_stood_and_together_all_of_it():
    firing = make_watch_firing(stage="lit", name="May fire")
    watch = watches_of(firing)[1]  # 12:00 to 18:00 in Dublin, by day
    sid, sue = stoker("Sid"), stoker("Sue")
    place = join(watch, ada(), sid)[1]
    taken = pass_on(watch, place, sue, now=watch.starts_at + 2 * HOUR)
    assert accounts(firing) == [
        ("Sid", 120, "Watch 2 (May fire), stood from 12:00 to 14:00 and left to others"),
    ]
    assert "120 minutes are in your hours account" in notices_to(sid).get(subject__contains="takes your watch").text
    watches.confirm(firing.coop, by=ada(), now=watch.ends_at, place_id=taken.public_id)
    taken.refresh_from_db()
    assert (accounts(firing)[1][:2], taken.worked_minutes) == (("Sue", 240), 240)


@pytest.mark.parametrize(
    ("after", "stood"),
    [
        (timedelta(seconds=-1), None),  # before it begins nothing is stood
        (timedelta(0), None),
        (timedelta(seconds=29), None),  # less than half a minute is none
        (timedelta(seconds=30), 1),
        (timedelta(hours=6, seconds=-1), 360),
    ],
)
def test_what_is_stood_begins_and_ends_with_the_watch(after, stood):
    firing = make_watch_firing(stage="lit")
    watch = watches_of(firing)[1]
    place = join(watch, ada(), stoker("Sid"))[1]
    pass_on(watch, place, stoker("Sue"), now=watch.starts_at + after)
    assert [minutes for _name, minutes, _why in accounts(firing)] == ([stood] if stood else [])


def test_a_watch_that_changes_hands_twice_counts_for_all_three():
    firing = make_watch_firing(stage="lit")
    night = watches_of(firing)[3]  # 00:00 to 06:00 in Dublin: every hour counts one and a half
    place = join(night, ada(), stoker("Sid"))[1]
    second = pass_on(night, place, stoker("Sue"), now=night.starts_at + HOUR)
    third = pass_on(night, second, stoker("Sol"), now=night.starts_at + 3 * HOUR)
    watches.confirm(firing.coop, by=ada(), now=night.ends_at, place_id=third.public_id)
    assert [one[:2] for one in accounts(firing)] == [("Sid", 90), ("Sue", 180), ("Sol", 270)]


@pytest.mark.parametrize(
    ("lights", "clocks"),
    [
        # 22:00 IST to 03:00 GMT: 02:00 IST becomes 01:00 GMT, so three and a half hours end at 00:30 GMT, said 01:30
        (datetime(2026, 10, 24, 21, tzinfo=UTC), "from 22:00 to 01:30 IST"),
        (datetime(2027, 3, 27, 22, tzinfo=UTC), "from 22:00 to 02:30"),  # 01:00 GMT becomes 02:00 IST
    ],
)
def test_in_the_night_of_the_clock_change_elapsed_hours_count(lights, clocks):
    firing = make_watch_firing(stage="lit", lights_at=lights)
    watch = watches_of(firing)[0]
    place = join(watch, ada(), stoker("Sid"))[1]
    taken = pass_on(watch, place, stoker("Sue"), now=lights + timedelta(hours=3, minutes=30))
    watches.confirm(firing.coop, by=ada(), now=watch.ends_at, place_id=taken.public_id)
    (_sid, stood, why), (_sue, rest, _why) = accounts(firing)
    assert (stood, rest) == (315, 225)  # all of it is night: 210 and 150 minutes, one and a half times
    assert clocks in why


def test_a_kiln_that_does_not_burn_yet_has_nothing_stood_at_it():
    firing = make_watch_firing(stage="loading")
    watch = watches_of(firing)[1]
    place = join(watch, ada(), stoker("Sid"))[1]
    pass_on(watch, place, stoker("Sue"), now=watch.starts_at + HOUR)
    assert accounts(firing) == []


# --- Confirming ---


def test_a_night_watch_confirmed_by_another_counts_by_the_nights_weight():
    firing = make_watch_firing(stage="lit")
    night = watches_of(firing)[3]  # 00:00 to 06:00 in Dublin: all night
    _, place = join(night, ada(), stoker("Sid"))
    watches.confirm(firing.coop, by=ada(), now=night.ends_at, place_id=place.public_id)
    entry = HoursEntry.objects.get(member=stoker("Sid"))
    assert (entry.kind, entry.minutes) == ("watch", 540)
    place.refresh_from_db()
    assert place.worked_minutes == 360


def test_half_a_watch_counts_half_and_none_counts_nothing():
    firing = make_watch_firing(stage="lit")
    watch = watches_of(firing)[1]
    _, half, none = join(watch, ada(), stoker("Sid"), stoker("Sue"))
    watches.confirm(firing.coop, by=ada(), now=watch.ends_at, place_id=half.public_id, minutes=180)
    watches.confirm(firing.coop, by=ada(), now=watch.ends_at, place_id=none.public_id, minutes=0)
    assert list(HoursEntry.objects.values_list("member__person__name", "minutes")) == [("Sid", 180)]


def test_nobody_confirms_themselves():
    watch = watches_of(make_watch_firing(stage="lit"))[0]
    place = join(watch, ada())[0]
    with pytest.raises(NotAllowed, match="Somebody else"):
        watches.confirm(watch.coop, by=ada(), now=watch.ends_at, place_id=place.public_id)
    assert not HoursEntry.objects.exists()


def test_a_crewmate_may_confirm_and_a_stranger_may_not():
    watch = watches_of(make_watch_firing(stage="lit"))[0]
    place = join(watch, leader(), stoker("Sid"))[0]
    with pytest.raises(NotAllowed, match="lead of this firing"):
        watches.confirm(watch.coop, by=ben(), now=watch.ends_at, place_id=place.public_id)
    watches.confirm(watch.coop, by=stoker("Sid"), now=watch.ends_at, place_id=place.public_id)


@pytest.mark.parametrize(("minutes", "match"), [(-1, "0 if they did not come"), (1441, "at most 24 hours")])
def test_absurd_minutes_are_refused(minutes, match):
    watch = watches_of(make_watch_firing(stage="lit"))[0]
    place = join(watch, leader())[0]
    with pytest.raises(Malformed, match=match):
        watches.confirm(watch.coop, by=ada(), now=watch.ends_at, place_id=place.public_id, minutes=minutes)


def test_a_watch_is_confirmed_once_and_not_before_its_end():
    watch = watches_of(make_watch_firing(stage="lit"))[0]
    place = join(watch, leader())[0]
    with pytest.raises(Refused, match="not over yet"):
        watches.confirm(watch.coop, by=ada(), now=watch.ends_at - HOUR, place_id=place.public_id)
    watches.confirm(watch.coop, by=ada(), now=watch.ends_at, place_id=place.public_id)
    with pytest.raises(Taken, match="confirmed already"):
        watches.confirm(watch.coop, by=ada(), now=watch.ends_at, place_id=place.public_id)
    assert HoursEntry.objects.count() == 1


# --- Reminding ---


# --- The database has the last word ---


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("watch_ends_after_it_starts", {"ends_at": LIGHTS}),
        ("watch_needs_two_people", {"people": 1}),
        ("watch_needs_a_lead", {"leads": 0}),
        ("watch_not_overfilled", {"taken": F("most_people") + 1}),
        ("watch_numbered_once", {"number": 2}),
    ],
)
def test_the_database_refuses_a_watch_that_cannot_be(name, change):
    watch = watches_of(make_watch_firing())[0]
    with pytest.raises(IntegrityError) as error, transaction.atomic():
        Watch.objects.filter(pk=watch.pk).update(**change)
    assert name in str(error.value) or "number" in str(error.value)


def test_the_database_refuses_a_place_held_twice():
    watch = watches_of(make_watch_firing())[0]
    place = join(watch, ada())[0]
    with pytest.raises(IntegrityError), transaction.atomic():
        WatchPlace.objects.create(coop=watch.coop, watch=watch, member=place.member, taken_at=NOW)


def test_the_database_refuses_one_who_confirms_themselves():
    place = join(watches_of(make_watch_firing())[0], ada())[0]
    with pytest.raises(IntegrityError, match="watch_confirmed_by_another"), transaction.atomic():
        WatchPlace.objects.filter(pk=place.pk).update(confirmed_by=place.member)


def test_the_database_refuses_a_second_open_offer_and_an_unknown_wish():
    watch = watches_of(make_watch_firing())[0]
    place = join(watch, ada())[0]
    PlaceOffer.objects.create(coop=watch.coop, place=place, offered_at=NOW)
    with pytest.raises(IntegrityError), transaction.atomic():
        PlaceOffer.objects.create(coop=watch.coop, place=place, offered_at=NOW)
    with pytest.raises(IntegrityError, match="wish_is_known"), transaction.atomic():
        Wish.objects.create(coop=watch.coop, watch=watch, member=ada(), value="?")
    Wish.objects.create(coop=watch.coop, watch=watch, member=ada(), value="+")
    with pytest.raises(IntegrityError), transaction.atomic():
        Wish.objects.create(coop=watch.coop, watch=watch, member=ada(), value="-")


# --- Races ---


@pytest.mark.django_db(transaction=True)
def test_the_last_place_is_taken_by_exactly_one_of_six(tmp_path):
    watch = watches_of(make_watch_firing())[0]
    join(watch, ada(), stoker("Sid"))
    racers = [stoker(name) for name in ("Uma", "Una", "Ute", "Val", "Ved", "Viv")]

    def job(member):
        return lambda: watches.sign_up(watch.coop, by=member, now=NOW, watch_id=watch.public_id)

    with a_real_database(tmp_path):
        said = at_once(*[job(member) for member in racers])
        [(taken, held)] = at_once(
            lambda: (Watch.objects.get(pk=watch.pk).taken, WatchPlace.objects.filter(watch=watch).count())
        )
    assert [type(one) for one in said].count(WatchPlace) == 1
    assert all(isinstance(one, Taken) for one in said if not isinstance(one, WatchPlace)), said
    assert (taken, held) == (3, 3)


@pytest.mark.django_db(transaction=True)
def test_one_person_pressing_two_watches_at_once_keeps_their_rest(tmp_path):
    first, second, *_ = watches_of(make_watch_firing())

    def job(watch):
        return lambda: watches.sign_up(watch.coop, by=ada(), now=NOW, watch_id=watch.public_id)

    ada()
    with a_real_database(tmp_path):
        said = at_once(job(first), job(second))
        [held] = at_once(lambda: WatchPlace.objects.filter(given_up_at=None).count())
    assert sorted(type(one).__name__ for one in said) == ["Refused", "WatchPlace"]
    assert held == 1


@pytest.mark.django_db(transaction=True)
def test_an_offer_is_taken_by_exactly_one_of_four(tmp_path):
    watch = watches_of(make_watch_firing())[0]
    place = join(watch, ada(), stoker("Sid"))[1]
    offer = watches.offer(watch.coop, by=stoker("Sid"), now=NOW, place_id=place.public_id)
    racers = [stoker(name) for name in ("Uma", "Una", "Ute", "Val")]

    def job(member):
        return lambda: watches.take_over(watch.coop, by=member, now=NOW, offer_id=offer.public_id)

    with a_real_database(tmp_path):
        said = at_once(*[job(member) for member in racers])
        [held] = at_once(lambda: WatchPlace.objects.filter(watch=watch, given_up_at=None).count())
    assert [type(one) for one in said].count(WatchPlace) == 1
    assert held == 2


# --- Reading ---


def test_the_rows_of_the_page_cost_the_same_however_many_watches():
    small, large = make_watch_firing(hours=6), make_watch_firing(hours=96, lights_at=LIGHTS + timedelta(days=9))
    for firing in (small, large):
        for watch in watches_of(firing)[::6]:
            join(watch, ada())

    reader = ben()

    def count(firing):
        with CaptureQueriesContext(connection) as seen:
            rows = queries.rows_for(firing_of(firing.coop, firing.public_id), reader, NOW)
            queries.chart_of(firing, rows, NOW)
        return len(seen)

    assert len(watches_of(large)) > 10 * len(watches_of(small))
    assert count(large) == count(small)


def test_a_gap_is_said_in_words():
    firing = make_watch_firing()
    join(watches_of(firing)[0], stoker("Sid"))
    rows = queries.rows_for(firing, ben(), NOW)
    assert rows[0].troubles == ["1 place open", "nobody to lead"]
    assert rows[1].troubles == ["2 places open", "nobody to lead"]


def test_the_chart_has_a_cell_for_every_place_that_must_be_filled():
    firing = make_watch_firing()
    join(watches_of(firing)[0], ada())
    chart = queries.chart_of(firing, queries.rows_for(firing, ada(), NOW), NOW)
    assert [[cell.kind for cell in bar.cells] for bar in chart.bars] == [["mine", "open"], *[["open", "open"]] * 3]
    assert all(cell.x + cell.w <= chart.width for bar in chart.bars for cell in bar.cells)
    assert all(a.y + a.h <= b.y for a, b in pairwise(chart.bars))


def test_who_cannot_come_is_a_gap_in_the_chart_and_in_words():
    firing = make_watch_firing()
    _, sid = join(watches_of(firing)[0], ada(), stoker("Sid"))
    CrewNews.objects.create(coop=firing.coop, firing=firing, kind="out", place=sid, said_at=NOW)
    row = queries.rows_for(firing, ben(), NOW)[0]
    assert (row.open, row.has_gap) == (1, True)
    assert row.troubles == ["1 place open", "Sid cannot come"]
    bar = queries.chart_of(firing, [row], NOW).bars[0]
    assert [(cell.kind, cell.mark) for cell in bar.cells] == [("held", "★"), ("out", "✕ "), ("open", "")]
    assert "Sid, cannot come" in bar.title


def test_the_present_is_a_line_where_the_fire_burns_and_nowhere_else():
    firing = make_watch_firing()
    rows = queries.rows_for(firing, ben(), NOW)
    assert queries.chart_of(firing, rows, NOW).now_y is None
    chart = queries.chart_of(firing, rows, LIGHTS + 3 * HOUR)
    assert chart.bars[0].y < chart.now_y < chart.bars[0].y + chart.bars[0].h


def test_nights_belong_to_the_evening_they_begin_in():
    firing = make_watch_firing(hours=48)
    nights = queries.nights_of(firing, queries.rows_for(firing, ben(), NOW))
    assert [(f"{one.day:%d}", one.is_night, len(one.rows)) for one in nights] == [
        ("09", False, 2),
        ("09", True, 2),
        ("10", False, 2),
        ("10", True, 2),
    ]
