"""The fire and after in the browser and over the API: log, hand-over, cooling, unpacking, clean-up, papers."""

import io
import json
import re
import uuid
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from coop import queues
from coop.models import Computation, Document, Notice
from firings.models import CheckItem, Damage, Firing, HandOver, LogEntry, Outcome, Piece
from firings.services import cleanup, log, unpacking
from firings.services.log import EntrySpec
from tests.factories import NOW, ada, ben, cora, cy, make_member, stu, tess
from tests.factories_fire import HOUR, MINUTE, make_fire, make_fire_with_pieces, on_watch, reading, write

pytestmark = pytest.mark.django_db
DUBLIN = ZoneInfo("Europe/Dublin")


@pytest.fixture
def clock(monkeypatch):
    """Pages ask the clock: tests set it."""

    def at(moment):
        monkeypatch.setattr(timezone, "now", lambda: moment)

    return at


def at(name, firing, **more):
    return reverse(name, kwargs={"coop": firing.coop.slug, "firing": firing.public_id, **more})


def api(path, coop="hollow-lane"):
    return f"/{coop}/api/v1/{path}"


def text_of(response):
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


def sign_in(client, member):
    client.force_login(member.person)
    return client


# --- The fire page ------------------------------------------------------------------------


def test_a_stoker_writes_a_reading_with_one_key_and_the_page_says_what_was_written(client, clock):
    firing = make_fire()
    write(firing, reading(10_400, firing.lit_at + HOUR))
    clock(firing.lit_at + 2 * HOUR)
    sign_in(client, on_watch(firing))
    page = client.get(at("firing_fire", firing)).content.decode()
    assert '<button class="btn key" name="pressed" value="10450" data-step="50">' in page
    done = client.post(
        at("firing_fire", firing),
        {"kind": "reading", "probe": "front", "temperature_dc": "1040", "pressed": "10450", "once": "k"},
        follow=True,
    )
    assert "Written down: front 1,045" in text_of(done)
    row = LogEntry.objects.latest("pk")
    assert (row.temperature_dc, row.observed_at, row.by) == (10_450, firing.lit_at + 2 * HOUR, on_watch(firing))


def test_a_key_pressed_twice_writes_once(client, clock):
    firing = make_fire()
    clock(firing.lit_at + HOUR)
    sign_in(client, firing.lead)
    typed = {"kind": "note", "text": "rain", "once": "same"}
    client.post(at("firing_fire", firing), typed)
    assert "not done a second time" in text_of(client.post(at("firing_fire", firing), typed, follow=True))
    assert LogEntry.objects.count() == 1


def test_9999_comes_back_as_typed_with_one_sentence(client, clock):
    firing = make_fire()
    clock(firing.lit_at + HOUR)
    answer = sign_in(client, firing.lead).post(
        at("firing_fire", firing), {"kind": "reading", "probe": "front", "temperature_dc": "9999"}
    )
    assert answer.status_code == 400
    page = answer.content.decode()
    assert "No kiln is at 9999 °C: the probe is dead or the key was pressed twice." in page
    assert 'value="9999"' in page
    assert not LogEntry.objects.exists()


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        ({"kind": "reading", "probe": "front", "temperature_dc": "hot"}, "Give the temperature as a number"),
        ({"kind": "soda", "grams": "-5"}, "greater than or equal to 1"),
        ({"kind": "cone", "cone": "6", "pack": "front"}, "This field is required"),
        ({"kind": "note", "text": "x", "seen_at": "2026-02-30T10:00"}, "is no date and time"),
        ({"kind": "stoke", "pieces": "many"}, "whole number"),
        ({"kind": "round", "phase": "wait"}, "Select a valid choice"),
    ],
)
def test_what_cannot_be_written_is_said_beside_the_key(client, clock, typed, sentence):
    firing = make_fire()
    clock(firing.lit_at + HOUR)
    answer = sign_in(client, firing.lead).post(at("firing_fire", firing), typed)
    assert (answer.status_code in (400, 422), sentence in text_of(answer)) == (True, True)
    assert not LogEntry.objects.exists()


