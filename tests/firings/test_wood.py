"""Wood on the stacks and in the fire: counted, changed, planned, used, and how long it lasts."""

from datetime import date

import pytest
from django.urls import reverse
from django.utils import timezone

from coop.errors import NotAllowed, NotFound, Refused, Taken
from firings.models import WoodMove, WoodStack
from firings.queries import wood
from firings.queries.chores import wood_need
from firings.services import firings, kilns
from firings.services.log import EntrySpec
from tests.factories import NOW, ben, cy, make_coop, make_member, stu
from tests.factories_fire import HOUR, carry_on, make_fire, write
from tests.factories_firings import make_firing

pytestmark = pytest.mark.django_db


def make_stack(name="By the fence", dm3=3000, **changes):
    said = {"species": "pine", "size_class": "split", "stacked_dm3": dm3, **changes}
    return kilns.add_wood_stack(make_coop(), by=None, now=NOW, name=name, **said)


def count(stack, dm3, why="", *, by=None):
    return kilns.count_wood(stack.coop, by=by or ben(), now=NOW, stack_id=stack.public_id, counted_dm3=dm3, why=why)


def take(stack, dm3, firing=None):
    return kilns.move_wood(
        stack.coop,
        by=ben(),
        now=NOW,
        stack_id=stack.public_id,
        stacked_dm3=-dm3,
        firing_id=firing.public_id if firing else None,
    )


def stoke(firing, *entries, now):
    write(
        firing,
        *(EntrySpec(kind="stoke", pieces=pieces, observed_at=at) for at, pieces in entries),
        now=now,
    )


def page_of(firing, now):
    return wood.wood_page(firing.coop, firing.public_id, firing.lead, now=now)


# --- Stock-taking ---------------------------------------------------------------------------


def test_a_count_that_differs_becomes_a_row_with_book_count_and_reason():
    stack = make_stack()
    row = count(stack, 2600, "burnt in spring and not written down")
    assert (row.book_dm3, row.counted_dm3, row.stacked_dm3) == (3000, 2600, -400)
    stack.refresh_from_db()
    assert (stack.stacked_dm3, stack.counted_at) == (2600, NOW)
    assert sum(WoodMove.objects.filter(stack=stack).values_list("stacked_dm3", flat=True)) == 2600


def test_a_count_that_differs_without_a_reason_is_refused_with_both_figures():
    stack = make_stack()
    with pytest.raises(Refused, match=r"says 3000 litres, you counted 2600"):
        count(stack, 2600, "  ")
    stack.refresh_from_db()
    assert (stack.stacked_dm3, stack.counted_at, stack.moves.count()) == (3000, None, 1)


def test_a_count_that_agrees_needs_no_reason_and_is_remembered():
    stack = make_stack()
    row = count(stack, 3000)
    assert (row.stacked_dm3, row.counted_dm3) == (0, 3000)
    stack.refresh_from_db()
    assert stack.counted_at == NOW


@pytest.mark.parametrize("dm3", [-1, 10_000_001])
def test_no_odd_count_is_taken(dm3):
    with pytest.raises(Refused, match="Between 0"):
        count(make_stack(), dm3, "odd")


def test_a_guest_and_a_stranger_count_nothing():
    stack = make_stack()
    guest = make_member("Gus", roles=("guest",))
    guest.roles.filter(kind="member").delete()
    with pytest.raises(NotAllowed):
        count(stack, 1, "x", by=type(guest).objects.with_roles().get(pk=guest.pk))
    with pytest.raises(NotFound):
        kilns.count_wood(cy().coop, by=cy(), now=NOW, stack_id=stack.public_id, counted_dm3=1, why="x")


def test_the_steward_changes_what_a_stack_is_but_not_how_much_is_there():
    stack, other = make_stack(), make_stack("Shed")
    said = {"species": "larch", "size_class": "thin", "moisture_permille": 165, "split_on": date(2025, 11, 1)}
    changed = kilns.change_wood_stack(
        stack.coop, by=stu(), now=NOW, stack_id=stack.public_id, name="Fence", reach_order=4, **said
    )
    assert (changed.name, changed.species, changed.moisture_permille, changed.reach_order) == ("Fence", "larch", 165, 4)
    assert changed.stacked_dm3 == 3000
    with pytest.raises(NotAllowed):
        kilns.change_wood_stack(stack.coop, by=ben(), now=NOW, stack_id=stack.public_id, name="Mine", **said)
    with pytest.raises(Taken):
        kilns.change_wood_stack(stack.coop, by=stu(), now=NOW, stack_id=stack.public_id, name=other.name, **said)


# --- Plan and use ---------------------------------------------------------------------------


def test_what_was_taken_for_a_firing_is_not_missing_in_its_plan():
    stack, firing = make_stack(dm3=1000), make_firing()
    short = wood_need(firing).short_m3
    take(stack, 600, firing)
    assert wood_need(firing).short_m3 == pytest.approx(short)
    take(stack, 400)
    assert wood_need(firing).short_m3 > short + 0.3


