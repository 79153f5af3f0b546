"""What came out of the kiln, who says so, and damage decided by somebody who does not bear it."""

import pytest
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext

from coop.errors import NotAllowed, NotFound, Refused
from firings.models import Damage, Firing, Outcome, Piece
from firings.queries import unpacking as queries
from firings.services import unpacking
from tests.factories import NOW, ben, cora, cy, make_member, stu
from tests.factories_fire import make_fire_with_pieces

pytestmark = pytest.mark.django_db


def piece(name="bowl"):
    return Piece.objects.select_related("booking").get(name=name)


def say(firing, counts, *, by=None, name="bowl", note=""):
    return unpacking.set_outcome(
        firing.coop, by=by or firing.lead, now=NOW, piece_id=piece(name).public_id, counts=counts, note=note
    )


def told(name="bowl"):
    return {outcome.result: outcome.count for outcome in Outcome.objects.filter(piece__name=name)}


def damage(firing, by=None, **fields):
    return unpacking.report_damage(
        firing.coop,
        by=by or ben(),
        now=NOW,
        firing_id=firing.public_id,
        **{"what": "board", "note": "Glaze ran onto it.", **fields},
    )


def decide(row, by, **fields):
    return unpacking.decide_damage(row.coop, by=by, now=NOW, damage_id=row.public_id, **fields)


# --- Outcomes ---


def test_a_member_says_what_became_of_their_own_pieces():
    firing = make_fire_with_pieces()
    rows = say(firing, {"good": 3, "broken": 1}, by=ben(), note="one cracked")
    assert told() == {"good": 3, "broken": 1}
    assert {row.note for row in rows} == {"one cracked"}
    assert {row.by for row in rows} == {ben()}


def test_a_members_word_is_not_good_for_somebody_elses_pieces():
    firing = make_fire_with_pieces()
    with pytest.raises(NotAllowed, match=r"Ada \(or the deputy\) writes down all others"):
        say(firing, {"good": 1}, by=ben(), name="jar")
    assert say(firing, {"good": 1}, name="jar")


def test_what_is_said_anew_takes_the_place_of_what_was_said():
    firing = make_fire_with_pieces()
    say(firing, {"good": 2, "stuck": 2})
    say(firing, {"good": 3, "flawed": 1, "stuck": 0})
    assert told() == {"good": 3, "flawed": 1}


def test_no_more_pieces_come_out_than_went_in():
    firing = make_fire_with_pieces()
    say(firing, {"good": 4})
    with pytest.raises(Refused, match="is 4 pieces, and 5 are written down"):
        say(firing, {"good": 4, "broken": 1})
    assert told() == {"good": 4}


@pytest.mark.parametrize(
    ("counts", "sentence"),
    [
        ({"good": -1}, "cannot be negative"),
        ({"lovely": 1}, "There is no result"),
        ({}, "Say what became of"),
        ({"good": 0}, "Say what became of"),
    ],
)
def test_a_count_that_says_nothing_is_refused(counts, sentence):
    firing = make_fire_with_pieces()
    with pytest.raises(Refused, match=sentence):
        say(firing, counts)
    assert not Outcome.objects.exists()


def test_nothing_came_out_of_a_kiln_that_is_closed_or_not_open_yet():
    firing = make_fire_with_pieces(stage="cooling")
    with pytest.raises(Refused, match="not been opened yet"):
        say(firing, {"good": 4})
    Firing.objects.filter(pk=firing.pk).update(stage="closed", holds_kiln=False)
    with pytest.raises(Refused, match="read-only"):
        say(firing, {"good": 4})


def test_pieces_without_space_have_no_outcome():
    firing = make_fire_with_pieces()
    Piece.objects.filter(name="bowl").update(state="withdrawn", withdrawn_at=NOW)
    with pytest.raises(Refused, match="had no space"):
        say(firing, {"good": 4})


