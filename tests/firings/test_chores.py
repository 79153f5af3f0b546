"""Chores: laid out from wood and dates, taken by the rules, confirmed by somebody else."""

from datetime import timedelta
from fractions import Fraction

import pytest
from django.db import IntegrityError, connection, transaction
from django.db.models import F
from django.test.utils import CaptureQueriesContext

from coop.errors import Malformed, NotAllowed, NotFound, Refused, Taken
from coop.models import Notice
from coop.policy import Terms
from firings.fire import wood
from firings.models import Chore, ChorePlace, HoursEntry, WoodStack
from firings.queries import chores as queries
from firings.queries.hours import counts_for, terms_of
from firings.services import chores, watches
from tests.factories import NOW, TODAY, ada, ben, cy, make_member, stu
from tests.factories_watches import LIGHTS, a_real_database, at_once, join, make_watch_firing, stoker, watches_of

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)


def chore_of(firing, kind) -> Chore:
    return Chore.objects.filter(firing=firing, kind=kind).first()


def take(chore, *members, now=NOW):
    return [chores.sign_up(chore.coop, by=member, now=now, chore_id=chore.public_id) for member in members]


def minutes_of(firing, kind):
    return sum(
        (chore.ends_at - chore.starts_at) // timedelta(minutes=1) * chore.people
        for chore in Chore.objects.filter(firing=firing, kind=kind)
    )


# --- Laying out ---


def test_missing_wood_becomes_hours_of_work_before_loading():
    firing = make_watch_firing()
    need = wood.plan(volume_m3=2, kg_per_m3=600, stacks=[])
    hours = need.short_stacked_m3 / queries.M3_PER_HOUR
    worked = sum(minutes_of(firing, kind) for kind in ("cut", "split", "stack", "haul")) / 60
    assert hours <= worked <= hours * 1.25  # sessions are rounded up to quarters of an hour
    work = Chore.objects.filter(firing=firing, kind__in=["cut", "split", "stack", "haul"])
    assert all(chore.starts_at > NOW and chore.ends_at < firing.occupied_from for chore in work)
    assert all(chore.people >= 2 for chore in work)
    assert all(chore.ends_at - chore.starts_at <= 4 * HOUR for chore in work)
    assert {chore.needs_sign_off for chore in work if chore.kind == "split"} == {"splitter"}


def test_enough_wood_makes_no_wood_work():
    firing = make_watch_firing(cut=False)
    WoodStack.objects.create(
        coop=firing.coop, name="Barn", species="oak", size_class="side", stacked_dm3=20_000, moisture_permille=150
    )
    watches.cut_for(firing, NOW)
    assert not Chore.objects.filter(firing=firing, kind__in=["cut", "split", "stack", "haul"]).exists()


def test_wood_is_cut_before_it_is_split_stacked_and_hauled():
    firing = make_watch_firing()
    kinds = list(
        Chore.objects.filter(firing=firing, kind__in=["cut", "split", "stack", "haul"]).values_list("kind", flat=True)
    )
    assert kinds == sorted(kinds, key=["cut", "split", "stack", "haul"].index)


def test_every_firing_has_its_usual_chores_in_the_time_the_kiln_is_taken():
    firing = make_watch_firing()
    usual = Chore.objects.filter(firing=firing).exclude(kind__in=["cut", "split", "stack", "haul"])
    assert set(usual.values_list("kind", flat=True)) == {
        "wads",
        "cone_packs",
        "wash",
        "loading",
        "unpacking",
        "grinding",
        "cleanup",
    }
    grinding = chore_of(firing, "grinding")
    assert (grinding.people, grinding.needs_sign_off) == (2, "grinding")
    after = usual.filter(kind__in=["unpacking", "grinding", "cleanup"])
    assert all(firing.opens_at <= one.starts_at and one.ends_at <= firing.occupied_until for one in after)


