"""Bad input at every edge: one clear sentence that says what to do, and nothing half done."""

import io
import json
import re
import time
import uuid
from contextlib import contextmanager
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

import pytest
from django.apps import apps
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.urls import reverse
from django.utils import timezone

from billing.models import CostShare, Receipt
from coop.models import Coop
from coop.policy import Terms
from firings.models import LogEntry, Piece
from tests.factories import NOW, ada, ben, make_member, tess
from tests.factories_fire import HOUR, make_fire
from tests.factories_firings import make_firing, make_kiln
from tests.factories_money import make_settling_firing, take
from tests.factories_space import book, make_body, make_open_firing
from tests.factories_watches import join, leader, make_watch_firing, stoker, watches_of

pytestmark = pytest.mark.django_db

PROBLEM = "application/problem+json"
SAMPLES = Path(__file__).resolve().parents[2] / "firings/samples"
MONEY_SAMPLES = Path(__file__).resolve().parents[2] / "billing/samples"


# --- What every refusal must leave alone --------------------------------------------------


def everything():
    """Every row of every table, but for the audit of what was tried."""
    models = [model for app in ("coop", "firings", "billing") for model in apps.get_app_config(app).get_models()]
    return {
        model._meta.label: list(model.objects.order_by("pk").values())
        for model in models
        if model._meta.model_name != "auditentry"
    }


@contextmanager
def nothing_changed():
    before = everything()
    yield
    after = everything()
    assert [label for label in before if before[label] != after[label]] == []


@pytest.fixture
def clock(monkeypatch):
    """The edges ask the clock: tests set it."""

    def at(moment):
        monkeypatch.setattr(timezone, "now", lambda: moment)

    at(NOW)
    return at


def at(name, firing, **more):
    return reverse(name, kwargs={"coop": firing.coop.slug, "firing": firing.public_id, **more})


def text_of(response):
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


def refused_form(client, member, address, data, says):
    """Post a form and be told why not, on the page or (from a button) on the page one returns to."""
    client.force_login(member.person)
    client.get(f"/{member.coop.slug}/")
    with nothing_changed():
        answer = client.post(address, data)
        if answer.status_code == 303:
            answer = client.get(answer["Location"])
        else:
            assert 400 <= answer.status_code < 500, answer.status_code
        assert says in text_of(answer), text_of(answer)


def refused_api(client, member, address, body, says, method="post"):
    client.force_login(member.person)
    with nothing_changed():
        answer = getattr(client, method)(
            address,
            json.dumps(body),
            content_type="application/json",
            headers={"Idempotency-Key": uuid.uuid4().hex},
        )
        assert 400 <= answer.status_code < 500, answer.status_code
        assert answer["Content-Type"] == PROBLEM
        problem = answer.json()
        assert problem["status"] == answer.status_code
        assert says in problem["detail"], problem["detail"]


def prompt(name, *args, **options):
    """Run a command: its status, what it printed and what it said of faults."""
    out, faults = io.StringIO(), io.StringIO()
    try:
        call_command(name, *map(str, args), stdout=out, stderr=faults, **options)
    except CommandError as error:
        return error.returncode, out.getvalue(), str(error)
    except SystemExit as end:
        return end.code, out.getvalue(), faults.getvalue()
    return 0, out.getvalue(), faults.getvalue()


def refused_prompt(says, name, *args, statuses=(1, 2), **options):
    with nothing_changed():
        status, _out, faults = prompt(name, *args, **options)
    assert says in faults, faults
    assert "Traceback" not in faults
    assert status in statuses
    return faults


def written(folder, document):
    """A file that holds this: text as it is, anything else as JSON."""
    file = folder / "input.json"
    file.write_text(document if isinstance(document, str) else json.dumps(document))
    return file


# --- Sizes, cones and bodies --------------------------------------------------------------

