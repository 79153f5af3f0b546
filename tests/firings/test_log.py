"""The firing log: written once, corrected by new entries, never changed; impossible values refused, odd ones told."""

import uuid
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext

from coop.errors import Malformed, NotAllowed, NotFound, Refused, Taken
from coop.transactions import reading as snapshot
from firings.fire.entries import effective
from firings.models import Firing, LogEntry
from firings.queries import fire
from firings.services import log
from firings.services.log import EntrySpec
from tests.factories import NOW, ben, cora, cy
from tests.factories_fire import HOUR, MINUTE, make_fire, on_watch, reading, write
from tests.factories_firings import make_kiln

pytestmark = pytest.mark.django_db
LATER = NOW + timedelta(days=40)


def state(firing, now):
    return fire.state_of(firing, fire.entries_of(fire.rows_of(firing)), now)


def standing(firing):
    return effective(fire.entries_of(fire.rows_of(firing)))


# --- Writing ---


def test_an_entry_keeps_when_it_was_seen_when_it_was_written_and_by_whom():
    firing = make_fire()
    seen, now = firing.lit_at + HOUR, firing.lit_at + 3 * HOUR
    by = on_watch(firing)
    row = write(firing, reading(4210, seen), by=by, now=now)[0]
    row.refresh_from_db()
    assert (row.observed_at, row.entered_at, row.by, row.temperature_dc) == (seen, now, by, 4210)


def test_without_a_time_it_was_seen_now():
    firing = make_fire()
    now = firing.lit_at + HOUR
    assert write(firing, EntrySpec(kind="note", text="rain"), now=now)[0].observed_at == now


def test_every_kind_is_written_with_what_it_needs_and_nothing_else():
    firing = make_fire()
    rows = write(
        firing,
        EntrySpec(kind="cone", cone="Cone 06", pack="front", cone_state="bent", grams=5),
        EntrySpec(kind="stoke", port="side", pieces=4, wood_size="thin"),
        EntrySpec(kind="damper", damper="half in"),
        EntrySpec(kind="round", phase="start", text="flame at the spy"),
        EntrySpec(kind="soda", port="left", grams=250),
    )
    assert [row.kind for row in rows] == ["cone", "stoke", "damper", "round", "soda"]
    assert (rows[0].cone, rows[0].cone_state, rows[0].grams) == ("06", "bent", None)
    assert (rows[1].port, rows[1].pieces, rows[1].wood_size) == ("side", 4, "thin")
    assert (rows[4].port, rows[4].grams) == ("left", 250)


@pytest.mark.parametrize("dc", [99_990, 16_001, -501])
def test_a_temperature_no_kiln_has_is_refused_in_one_sentence(dc):
    firing = make_fire()
    with pytest.raises(Malformed, match=r"No kiln is at .* °C: the probe is dead or the key was pressed twice") as no:
        write(firing, reading(dc))
    assert list(no.value.fields) == ["temperature_dc"]
    assert not LogEntry.objects.exists()


def test_9999_is_named_as_it_was_typed():
    with pytest.raises(Malformed, match=r"No kiln is at 9999 °C: .* Enter the reading again, or write a note\."):
        write(make_fire(), reading(99_990))


@pytest.mark.parametrize("dc", [16_000, -500])
def test_the_last_temperatures_that_could_be_are_taken(dc):
    assert write(make_fire(), reading(dc))[0].temperature_dc == dc