def test_an_unknown_key_is_a_plain_no(client, clock):
    firing = make_fire()
    clock(firing.lit_at + HOUR)
    answer = sign_in(client, firing.lead).post(at("firing_fire", firing), {"kind": "spell"})
    assert (answer.status_code, "Press one of the keys" in text_of(answer)) == (400, True)


def test_degrees_fahrenheit_are_kept_as_celsius_and_shown_as_typed(client, clock):
    firing = make_fire()
    clock(firing.lit_at + HOUR)
    by = on_watch(firing)
    type(by.person).objects.filter(pk=by.person_id).update(temperature_unit="f")
    done = sign_in(client, make_member("Stoker")).post(
        at("firing_fire", firing), {"kind": "reading", "probe": "front", "temperature_dc": "2012"}, follow=True
    )
    assert LogEntry.objects.get().temperature_dc == 11_000  # 2012 °F is 1100 °C
    assert "2,012" in text_of(done)


def test_what_looks_odd_is_written_and_told(client, clock):
    firing = make_fire()
    clock(firing.lit_at + HOUR)
    done = sign_in(client, firing.lead).post(at("firing_fire", firing), {"kind": "soda", "grams": "300"}, follow=True)
    assert "Cone 8 is not down" in text_of(done)
    assert LogEntry.objects.get().grams == 300
    assert "300 g (250 g/m³)" in text_of(done)


def test_a_late_entry_from_paper_keeps_the_time_it_was_seen(client, clock):
    firing = make_fire()
    clock(firing.lit_at + 3 * HOUR)  # 09:00 in Dublin
    seen = (firing.lit_at + HOUR).astimezone(DUBLIN)
    done = sign_in(client, firing.lead).post(
        at("firing_fire", firing),
        {"kind": "damper", "damper": "half in", "seen_at": f"{seen:%Y-%m-%dT%H:%M}"},
        follow=True,
    )
    assert LogEntry.objects.get().observed_at == firing.lit_at + HOUR
    assert "written down" in text_of(done)
    early = client.post(at("firing_fire", firing), {"kind": "note", "text": "x", "seen_at": "2026-05-01T10:00"})
    assert "before the kiln was lit" in text_of(early)


def test_in_the_night_the_clocks_go_back_the_page_asks_which_hour(client, clock):
    lights = datetime(2026, 10, 24, 18, 0, tzinfo=UTC)
    firing = make_fire(occupied_from=lights - 20 * HOUR, lights_at=lights)
    clock(lights + 9 * HOUR)
    sign_in(client, firing.lead)
    assert "The second time that hour came" in text_of(client.get(at("firing_fire", firing)))
    typed = {"kind": "reading", "probe": "front", "temperature_dc": "600", "seen_at": "2026-10-25T01:30"}
    client.post(at("firing_fire", firing), typed)
    client.post(at("firing_fire", firing), {**typed, "second": "on"})
    first, second = LogEntry.objects.order_by("pk")
    assert second.observed_at - first.observed_at == HOUR
    page = text_of(client.get(at("firing_fire", firing)))
    assert "01:30 IST" in page
    assert "01:30 GMT" in page


def test_in_the_night_the_clocks_go_forward_a_time_that_does_not_exist_is_refused(client, clock):
    """Dublin, 28 March 2027: 01:00 is followed by 02:00 (IANA tz)."""
    lights = datetime(2027, 3, 27, 18, 0, tzinfo=UTC)
    firing = make_fire(occupied_from=lights - 20 * HOUR, lights_at=lights)
    clock(lights + 9 * HOUR)
    answer = sign_in(client, firing.lead).post(
        at("firing_fire", firing), {"kind": "note", "text": "x", "seen_at": "2027-03-28T01:30"}
    )
    assert "There is no 01:30 on 2027-03-28: the clocks go forward then" in text_of(answer)
    assert not LogEntry.objects.exists()


