"""Pages of people and queues: for the signed-out, for those whose role does not cover it, and at work."""

from datetime import UTC, datetime, timedelta
from uuid import uuid4

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from coop import computations, documents, queues, services
from coop.models import ApiToken, Computation, Invitation, Membership, Notice, Policy
from coop.policy import Terms
from coop.transactions import use_case
from tests.coop.test_queues import tell
from tests.factories import NOW, PASSWORD, ben, cora, cy, make_member, tess

pytestmark = pytest.mark.django_db


@use_case
def wanted(coop, *, kind="paper", now=NOW):
    return computations.ask(coop, kind=kind, subject=uuid4(), by=None, now=now)


def at(name, viewer, **more):
    return reverse(name, kwargs={"coop": viewer.coop.slug, **more})


def paper(member, *, for_membership=None, **more):
    return documents.keep(
        member.coop,
        kind="sheet",
        subject=uuid4(),
        title="Load sheet",
        file_name="load sheet “1”.pdf",
        content=b"%PDF-1.7 invented",
        now=NOW,
        for_membership=for_membership,
        **more,
    )


@pytest.fixture
def signed_in(client):
    def sign_in(member):
        client.force_login(member.person)
        return client

    return sign_in


PAGES = {
    "home": "member",
    "members": "member",
    "policy": "member",
    "account": "member",
    "my_data": "member",
    "invitations": "member",
    "policy_change": "coordinator",
    "audit": "coordinator",
    "outbox": "coordinator",
}


@pytest.mark.parametrize("name", PAGES)
def test_the_signed_out_are_sent_to_sign_in(client, name):
    address = at(name, ben())
    response = client.get(address)
    assert response.status_code == 302
    assert response["Location"] == f"/accounts/login/?next={address}"


@pytest.mark.parametrize("name", PAGES)
def test_another_co_ops_pages_are_not_there(signed_in, name):
    assert signed_in(ben()).get(at(name, cy())).status_code == 404


@pytest.mark.parametrize(("name", "who"), PAGES.items())
def test_pages_open_for_their_roles_only(signed_in, name, who):
    member, boss = ben(), cora()
    expected = 200 if who == "member" else 403
    response = signed_in(member).get(at(name, member))
    assert response.status_code == expected
    if expected == 403:
        assert "coordinator" in response.content.decode()
    assert signed_in(boss).get(at(name, boss)).status_code == 200


@pytest.mark.parametrize("name", PAGES)
def test_reading_a_page_changes_nothing(signed_in, name):
    boss = cora()
    client = signed_in(boss)
    client.get(at("home", boss))
    with CaptureQueriesContext(
        connection,
    ) as seen:
        client.get(at(name, boss))
    writes = [q["sql"] for q in seen if q["sql"].split()[0] in ("INSERT", "UPDATE", "DELETE")]
    assert writes == []


def test_a_member_who_left_is_outside(signed_in):
    boss, member = cora(), ben()
    services.leave(boss.coop, by=boss, membership_id=member.public_id, now=NOW + timedelta(days=1))
    assert signed_in(member).get(at("home", member)).status_code == 404


def test_the_front_leads_on(client, settings):
    member = ben()
    settings.DEMO = False
    assert client.get("/")["Location"] == "/accounts/login/"
    client.force_login(member.person)
    assert client.get("/")["Location"] == at("home", member)
    Membership.objects.create(coop=cy().coop, person=member.person)
    page = client.get("/").content.decode()
    assert "Hollow Lane Kilns" in page
    assert "Far Field Kilns" in page
    Membership.objects.filter(person=member.person).update(left_at=datetime(2099, 1, 1, tzinfo=UTC))
    assert "no co-op" in client.get("/").content.decode()


def test_demo_sign_in_is_there_in_a_demo_only_and_for_invented_people(client, settings):
    member = ben()
    address = reverse("demo_sign_in", kwargs={"member": member.public_id})
    settings.DEMO = False
    assert client.post(address).status_code == 404
    settings.DEMO = True
    assert client.get(address).status_code == 405
    page = client.get("/").content.decode()
    assert address in page
    assert client.post(address)["Location"] == at("home", member)
    assert client.get(at("home", member)).status_code == 200
    real = make_member("Rae")
    real.person.email = "rae@gmail.com"
    real.person.save()
    assert client.post(reverse("demo_sign_in", kwargs={"member": real.public_id})).status_code == 404
    assert client.post(reverse("demo_sign_in", kwargs={"member": uuid4()})).status_code == 404