BAD_PIECES = [
    ({"height_mm": "-4"}, "above zero"),
    ({"height_mm": "0"}, "above zero"),
    ({"diameter_mm": "0"}, "above zero"),
    ({"height_mm": "2"}, "cannot be meant; give 5 to 3000 mm"),
    ({"diameter_mm": "99999"}, "cannot be meant; give 5 to 3000 mm"),
    ({"height_mm": ""}, "Give the height"),
    ({"diameter_mm": ""}, "diameter"),
    ({"height_mm": "390"}, "is 390 mm high; in Front, hot a piece can be"),
    ({"count": "0"}, "whole number from 1 to 500"),
    ({"count": "-2"}, "whole number from 1 to 500"),
    ({"count": "501"}, "whole number from 1 to 500"),
    ({"cone": "77"}, "77"),
    ({"cone": "06"}, "Mind the zero, look at the bag: cone 06 (about 998 °C) is not cone 6 (about 1222 °C)"),
    ({"cone": ""}, "cone"),
]


def hot_firing():
    """Open for booking, both zones reach cone 6; Ben books."""
    firing = make_open_firing(target_cone="6")
    firing.kiln.zones.update(cone="6")
    return firing


def typed_piece(**fields):
    return {
        **{"name": "bowl", "count": "2", "diameter_mm": "200", "height_mm": "100", "importance": "1", "zone": ""},
        **{"other_body": "grey clay", "cone": "11", "may_wait": "on"},
        **fields,
    }


@pytest.mark.parametrize(("fields", "says"), BAD_PIECES)
def test_a_bad_piece_is_refused_at_the_form(client, clock, fields, says):
    refused_form(client, ben(), at("piece_add", hot_firing()), typed_piece(**fields), says)


@pytest.mark.parametrize(("fields", "says"), BAD_PIECES)
def test_a_bad_piece_is_refused_at_the_api(client, clock, fields, says):
    body = {"name": "bowl", "count": 2, "diameter_mm": 200, "height_mm": 100, "body": "grey clay", "cone": "11"}
    for name, value in fields.items():
        body[name] = value if name == "cone" else int(value) if value else None
    refused_api(client, ben(), at("api_pieces", hot_firing()), body, says)


def test_an_unknown_body_needs_its_cone_and_a_known_one_brings_its_own(client, clock):
    make_body("Stoneware S", "04")
    firing = hot_firing()
    body = {"name": "bowl", "diameter_mm": 200, "height_mm": 100, "body": "moon dust"}
    refused_api(client, ben(), at("api_pieces", firing), body, "cone")
    says = "“bowl” stands cone 04"
    refused_api(client, ben(), at("api_pieces", firing), {**body, "body": "Stoneware S"}, says)
    typed = typed_piece(body="Stoneware S", other_body="", cone="")
    refused_form(client, ben(), at("piece_add", firing), typed, says)
    refused_form(client, ben(), at("piece_add", firing), {**typed, "body": "moon dust"}, "Select a valid choice")


# --- Lists of pieces ----------------------------------------------------------------------

HEADER = "member,piece,count,shape,diameter_mm,height_mm,cone,note\n"
ROW = "Ben,mug,1,round,90,100,10,\n"
HUNDRED_THOUSAND = HEADER + ROW * 100_000

BAD_LISTS = [
    ("", "empty"),
    ("member,piece,tallness\nBen,mug,9\n", "there is no such column"),
    ("member,piece,count\nBen,mug,1\n", "this column is missing"),
    (HEADER, "no rows below the header"),
    (HEADER + "Ben,mug,-1,round,90,100,10,\n", "Row 2, count"),
    (HEADER + "Ben,mug,1,round,0,100,10,\n", "the diameter is 0; give a number above zero"),
    (HEADER + "Ben,mug,1,round,-9,100,10,\n", "the diameter is -9; give a number above zero"),
    (HEADER + "Ben,mug,1,round,90,99999,10,\n", "is over 3000 mm; check the unit"),
    (HEADER + "Ben,mug,1,round,90,,10,\n", "needs its height"),
    (HEADER + "Ben,mug,1,round,90,tall,10,\n", "is no height; give a plain number"),
    (HEADER + "Ben,mug,1,round,90,100,77,\n", "77"),
    (HEADER + "Ben,mug,1,round,90,100,,\n", "give the cone the piece stands, or name its body"),
    (HEADER + '"=HYPERLINK(""http://far.example"")",mug,1,round,90,100,10,\n', "begins like a spreadsheet formula"),
    (HEADER + "Ben,=1+1,1,round,90,100,10,\n", "begins like a spreadsheet formula"),
    (HEADER + "Ben,mug,1,round,90,100,10,@SUM(A1)\n", "begins like a spreadsheet formula"),
    (HEADER + 'Ben,"mug,1,round,90,100,10,\n', "cannot be read"),
    (HEADER + "Ben,mug,1,round,90,100,10,,,extra\n", "in double quotes"),
    (HUNDRED_THOUSAND, "There are more than 5,000 rows; split the file"),
]
GOOD_LISTS = [
    HEADER.replace(",", ";") + "Ben;mug;1;round;90,5;100,25;10;\n",
    HEADER.replace(",", "\t") + "Ben\tmug\t1\tround\t90,5\t100,25\t10\t\n",
    HEADER + 'Ben,mug,1,round,"90,5","100,25",10,\n',
    "\ufeff" + HEADER + "Ben,mug,1,round,90.5,100.25,10,\r\n",
]


