"""A logger at the kiln posts readings by a key of its own: exactly once, of one kiln, and nothing else."""

import json
from datetime import timedelta

import pytest
from django.db import IntegrityError, transaction
from django.urls import reverse

from coop.errors import NotAllowed, Refused
from coop.models import IdempotencyKey
from coop.tokens import token_hash
from firings.models import Logger
from firings.queries import fire as queries
from firings.services import probes
from tests.factories import NOW, cy, make_member, stu
from tests.factories_fire import HOUR, MINUTE, make_fire, make_fire_with_pieces
from tests.factories_firings import make_firing, make_kiln

pytestmark = pytest.mark.django_db


def make_logger(kiln, name="Shed box"):
    return probes.make_logger(kiln.coop, by=stu(kiln.coop), now=NOW, kiln_id=kiln.public_id, name=name)


@pytest.fixture
def fire(monkeypatch):
    firing = make_fire()
    monkeypatch.setattr("firings.api.probes.timezone.now", lambda: firing.lit_at + 3 * HOUR)
    return firing


def one(seq, at, c=900.0, probe="front", **more):
    return {"seq": seq, "at": at if isinstance(at, str) else at.isoformat(), "probe": probe, "c": c, **more}


def post(client, coop, key, readings, *, device_id="b7", body=None, slug=None):
    where = reverse("api_logger_readings", kwargs={"coop": slug or coop.slug})
    said = {"device_id": device_id, "readings": readings} if body is None else body
    data = said if isinstance(said, bytes | str) else json.dumps(said)
    return client.post(where, data, content_type="application/json", headers={"Authorization": f"Bearer {key}"})


def outcomes(answer):
    assert answer.status_code == 200, answer.content
    return [row["outcome"] for row in answer.json()["answers"]]


def test_readings_stand_in_the_log_as_the_loggers(client, fire):
    row, key = make_logger(fire.kiln)
    answer = post(client, fire.coop, key, [one(n, fire.lit_at + n * MINUTE, 20 + n / 2) for n in range(1, 4)])
    assert outcomes(answer) == ["written"] * 3
    entries = list(fire.log.order_by("pk"))
    assert [entry.temperature_dc for entry in entries] == [205, 210, 215]
    assert {(entry.who, entry.by.name, entry.logger) for entry in entries} == {("Shed box", "Stu", row)}
    assert queries.entries_of(queries.rows_of(fire))[0].by == "Shed box"
    row.refresh_from_db()
    assert row.last_sent_at == fire.lit_at + 3 * HOUR


def test_a_batch_sent_twice_is_written_once(client, fire):
    _row, key = make_logger(fire.kiln)
    batch = [one(n, fire.lit_at + n * MINUTE / 2) for n in range(1, 301)]
    assert outcomes(post(client, fire.coop, key, batch)) == ["written"] * 300
    assert outcomes(post(client, fire.coop, key, batch)) == ["known"] * 300
    assert outcomes(post(client, fire.coop, key, [*batch[290:], one(301, fire.lit_at + HOUR)])) == [
        *["known"] * 10,
        "written",
    ]
    assert fire.log.count() == 301


def test_a_logger_that_counts_anew_takes_another_device_id(client, fire):
    _row, key = make_logger(fire.kiln)
    assert outcomes(post(client, fire.coop, key, [one(1, fire.lit_at + MINUTE)])) == ["written"]
    assert outcomes(post(client, fire.coop, key, [one(1, fire.lit_at + HOUR)], device_id="b8")) == ["written"]


def test_fahrenheit_becomes_tenths_of_celsius(client, fire):
    _row, key = make_logger(fire.kiln)
    warm = {"seq": 1, "at": (fire.lit_at + MINUTE).isoformat(), "probe": "front", "f": 212.0}
    assert outcomes(post(client, fire.coop, key, [warm])) == ["written"]
    assert fire.log.get().temperature_dc == 1000


def test_a_probes_offset_goes_with_its_readings(client, fire):
    probes.add_probe(fire.coop, by=stu(), now=NOW, kiln_id=fire.kiln.public_id, name="Front", offset_dc=-40)
    _row, key = make_logger(fire.kiln)
    post(client, fire.coop, key, [one(1, fire.lit_at + MINUTE)])
    assert (fire.log.get().probe, fire.log.get().true_dc) == ("Front", 8960)


