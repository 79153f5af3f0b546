"""The space of a firing is shared out: proposed with its working, accepted once, redone by anybody, told to all."""

import hashlib
import io
import json
import threading
from collections import Counter
from datetime import timedelta
from fractions import Fraction

import pytest
from django.core.management import call_command
from django.db import IntegrityError, connection, transaction
from django.db.models import Sum
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from coop.errors import NotAllowed, NotFound, Refused
from coop.models import AuditEntry, Computation, Notice, Policy
from coop.policy import Terms
from firings.models import Allotment, Firing, FiringZone, HoursEntry, Piece, StageMove
from firings.queries import allotments as queries
from firings.services import allotments, firings, space
from tests.factories import NOW, ada, ben, cora, cy, make_coop, make_member
from tests.factories_space import book, make_open_firing

pytestmark = pytest.mark.django_db
ONE_ML = 5353  # Ben's bowl, see tests/firings/test_space.py


def dee():
    return make_member("Dee")


def eli():
    return make_member("Eli")


def full_firing(*, bowls=4, **more):
    """A front zone for four bowls, all held by Ben, who came first; Dee and Eli wait with two each."""
    firing = make_open_firing(**more)
    FiringZone.objects.filter(firing=firing).exclude(zone__name="Front, hot").delete()
    FiringZone.objects.filter(firing=firing).update(capacity_ml=bowls * ONE_ML + 100)
    for number in range(4):
        book(firing, ben(), name=f"ben {number}", now=NOW + timedelta(minutes=number))
    for who in (dee(), eli()):
        for number in range(2):
            book(firing, who, name=f"{who.name} {number}".lower(), now=NOW + timedelta(hours=1, minutes=number))
    return firing


def proposed(firing, by=None, now=NOW):
    return allotments.propose(firing.coop, by=by or ada(), now=now, firing_id=firing.public_id)


def accepted(row, by=None, now=NOW):
    return allotments.accept(row.coop, by=by or ada(), now=now, allotment_id=row.public_id)


def held_by(firing):
    rows = Piece.objects.filter(booking__firing=firing).held()
    return Counter(rows.values_list("booking__member__person__name", flat=True))


def counters_equal_pieces(firing):
    return all(
        zone.taken_ml == (Piece.objects.filter(zone=zone).held().aggregate(ml=Sum("asked_ml"))["ml"] or 0)
        for zone in FiringZone.objects.filter(firing=firing)
    )


# --- The proposal -------------------------------------------------------------------------


def test_a_proposal_changes_nothing_until_it_is_accepted():
    firing = full_firing()
    row = proposed(firing)
    assert (row.version, row.state, row.rule) == (1, "proposed", "equal")
    assert held_by(firing) == {"Ben": 4}
    assert not Notice.objects.filter(kind="allotted").exists()
    assert Firing.objects.get(pk=firing.pk).stage == "booking"


def test_equal_parts_give_everybody_a_first_bowl_before_anybody_gets_a_second():
    firing = full_firing()
    view = queries.view_of(proposed(firing), member=ben())
    # by hand: 4 x 5353 + 100 = 21512 ml for three, 7170 2/3 each: one bowl each, and the fourth goes beyond a grant
    assert sorted(member.granted_ml for member in view.members) == [7170, 7171, 7171]
    assert sorted(len(member.inside) for member in view.members) == [1, 1, 2]
    assert sum(member.beyond_ml for member in view.members) == ONE_ML
    assert view.mine.name == "Ben"
    assert view.mine.inside[0].piece == "ben 0"
    assert len(view.waiting) == 4


def test_the_sum_behind_a_grant_can_be_redone_with_what_the_page_says():
    view = queries.view_of(proposed(full_firing()))
    for member in view.members:
        level, weight = member.why.split(" l x weight ")
        product = Fraction(level) * Fraction(weight.split(" = ")[0]) * 1000
        assert abs(product - member.granted_ml) <= 1


def test_anybody_gets_the_same_grants_and_order_from_the_file(tmp_path):
    row = proposed(full_firing())
    (tmp_path / "asks.json").write_text(json.dumps(row.request))
    out = io.StringIO()
    call_command("allot_space", str(tmp_path / "asks.json"), stdout=out)
    answer = json.loads(out.getvalue())
    assert answer["grants"] == row.answer["allotment"]["grants"]
    assert answer["waiting"] == row.answer["allotment"]["waiting"]
    assert answer["level"] == row.answer["allotment"]["level"]