def test_a_correction_shows_the_old_entry_struck_through_and_who_mended_it(client, clock):
    firing = make_fire()
    by = on_watch(firing)
    old = write(firing, reading(1043, firing.lit_at + HOUR), by=by)[0]
    clock(firing.lit_at + 2 * HOUR)
    sign_in(client, firing.lead)
    address = at("log_entry", firing, entry=old.public_id)
    form = client.get(address).content.decode()
    assert 'value="104"' in form
    seen = (firing.lit_at + HOUR).astimezone(DUBLIN)
    done = client.post(
        address, {"probe": "front", "temperature_dc": "1043", "seen_at": f"{seen:%Y-%m-%dT%H:%M}"}, follow=True
    )
    page = done.content.decode()
    assert re.search(r'class="struck"><del><time[^>]*>[^<]*</time> front 104\b', page)
    assert "Corrected: front 1,043" in text_of(done)
    assert "Ada, corrected" in text_of(done)
    again = client.post(address, {"probe": "front", "temperature_dc": "1044"})
    assert (again.status_code, "Ada has already corrected this entry" in text_of(again)) == (409, True)
    new = LogEntry.objects.latest("pk")
    struck = client.post(at("log_strike", firing, entry=new.public_id), {"why": "other kiln"}, follow=True)
    assert "struck out : other kiln" in text_of(struck)


def test_two_leads_hand_the_fire_over_on_the_page(client, clock):
    firing = make_fire()
    deputy = make_member("Dee", roles=("lead",), sign_offs=("leading",))
    Firing.objects.filter(pk=firing.pk).update(deputy=deputy)
    write(firing, reading(4210, firing.lit_at + HOUR))
    clock(firing.lit_at + 2 * HOUR)
    sign_in(client, firing.lead)
    drafted = client.post(at("hand_over_draft", firing), follow=True)
    assert "Probe front reads 421 °C" in drafted.content.decode()
    address = drafted.redirect_chain[-1][0]
    client.post(address, {"text": "Embers high. Probe front reads 421 °C."})
    assert "You handed this over. Whoever comes opens this page" in text_of(client.get(address))
    twice = client.post(address, {})
    assert (twice.status_code, "You handed this over" in text_of(twice)) == (422, True)
    done = sign_in(client, deputy).post(address, {}, follow=True)
    assert "taken over by Dee" in text_of(done)
    note = HandOver.objects.get()
    assert (note.text, note.incoming) == ("Embers high. Probe front reads 421 °C.", deputy)


def test_who_is_not_on_watch_reads_but_does_not_write(client, clock):
    firing = make_fire()
    write(firing, reading(4210))
    clock(firing.lit_at + 2 * HOUR)
    page = sign_in(client, ben()).get(at("firing_fire", firing))
    assert "421" in text_of(page)
    assert 'id="reading"' not in page.content.decode()
    assert "Take a watch of this firing" in text_of(page)
    answer = client.post(at("firing_fire", firing), {"kind": "note", "text": "let me"})
    assert answer.status_code == 403
    assert LogEntry.objects.count() == 1


@pytest.mark.parametrize("page", ["firing_fire", "firing_unpacking", "firing_cleanup"])
def test_the_pages_are_not_there_for_others(client, page):
    firing = make_fire(stage="called")
    assert client.get(at(page, firing)).status_code == 302
    sign_in(client, cy())
    assert client.get(at(page, firing)).status_code == 404
    own = reverse(page, kwargs={"coop": "far-field", "firing": firing.public_id})
    assert client.get(own).status_code == 404


@pytest.mark.parametrize("page", ["firing_fire", "firing_unpacking", "firing_cleanup"])
def test_a_guest_of_another_firing_stays_out(client, page):
    firing = make_fire(stage="called")
    guest = make_member("Gil", roles=("guest",))
    guest.roles.filter(kind="member").delete()
    assert sign_in(client, make_member("Zoe")).get(at(page, firing)).status_code == 200
    answer = sign_in(client, guest).get(at(page, firing))
    assert (answer.status_code, "not invited to this firing" in text_of(answer)) == (403, True)