def test_a_faulty_reading_keeps_no_other_out(client, fire):
    _row, key = make_logger(fire.kiln)
    at = fire.lit_at + MINUTE
    batch = [
        one(1, at),
        one(2, at, c=9999),
        one(3, at, probe=""),
        {"seq": 4, "at": at.isoformat(), "probe": "front"},
        one(5, at, f=3),
        one(6, "yesterday"),
        one(7, fire.lit_at - 2 * HOUR),
        one(8, fire.lit_at + 30 * HOUR),
        one(-1, at),
        "text",
        None,
        one(9, at, c="hot"),
        one(10, at, probe="back"),
    ]
    answer = post(client, fire.coop, key, batch)
    assert outcomes(answer) == ["written", *["refused"] * 11, "written"]
    said = [row["detail"] for row in answer.json()["answers"]]
    assert all(said[1:-1])
    assert "No kiln is at 9999" in said[1]
    assert "c for °C, or f for °F" in said[3]
    assert "No fire of this kiln" in said[6]
    assert "still to come" in said[7]
    assert fire.log.count() == 2


@pytest.mark.parametrize("body", [b"", b"{", b"[]", b'{"readings": []}', b'{"readings": 7}', b'{"readings": {"a": 1}}'])
def test_a_body_that_says_nothing_is_refused_as_a_problem(client, fire, body):
    _row, key = make_logger(fire.kiln)
    answer = post(client, fire.coop, key, [], body=body)
    assert answer.status_code == 400
    assert answer["Content-Type"] == "application/problem+json"
    assert answer.json()["detail"]


def test_more_than_500_readings_are_refused_whole(client, fire):
    _row, key = make_logger(fire.kiln)
    answer = post(client, fire.coop, key, [one(n, fire.lit_at) for n in range(501)])
    assert answer.status_code == 400
    assert not fire.log.exists()


def test_readings_go_to_the_fire_that_burnt_then(client, fire):
    other = make_firing(
        stage="lit", kiln=make_kiln(fire.coop, name="Second kiln"), occupied_from=NOW + timedelta(days=30)
    )
    _row, key = make_logger(fire.kiln)
    post(client, fire.coop, key, [one(1, fire.lit_at + MINUTE)])
    assert (fire.log.count(), other.log.count()) == (1, 0)


def test_an_opened_kiln_takes_no_readings_of_afterwards(client, monkeypatch):
    firing = make_fire_with_pieces("unpacking")
    _row, key = make_logger(firing.kiln)
    late = firing.opened_at + HOUR
    monkeypatch.setattr("firings.api.probes.timezone.now", lambda: late)
    answer = post(client, firing.coop, key, [one(1, firing.ended_at + HOUR, 700), one(2, late, 30)])
    assert outcomes(answer) == ["written", "refused"]


# --- The key --------------------------------------------------------------------------------


def test_the_key_is_kept_as_a_hash_and_opens_nothing_else(client, fire):
    row, key = make_logger(fire.kiln)
    assert row.token_hash == token_hash(key)
    header = {"Authorization": f"Bearer {key}"}
    for address in ("me", f"firings/{fire.public_id}/log/", "pictures/"):
        assert client.get(f"/{fire.coop.slug}/api/v1/{address}", headers=header).status_code in (401, 405)
    assert client.get(f"/{fire.coop.slug}/api/v1/logger-readings/", headers=header).json()["kiln"] == fire.kiln.name


@pytest.mark.parametrize("header", ["", "Bearer", "Bearer wrong", "Basic abc", "Bearer a b", "Bearer \xe9"])
def test_without_a_known_key_nothing_gets_in(client, fire, header):
    make_logger(fire.kiln)
    where = reverse("api_logger_readings", kwargs={"coop": fire.coop.slug})
    answer = client.post(where, "{}", content_type="application/json", headers={"Authorization": header})
    assert answer.status_code == 401
    assert answer["Content-Type"] == "application/problem+json"
    assert answer["WWW-Authenticate"] == "Bearer"


def test_a_persons_sign_in_is_no_loggers_key(client, fire):
    client.force_login(fire.lead.person)
    assert post(client, fire.coop, "none", [one(1, fire.lit_at)]).status_code == 401


