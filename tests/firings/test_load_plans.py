"""Load plans: what is asked of the planner, what acceptance keeps, what ticks say, and what each member used."""

from datetime import timedelta

import pytest
from django.db import connection
from django.db.models import Sum
from django.test.utils import CaptureQueriesContext

from coop.errors import NotAllowed, NotFound, Refused
from firings.load_plan import check, moves
from firings.load_plan.moves import Spot
from firings.load_plan.problem import plan_from, request_document, request_from
from firings.models import (
    Chore,
    ChorePlace,
    Firing,
    FiringZone,
    Layer,
    LoadPlan,
    Piece,
    Placement,
    PostSet,
    StageMove,
)
from firings.queries import load_plans as queries
from firings.services import load_plans, space
from tests.factories import NOW, ada, ben, cy, make_member
from tests.factories_space import book, bowl, make_open_firing, make_small_kiln

pytestmark = pytest.mark.django_db
LATER = NOW + timedelta(hours=1)


def proposed(firing, by=None, seed=1):
    return load_plans.propose_now(
        firing.coop, by=by or ada(), now=NOW, firing_id=firing.public_id, seed=seed, seconds=0.2
    )


def accepted(firing):
    return load_plans.accept(firing.coop, by=ada(), now=NOW, plan_id=proposed(firing).public_id)


def loading(firing):
    """An accepted plan of a firing whose loading has begun."""
    plan = accepted(firing)
    Firing.objects.filter(pk=firing.pk).update(stage="loading")
    return plan


def firing_with_bowls(**fields):
    firing = make_open_firing(**fields)
    book(firing, zone="front", count=2)
    book(firing, make_member("Dee"), zone="back")
    return firing


def tick(placement, by=None, *, loaded=True, now=NOW):
    return load_plans.tick(placement.coop, by=by or ben(), now=now, placement_id=placement.public_id, loaded=loaded)


def test_the_planner_is_asked_for_what_holds_space_with_the_kilns_furniture():
    firing = firing_with_bowls()
    book(firing, name="waits", count=40)
    space.withdraw_piece(firing.coop, by=ben(), now=NOW, piece_id=book(firing, name="gone").public_id)
    PostSet.objects.create(coop=firing.coop, kiln=firing.kiln, height_mm=150, count=12)
    request = queries.request_for(firing)
    assert [(piece.label, piece.count, piece.zone) for piece in request.pieces] == [
        ("bowl", 2, "Front, hot"),
        ("bowl", 1, "Back, soda"),
    ]
    assert [(zone.id, zone.soda, zone.keepouts) for zone in request.zones] == [
        ("Front, hot", False, ((0, 0, 40, 40),)),
        ("Back, soda", True, ((0, 0, 40, 40),)),
    ]
    assert [zone.posts[0].count for zone in request.zones] == [6, 6]
    assert request_from(request_document(request)) == request


def test_what_was_not_brought_is_not_planned():
    firing = firing_with_bowls(stage="booking")
    Firing.objects.filter(pk=firing.pk).update(stage="loading")
    first, second = Piece.objects.order_by("pk")
    space.bring(firing.coop, by=ada(), now=NOW, piece_id=first.public_id, brought=1)
    space.bring(firing.coop, by=ada(), now=NOW, piece_id=second.public_id, brought=0)
    assert [piece.count for piece in queries.request_for(firing).pieces] == [1]


def test_a_proposal_breaks_no_rule_and_says_how_good_it_is():
    plan = proposed(firing_with_bowls())
    request, answer = request_from(plan.request), plan_from(plan.plan)
    assert check.faults(request, answer) == []
    assert (plan.version, plan.state) == (1, "proposed")
    # one layer each: 100 + 5 wad + 12 air + 20 board
    assert answer.stack_mm == {"Front, hot": 137, "Back, soda": 137}
    assert all(answer.lower_bound_mm[zone] <= 137 for zone in answer.stack_mm)
    assert not Layer.objects.exists()


def test_the_same_answer_is_kept_once():
    firing = firing_with_bowls()
    assert proposed(firing).pk == proposed(firing).pk
    book(firing, zone="front")
    assert proposed(firing).version == 2


def test_accepting_keeps_every_pot_as_a_place():
    firing = firing_with_bowls()
    plan = accepted(firing)
    assert (plan.state, plan.accepted_at, plan.accepted_by) == ("accepted", NOW, ada())
    assert Layer.objects.filter(plan=plan).count() == 2
    front = Piece.objects.get(zone__zone__name="Front, hot")
    assert sorted(Placement.objects.filter(piece=front).values_list("copy", flat=True)) == [1, 2]


