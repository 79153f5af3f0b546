"""What the database itself refuses about kilns and firings, also when a service is not asked."""

import threading
from datetime import timedelta

import pytest
from django.apps import apps
from django.db import IntegrityError, connection, connections, models, transaction
from django.db.models import F

from coop.errors import Refused, Taken
from coop.transactions import _SENTENCES, use_case
from firings.models import (
    CrewPhase,
    Firing,
    FiringZone,
    GuestPass,
    Kiln,
    Material,
    PostSet,
    PostSpot,
    Probe,
    StageMove,
    WoodMove,
    WoodStack,
    Zone,
)
from firings.services import firings
from tests.factories import NOW, ada, ben, make_coop
from tests.factories_firings import make_firing, make_kiln

H = timedelta(hours=1)


def copy_of(row, **changes):
    """A second row like this one, with other values; saved."""
    values = {f.name: getattr(row, f.name) for f in row._meta.local_fields if f.name not in ("id", "public_id")}
    return type(row).objects.create(**{**values, **changes})


def change(row, **values):
    type(row).objects.filter(pk=row.pk).update(**values)


def a_zone(kiln):
    return kiln.zones.first()


def a_body(kiln, **fields):
    return Material.objects.create(
        **{"coop": kiln.coop, "kind": "body", "name": "grogged", "stands_cone": "10", **fields}
    )


def a_stack(kiln, **fields):
    said = {"coop": kiln.coop, "name": "lean-to", "species": "larch", "size_class": "split", "stacked_dm3": 900}
    return WoodStack.objects.create(**{**said, **fields})


def a_probe(kiln, **fields):
    return Probe.objects.create(**{"coop": kiln.coop, "kiln": kiln, "name": "front", "changed_at": NOW, **fields})


def twice(make):
    make()
    make()


# name of the constraint -> a write that breaks it and nothing else, given the kiln and a firing of it
BREAKS = {
    "kiln_name_used_once": lambda kiln, firing: copy_of(kiln),
    "kiln_hours_are_in_order": lambda kiln, firing: change(kiln, hours_likely=kiln.hours_high + 1),
    "kiln_watch_is_an_hour_or_more": lambda kiln, firing: change(kiln, watch_hours=0),
    "kiln_has_a_volume": lambda kiln, firing: change(kiln, volume_l=0),
    "zone_name_used_once_per_kiln": lambda kiln, firing: copy_of(a_zone(kiln)),
    "zone_sizes_make_sense": lambda kiln, firing: change(a_zone(kiln), board_w_mm=49),
    "post_spot_has_an_area": lambda kiln, firing: PostSpot.objects.filter(zone=a_zone(kiln)).update(x1_mm=F("x0_mm")),
    "post_height_listed_once": lambda kiln, firing: copy_of(kiln.posts.first()),
    "post_has_a_height": lambda kiln, firing: change(kiln.posts.first(), height_mm=0),
    "phase_begins_once": lambda kiln, firing: copy_of(kiln.phases.first()),
    "phase_lies_in_the_burn": lambda kiln, firing: change(kiln.phases.last(), to_permille=1001),
    "phase_needs_two_people": lambda kiln, firing: change(kiln.phases.first(), people=1),
    "phase_needs_a_lead": lambda kiln, firing: change(kiln.phases.first(), leads=0),
    "phase_most_covers_need": lambda kiln, firing: change(kiln.phases.first(), people=9, most_people=8),
    "material_named_once_per_kind": lambda kiln, firing: twice(lambda: a_body(kiln)),
    "clay_body_says_its_cone": lambda kiln, firing: a_body(kiln, stands_cone=""),
    "material_price_is_not_negative": lambda kiln, firing: a_body(kiln, price_minor=-1),
    "wood_stack_named_once": lambda kiln, firing: twice(lambda: a_stack(kiln)),
    "wood_moisture_is_below_all": lambda kiln, firing: a_stack(kiln, moisture_permille=1000),
    "wood_move_moves_something": lambda kiln, firing: WoodMove.objects.create(
        coop=kiln.coop, stack=a_stack(kiln), stacked_dm3=0, at=NOW
    ),
    "wood_difference_says_why": lambda kiln, firing: WoodMove.objects.create(
        coop=kiln.coop, stack=a_stack(kiln), stacked_dm3=-1, counted_dm3=899, at=NOW
    ),
    "probe_name_used_once_per_kiln": lambda kiln, firing: twice(lambda: a_probe(kiln)),
    "probe_offset_is_small": lambda kiln, firing: a_probe(kiln, offset_dc=1501),
    "probe_has_a_name": lambda kiln, firing: a_probe(kiln, name=""),
    "firing_name_used_once": lambda kiln, firing: copy_of(firing, holds_kiln=False),
    "firing_dates_are_in_order": lambda kiln, firing: change(firing, ends_at=firing.lights_at),
    "booking_closes_before_the_fire": lambda kiln, firing: change(firing, booking_closes_at=firing.lights_at + H),
    "ended_firing_frees_the_kiln": lambda kiln, firing: change(firing, stage="closed"),
    "fire_ends_after_it_is_lit": lambda kiln, firing: change(firing, lit_at=NOW, ended_at=NOW),
    "firing_zone_listed_once": lambda kiln, firing: copy_of(firing.zones.first()),
    "zone_not_oversold": lambda kiln, firing: firing.zones.update(taken_ml=F("capacity_ml") + 1),
    "zone_not_undersold": lambda kiln, firing: firing.zones.update(taken_ml=-1),
    "guest_passes_once_per_firing": lambda kiln, firing: twice(
        lambda: GuestPass.objects.create(coop=kiln.coop, firing=firing, host=firing.lead, guest=ben())
    ),
}
OURS = (
    Kiln,
    Probe,
    Zone,
    PostSpot,
    PostSet,
    CrewPhase,
    Material,
    WoodStack,
    WoodMove,
    Firing,
    FiringZone,
    GuestPass,
)