def test_sign_in_by_e_mail_and_password(client):
    member = ben()
    wrong = client.post("/accounts/login/", {"login": member.person.email, "password": "not this one at all"})
    assert wrong.status_code == 200
    right = client.post("/accounts/login/", {"login": member.person.email.upper(), "password": PASSWORD})
    assert right["Location"] == "/"
    client.logout()
    assert "by invitation" in client.get("/accounts/signup/").content.decode()
    closed = client.post("/accounts/signup/", {"email": "x@far.example", "password1": PASSWORD})
    assert "x@far.example" not in str(list(Membership.objects.values_list("person__email")))
    assert closed.status_code == 200
    assert client.get("/accounts/email/").status_code == 404


def test_the_coordinator_changes_roles_and_sign_offs_by_buttons(signed_in):
    boss, member = cora(), ben()
    client = signed_in(boss)
    page = at("member", boss, member=member.public_id)
    given = client.post(at("role_give", boss, member=member.public_id), {"kind": "lead"})
    assert (given.status_code, given["Location"]) == (303, page)
    client.post(at("sign_off_give", boss, member=member.public_id), {"kind": "soda", "valid_until": "2099-01-01"})
    text = client.get(page).content.decode()
    assert "firing lead" in text
    assert "bring in soda" in text
    assert "not a licence" in text
    sign_off = member.sign_offs.model.objects.get(membership=member)
    client.post(at("sign_off_withdraw", boss, member=member.public_id, sign_off=sign_off.public_id))
    client.post(at("role_take", boss, member=member.public_id), {"kind": "lead"})
    text = client.get(page).content.decode()
    assert "bring in soda" not in text
    assert "Take back: firing lead" not in text


@pytest.mark.parametrize(
    ("name", "data"),
    [("role_give", {"kind": "lead"}), ("role_take", {"kind": "member"}), ("sign_off_give", {"kind": "soda"})],
)
def test_members_do_not_change_roles_or_sign_offs(signed_in, name, data):
    member, other = ben(), make_member("Lee")
    response = signed_in(member).post(at(name, member, member=other.public_id), data, follow=True)
    assert "coordinator" in response.content.decode()
    assert {role.kind for role in Membership.objects.with_roles().get(pk=other.pk).roles.all()} == {"member"}
    assert not other.sign_offs.model.objects.filter(membership=other).exists()


def test_a_bad_date_for_a_sign_off_says_what_to_give(signed_in):
    boss, member = cora(), ben()
    data = {"kind": "soda", "valid_until": "31.02.2099"}
    response = signed_in(boss).post(at("sign_off_give", boss, member=member.public_id), data, follow=True)
    assert "year-month-day" in response.content.decode()


def test_members_see_addresses_of_nobody_else(signed_in):
    member, other = ben(), make_member("Lee")
    client = signed_in(member)
    assert other.person.email not in client.get(at("members", member)).content.decode()
    assert other.person.email not in client.get(at("member", member, member=other.public_id)).content.decode()
    assert member.person.email in client.get(at("member", member, member=member.public_id)).content.decode()


def test_leaving_by_the_button_leads_out(signed_in):
    cora()
    member = ben()
    response = signed_in(member).post(at("member_leave", member, member=member.public_id))
    assert response["Location"] == "/"
    assert Membership.objects.get(pk=member.pk).left_at is not None


def test_a_refused_invitation_keeps_what_was_typed(signed_in):
    boss = cora()
    client = signed_in(boss)
    data = {"email": ben().person.email, "name": "Benedict", "roles": ["member"]}
    response = client.post(at("invitations", boss), data)
    assert response.status_code == 409
    assert "Benedict" in response.content.decode()
    assert not Invitation.objects.exists()
    bad = client.post(at("invitations", boss), {"email": "nobody", "name": "N", "roles": ["member"]})
    assert bad.status_code == 422
    assert "valid email" in bad.content.decode()