def test_a_new_accepted_plan_replaces_the_one_that_stood_unless_pots_are_in():
    firing = firing_with_bowls()
    first = loading(firing)
    book(firing, ada(), member=ben(), zone="front")
    second = proposed(firing)
    stands = Placement.objects.first()
    Placement.objects.filter(pk=stands.pk).update(x_dmm=stands.x_dmm + 300)  # not where the new plan has it
    tick(stands)
    with pytest.raises(Refused, match="stand in the kiln already"):
        load_plans.accept(firing.coop, by=ada(), now=NOW, plan_id=second.public_id)
    tick(stands, loaded=False)
    load_plans.accept(firing.coop, by=ada(), now=NOW, plan_id=second.public_id)
    first.refresh_from_db()
    assert first.state == "replaced"
    with pytest.raises(Refused, match="not a proposal any more"):
        load_plans.accept(firing.coop, by=ada(), now=NOW, plan_id=first.public_id)


# --- By hand, around what stands ------------------------------------------------------------------


def moved(plan, step, by=None, now=NOW):
    return load_plans.move(plan.coop, by=by or ada(), now=now, plan_id=plan.public_id, step=step)


def spots(plan):
    return [spot for spot, _ in moves.spots_of(plan_from(plan.plan))]


def stood_at(placement):
    row = Placement.objects.select_related("layer__zone__zone").get(pk=placement.pk)
    return (row.layer.zone.zone.name, row.layer.number, row.board, row.piece_id, row.x_dmm, row.y_dmm, row.loaded_at)


def test_the_first_step_by_hand_makes_a_proposal_and_the_next_ones_change_it():
    firing = firing_with_bowls()
    plan = accepted(firing)
    by_hand, spot = moved(plan, moves.Nudge(spots(plan)[0], 0, 20))
    assert (by_hand.version, by_hand.state, by_hand.based_on, by_hand.is_by_hand) == (2, "proposed", plan, True)
    again, _ = moved(by_hand, moves.Nudge(spot, 0, 5))
    assert again.pk == by_hand.pk
    assert LoadPlan.objects.count() == 2
    assert load_plans.undo_move(plan.coop, by=ada(), now=NOW, plan_id=again.public_id).plan == by_hand.plan
    back = load_plans.undo_move(plan.coop, by=ada(), now=NOW, plan_id=again.public_id)
    assert back.plan["layers"] == plan.plan["layers"]
    with pytest.raises(Refused, match="no step to take back"):
        load_plans.undo_move(plan.coop, by=ada(), now=NOW, plan_id=again.public_id)


def test_a_plan_by_hand_says_its_faults_and_is_not_accepted_before_they_are_mended():
    firing = firing_with_bowls()
    plan = accepted(firing)
    first, second = (spot for spot in spots(plan) if spot.zone == "Front, hot")
    side = 20 if second.x_dmm > first.x_dmm else -20
    broken, spot = moved(plan, moves.Nudge(first, side, 0))
    view = queries.view_of(broken)
    (board,) = [b for zone in view.zones for layer in zone.layers for b in layer.boards if b.faults]
    assert "bowl (" in board.faults[0]
    with pytest.raises(Refused, match="cannot be loaded: Zone Front, hot, layer 1, board 1"):
        load_plans.accept(plan.coop, by=ada(), now=NOW, plan_id=broken.public_id)
    mended, _ = moved(broken, moves.Nudge(spot, -side, 0))
    assert load_plans.accept(plan.coop, by=ada(), now=NOW, plan_id=mended.public_id).state == "accepted"


def test_a_step_by_hand_begins_with_the_pieces_as_they_are_now():
    firing = firing_with_bowls()
    plan = accepted(firing)
    late = book(firing, name="late jar", zone="back", diameter_mm=90)
    by_hand, _ = moved(plan, moves.Nudge(spots(plan)[0], 0, 5))
    assert [out["id"] for out in by_hand.plan["left_out"]] == [str(late.pk)]
    by_hand, spot = moved(by_hand, moves.PutIn(str(late.pk), "Back, soda", 1, 1))
    assert spot.piece == str(late.pk)
    assert queries.view_of(by_hand).faults == ()