def named(model, name):
    return next(one for one in model._meta.constraints if one.name == name)


def owner_of(name):
    return next(model for model in OURS if any(one.name == name for one in model._meta.constraints))


def said_by_database(name):
    """What the refusal must contain: the name, or on SQLite (which tells columns) the columns of a unique key."""
    model = owner_of(name)
    constraint = named(model, name)
    if connection.vendor == "postgresql" or not isinstance(constraint, models.UniqueConstraint):
        return name
    columns = [model._meta.get_field(field).column for field in constraint.fields]
    return ", ".join(f"{model._meta.db_table}.{column}" for column in columns)


@pytest.mark.django_db
@pytest.mark.parametrize("name", BREAKS)
def test_the_database_refuses(name):
    firing = make_firing()
    with pytest.raises(IntegrityError) as refusal, transaction.atomic():
        BREAKS[name](firing.kiln, firing)
    assert said_by_database(name) in str(refusal.value)


def test_every_named_constraint_of_kilns_and_firings_is_hit():
    standing = {
        one.name
        for model in apps.get_app_config("firings").get_models()
        if model.__module__ in ("firings.models.kilns", "firings.models.firings")
        for one in model._meta.constraints
    }
    assert set(BREAKS) == standing


def test_every_constraint_a_member_can_hit_has_a_sentence():
    """Counters and keys no form reaches are left to the plain "somebody got there first"."""
    by_machine = {
        "post_has_a_height",
        "firing_zone_listed_once",
        "zone_not_oversold",
        "zone_not_undersold",
        "guest_passes_once_per_firing",
    }
    assert {*BREAKS, "kiln_taken_once"} - by_machine <= set(_SENTENCES)


# --- The kiln is taken once -----------------------------------------------------------------


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("shift", "fits"),
    [
        (timedelta(), False),
        (timedelta(hours=-1), False),
        (timedelta(hours=1), False),
        (timedelta(days=60), True),
    ],
)
def test_the_database_keeps_two_firings_off_one_kiln(shift, fits):
    firing = make_firing()
    dates = ("occupied_from", "lights_at", "ends_at", "opens_at", "occupied_until", "booking_closes_at")
    moved = {name: getattr(firing, name) + shift for name in dates}
    if fits:
        assert copy_of(firing, name="second", **moved).holds_kiln
        return
    with pytest.raises(IntegrityError, match="kiln_taken_once"), transaction.atomic():
        copy_of(firing, name="second", **moved)


@pytest.mark.django_db
def test_firings_may_follow_each_other_without_a_gap():
    first = make_firing()
    second = make_firing(kiln=first.kiln, occupied_from=first.occupied_until)
    assert second.occupied_from == first.occupied_until


