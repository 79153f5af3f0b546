"""Founding, members, roles, sign-offs, policies and tokens, through the services."""

from datetime import date, timedelta
from uuid import uuid4

import pytest

from coop import services
from coop.errors import Malformed, NotAllowed, NotFound, Refused, Taken
from coop.models import ApiToken, AuditEntry, Coop, Membership, Person, Policy, Role, SignOff
from coop.policy import Terms
from tests.factories import NOW, TODAY, ben, cora, cy, make_coop, make_member

pytestmark = pytest.mark.django_db


def test_founding_makes_a_coordinator_and_the_first_policy():
    person = Person.objects.create_user("fay@kiln.example", None, name="Fay")
    coop = services.found(
        name="Kiln Field", slug="kiln-field", currency="NOK", time_zone="Europe/Oslo", founder=person, now=NOW
    )
    first = Membership.objects.of(coop).get()
    assert {role.kind for role in first.roles.all()} == {"member", "coordinator"}
    assert Terms.from_json(services.current_policy(coop).terms) == Terms()
    assert AuditEntry.objects.of(coop).get().action == "services.found"


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("slug", "Big Kiln"),
        ("slug", "operators"),
        ("slug", "-kiln"),
        ("slug", "k" * 41),
        ("currency", "eur"),
        ("time_zone", "Mars/Olympus"),
        ("name", "  "),
    ],
)
def test_a_co_op_is_not_founded_on_a_bad_value(field, value):
    person = Person.objects.create_user("fay@kiln.example", None, name="Fay")
    asked = {"name": "Kiln", "slug": "kiln", "currency": "EUR", "time_zone": "Europe/Oslo", field: value}
    with pytest.raises(Malformed) as no:
        services.found(**asked, founder=person, now=NOW)
    assert list(no.value.fields) == [field]
    assert not Coop.objects.exists()


def test_an_address_is_given_once():
    make_coop("kiln-field")
    person = Person.objects.create_user("fay@kiln.example", None, name="Fay")
    with pytest.raises(Taken, match="already"):
        services.found(
            name="Other", slug="kiln-field", currency="EUR", time_zone="Europe/Oslo", founder=person, now=NOW
        )


def test_every_address_of_the_service_itself_is_refused_to_co_ops():
    from coop.urls import urlpatterns as root
    from coop.urls_people import urlpatterns as people

    first_parts = {str(entry.pattern).split("/")[0] for entry in [*root, *people]}
    own = {part for part in first_parts if part and not part.startswith("<")}
    assert own, "the root has addresses of its own"
    assert own <= services.OWN_ADDRESSES


def test_enrolling_makes_a_member_who_cannot_sign_in_before_setting_a_password():
    boss = cora()
    member = services.enrol(
        boss.coop, by=boss, email=" Nia@Hollow.Example ", name="Nia", roles=["member", "lead"], now=NOW
    )
    assert (member.person.email, member.person.has_usable_password()) == ("nia@hollow.example", False)
    assert {role.kind for role in member.roles.all()} == {"member", "lead"}
    with pytest.raises(Taken, match="already"):
        services.enrol(boss.coop, by=boss, email="nia@hollow.example", name="Nia", roles=["member"], now=NOW)


def test_whoever_left_and_comes_back_has_the_new_roles_only():
    boss, member = cora(), make_member("Lee", roles=("treasurer",))
    services.leave(boss.coop, by=boss, membership_id=member.public_id, now=NOW + timedelta(days=1))
    back = services.enrol(
        boss.coop, by=boss, email=member.person.email, name="", roles=["member"], now=NOW + timedelta(days=9)
    )
    assert back.pk == member.pk
    assert back.left_at is None
    assert [role.kind for role in back.roles.all()] == ["member"]


def test_roles_are_given_once_and_taken_by_the_coordinator_only():
    boss, member = cora(), ben()
    services.give_role(boss.coop, by=boss, membership_id=member.public_id, kind="lead", now=NOW)
    with pytest.raises(Taken):
        services.give_role(boss.coop, by=boss, membership_id=member.public_id, kind="lead", now=NOW)
    with pytest.raises(NotAllowed, match="coordinator"):
        services.give_role(boss.coop, by=member, membership_id=member.public_id, kind="treasurer", now=NOW)
    with pytest.raises(Refused, match="list"):
        services.give_role(boss.coop, by=boss, membership_id=member.public_id, kind="boss", now=NOW)
    services.take_role(boss.coop, by=boss, membership_id=member.public_id, kind="lead", now=NOW)
    assert [role.kind for role in Role.objects.filter(membership=member)] == ["member"]
    with pytest.raises(Refused, match="only role"):
        services.take_role(boss.coop, by=boss, membership_id=member.public_id, kind="member", now=NOW)
    with pytest.raises(NotFound):
        services.take_role(boss.coop, by=boss, membership_id=member.public_id, kind="lead", now=NOW)


def test_the_last_coordinator_neither_loses_the_role_nor_leaves():
    boss = cora()
    with pytest.raises(Refused, match="last coordinator"):
        services.take_role(boss.coop, by=boss, membership_id=boss.public_id, kind="coordinator", now=NOW)
    with pytest.raises(Refused, match="last coordinator"):
        services.leave(boss.coop, by=boss, membership_id=boss.public_id, now=NOW)
    second = make_member("Dot", roles=("coordinator",))
    services.leave(boss.coop, by=boss, membership_id=boss.public_id, now=NOW)
    with pytest.raises(Refused, match="last coordinator"):
        services.leave(boss.coop, by=second, membership_id=second.public_id, now=NOW)