@pytest.mark.parametrize(("text", "says"), BAD_LISTS, ids=range(len(BAD_LISTS)))
def test_a_bad_list_is_refused_at_the_upload(client, clock, text, says):
    file = SimpleUploadedFile("pieces.csv", text.encode())
    says = "submitted file is empty" if not text else says
    begun = time.monotonic()
    refused_form(client, ben(), at("pieces_upload", make_open_firing()), {"file": file}, says)
    assert time.monotonic() - begun < 3


@pytest.mark.parametrize(("text", "says"), BAD_LISTS, ids=range(len(BAD_LISTS)))
def test_a_bad_list_is_refused_at_the_paste(client, clock, text, says):
    says = "This field is required" if not text else says
    refused_form(client, ben(), at("pieces_paste", make_open_firing()), {"text": text, "save": "yes"}, says)


@pytest.mark.parametrize(("text", "says"), BAD_LISTS, ids=range(len(BAD_LISTS)))
def test_a_bad_list_is_refused_at_the_api(client, clock, text, says):
    says = "may not be blank" if not text else says
    refused_api(client, ben(), at("api_pieces_csv", make_open_firing()), {"text": text}, says)


@pytest.mark.parametrize(("text", "says"), BAD_LISTS, ids=range(len(BAD_LISTS)))
def test_a_bad_list_is_refused_at_the_prompt_and_no_co_op_is_founded(tmp_path, text, says):
    (tmp_path / "pieces.csv").write_text(text)
    begun = time.monotonic()
    refused_prompt(says, "walk_firing", pieces=tmp_path / "pieces.csv", out=tmp_path / "out", statuses=(2,))
    assert time.monotonic() - begun < 3
    assert not Coop.objects.exists()


@pytest.mark.parametrize("text", GOOD_LISTS, ids=["semicolons", "tabs", "decimal commas", "byte order mark"])
def test_other_separators_decimal_commas_and_a_byte_order_mark_are_understood(client, clock, text):
    firing = make_open_firing()
    client.force_login(ben().person)
    looked = client.post(at("pieces_upload", firing), {"file": SimpleUploadedFile("p.csv", text.encode())})
    assert "One row was understood" in text_of(looked)
    assert client.post(at("pieces_paste", firing), {"text": text, "save": "yes"}).status_code == 303
    headers = {"Idempotency-Key": "list"}
    answer = client.post(at("api_pieces_csv", firing), {"text": text}, content_type="application/json", headers=headers)
    assert answer.status_code == 201
    sizes = set(Piece.objects.values_list("diameter_mm", "height_mm"))
    assert (Piece.objects.count(), sizes) == (2, {(91, 101)})


def test_a_list_larger_than_the_service_takes_is_refused_with_a_sentence(client, clock):
    firing, text = make_open_firing(), HUNDRED_THOUSAND * 2
    refused_form(client, ben(), at("pieces_paste", firing), {"text": text, "save": "yes"}, "larger than")
    refused_api(client, ben(), at("api_pieces_csv", firing), {"text": text}, "larger than")
    file = SimpleUploadedFile("pieces.csv", text.encode())
    refused_form(client, ben(), at("pieces_upload", firing), {"file": file}, "larger than")