def test_the_draw_is_committed_to_at_the_call_and_opened_with_the_proposal():
    firing = full_firing()
    before = queries.draw_of(firing)
    assert (before.seed, before.opened_at) == ("", None)
    row = proposed(firing)
    after = queries.draw_of(firing)
    assert after.opened_at == NOW
    assert hashlib.sha256(after.seed.encode()).hexdigest() == before.commitment == after.commitment
    drawn = [member.member_id for member in queries.view_of(row).drawn]
    assert drawn == sorted(drawn, key=lambda member: hashlib.sha256(f"{after.seed}|{member}".encode()).hexdigest())


def test_each_firing_has_a_seed_of_its_own():
    assert make_open_firing().draw_seed != make_open_firing().draw_seed


def test_by_hours_worked_whoever_worked_more_gets_more():
    firing = full_firing(terms=Terms(allotment_rule="hours_worked"))
    for number, (who, minutes, kind) in enumerate(
        [(dee(), 900, "watch"), (eli(), 300, "chore"), (ben(), -500, "owed"), (ben(), 60, "watch")]
    ):
        at = NOW - timedelta(days=30) if who != ben() or kind == "owed" else NOW - timedelta(days=400)
        HoursEntry.objects.create(
            coop=firing.coop, member=who, kind=kind, minutes=minutes, why="-", key=f"k{number}", at=at
        )
    view = queries.view_of(proposed(firing))
    # by hand: 1200 min for three, 400 on average; Ben's hour is older than a year and what he owes does not count
    weights = {member.name: Fraction(member.weight) for member in view.members}
    assert weights == {"Ben": 1, "Dee": 1 + Fraction(9, 4), "Eli": 1 + Fraction(3, 4)}
    assert {m.name: len(m.inside) for m in view.members} == {"Ben": 1, "Dee": 2, "Eli": 1}


def test_by_turns_left_out_whoever_waited_before_gets_more():
    coop = make_coop()
    for days, (waited, took) in ((40, ("Dee", "Ben")), (20, ("Dee", "Eli"))):
        past = make_open_firing(coop, stage="closed", lit_at=NOW - timedelta(days=days), holds_kiln=False)
        Firing.objects.filter(pk=past.pk).update(stage="booking")
        book(past, make_member(took))
        out = book(past, make_member(waited))
        Firing.objects.filter(pk=past.pk).update(stage="closed")
        Piece.objects.filter(pk=out.pk).update(state="waiting", zone=None)
    firing = full_firing(terms=Terms(allotment_rule="turns_left_out"))
    view = queries.view_of(proposed(firing))
    assert {member.name: member.weight for member in view.members} == {"Ben": "1", "Dee": "3", "Eli": "1"}
    assert {m.name: len(m.inside) for m in view.members}["Dee"] == 2


def test_a_turn_in_which_everything_went_in_ends_the_count():
    coop = make_coop()
    for days, state in ((40, "waiting"), (20, "held")):
        past = make_open_firing(coop)
        piece = book(past, dee())
        Firing.objects.filter(pk=past.pk).update(stage="closed", lit_at=NOW - timedelta(days=days), holds_kiln=False)
        if state == "waiting":
            Piece.objects.filter(pk=piece.pk).update(state="waiting", zone=None)
    view = queries.view_of(proposed(full_firing(terms=Terms(allotment_rule="turns_left_out"))))
    assert {member.name: member.weight for member in view.members}["Dee"] == "1"


def test_by_booking_order_what_holds_space_keeps_it():
    firing = full_firing(terms=Terms(allotment_rule="booking_order"))
    row = proposed(firing)
    line = list(Piece.objects.filter(booking__firing=firing).waiting())
    accepted(row)
    assert held_by(firing) == {"Ben": 4}
    assert list(Piece.objects.filter(booking__firing=firing).waiting()) == line
    assert counters_equal_pieces(firing)


