"""Many are invited from a pasted list, all or nobody; Home leads a new co-op to its first firing."""

import pytest
from django.urls import reverse

from coop import services
from coop.errors import Malformed, NotAllowed
from coop.models import Invitation, Notice
from tests.factories import NOW, ben, cora, make_coop
from tests.factories_firings import make_firing

pytestmark = pytest.mark.django_db

PASTED = """Nia Okafor, nia@far.example
olaf@far.example
"Pia ""Lind"" <pia@far.example>
quin@far.example;Quin
Rosa\tDe Luca\trosa@far.example

"""


def invite(text, by=None):
    return services.invite_many(make_coop(), by=by or cora(), text=text, now=NOW)


def test_each_line_becomes_an_invitation_with_its_name_and_mail():
    made = invite(PASTED.replace('"Pia ""Lind""', "Pia Lind"))
    assert [(one.name, one.email) for one in made] == [
        ("Nia Okafor", "nia@far.example"),
        ("", "olaf@far.example"),
        ("Pia Lind", "pia@far.example"),
        ("Quin", "quin@far.example"),
        ("Rosa De Luca", "rosa@far.example"),
    ]
    assert {tuple(one.roles) for one in made} == {("member",)}
    assert Notice.objects.count() == 5


def test_one_bad_line_invites_nobody_and_every_bad_line_is_named():
    ben()
    with pytest.raises(Malformed) as caught:
        invite("Nia, nia@far.example\nOlaf\nben@hollow-lane.example\nNia again, nia@far.example")
    faults = caught.value.faults
    assert [fault.split(",")[0] for fault in faults] == ["Line 2", "Line 3", "Line 4"]
    assert "belongs to the co-op already" in faults[1]
    assert "open invitation" in faults[2]
    assert not Invitation.objects.exists()
    assert not Notice.objects.exists()


@pytest.mark.parametrize(("text", "said"), [("  \n ,;", "one person a line"), ("a@b.example\n" * 201, "At most 200")])
def test_nothing_and_too_much_are_said_plainly(text, said):
    with pytest.raises(Malformed, match=said):
        invite(text)


def test_only_a_coordinator_invites_members():
    with pytest.raises(NotAllowed):
        invite("nia@far.example", by=ben())


def test_the_page_shows_the_faults_and_keeps_what_was_typed(client):
    client.force_login(cora().person)
    page = reverse("invite_many", kwargs={"coop": "hollow-lane"})
    refused = client.post(page, {"people": "Nia, nia@far.example\nOlaf", "once": "a"})
    assert refused.status_code == 422
    assert "Line 2, “Olaf”" in refused.content.decode()
    assert "nia@far.example" in refused.content.decode()
    assert client.post(page, {"people": "Nia, nia@far.example", "once": "b"}).status_code == 302
    assert Invitation.objects.get().name == "Nia"


def test_home_leads_the_coordinator_from_nothing_to_the_first_firing(client):
    coop = make_coop()
    client.force_login(cora().person)
    home = reverse("home", kwargs={"coop": "hollow-lane"})
    text = client.get(home).content.decode()
    assert "To the first firing" in text
    assert ">done<" not in text
    invite("nia@far.example")
    assert client.get(home).content.decode().count(">done<") == 1
    make_firing(coop)
    assert "To the first firing" not in client.get(home).content.decode()


def test_a_member_is_not_asked_to_set_the_co_op_up(client):
    client.force_login(ben().person)
    assert "To the first firing" not in client.get(reverse("home", kwargs={"coop": "hollow-lane"})).content.decode()