def test_a_key_of_another_co_op_is_not_known(client, fire):
    _row, key = make_logger(fire.kiln)
    other = cy().coop
    assert post(client, other, key, [one(1, fire.lit_at)]).status_code == 401
    assert post(client, other, key, [one(1, fire.lit_at)], slug="no-such-place").status_code == 401


def test_a_revoked_key_gets_nothing_in_any_more(client, fire):
    row, key = make_logger(fire.kiln)
    post(client, fire.coop, key, [one(1, fire.lit_at + MINUTE)])
    probes.revoke_logger(fire.coop, by=stu(), now=NOW, logger_id=row.public_id)
    assert post(client, fire.coop, key, [one(2, fire.lit_at + 2 * MINUTE)]).status_code == 401
    assert fire.log.count() == 1


def test_only_the_steward_makes_and_revokes_keys(fire):
    row, _key = make_logger(fire.kiln)
    with pytest.raises(NotAllowed):
        probes.make_logger(fire.coop, by=make_member("Dora"), now=NOW, kiln_id=fire.kiln.public_id, name="Mine")
    with pytest.raises(NotAllowed):
        probes.revoke_logger(fire.coop, by=make_member("Dora"), now=NOW, logger_id=row.public_id)
    with pytest.raises(Refused, match="of that name"):
        make_logger(fire.kiln)
    with pytest.raises(Refused, match="at most 40"):
        make_logger(fire.kiln, " ")


@pytest.mark.parametrize(
    ("named", "values"),
    [
        ("logger_has_a_name", {"name": ""}),
        (r"logger_name_used_once_per_kiln|firings_logger\.name", {"name": "Shed box"}),
    ],
)
def test_the_database_refuses_a_logger(fire, named, values):
    row, _key = make_logger(fire.kiln)
    with pytest.raises(IntegrityError, match=named), transaction.atomic():
        Logger.objects.create(
            coop=fire.coop, kiln=fire.kiln, made_by=row.made_by, made_at=NOW, token_hash="x" * 64, **values
        )


def test_the_key_is_shown_once_on_the_kilns_page(client, fire):
    client.force_login(stu().person)
    where = {"coop": fire.coop.slug, "kiln": fire.kiln.public_id}
    page = client.post(reverse("logger_make", kwargs=where), {"name": "Shed box"}).content.decode()
    key = page.split('key-text">')[1].split("<")[0]
    assert Logger.objects.get().token_hash == token_hash(key)
    again = client.get(reverse("kiln_probes", kwargs=where)).content.decode()
    assert key not in again
    assert "Shed box" in again
    gone = reverse("logger_revoke", kwargs={"coop": fire.coop.slug, "logger": Logger.objects.get().public_id})
    client.post(gone)
    assert Logger.objects.get().revoked_at is not None
    assert client.post(gone).status_code == 404


def test_a_key_made_over_the_api_is_kept_nowhere(client, fire):
    client.force_login(stu().person)
    where = reverse("api_kiln_loggers", kwargs={"coop": fire.coop.slug, "kiln": fire.kiln.public_id})
    made = client.post(where, '{"name": "Box"}', content_type="application/json", headers={"Idempotency-Key": "k"})
    assert made.status_code == 201
    key = made.json()["key"]
    assert Logger.objects.get().token_hash == token_hash(key)
    assert key not in json.dumps(list(IdempotencyKey.objects.values_list("answer", flat=True)))
    again = client.post(where, '{"name": "Box"}', content_type="application/json", headers={"Idempotency-Key": "k"})
    assert again.json() == {**made.json(), "key": ""}
    assert Logger.objects.count() == 1


def test_minute_readings_leave_rate_and_stall_as_they_are_with_few(client, fire):
    _row, key = make_logger(fire.kiln)
    batch = [one(n, fire.lit_at + n * MINUTE, 600 + n) for n in range(1, 181)]
    post(client, fire.coop, key, batch)
    now = fire.lit_at + 180 * MINUTE
    state = queries.state_of(fire, queries.entries_of(queries.rows_of(fire)), now)
    assert state.probes[0].rate_dc == 600
    assert state.probes[0].last_dc == 7800
    assert state.is_stalled is False


def test_a_batch_costs_no_more_queries_than_a_reading(client, fire, django_assert_max_num_queries):
    _row, key = make_logger(fire.kiln)
    with django_assert_max_num_queries(40):
        post(client, fire.coop, key, [one(n, fire.lit_at + timedelta(seconds=n)) for n in range(1, 401)])