def test_laying_out_again_adds_nothing_and_moved_dates_tell_the_people():
    firing = make_watch_firing()
    loading = chore_of(firing, "loading")
    take(loading, ben())
    count = Chore.objects.count()
    watches.cut_for(firing, NOW)
    assert Chore.objects.count() == count
    assert not Notice.objects.filter(kind="chore").exists()
    firing.occupied_from += 2 * HOUR
    firing.save()
    watches.cut_for(firing, NOW)
    loading.refresh_from_db()
    assert loading.starts_at == firing.occupied_from
    assert Notice.objects.filter(kind="chore", to_person=ben().person, subject__contains="has moved").count() == 1


def test_a_chore_taken_out_stays_out_and_its_people_are_told():
    firing = make_watch_firing()
    wads = chore_of(firing, "wads")
    take(wads, ben())
    with pytest.raises(NotAllowed):
        chores.cancel(firing.coop, by=ben(), now=NOW, chore_id=wads.public_id)
    chores.cancel(firing.coop, by=ada(), now=NOW, chore_id=wads.public_id)
    watches.cut_for(firing, NOW)
    assert not Chore.objects.filter(firing=firing, kind="wads", cancelled_at=None).exists()
    assert Notice.objects.filter(kind="chore", to_person=ben().person).count() == 1


# --- Wood days ---


def wood_days(firing, **more):
    return list(Chore.objects.filter(firing=firing, kind__in=queries.WOOD_WORK, cancelled_at=None, **more))


def stack(firing, dm3):
    return WoodStack.objects.create(
        coop=firing.coop,
        name=f"Barn {dm3}",
        species="oak",
        size_class="side",
        stacked_dm3=dm3,
        moisture_permille=150,
    )


def size(firing, by=None, now=NOW):
    return chores.size_wood_days(firing.coop, by=by or ada(), now=now, firing_id=firing.public_id)


def test_looking_again_days_later_moves_no_wood_day():
    firing = make_watch_firing()
    before = [(one.pk, one.starts_at) for one in wood_days(firing)]
    watches.cut_for(firing, NOW + timedelta(days=2))
    assert [(one.pk, one.starts_at) for one in wood_days(firing)] == before


def test_a_firing_put_forward_moves_only_the_wood_days_that_come_too_late():
    firing = make_watch_firing(lights_at=LIGHTS + timedelta(days=21))
    days = wood_days(firing)
    early, late = days[0], days[-1]
    firing.occupied_from = late.starts_at - HOUR
    watches.cut_for(firing, NOW)
    after = {one.pk: one for one in wood_days(firing)}
    assert len(after) == len(days)
    assert after[early.pk].starts_at == early.starts_at
    assert after[late.pk].starts_at < late.starts_at
    assert all(one.ends_at <= firing.occupied_from for one in after.values())


def test_wood_that_came_in_makes_the_wood_days_fewer_and_those_taken_stay():
    firing = make_watch_firing()
    taken = next(one for one in wood_days(firing) if one.kind == "haul")
    take(taken, ben())
    before = sum(minutes_of(firing, kind) for kind in queries.WOOD_WORK) / 60
    stack(firing, 2_000)
    need = queries.wood_need(firing)
    assert 0 < need.hours < before
    days = size(firing)
    assert taken in days
    worked = sum((one.ends_at - one.starts_at) / HOUR * one.people for one in days)
    assert need.hours <= worked < before
    assert [(one.kind, one.starts_at) for one in size(firing)] == [(one.kind, one.starts_at) for one in days]
    stack(firing, 50_000)
    assert size(firing) == [taken]


def test_missing_wood_that_was_found_out_later_makes_more_days():
    firing = make_watch_firing(cut=False)
    full = stack(firing, 20_000)
    watches.cut_for(firing, NOW)
    assert wood_days(firing) == []
    WoodStack.objects.filter(pk=full.pk).update(stacked_dm3=500)
    assert size(firing)
    assert all(one.ends_at <= firing.occupied_from for one in wood_days(firing))


def test_wood_days_are_the_leads_to_lay_out_and_only_before_loading():
    firing = make_watch_firing()
    with pytest.raises(NotAllowed):
        size(firing, by=ben())
    with pytest.raises(Refused, match="Loading has begun"):
        size(firing, now=firing.occupied_from)
    with pytest.raises(NotFound):
        chores.size_wood_days(cy().coop, by=cy(), now=NOW, firing_id=firing.public_id)