def test_the_cautions_and_their_sources_stand_on_the_fire_page(client, clock):
    """Carbon monoxide: 2004/37/EC Annex III, 29 CFR 1910.1000; silica: 2017/2398, 29 CFR 1910.1053; eyes: EN 171."""
    firing = make_fire()
    clock(firing.lit_at + HOUR)
    page = text_of(sign_in(client, ben()).get(at("firing_fire", firing)))
    for said in (
        "Carbon monoxide, over 8 hours: 20 ppm (EU, binding: Directive 2004/37/EC Annex III",
        "Carbon monoxide, over 15 minutes: 100 ppm (EU, binding: Directive 2004/37/EC Annex III",
        "Carbon monoxide, over 8 hours: 50 ppm (US, legal: 29 CFR 1910.1000 Table Z-1)",
        "over 8 hours: 0.1 mg/m³ (EU, binding: Directive (EU) 2017/2398",
        "over 8 hours: 0.05 mg/m³ (US, legal: 29 CFR 1910.1053)",
        "scale number 4-4 (EU: EN 171",
        "Local codes, fire authorities and licensed practice decide.",
        "Never alone at the fire.",
    ):
        assert said in page


def test_the_fire_pages_cost_does_not_grow_with_what_is_written(client, clock):
    firing = make_fire()
    now = firing.lit_at + 2 * HOUR
    clock(now)
    sign_in(client, firing.lead)
    kinds = (reading(3000), EntrySpec(kind="note", text="x"), EntrySpec(kind="cone", cone="6", cone_state="soft"))
    write(firing, *kinds)

    def cost():
        with CaptureQueriesContext(connection) as seen:
            assert client.get(at("firing_fire", firing)).status_code == 200
        return len(seen)

    cost()
    before = cost()
    for _ in range(8):
        rows = write(firing, *kinds)
        log.correct(firing.coop, by=firing.lead, now=now, entry_id=rows[0].public_id, entry=reading(3100))
    assert cost() == before


# --- After --------------------------------------------------------------------------------


def test_while_it_cools_the_page_gives_an_estimate_and_never_permission(client, clock):
    firing = make_fire(stage="cooling")
    end = firing.ended_at
    fall = [reading(round(10 * (15 + 1185 * 0.5 ** (t / 10))), end + t * HOUR) for t in range(0, 24, 3)]
    write(firing, *fall, now=end + 24 * HOUR)
    clock(end + 24 * HOUR)
    page = text_of(sign_in(client, firing.lead).get(at("firing_fire", firing)))
    assert "estimated" in page
    assert "likely between" in page
    assert "Nobody opens before the lead says so." in page
    assert "Stoke" not in page


def test_members_say_what_came_out_and_the_lead_the_rest(client, clock):
    firing = make_fire_with_pieces()
    clock(firing.opens_at + HOUR)
    bowl, jar = Piece.objects.get(name="bowl"), Piece.objects.get(name="jar")
    sign_in(client, ben())
    form = client.get(at("outcome", firing, piece=bowl.public_id)).content.decode()
    assert 'name="good" value="4"' in form
    too_many = client.post(at("outcome", firing, piece=bowl.public_id), {"good": "3", "broken": "2"})
    assert (too_many.status_code, "is 4 pieces, and 5 are written down" in text_of(too_many)) == (422, True)
    client.post(at("outcome", firing, piece=bowl.public_id), {"good": "3", "broken": "1", "note": "rim"})
    assert {o.result: o.count for o in Outcome.objects.all()} == {"good": 3, "broken": 1}
    no = client.post(at("outcome_good", firing, piece=jar.public_id), follow=True)
    assert "writes down all others" in text_of(no)
    done = sign_in(client, firing.lead).post(at("rest_is_good", firing), follow=True)
    assert "1 row of pieces written down as good." in text_of(done)
    assert "4 good 1 broken of 5 pots" in text_of(done)


def test_damage_is_written_down_and_decided_on_the_page(client, clock):
    firing = make_fire_with_pieces()
    clock(firing.opens_at + HOUR)
    jar, dora = Piece.objects.get(name="jar"), make_member("Dora")
    sign_in(client, ben())
    empty = client.post(at("damage_report", firing), {"what": "board", "count": "0", "cause": "loading", "note": ""})
    assert empty.status_code == 400
    typed = {"what": "board", "count": "1", "cause": "material", "piece": str(jar.public_id), "note": "ran"}
    assert "Written down." in text_of(client.post(at("damage_report", firing), typed, follow=True))
    row = Damage.objects.get()
    assert client.get(at("damage_decide", firing, damage=row.public_id)).status_code == 200
    refused = client.post(at("damage_decide", firing, damage=row.public_id), {"bearer": "nobody"})
    assert refused.status_code == 403
    sign_in(client, firing.lead)
    bad = client.post(at("damage_decide", firing, damage=row.public_id), {"bearer": "all", "amount": "a lot"})
    assert (bad.status_code, "is no amount" in text_of(bad)) == (400, True)
    typed = {"bearer": "member", "borne_by": str(dora.public_id), "amount": "45.00"}
    page = text_of(client.post(at("damage_decide", firing, damage=row.public_id), typed, follow=True))
    row.refresh_from_db()
    assert (row.borne_by, row.amount_minor) == (dora, 4500)
    assert "Dora €45.00 decided by Ada" in page