# --- Dates --------------------------------------------------------------------------------


def called(firing_or_coop, **fields):
    """What the call form posts; dates as (day, time)."""
    days = {
        "occupied_from": ("2026-05-20", "10:00"),
        "lights_at": ("2026-05-21", "06:00"),
        **{name: value for name, value in fields.items() if isinstance(value, tuple)},
    }
    rest = {name: value for name, value in fields.items() if not isinstance(value, tuple)}
    parts = {f"{name}_{number}": text for name, pair in days.items() for number, text in enumerate(pair)}
    return {"name": "May fire", "target_cone": "", "notes": "", "cost_estimate": "", **parts, **rest}


BAD_DATES = [
    ({"lights_at": ("2026-05-19", "06:00")}, "2026-05-19T06:00:00+01:00", "Lighting comes after loading begins"),
    ({"lights_at": ("2027-03-28", "01:30")}, "2027-03-28T01:30:00", "There is no 01:30 on 2027-03-28"),
    ({"lights_at": ("2026-02-30", "06:00")}, "2026-02-30T06:00:00", ""),
    ({"lights_at": ("2026-05-21", "25:00")}, "2026-05-21T25:00:00", ""),
]


@pytest.mark.parametrize(("fields", "moment", "says"), BAD_DATES)
def test_a_call_with_bad_dates_is_refused(client, clock, fields, moment, says):
    kiln, lead = make_kiln(), ada()
    form = called(kiln, kiln_id=str(kiln.public_id), **fields)
    address = reverse("firing_call", args=[kiln.coop.slug])
    refused_form(client, lead, address, form, says or "Give the date like 2026-05-09 and the time like 18:30.")
    body = {
        "kiln_id": str(kiln.public_id),
        "name": "May fire",
        "occupied_from": "2026-05-20T10:00:00+01:00",
        "lights_at": moment,
    }
    refused_api(client, lead, reverse("api_firings", args=[kiln.coop.slug]), body, says or "lights_at")


def test_a_firing_over_another_is_refused(client, clock):
    firing, lead = make_firing(occupied_from=datetime(2026, 5, 18, 9, tzinfo=UTC)), ada()
    kiln = firing.kiln
    form = called(kiln, kiln_id=str(kiln.public_id))
    refused_form(client, lead, reverse("firing_call", args=[kiln.coop.slug]), form, firing.name)
    body = {
        "kiln_id": str(kiln.public_id),
        "name": "May fire",
        "occupied_from": "2026-05-20T10:00:00+01:00",
        "lights_at": "2026-05-21T06:00:00+01:00",
    }
    refused_api(client, lead, reverse("api_firings", args=[kiln.coop.slug]), body, firing.name)
    later = make_firing(kiln=kiln, occupied_from=datetime(2026, 7, 18, 9, tzinfo=UTC))
    moved = {"occupied_from": "2026-05-20T10:00:00+01:00", "lights_at": "2026-05-21T06:00:00+01:00"}
    refused_api(client, lead, at("api_firing_dates", later), moved, firing.name)


@pytest.mark.parametrize(
    ("starts", "ends", "says"),
    [
        ("2026-05-10T18:00", "2026-05-10T12:00", "end"),
        ("2026-05-10T18:00", "2026-05-10T18:00", "end"),
        ("2027-03-28T01:30", "2027-03-28T04:00", "There is no 01:30 on 2027-03-28"),
        ("2026-02-30T10:00", "2026-02-30T12:00", ""),
    ],
)
def test_a_chore_with_bad_times_is_refused(client, clock, starts, ends, says):
    firing = make_watch_firing()
    said = {"kind": "stack", "name": "Stacking", "starts_at": starts, "ends_at": ends, "people": 2, "most_people": 3}
    refused_form(client, ada(), at("chore_add", firing), said, says or "is no date and time")
    refused_api(client, ada(), at("api_chores", firing), said, says or "starts_at")