def test_a_wood_day_the_lead_added_by_hand_is_left_alone():
    firing = make_watch_firing()
    own = chores.add(
        firing.coop,
        by=ada(),
        now=NOW,
        firing_id=firing.public_id,
        kind="haul",
        name="Bring the thin strips",
        starts_at=NOW + 30 * HOUR,
        ends_at=NOW + 32 * HOUR,
        people=1,
        most_people=2,
    )
    stack(firing, 50_000)
    assert size(firing) == []
    own.refresh_from_db()
    assert own.cancelled_at is None


def test_the_wood_days_are_fitted_on_the_page_and_over_the_api(client, monkeypatch):
    firing = make_watch_firing()
    monkeypatch.setattr("django.utils.timezone.now", lambda: NOW)
    page = f"/hollow-lane/firings/{firing.public_id}/chores/"
    client.force_login(ben().person)
    assert b"stacked m" in client.get(page).content
    assert b"Fit the wood days" not in client.get(page).content
    assert b"Only the lead" in client.post(f"{page}wood/", {"once": "1"}, follow=True).content
    client.force_login(ada().person)
    assert b"Fit the wood days" in client.get(page).content
    stack(firing, 50_000)
    assert b"fit the wood that is missing" in client.post(f"{page}wood/", {"once": "2"}, follow=True).content
    assert wood_days(firing) == []
    api = f"/hollow-lane/api/v1/firings/{firing.public_id}/chores/wood/"
    WoodStack.objects.all().delete()
    days = client.post(api, {}, content_type="application/json", headers={"Idempotency-Key": "1"})
    assert {day["kind"] for day in days.json()} == {"cut", "split", "stack", "haul"}


# --- Adding ---


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"kind": "polish"}, "kind"),
        ({"name": "  "}, "name"),
        ({"ends_at": NOW}, "ends_at"),
        ({"ends_at": NOW + 40 * HOUR}, "ends_at"),
        ({"people": 1}, "people"),
        ({"people": 0}, "people"),
        ({"most_people": 1}, "most_people"),
    ],
)
def test_a_chore_that_makes_no_sense_is_refused_at_its_field(change, field):
    firing = make_watch_firing()
    count = Chore.objects.count()
    said = {
        "kind": "grinding",
        "name": "Grind the arch",
        "starts_at": NOW + HOUR,
        "ends_at": NOW + 3 * HOUR,
        "people": 2,
        "most_people": 3,
        **change,
    }
    with pytest.raises(Malformed) as no:
        chores.add(firing.coop, by=ada(), now=NOW, firing_id=firing.public_id, **said)
    assert field in no.value.fields
    assert Chore.objects.count() == count


def test_only_the_lead_adds_a_chore():
    firing = make_watch_firing()
    said = {
        "kind": "wash",
        "name": "Wash shelves",
        "starts_at": NOW + HOUR,
        "ends_at": NOW + 3 * HOUR,
        "people": 1,
        "most_people": 3,
    }
    with pytest.raises(NotAllowed):
        chores.add(firing.coop, by=ben(), now=NOW, firing_id=firing.public_id, **said)
    assert chores.add(firing.coop, by=ada(), now=NOW, firing_id=firing.public_id, **said).name == "Wash shelves"


# --- Taking and giving up ---


def test_a_chore_is_taken_and_given_up():
    chore = chore_of(make_watch_firing(), "wads")
    take(chore, ben())
    with pytest.raises(Taken, match="already"):
        take(chore, ben())
    chores.give_up(chore.coop, by=ben(), now=NOW, chore_id=chore.public_id)
    chore.refresh_from_db()
    assert chore.taken == 0
    with pytest.raises(Refused, match="not on this chore"):
        chores.give_up(chore.coop, by=ben(), now=NOW, chore_id=chore.public_id)


