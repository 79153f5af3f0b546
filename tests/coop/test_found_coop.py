"""The first co-op of a new service, founded at the prompt."""

import pytest
from django.core.management import CommandError, call_command

from coop.models import Coop, Person

pytestmark = pytest.mark.django_db
WORDS = {
    "name": "Hollow Lane",
    "email": "Ada@Example.org",
    "person": "Ada",
    "currency": "EUR",
    "time_zone": "Europe/Dublin",
}


def test_a_co_op_is_founded_with_its_coordinator():
    call_command("found_coop", "hollow-lane", **WORDS)
    coop, person = Coop.objects.get(), Person.objects.get()
    assert (coop.slug, person.email) == ("hollow-lane", "ada@example.org")
    assert not person.has_usable_password()
    assert person.memberships.get().holds("coordinator")


@pytest.mark.parametrize(
    ("slug", "changed", "words"),
    [
        ("Hollow Lane", {}, "small letters"),
        ("hollow-lane", {"currency": "euro"}, "currency"),
        ("hollow-lane", {"time_zone": "Europe/Nowhere"}, "time zone"),
        ("hollow-lane", {"email": "ada"}, "e-mail"),
    ],
)
def test_a_refused_founding_leaves_nobody_behind(slug, changed, words):
    with pytest.raises(CommandError, match=words):
        call_command("found_coop", slug, **{**WORDS, **changed})
    assert not Coop.objects.exists()
    assert not Person.objects.exists()
