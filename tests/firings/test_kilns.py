"""Kilns, materials and wood: what the steward may do, what is refused, what the database itself refuses."""

import json

import pytest
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from coop.errors import Malformed, NotAllowed, NotFound, Refused, Taken
from coop.transactions import _SENTENCES
from firings.forms.kilns import KilnForm, WoodMoveForm
from firings.kiln_file import from_document, read_kiln
from firings.models import CrewPhase, Firing, Kiln, Material, PostSet, PostSpot, WoodMove, WoodStack, Zone
from firings.queries import kilns as queries
from firings.services import kilns
from tests.factories import NOW, ben, cora, cy, make_coop, make_member, stu
from tests.factories_firings import SAMPLE, make_firing, make_kiln

pytestmark = pytest.mark.django_db


def spec_with(**changes):
    document = {**json.loads(SAMPLE.read_text()), **changes}
    document.pop("$schema", None)
    return from_document(document)


def zones_with(*changes):
    zones = json.loads(SAMPLE.read_text())["zones"]
    return [{**zone, **change} for zone, change in zip(zones, changes, strict=False)]


def make_stack(coop=None, **fields):
    said = {"name": "North wall", "species": "larch", "size_class": "wrist-thick", "stacked_dm3": 3000, **fields}
    return kilns.add_wood_stack(coop or make_coop(), by=None, now=NOW, **said)


def make_material(coop=None, **fields):
    said = {"kind": "body", "name": "Grey crank", "stands_cone": "10", **fields}
    return kilns.add_material(coop or make_coop(), by=None, now=NOW, **said)


# --- Kilns ----------------------------------------------------------------------------------


def test_a_kiln_is_added_with_all_its_parts():
    steward = stu()
    kiln = kilns.add_kiln(steward.coop, by=steward, now=NOW, spec=spec_with(), place="behind the barn ")
    assert (kiln.name, kiln.volume_l, kiln.target_cone, kiln.takes_soda) == ("Heron kiln", 1200, "10", True)
    assert kiln.place == "behind the barn"
    assert [zone.name for zone in kiln.zones.all()] == ["Front, hot", "Back, soda"]
    assert {zone.post_spots.count() for zone in kiln.zones.all()} == {3}
    assert kiln.posts.get(height_mm=75).count == 54 + 36  # of all zones together
    assert kiln.phases.count() == 5
    assert kiln.template_items.count() == 7


def test_only_steward_and_coordinator_describe_kilns():
    coop = make_coop()
    with pytest.raises(NotAllowed):
        kilns.add_kiln(coop, by=ben(), now=NOW, spec=spec_with())
    assert not Kiln.objects.exists()
    assert kilns.add_kiln(coop, by=cora(), now=NOW, spec=spec_with()).pk


def test_two_kilns_of_one_name_are_refused_beside_the_name():
    make_kiln()
    with pytest.raises(Taken) as no:
        kilns.add_kiln(make_coop(), by=None, now=NOW, spec=spec_with(name=" Heron  kiln"))
    assert "name" in no.value.fields


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"name": "k" * 81}, "80 letters"),
        ({"name": "   "}, "1 to 80"),
        ({"name": "Heron\u0000kiln"}, "one line"),
        ({"zones": zones_with({"name": "z" * 41}, {})}, "40 letters"),
        ({"zones": zones_with({"name": "Same"}, {"name": "Same "})}, "Two zones"),
        ({"zones": zones_with({"posts": [{"height_mm": 75, "count": 1000}] * 31}, {})}, "30000 posts"),
        (
            {"phases": [{"name": "p" * 41, "from_permille": 0, "to_permille": 1000, "people": 2, "leads": 1}]},
            "40 letters",
        ),
    ],
)
def test_what_the_record_cannot_hold_is_refused_in_a_sentence(changes, says):
    with pytest.raises(Malformed, match=says):
        kilns.add_kiln(make_coop(), by=None, now=NOW, spec=spec_with(**changes))
    assert not Kiln.objects.exists()