def test_loaders_move_pots_while_loading_and_members_do_not():
    firing = firing_with_bowls()
    plan = loading(firing)
    step = moves.Nudge(spots(plan)[0], 0, 5)
    with pytest.raises(NotAllowed, match="while loading whoever is down for it"):
        moved(plan, step, by=ben())
    chore = Chore.objects.create(
        coop=firing.coop, firing=firing, kind="loading", starts_at=NOW, ends_at=LATER, people=2
    )
    ChorePlace.objects.create(coop=firing.coop, chore=chore, member=ben(), taken_at=NOW)
    by_hand, _ = moved(plan, step, by=ben())
    with pytest.raises(NotAllowed):
        load_plans.accept(plan.coop, by=ben(), now=NOW, plan_id=by_hand.public_id)
    jar = space.list_piece(
        firing.coop, by=ben(), now=LATER, firing_id=firing.public_id, piece=bowl(name="jar"),
        member_id=make_member("Dee").public_id,
    )  # fmt: skip
    assert (jar.booking.member.name, jar.brought) == ("Dee", 1)
    Firing.objects.filter(pk=firing.pk).update(stage="lit")
    with pytest.raises(NotAllowed):
        moved(plan, step, by=ben())


def test_what_is_ticked_stays_where_it_stands_and_the_rest_is_planned_anew():
    firing = firing_with_bowls()
    loading(firing)
    standing = Placement.objects.filter(piece__booking__member=ben()).first()
    tick(standing)
    stood = stood_at(standing)
    book(firing, ada(), member=ben(), name="jar", diameter_mm=90, height_mm=200, zone="front")
    new = load_plans.accept(firing.coop, by=ada(), now=LATER, plan_id=proposed(firing).public_id)
    kept = Placement.objects.get(layer__plan=new, loaded_at__isnull=False)
    assert stood_at(kept) == stood
    assert kept.loaded_by == ben()
    assert Placement.objects.filter(layer__plan=new).count() == 4
    with pytest.raises(Refused, match="take its tick back before moving it"):
        moved(new, moves.TakeOut(Spot(*map(str, stood[:1]), *stood[1:3], str(stood[3]), *stood[4:6])))


def test_a_plan_from_before_the_ticks_that_has_them_elsewhere_is_refused():
    firing = firing_with_bowls()
    plan = loading(firing)
    elsewhere, _ = moved(plan, moves.Nudge(spots(plan)[0], 0, 20))
    tick(Placement.objects.get(layer__zone__zone__name=spots(plan)[0].zone, x_dmm=spots(plan)[0].x_dmm))
    with pytest.raises(Refused, match="stands in zone Front, hot, layer 1, board 1 already"):
        load_plans.accept(plan.coop, by=ada(), now=NOW, plan_id=elsewhere.public_id)


def test_the_last_tick_is_taken_back_a_whole_layer_at_once():
    firing = firing_with_bowls()
    loading(firing)
    first, *_ = Placement.objects.order_by("pk")
    back = Layer.objects.get(zone__zone__name="Back, soda")
    tick(first)
    load_plans.tick_layer(firing.coop, by=ben(), now=LATER, layer_id=back.public_id, loaded=True)
    load_plans.tick(firing.coop, by=ada(), now=LATER, placement_id=Placement.objects.exclude(pk=first.pk).filter(
        layer__zone__zone__name="Front, hot").get().public_id, loaded=True)  # fmt: skip

    def undo():
        return load_plans.undo_tick(firing.coop, by=ben(), now=LATER, firing_id=firing.public_id)

    assert [row.layer for row in undo()] == [back]
    assert undo() == [first]
    with pytest.raises(Refused, match="ticked nothing"):
        undo()
    assert Placement.objects.exclude(loaded_at=None).count() == 1  # what others ticked stays


def test_what_a_plan_changes_is_told():
    firing = firing_with_bowls()
    plan = accepted(firing)
    assert queries.changes_of(plan) is None
    by_hand, _ = moved(plan, moves.TakeOut(spots(plan)[-1]))
    by_hand, _ = moved(by_hand, moves.Nudge(spots(by_hand)[0], 0, 5))
    told = queries.changes_of(by_hand, member=ben())
    assert told.before == plan
    assert [(row.kind, row.count, row.before, row.after) for row in told.rows] == [
        ("place", 1, "Front, hot 1/1", "Front, hot 1/1"),
        ("out", 1, "Back, soda 1/1", ""),
    ]
    assert [row.is_mine for row in told.rows] == [True, False]
    assert told.heights == (("Back, soda", 1, 117, 0),)
    assert "1 from Back, soda 1 to left out" in told.svg