def test_a_member_of_another_co_op_is_not_found():
    boss, stranger = cora(), cy()
    with pytest.raises(NotFound):
        services.give_role(boss.coop, by=boss, membership_id=stranger.public_id, kind="lead", now=NOW)
    with pytest.raises(NotFound):
        services.sign_off(boss.coop, by=boss, membership_id=stranger.public_id, kind="soda", valid_until=None, now=NOW)
    with pytest.raises(NotFound):
        services.leave(boss.coop, by=boss, membership_id=stranger.public_id, now=NOW)


def test_a_member_leaves_by_themselves_but_sends_nobody_else_away():
    boss, member, other = cora(), ben(), make_member("Lee")
    with pytest.raises(NotAllowed):
        services.leave(boss.coop, by=member, membership_id=other.public_id, now=NOW)
    services.leave(boss.coop, by=member, membership_id=member.public_id, now=NOW)
    with pytest.raises(NotFound):
        services.leave(boss.coop, by=boss, membership_id=member.public_id, now=NOW)


def test_a_renewed_sign_off_stands_once_and_keeps_its_past():
    boss, member = cora(), ben()
    ask = {"by": boss, "membership_id": member.public_id, "kind": "soda", "now": NOW}
    services.sign_off(boss.coop, **ask, valid_until=date(2026, 6, 1))
    newer = services.sign_off(boss.coop, **ask, valid_until=None)
    assert SignOff.objects.filter(membership=member).count() == 2
    assert SignOff.objects.filter(membership=member, withdrawn_at=None).get().pk == newer.pk
    services.withdraw_sign_off(boss.coop, by=boss, sign_off_id=newer.public_id, now=NOW)
    assert not Membership.objects.with_roles().get(pk=member.pk).signed_off("soda", TODAY)
    with pytest.raises(NotFound):
        services.withdraw_sign_off(boss.coop, by=boss, sign_off_id=newer.public_id, now=NOW)


def test_a_sign_off_needs_a_known_kind_and_a_day_to_come():
    boss, member = cora(), ben()
    ask = {"by": boss, "membership_id": member.public_id, "now": NOW}
    with pytest.raises(Refused, match="passed"):
        services.sign_off(boss.coop, **ask, kind="soda", valid_until=date(2026, 4, 30))
    with pytest.raises(Refused, match="no such sign-off"):
        services.sign_off(boss.coop, **ask, kind="wizardry", valid_until=None)
    with pytest.raises(NotAllowed):
        services.sign_off(boss.coop, **{**ask, "by": member}, kind="soda", valid_until=None)


def test_a_policy_is_a_new_version_and_never_the_same_twice():
    boss = cora()
    before = Policy.objects.of(boss.coop).count()
    first = services.adopt_policy(boss.coop, by=boss, terms=Terms(question_days=9), now=NOW)
    second = services.adopt_policy(boss.coop, by=boss, terms=Terms(question_days=10), now=NOW)
    assert (first.version, second.version) == (before + 1, before + 2)
    assert services.current_policy(boss.coop).terms["question_days"] == 10
    with pytest.raises(Refused, match="Nothing differs"):
        services.adopt_policy(boss.coop, by=boss, terms=Terms(question_days=10), now=NOW)
    with pytest.raises(NotAllowed):
        services.adopt_policy(boss.coop, by=ben(), terms=Terms(), now=NOW)
    assert Policy.objects.of(boss.coop).count() == before + 2


def test_only_the_hash_of_a_token_is_kept():
    member = ben()
    row, token = services.make_token(member.coop, by=member, name="my script", now=NOW)
    assert len(token) >= 22  # 128 bits in base64
    assert token not in str(ApiToken.objects.filter(pk=row.pk).values().get())
    assert token not in str(list(AuditEntry.objects.values()))
    services.revoke_token(member.coop, by=member, token_id=row.pk, now=NOW)
    assert ApiToken.objects.get().revoked_at == NOW


def test_nobody_revokes_the_token_of_another():
    member, other = ben(), make_member("Lee")
    row, _token = services.make_token(member.coop, by=member, name="my script", now=NOW)
    with pytest.raises(NotFound):
        services.revoke_token(other.coop, by=other, token_id=row.pk, now=NOW)
    with pytest.raises(Refused, match="what the token is for"):
        services.make_token(member.coop, by=member, name=" ", now=NOW)


def test_settings_change_the_persons_name_mark_and_units():
    member = ben()
    services.change_settings(
        member.coop,
        by=member,
        name=" Ben  Oak ",
        mark="B in a ring",
        temperature_unit="f",
        length_unit="in",
        volume_unit="in3",
        now=NOW,
    )
    changed = Membership.objects.select_related("person").get(pk=member.pk)
    assert (changed.name, changed.mark, changed.person.temperature_unit) == ("Ben Oak", "B in a ring", "f")
    with pytest.raises(Refused, match="unit"):
        services.change_settings(
            member.coop,
            by=member,
            name="Ben",
            mark="",
            temperature_unit="kelvin",
            length_unit="in",
            volume_unit="in3",
            now=NOW,
        )


def test_what_is_not_there_is_not_found():
    boss = cora()
    with pytest.raises(NotFound):
        services.send_again(boss.coop, by=boss, notice_id=uuid4(), now=NOW)
    with pytest.raises(NotFound):
        services.compute_again(boss.coop, by=boss, computation_id=uuid4(), now=NOW)