def test_a_kiln_is_described_anew_and_keeps_its_zones():
    kiln = make_kiln()
    front = kiln.zones.get(name="Front, hot").pk
    spec = spec_with(name="Heron II", zones=zones_with({"boards_per_layer": 4}))
    kilns.change_kiln(kiln.coop, by=stu(), now=NOW, kiln_id=kiln.public_id, spec=spec)
    zone = kiln.zones.get()
    assert (zone.pk, zone.boards_per_layer) == (front, 4)
    assert Kiln.objects.get().name == "Heron II"
    assert kiln.phases.count() == 5


def test_zones_stay_while_a_firing_is_under_way():
    kiln = make_kiln()
    make_firing(kiln=kiln)
    wider = spec_with(name="Heron II", zones=zones_with({"boards_per_layer": 4}, {}))
    with pytest.raises(Refused, match="under way"):
        kilns.change_kiln(kiln.coop, by=stu(), now=NOW, kiln_id=kiln.public_id, spec=wider)
    assert (Kiln.objects.get().name, kiln.zones.get(position=0).boards_per_layer) == ("Heron kiln", 3)
    longer = spec_with(hours={"low": 20, "likely": 26, "high": 32})
    kilns.change_kiln(kiln.coop, by=stu(), now=NOW, kiln_id=kiln.public_id, spec=longer)
    assert Kiln.objects.get().hours_likely == 26


def test_a_zone_that_was_fired_is_not_taken_out():
    kiln = make_kiln()
    firing = make_firing(kiln=kiln)
    Firing.objects.filter(pk=firing.pk).update(stage="closed", holds_kiln=False)
    with pytest.raises(Refused, match="stays in the record"):
        kilns.change_kiln(kiln.coop, by=stu(), now=NOW, kiln_id=kiln.public_id, spec=spec_with(zones=zones_with({})))
    assert kiln.zones.count() == 2


def test_a_kiln_is_retired_once_and_not_during_a_firing():
    kiln = make_kiln()
    firing = make_firing(kiln=kiln)
    with pytest.raises(Refused, match="called or under way"):
        kilns.retire_kiln(kiln.coop, by=stu(), now=NOW, kiln_id=kiln.public_id)
    Firing.objects.filter(pk=firing.pk).update(stage="closed", holds_kiln=False)
    assert kilns.retire_kiln(kiln.coop, by=stu(), now=NOW, kiln_id=kiln.public_id).retired_at == NOW
    with pytest.raises(Refused, match="already"):
        kilns.retire_kiln(kiln.coop, by=stu(), now=NOW, kiln_id=kiln.public_id)


def test_a_kiln_of_others_is_not_there():
    kiln, other = make_kiln(), cy()
    for use in (kilns.retire_kiln, lambda coop, **said: kilns.change_kiln(coop, spec=spec_with(), **said)):
        with pytest.raises(NotFound):
            use(other.coop, by=other, now=NOW, kiln_id=kiln.public_id)
    with pytest.raises(NotFound):
        queries.kiln_whole(other.coop, kiln.public_id)


def test_a_kiln_as_a_file_makes_the_same_kiln():
    kiln = queries.kiln_whole(make_coop(), make_kiln().public_id)
    document = queries.document_of(kiln)
    elsewhere = make_coop("far-field", "Far Field Kilns")
    copy = kilns.add_kiln(elsewhere, by=None, now=NOW, spec=read_kiln(json.dumps(document)))
    assert queries.document_of(queries.kiln_whole(elsewhere, copy.public_id)) == document


def test_the_drawn_board_has_its_corner_at_the_lower_left():
    kiln = queries.kiln_whole(make_coop(), make_kiln().public_id)
    spots = queries.zones_shown(kiln)[0].spots
    assert [(spot.x, spot.y, spot.width, spot.height) for spot in spots] == [
        (0, 265, 40, 40),  # the spot 0, 0 to 40, 40 of a board 305 mm long
        (570, 265, 40, 40),
        (285, 0, 40, 40),
    ]