def test_a_log_entry_at_a_time_that_never_was_is_refused(client, clock):
    firing = make_fire(lights_at=datetime(2027, 3, 27, 18, tzinfo=UTC), occupied_from=datetime(2027, 3, 26, tzinfo=UTC))
    clock(datetime(2027, 3, 28, 9, tzinfo=UTC))
    says = "There is no 01:30 on 2027-03-28: the clocks go forward then; give another time"
    said = {"kind": "note", "text": "rain", "seen_at": "2027-03-28T01:30"}
    refused_form(client, firing.lead, at("firing_fire", firing), said, says)
    entry = {"kind": "note", "text": "rain", "observed_at": "2027-03-28T01:30:00"}
    refused_api(client, firing.lead, at("api_log", firing), {"entries": [entry]}, says)


# --- Closed, full, taken ------------------------------------------------------------------


def test_booking_after_closing_is_refused(client, clock):
    firing = make_open_firing()
    clock(firing.booking_closes_at + HOUR)
    says = "Booking closed on 8 May 2026, 10:00. Ask Ada"
    refused_form(client, ben(), at("piece_add", firing), typed_piece(), says)
    refused_form(client, ben(), at("pieces_paste", firing), {"text": HEADER + ROW, "save": "yes"}, says)
    body = {"name": "bowl", "diameter_mm": 200, "height_mm": 100, "cone": "11"}
    refused_api(client, ben(), at("api_pieces", firing), body, says)
    refused_api(client, ben(), at("api_pieces_csv", firing), {"text": HEADER + ROW}, says)


def test_the_second_for_the_last_space_is_told_so(client, clock):
    firing = make_open_firing(capacity_ml=11_000)
    book(firing, make_member("Dee"), count=2, zone="Front")
    book(firing, make_member("Dee"), count=2, zone="Back")
    says = "“bowl” asks 10.7 l and does not fit: Front, hot has 0.3 l free"
    refused_form(client, ben(), at("piece_add", firing), typed_piece(may_wait=""), says)
    body = {"name": "bowl", "count": 2, "diameter_mm": 200, "height_mm": 100, "cone": "11", "may_wait": False}
    refused_api(client, ben(), at("api_pieces", firing), body, says)


def test_the_second_for_the_last_place_on_a_watch_is_told_so(client, clock):
    firing = make_watch_firing()
    watch = watches_of(firing)[0]
    join(watch, leader(), stoker(), stoker("Sam"))
    late = stoker("Late")
    refused_form(client, late, at("watch_sign_up", firing, watch=watch.public_id), {}, "full")
    address = reverse("api_watch_sign_up", kwargs={"coop": firing.coop.slug, "watch": watch.public_id})
    refused_api(client, late, address, {}, "full")


# --- The fire -----------------------------------------------------------------------------


def test_a_reading_of_9999_is_refused(client, clock, tmp_path):
    firing = make_fire()
    clock(firing.lit_at + HOUR)
    says = "No kiln is at 9999 °C"
    said = {"kind": "reading", "probe": "front", "temperature_dc": "9999"}
    refused_form(client, firing.lead, at("firing_fire", firing), said, says)
    entry = {"kind": "reading", "probe": "front", "temperature_dc": 99_990}
    refused_api(client, firing.lead, at("api_log", firing), {"entries": [entry]}, says)
    assert not LogEntry.objects.exists()
    log = json.loads((SAMPLES / "fire-log.json").read_text())
    log["entries"][3]["c"] = 9999
    refused_prompt("9999", "forecast_fire", written(tmp_path, log), statuses=(2,))


# --- Money --------------------------------------------------------------------------------


def typed_receipt(**fields):
    return {"pool": "wood", "amount": "12.50", "on": "2026-04-20", "paid_by": "", "supplier": "Mill", **fields}


