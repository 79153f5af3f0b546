"""Swaps of watches: with consent of both, in one step, under every rule, or not at all."""

from datetime import UTC, datetime, timedelta

import pytest
from django.db import IntegrityError, transaction

from coop.errors import NotAllowed, NotFound, Refused, Taken
from coop.models import AuditEntry, Notice
from coop.policy import Terms
from firings.models import Watch, WatchPlace, WatchSwap
from firings.services import swaps, watches
from tests.factories import NOW, ada, ben, cora, cy
from tests.factories_watches import (
    a_real_database,
    at_once,
    join,
    leader,
    make_watch_firing,
    stoker,
    watches_of,
)

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)


def two_places(firing=None):
    """Sid on the first watch, Sue on the third, each beside somebody who may lead."""
    first, _, third, _ = watches_of(firing or make_watch_firing())
    _, sid = join(first, leader("Lea"), stoker("Sid"))
    _, sue = join(third, leader("Lil"), stoker("Sue"))
    return sid, sue


def ask(place, for_place, *, by=None, now=NOW):
    return swaps.ask(
        place.coop, by=by or place.member, now=now, place_id=place.public_id, for_place_id=for_place.public_id
    )


def agree(swap, *, by=None, now=NOW):
    return swaps.agree(swap.coop, by=by or swap.for_place.member, now=now, swap_id=swap.public_id)


def crews(firing):
    held = WatchPlace.objects.filter(watch__firing=firing, given_up_at=None).order_by("watch__number", "taken_at", "pk")
    found = {}
    for number, name in held.values_list("watch__number", "member__person__name"):
        found.setdefault(number, set()).add(name)
    return found


def mails_to(member):
    return list(Notice.objects.filter(to_person=member.person).values_list("subject", flat=True))


def test_asking_changes_nothing_and_tells_only_the_one_who_is_asked():
    sid, sue = two_places()
    ask(sid, sue)
    assert crews(sid.watch.firing) == {1: {"Lea", "Sid"}, 3: {"Lil", "Sue"}}
    assert any("Sid asks you to swap" in subject for subject in mails_to(sue.member))
    assert mails_to(sid.member) == []


def test_when_the_other_agrees_both_places_change_hands_and_counters_stay():
    sid, sue = two_places()
    new_sid, new_sue = agree(ask(sid, sue))
    assert (new_sid.watch_id, new_sue.watch_id) == (sue.watch_id, sid.watch_id)
    assert crews(sid.watch.firing) == {1: {"Lea", "Sue"}, 3: {"Lil", "Sid"}}
    assert [watch.taken for watch in watches_of(sid.watch.firing)] == [2, 0, 2, 0]
    assert any("Sue agrees" in subject for subject in mails_to(sid.member))
    assert any("swapped watches" in subject for subject in mails_to(ada()))
    assert AuditEntry.objects.filter(action="swaps.agree").count() == 1


def test_a_swap_to_the_neighbouring_watch_counts_rest_without_the_place_given_away():
    first, second, *_ = watches_of(make_watch_firing())
    (_, sid), (_, sue) = join(first, leader("Lea"), stoker("Sid")), join(second, leader("Lil"), stoker("Sue"))
    agree(ask(sid, sue))
    assert crews(first.firing) == {1: {"Lea", "Sue"}, 2: {"Lil", "Sid"}}


def test_only_the_two_themselves_ask_agree_and_close():
    sid, sue = two_places()
    with pytest.raises(NotAllowed, match="Only Sid"):
        ask(sid, sue, by=ben())
    swap = ask(sid, sue)
    for other in (sid.member, cora()):
        with pytest.raises(NotAllowed, match="Only Sue"):
            agree(swap, by=other)
    with pytest.raises(NotAllowed, match="two"):
        swaps.decline(swap.coop, by=ben(), now=NOW, swap_id=swap.public_id)
    with pytest.raises(NotFound):
        swaps.agree(cy().coop, by=cy(), now=NOW, swap_id=swap.public_id)