# --- The form -------------------------------------------------------------------------------


def sent(document, **changes):
    """What a browser sends for the form of this kiln."""
    form, data = KilnForm(document=document), {}
    for part in (form.basics, *form.rows):
        for bound in part:
            value = bound.value()
            if value is True:
                data[bound.html_name] = "on"
            elif value not in (False, None):
                data[bound.html_name] = str(value)
    return {**data, **changes}


def sample_document():
    return queries.document_of(queries.kiln_whole(make_coop(), make_kiln().public_id))


def test_the_form_gives_back_the_kiln_it_shows():
    document = sample_document()
    form = KilnForm(sent(document))
    assert form.is_valid(), [error for bound in form for error in bound.errors]
    again = {zone["name"]: zone for zone in document["zones"]}
    spec = form.spec()
    assert [zone.name for zone in spec.zones] == list(again)
    assert [zone.keepouts_mm for zone in spec.zones] == [
        tuple(map(tuple, zone["keepouts_mm"])) for zone in again.values()
    ]
    assert [(p.from_permille, p.to_permille) for p in spec.phases] == [
        (phase["from_permille"], phase["to_permille"]) for phase in document["phases"]
    ]
    assert [posts.count for posts in spec.zones[0].posts] == [posts["count"] for posts in document["zones"][0]["posts"]]
    assert spec.checklist[0].sign_off == "grinding"
    assert (spec.hours.low, spec.hours.likely, spec.hours.high, spec.opening_c) == (18, 24, 30, 100)


def test_a_form_shows_four_zones_eight_posts_six_phases_twelve_lines():
    form = KilnForm()
    assert [len(rows) for rows in (form.zones, form.posts, form.phases, form.lines)] == [4, 8, 6, 12]


def test_a_row_grows_with_the_kiln_and_never_beyond_the_file():
    assert len(KilnForm({"zone-7-name": "x"}).zones) == 7
    assert len(KilnForm({"zone-999-name": "x"}).zones) == 12


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"zone-1-board_w": "a"}, "Zone 1, Board width, mm: Write a whole number from 50 to 3000."),
        ({"zone-2-name": ""}, "Zone 2, Name: This field is required."),
        ({"zone-1-spots": "0 0 40 40\n1 2 3"}, "Zone 1, Post spots: Line 2: write four whole numbers"),
        ({"phase-1-people": "1"}, "Phase 1, People on a watch: Write a whole number from 2 to 20."),
        ({"phase-1-until": "12.55"}, "Phase 1, Until, % of the fire: Write a number from 0.1 to 100"),
        ({"posts-1-count": ""}, "Posts 1, How many: Write a whole number from 0 to 1000."),
        ({"line-1-due_days": "99"}, "Line 1, Days after unpacking: Write a whole number from 0 to 60."),
    ],
)
def test_a_fault_in_a_row_says_which_row(changes, says):
    form = KilnForm(sent(sample_document(), **changes))
    assert not form.is_valid()
    faults = [f"{bound.label}: {error}" for bound in form for error in bound.errors]
    assert len(faults) == 1
    assert faults[0].startswith(says)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"low": "40"}, "hours: they must rise"),
        ({"phase-5-until": "99"}, "must end at 1000"),
        ({"phase-2-until": "5"}, "must end after it begins"),
        ({"zone-1-spots": "600 0 640 40"}, "lies off the board"),
        ({"zone-1-take_out": "on", "zone-2-take_out": "on"}, "at least one zone"),
    ],
)
def test_a_kiln_that_contradicts_itself_is_refused(changes, says):
    form = KilnForm(sent(sample_document(), **changes))
    assert form.is_valid()
    with pytest.raises(Malformed, match=says):
        form.spec()