BAD_RECEIPTS = [
    ({"amount": "0"}, {"amount_minor": 0}, "zero"),
    ({"amount": "1e9"}, {"amount_minor": "1e9"}, ""),
    ({"amount": "12,345,678,901"}, {"amount_minor": 10**12}, "too large to be right"),
    ({"amount": ""}, {"amount_minor": None}, ""),
    ({"on": "2026-05-30"}, {"on": "2026-05-30"}, "has not come yet"),
    ({"on": "2026-02-30"}, {"on": "2026-02-30"}, ""),
    ({"on": "1926-04-20"}, {"on": "1926-04-20"}, "too long ago"),
    ({"pool": "snacks"}, {"pool": "snacks"}, ""),
    ({}, {"currency": "USD"}, "keeps its money in EUR"),
]


@pytest.mark.parametrize(("fields", "changes", "says"), BAD_RECEIPTS)
def test_a_bad_receipt_is_refused(client, clock, fields, changes, says):
    firing = make_settling_firing(litres={"Ben": 10})
    if fields:
        refused_form(client, tess(), at("receipt_new", firing), typed_receipt(**fields), says)
    body = {"pool": "wood", "amount_minor": 1250, "on": "2026-04-20", **changes}
    refused_api(client, tess(), receipts_of(firing), body, says)


def receipts_of(firing):
    return f"/{firing.coop.slug}/api/v1/firings/{firing.public_id}/receipts/"


RECEIPTS = "date,paid_by,pool,amount,currency,supplier,note\n"
BAD_RECEIPT_LISTS = [
    ("date,sum\n2026-04-20,3\n", "there is no such column"),
    (RECEIPTS + "2026-04-20,,wood,zero,EUR,,\n", "Row 2, amount"),
    (RECEIPTS + "2026-04-20,,wood,0,EUR,,\n", "an amount of zero changes nothing"),
    (RECEIPTS + "2026-02-30,,wood,3,EUR,,\n", "there is no day 2026-02-30"),
    (RECEIPTS + "20.04.2026,,wood,3,EUR,,\n", "write it like 2026-03-14"),
    (RECEIPTS + "2026-04-20,,snacks,3,EUR,,\n", "is no pool; pick one of"),
    (RECEIPTS + "2026-04-20,,wood,3,EUR,=cmd(),\n", "begins like a spreadsheet formula"),
    (RECEIPTS + "2026-04-20,,wood,3,EUR,,\n" * 100_000, "There are more than 5,000 rows"),
]


@pytest.mark.parametrize(("text", "says"), BAD_RECEIPT_LISTS, ids=range(len(BAD_RECEIPT_LISTS)))
def test_a_bad_list_of_receipts_is_refused(client, clock, tmp_path, text, says):
    firing = make_settling_firing(litres={"Ben": 10})
    file = SimpleUploadedFile("receipts.csv", text.encode())
    refused_form(client, tess(), at("receipts_file", firing), {"file": file}, says)
    refused_form(client, tess(), at("receipts_file", firing), {"text": text}, says)
    refused_api(client, tess(), receipts_of(firing) + "csv/", {"csv": text}, says)
    (tmp_path / "receipts.csv").write_text(text)
    refused_prompt(says, "walk_firing", receipts=tmp_path / "receipts.csv", out=tmp_path / "out", statuses=(2,))


WORKING_RECEIPTS = [("0.01", 1), ("-0.01", -1), ("-18.50", -1850), ("12,50", 1250)]


@pytest.mark.parametrize("edge", ["form", "api", "file"])
@pytest.mark.parametrize(("typed", "minor"), WORKING_RECEIPTS)
def test_a_cent_and_a_refund_are_shared_exactly_among_seven(client, clock, edge, typed, minor):
    firing = make_settling_firing(
        litres={f"Potter {number}": 10 for number in range(7)}, terms=Terms(fill_guarantee=Fraction(0))
    )
    client.force_login(tess().person)
    if edge == "form":
        assert client.post(at("receipt_new", firing), typed_receipt(amount=typed)).status_code == 303
    elif edge == "file":
        text = RECEIPTS.replace(",", ";") + f"2026-04-20;;wood;{typed};EUR;;\n"
        assert client.post(at("receipts_file", firing), {"text": text}).status_code == 303
    else:
        body = {"pool": "wood", "amount_minor": minor, "on": "2026-04-20"}
        headers = {"Idempotency-Key": "cent"}
        answer = client.post(receipts_of(firing), body, content_type="application/json", headers=headers)
        assert answer.status_code == 201
    assert client.post(at("shares_draft", firing)).status_code == 303
    shares = list(CostShare.objects.values_list("amount_minor", flat=True))
    assert sum(shares) == minor == Receipt.objects.get().amount_minor
    assert max(shares) - min(shares) <= 1


