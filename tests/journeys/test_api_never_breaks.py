"""Whatever is sent to the API, it answers: never a breakdown, and every refusal as problem+json."""

import itertools
import json
import uuid
from datetime import timedelta

import pytest
from django.core.signals import got_request_exception
from django.utils import timezone
from drf_spectacular.generators import SchemaGenerator

from billing.models import BankFile, BankLine, Question, Receipt, Settlement, Statement
from billing.services import ask, read_bank_file, take_bank_file
from coop.models import Picture
from firings import models
from firings.services import chores, hand_overs, kilns, load_plans, probes, unpacking, watches
from tests.factories import NOW, make_coop, make_member
from tests.factories_bank import Moved, camt, set_account
from tests.factories_fire import HOUR, make_fire_with_pieces, reading, write
from tests.factories_firings import make_firing, make_kiln
from tests.factories_money import make_settling_firing, opened, take
from tests.factories_space import book

pytestmark = [pytest.mark.django_db, pytest.mark.slow]

PROBLEM = "application/problem+json"
UNSAFE = ("post", "put", "patch", "delete")
WRONG_KINDS = [None, True, 0.5, [], [[[[1]]]], {}, {"a": {"b": [1]}}]
ODD_NUMBERS = [-1, 0, 2**31, -(2**31) - 1, 2**63, 10**30, 10**400, -1e308, "", "²", "1e9"]
ODD_TEXTS = [
    "",
    "x" * 20_000,
    "🏺🔥" * 30,
    "a\x00b",
    "\ud800",
    "=1+1",
    "٣",
    "' OR 1=1 --",
    "../../etc",
    "2026-02-30T25:00:00Z",
    "0001-01-01T00:00:00+14:00",
    "9999-12-31T23:59:59-14:00",
    10**30,
]
ODD_BODIES = [
    b"",
    b"{",
    b"null",
    b'"text"',
    b"[]",
    b"[[]]",
    b"{}",
    b'{"a": NaN}',
    b'{"a": 1e999}',
    b'{"a": ' + b"9" * 5000 + b"}",
    b"\xff\xfe\x00",
    b"\xef\xbb\xbf{}",
    b"[" * 100_000,
    b'{"a":' * 100_000,
    b'{"a": 1, "a": 2}',
]
ODD_QUERIES = [
    "",
    "x",
    "-1",
    "0",
    "²",
    "٣",
    "9" * 5000,
    "1e9",
    "a\x00b",
    "2026-02-30T00:00:00Z",
    "9999-12-31T23:59:59Z",
]


@pytest.fixture
def schema():
    return SchemaGenerator().get_schema(request=None, public=True)


@pytest.fixture
def all_round(monkeypatch):
    """One person with every role and sign-off, and a row of everything the API speaks of."""
    coop = make_coop()
    roles, sign_offs = ("lead", "steward", "treasurer", "coordinator"), ("stoking", "leading", "soda", "splitter")
    who = make_member("Ola", coop=coop, roles=roles, sign_offs=sign_offs)
    monkeypatch.setattr(load_plans, "SECONDS", 0.05)
    kiln = make_kiln(coop)
    kilns.add_wood_stack(
        coop, by=who, now=NOW, name="Rick", species="ash", size_class="split", stacked_dm3=900, moisture_permille=180
    )
    probes.add_probe(coop, by=who, now=NOW, kiln_id=kiln.public_id, name="front")
    probes.make_logger(coop, by=who, now=NOW, kiln_id=kiln.public_id, name="Box")
    after = make_fire_with_pieces("cleanup", kiln=kiln, lead=who)
    unpacking.report_damage(
        coop,
        by=who,
        now=NOW,
        firing_id=after.public_id,
        what="board",
        count=1,
        cause="unknown",
        piece_id=None,
        note="It cracked.",
    )
    money = make_settling_firing(coop, litres={"Ola": 10, "Ben": 20}, name="To be settled")
    take(money, 1001)
    shares = opened(money)
    ask(coop, by=who, now=NOW, settlement_id=shares.public_id, share_id=None, text="Why?")
    set_account(coop)
    for number in "ab":
        content = camt([Moved(500, f"Somebody {number}")])
        file = read_bank_file(coop, by=who, now=NOW, name=number, content=content)
    take_bank_file(coop, by=who, now=NOW, file_id=file.public_id)
    second, third = make_kiln(coop, name="Second kiln"), make_kiln(coop, name="Third kiln")
    lit = make_fire_with_pieces("lit", kiln=second, lead=who, occupied_from=NOW + timedelta(days=30))
    write(lit, reading(9000, lit.lit_at + HOUR))
    hand_overs.draft(coop, by=who, now=lit.lit_at + HOUR, firing_id=lit.public_id)
    later = NOW + timedelta(days=60)
    booking = make_firing(stage="booking", kiln=third, lead=who, occupied_from=later)
    book(booking, who)
    plan = load_plans.propose_now(coop, by=who, now=NOW, firing_id=booking.public_id, seconds=0.05)
    load_plans.accept(coop, by=who, now=NOW, plan_id=plan.public_id)
    first = booking.watches.filter(cancelled_at=None).order_by("starts_at").first()
    place = watches.sign_up(coop, by=who, now=NOW, watch_id=first.public_id)
    watches.offer(coop, by=who, now=NOW, place_id=place.public_id)
    upset_roster(coop, place)
    chore = models.Chore.objects.of(coop).filter(firing=booking, cancelled_at=None).first()
    chores.sign_up(coop, by=who, now=NOW, chore_id=chore.public_id)
    monkeypatch.setattr(timezone, "now", lambda: lit.lit_at + 3 * HOUR)
    return who, [booking, lit, after, money]


