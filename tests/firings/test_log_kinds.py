"""What can be logged besides readings, and what each kind refuses; photos; probes with their offsets."""

import uuid
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import IntegrityError, transaction
from django.urls import reverse

from coop import pictures
from coop.errors import Malformed, NotAllowed, NotFound, Refused
from coop.models import Picture
from firings.models import LogEntry, LogPicture, Probe
from firings.queries import fire as queries
from firings.services import firings, log, probes
from firings.services.log import EntrySpec
from tests.coop.test_pictures import photo
from tests.factories import NOW, make_member, stu
from tests.factories_fire import HOUR, make_fire, make_fire_with_pieces, on_watch, reading, write

pytestmark = pytest.mark.django_db

FINE = {
    "cone": EntrySpec(kind="cone", cone="9", pack="front", place="left of the bag wall", cone_state="bent"),
    "stoke": EntrySpec(kind="stoke", port="left", pieces=4, wood_size="split"),
    "damper": EntrySpec(kind="damper", damper="half in", air="two bricks open"),
    "air": EntrySpec(kind="damper", air="all passive inlets open"),
    "soda": EntrySpec(kind="soda", port="right", grams=250, soda_form="spray"),
    "flame": EntrySpec(kind="flame", flame="a hand out of the chimney", smoke="grey"),
    "draw": EntrySpec(kind="draw", place="front spy", text="orange peel begins"),
    "weather": EntrySpec(kind="weather", text="rain from the west", temperature_dc=-35),
    "decision": EntrySpec(kind="decision", text="Hold two hours more", reason="cone 10 stands in the back"),
    "wood": EntrySpec(kind="wood", kg=180, pieces=60, wood_size="slabs", text="from the long rick"),
    "incident": EntrySpec(kind="incident", text="Ben burnt a finger, cooled at once", place="left port"),
}
SAID = {
    "cone": "cone 9 (front, left of the bag wall): half down",
    "stoke": "stoke at left: 4 split",
    "damper": "damper and air: half in, air: two bricks open",
    "air": "damper and air: air: all passive inlets open",
    "soda": "soda 250 g at right, dissolved and sprayed",
    "flame": "flame: a hand out of the chimney, smoke: grey",
    "draw": "draw ring (front spy); orange peel begins",
    "weather": "weather -4 °C; rain from the west",
    "decision": "decision; Hold two hours more; because: cone 10 stands in the back",
    "wood": "wood brought: 180 kg, 60 pieces slabs; from the long rick",
    "incident": "incident (left port); Ben burnt a finger, cooled at once",
}


@pytest.mark.parametrize("name", FINE)
def test_each_kind_is_written_and_said_in_words(name):
    row = write(make_fire(), FINE[name])[0]
    assert queries.in_words(row).replace("\u00a0", " ").replace("\u202f", " ").replace("−", "-") == SAID[name]


@pytest.mark.parametrize(
    ("spec", "field"),
    [
        (EntrySpec(kind="damper"), "damper"),
        (EntrySpec(kind="soda", grams=5, soda_form="lumps"), "soda_form"),
        (EntrySpec(kind="flame"), "flame"),
        (EntrySpec(kind="flame", smoke="blue"), "smoke"),
        (EntrySpec(kind="flame", flame="f" * 61), "flame"),
        (EntrySpec(kind="draw", place="front"), "text"),
        (EntrySpec(kind="weather"), "text"),
        (EntrySpec(kind="weather", temperature_dc=9000), "temperature_dc"),
        (EntrySpec(kind="decision", reason="why"), "text"),
        (EntrySpec(kind="decision", text="Hold"), "reason"),
        (EntrySpec(kind="decision", text="Hold", reason="x" * 4001), "reason"),
        (EntrySpec(kind="wood"), "kg"),
        (EntrySpec(kind="wood", kg=0), "kg"),
        (EntrySpec(kind="wood", pieces=10_001), "pieces"),
        (EntrySpec(kind="incident", text=" "), "text"),
        (EntrySpec(kind="cone", cone="9", cone_state="bent", place="p" * 31), "place"),
    ],
)
def test_each_kind_says_what_is_missing_beside_its_field(spec, field):
    firing = make_fire()
    with pytest.raises(Malformed) as no:
        write(firing, spec)
    assert list(no.value.fields) == [field]
    assert not firing.log.exists()


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("flame_entry_says_flame_or_smoke", {"kind": "flame"}),
        ("decision_says_what_and_why", {"kind": "decision", "text": "Hold"}),
        ("wood_brought_says_how_much", {"kind": "wood"}),
        ("soda_entry_has_grams", {"kind": "soda"}),
        ("incident_says_what_happened", {"kind": "incident"}),
        ("offset_of_reading_is_small", {"kind": "reading", "probe": "a", "temperature_dc": 1, "offset_dc": 1501}),
    ],
)
def test_the_database_has_the_last_word(name, values):
    firing = make_fire()
    with pytest.raises(IntegrityError, match=name), transaction.atomic():
        LogEntry.objects.create(
            coop=firing.coop, firing=firing, observed_at=NOW, entered_at=NOW, by=firing.lead, **values
        )