def test_splitting_and_grinding_need_their_sign_off():
    firing = make_watch_firing()
    with pytest.raises(NotAllowed, match="wood splitter"):
        take(chore_of(firing, "split"), ben())
    with pytest.raises(NotAllowed, match="shelf grinding"):
        take(chore_of(firing, "grinding"), ben())
    assert take(chore_of(firing, "grinding"), stu())


def test_nobody_has_a_chore_and_a_watch_at_once():
    firing = make_watch_firing()
    watch = watches_of(firing)[0]
    join(watch, ada())
    clash = chores.add(
        firing.coop,
        by=ada(),
        now=NOW,
        firing_id=firing.public_id,
        kind="haul",
        name="Bring wood",
        starts_at=watch.starts_at + HOUR,
        ends_at=watch.starts_at + 2 * HOUR,
        people=1,
        most_people=2,
    )
    with pytest.raises(Refused, match="two places at once"):
        take(clash, ada())


def test_the_lead_hears_when_a_chore_runs_short_of_people_soon():
    firing = make_watch_firing()
    wads = chore_of(firing, "wads")
    take(wads, ben())
    chores.give_up(firing.coop, by=ben(), now=wads.starts_at - 30 * HOUR, chore_id=wads.public_id)
    assert "2 still needed" in Notice.objects.get(kind="chore", to_person=ada().person).text


def test_another_coops_chore_is_not_there():
    chore = chore_of(make_watch_firing(), "wads")
    with pytest.raises(NotFound):
        chores.sign_up(cy().coop, by=cy(), now=NOW, chore_id=chore.public_id)


# --- Confirming ---


def test_a_confirmed_chore_is_in_the_hours_account_once():
    wads = chore_of(make_watch_firing(), "wads")
    place, _ = take(wads, ben(), stoker("Sid"))
    with pytest.raises(NotAllowed, match="Somebody else"):
        chores.confirm(wads.coop, by=ben(), now=wads.ends_at, place_id=place.public_id)
    with pytest.raises(NotAllowed, match="lead of this firing"):
        chores.confirm(wads.coop, by=make_member("Nia"), now=wads.ends_at, place_id=place.public_id)
    chores.confirm(wads.coop, by=stoker("Sid"), now=wads.ends_at, place_id=place.public_id)
    with pytest.raises(Taken, match="confirmed already"):
        chores.confirm(wads.coop, by=ada(), now=wads.ends_at, place_id=place.public_id)
    entry = HoursEntry.objects.get()
    assert (entry.member, entry.kind, entry.minutes) == (ben(), "chore", 120)


# --- The database has the last word ---


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("chore_ends_after_it_starts", {"ends_at": F("starts_at")}),
        ("chore_needs_somebody", {"people": 0, "kind": "wads"}),
        ("dangerous_chore_needs_two", {"people": 1}),
        ("chore_not_overfilled", {"taken": F("most_people") + 1}),
        ("grinding_needs_its_sign_off", {"needs_sign_off": ""}),
        ("splitting_needs_its_sign_off", {"kind": "split"}),
    ],
)
def test_the_database_refuses_a_chore_that_cannot_be(name, change):
    grinding = chore_of(make_watch_firing(), "grinding")
    with pytest.raises(IntegrityError, match=name), transaction.atomic():
        Chore.objects.filter(pk=grinding.pk).update(**change)


def test_the_database_refuses_a_place_twice_and_one_who_confirms_themselves():
    wads = chore_of(make_watch_firing(), "wads")
    [place] = take(wads, ben())
    with pytest.raises(IntegrityError), transaction.atomic():
        ChorePlace.objects.create(coop=wads.coop, chore=wads, member=ben(), taken_at=NOW)
    with pytest.raises(IntegrityError, match="chore_confirmed_by_another"), transaction.atomic():
        ChorePlace.objects.filter(pk=place.pk).update(confirmed_by=ben())