def test_used_follows_moves_by_hand_new_plans_and_layer_heights():
    firing = firing_with_bowls()
    book(firing, name="jar", diameter_mm=92, height_mm=180, zone="front")
    plan = loading(firing)
    jar = next(spot for spot in spots(plan) if spot.piece == str(Piece.objects.get(name="jar").pk))
    by_hand, _ = moved(plan, moves.Carry(jar, "Front, hot", 1, 1))
    by_hand, _ = moved(by_hand, moves.SetHeight("Front, hot", 1, 210))
    new = load_plans.accept(firing.coop, by=ada(), now=NOW, plan_id=by_hand.public_id)
    for layer in Layer.objects.filter(plan=new):
        load_plans.tick_layer(firing.coop, by=ada(), now=NOW, layer_id=layer.public_id, loaded=True)
    assert Layer.objects.get(plan=new, zone__zone__name="Front, hot").height_mm == 210
    # by hand: pi/4 x 208^2 = 33,979.4663 mm2 and pi/4 x 100^2 = 7,853.98 mm2, each x 210 mm, rounded pot by pot
    assert queries.usage(firing)[ben().pk].ml == 2 * 7136 + 1649
    assert {str(pk): used.ml for pk, used in queries.usage(firing).items()} == new.plan["space_ml"]
    tick(Placement.objects.get(layer__plan=new, piece__name="jar"), loaded=False)
    assert queries.usage(firing)[ben().pk].ml == 2 * 7136


def test_booked_not_brought_and_brought_not_booked_are_told_apart():
    firing = make_open_firing()
    short, whole, never = (book(firing, name=name, count=2) for name in ("short", "whole", "never"))
    StageMove.objects.create(
        coop=firing.coop, firing=firing, from_stage="allotted", to_stage="loading", at=LATER, by=ada()
    )
    Firing.objects.filter(pk=firing.pk).update(stage="loading")
    for piece, count in ((short, 1), (whole, 2)):
        space.bring(firing.coop, by=ada(), now=LATER, piece_id=piece.public_id, brought=count)
    extra = book(firing, ada(), now=LATER, member=ben(), name="extra", diameter_mm=60)
    told = queries.brought_of(firing)
    assert (told.short, told.uncounted, told.unbooked) == ((short,), (never,), (extra,))


def test_three_loads_teach_a_zone_how_its_pots_pack():
    kiln = make_small_kiln()
    factors = []
    for number in range(3):
        firing = make_open_firing(kiln=kiln, holds_kiln=False, capacity_ml=10**6)
        book(firing, count=5, diameter_mm=280, height_mm=80, zone="front")
        accepted(firing)
        Firing.objects.filter(pk=firing.pk).update(stage="lit", lit_at=NOW + timedelta(days=number))
        firing.refresh_from_db()
        load_plans.learn_stacking(firing, ada(), NOW)
        factors.append(list(kiln.zones.values_list("stacking_permille", flat=True)))
    # By hand: boards of 610 x 305 mm under two circles of 288 mm are 186,050 over 130,288 mm2, 1.428;
    # the layer with one pot is the emptiest and does not count. Nothing was loaded at the back.
    assert factors == [[1150, 1150], [1150, 1150], [1428, 1150]]


def test_a_plan_whose_pieces_changed_is_refused_by_name():
    firing = firing_with_bowls()
    plan = proposed(firing)
    piece = Piece.objects.get(booking__member=ben())
    space.change_piece(
        firing.coop, by=ben(), now=NOW, piece_id=piece.public_id, piece=bowl(name="urn", height_mm=200, zone="front")
    )
    with pytest.raises(Refused, match=r"changed or withdrawn: bowl\. Propose a new plan"):
        load_plans.accept(firing.coop, by=ada(), now=NOW, plan_id=plan.public_id)


def test_a_plan_that_breaks_a_rule_cannot_be_accepted():
    plan = proposed(firing_with_bowls())
    broken = plan.plan | {"layers": [layer | {"height_mm": 50} for layer in plan.plan["layers"]]}
    LoadPlan.objects.filter(pk=plan.pk).update(plan=broken)
    with pytest.raises(Refused, match="cannot be loaded: "):
        load_plans.accept(plan.coop, by=ada(), now=NOW, plan_id=plan.public_id)
    assert queries.view_of(LoadPlan.objects.get(pk=plan.pk)).faults


def test_only_the_lead_proposes_and_accepts_and_only_before_the_fire():
    firing = firing_with_bowls()
    with pytest.raises(NotAllowed):
        load_plans.propose(firing.coop, by=ben(), now=NOW, firing_id=firing.public_id)
    plan = proposed(firing)
    with pytest.raises(NotAllowed):
        load_plans.accept(firing.coop, by=ben(), now=NOW, plan_id=plan.public_id)
    Firing.objects.filter(pk=firing.pk).update(stage="lit")
    with pytest.raises(Refused, match="until the kiln is lit"):
        load_plans.propose(firing.coop, by=ada(), now=NOW, firing_id=firing.public_id)