def test_a_zone_is_taken_out_and_an_empty_line_is_left_out():
    form = KilnForm(sent(sample_document(), **{"zone-1-take_out": "on", "line-1-text": "  "}))
    assert form.is_valid()
    spec = form.spec()
    assert [zone.name for zone in spec.zones] == ["Back, soda"]
    assert len(spec.checklist) == 6
    assert sum(posts.count for posts in spec.zones[0].posts) == sum([90, 90, 108, 72, 54])  # the kiln keeps its posts


def test_wood_taken_off_is_minus():
    form = WoodMoveForm({"way": "off", "stacked": "0,25", "note": ""}, firings=[])
    assert form.is_valid()
    assert form.told() == {"stacked_dm3": -250, "firing_id": None, "note": ""}


# --- Materials ------------------------------------------------------------------------------


def test_a_material_is_added_changed_retired_and_comes_back():
    steward = stu()
    said = {"kind": "body", "name": " Grey  crank ", "stands_cone": "cone 10", "price_minor": 180, "price_unit": "kg"}
    material = kilns.add_material(steward.coop, by=steward, now=NOW, **said)
    assert (material.name, material.stands_cone, material.approved_by) == ("Grey crank", "10", steward)
    changed = kilns.change_material(
        steward.coop,
        by=steward,
        now=NOW,
        material_id=material.public_id,
        kind="body",
        name="Grey crank",
        stands_cone="06",
    )
    assert (changed.stands_cone, changed.price_minor) == ("06", None)
    kilns.retire_material(steward.coop, by=steward, now=NOW, material_id=material.public_id)
    with pytest.raises(NotFound):
        kilns.retire_material(steward.coop, by=steward, now=NOW, material_id=material.public_id)
    back = kilns.add_material(steward.coop, by=steward, now=NOW, **said)
    assert (back.pk, back.retired_at, back.stands_cone) == (material.pk, None, "10")


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"stands_cone": ""}, "cone this clay body stands"),
        ({"stands_cone": "99"}, "no cone"),
        ({"name": " "}, "name"),
        ({"kind": "tea"}, "kind"),
        ({"price_minor": -1}, "zero or more"),
    ],
)
def test_a_material_that_says_too_little_is_refused(fields, says):
    with pytest.raises(Refused, match=says):
        make_material(**fields)
    assert not Material.objects.exists()


def test_a_material_in_the_list_is_not_listed_twice():
    make_material()
    with pytest.raises(Taken, match="already"):
        make_material(name="Grey  crank")
    other = make_material(name="Red crank")
    with pytest.raises(Taken, match="already"):
        kilns.change_material(
            other.coop,
            by=None,
            now=NOW,
            material_id=other.public_id,
            kind="body",
            name="Grey crank",
            stands_cone="9",
        )
    assert Material.objects.get(pk=other.pk).name == "Red crank"


def test_members_do_not_change_materials_nor_others_materials():
    material = make_material()
    with pytest.raises(NotAllowed):
        kilns.retire_material(material.coop, by=ben(), now=NOW, material_id=material.public_id)
    with pytest.raises(NotFound):
        kilns.retire_material(cy().coop, by=cy(), now=NOW, material_id=material.public_id)
    assert Material.objects.get().retired_at is None


# --- Wood -----------------------------------------------------------------------------------


def test_any_member_moves_wood_and_the_moves_add_up_to_the_stack():
    stack, firing = make_stack(), make_firing()
    for amount in (-1200, 450, -50):
        kilns.move_wood(
            stack.coop,
            by=ben(),
            now=NOW,
            stack_id=stack.public_id,
            stacked_dm3=amount,
            firing_id=firing.public_id,
        )
    stack.refresh_from_db()
    assert stack.stacked_dm3 == 2200 == sum(WoodMove.objects.values_list("stacked_dm3", flat=True))


@pytest.mark.parametrize(("amount", "says"), [(-3001, "only 3000"), (0, "how much"), (10_000_001, "how much")])
def test_no_more_wood_is_taken_than_there_is(amount, says):
    stack = make_stack()
    with pytest.raises(Refused, match=says):
        kilns.move_wood(stack.coop, by=ben(), now=NOW, stack_id=stack.public_id, stacked_dm3=amount)
    stack.refresh_from_db()
    assert (stack.stacked_dm3, stack.moves.count()) == (3000, 1)