@pytest.mark.parametrize(
    ("spec", "sentence"),
    [
        (EntrySpec(kind="reading", temperature_dc=100), "which probe"),
        (EntrySpec(kind="reading", probe="front"), "Enter the temperature"),
        (EntrySpec(kind="cone", cone="6½½", cone_state="down"), "There is no cone"),
        (EntrySpec(kind="cone", cone="6", cone_state="gone"), "how the cone stands"),
        (EntrySpec(kind="stoke", pieces=0), "from 1 to 1000"),
        (EntrySpec(kind="damper"), "how the damper"),
        (EntrySpec(kind="round", phase="pause"), "starts or stops"),
        (EntrySpec(kind="soda", grams=0), "in grams"),
        (EntrySpec(kind="note", text="  "), "Write the note"),
        (EntrySpec(kind="note", text="x" * 4001), "at most 4000"),
        (EntrySpec(kind="tide", text="out"), "no entry of the kind"),
        (EntrySpec(kind="stoke", port="p" * 31), "too long"),
        (EntrySpec(kind="note", text="x", device_seq=-1), "from 0 up"),
    ],
)
def test_each_kind_says_what_is_missing(spec, sentence):
    with pytest.raises(Malformed, match=sentence):
        write(make_fire(), spec)
    assert not LogEntry.objects.exists()


def test_of_several_entries_all_or_none_are_written_and_the_faulty_ones_are_numbered():
    with pytest.raises(Malformed) as no:
        write(make_fire(), reading(5000), reading(99_990), EntrySpec(kind="soda"))
    assert [fault[:8] for fault in no.value.faults] == ["Entry 2:", "Entry 3:"]
    assert not LogEntry.objects.exists()


def test_nothing_was_seen_before_the_kiln_was_lit():
    firing = make_fire()
    with pytest.raises(Malformed, match="before the kiln was lit"):
        write(firing, reading(200, firing.lit_at - MINUTE))
    # clocks on pages show minutes: the minute it was lit in counts
    Firing.objects.filter(pk=firing.pk).update(lit_at=firing.lit_at + timedelta(seconds=40))
    assert write(firing, reading(200, firing.lit_at))


def test_nothing_was_seen_more_than_an_hour_ahead():
    firing = make_fire()
    now = firing.lit_at + HOUR
    with pytest.raises(Malformed, match="still to come"):
        write(firing, reading(200, now + 61 * MINUTE), now=now)
    assert write(firing, reading(200, now + 59 * MINUTE), now=now)


# --- Who, and when ---


def test_those_on_watch_the_lead_and_the_coordinator_write_and_others_do_not():
    firing = make_fire()
    for by in (on_watch(firing), firing.lead, cora()):
        assert write(firing, reading(3000), by=by)
    with pytest.raises(NotAllowed, match="Take a watch of this firing"):
        write(firing, reading(3000), by=ben())


def test_who_gave_the_place_up_writes_no_more():
    firing = make_fire()
    by = on_watch(firing)
    by.watch_places.update(given_up_at=NOW)
    with pytest.raises(NotAllowed):
        write(firing, reading(3000), by=by)


def test_another_co_ops_log_is_not_there():
    firing = make_fire()
    other = cy()
    entry = write(firing, reading(3000))[0]
    with pytest.raises(NotFound):
        log.write(other.coop, by=other, now=NOW, firing_id=firing.public_id, entries=[reading(1)])
    with pytest.raises(NotFound):
        log.strike(other.coop, by=other, now=NOW, entry_id=entry.public_id)


def test_before_lighting_there_is_no_log():
    firing = make_fire(stage="loading")
    with pytest.raises(Refused, match="has not been lit"):
        write(firing, reading(200), now=NOW)


def test_while_it_cools_readings_go_on_and_once_open_only_notes_do():
    firing = make_fire(stage="unpacking")
    now = firing.opens_at + HOUR
    with pytest.raises(Refused, match="takes notes only"):
        write(firing, reading(500), now=now)
    assert write(firing, EntrySpec(kind="note", text="bag wall leans"), now=now)
    cooling = make_fire(stage="cooling", kiln=make_kiln(name="Second kiln"), occupied_from=LATER)
    assert write(cooling, reading(9000), now=cooling.ended_at + HOUR)