def test_with_nobody_to_pay_the_fund_bears_it_and_the_page_says_so(client, clock):
    firing = make_settling_firing()
    take(firing, 1001)
    client.force_login(tess().person)
    client.post(at("shares_draft", firing))
    assert not CostShare.objects.exists()
    assert "nobody to pay" in text_of(client.get(at("firing_money", firing)))


def shares_file(bill, members, weight=1):
    names = [f"m{number}" for number in range(members)]
    pool = {"id": "wood", "bill": bill, "key": "litres", "weights": dict.fromkeys(names, weight)}
    document = {"format": "cost-shares/1", "firing": "F1", "currency": "EUR"}
    return {**document, "members": [{"id": name} for name in names], "pools": [pool]}


@pytest.mark.parametrize("bill", [1, -1, -1850])
def test_a_cent_and_a_refund_are_shared_exactly_at_the_prompt(tmp_path, bill):
    status, told, _faults = prompt("share_costs", written(tmp_path, shares_file(bill, 7)))
    made = json.loads(told)
    borne = [amount for shares in made["table"].values() for amount in shares.values()]
    assert (status, sum(borne)) == (0, bill)


def test_with_nobody_to_pay_the_fund_bears_it_at_the_prompt(tmp_path):
    status, told, _faults = prompt("share_costs", written(tmp_path, shares_file(100, 0)))
    assert (status, json.loads(told)["fund"]) == (0, {"wood": 100})
    assert "Nobody has a share in wood" in told


def test_nobody_owes_anything_at_the_prompt(tmp_path):
    nobody = {"format": "balances/1", "currency": "EUR", "balances": {"ada": 0, "ben": 0}}
    status, told, _faults = prompt("plan_payments", written(tmp_path, nobody))
    assert (status, json.loads(told)["payments"]) == (0, [])


# --- The prompt ---------------------------------------------------------------------------


def sample(name, *path, to=None):
    """A sample file's document with one value changed (or, with to=None, taken out)."""
    folder = MONEY_SAMPLES if name in ("cost-shares", "balances") else SAMPLES
    document = json.loads((folder / f"{name}.json").read_text())
    inside = document
    for step in path[:-1]:
        inside = inside[step]
    if to is None and path:
        del inside[path[-1]]
    elif path:
        inside[path[-1]] = to
    return document


BAD_FILES = [
    ("plan_load", "", 2, "this is not JSON"),
    ("plan_load", "[]", 2, "must be an object"),
    ("plan_load", "[" * 100_000, 2, "cannot be read as JSON"),
    ("plan_load", sample("load-request", "format", to="load-request/9"), 2, "load-request/1"),
    ("plan_load", sample("load-request", "pieces", 0, "h", to=-5), 2, "too small"),
    ("plan_load", sample("load-request", "pieces", 0, "h", to=0), 2, "too small"),
    ("plan_load", sample("load-request", "pieces", 0, "h", to=10**9), 2, "too large"),
    ("plan_load", sample("load-request", "pieces", 0, "h"), 2, "'h' is missing; add it"),
    ("plan_load", sample("load-request", "pieces", 0, "h", to="tall"), 2, "must be a whole number"),
    ("plan_load", sample("load-request", "pieces", 0, "cone", to="77"), 2, "77"),
    ("plan_load", sample("load-request", "pieces", 0, "label", to="\ud800"), 2, "half a character"),
    ("plan_load", sample("load-request", "pieces", 9, "h", to=1500), 1, "p10: 1 left out"),
    ("plan_load", sample("load-request", "pieces", 9, "cone", to="06"), 1, "p10: 1 left out"),
    ("allot_space", sample("allotment", "capacity_ml", to=-1), 2, "too small"),
    ("allot_space", sample("allotment", "asks", 0, "ask_ml", to=-1), 2, "too small"),
    ("allot_space", sample("allotment", "asks", 0, "member", to="\ud800"), 2, "half a character"),
    ("plan_watches", sample("watch-roster", "unit_min", to=0), 2, "unit_min"),
    ("plan_watches", sample("watch-roster", "t0", to="2027-02-30T06:00+00:00"), 2, "t0"),
    ("plan_payments", sample("balances", "balances", "ada", to=5), 2, "add up to"),
    ("share_costs", shares_file(100, 2, weight=-1), 2, "too small"),
    ("forecast_fire", sample("fire-log", "entries", 0, "at", to="2026-02-30T06:00:00+01:00"), 2, "2026-02-30"),
    ("forecast_fire", sample("fire-log", "kiln", "hours", "low", to=99), 2, "low"),
    ("plan_wood", sample("wood-plan", "volume_m3", to=-1), 2, "volume_m3"),
    ("plan_wood", sample("wood-plan", "stacks", 0, "moisture", to=1.4), 2, "moisture"),
]