def test_an_incident_may_still_be_written_after_the_kiln_was_opened():
    firing = make_fire_with_pieces("unpacking")
    assert write(firing, EntrySpec(kind="incident", text="A board slid"), now=firing.opened_at + HOUR)
    with pytest.raises(Refused, match="notes only"):
        write(firing, FINE["decision"], now=firing.opened_at + HOUR)


def test_decisions_and_incidents_stand_in_the_drafted_hand_over():
    from firings.services import hand_overs

    firing = make_fire()
    write(firing, FINE["decision"], FINE["incident"])
    note = hand_overs.draft(firing.coop, by=firing.lead, now=firing.lit_at + 3 * HOUR, firing_id=firing.public_id)
    assert "Hold two hours more Because: cone 10 stands in the back" in note.text
    assert "Incident at" in note.text


# --- Photos of an entry ---------------------------------------------------------------------


def sent(firing, who=None):
    who = who or on_watch(firing)
    return pictures.add(who.coop, by=who, now=NOW, picture=pictures.cleaned(photo()))


def test_a_photo_belongs_to_the_entry_it_is_named_in():
    firing = make_fire()
    mine = sent(firing)
    spec = EntrySpec(kind="draw", text="shiny", pictures=(mine.public_id,))
    row = write(firing, spec, by=on_watch(firing))[0]
    assert [held.picture for held in row.pictures.all()] == [mine]
    assert Picture.objects.get().held_at is not None


def test_an_entry_sent_again_with_its_photo_is_not_written_twice():
    firing = make_fire()
    spec = EntrySpec(kind="draw", public_id=ONE_ID, pictures=(sent(firing).public_id,))
    first = log.receive(
        firing.coop, by=on_watch(firing), now=an_hour_in(firing), firing_id=firing.public_id, entries=[spec]
    )
    again = log.receive(
        firing.coop, by=on_watch(firing), now=an_hour_in(firing), firing_id=firing.public_id, entries=[spec]
    )
    assert [first[0].outcome, again[0].outcome] == ["written", "known"]
    assert LogPicture.objects.count() == 1


def test_a_photo_that_is_not_there_refuses_its_entry_and_no_other():
    firing = make_fire()
    mine, others = sent(firing), sent(firing, make_member("Dora"))
    specs = [
        EntrySpec(kind="draw", public_id=ONE_ID, text="one", pictures=(others.public_id,)),
        EntrySpec(kind="draw", public_id=OTHER_ID, text="two", pictures=(mine.public_id,)),
    ]
    got = log.receive(
        firing.coop, by=on_watch(firing), now=an_hour_in(firing), firing_id=firing.public_id, entries=specs
    )
    assert [one.outcome for one in got] == ["refused", "written"]
    assert "photo" in str(got[0].why)


def test_five_photos_are_too_many():
    firing = make_fire()
    five = tuple(sent(firing).public_id for _ in range(5))
    with pytest.raises(Malformed, match="at most 4"):
        write(firing, EntrySpec(kind="draw", pictures=five), by=on_watch(firing))


ONE_ID, OTHER_ID = (uuid.UUID(int=n) for n in (41, 42))


def an_hour_in(firing):
    return firing.lit_at + HOUR


# --- The page -------------------------------------------------------------------------------


