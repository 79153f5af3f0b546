"""Boards and posts as stock: listed, counted, parted, fired; and what a load plan misses."""

from uuid import uuid4

import pytest
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from coop.errors import NotAllowed, NotFound, Refused
from firings.models import FurnitureLot, FurnitureMove
from firings.queries import furniture as queries
from firings.services import firings, furniture
from tests.factories import NOW, ben, cy, make_coop, stu
from tests.factories_firings import carry_to, make_firing, make_kiln

pytestmark = pytest.mark.django_db

BOARDS = {"kind": "board", "count": 12, "w_mm": 610, "l_mm": 305, "thickness_mm": 20}
POSTS = {"kind": "post", "count": 36, "height_mm": 150}


def make_lot(kiln=None, **said):
    kiln = kiln or make_kiln()
    fields = {**(POSTS if said.get("kind") == "post" else BOARDS), **said}
    return furniture.list_furniture(kiln.coop, by=None, now=NOW, kiln_id=kiln.public_id, **fields)


def change(lot, **said):
    fields = {"count": lot.count, "condition": lot.condition, **said}
    return furniture.change_furniture(lot.coop, by=stu(), now=NOW, lot_id=lot.public_id, **fields)


def test_boards_are_listed_with_their_history():
    kiln = make_kiln()
    front = kiln.zones.first()
    lot = make_lot(kiln, zone_id=front.public_id, firings=14, note="new in 2024")
    assert (lot.size, lot.zone, lot.firings) == ("610 x 305 x 20 mm", front, 14)
    move = lot.moves.get()
    assert (move.kind, move.count, move.zone_name) == ("listed", 12, front.name)
    assert queries.lots_of(kiln) == [lot]


def test_only_the_steward_keeps_the_list():
    lot = make_lot()
    coop = lot.coop
    with pytest.raises(NotAllowed):
        furniture.list_furniture(coop, by=ben(), now=NOW, kiln_id=lot.kiln.public_id, **BOARDS)
    with pytest.raises(NotAllowed):
        furniture.count_furniture(coop, by=ben(), now=NOW, lot_id=lot.public_id, count=3)
    with pytest.raises(NotAllowed):
        furniture.change_furniture(coop, by=ben(), now=NOW, lot_id=lot.public_id, count=1, condition="worn")
    assert FurnitureMove.objects.count() == 1


def test_stock_of_another_coop_is_not_found():
    lot, stranger = make_lot(), cy()
    with pytest.raises(NotFound):
        furniture.count_furniture(stranger.coop, by=None, now=NOW, lot_id=lot.public_id, count=3)
    with pytest.raises(NotFound):
        queries.lot_for(stranger.coop, lot.public_id)


@pytest.mark.parametrize(
    ("said", "field"),
    [
        ({"kind": "lid"}, "kind"),
        ({"count": 0}, "count"),
        ({"w_mm": 49}, "w_mm"),
        ({"thickness_mm": 0}, "thickness_mm"),
        ({"height_mm": 75}, "height_mm"),
        ({"kind": "post", "w_mm": 610}, "w_mm"),
        ({"kind": "post", "height_mm": 0}, "height_mm"),
        ({"condition": "lost"}, "condition"),
        ({"firings": -1}, "firings"),
    ],
)
def test_what_cannot_be_stock_is_refused_beside_its_field(said, field):
    with pytest.raises(Refused) as no:
        make_lot(**said)
    assert field in no.value.fields
    assert not FurnitureLot.objects.exists()


def test_stock_taking_writes_down_the_difference():
    lot = make_lot()
    furniture.count_furniture(lot.coop, by=stu(), now=NOW, lot_id=lot.public_id, count=10, note="two are gone")
    lot.refresh_from_db()
    assert lot.count == 10
    assert lot.moves.filter(kind="counted").get().count == -2
    with pytest.raises(Refused, match="already"):
        furniture.count_furniture(lot.coop, by=stu(), now=NOW, lot_id=lot.public_id, count=10)


def test_cracked_boards_become_a_row_of_their_own_and_join_others_alike():
    lot = make_lot(firings=5)
    cracked = change(lot, count=2, condition="cracked")
    lot.refresh_from_db()
    assert (lot.count, cracked.count, cracked.firings) == (10, 2, 5)
    assert cracked.moves.get().origin == lot
    again = change(lot, count=1, condition="cracked")
    assert (again.pk, again.count) == (cracked.pk, 3)
    with pytest.raises(Refused, match="from 1 to 9"):
        change(FurnitureLot.objects.get(pk=lot.pk), count=10, condition="worn")


def test_a_whole_row_keeps_its_record_when_it_changes():
    kiln = make_kiln()
    lot = make_lot(kiln)
    back = kiln.zones.last()
    moved = change(lot, zone_id=back.public_id)
    assert moved.pk == lot.pk
    assert [(one.kind, one.zone_name) for one in queries.moves_of(moved)] == [("place", back.name), ("listed", "")]
    with pytest.raises(Refused, match="Nothing would change"):
        change(moved, zone_id=back.public_id)