def test_a_watch_without_a_lead_is_refused_in_words_that_name_who_and_what():
    first, _, third, _ = watches_of(make_watch_firing())
    lea, _ = join(first, leader("Lea"), stoker("Sid"))
    _, sue = join(third, leader("Lil"), stoker("Sue"))
    with pytest.raises(Refused, match=r"Sue cannot stand .*signed off for leading can take it over"):
        ask(lea, sue)
    assert not WatchSwap.objects.exists()


def test_rest_is_judged_for_both_over_all_kilns():
    sid, sue = two_places()
    other = make_watch_firing(hours=6, lights_at=sue.watch.ends_at + HOUR)
    WatchPlace.objects.create(coop=sid.coop, watch=watches_of(other)[0], member=sid.member, taken_at=NOW)
    with pytest.raises(Refused, match=r"Sid cannot stand .*1 h 00 min of rest"):
        ask(sid, sue)


def test_what_has_changed_between_asking_and_agreeing_is_judged_anew():
    sid, sue = two_places()
    swap = ask(sid, sue)
    other = make_watch_firing(hours=6, lights_at=sid.watch.starts_at)
    WatchPlace.objects.create(coop=sid.coop, watch=watches_of(other)[0], member=sue.member, taken_at=NOW)
    with pytest.raises(Refused, match="Sue cannot stand"):
        agree(swap)
    assert crews(sid.watch.firing) == {1: {"Lea", "Sid"}, 3: {"Lil", "Sue"}}
    swap.refresh_from_db()
    assert swap.closed_at is None


def test_novices_may_not_come_to_outnumber_the_experienced_by_a_swap():
    first, _, third, _ = watches_of(make_watch_firing(terms=Terms()))
    _, sid, _ = join(first, leader("Lea"), stoker("Sid"), ben())
    _, nia = join(third, leader("Lil"), make_novice("Nia"))
    with pytest.raises(Refused, match=r"Nia cannot stand .*novices may not outnumber"):
        ask(sid, nia)


def make_novice(name):
    from tests.factories import make_member

    return make_member(name)


def test_places_on_one_watch_or_ones_own_are_no_swap():
    first, *_ = watches_of(make_watch_firing())
    lea, sid = join(first, leader("Lea"), stoker("Sid"))
    with pytest.raises(Refused, match="both on this watch"):
        ask(lea, sid)
    with pytest.raises(Refused, match="yours already"):
        ask(sid, sid)


def test_a_swap_runs_out_when_one_of_the_watches_begins():
    sid, sue = two_places()
    swap = ask(sid, sue)
    with pytest.raises(Refused, match="has begun"):
        agree(swap, now=sid.watch.starts_at)
    with pytest.raises(Refused, match="has begun"):
        ask(sue, sid, now=sid.watch.starts_at)


def test_a_declined_swap_leaves_all_as_it_was_and_says_so():
    sid, sue = two_places()
    swap = ask(sid, sue)
    swaps.decline(swap.coop, by=sue.member, now=NOW, swap_id=swap.public_id)
    assert any("Sue cannot swap" in subject for subject in mails_to(sid.member))
    with pytest.raises(Taken, match="closed"):
        agree(swap)
    assert crews(sid.watch.firing) == {1: {"Lea", "Sid"}, 3: {"Lil", "Sue"}}


def test_one_takes_ones_own_swap_back():
    sid, sue = two_places()
    swap = ask(sid, sue)
    swaps.decline(swap.coop, by=sid.member, now=NOW, swap_id=swap.public_id)
    with pytest.raises(Taken):
        agree(swap)
    assert ask(sid, sue).closed_at is None  # and asks again


def test_a_place_given_up_closes_the_swaps_it_was_in():
    sid, sue = two_places()
    swap = ask(sid, sue)
    watches.give_up(sid.coop, by=sid.member, now=NOW, watch_id=sid.watch.public_id)
    swap.refresh_from_db()
    assert swap.closed_at == NOW
    with pytest.raises(Taken):
        agree(swap)


def test_the_first_who_agrees_closes_the_swaps_with_others():
    firing = make_watch_firing()
    sid, sue = two_places(firing)
    _, sol = join(watches_of(firing)[3], leader("Lou"), stoker("Sol"))
    one, two = ask(sid, sue), ask(sid, sol)
    agree(two)
    with pytest.raises(Taken):
        agree(one)
    assert crews(firing) == {1: {"Lea", "Sol"}, 3: {"Lil", "Sue"}, 4: {"Lou", "Sid"}}