def more(firing):
    return reverse("fire_more", kwargs={"coop": firing.coop.slug, "firing": firing.public_id})


def at_the_fire(client, firing, monkeypatch):
    monkeypatch.setattr("firings.views.fire_more.timezone.now", lambda: firing.lit_at + HOUR)
    client.force_login(on_watch(firing).person)


def test_a_decision_is_written_on_its_page(client, monkeypatch):
    firing = make_fire()
    at_the_fire(client, firing, monkeypatch)
    assert "Why" in client.get(more(firing)).content.decode()
    answer = client.post(more(firing), {"kind": "decision", "text": "Hold", "reason": "back is cold"})
    assert answer.status_code == 303
    assert firing.log.get().reason == "back is cold"


def test_a_late_entry_from_paper_keeps_both_times(client, monkeypatch):
    firing = make_fire()
    at_the_fire(client, firing, monkeypatch)
    seen = firing.lit_at + timedelta(minutes=10)
    local = seen.astimezone(ZoneInfo(firing.coop.time_zone))
    client.post(more(firing), {"kind": "weather", "text": "frost", "seen_at": f"{local:%Y-%m-%dT%H:%M}"})
    row = firing.log.get()
    assert (row.observed_at, row.entered_at) == (seen, firing.lit_at + HOUR)


def test_a_draw_ring_comes_with_its_photo_and_shows_in_the_log(client, monkeypatch):
    firing = make_fire()
    at_the_fire(client, firing, monkeypatch)
    file = SimpleUploadedFile("IMG_1.jpg", photo(), "image/jpeg")
    answer = client.post(more(firing), {"kind": "draw", "place": "front", "photo": file}, follow=True)
    held = LogPicture.objects.get()
    assert str(held.picture.public_id) in answer.content.decode()
    assert held.entry.place == "front"


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"kind": "decision", "text": "Hold"}, "This field is required"),
        ({"kind": "wood", "kg": "-4"}, "greater than or equal to 1"),
        ({"kind": "weather"}, "what the weather is like"),
        ({"kind": "flame", "smoke": "blue"}, "Select a valid choice"),
        ({"kind": "tide"}, "Press one of the buttons"),
    ],
)
def test_what_is_missing_is_said_and_nothing_is_written(client, monkeypatch, fields, said):
    firing = make_fire()
    at_the_fire(client, firing, monkeypatch)
    answer = client.post(more(firing), fields)
    assert answer.status_code in (400, 422)
    assert said in answer.content.decode()
    assert not firing.log.exists()


def test_a_file_that_is_no_photo_is_refused_and_nothing_is_written(client, monkeypatch):
    firing = make_fire()
    at_the_fire(client, firing, monkeypatch)
    file = SimpleUploadedFile("x.jpg", b"<svg/>", "image/jpeg")
    answer = client.post(more(firing), {"kind": "draw", "text": "glossy", "photo": file})
    assert "SVG" in answer.content.decode()
    assert not firing.log.exists()
    assert not Picture.objects.exists()


def test_who_is_not_on_watch_reads_why(client):
    firing = make_fire()
    client.force_login(make_member("Dora").person)
    assert "Take a watch" in client.get(more(firing)).content.decode()
    assert client.post(more(firing), {"kind": "weather", "text": "frost"}).status_code == 403


# --- Probes ---------------------------------------------------------------------------------


def add_probe(kiln, name="Front", offset_dc=-120):
    who = stu(kiln.coop)
    return probes.add_probe(kiln.coop, by=who, now=NOW, kiln_id=kiln.public_id, name=name, offset_dc=offset_dc)


def test_a_reading_keeps_what_was_shown_and_counts_with_the_offset():
    firing = make_fire()
    add_probe(firing.kiln)
    row = write(firing, reading(10_000, firing.lit_at + HOUR, probe="front"))[0]
    assert (row.probe, row.temperature_dc, row.offset_dc, row.true_dc) == ("Front", 10_000, -120, 9_880)
    state = queries.state_of(firing, queries.entries_of(queries.rows_of(firing)), firing.lit_at + HOUR)
    assert (state.probes[0].last_dc, state.probes[0].shown_dc) == (9_880, 10_000)
    assert (10_000, 0) in state.probes[0].steps
    assert "988" in queries.in_words(row)
    assert "shown: 1,000" in queries.in_words(row).replace("\u00a0", " ")