def test_unpacking_counts_the_firing_once_for_what_was_in_use():
    firing = make_firing()
    kiln = firing.kiln
    everywhere, posts = make_lot(kiln), make_lot(kiln, kind="post", zone_id=kiln.zones.first().public_id)
    cracked = make_lot(kiln, condition="cracked")
    carry_to(firing, "unpacking")
    assert FurnitureLot.objects.get(pk=everywhere.pk).firings == 0

    firings.move_on(firing.coop, by=firing.lead, now=firing.opens_at, firing_id=firing.public_id, to="cleanup")
    assert [FurnitureLot.objects.get(pk=lot.pk).firings for lot in (everywhere, posts, cracked)] == [1, 1, 0]
    assert everywhere.moves.filter(kind="fired").get().firing == firing
    assert furniture.fire_furniture(firing, None, NOW) == 0
    assert FurnitureLot.objects.get(pk=everywhere.pk).firings == 1


def test_a_zone_without_a_layer_on_the_accepted_plan_was_not_fired():
    firing = make_firing()
    front, back = firing.kiln.zones.all()
    used, unused = make_lot(firing.kiln, zone_id=front.public_id), make_lot(firing.kiln, zone_id=back.public_id)
    plan = firing.load_plans.create(
        coop=firing.coop, version=1, state="accepted", request={}, plan={}, made_at=NOW, accepted_at=NOW
    )
    plan.layers.create(coop=firing.coop, zone=firing.zones.get(zone=front), number=1, height_mm=150)
    furniture.fire_furniture(firing, None, NOW)
    assert [FurnitureLot.objects.get(pk=lot.pk).firings for lot in (used, unused)] == [1, 0]


@pytest.mark.parametrize(
    "write",
    [
        lambda lot: FurnitureLot.objects.filter(pk=lot.pk).update(w_mm=0),
        lambda lot: FurnitureLot.objects.filter(pk=lot.pk).update(count=30_001),
        lambda lot: FurnitureMove.objects.filter(lot=lot).update(count=1),
        lambda lot: FurnitureMove.objects.filter(lot=lot).delete(),
        lambda lot: FurnitureMove.objects.create(
            coop=lot.coop, lot=lot, kind="fired", count=1, condition="sound", at=NOW
        ),
        lambda lot: FurnitureMove.objects.create(
            coop=lot.coop, lot=lot, kind="place", count=1, condition="sound", at=NOW, origin=lot
        ),
    ],
    ids=["sizes", "too many", "changed", "deleted", "fired in nothing", "out of itself"],
)
def test_the_database_has_the_last_word(write):
    lot = make_lot()
    with pytest.raises(IntegrityError), transaction.atomic():
        write(lot)


def test_one_firing_is_counted_once_by_the_database_too():
    firing = make_firing()
    lot = make_lot(firing.kiln)
    furniture.fire_furniture(firing, None, NOW)
    with pytest.raises(IntegrityError), transaction.atomic():
        FurnitureMove.objects.create(
            coop=lot.coop, lot=lot, kind="fired", firing=firing, count=1, condition="sound", at=NOW
        )


def a_plan(firing, boards=3):
    zone = firing.kiln.zones.first()
    kiln = {
        "id": zone.name, "boards_per_layer": boards, "board_mm": [610, 305], "chamber_height_mm": 1000,
        "shelf_thickness_mm": 20, "clearance_above_mm": 12, "wadding_mm": 3, "gap_mm": 6, "keepouts_mm": [],
        "posts": [{"height_mm": 150, "count": 99}],
    }  # fmt: skip
    layer = {"zone": zone.name, "height_mm": 150, "boards": [[]]}
    return firing.load_plans.create(
        coop=firing.coop,
        version=1,
        made_at=NOW,
        request={"format": "load-request/1", "name": "x", "zones": [kiln], "pieces": []},
        plan={"format": "load-plan/1", "request": "x", "layers": [layer, layer]},
    )


def test_a_load_plan_says_what_the_stock_lacks():
    firing = make_firing()
    plan = a_plan(firing)
    assert queries.shortfalls(firing, plan) == []  # nobody keeps a list
    lot = make_lot(firing.kiln, count=6)
    make_lot(firing.kiln, kind="post", count=17)
    assert queries.shortfalls(firing, plan) == [
        "Posts of 150 mm: 18 are needed, 17 fit for use are there, 1 are missing."
    ]
    change(lot, count=6, condition="cracked")
    assert "6 are missing" in queries.shortfalls(firing, plan)[0]


# --- Pages and API --------------------------------------------------------------------------