@pytest.mark.django_db
def test_the_database_keeps_a_firing_from_moving_onto_another():
    first = make_firing()
    second = make_firing(kiln=first.kiln, occupied_from=first.occupied_until)
    with pytest.raises(IntegrityError, match="kiln_taken_once"), transaction.atomic():
        change(second, occupied_from=first.occupied_until - timedelta(seconds=1))


@pytest.mark.django_db
def test_a_firing_called_off_does_not_come_back_onto_a_taken_kiln():
    first = make_firing()
    firings.call_off(first.coop, by=first.lead, now=NOW, firing_id=first.public_id, why="no wood")
    make_firing(kiln=first.kiln, name="instead")
    with pytest.raises(IntegrityError, match="kiln_taken_once"), transaction.atomic():
        change(first, stage="called", holds_kiln=True)


@pytest.mark.django_db
def test_the_wall_speaks_the_members_language():
    """A write that reaches the wall inside a use case becomes its sentence, and nothing stays."""
    firing = make_firing()

    @use_case
    def crash_into_it(coop, *, by, now):
        copy_of(firing, name="second")

    with pytest.raises(Taken, match="Somebody called another firing of this kiln"):
        crash_into_it(firing.coop, by=firing.lead, now=NOW)
    assert Firing.objects.of(firing.coop).count() == 1


# --- The record of decisions ----------------------------------------------------------------


@pytest.mark.django_db
@pytest.mark.parametrize(
    "harm", [lambda rows: rows.update(note="never said"), lambda rows: rows._raw_delete("default")]
)
def test_a_decision_once_written_down_stays(harm):
    firing = make_firing()
    with pytest.raises(IntegrityError, match="append_only"), transaction.atomic():
        harm(StageMove.objects.filter(firing=firing))
    assert StageMove.objects.get(firing=firing).note == ""


# --- Two at once ----------------------------------------------------------------------------


def _can_race():
    if connection.vendor == "postgresql":
        return True
    name = str(connection.settings_dict["NAME"])
    return "memory" not in name and name != ":memory:"


def at_once(*jobs):
    """Run the jobs in threads that start together; what each returned or raised."""
    gate, answers = threading.Barrier(len(jobs)), [None] * len(jobs)

    def run(place, job):
        try:
            gate.wait(timeout=10)
            answers[place] = job()
        except Exception as error:
            answers[place] = error
        finally:
            connections.close_all()

    threads = [threading.Thread(target=run, args=(place, job)) for place, job in enumerate(jobs)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=30)
    return answers


def call_job(coop, kiln, lead, name, begins):
    return lambda: firings.call(
        coop,
        by=lead,
        now=NOW,
        kiln_id=kiln.public_id,
        name=name,
        occupied_from=begins,
        lights_at=begins + 20 * H,
    )


@pytest.mark.django_db(transaction=True)
def test_of_overlapping_calls_at_once_exactly_one_wins():
    if not _can_race():
        pytest.skip("SQLite in memory is one connection; the race runs on PostgreSQL")
    coop = make_coop()
    kiln, lead = make_kiln(coop), ada(coop)
    begins = NOW + timedelta(days=14)
    answers = at_once(*(call_job(coop, kiln, lead, f"call {n}", begins + n * H) for n in range(4)))
    won = [answer for answer in answers if isinstance(answer, Firing)]
    assert len(won) == 1
    assert all(isinstance(answer, Taken) for answer in answers if answer not in won), answers
    assert [firing.name for firing in Firing.objects.of(coop)] == [won[0].name]
    assert StageMove.objects.of(coop).count() == 1


@pytest.mark.django_db(transaction=True)
def test_a_firing_moved_on_by_two_at_once_moves_once():
    if not _can_race():
        pytest.skip("SQLite in memory is one connection; the race runs on PostgreSQL")
    firing = make_firing(stage="booking")

    def close_booking():
        return firings.move_on(firing.coop, by=firing.lead, now=NOW, firing_id=firing.public_id, to="allotted")

    answers = at_once(close_booking, close_booking)
    assert sum(isinstance(answer, Firing) for answer in answers) == 1, answers
    assert sum(isinstance(answer, Refused) for answer in answers) == 1, answers
    assert StageMove.objects.filter(firing=firing, to_stage="allotted").count() == 1