def test_a_double_press_invites_once(signed_in):
    boss = cora()
    client = signed_in(boss)
    data = {"email": "nia@far.example", "name": "Nia", "roles": ["member"], "once": "k1"}
    assert client.post(at("invitations", boss), data).status_code == 302
    again = client.post(at("invitations", boss), data, follow=True)
    assert "already saved" in again.content.decode()
    assert Invitation.objects.count() == 1
    assert Notice.objects.count() == 1


def test_a_member_may_give_guest_only(signed_in):
    member = ben()
    client = signed_in(member)
    data = {"email": "nia@far.example", "name": "Nia", "roles": ["treasurer"]}
    assert client.post(at("invitations", member), data).status_code == 422
    assert client.post(at("invitations", member), {**data, "roles": ["guest"]}).status_code == 302
    assert Invitation.objects.get().roles == ["guest"]


def test_an_invitation_that_opens_nothing_says_so(client):
    response = client.get("/join/no-such-token/")
    assert response.status_code == 404
    assert "not open any more" in response.content.decode()


def test_my_settings_are_saved_or_say_what_is_wrong(signed_in):
    member = ben()
    client = signed_in(member)
    told = {"name": "Ben", "mark": "B", "temperature_unit": "f", "length_unit": "mm", "volume_unit": "l"}
    assert client.post(at("account", member), told).status_code == 302
    assert Membership.objects.get(pk=member.pk).mark == "B"
    wrong = client.post(at("account", member), {**told, "name": "", "mark": "kept"})
    assert wrong.status_code == 422
    assert "kept" in wrong.content.decode()


def test_a_token_is_shown_once_and_never_kept_in_a_cache(signed_in):
    member = ben()
    client = signed_in(member)
    response = client.post(at("tokens", member), {"name": "script", "once": "t"})
    token = response.context["new_token"]
    assert token
    assert token in response.content.decode()
    assert "no-store" in response["Cache-Control"]
    assert token not in client.get(at("account", member)).content.decode()
    client.post(at("tokens", member), {"name": "script", "once": "t"})
    row = ApiToken.objects.get()
    client.post(at("token_revoke", member, token=row.pk))
    assert ApiToken.objects.get().revoked_at is not None


def test_my_data_hold_what_points_at_me_and_no_secrets(signed_in):
    boss, member = cora(), ben()
    services.sign_off(boss.coop, by=boss, membership_id=member.public_id, kind="soda", valid_until=None, now=NOW)
    services.make_token(member.coop, by=member, name="script", now=NOW)
    tell(member.coop, to=member)
    response = signed_in(member).get(at("my_data", member))
    assert response["Content-Disposition"].startswith("attachment")
    data = response.json()
    assert data["person"]["email"] == member.person.email
    assert data["records"]["coop.signoff"][0]["kind"] == "soda"
    assert data["records"]["coop.notice"][0]["text"] == "Bring wood."
    assert "token_hash" not in response.content.decode()
    assert boss.person.email not in response.content.decode()


def policy_data(**changed):
    from coop.forms import PolicyForm

    return {**PolicyForm(Terms()).initial, "cap_ml_per_member": "", "cap_minor_per_member": "", **changed}