@pytest.mark.django_db(transaction=True)
def test_the_last_place_on_a_chore_is_taken_by_exactly_one_of_four(tmp_path):
    packs = chore_of(make_watch_firing(), "cone_packs")
    take(packs, ben())
    racers = [stoker(name) for name in ("Uma", "Una", "Ute", "Val")]

    def job(member):
        return lambda: chores.sign_up(packs.coop, by=member, now=NOW, chore_id=packs.public_id)

    with a_real_database(tmp_path):
        said = at_once(*[job(member) for member in racers])
        [held] = at_once(lambda: ChorePlace.objects.filter(chore=packs).count())
    assert [type(one) for one in said].count(ChorePlace) == 1
    assert held == 2 == packs.most_people


def test_the_rows_cost_the_same_however_many_chores():
    few, many = make_watch_firing(), make_watch_firing(lights_at=LIGHTS + timedelta(days=9))
    Chore.objects.filter(firing=few).exclude(kind="wads").delete()
    for firing in (few, many):
        take(chore_of(firing, "wads"), ben())

    def count(firing):
        with CaptureQueriesContext(connection) as seen:
            rows = queries.rows_for(firing, ben_, NOW)
            assert any(row.mine for row in rows)
        return len(seen)

    ben_ = ben()
    assert Chore.objects.filter(firing=many).count() > 9
    assert count(few) == count(many)


# --- For the roster ---


def test_chores_to_come_are_tasks_of_the_roster_with_their_sign_off_and_crew():
    firing = make_watch_firing()
    grinding = chore_of(firing, "grinding")
    take(grinding, stu())
    tasks = {one.task.id: one for one in queries.chores_as_tasks(firing, now=NOW, t0=NOW, unit_min=30)}
    assert len(tasks) == Chore.objects.filter(firing=firing).count()
    found = tasks[str(grinding.public_id)]
    assert found.crew == (str(stu().public_id),)
    assert (found.task.kind, found.task.need, found.task.cap, found.task.skill) == ("chore", 2, 4, "grinding")
    assert found.task.least == 2
    assert NOW + found.task.start * timedelta(minutes=30) <= grinding.starts_at
    assert NOW + found.task.end * timedelta(minutes=30) >= grinding.ends_at
    assert queries.skills_of(stu(), TODAY) == ("grinding", "splitter")
    assert queries.skills_of(ben(), TODAY) == ()


@pytest.mark.parametrize("unit", [1, 7, 15, 60])
def test_a_unit_that_does_not_fit_widens_the_chore_by_less_than_a_unit(unit):
    firing = make_watch_firing()
    Chore.objects.filter(firing=firing, kind="wads").update(starts_at=NOW + timedelta(minutes=61, seconds=30))
    for one in queries.chores_as_tasks(firing, now=NOW, t0=NOW, unit_min=unit):
        chore, step = Chore.objects.get(public_id=one.task.id), timedelta(minutes=unit)
        assert timedelta(0) <= chore.starts_at - (NOW + one.task.start * step) < step
        assert timedelta(0) <= (NOW + one.task.end * step) - chore.ends_at < step


def test_a_chore_that_has_begun_is_no_longer_planned():
    firing = make_watch_firing()
    wads = chore_of(firing, "wads")
    ids = {one.task.id for one in queries.chores_as_tasks(firing, now=wads.starts_at, t0=wads.starts_at, unit_min=15)}
    assert str(wads.public_id) not in ids
    assert str(chore_of(firing, "grinding").public_id) in ids


# --- Weights ---


def test_splitting_and_grinding_count_by_the_policys_weights():
    firing = make_watch_firing(terms=Terms(splitting_weight=Fraction(5, 4), grinding_weight=Fraction(3, 2)))
    for kind, per_hour in (("cut", 75), ("split", 75), ("grinding", 90), ("wads", 60)):
        chore = chore_of(firing, kind)
        hours = (chore.ends_at - chore.starts_at) / HOUR
        assert counts_for(chore, firing.coop.time_zone, terms_of(firing)) == round(hours * per_hour)
    grinding = chore_of(firing, "grinding")
    place, _ = take(grinding, stu(), make_member("Gus", sign_offs=("grinding",)))
    chores.confirm(firing.coop, by=ada(), now=grinding.ends_at, place_id=place.public_id, minutes=60)
    assert HoursEntry.objects.get().minutes == 90