def test_a_guest_and_a_stranger_move_no_wood():
    stack = make_stack()
    guest = make_member("Gus", roles=("guest",))
    guest.roles.filter(kind="member").delete()
    guest = type(guest).objects.with_roles().get(pk=guest.pk)
    with pytest.raises(NotAllowed):
        kilns.move_wood(stack.coop, by=guest, now=NOW, stack_id=stack.public_id, stacked_dm3=-1)
    with pytest.raises(NotFound):
        kilns.move_wood(cy().coop, by=cy(), now=NOW, stack_id=stack.public_id, stacked_dm3=-1)


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        ({"name": " "}, "name"),
        ({"species": "l" * 41}, "species"),
        ({"size_class": "s" * 21}, "size_class"),
        ({"stacked_dm3": -1}, "stacked"),
        ({"moisture_permille": 1000}, "moisture"),
        ({"reach_order": 0}, "reach_order"),
    ],
)
def test_a_stack_that_cannot_be_is_refused_beside_its_field(fields, field):
    with pytest.raises(Refused) as no:
        make_stack(**fields)
    assert list(no.value.fields) == [field]
    assert not WoodStack.objects.exists()


def test_two_stacks_have_two_names():
    make_stack()
    with pytest.raises(Taken):
        make_stack()


# --- What the database itself refuses -------------------------------------------------------


def _kiln(**fields):
    lengths = {"hours_low": 10, "hours_likely": 12, "hours_high": 14, "loading_hours": 1, "cooling_hours": 1}
    said = {"name": "K", "volume_l": 100, "target_cone": "10", "cleanup_hours": 1, **lengths, **fields}
    return lambda: Kiln.objects.create(coop=make_coop(), **said)


def _part(model, **fields):
    def make():
        kiln = Kiln.objects.get(name="Heron kiln")
        model.objects.create(coop=kiln.coop, kiln=kiln, **fields)

    return make


def _zone(**fields):
    sizes = {"boards_per_layer": 1, "board_w_mm": 600, "board_l_mm": 300, "usable_height_mm": 1000}
    return _part(Zone, **{"name": "Third", "cone": "9", **sizes, **fields})


def _phase(**fields):
    return _part(CrewPhase, **{"name": "extra", "from_permille": 1, "to_permille": 2, **fields})


def _spot(**fields):
    def make():
        zone = Zone.objects.first()
        PostSpot.objects.create(coop=zone.coop, zone=zone, **{"x0_mm": 0, "y0_mm": 0, "x1_mm": 9, "y1_mm": 9, **fields})

    return make


def _move_nothing(**changes):
    stack = WoodStack.objects.get(name="North wall")
    WoodMove.objects.create(**{"coop": stack.coop, "stack": stack, "stacked_dm3": 0, "at": NOW, **changes})


def _again(make):
    def twice():
        make()
        make()

    return twice