def test_the_floor_of_the_policy_lifts_the_one_with_the_least_weight():
    firing = full_firing(terms=Terms(allotment_rule="hours_worked", floor_ml_per_member=ONE_ML))
    HoursEntry.objects.create(
        coop=firing.coop, member=dee(), kind="watch", minutes=6000, why="-", key="k", at=NOW - timedelta(days=9)
    )
    view = queries.view_of(proposed(firing))
    # by hand: weights 1, 4, 1 of 21512 ml; Dee's two bowls are 10706, and 10806 are left for Ben's and Eli's floors
    assert {member.name: member.granted_ml for member in view.members} == {"Ben": 5403, "Dee": 10_706, "Eli": 5403}
    lower = full_firing(terms=Terms(allotment_rule="hours_worked", floor_ml_per_member=6000))
    floors = queries.view_of(proposed(lower))
    assert {member.name: member.why for member in floors.members}["Eli"] == "the floor of 6.0 l"


def test_the_cap_of_the_policy_is_the_most_anyone_is_granted():
    firing = full_firing(bowls=6)
    capped = Terms(cap_ml_per_member=2 * ONE_ML).to_json()
    policy = Policy.objects.create(coop=firing.coop, version=99, terms=capped, adopted_at=NOW)
    Firing.objects.filter(pk=firing.pk).update(policy=policy)
    view = queries.view_of(proposed(firing))
    assert {member.name: (member.granted_ml, len(member.inside)) for member in view.members}["Ben"] == (2 * ONE_ML, 2)
    assert {member.name: member.why for member in view.members}["Ben"] == "the cap of 10.7 l"


def test_floors_that_need_more_than_there_is_are_left_out_and_it_is_said():
    firing = full_firing(terms=Terms(floor_ml_per_member=2 * ONE_ML))
    row = proposed(firing)
    assert row.answer["notes"] == [
        "The floor of 10.7 l for everyone needs more space than there is, so it was left out."
    ]
    assert {ask["floor_ml"] for ask in row.request["asks"]} == {0}


# --- Accepting ----------------------------------------------------------------------------


def test_accepting_shares_out_moves_the_firing_on_and_tells_everyone():
    firing = full_firing()
    row = accepted(proposed(firing), now=NOW + timedelta(hours=3))
    assert Firing.objects.get(pk=firing.pk).stage == "allotted"
    assert sorted(held_by(firing).values()) == [1, 1, 2]
    assert counters_equal_pieces(firing)
    assert (row.state, row.accepted_by) == ("accepted", ada())
    move = StageMove.objects.get(firing=firing, to_stage="allotted")
    assert "4 rows of pieces wait" in move.note
    places = list(Piece.objects.filter(booking__firing=firing).waiting().values_list("allotted_place", flat=True))
    assert places == [1, 2, 3, 4]
    mails = Notice.objects.filter(kind="allotted")
    assert {mail.to_email.split("@")[0] for mail in mails} == {"ben", "dee", "eli"}
    told = mails.get(to_email__startswith="ben").text
    assert "1 × ben 0, Front, hot, 5.4 l" in told
    assert "number" in told
    assert AuditEntry.objects.filter(action="allotments.accept", by=ada()).count() == 1


def test_where_everything_fits_nobody_waits_and_nothing_moves():
    firing = make_open_firing()
    piece = book(firing, zone="front")
    view = queries.view_of(proposed(firing))
    assert view.waiting == ()
    assert view.members[0].why == "all that is asked"
    accepted(view.row)
    was = piece.zone
    piece.refresh_from_db()
    assert (piece.state, piece.zone) == ("held", was)


@pytest.mark.parametrize(("who", "may"), [(ben, False), (ada, True), (cora, True)])
def test_the_lead_or_the_coordinator_proposes_and_accepts(who, may):
    firing = full_firing()
    if may:
        assert accepted(proposed(firing, by=who()), by=who()).state == "accepted"
        return
    with pytest.raises(NotAllowed, match="Only the lead"):
        proposed(firing, by=who())
    row = proposed(firing)
    with pytest.raises(NotAllowed, match="Only the lead"):
        accepted(row, by=who())
    assert held_by(firing) == {"Ben": 4}


@pytest.mark.parametrize(
    ("stage", "says"),
    [("called", "not open yet"), ("allotted", "shared out already"), ("loading", "cannot be shared out any more")],
)
def test_space_is_shared_out_at_the_end_of_booking_only(stage, says):
    firing = full_firing()
    row = proposed(firing)
    Firing.objects.filter(pk=firing.pk).update(stage=stage)
    with pytest.raises(Refused, match=says):
        proposed(firing)
    with pytest.raises(Refused, match=says):
        accepted(row)


def test_without_a_piece_there_is_nothing_to_share_out():
    with pytest.raises(Refused, match="Nobody asks for space"):
        proposed(make_open_firing())