def test_the_lead_says_that_all_the_rest_is_good_and_changes_nothing_said_before():
    firing = make_fire_with_pieces()
    say(firing, {"broken": 1}, name="jar")
    assert unpacking.rest_is_good(firing.coop, by=firing.lead, now=NOW, firing_id=firing.public_id) == 1
    assert (told(), told("jar")) == ({"good": 4}, {"broken": 1})
    assert unpacking.rest_is_good(firing.coop, by=firing.lead, now=NOW, firing_id=firing.public_id) == 0
    with pytest.raises(NotAllowed):
        unpacking.rest_is_good(firing.coop, by=ben(), now=NOW, firing_id=firing.public_id)


def test_another_co_ops_pieces_are_not_there():
    firing, other = make_fire_with_pieces(), cy()
    with pytest.raises(NotFound):
        unpacking.set_outcome(other.coop, by=other, now=NOW, piece_id=piece().public_id, counts={"good": 1})
    with pytest.raises(NotFound):
        unpacking.report_damage(other.coop, by=other, now=NOW, firing_id=firing.public_id, what="board", note="x")


# --- Damage ---


def test_damage_is_written_down_by_whoever_saw_it_and_decided_by_the_lead():
    firing = make_fire_with_pieces()
    row = damage(firing, count=2, cause="material", piece_id=piece("jar").public_id)
    assert (row.bearer, row.amount_minor, row.reported_by, row.piece) == ("open", None, ben(), piece("jar"))
    dora = make_member("Dora")
    row = decide(row, firing.lead, bearer="member", borne_by_id=dora.public_id, amount_minor=4500)
    row.refresh_from_db()
    assert (row.bearer, row.borne_by, row.amount_minor, row.decided_by) == ("member", dora, 4500, firing.lead)


def test_whoever_would_bear_it_does_not_decide():
    firing = make_fire_with_pieces()
    row = damage(firing)
    with pytest.raises(NotAllowed, match="somebody else decides"):
        decide(row, firing.lead, bearer="member", borne_by_id=firing.lead.public_id, amount_minor=100)
    assert decide(row, cora(), bearer="member", borne_by_id=firing.lead.public_id).decided_by == cora()
    with pytest.raises(NotAllowed):
        decide(row, ben(), bearer="nobody")


def agree(row, by):
    return unpacking.agree_on_damage(row.coop, by=by, now=NOW, damage_id=row.public_id)


def test_a_decision_counts_once_a_second_person_agrees_who_neither_owns_nor_bears_it():
    firing = make_fire_with_pieces()
    dora = make_member("Dora")
    row = damage(firing, piece_id=piece("bowl").public_id)
    with pytest.raises(Refused, match="Nobody has decided"):
        agree(row, dora)
    decide(row, firing.lead, bearer="member", borne_by_id=dora.public_id, amount_minor=4500)
    owner = piece("bowl").booking.member
    for somebody, sentence in ((firing.lead, "second person"), (dora, "two others"), (owner, "two others")):
        with pytest.raises(NotAllowed, match=sentence):
            agree(row, somebody)
    assert agree(row, cora()).agreed_by == cora()
    with pytest.raises(Refused, match="already"):
        agree(row, stu())
    row = decide(row, firing.lead, bearer="nobody")
    assert (row.agreed_by, row.agreed_at) == (None, None), "decided anew, it is agreed on anew"