def test_everybody_does_their_part_of_the_clean_up_and_the_steward_frees_the_kiln(client, clock):
    stu(), tess()
    firing = make_fire_with_pieces(stage="cleanup")
    clock(firing.opens_at + 6 * HOUR)
    lines = list(CheckItem.objects.order_by("position"))
    gus = make_member("Gus", sign_offs=("grinding",))
    sign_in(client, gus).post(at("check_item_take", firing, item=lines[0].public_id))
    for line in CheckItem.objects.select_related("assigned_to__person"):
        sign_in(client, line.assigned_to)
        page = client.post(at("check_item_tick", firing, item=line.public_id), {"done": "1"}, follow=True)
        assert f"Done: {line.text}" in text_of(page)
    assert "Sign off and free the kiln" not in text_of(client.get(at("firing_cleanup", firing)))
    sign_in(client, stu())
    assert "Sign off and free the kiln" in text_of(client.get(at("firing_cleanup", firing)))
    done = client.post(at("cleanup_sign", firing), follow=True)
    assert "The kiln is free, and the treasurer knows." in text_of(done)
    firing.refresh_from_db()
    assert (firing.stage, firing.holds_kiln) == ("settling", False)
    assert Notice.objects.filter(kind="cleanup_signed", to_person=tess().person).count() == 1


def test_the_checklist_mails_go_out_once_each(clock, mailoutbox):
    firing = make_fire_with_pieces(stage="cleanup")
    clock(timezone.now())
    for _ in "twice":
        queues.sweep()
    about = [mail for mail in mailoutbox if "Clean-up of" in mail.subject]
    names = sorted(mail.to[0].split("@")[0] for mail in about)
    assert names == ["ada", "ben", "dora", "lena", "stoker"]
    assert all(str(firing.public_id) in mail.body for mail in about)


# --- Papers -------------------------------------------------------------------------------


def papers(kind):
    import pypdf

    queues.sweep()
    assert Computation.objects.get(kind=kind).state == "done", Computation.objects.get(kind=kind).trouble
    return pypdf.PdfReader(io.BytesIO(Document.objects.get(kind=kind).content))


def words(reader):
    return " ".join(" ".join(page.extract_text() for page in reader.pages).split())


@pytest.mark.slow
def test_the_record_of_a_firing_holds_all_of_it(client, clock):
    stu()
    firing = make_fire_with_pieces(stage="cleanup")
    ring = {"by": firing.lead, "now": firing.opens_at + 5 * HOUR}
    unpacking.rest_is_good(firing.coop, firing_id=firing.public_id, **ring)
    unpacking.report_damage(firing.coop, firing_id=firing.public_id, what="board", note="One crack.", **ring)
    Firing.objects.filter(pk=firing.pk).update(stage="lit")
    old = write(firing, reading(9990), EntrySpec(kind="cone", cone="10", pack="front", cone_state="down"))[0]
    log.correct(firing.coop, entry_id=old.public_id, entry=reading(10_430), **ring)
    Firing.objects.filter(pk=firing.pk).update(stage="cleanup")
    assert sign_in(client, ben()).post(at("firing_record", firing)).status_code == 303
    told = words(papers("firing_record"))
    for part in (
        "Record of Firing 1",
        "Heron kiln",
        "as agreed",
        "front 999",
        "front 1,043",
        "cone 10 (front): down",
        "Lena (leads)",
        "bowl × 4",
        "4 good",
        "One crack.",
        "Sweep the kiln shed with wet sawdust",
    ):
        assert part in told, part