def test_a_closed_firing_takes_nothing_more():
    firing = make_fire()
    entry = write(firing, EntrySpec(kind="note", text="x"))[0]
    Firing.objects.filter(pk=firing.pk).update(stage="closed", holds_kiln=False)
    with pytest.raises(Refused, match="read-only"):
        write(firing, EntrySpec(kind="note", text="y"))
    with pytest.raises(Refused, match="read-only"):
        log.strike(firing.coop, by=firing.lead, now=NOW, entry_id=entry.public_id)


# --- Sent twice ---


def test_the_same_id_sent_again_changes_nothing_and_gives_the_same_entry():
    firing = make_fire()
    spec = reading(4000, public_id=uuid.uuid4(), device_id="phone-1", device_seq=1, device_at=firing.lit_at)
    first = write(firing, spec)
    again = write(firing, spec, reading(4100, public_id=uuid.uuid4(), device_id="phone-1", device_seq=2))
    assert first[0].pk == again[0].pk
    assert LogEntry.objects.count() == 2
    assert first[0].device_at == firing.lit_at


def test_the_same_id_twice_in_one_message_is_one_entry():
    firing = make_fire()
    spec = reading(4000, public_id=uuid.uuid4())
    rows = write(firing, spec, spec)
    assert [row.pk for row in rows] == [LogEntry.objects.get().pk] * 2


def test_a_resent_entry_is_taken_even_when_the_kiln_has_been_opened_since():
    firing = make_fire(stage="cooling")
    spec = reading(4000, public_id=uuid.uuid4())
    first = write(firing, spec, now=firing.ended_at + HOUR)
    Firing.objects.filter(pk=firing.pk).update(stage="unpacking")
    assert write(firing, spec, now=firing.ended_at + 2 * HOUR)[0].pk == first[0].pk


def test_another_entry_of_a_number_the_device_used_is_refused_and_none_of_its_message_is_kept():
    firing = make_fire()
    write(firing, reading(4000, device_id="phone-1", device_seq=7))
    with pytest.raises(Taken, match="already sent another entry of that number"):
        write(firing, reading(4200), reading(4100, device_id="phone-1", device_seq=7))
    assert LogEntry.objects.count() == 1


def test_an_id_of_another_firings_log_is_refused():
    firing = make_fire()
    taken = write(firing, reading(4000))[0].public_id
    other = make_fire(kiln=make_kiln(name="Second kiln"), occupied_from=LATER)
    with pytest.raises(Taken, match="another firing"):
        write(other, reading(4000, public_id=taken))


def test_at_most_500_entries_come_at_once():
    with pytest.raises(Malformed, match="at most 500"):
        write(make_fire(), *[reading(1000)] * 501)


# --- Corrected ---


def test_a_correction_is_a_new_entry_that_points_at_the_old_one():
    firing = make_fire()
    old = write(firing, reading(14_030, firing.lit_at + HOUR))[0]
    by = on_watch(firing)
    new = log.correct(firing.coop, by=by, now=firing.lit_at + 2 * HOUR, entry_id=old.public_id, entry=reading(10_430))
    assert (new.corrects, new.by, new.observed_at) == (old, by, old.observed_at)
    assert LogEntry.objects.get(pk=old.pk).temperature_dc == 14_030
    assert [entry.temperature_dc for entry in standing(firing)] == [10_430]


def test_a_correction_sent_twice_is_one():
    firing = make_fire()
    old = write(firing, reading(1))[0]
    spec = reading(2, public_id=uuid.uuid4())
    now = firing.lit_at + HOUR
    made = [log.correct(firing.coop, by=firing.lead, now=now, entry_id=old.public_id, entry=spec) for _ in "ab"]
    assert made[0].pk == made[1].pk
    assert LogEntry.objects.count() == 2


def test_what_was_corrected_already_is_not_corrected_behind_somebodys_back():
    firing = make_fire()
    old, now = write(firing, reading(1))[0], firing.lit_at + HOUR
    log.correct(firing.coop, by=on_watch(firing), now=now, entry_id=old.public_id, entry=reading(2))
    with pytest.raises(Taken, match="Stoker has already corrected this entry"):
        log.correct(firing.coop, by=firing.lead, now=now, entry_id=old.public_id, entry=reading(3))