def test_the_policy_is_changed_by_form_as_a_new_version(signed_in):
    boss = cora()
    client = signed_in(boss)
    before = Policy.objects.of(boss.coop).count()
    assert before
    same = client.post(at("policy_change", boss), policy_data())
    assert "Nothing differs" in same.content.decode()
    data = policy_data(question_days="10", late_cancel="20: 1/4\n3: 1", minimum_fill="0.65", key_soda="litres")
    assert client.post(at("policy_change", boss), data).status_code == 302
    terms = Terms.from_json(services.current_policy(boss.coop).terms)
    assert (terms.question_days, str(terms.minimum_fill), terms.cost_keys["soda"]) == (10, "13/20", "litres")
    assert [(step.days_before, str(step.share)) for step in terms.late_cancel] == [(20, "1/4"), (3, "1")]
    text = client.get(at("policy", boss)).content.decode()
    assert f"Version {before + 1}" in text


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("minimum_fill", "1.4", "from 0 to 1"),
        ("minimum_fill", "lots", "write a share as text"),
        ("late_cancel", "13 half", "with a colon"),
        ("late_cancel", "3: 1\n9: oh", "write a share"),
        ("failed_refund", "gold: 1/2", "no pool"),
        ("rest_hours", "20", "more than a day"),
        ("night_from_hour", "25", "from 0 to 23"),
        ("cap_ml_per_member", "-4", "above zero"),
        ("cap_minor_per_member", "-4", "above zero"),
        ("floor_minor_per_member", "-1", "from 0 to"),
        ("question_days", "", "required"),
    ],
)
def test_a_bad_rule_is_refused_beside_its_input(signed_in, field, value, said):
    boss = cora()
    before = Policy.objects.count()
    response = signed_in(boss).post(at("policy_change", boss), policy_data(**{field: value}))
    assert response.status_code in (400, 422)
    assert said in " ".join(response.context["form"].errors[field])
    assert Policy.objects.count() == before


def test_members_do_not_change_the_policy(signed_in):
    member = ben()
    before = Policy.objects.count()
    assert signed_in(member).post(at("policy_change", member), policy_data(question_days=3)).status_code == 403
    assert Policy.objects.count() == before


def test_given_up_mails_are_sent_again_from_the_outbox(signed_in):
    boss = cora()
    row = tell(boss.coop)
    Notice.objects.filter(pk=row.pk).update(dead_at=NOW, attempts=12, last_error="550 no such user")
    client = signed_in(boss)
    assert "550 no such user" in client.get(at("outbox", boss)).content.decode()
    client.post(at("outbox_again", boss, notice=row.public_id))
    assert Notice.objects.get().dead_at is None


def test_a_demo_shows_the_mail_with_its_link(signed_in, settings):
    settings.DEMO, settings.EMAIL_BACKEND = True, "coop.mail.FolderBackend"
    boss = cora()
    services.invite(boss.coop, by=boss, email="nia@far.example", name="Nia", roles=["member"], now=NOW)
    queues.sweep(lambda: NOW)
    address = at("outbox_mail", boss, notice=Notice.objects.get().public_id)
    assert "/join/" in signed_in(boss).get(address).content.decode()
    settings.DEMO = False
    assert "/join/" not in signed_in(boss).get(address).content.decode()
    assert signed_in(ben()).get(address).status_code == 403


def test_a_waiting_computation_reloads_itself_and_then_offers_the_paper(signed_in):
    member = ben()
    row = wanted(member.coop)
    client = signed_in(member)
    address = at("computation", member, computation=row.public_id)
    waiting = client.get(address)
    assert waiting["Refresh"] == "2"
    made = paper(member, computation=row)
    Computation.objects.filter(pk=row.pk).update(state="done", done_at=NOW, answer={})
    done = client.get(address + "?next=/hollow-lane/members/")
    assert "Refresh" not in done
    assert at("document", member, document=made.public_id) in done.content.decode()
    assert 'href="/hollow-lane/members/"' in done.content.decode()
    assert client.get(address + "?next=https://far.example/").context["back"] == ""
    assert client.get(at("computation", member, computation=uuid4())).status_code == 404


def test_a_failed_computation_says_why_and_is_asked_for_again(signed_in):
    member = ben()
    row = wanted(member.coop)
    Computation.objects.filter(pk=row.pk).update(state="failed", done_at=NOW, trouble="No pieces yet.")
    client = signed_in(member)
    assert "No pieces yet." in client.get(at("computation", member, computation=row.public_id)).content.decode()
    client.post(at("computation_again", member, computation=row.public_id))
    assert Computation.objects.get().state == "waiting"


def test_papers_open_for_whom_they_are_made(signed_in):
    member, other, treasurer = ben(), make_member("Lee"), tess()
    mine, everybodys = paper(member, for_membership=member), paper(member)
    opened = {
        (who.name, which): signed_in(who).get(at("document", who, document=row.public_id)).status_code
        for who in (member, other, treasurer)
        for which, row in (("mine", mine), ("everybody's", everybodys))
    }
    assert opened == {
        ("Ben", "mine"): 200,
        ("Ben", "everybody's"): 200,
        ("Lee", "mine"): 403,
        ("Lee", "everybody's"): 200,
        ("Tess", "mine"): 200,
        ("Tess", "everybody's"): 200,
    }


