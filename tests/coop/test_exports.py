"""A co-op goes from one database into another with all its rows and equal figures, or not at all."""

import io
import json

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from billing.invariants import check_all
from coop import exports, walls
from coop.errors import Malformed, Taken
from coop.models import Coop, Membership, Person
from coop.transactions import reading
from firings.models import Firing
from tests.factories import ben, make_coop
from tests.factories_money import make_settling_firing, posted, take

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]


def emptied():
    """The database a new machine has."""
    walls.remove_append_only(connection)
    call_command("flush", interactive=False, verbosity=0)
    walls.install(connection)


def written(coop):
    out = io.StringIO()
    exports.write(coop, out)
    return out.getvalue()


def checked(coop):
    with reading(coop):
        return [(one.name, one.rows, one.faults) for one in check_all(coop)], exports.figures(coop)


@pytest.fixture
def settled():
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 10})
    take(firing, 40000)
    posted(firing)
    return firing


def test_what_comes_in_equals_what_went_out_row_for_row_and_to_the_cent(settled):
    before, names = checked(settled.coop), set(Membership.objects.values_list("person__name", flat=True))
    text, public_id = written(settled.coop), settled.public_id
    emptied()
    make_coop("first-here", "First Here Kilns")  # so that the old keys belong to others
    found = exports.read(io.StringIO(text))
    assert checked(found.coop) == before
    assert not any(faults for _, _, faults in before[0])
    assert before[1]["last hash of the ledger"]
    assert int(before[1]["to pay by all members"]) > 0
    assert set(Membership.objects.filter(coop=found.coop).values_list("person__name", flat=True)) == names
    assert Firing.objects.get(public_id=public_id).coop == found.coop
    assert written(found.coop).count("\n") == text.count("\n")


def test_no_password_and_no_key_goes_along(settled):
    text = written(settled.coop)
    assert ben().person.password
    assert ben().person.password not in text
    assert "password" not in text.split("\n")[1]
    emptied()
    exports.read(io.StringIO(text))
    assert not any(person.has_usable_password() for person in Person.objects.all())


def test_rows_written_after_the_import_get_keys_of_their_own(settled):
    text = written(settled.coop)
    emptied()
    coop = exports.read(io.StringIO(text)).coop
    last = max(Membership.objects.filter(coop=coop).values_list("pk", flat=True))
    newcomer = Person.objects.create_user("newcomer@hollow-lane.example", name="Nia")
    assert Membership.objects.create(coop=coop, person=newcomer).pk > last


def test_a_co_op_that_is_here_already_is_not_brought_in_twice(settled):
    text = written(settled.coop)
    with pytest.raises(Taken, match="in this database already"):
        exports.read(io.StringIO(text))
    emptied()
    make_coop()
    with pytest.raises(Taken, match="give another with --slug"):
        exports.read(io.StringIO(text))
    assert exports.read(io.StringIO(text), slug="hollow-lane-2").coop.slug == "hollow-lane-2"


def without_last_line(lines):
    return lines[:-1]


def with_half_a_line(lines):
    return [*lines[:-1], lines[-1][:20]]


def with_a_stranger(lines):
    return [*lines, json.dumps({"model": "auth.permission", "pk": 1, "fields": {}})]


def without_people(lines):
    return [line for line in lines if '"person": {' not in line]


def with_another_head(lines):
    return ['{"format": "something/9"}', *lines[1:]]


@pytest.mark.parametrize(
    ("spoilt", "said"),
    [
        (without_last_line, "was cut or changed: it should hold"),
        (with_half_a_line, "is not JSON: was it cut"),
        (with_a_stranger, "is no row this version"),
        (without_people, "points at number"),
        (with_another_head, "no co-op export"),
    ],
)
def test_a_file_that_is_not_whole_brings_in_nothing(settled, spoilt, said):
    lines = written(settled.coop).splitlines()
    emptied()
    with pytest.raises(Malformed, match=said):
        exports.read(io.StringIO("\n".join(spoilt(lines))))
    assert not Coop.objects.exists()
    assert not Person.objects.exists()


def test_the_commands_carry_a_co_op_over_and_name_what_is_not_there(settled, tmp_path, capsys):
    with pytest.raises(CommandError, match="no co-op at “nowhere”"):
        call_command("export_coop", "nowhere")
    call_command("export_coop", settled.coop.slug, out=str(tmp_path / "coop.jsonl"))
    emptied()
    with pytest.raises(CommandError, match="could not be read"):
        call_command("import_coop", tmp_path / "other.jsonl")
    call_command("import_coop", tmp_path / "coop.jsonl")
    assert "set a password" in capsys.readouterr().out
    assert Coop.objects.get().slug == settled.coop.slug