@pytest.mark.slow
def test_checklist_and_blank_log_sheets_are_printed(client, clock):
    firing = make_fire_with_pieces(stage="cleanup")
    sign_in(client, ben())
    client.post(at("checklist_print", firing))
    client.post(at("log_sheet", firing))
    told = words(papers("checklist_sheet"))
    for line in CheckItem.objects.all():
        assert line.text in told
    assert "29 CFR 1910.1053" in told
    sheets = papers("log_sheet")
    assert len(sheets.pages) == 3
    assert "Probe 1, °C" in words(sheets)


def test_a_checklist_is_not_printed_before_there_is_one(client):
    firing = make_fire()
    page = sign_in(client, ben()).post(at("checklist_print", firing), follow=True)
    assert "There is no checklist yet" in text_of(page)
    assert not Computation.objects.exists()


# --- The API ------------------------------------------------------------------------------


def call(client, method, path, body=None, key=None):
    return getattr(client, method)(
        api(path),
        data=json.dumps(body or {}),
        content_type="application/json",
        headers={"Idempotency-Key": key or uuid.uuid4().hex},
    )


def test_a_batch_sent_again_under_another_key_changes_nothing_and_gives_the_same(client, clock):
    firing = make_fire()
    now = firing.lit_at + 2 * HOUR
    clock(now)
    sign_in(client, on_watch(firing))
    device = {"device_id": "phone-7", "device_at": now.isoformat()}
    batch = {
        "entries": [
            {
                "id": str(uuid.uuid4()),
                "kind": "reading",
                "probe": "front",
                "temperature_dc": 9000,
                "device_seq": 1,
                **device,
            },
            {"id": str(uuid.uuid4()), "kind": "soda", "grams": 200, "device_seq": 2, **device},
        ]
    }
    first = call(client, "post", f"firings/{firing.public_id}/log/", batch)
    again = call(client, "post", f"firings/{firing.public_id}/log/", batch)
    assert (first.status_code, again.status_code) == (200, 200)
    assert [e["id"] for e in first.json()["entries"]] == [e["id"] for e in batch["entries"]]
    assert "Cone 8 is not down" in first.json()["entries"][1]["warnings"][0]
    without = [[{**e, "warnings": []} for e in answer.json()["entries"]] for answer in (first, again)]
    assert without[0] == without[1]
    assert LogEntry.objects.count() == 2
    listed = client.get(api(f"firings/{firing.public_id}/log/")).json()
    assert (listed["count"], listed["pages"], len(listed["entries"])) == (2, 1, 2)


def test_a_faulty_entry_of_a_batch_is_named_and_nothing_is_written(client, clock):
    firing = make_fire()
    clock(firing.lit_at + HOUR)
    sign_in(client, firing.lead)
    body = {
        "entries": [
            {"kind": "note", "text": "fine"},
            {"kind": "reading", "probe": "front", "temperature_dc": 99_990},
            {"kind": "note", "text": "early", "observed_at": (firing.lit_at - HOUR).isoformat()},
        ]
    }
    answer = call(client, "post", f"firings/{firing.public_id}/log/", body)
    assert (answer.status_code, answer["Content-Type"]) == (400, "application/problem+json")
    faults = answer.json()["faults"]
    assert faults[0].startswith("Entry 2: No kiln is at 9999 °C")
    assert faults[1].startswith("Entry 3:")
    assert not LogEntry.objects.exists()


def test_the_api_corrects_strikes_and_draws(client, clock):
    firing = make_fire()
    now = firing.lit_at + 2 * HOUR
    clock(now)
    sign_in(client, firing.lead)
    old, other = write(firing, reading(900, now - HOUR), reading(9100, now - 30 * MINUTE))
    body = {"kind": "reading", "probe": "front", "temperature_dc": 9000}
    new = call(client, "post", f"log-entries/{old.public_id}/corrections/", body)
    assert (new.status_code, new.json()["corrects_id"]) == (201, str(old.public_id))
    assert call(client, "post", f"log-entries/{old.public_id}/corrections/", body).status_code == 409
    struck = call(client, "post", f"log-entries/{other.public_id}/strike/", {"why": "slip"})
    assert (struck.status_code, struck.json()["strikes"]) == (201, True)
    curve = client.get(api(f"firings/{firing.public_id}/curve/")).json()
    assert [p["temperature_dc"] for p in curve["probes"][0]["points"]] == [9000]
    assert curve["lit_minutes"] == 120