WALLS = [
    ("kiln_name_used_once", _again(_kiln())),
    ("kiln_hours_are_in_order", _kiln(hours_low=13)),
    ("kiln_hours_are_in_order", _kiln(hours_high=11)),
    ("kiln_hours_are_in_order", _kiln(hours_low=0)),
    ("kiln_watch_is_an_hour_or_more", _kiln(watch_hours=0)),
    ("kiln_has_a_volume", _kiln(volume_l=0)),
    ("zone_name_used_once_per_kiln", _zone(name="Front, hot")),
    ("zone_sizes_make_sense", _zone(boards_per_layer=0)),
    ("zone_sizes_make_sense", _zone(board_w_mm=49)),
    ("zone_sizes_make_sense", _zone(board_l_mm=5001)),
    ("zone_sizes_make_sense", _zone(usable_height_mm=49)),
    ("zone_sizes_make_sense", _zone(stacking_permille=999)),
    ("post_spot_has_an_area", _spot(x1_mm=0)),
    ("post_spot_has_an_area", _spot(y1_mm=0)),
    ("post_height_listed_once", _part(PostSet, height_mm=75, count=1)),
    ("post_has_a_height", _part(PostSet, height_mm=0, count=1)),
    ("phase_begins_once", _phase(from_permille=150, to_permille=151)),
    ("phase_lies_in_the_burn", _phase(to_permille=1)),
    ("phase_lies_in_the_burn", _phase(to_permille=1001)),
    ("phase_needs_two_people", _phase(people=1)),
    ("phase_needs_a_lead", _phase(leads=0)),
    ("phase_most_covers_need", _phase(people=5)),
    ("material_named_once_per_kind", _again(lambda: Material.objects.create(coop=make_coop(), kind="wash", name="W"))),
    ("clay_body_says_its_cone", lambda: Material.objects.create(coop=make_coop(), kind="body", name="B")),
    (
        "material_price_is_not_negative",
        lambda: Material.objects.create(coop=make_coop(), kind="wash", name="W", price_minor=-1),
    ),
    ("wood_stack_named_once", _again(lambda: WoodStack.objects.create(coop=make_coop(), name="N", stacked_dm3=1))),
    (
        "wood_moisture_is_below_all",
        lambda: WoodStack.objects.create(coop=make_coop(), name="N", stacked_dm3=1, moisture_permille=1000),
    ),
    ("wood_move_moves_something", _move_nothing),
    ("wood_difference_says_why", lambda: _move_nothing(stacked_dm3=-1, counted_dm3=2999)),
]


@pytest.mark.parametrize(("name", "make"), WALLS)
def test_the_database_refuses_what_no_service_would_write(name, make):
    make_kiln(), make_stack()
    with pytest.raises(IntegrityError) as no, transaction.atomic():
        make()
    if connection.vendor == "postgresql" or "UNIQUE" not in str(no.value):
        assert name in str(no.value)


def test_every_constraint_of_kilns_is_hit_and_says_a_sentence():
    models = (Kiln, Zone, PostSpot, PostSet, CrewPhase, Material, WoodStack, WoodMove)
    named = {one.name for model in models for one in model._meta.constraints}
    assert named == {name for name, _make in WALLS}
    assert named <= set(_SENTENCES)


# --- Pages and API --------------------------------------------------------------------------


def url(name, coop=None, **kwargs):
    return reverse(name, kwargs={"coop": (coop or make_coop()).slug, **kwargs})


def queries_for(client, address):
    with CaptureQueriesContext(
        connection,
    ) as seen:
        assert client.get(address).status_code == 200
    return len(seen)


def test_lists_cost_no_more_with_more_rows(client):
    member = ben()
    client.force_login(member.person)
    make_kiln(), make_stack(), make_material()
    pages = [url("kilns"), url("materials"), url("wood_stacks"), url("api_kilns"), url("api_wood_stacks")]
    before = [queries_for(client, page) for page in pages]
    for number in range(12):
        kiln = make_kiln(name=f"Kiln {number}")
        make_stack(name=f"Stack {number}", kiln_id=kiln.public_id)
        make_material(name=f"Body {number}")
    assert [queries_for(client, page) for page in pages] == before


def test_a_page_of_one_kiln_costs_no_more_with_more_firings(client):
    kiln = make_kiln()
    client.force_login(ben().person)
    make_firing(kiln=kiln)
    before = queries_for(client, url("kiln", kiln=kiln.public_id))
    Firing.objects.update(stage="closed", holds_kiln=False)
    for _number in range(3):
        make_firing(kiln=kiln)
        Firing.objects.update(stage="closed", holds_kiln=False)
    assert queries_for(client, url("kiln", kiln=kiln.public_id)) == before