def test_another_coops_firing_and_allotment_are_not_there():
    row, stranger = proposed(full_firing()), cy()
    with pytest.raises(NotFound):
        allotments.propose(stranger.coop, by=stranger, now=NOW, firing_id=row.firing.public_id)
    with pytest.raises(NotFound):
        allotments.accept(stranger.coop, by=stranger, now=NOW, allotment_id=row.public_id)


def test_a_proposal_that_was_replaced_cannot_be_accepted():
    firing = full_firing()
    first = proposed(firing)
    assert proposed(firing).version == 2
    with pytest.raises(Refused, match="has been replaced"):
        accepted(first)


@pytest.mark.parametrize("change", ["listed", "withdrawn", "changed", "moved up"])
def test_when_pieces_have_changed_it_says_so_and_proposes_anew(change):
    firing = full_firing()
    row = proposed(firing)
    held = Piece.objects.get(name="ben 0")
    if change == "listed":
        book(firing, dee(), name="late")
    elif change == "changed":
        Piece.objects.filter(pk=held.pk).update(importance=9)
    elif change == "withdrawn":
        last = Piece.objects.get(name="eli 1")
        space.withdraw_piece(firing.coop, by=eli(), now=NOW, piece_id=last.public_id)
    else:
        space.withdraw_piece(firing.coop, by=ben(), now=NOW, piece_id=held.public_id)
    assert queries.view_of(Allotment.objects.get(pk=row.pk)).is_stale
    with pytest.raises(allotments.PiecesChanged, match="proposal 2 is about the pieces as they are now"):
        allotments.accept_or_propose(firing.coop, by=ada(), now=NOW, allotment_id=row.public_id)
    assert Firing.objects.get(pk=firing.pk).stage == "booking"
    newest = Allotment.objects.get(firing=firing, version=2)
    assert (newest.state, Allotment.objects.get(pk=row.pk).state) == ("proposed", "replaced")
    assert accepted(newest).state == "accepted"
    assert counters_equal_pieces(firing)


def test_the_database_keeps_one_accepted_allotment_and_its_moment():
    firing = full_firing()
    first = accepted(proposed(firing))
    more = {"coop": firing.coop, "firing": firing, "rule": "equal", "request": {}, "answer": {}, "pieces": "x"}
    with pytest.raises(IntegrityError, match=r"space_shared_out_once|firings_allotment\.coop_id"), transaction.atomic():
        Allotment.objects.create(version=2, state="accepted", made_at=NOW, accepted_at=NOW, **more)
    with pytest.raises(IntegrityError, match=r"allotment_version_used_once|version"), transaction.atomic():
        Allotment.objects.create(version=first.version, made_at=NOW, **more)
    with pytest.raises(IntegrityError, match="accepted_allotment_has_a_moment"), transaction.atomic():
        Allotment.objects.filter(pk=first.pk).update(accepted_at=None)


def test_pressing_share_out_where_pieces_wait_leads_to_the_proposal():
    firing = full_firing()
    with pytest.raises(Refused, match=r"4 rows of pieces wait\. Propose an allotment"):
        firings.move_on(firing.coop, by=ada(), now=NOW, firing_id=firing.public_id, to="allotted")
    empty = make_open_firing()
    assert firings.move_on(empty.coop, by=ada(), now=NOW, firing_id=empty.public_id, to="allotted").stage == "allotted"


# --- Afterwards ---------------------------------------------------------------------------


def test_after_allotment_the_first_in_the_new_order_moves_up_and_is_told():
    firing = full_firing()
    accepted(proposed(firing))
    first = Piece.objects.filter(booking__firing=firing).waiting().first()
    leaver = Piece.objects.filter(booking__firing=firing).held().first()
    space.withdraw_piece(firing.coop, by=leaver.booking.member, now=NOW, piece_id=leaver.public_id)
    first.refresh_from_db()
    assert (first.state, first.moved_up_at) == ("held", NOW)
    assert Notice.objects.filter(kind="moved_up", to_person=first.booking.member.person).exists()
    assert counters_equal_pieces(firing)


def test_what_the_lead_lists_after_allotment_stands_behind_everyone():
    firing = full_firing()
    accepted(proposed(firing))
    late = book(firing, ada(), member=ben(), name="late", now=NOW - timedelta(days=9))
    assert list(Piece.objects.filter(booking__firing=firing).waiting())[-1] == late