def test_a_reading_is_not_corrected_into_a_note():
    firing = make_fire()
    old = write(firing, reading(1))[0]
    with pytest.raises(Refused, match="strike it and write a new one"):
        log.correct(firing.coop, by=None, now=NOW, entry_id=old.public_id, entry=EntrySpec(kind="note", text="x"))


def test_a_correction_is_checked_like_any_entry():
    firing = make_fire()
    old = write(firing, reading(1))[0]
    with pytest.raises(Malformed, match="No kiln is at 9999"):
        log.correct(firing.coop, by=None, now=firing.lit_at + 2 * HOUR, entry_id=old.public_id, entry=reading(99_990))


def test_a_struck_entry_counts_no_more_but_is_there_to_be_seen():
    firing = make_fire()
    old, now = write(firing, reading(9000))[0], firing.lit_at + 2 * HOUR
    by = on_watch(firing)
    struck = log.strike(firing.coop, by=by, now=now, entry_id=old.public_id, why="wrong kiln")
    assert standing(firing) == []
    page = fire.fire_page(firing.coop, firing.public_id, firing.lead, now=now)
    assert page.lines[0].is_struck
    assert page.lines[0].earlier == (old,)
    assert (page.lines[0].entry.by, page.lines[0].entry.text) == (by, "wrong kiln")
    with pytest.raises(Refused, match="strikes another"):
        log.strike(firing.coop, by=by, now=now, entry_id=struck.public_id)
    with pytest.raises(Taken, match="already struck"):
        log.strike(firing.coop, by=by, now=now, entry_id=old.public_id)


def test_who_may_not_write_may_not_correct_either():
    firing = make_fire()
    old = write(firing, reading(9000))[0]
    with pytest.raises(NotAllowed):
        log.strike(firing.coop, by=ben(), now=NOW, entry_id=old.public_id)


# --- The walls ---


def test_the_log_is_never_changed_or_removed_in_the_database_itself():
    entry = write(make_fire(), reading(9000))[0]
    for change in (
        lambda: LogEntry.objects.filter(pk=entry.pk).update(temperature_dc=1),
        lambda: LogEntry.objects.filter(pk=entry.pk).delete(),
    ):
        with pytest.raises(IntegrityError, match="append_only"), transaction.atomic():
            change()
    assert LogEntry.objects.get().temperature_dc == 9000


WALLS = {
    "reading_is_a_kiln_temperature": {"kind": "reading", "probe": "p", "temperature_dc": 16_001},
    "reading_has_probe_and_value": {"kind": "reading", "probe": "", "temperature_dc": 100},
    "cone_entry_names_its_cone": {"kind": "cone", "cone": "", "cone_state": "down"},
    "soda_entry_has_grams": {"kind": "soda", "grams": 0},
    "round_starts_or_stops": {"kind": "round", "phase": ""},
    "striking_names_an_entry": {"kind": "note", "strikes": True},
}


@pytest.mark.parametrize("name", WALLS)
def test_the_database_refuses_what_no_entry_may_be(name):
    firing = make_fire()
    with pytest.raises(IntegrityError, match=name), transaction.atomic():
        LogEntry.objects.create(
            coop=firing.coop, firing=firing, by=firing.lead, observed_at=NOW, entered_at=NOW, **WALLS[name]
        )


def test_the_database_refuses_an_entry_that_corrects_itself():
    firing = make_fire()
    pk = write(firing, reading(1))[0].pk + 1000
    with pytest.raises(IntegrityError, match="entry_does_not_correct_itself"), transaction.atomic():
        LogEntry.objects.create(
            pk=pk,
            coop=firing.coop,
            firing=firing,
            by=firing.lead,
            observed_at=NOW,
            entered_at=NOW,
            kind="note",
            corrects_id=pk,
        )