def test_nothing_held_is_nothing_to_plan():
    firing = make_open_firing()
    with pytest.raises(Refused, match="at least one"):
        load_plans.propose(firing.coop, by=ada(), now=NOW, firing_id=firing.public_id)
    with pytest.raises(Refused, match="nothing to label"):
        load_plans.ask_labels(firing.coop, by=ben(), now=NOW, firing_id=firing.public_id)


def test_another_coops_plan_is_not_there():
    firing = firing_with_bowls()
    plan = accepted(firing)
    stranger = cy()
    said = {"by": stranger, "now": NOW}
    with pytest.raises(NotFound):
        load_plans.accept(stranger.coop, plan_id=plan.public_id, **said)
    with pytest.raises(NotFound):
        load_plans.tick(stranger.coop, placement_id=Placement.objects.first().public_id, loaded=True, **said)
    with pytest.raises(NotFound):
        load_plans.tick_layer(stranger.coop, layer_id=Layer.objects.first().public_id, loaded=True, **said)


def test_pots_are_ticked_while_loading_and_the_first_tick_keeps_its_moment():
    firing = firing_with_bowls()
    accepted(firing)
    first = Placement.objects.first()
    with pytest.raises(Refused, match="while the kiln is loaded"):
        tick(first)
    Firing.objects.filter(pk=firing.pk).update(stage="loading")
    tick(first)
    layer = load_plans.tick_layer(firing.coop, by=ada(), now=LATER, layer_id=first.layer.public_id, loaded=True)
    moments = dict(layer.placements.values_list("pk", "loaded_at"))
    assert moments[first.pk] == NOW
    assert set(moments.values()) == {NOW, LATER}


def test_used_is_what_is_held_until_pots_are_ticked_then_what_is_loaded():
    firing = firing_with_bowls()
    dee = make_member("Dee")
    held = dict(Piece.objects.values_list("booking__member").annotate(Sum("asked_ml")))
    assert {pk: used.ml for pk, used in queries.usage(firing).items()} == held
    loading(firing)
    tick(Placement.objects.filter(piece__booking__member=ben()).first())
    used = queries.usage(firing)
    # by hand: pi/4 x 208^2 = 33979 mm2; x 117 mm clear height (100 + 5 + 12) = 3.9756 l
    assert used[ben().pk] == queries.Usage(ben().pk, 3976, 0, held[ben().pk], 33_979, 1)
    assert used[dee.pk] == queries.Usage(dee.pk, 0, 0, held[dee.pk], 0, 0)
    front = FiringZone.objects.get(firing=firing, zone__name="Front, hot")
    assert queries.space_used_ml(firing) == {ben().pk: {front.pk: 3976}}
    tick(Placement.objects.get(piece__booking__member=dee))
    assert queries.usage(firing)[dee.pk].soda_ml == 3976
    assert queries.board_area_used(firing)[dee.pk] == 33_979


def test_all_loaded_uses_what_the_plan_says():
    firing = firing_with_bowls()
    plan = loading(firing)
    for layer in Layer.objects.all():
        load_plans.tick_layer(firing.coop, by=ada(), now=NOW, layer_id=layer.public_id, loaded=True)
    assert {str(pk): used.ml for pk, used in queries.usage(firing).items()} == plan.plan["space_ml"]


def test_the_view_says_where_mine_are_and_what_the_plan_does_not_know():
    firing = firing_with_bowls()
    plan = accepted(firing)
    book(firing, name="late jar")
    view = queries.view_of(plan, member=ben(), only_mine=True)
    assert [[layer.number for layer in zone.layers] for zone in view.zones] == [[1], []]
    assert [stand.is_mine for layer in view.zones[0].layers for b in layer.boards for stand in b.stands] == [True] * 2
    assert view.unplanned == ("late jar (Ben)",)
    assert queries.where_pieces_stand(firing) == {
        piece.pk: f"{piece.zone} 1/1" for piece in Piece.objects.filter(name="bowl")
    }


def test_the_cost_of_a_plans_page_does_not_grow_with_pots():
    def cost(count):
        firing = make_open_firing(capacity_ml=10**9)
        firing.kiln.zones.update(usable_height_mm=3000)
        book(firing, count=count, diameter_mm=90, zone="front")
        plan = accepted(firing)
        with CaptureQueriesContext(connection) as seen:
            view = queries.view_of(plan)
        assert view.pots == count
        return len(seen)

    assert cost(2) == cost(40)
