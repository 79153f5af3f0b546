"""The API of people: sign-in by token and session, members, invitations, problems, the schema."""

import pytest

from coop import services
from coop.models import Invitation
from tests.factories import NOW, ben, cora, cy, make_member

pytestmark = pytest.mark.django_db
BASE = "/hollow-lane/api/v1"


@pytest.fixture
def as_token(client):
    def ask(member):
        _row, token = services.make_token(member.coop, by=member, name="test", now=NOW)
        client.defaults["HTTP_AUTHORIZATION"] = f"Bearer {token}"
        return client

    return ask


def post(client, data, key="k1", path="/invitations"):
    headers = {"Idempotency-Key": key} if key else {}
    return client.post(BASE + path, data, content_type="application/json", headers=headers)


NIA = {"email": "nia@far.example", "name": "Nia", "roles": ["member"]}


def test_me_by_token_and_by_session(as_token, client):
    member = make_member("Ben", sign_offs=("soda",))
    client.force_login(member.person)
    by_session = client.get(f"{BASE}/me").json()
    client.logout()
    by_token = as_token(member).get(f"{BASE}/me").json()
    assert by_token == by_session
    assert by_token["coop"]["currency"] == "EUR"
    assert by_token["sign_offs"] == [{"kind": "soda", "valid_until": None}]


def test_without_or_with_a_wrong_token_nobody_gets_in(client):
    ben()
    for header in ({}, {"Authorization": "Bearer nonsense"}, {"Authorization": "Bearer two words"}):
        response = client.get(f"{BASE}/me", headers=header)
        assert response.status_code == 401
        assert response["Content-Type"].startswith("application/problem+json")
        assert response["WWW-Authenticate"] == "Bearer"
        assert response.json()["type"].endswith("/problems/not-signed-in")


def test_a_revoked_token_opens_nothing(client):
    member = ben()
    row, token = services.make_token(member.coop, by=member, name="test", now=NOW)
    services.revoke_token(member.coop, by=member, token_id=row.pk, now=NOW)
    assert client.get(f"{BASE}/me", headers={"Authorization": f"Bearer {token}"}).status_code == 401


def test_another_co_op_is_not_there(as_token):
    ben()
    response = as_token(cy()).get(f"{BASE}/members")
    assert response.status_code == 404
    assert response.json()["type"].endswith("/problems/not-found")


def test_members_come_by_page(as_token):
    for number in range(55):
        make_member(f"M{number:02d}")
    client = as_token(ben())
    first = client.get(f"{BASE}/members").json()
    assert (len(first["members"]), first["next_page"]) == (50, 2)
    second = client.get(f"{BASE}/members?page=2").json()
    assert (len(second["members"]), second["next_page"]) == (6, None)
    assert "email" not in first["members"][0]


def test_an_invitation_by_api_has_one_effect_per_key(as_token):
    client = as_token(cora())
    first = post(client, NIA)
    assert first.status_code == 201
    assert "token" not in first.content.decode()
    again = post(client, NIA)
    assert (again.status_code, again.json(), again["Idempotent-Replay"]) == (201, first.json(), "true")
    assert Invitation.objects.count() == 1
    other = post(client, {**NIA, "name": "Ina"})
    assert other.status_code == 422
    assert post(client, NIA, key="k2").status_code == 409
    assert post(client, NIA, key="").status_code == 400
    assert len(client.get(f"{BASE}/invitations").json()["invitations"]) == 1


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"email": "nobody"}, "email"),
        ({"roles": []}, "roles"),
        ({"roles": ["king"]}, "roles.0"),
        ({"email": None}, "email"),
    ],
)
def test_bad_input_names_the_field(as_token, changed, field):
    response = post(as_token(cora()), {**NIA, **changed})
    assert response.status_code == 400
    assert response["Content-Type"].startswith("application/problem+json")
    assert field in response.json()["fields"]
    assert not Invitation.objects.exists()


def test_roles_hold_in_the_api_too(as_token):
    client = as_token(ben())
    assert post(client, NIA).status_code == 403
    assert client.get(f"{BASE}/invitations").status_code == 403
    assert not Invitation.objects.exists()


def test_the_schema_is_served_to_anybody(client):
    for address in ("/api/v1/schema", f"{BASE}/schema"):
        response = client.get(address)
        assert response.status_code == 200
        text = response.content.decode()
        assert "openapi: 3.1" in text
        assert "/{coop}/api/v1/invitations" in text