@pytest.fixture
def go(client):
    def go(name, data=None, *, as_=stu, status=200, **kwargs):
        client.force_login(as_().person)
        address = reverse(name, kwargs={"coop": make_coop().slug, **kwargs})
        answer = client.get(address) if data is None else client.post(address, data)
        assert answer.status_code == status, answer.content.decode()
        return answer.content.decode()

    return go


def test_the_steward_keeps_the_stock_on_its_pages(go):
    kiln = make_kiln()
    front = kiln.zones.first()
    assert "No stock is listed yet" in go("furniture", kiln=kiln.public_id)
    assert 'value="610"' in go("boards_add", kiln=kiln.public_id)  # as the kiln's first zone has them
    said = {"w_mm": 610, "l_mm": 305, "thickness_mm": 20, "count": 12, "condition": "sound", "firings": 3}
    go("boards_add", {**said, "zone": str(front.public_id), "note": "2024"}, kiln=kiln.public_id, status=303)
    posts = {"height_mm": 150, "count": 36, "condition": "sound", "firings": 0, "zone": "", "note": ""}
    go("posts_add", posts, kiln=kiln.public_id, status=303)
    page = go("furniture", kiln=kiln.public_id)
    assert "Boards 610 x 305 x 20 mm" in page
    assert "12 fit for use" in page
    lot = FurnitureLot.objects.get(kind="board")
    go(
        "furniture_change",
        {"count": 2, "condition": "cracked", "zone": str(front.public_id), "note": "soda"},
        lot=lot.public_id,
        status=303,
    )
    assert "10 fit for use" in go("furniture", kiln=kiln.public_id)
    go("furniture_count", {"count": 9, "note": ""}, lot=lot.public_id, status=303)
    page = go("furniture_lot", lot=lot.public_id)
    assert "counted, -1" in page
    assert "2 left this row, cracked, not used" in page
    cracked = FurnitureLot.objects.get(condition="cracked")
    assert "2 now cracked, not used" in go("furniture_lot", lot=cracked.public_id)
    assert "Boards 610 x 305 x 20 mm: 9 fit for use" in go("kiln", kiln=kiln.public_id)


def test_a_wrong_number_is_said_beside_its_field_and_changes_nothing(go):
    lot = make_lot()
    page = go("furniture_change", {"count": 13, "condition": "worn", "zone": ""}, lot=lot.public_id, status=422)
    assert "Give a number from 1 to 12" in page
    page = go("boards_add", {"w_mm": 1, "count": 0}, kiln=lot.kiln.public_id, status=400)
    assert "Write a whole number from 50 to 5000." in page
    assert FurnitureLot.objects.count() == 1


def test_members_look_and_do_not_touch(go):
    lot = make_lot()
    assert "Add boards" not in go("furniture", as_=ben, kiln=lot.kiln.public_id)
    assert "Count anew" not in go("furniture_lot", as_=ben, lot=lot.public_id)
    go("boards_add", as_=ben, status=403, kiln=lot.kiln.public_id)
    go("furniture_count", {"count": 1}, as_=ben, status=403, lot=lot.public_id)
    go("furniture_lot", status=404, lot=uuid4())


def test_the_list_costs_no_more_for_many_rows(client):
    kiln = make_kiln()
    client.force_login(stu().person)
    address = reverse("furniture", kwargs={"coop": kiln.coop.slug, "kiln": kiln.public_id})

    def queries_made():
        with CaptureQueriesContext(connection) as made:
            client.get(address)
        return len(made)

    make_lot(kiln, zone_id=kiln.zones.first().public_id)
    queries_made()
    before = queries_made()
    for number in range(10):
        make_lot(kiln, w_mm=400 + number, zone_id=kiln.zones.last().public_id)
    assert queries_made() == before


def test_the_stock_over_the_api(client):
    kiln = make_kiln()
    client.force_login(stu().person)
    base = f"/{kiln.coop.slug}/api/v1"

    def send(path, data):
        return client.post(f"{base}/{path}", data, content_type="application/json", HTTP_IDEMPOTENCY_KEY=str(uuid4()))

    made = send(f"kilns/{kiln.public_id}/furniture/", {**BOARDS, "firings": 2})
    assert made.status_code == 201, made.content
    lot = made.json()
    assert (lot["kind"], lot["count"], lot["zone_id"], lot["firings"]) == ("board", 12, None, 2)
    cracked = send(f"furniture/{lot['id']}/changes/", {"count": 3, "condition": "cracked"}).json()
    assert (cracked["count"], cracked["condition"]) == (3, "cracked")
    assert send(f"furniture/{lot['id']}/counts/", {"count": 8}).json()["count"] == 8
    refused = send(f"furniture/{lot['id']}/counts/", {"count": 8})
    assert refused.status_code == 422
    assert "nothing is to be corrected" in refused.json()["detail"]
    listed = client.get(f"{base}/kilns/{kiln.public_id}/furniture/").json()["furniture"]
    assert [(one["condition"], one["count"]) for one in listed] == [("sound", 8), ("cracked", 3)]