def test_who_asks_for_more_after_allotment_goes_to_the_end_of_the_line():
    firing = full_firing()
    accepted(proposed(firing))
    first = Piece.objects.filter(booking__firing=firing).waiting().first()
    larger = space.PieceSpec(name=first.name, height_mm=100, diameter_mm=290, cone="11", body="grey clay")
    space.change_piece(firing.coop, by=ada(), now=NOW, piece_id=first.public_id, piece=larger)
    assert list(Piece.objects.filter(booking__firing=firing).waiting())[-1] == first


def test_the_planner_is_asked_anew_after_an_allotment():
    firing = full_firing()
    row = proposed(firing)
    Computation.objects.filter(kind="fit_plan").delete()
    accepted(row)
    assert Computation.objects.filter(kind="fit_plan", subject=firing.public_id).count() == 1


names = st.sampled_from(["Ben", "Dee", "Eli", "Fay"])
wishes = st.lists(
    st.tuples(
        names, st.sampled_from(["", "front", "back"]), st.integers(60, 290), st.integers(1, 4), st.integers(1, 3)
    ),
    min_size=1,
    max_size=14,
)


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(wishes=wishes, capacity=st.integers(6_000, 40_000), rule=st.sampled_from(["equal", "booking_order"]))
def test_whatever_is_asked_the_counters_hold_and_no_zone_is_oversold(wishes, capacity, rule):
    firing = make_open_firing(capacity_ml=capacity, terms=Terms(allotment_rule=rule))
    for step, (name, zone, size, count, importance) in enumerate(wishes):
        asked = {"zone": zone, "diameter_mm": size, "count": count, "importance": importance}
        book(firing, make_member(name), now=NOW + timedelta(minutes=step), **asked)
    row = proposed(firing)
    before = set(Piece.objects.filter(booking__firing=firing).values_list("pk", flat=True))
    accepted(row)
    assert counters_equal_pieces(firing)
    standing = Piece.objects.filter(booking__firing=firing).exclude(state="withdrawn")
    assert set(standing.values_list("pk", flat=True)) == before
    line = list(standing.waiting().values_list("allotted_place", flat=True))
    assert line == list(range(1, len(line) + 1))


# --- At the same time ---------------------------------------------------------------------


def _can_race():
    return connection.vendor == "postgresql"


def at_once(*calls):
    """Run each in a thread of its own, all starting together; what each gave or raised."""
    answers, gate = [None] * len(calls), threading.Barrier(len(calls))

    def run(number, call):
        gate.wait()
        try:
            answers[number] = call()
        except Exception as error:
            answers[number] = error
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=(n, call)) for n, call in enumerate(calls)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    return answers


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("again", range(5))
def test_an_allotment_accepted_while_a_member_withdraws_is_all_of_it_or_none(again):
    if not _can_race():
        pytest.skip("SQLite in memory is one connection; the race runs on PostgreSQL")
    firing = full_firing()
    row, leaves = proposed(firing), Piece.objects.get(name="dee 0")
    lead, member = ada(), dee()
    answers = at_once(
        lambda: accepted(row, by=lead),
        lambda: space.withdraw_piece(firing.coop, by=member, now=NOW, piece_id=leaves.public_id),
    )
    assert isinstance(answers[1], Piece), answers
    leaves.refresh_from_db()
    assert leaves.state == "withdrawn"
    assert counters_equal_pieces(firing)
    stage = Firing.objects.get(pk=firing.pk).stage
    if isinstance(answers[0], Allotment):
        assert stage == "allotted"
    else:
        assert isinstance(answers[0], allotments.PiecesChanged), answers
        assert stage == "booking"
        assert not Notice.objects.filter(kind="allotted").exists()


@pytest.mark.django_db(transaction=True)
def test_two_who_accept_at_once_share_out_once():
    if not _can_race():
        pytest.skip("SQLite in memory is one connection; the race runs on PostgreSQL")
    firing = full_firing()
    row = proposed(firing)
    answers = at_once(lambda: accepted(row, by=ada()), lambda: accepted(row, by=cora()))
    assert sum(isinstance(answer, Allotment) for answer in answers) == 1, answers
    assert sum(isinstance(answer, Refused) for answer in answers) == 1, answers
    assert StageMove.objects.filter(firing=firing, to_stage="allotted").count() == 1
    assert Notice.objects.filter(kind="allotted").count() == 3
