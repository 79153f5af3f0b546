"""People, firings and pieces are found by a few words; guests find only their own firing's."""

import pytest

from coop.models import Membership
from firings.models import GuestPass
from firings.queries.search import MOST, find
from tests.factories import ben, cy, make_coop, make_member
from tests.factories_space import book, make_open_firing

pytestmark = pytest.mark.django_db


@pytest.fixture
def firing():
    return make_open_firing(name="Ash Wednesday")


def names(found):
    return [one.name for rows in (found.members, found.firings, found.pieces) for one in rows]


def test_every_word_must_be_somewhere_and_capitals_do_not_matter(firing):
    book(firing, name="Écuelle, tall")
    book(firing, name="Écuelle, flat")
    assert names(find(ben(), "ÉCUELLE tall")) == ["Écuelle, tall"]
    assert names(find(ben(), "écuelle ben ash")) == ["Écuelle, flat", "Écuelle, tall"]
    assert names(find(ben(), "wednesday"))[0] == "Ash Wednesday"
    assert not find(ben(), "écuelle nobody")


def test_signs_that_mean_something_to_a_machine_are_plain_words_here(firing):
    book(firing, name="jar (50%) [lid]")
    for words in ("(50%)", "[lid]", "jar ("):
        assert names(find(ben(), words)) == ["jar (50%) [lid]"]
    assert not find(ben(), ".*")
    assert not find(ben(), "\\")


def test_nothing_asked_is_nothing_found(firing):
    assert not find(ben(), "   ")


def test_what_was_withdrawn_and_what_another_co_op_has_is_not_found(firing):
    book(firing, name="lost jar").__class__.objects.update(state="withdrawn")
    elsewhere = cy()
    book(make_open_firing(elsewhere.coop), by=elsewhere, name="far jar")
    assert not find(ben(), "jar")
    assert names(find(elsewhere, "jar")) == ["far jar"]


def test_a_guest_finds_only_the_firing_they_were_invited_to(firing):
    other = make_open_firing(name="Ash Thursday")
    book(firing, name="near jar")
    book(other, name="other jar")
    guest = make_member("Gus", coop=make_coop(), roles=("guest",))
    guest.roles.filter(kind="member").delete()
    guest = Membership.objects.with_roles().select_related("coop").get(pk=guest.pk)
    GuestPass.objects.create(coop=firing.coop, firing=firing, host=ben(), guest=guest)
    assert names(find(guest, "ash")) == ["Ash Wednesday", "near jar"]
    assert names(find(guest, "jar")) == ["near jar"]


def test_many_are_cut_and_the_page_says_so(firing, client):
    for number in range(MOST + 1):
        book(firing, name=f"cup {number}")
    client.force_login(ben().person)
    page = client.get("/hollow-lane/search/", {"q": "cup"}).content.decode()
    assert page.count(">cup ") == MOST
    assert "Only the first 20" in page
    assert "Nothing has all these words" in client.get("/hollow-lane/search/?q=zzz").content.decode()
    assert client.get("/hollow-lane/search/").status_code == 200


def test_as_many_questions_are_asked_for_ten_rows_as_for_one(firing, django_assert_max_num_queries):
    for number in range(10):
        book(firing, name=f"cup {number}")
    me = ben()
    with django_assert_max_num_queries(4):
        found = find(me, "cup")
        assert [(one.booking.member.name, one.booking.firing.name) for one in found.pieces]