def test_the_same_swap_asked_from_both_sides_is_one():
    sid, sue = two_places()
    ask(sid, sue)
    with pytest.raises(Taken, match="already"):
        ask(sue, sid)


def test_the_database_holds_one_open_swap_per_pair_whoever_asked():
    sid, sue = two_places()
    made = {"coop": sid.coop, "asked_at": NOW}
    WatchSwap.objects.create(place=sid, for_place=sue, **made)
    with pytest.raises(IntegrityError, match="one_open_swap_per_pair"), transaction.atomic():
        WatchSwap.objects.create(place=sue, for_place=sid, **made)
    with pytest.raises(IntegrityError, match="swap_is_of_two_places"), transaction.atomic():
        WatchSwap.objects.create(place=sue, for_place=sue, **made)
    with pytest.raises(IntegrityError, match="swap_agreed_is_closed"), transaction.atomic():
        WatchSwap.objects.filter(place=sid).update(agreed_at=NOW)
    WatchSwap.objects.update(closed_at=NOW)
    WatchSwap.objects.create(place=sue, for_place=sid, **made)


def test_leads_are_named_anew_after_a_swap():
    first, _, third, _ = watches_of(make_watch_firing())
    lea, _ = join(first, leader("Lea"), stoker("Sid"))
    lil, _ = join(third, leader("Lil"), stoker("Sue"))
    new_lea, new_lil = agree(ask(lea, lil))
    assert set(WatchPlace.objects.filter(given_up_at=None, is_leading=True).values_list("pk", flat=True)) == {
        new_lea.pk,
        new_lil.pk,
    }


def test_a_swap_in_the_night_of_the_clock_change_names_both_times():
    # Dublin, 25 October 2026: 02:00 IST becomes 01:00 GMT, so 01:30 comes twice.
    firing = make_watch_firing(lights_at=datetime(2026, 10, 24, 18, 30, tzinfo=UTC), hours=24)
    sid, sue = two_places(firing)
    ask(sid, sue)
    text = Notice.objects.get(key__startswith="swap-asked", to_person=sue.member.person).text
    assert "2026-10-24 19:30 to 2026-10-25 01:30 IST" in text


def counters():
    return [(watch.taken, watch.places_held.filter(given_up_at=None).count()) for watch in Watch.objects.all()]


@pytest.mark.slow
@pytest.mark.django_db(transaction=True)
def test_two_people_agreeing_at_once_to_swaps_of_one_place_give_one_swap(tmp_path):
    firing = make_watch_firing()
    sid, sue = two_places(firing)
    _, sol = join(watches_of(firing)[3], leader("Lou"), stoker("Sol"))
    one, two = ask(sid, sue), ask(sid, sol)
    with a_real_database(tmp_path):
        said = at_once(lambda: agree(one), lambda: agree(two))
        [(held, counts, agreed)] = at_once(
            lambda: (
                sorted(WatchPlace.objects.filter(given_up_at=None).values_list("member__person__name", flat=True)),
                counters(),
                WatchSwap.objects.filter(agreed_at__isnull=False).count(),
            )
        )
    assert sorted(type(answer).__name__ for answer in said) == ["Taken", "tuple"]
    assert held == ["Lea", "Lil", "Lou", "Sid", "Sol", "Sue"]
    assert all(taken == there for taken, there in counts)
    assert agreed == 1


@pytest.mark.slow
@pytest.mark.django_db(transaction=True)
def test_swapping_and_giving_up_at_once_never_do_both(tmp_path):
    sid, sue = two_places()
    swap = ask(sid, sue)
    with a_real_database(tmp_path):
        said = at_once(
            lambda: agree(swap),
            lambda: watches.give_up(sid.coop, by=sid.member, now=NOW, watch_id=sid.watch.public_id),
        )
        [(names, counts)] = at_once(
            lambda: (
                sorted(WatchPlace.objects.filter(given_up_at=None).values_list("member__person__name", flat=True)),
                counters(),
            )
        )
    assert names in (["Lea", "Lil", "Sid", "Sue"], ["Lea", "Lil", "Sue"]), said
    assert all(taken == there for taken, there in counts)