def test_no_single_member_bears_an_under_fired_zone():
    firing = make_fire_with_pieces()
    row = damage(firing, what="zone", zone_id=firing.zones.first().public_id)
    with pytest.raises(Refused, match="No single member"):
        decide(row, firing.lead, bearer="member", borne_by_id=make_member("Dora").public_id)
    decide(row, firing.lead, bearer="reserve")
    assert agree(row, cora()).agreed_at == NOW


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"what": "chimney"}, "board, post, kiln, piece or zone"),
        ({"what": "zone"}, "which zone"),
        ({"cause": "ghosts"}, "Pick a cause"),
        ({"count": 0}, "from 1 to 500"),
        ({"note": " "}, "what happened"),
    ],
)
def test_damage_says_what_and_how(fields, sentence):
    firing = make_fire_with_pieces()
    with pytest.raises(Refused, match=sentence):
        damage(firing, **fields)
    assert not Damage.objects.exists()


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"bearer": "open"}, "Say who bears it"),
        ({"bearer": "the dog"}, "Say who bears it"),
        ({"bearer": "member"}, "which member"),
        ({"bearer": "all", "amount_minor": -1}, "zero or more"),
    ],
)
def test_a_decision_says_who_and_how_much(fields, sentence):
    firing = make_fire_with_pieces()
    row = damage(firing)
    with pytest.raises(Refused, match=sentence):
        decide(row, firing.lead, **fields)
    row.refresh_from_db()
    assert row.bearer == "open"


def test_a_settled_firing_takes_no_more_damage_and_no_other_decision():
    firing = make_fire_with_pieces()
    row = damage(firing)
    Firing.objects.filter(pk=firing.pk).update(stage="closed", holds_kiln=False)
    with pytest.raises(Refused, match="until the firing is settled"):
        damage(firing)
    with pytest.raises(Refused, match="is settled"):
        decide(row, firing.lead, bearer="nobody")


# --- The walls ---


def test_the_database_takes_one_count_per_result_and_none_of_nothing():
    firing = make_fire_with_pieces()
    say(firing, {"good": 1})
    common = {"coop": firing.coop, "piece": piece(), "by": firing.lead, "at": NOW}
    with pytest.raises(IntegrityError, match=r"outcome_once_per_result|result"), transaction.atomic():
        Outcome.objects.create(result="good", count=1, **common)
    with pytest.raises(IntegrityError, match="outcome_counts_something"), transaction.atomic():
        Outcome.objects.create(result="stuck", count=0, **common)


@pytest.mark.parametrize(
    ("name", "fields"),
    [
        ("damage_cost_is_not_negative", {"amount_minor": -1}),
        ("bearing_member_is_named", {"bearer": "member"}),
        ("damage_agreed_by_another", {"bearer": "all", "decided_by": ..., "agreed_by": ...}),
        ("under_fired_zone_is_named", {"what": "zone"}),
        ("damage_not_decided_by_who_bears_it", {"bearer": "member", "borne_by": ..., "decided_by": ...}),
    ],
)
def test_the_database_refuses_what_no_damage_may_be(name, fields):
    firing = make_fire_with_pieces()
    filled = {key: firing.lead if value is ... else value for key, value in fields.items()}
    with pytest.raises(IntegrityError, match=name), transaction.atomic():
        Damage.objects.create(
            coop=firing.coop,
            firing=firing,
            note="x",
            reported_by=firing.lead,
            reported_at=NOW,
            **{"what": "board", **filled},
        )


# --- The page ---


def test_the_page_shows_ones_own_pieces_first():
    firing = make_fire_with_pieces()
    dora = make_member("Dora")
    page = queries.unpacking_page(firing.coop, firing.public_id, dora)
    assert [line.piece.name for line in page.lines] == ["jar", "bowl"]
    assert [line.may_set for line in page.lines] == [True, False]
    assert (page.pots, page.rows_unsaid) == (5, 2)


def test_the_cost_of_the_page_does_not_grow_with_the_pieces():
    def queries_for(firing):
        with CaptureQueriesContext(connection) as seen:
            queries.unpacking_page(firing.coop, firing.public_id, firing.lead)
        return len(seen)

    firing = make_fire_with_pieces(rows=[("Ben", f"cup {n}", 1) for n in range(12)])
    say(firing, {"good": 1}, name="cup 0")
    damage(firing)
    before = queries_for(firing)
    for n in range(1, 12):
        say(firing, {"good": 1}, name=f"cup {n}")
        damage(firing, piece_id=piece(f"cup {n}").public_id)
    assert queries_for(firing) == before