def test_the_database_takes_a_devices_number_once():
    firing = make_fire()
    row = write(firing, reading(1, device_id="phone", device_seq=1))[0]
    with pytest.raises(IntegrityError, match=r"device_entry_arrives_once|device_seq"), transaction.atomic():
        LogEntry.objects.create(
            coop=firing.coop,
            firing=firing,
            by=firing.lead,
            observed_at=NOW,
            entered_at=NOW,
            kind="note",
            device_id=row.device_id,
            device_seq=row.device_seq,
        )


# --- What the page tells ---


def test_rate_spread_and_running_round_follow_from_the_log():
    firing = make_fire()
    start = firing.lit_at + HOUR
    write(firing, *[reading(5000 + 300 * n, start + 20 * MINUTE * n) for n in range(5)], now=start + 2 * HOUR)
    write(firing, reading(5500, start + 80 * MINUTE, probe="back"), now=start + 2 * HOUR)
    write(firing, EntrySpec(kind="round", phase="start", observed_at=start + 70 * MINUTE), now=start + 2 * HOUR)
    told = state(firing, start + 90 * MINUTE)
    assert told.probes[0].rate_dc == 900  # 30 °C each 20 minutes is 90 °C an hour
    assert told.spread_dc == 6200 - 5500
    assert told.round_since == 20 * MINUTE
    assert told.hours_lit == 150 * MINUTE


def test_a_fire_stands_still_only_while_wood_goes_in():
    firing = make_fire()
    start = firing.lit_at + HOUR
    write(firing, *[reading(11_000 + n % 2, start + 15 * MINUTE * n) for n in range(8)], now=start + 2 * HOUR)
    assert not state(firing, start + 2 * HOUR).is_stalled
    write(firing, EntrySpec(kind="stoke", port="main", pieces=5), now=start + 2 * HOUR)
    assert state(firing, start + 2 * HOUR).is_stalled


def test_soda_is_summed_per_cubic_metre_of_the_kiln():
    firing = make_fire()
    write(firing, EntrySpec(kind="soda", grams=250), EntrySpec(kind="soda", grams=350))
    told = state(firing, firing.lit_at + 3 * HOUR)
    assert (told.soda_g, told.soda_g_per_m3) == (600, 500)  # the sample kiln holds 1200 l


def test_soda_too_early_is_told_and_not_refused():
    firing = make_fire()
    row = write(firing, EntrySpec(kind="soda", grams=250))[0]
    told = fire.doubts(row, fire.entries_of(fire.rows_of(firing)))
    assert len(told) == 1
    assert told[0].startswith("Cone 8 is not down")


def test_soda_with_cone_8_down_or_at_its_temperature_raises_no_doubt():
    firing = make_fire()
    row = EntrySpec(kind="soda", grams=250)
    write(firing, EntrySpec(kind="cone", cone="9", pack="front", cone_state="down"))
    assert fire.doubts(write(firing, row)[0], fire.entries_of(fire.rows_of(firing))) == []
    hot = make_fire(kiln=make_kiln(name="Second kiln"), occupied_from=LATER)
    write(hot, reading(13_000))
    assert fire.doubts(write(hot, row)[0], fire.entries_of(fire.rows_of(hot))) == []


def test_a_jump_a_hot_probe_and_a_cone_that_rises_again_are_doubted():
    firing = make_fire()
    now = firing.lit_at + 2 * HOUR
    write(
        firing, reading(8000, now - 10 * MINUTE), EntrySpec(kind="cone", cone="6", pack="f", cone_state="down"), now=now
    )

    def doubted(spec):
        before = fire.entries_of(fire.rows_of(firing))
        return " ".join(fire.doubts(write(firing, spec, now=now + MINUTE)[0], before))

    assert "moved by +160 °C" in doubted(reading(9600))
    assert "hotter than kilns" in doubted(reading(14_100))
    assert "does not rise again" in doubted(EntrySpec(kind="cone", cone="6", pack="f", cone_state="soft"))
    assert "No round was running" in doubted(EntrySpec(kind="round", phase="stop"))
    assert doubted(EntrySpec(kind="round", phase="start")) == ""
    assert "was running already" in doubted(EntrySpec(kind="round", phase="start"))
    assert "is a lot" in doubted(EntrySpec(kind="stoke", pieces=61))