def test_a_list_shows_fifty_rows_a_page(client):
    coop = make_coop()
    Material.objects.bulk_create(Material(coop=coop, kind="glaze", name=f"Glaze {n:02}") for n in range(51))
    client.force_login(ben().person)
    assert len(client.get(url("materials")).context["rows"]) == 50
    assert len(client.get(url("materials"), {"page": 2}).context["rows"]) == 1


def test_strangers_and_the_signed_out_see_nothing(client):
    kiln, stack, material = make_kiln(), make_stack(), make_material()
    pages = [
        ("kiln", {"kiln": kiln.public_id}),
        ("kiln_document", {"kiln": kiln.public_id}),
        ("kiln_change", {"kiln": kiln.public_id}),
        ("kiln_change_file", {"kiln": kiln.public_id}),
        ("material_change", {"material": material.public_id}),
        ("wood_move", {"stack": stack.public_id}),
    ]
    for name, kwargs in pages:
        signed_out = client.get(url(name, **kwargs))
        assert signed_out.status_code == 302
        assert signed_out.url.endswith(f"?next={url(name, **kwargs)}")
    other = cora(make_coop("far-field", "Far Field Kilns"))
    client.force_login(other.person)
    for name, kwargs in pages:
        assert client.get(url(name, **kwargs)).status_code == 404
        assert client.get(url(name, other.coop, **kwargs)).status_code == 404


def test_a_member_gets_a_plain_no_on_the_stewards_pages(client):
    kiln, material = make_kiln(), make_material()
    client.force_login(ben().person)
    for name, kwargs in [
        ("kiln_add", {}),
        ("kiln_add_file", {}),
        ("kiln_change", {"kiln": kiln.public_id}),
        ("material_add", {}),
        ("material_change", {"material": material.public_id}),
        ("wood_stack_add", {}),
    ]:
        assert client.get(url(name, **kwargs)).status_code == 403
        assert client.post(url(name, **kwargs)).status_code == 403
    client.post(url("kiln_retire", kiln=kiln.public_id))
    assert Kiln.objects.get().retired_at is None


def test_the_api_adds_a_kiln_from_a_document_once(client):
    client.force_login(stu().person)
    body = {"kiln": json.loads(SAMPLE.read_text()), "place": "yard"}
    headers = {"Idempotency-Key": "one"}
    first = client.post(url("api_kilns"), body, content_type="application/json", headers=headers)
    again = client.post(url("api_kilns"), body, content_type="application/json", headers=headers)
    assert (first.status_code, again.status_code, Kiln.objects.count()) == (201, 201, 1)
    whole = client.get(url("api_kiln", kiln=first.json()["id"])).json()
    assert whole == first.json()
    assert [zone["capacity_ml"] for zone in whole["zones"]] == [
        3 * 610 * 305 * 1150 // 1000,
        3 * 610 * 305 * 1000 // 1000,
    ]


def test_the_api_names_every_fault_of_a_document(client):
    client.force_login(stu().person)
    body = {"kiln": {**json.loads(SAMPLE.read_text()), "watch_hours": 0, "volume_ml": "much"}}
    no = client.post(url("api_kilns"), body, content_type="application/json", headers={"Idempotency-Key": "two"})
    assert (no.status_code, len(no.json()["faults"])) == (400, 2)
    assert not Kiln.objects.exists()


def test_the_api_moves_wood_and_tells_the_stock(client):
    stack = make_stack()
    client.force_login(ben().person)
    address = url("api_wood_moves", stack=stack.public_id)
    said = {"stacked_dm3": -500}
    moved = client.post(address, said, content_type="application/json", headers={"Idempotency-Key": "a"})
    assert (moved.status_code, moved.json()["stacked_dm3"]) == (201, -500)
    assert client.get(url("api_wood_stacks")).json()["wood_stacks"][0]["stacked_dm3"] == 2500
    too_much = {"stacked_dm3": -5000}
    no = client.post(address, too_much, content_type="application/json", headers={"Idempotency-Key": "b"})
    assert no.status_code == 422
    client.force_login(cy().person)
    assert client.get(url("api_kilns")).status_code == 404