def test_a_paper_comes_as_a_file_and_another_co_ops_is_not_there(signed_in):
    member, stranger = ben(), cy()
    response = signed_in(member).get(at("document", member, document=paper(member).public_id))
    assert response["Content-Disposition"].startswith("attachment")
    assert response["X-Content-Type-Options"] == "nosniff"
    assert response.content.startswith(b"%PDF")
    theirs = paper(stranger)
    assert signed_in(member).get(at("document", member, document=theirs.public_id)).status_code == 404


def test_the_theme_is_kept_and_leads_back_to_own_pages_only(client):
    response = client.post("/theme/", {"theme": "night", "next": "/hollow-lane/members/"})
    assert (response["Location"], response.cookies["theme"].value) == ("/hollow-lane/members/", "night")
    away = client.post("/theme/", {"theme": "<script>", "next": "https://far.example/"})
    assert (away["Location"], away.cookies["theme"].value) == ("/", "")


def test_alive_and_ready(client, monkeypatch):
    assert client.get("/livez").content == b"ok\n"
    assert client.get("/readyz").status_code == 200
    member = ben()
    tell(member.coop, due_at=datetime(2026, 1, 1, tzinfo=UTC))
    late = client.get("/readyz")
    assert (late.status_code, late["Retry-After"]) == (503, "30")
    assert "Jobs wait" in late.content.decode()


def test_alive_touches_no_database(client, django_assert_num_queries):
    with django_assert_num_queries(0):
        assert client.get("/livez").status_code == 200


def test_every_kind_of_problem_is_explained(client):
    from coop import errors
    from coop.pdf import PdfOff
    from coop.views.front import PROBLEMS

    here = [errors.Refused, errors.NotAllowed, errors.NotFound, errors.Taken, errors.Malformed, PdfOff]
    kinds = {kind.kind for kind in here}
    assert kinds <= set(PROBLEMS)
    for kind in PROBLEMS:
        assert client.get(f"/problems/{kind}").status_code == 200
    assert client.get("/problems/no-such-kind").status_code == 404


@pytest.mark.parametrize("name", ["members", "outbox", "invitations", "audit"])
def test_lists_cost_no_more_with_more_rows(signed_in, name):
    boss = cora()
    client = signed_in(boss)

    def grow(start, stop):
        for number in range(start, stop):
            make_member(f"M{number}", roles=("lead",), sign_offs=("soda",))
            tell(boss.coop, key=str(number), to=f"m{number}@far.example")
            services.invite(boss.coop, by=boss, email=f"n{number}@far.example", name="", roles=["member"], now=NOW)

    grow(0, 2)
    client.get(at(name, boss))
    with CaptureQueriesContext(connection) as few:
        client.get(at(name, boss))
    grow(2, 12)
    with CaptureQueriesContext(connection) as many:
        client.get(at(name, boss))
    assert len(many) == len(few)


def test_a_list_shows_fifty_rows_a_page(signed_in):
    boss = cora()
    for number in range(60):
        tell(boss.coop, key=str(number), to=f"m{number}@far.example")
    client = signed_in(boss)
    assert len(client.get(at("outbox", boss)).context["page"]) == 50
    assert len(client.get(at("outbox", boss) + "?page=2").context["page"]) == 10
    assert client.get(at("outbox", boss) + "?page=oh").status_code == 200


def test_the_audit_names_who_did_what_to_whom(signed_in):
    boss, member = cora(), make_member("Lee")
    services.give_role(boss.coop, by=boss, membership_id=member.public_id, kind="lead", now=NOW)
    page = signed_in(boss).get(at("audit", boss))
    newest = page.context["changes"][0]
    assert (newest.by, newest.what, newest.about) == ("Cora", "give role", [("membership", "Lee")])
    assert str(member.public_id) not in page.content.decode()