def test_a_new_offset_does_not_change_what_was_written():
    firing = make_fire()
    probe = add_probe(firing.kiln)
    before = write(firing, reading(9_000, firing.lit_at + HOUR, probe="Front"))[0]
    probes.change_probe(firing.coop, by=stu(), now=NOW, probe_id=probe.public_id, offset_dc=50)
    after = write(firing, reading(9_100, firing.lit_at + 2 * HOUR, probe="Front"))[0]
    mended = log.correct(
        firing.coop,
        by=firing.lead,
        now=firing.lit_at + 2 * HOUR,
        entry_id=before.public_id,
        entry=EntrySpec(kind="reading", probe="Front", temperature_dc=9_010),
    )
    assert [row.offset_dc for row in (before, after, mended)] == [-120, 50, -120]


def test_the_opening_temperature_is_judged_with_the_offset():
    firing = make_fire_with_pieces("cooling")
    add_probe(firing.kiln, offset_dc=300)
    at = firing.ended_at + HOUR
    write(firing, reading(firing.kiln.opening_c * 10 - 100, at, probe="Front"), now=at)
    with pytest.raises(Refused, match="may be opened below"):
        firings.move_on(firing.coop, by=firing.lead, now=at, firing_id=firing.public_id, to="unpacking", note="")


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"name": " "}, "name"),
        ({"name": "p" * 31}, "30 letters"),
        ({"name": "front"}, "probe of that name"),
        ({"name": "back", "offset_dc": 1501}, "150 °C"),
        ({"name": "back", "place": "p" * 61}, "60 letters"),
    ],
)
def test_a_probe_that_cannot_be_is_refused(more, said):
    kiln = make_fire().kiln
    add_probe(kiln)
    with pytest.raises(Refused, match=said):
        probes.add_probe(kiln.coop, by=stu(), now=NOW, kiln_id=kiln.public_id, **more)
    assert Probe.objects.count() == 1


def test_only_the_steward_changes_probes():
    kiln = make_fire().kiln
    row = add_probe(kiln)
    with pytest.raises(NotAllowed):
        probes.change_probe(kiln.coop, by=make_member("Dora"), now=NOW, probe_id=row.public_id)
    probes.retire_probe(kiln.coop, by=stu(), now=NOW, probe_id=row.public_id)
    with pytest.raises(NotFound):
        probes.change_probe(kiln.coop, by=stu(), now=NOW, probe_id=row.public_id)


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("probe_offset_is_small", {"name": "x", "offset_dc": -1501}),
        ("probe_has_a_name", {"name": ""}),
        ("probe_name_used_once_per_kiln|firings_probe.name", {"name": "Front"}),
    ],
)
def test_the_database_refuses_a_probe(name, values):
    kiln = make_fire().kiln
    add_probe(kiln)
    with pytest.raises(IntegrityError, match=name), transaction.atomic():
        Probe.objects.create(coop=kiln.coop, kiln=kiln, changed_at=NOW, **values)


def test_probes_are_kept_on_the_kilns_page(client):
    kiln = make_fire().kiln
    client.force_login(stu().person)
    page = reverse("kiln_probes", kwargs={"coop": kiln.coop.slug, "kiln": kiln.public_id})
    assert client.post(page, {"name": "Back", "place": "bag wall", "offset_dc": "-12,5"}).status_code == 303
    row = Probe.objects.get()
    assert row.offset_dc == -125
    change = reverse("probe_change", kwargs={"coop": kiln.coop.slug, "probe": row.public_id})
    assert "-12.5" in client.get(change).content.decode()
    assert "number of degrees" in client.post(change, {"offset_dc": "much"}).content.decode()
    assert client.post(change, {"offset_dc": "4"}).status_code == 303
    assert Probe.objects.get().offset_dc == 40
    assert "150" in client.post(page, {"name": "Third", "offset_dc": "900"}).content.decode()
    client.force_login(make_member("Dora").person)
    assert client.post(page, {"name": "Mine"}).status_code == 403