def test_the_forecast_of_cooling_is_given_with_its_interval_once_there_are_readings():
    firing = make_fire(stage="cooling")
    end = firing.ended_at
    assert state(firing, end + HOUR).cooling is None
    # Newton's law by hand: 15 + 1185 * 0.5 ** (t / 10 h); 100 °C is passed after 10 * log2(1185 / 85) = 38.0 h
    fall = [reading(round(10 * (15 + 1185 * 0.5 ** (t / 10))), end + t * HOUR) for t in range(0, 24, 3)]
    write(firing, *fall, now=end + 24 * HOUR)
    told = state(firing, end + 24 * HOUR).cooling
    assert end + 38 * HOUR < told.below_at < end + 43 * HOUR  # a kiln cools slower with its brick than by that law
    assert told.earliest <= told.half_from <= told.below_at <= told.half_to <= told.latest
    assert "5 readings" in told.based_on


def test_both_half_past_ones_of_the_night_the_clocks_go_back_are_an_hour_apart():
    """Dublin, 25 October 2026: 01:30 comes twice (IANA tz: IST +01:00 to GMT at 02:00)."""
    zone = ZoneInfo("Europe/Dublin")
    lights = datetime(2026, 10, 24, 18, 0, tzinfo=UTC)
    firing = make_fire(occupied_from=lights - 20 * HOUR, lights_at=lights)
    first = datetime(2026, 10, 25, 1, 30, tzinfo=zone)
    second = first.replace(fold=1)
    write(firing, reading(6000, first), reading(6800, second), now=lights + 9 * HOUR)
    rows = fire.rows_of(firing)
    assert rows[1].observed_at - rows[0].observed_at == HOUR
    told = state(firing, second.astimezone(UTC))
    assert told.hours_lit == timedelta(hours=7, minutes=30)  # 19:00 by the clock to the second 01:30
    assert [fire.in_words(row) for row in rows] == ["front 600\N{NO-BREAK SPACE}°C", "front 680\N{NO-BREAK SPACE}°C"]
    assert fire.may_need_fold(firing, second.astimezone(UTC))


def test_the_page_shows_fifty_entries_and_pages_the_older_ones():
    firing = make_fire()
    write(firing, *[reading(1000 + n, firing.lit_at + n * MINUTE) for n in range(60)], now=firing.lit_at + 2 * HOUR)
    page = fire.fire_page(firing.coop, firing.public_id, firing.lead, now=firing.lit_at + 2 * HOUR, number=2)
    assert (len(page.lines), page.pages, page.count) == (10, 2, 60)
    assert page.lines[-1].entry.temperature_dc == 1000


def test_the_cost_of_the_fire_page_does_not_grow_with_the_log():
    firing = make_fire()
    now = firing.lit_at + 2 * HOUR

    def queries():
        with (
            CaptureQueriesContext(
                connection,
            ) as seen,
            snapshot(firing.coop),
        ):
            fire.fire_page(firing.coop, firing.public_id, firing.lead, now=now)
        return len(seen)

    first = write(firing, reading(1000))[0]
    log.correct(firing.coop, by=firing.lead, now=now, entry_id=first.public_id, entry=reading(1001))
    before = queries()
    rows = write(firing, *[reading(1000 + n) for n in range(40)])
    for row in rows[:10]:
        log.correct(firing.coop, by=firing.lead, now=now, entry_id=row.public_id, entry=reading(5))
    assert queries() == before