def upset_roster(coop, place):
    """Rows to swap, mend and answer, written as they would stand after a busy night."""
    firing = place.watch.firing
    other = firing.watches.filter(cancelled_at=None).order_by("starts_at").last()
    theirs = models.WatchPlace.objects.create(coop=coop, watch=other, member=make_member("Bo"), taken_at=NOW)
    models.WatchSwap.objects.create(coop=coop, place=place, for_place=theirs, asked_at=NOW)
    models.CrewNews.objects.create(coop=coop, firing=firing, kind="out", place=theirs, said_at=NOW)
    models.PlaceQuestion.objects.create(coop=coop, firing=firing, member=place.member, takes=other, asked_at=NOW)
    models.WatchProposal.objects.create(
        coop=coop,
        firing=firing,
        request={"people": [], "tasks": [], "avail": []},
        answer={"assigned": {}, "unfilled": []},
        mends={"news": [], "out": [], "added": [], "retimed": {}, "stays": [], "gaps": []},
        made_at=NOW,
    )


def rows_named(name, path, coop):
    model = {
        "allotment": models.Allotment,
        "chore": models.Chore,
        "damage": models.Damage,
        "entry": models.HoursEntry if "hours/" in path else models.LogEntry,
        "feed": models.CalendarFeed,
        "file": BankFile,
        "hand_over": models.HandOver,
        "item": models.CheckItem,
        "kiln": models.Kiln,
        "layer": models.Layer,
        "line": BankLine,
        "lot": models.FurnitureLot,
        "offer": models.PlaceOffer,
        "piece": models.Piece,
        "place": models.ChorePlace if "chore-" in path else models.WatchPlace,
        "picture": Picture,
        "probe": models.Probe,
        "logger": models.Logger,
        "placement": models.Placement,
        "plan": models.LoadPlan,
        "proposal": models.WatchProposal,
        "news": models.CrewNews,
        "question": models.PlaceQuestion if "crew-" in path else Question,
        "swap": models.WatchSwap,
        "receipt": Receipt,
        "settlement": Settlement,
        "stack": models.WoodStack,
        "statement": Statement,
        "watch": models.Watch,
    }[name]
    return model.objects.of(coop)


def addresses(path, coop, firings):
    """The operation's address on things that are there: once for each firing, or once."""
    address = path.replace("{coop}", coop.slug)
    for name in [part[1:-1] for part in address.split("/") if part.startswith("{") and part != "{firing}"]:
        rows = rows_named(name, path, coop)
        row = None
        if name in ("plan", "layer", "placement") or (name == "piece" and "{firing}" in path):
            row, firings = rows.order_by("pk").last(), firings[:1]
        row = row or rows.order_by("pk").first()
        address = address.replace("{" + name + "}", str(row.public_id if row else uuid.UUID(int=7)))
    if "{firing}" not in address:
        return [address]
    return [address.replace("{firing}", str(firing.public_id)) for firing in firings]


def example(schema, whole, ids, name=""):
    """A value that fits the schema, as far as a schema can say."""
    if "$ref" in schema:
        return example(whole["components"]["schemas"][schema["$ref"].rsplit("/", 1)[1]], whole, ids, name)
    for key in ("allOf", "oneOf", "anyOf"):
        if key in schema:
            return example(schema[key][0], whole, ids, name)
    if "enum" in schema:
        return schema["enum"][0]
    kind = schema.get("type", "string")
    kind = kind[0] if isinstance(kind, list) else kind
    if kind == "object":
        return {key: example(part, whole, ids, key) for key, part in schema.get("properties", {}).items()}
    if kind == "array":
        return [example(schema["items"], whole, ids, name)]
    if kind == "integer":
        return max(int(schema.get("minimum", 0)), 12)
    if kind == "boolean":
        return True
    given = {"uuid": str(ids), "date-time": NOW.isoformat(), "date": "2026-04-30", "email": "nia@far.example"}
    return given.get(schema.get("format"), "10" if "cone" in name else "ash")


def operations(schema):
    for path, methods in schema["paths"].items():
        for method, told in methods.items():
            if method in ("get", *UNSAFE):
                yield path, method, told