def test_own_firings_move_the_kilns_need():
    stack = make_stack(dm3=200_000)
    first = carry_on(make_firing(stage="booking"), "cooling")
    sheet = wood.need_of(first.kiln)
    heavy = round(1.3 * sheet.likely * first.kiln.volume_l / 1000 / wood.kg_of(stack, 1000) * 1000)
    take(stack, heavy, first)
    need = wood.need_of(first.kiln)
    assert need.firings == 1
    assert sheet.likely * 1.1 < need.likely < sheet.likely * 1.3


def test_a_burning_kiln_says_how_long_the_wood_lasts_and_on_what_that_rests():
    stack, firing = make_stack(dm3=9000), make_fire()
    now = firing.lit_at + 6 * HOUR
    assert "usual need" in page_of(firing, now).lasting.based_on
    take(stack, 3000, firing)
    page = page_of(firing, now)
    assert "taken off the stacks" in page.lasting.based_on
    assert page.lasting.hours == pytest.approx(6000 / (3000 / 6))
    assert [(line.stack, line.taken_dm3) for line in page.lines] == [(stack, 3000)]
    assert dict(page.by_size)["split"] == pytest.approx(wood.kg_of(stack, 6000))


def test_pieces_are_weighed_by_the_kilns_earlier_firings():
    stack = make_stack(dm3=90_000)
    first = make_fire()
    stoke(first, (first.lit_at + HOUR, 400), now=first.lit_at + 2 * HOUR)
    take(stack, 4000, first)
    carried = {"cooling": first.ends_at, "unpacking": first.opens_at, "cleanup": first.opens_at + 4 * HOUR}
    for stage, at in carried.items():
        firings.move_on(first.coop, by=first.lead, now=at, firing_id=first.public_id, to=stage, note="as agreed")
    second = make_firing(kiln=first.kiln, occupied_from=first.occupied_until + 48 * HOUR)
    pieces = wood._earlier(second.kiln, second)
    assert pieces == [(pytest.approx(wood.kg_of(stack, 4000)), 400)]


def test_wood_that_is_not_in_the_table_is_named_and_not_reckoned():
    make_stack("Odds", species="old pallets")
    firing = make_fire()
    page = page_of(firing, firing.lit_at + HOUR)
    assert [line.stack.name for line in page.unreckoned] == ["Odds"]
    assert page.ready_kg == 0


def test_the_fire_page_warns_when_the_wood_is_gone_before_the_end(client, monkeypatch):
    stack, firing = make_stack(dm3=2000), make_fire()
    now = firing.lit_at + 4 * HOUR
    monkeypatch.setattr(timezone, "now", lambda: now)
    take(stack, 1500, firing)
    client.force_login(firing.lead.person)
    page = client.get(reverse("firing_fire", kwargs={"coop": firing.coop.slug, "firing": firing.public_id}))
    assert "the wood is gone before the fire ends" in page.content.decode()


# --- Pages ----------------------------------------------------------------------------------


def test_pages_count_change_and_show_the_wood_of_a_firing(client):
    stack, firing = make_stack(), make_firing()
    client.force_login(stu().person)
    there = {"coop": stack.coop.slug, "stack": stack.public_id}
    assert client.post(reverse("wood_count", kwargs=there), {"counted": "2.5", "why": ""}).status_code == 422
    assert client.post(reverse("wood_count", kwargs=there), {"counted": "much"}).status_code == 400
    assert client.post(reverse("wood_count", kwargs=there), {"counted": "2.5", "why": "rot"}).status_code == 303
    said = {"name": "Fence", "species": "pine", "size_class": "split", "moisture": "18.5", "reach_order": "2"}
    assert client.post(reverse("wood_stack_change", kwargs=there), said).status_code == 303
    stack.refresh_from_db()
    assert (stack.name, stack.moisture_permille, stack.stacked_dm3, stack.is_covered) == ("Fence", 185, 2500, False)
    for name in ("wood_count", "wood_stack_change", "wood_move"):
        assert client.get(reverse(name, kwargs=there)).status_code == 200
    shown = client.get(reverse("firing_wood", kwargs={"coop": firing.coop.slug, "firing": firing.public_id}))
    assert "Fence" in shown.content.decode()
    assert WoodStack.objects.count() == 1


def test_the_api_counts_wood(client):
    stack = make_stack()
    client.force_login(ben().person)
    there = f"/{stack.coop.slug}/api/v1/wood-stacks/{stack.public_id}/counts/"

    def send(key, **said):
        return client.post(there, said, content_type="application/json", headers={"Idempotency-Key": key})

    answer = send("a", counted_dm3=2900)
    assert answer.status_code == 422
    assert "you counted 2900" in answer.json()["detail"]
    made = send("b", counted_dm3=2900, why="mouse")
    assert (made.status_code, made.json()["stacked_dm3"]) == (201, -100)