def test_the_api_hands_over(client, clock):
    firing = make_fire()
    deputy = make_member("Dee", roles=("lead",))
    Firing.objects.filter(pk=firing.pk).update(deputy=deputy)
    clock(firing.lit_at + 2 * HOUR)
    sign_in(client, firing.lead)
    note = call(client, "post", f"firings/{firing.public_id}/hand-overs/").json()
    gone = call(client, "post", f"hand-overs/{note['id']}/accept/", {"text": "Low embers."})
    assert (gone.status_code, gone.json()["text"]) == (200, "Low embers.")
    assert call(client, "post", f"hand-overs/{note['id']}/accept/").status_code == 422
    sign_in(client, deputy)
    assert call(client, "post", f"hand-overs/{note['id']}/accept/").json()["incoming_id"] == str(deputy.public_id)
    assert len(client.get(api(f"firings/{firing.public_id}/hand-overs/")).json()) == 1


def test_the_api_unpacks_and_cleans_up(client, clock):
    stu()
    firing = make_fire_with_pieces(stage="cleanup")
    clock(firing.opens_at + 6 * HOUR)
    bowl = Piece.objects.get(name="bowl")
    sign_in(client, ben())
    done = call(client, "put", f"pieces/{bowl.public_id}/outcomes/", {"counts": {"good": 4}})
    assert (done.status_code, done.json()[0]["count"]) == (200, 4)
    assert call(client, "put", f"pieces/{bowl.public_id}/outcomes/", {"counts": {"good": 5}}).status_code == 422
    damage = call(client, "post", f"firings/{firing.public_id}/damage/", {"what": "post", "note": "split"}).json()
    assert call(client, "post", f"damage/{damage['id']}/decide/", {"bearer": "nobody"}).status_code == 403
    sign_in(client, firing.lead)
    assert call(client, "post", f"firings/{firing.public_id}/outcomes/rest-is-good/").json() == {"rows": 1}
    decided = call(client, "post", f"damage/{damage['id']}/decide/", {"bearer": "reserve", "amount_minor": 800}).json()
    assert (decided["bearer"], decided["amount_minor"], decided["currency"]) == ("reserve", 800, "EUR")
    pieces = client.get(api(f"firings/{firing.public_id}/outcomes/")).json()["pieces"]
    assert {p["name"]: [o["result"] for o in p["outcomes"]] for p in pieces} == {"bowl": ["good"], "jar": ["good"]}
    lines = client.get(api(f"firings/{firing.public_id}/checklist/")).json()["items"]
    assert len(lines) == 7
    given = call(client, "post", f"check-items/{lines[1]['id']}/assign/", {"member_id": str(cora().public_id)})
    assert given.json()["assigned_to"] == "Cora"
    for line in lines:
        assert call(client, "post", f"check-items/{line['id']}/tick/", {"done": True}).json()["done_at"]
    assert call(client, "post", f"firings/{firing.public_id}/checklist/sign-off/").status_code == 403
    sign_in(client, stu())
    assert call(client, "post", f"firings/{firing.public_id}/checklist/sign-off/").json()["stage"] == "settling"


def test_another_co_ops_things_are_not_there_over_the_api(client, clock):
    firing = make_fire_with_pieces(stage="cleanup")
    clock(firing.opens_at + 6 * HOUR)
    client.force_login(cy().person)
    for path in ("log", "curve", "hand-overs", "outcomes", "damage", "checklist"):
        address = api(f"firings/{firing.public_id}/{path}/", coop="far-field")
        assert client.get(address).status_code == 404
    item = cleanup.CheckItem.objects.first()
    answer = client.post(
        api(f"check-items/{item.public_id}/tick/", coop="far-field"),
        data=json.dumps({"done": True}),
        content_type="application/json",
        headers={"Idempotency-Key": "k"},
    )
    assert answer.status_code == 404
    assert ada().coop.slug == "hollow-lane"
    assert NOW.tzinfo is UTC