@pytest.fixture
def sent(client, all_round):
    """Send a request and return (status, what is wrong with the answer)."""
    who, _firings = all_round
    client.force_login(who.person)
    client.raise_request_exception = False
    keys = itertools.count(1)
    broke = []

    def remember(sender, **_kwargs):
        import sys

        broke.append(repr(sys.exc_info()[1])[:300])

    got_request_exception.connect(remember)

    def send(method, address, body=None):
        broke.clear()
        more = {} if method == "get" else {"data": body, "content_type": "application/json"}
        headers = {} if method == "get" else {"Idempotency-Key": f"key {next(keys)}"}
        answer = getattr(client, method)(address, headers=headers, **more)
        if answer.status_code >= 500 or broke:
            return f"{answer.status_code} {broke}"
        if answer.status_code >= 400 and not answer["Content-Type"].startswith(PROBLEM):
            return f"{answer.status_code} as {answer['Content-Type']}"
        if answer.status_code >= 400 and not answer.json()["detail"].strip():
            return f"{answer.status_code} without a word"
        return ""

    yield send
    got_request_exception.disconnect(remember)


def fields_of(body, path=()):
    """Every place in a body where a value stands, and the value."""
    if isinstance(body, dict):
        for key, value in body.items():
            yield (*path, key), value
            yield from fields_of(value, (*path, key))
    elif isinstance(body, list) and body:
        yield (*path, 0), body[0]
        yield from fields_of(body[0], (*path, 0))


def odd_values(body):
    """Odd values for every field: half of those for its kind, the other half for the next field, and so on."""
    for number, (place, was) in enumerate(fields_of(body)):
        odd = ODD_NUMBERS if isinstance(was, int) and not isinstance(was, bool) else ODD_TEXTS
        yield from ((place, value) for value in [*WRONG_KINDS, *odd][number % 2 :: 2])


def with_value(body, path, value):
    if not path:
        return value
    changed = dict(body) if isinstance(body, dict) else list(body)
    changed[path[0]] = with_value(body[path[0]], path[1:], value)
    return changed


def test_every_unsafe_call_answers_odd_values_in_every_field(schema, all_round, sent):
    who, firings = all_round
    faults, calls = [], 0
    for path, method, told in operations(schema):
        if method == "get" or "application/json" not in told.get("requestBody", {}).get("content", {}):
            continue  # files are sent as forms: tests/coop/test_pictures.py
        form = told["requestBody"]["content"]["application/json"]["schema"]
        body = example(form, schema, who.public_id)
        rows = addresses(path, who.coop, firings)
        for place, value in odd_values(body):
            number = calls = calls + 1
            wrong = sent(method, rows[number % len(rows)], json.dumps(with_value(body, place, value)))
            if wrong:
                faults.append(f"{method} {path} {place} {str(value)[:30]!r}: {wrong}")
    assert not faults, "\n".join(faults[:60]) + f"\n{len(faults)} of {calls}"
    assert calls > 1000


def test_every_unsafe_call_answers_odd_bodies(schema, all_round, sent):
    who, firings = all_round
    faults = []
    for path, method, _told in operations(schema):
        if method == "get":
            continue
        rows = addresses(path, who.coop, firings)
        for number, body in enumerate(ODD_BODIES):
            if wrong := sent(method, rows[number % len(rows)], body):
                faults.append(f"{method} {path} {body[:20]!r}: {wrong}")
    assert not faults, "\n".join(faults[:60]) + f"\n{len(faults)}"


def test_every_read_answers_odd_queries_and_odd_addresses(schema, all_round, sent):
    who, firings = all_round
    faults = []
    for path, method, told in operations(schema):
        if method != "get":
            continue
        names = [part["name"] for part in told.get("parameters", []) if part["in"] == "query"]
        for address in addresses(path, who.coop, firings):
            queries = [f"?{name}={value}" for name in names for value in ODD_QUERIES]
            for query in ["", *queries]:
                if wrong := sent(method, address + query.replace("\x00", "%00")):
                    faults.append(f"{path} {query[:30]!r}: {wrong}")
    assert not faults, "\n".join(faults[:60]) + f"\n{len(faults)}"


def test_what_is_not_there_is_not_found(schema, all_round, sent, client):
    who, _firings = all_round
    faults = []
    for path, method, _told in operations(schema):
        nowhere = "/".join(str(uuid.UUID(int=9)) if part[:1] == "{" else part for part in path.split("/")[2:])
        if str(uuid.UUID(int=9)) not in nowhere:
            continue
        address = f"/{who.coop.slug}/{nowhere}"
        if wrong := sent(method, address, "{}"):
            faults.append(f"{method} {path}: {wrong}")
    assert not faults, "\n".join(faults)


def test_a_body_too_large_is_refused_as_a_problem(all_round, client):
    who, firings = all_round
    client.force_login(who.person)
    before = models.Piece.objects.count()
    big = json.dumps({"text": "x" * 5_000_000})
    answer = client.post(
        f"/{who.coop.slug}/api/v1/firings/{firings[0].public_id}/pieces/csv/",
        big,
        content_type="application/json",
        headers={"Idempotency-Key": "big"},
    )
    assert (answer.status_code, answer["Content-Type"]) == (413, PROBLEM)
    assert "smaller" in answer.json()["detail"]
    assert models.Piece.objects.count() == before