@pytest.mark.parametrize(("command", "document", "status", "says"), BAD_FILES, ids=range(len(BAD_FILES)))
def test_a_bad_file_is_refused_at_the_prompt(tmp_path, command, document, status, says):
    quick = {"seconds": 0.1} if command == "plan_load" else {}
    refused_prompt(says, command, written(tmp_path, document), statuses=(status,), **quick)


@pytest.mark.parametrize(
    ("document", "says"),
    [
        ("{", "this is not JSON"),
        (sample("kiln", "zones", 0, "chamber_height_mm", to=-1), "too small"),
        (sample("kiln", "zones", 0, "cone", to="77"), "77"),
        (sample("kiln", "name", to="K" * 90), "1 to 80 letters"),
        (sample("kiln", "zones", 1, "name", to="Front, hot"), "name"),
    ],
)
def test_a_bad_kiln_is_refused_at_the_prompt_and_no_co_op_is_founded(tmp_path, document, says):
    refused_prompt(says, "walk_firing", kiln=written(tmp_path, document), out=tmp_path / "out", statuses=(2,))
    assert not Coop.objects.exists()


@pytest.mark.parametrize(
    ("row", "says"),
    [
        (
            "Ben,urn,1,round,200,2900,10,\n",
            "No piece of the list can stand in Heron kiln (Front, hot: cone 10, 1150",
        ),
        ("Ben,mug,1,round,90,100,06,\n", "No piece of the list can stand in Heron kiln (Front, hot: cone 10"),
        (f"{'B' * 150},mug,1,round,90,100,10,\n", "Row 2, member: this text has 150 characters; shorten it to 120"),
    ],
)
def test_a_walk_that_could_not_end_is_not_begun(tmp_path, row, says):
    (tmp_path / "pieces.csv").write_text(HEADER + row)
    refused_prompt(says, "walk_firing", pieces=tmp_path / "pieces.csv", out=tmp_path / "out", statuses=(2,))
    assert not Coop.objects.exists()


@pytest.mark.parametrize("command", ["plan_load", "share_costs", "allot_space", "plan_watches", "plan_payments"])
def test_a_file_that_is_not_there_is_refused_at_the_prompt(tmp_path, command):
    refused_prompt("cannot be read", command, tmp_path / "nowhere.json", statuses=(2,))
    (tmp_path / "latin.json").write_bytes(b'{"name": "caf\xe9"}')
    refused_prompt("is not UTF-8", command, tmp_path / "latin.json", statuses=(2,))


def test_check_load_refuses_bad_files_and_judges_a_plan_that_breaks_a_rule(tmp_path):
    bad = written(tmp_path, sample("load-request", "pieces", 0, "h", to=-5))
    refused_prompt("too small", "check_load", bad, SAMPLES / "load-plan.json", statuses=(2,))
    tall = written(tmp_path, sample("load-request", "pieces", 0, "h", to=900))
    with nothing_changed():
        status, told, _faults = prompt("check_load", tall, SAMPLES / "load-plan.json")
    assert (status, "p01" in told) == (1, True)
