"""A steward describes a kiln, fills the stores and retires the kiln; members look and carry wood."""

import json

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from firings.forms.kilns import KilnForm
from firings.models import Kiln, Material, WoodStack
from firings.queries import kilns as queries
from tests.factories import ben, make_coop, stu
from tests.factories_firings import SAMPLE, make_firing, make_kiln

pytestmark = pytest.mark.django_db

SMALL_KILN = {
    "name": "Wren kiln",
    "place": "by the gate",
    "volume_l": "300",
    "low": "8",
    "likely": "10",
    "high": "14",
    "load_hours": "6",
    "cool_hours": "36",
    "cleanup_hours": "12",
    "watch_hours": "4",
    "opening_c": "90",
    "least_rate_c_per_h": "20",
    "wood_kg_per_m3": "600",
    "zone-1-name": "Whole",
    "zone-1-cone": "6",
    "zone-1-boards": "1",
    "zone-1-board_w": "500",
    "zone-1-board_l": "400",
    "zone-1-height": "900",
    "zone-1-thickness": "20",
    "zone-1-air": "12",
    "zone-1-wad": "5",
    "zone-1-gap": "8",
    "zone-1-posts_per_board": "3",
    "zone-1-spots": "0 0 50 50\r\n450 0 500 50\r\n225 350 275 400",
    "posts-1-height_mm": "150",
    "posts-1-count": "12",
    "phase-1-name": "all of it",
    "phase-1-until": "100",
    "phase-1-people": "2",
    "phase-1-leads": "1",
    "line-1-text": "Sweep the kiln",
    "line-1-due_days": "3",
    "line-1-safety": "on",
}


@pytest.fixture
def go(client):
    """Sign somebody in; then ``go(name, data=...)`` opens a page of the co-op or sends its form."""

    def go(name, data=None, status=200, **kwargs):
        address = reverse(name, kwargs={"coop": make_coop().slug, **kwargs})
        answer = client.get(address) if data is None else client.post(address, data)
        assert answer.status_code == status, answer.content.decode()[:2000]
        return answer

    go.signed_in = lambda member: client.force_login(member.person)
    return go


def text_of(answer):
    """The page with every run of space, no-break ones too, as one plain space."""
    return " ".join(answer.content.decode().split())


def test_a_kiln_from_the_first_field_to_its_retirement(go):
    go.signed_in(stu())
    assert "Add a kiln" in text_of(go("kilns"))
    shown = text_of(go("kiln_add"))
    assert "cone 06 (about 998 °C)" in shown
    assert "cone 6 (about 1222 °C)" in shown
    assert " style=" not in shown

    refused = text_of(go("kiln_add", {**SMALL_KILN, "zone-1-height": "9", "place": "by the <gate>"}, status=400))
    assert "Zone 1, Usable height, mm: Write a whole number from 50 to 5000." in refused
    assert 'value="by the &lt;gate&gt;"' in refused  # what was typed is still there
    assert not Kiln.objects.exists()

    go("kiln_add", SMALL_KILN, status=303)
    kiln = Kiln.objects.get()
    page = text_of(go("kiln", kiln=kiln.public_id))
    for words in (
        "Wren kiln",
        "by the gate",
        "cone 6 (about 1222 °C)",
        "180.0 l",
        "90 °C",
    ):
        assert words in page
    assert '<rect class="is-line" x="225" y="0" width="50" height="50">' in page

    changed = {**SMALL_KILN, "likely": "11", "zone-2-name": "Loft"}
    assert "Zone 2, Hottest cone" in text_of(go("kiln_change", changed, status=400, kiln=kiln.public_id))
    go("kiln_change", {**SMALL_KILN, "likely": "11"}, status=303, kiln=kiln.public_id)
    kiln.refresh_from_db()
    assert (kiln.hours_likely, kiln.zones.count(), kiln.template_items.get().is_safety) == (11, 1, True)

    go("kiln_retire", {"once": "x"}, status=303, kiln=kiln.public_id)
    kiln.refresh_from_db()
    assert kiln.retired_at
    assert "Retired on" in text_of(go("kiln", kiln=kiln.public_id))


def test_sending_the_form_twice_adds_one_kiln(go):
    go.signed_in(stu())
    for _press in range(2):
        go("kiln_add", {**SMALL_KILN, "once": "same"}, status=303)
    assert Kiln.objects.count() == 1


def test_a_kiln_from_a_file_with_one_line_per_fault(go):
    go.signed_in(stu())
    wrong = {**json.loads(SAMPLE.read_text()), "watch_hours": 13, "colour": "red"}
    refused = go("kiln_add_file", {"text": json.dumps(wrong)}, status=400)
    assert len(refused.context["form"].non_field_errors()) == 2
    assert "unknown key" in text_of(refused)
    neither = go("kiln_add_file", {"text": ""}, status=400)
    assert "one of the two" in text_of(neither)
    binary = go("kiln_add_file", {"file": SimpleUploadedFile("kiln.json", b"\xff\xfe\x00")}, status=400)
    assert "UTF-8" in text_of(binary)

    go("kiln_add_file", {"file": SimpleUploadedFile("kiln.json", SAMPLE.read_bytes())}, status=303)
    kiln = Kiln.objects.get(name="Heron kiln")
    taken = go("kiln_add_file", {"text": SAMPLE.read_text()}, status=409)
    assert "There is a kiln of this name already" in text_of(taken)

    own = go("kiln_document", kiln=kiln.public_id)
    assert own["Content-Disposition"] == 'attachment; filename="heron-kiln.json"'
    document = {**json.loads(own.content), "watch_hours": 6}
    go("kiln_change_file", {"text": json.dumps(document)}, status=303, kiln=kiln.public_id)
    kiln.refresh_from_db()
    assert kiln.watch_hours == 6


def test_the_page_to_change_a_kiln_sends_back_what_it_shows(go):
    kiln = make_kiln()
    make_firing(kiln=kiln)  # its zones may not change now, so anything lost on the way would be refused
    go.signed_in(stu())
    before = queries.document_of(queries.kiln_whole(kiln.coop, kiln.public_id))
    form = go("kiln_change", kiln=kiln.public_id).context["form"]
    assert isinstance(form, KilnForm)
    sent = {
        bound.html_name: "on" if bound.value() is True else str(bound.value())
        for part in (form.basics, *form.rows)
        for bound in part
        if bound.value() not in (None, False)
    }
    go("kiln_change", sent, status=303, kiln=kiln.public_id)
    assert queries.document_of(queries.kiln_whole(kiln.coop, kiln.public_id)) == before


def test_materials_are_listed_with_cone_and_price(go):
    go.signed_in(stu())
    body = {"kind": "body", "name": "Grey crank", "stands_cone": "", "price": "1,80", "price_unit": "kg"}
    refused = text_of(go("material_add", body, status=422))
    assert "Pick the cone this clay body stands" in refused
    assert 'value="1,80"' in refused
    go("material_add", {**body, "price": "dear"}, status=400)
    go("material_add", {**body, "stands_cone": "06"}, status=303)
    material = Material.objects.get()
    assert material.price_minor == 180
    listed = text_of(go("materials"))
    assert "cone 06 (about 998 °C)" in listed
    assert "€1.80 / kg" in listed

    change = text_of(go("material_change", material=material.public_id))
    assert 'value="1.80"' in change
    go("material_change", {**body, "stands_cone": "10", "notes": "coarse"}, status=303, material=material.public_id)
    assert "cone 10" in text_of(go("materials"))
    go("material_retire", {}, status=303, material=material.public_id)
    assert "Grey crank" not in text_of(go("materials"))


def test_wood_is_stacked_by_the_steward_and_carried_by_members(go):
    firing = make_firing()
    go.signed_in(stu())
    stack = {
        "name": "North wall",
        "species": "larch",
        "size_class": "wrist-thick",
        "stacked": "2.5",
        "moisture": "18,5",
        "reach_order": "1",
        "is_covered": "on",
        "kiln_id": str(firing.kiln.public_id),
    }
    assert "reach" in text_of(go("wood_stack_add", {**stack, "reach_order": "0"}, status=400))
    go("wood_stack_add", stack, status=303)
    assert "There is a stack of this name already" in text_of(go("wood_stack_add", stack, status=409))
    row = WoodStack.objects.get()
    listed = text_of(go("wood_stacks"))
    for words in ("North wall", "larch, wrist-thick", "2.5 m³", "18.5 %"):
        assert words in listed

    go.signed_in(ben())
    assert "Add a stack" not in text_of(go("wood_stacks"))
    off = {"way": "off", "stacked": "0,75", "firing_id": str(firing.public_id), "note": "<for the night>"}
    go("wood_move", off, status=303, stack=row.public_id)
    row.refresh_from_db()
    assert row.stacked_dm3 == 1750
    too_much = text_of(go("wood_move", {**off, "stacked": "9"}, status=422, stack=row.public_id))
    assert "There are only 1750 litres on this stack" in too_much
    assert "0.75 m³ taken off" in too_much
    assert "&lt;for the night&gt;" in too_much


def test_a_member_who_reads_fahrenheit_and_inches_sees_them(go):
    kiln, member = make_kiln(), ben()
    person = member.person
    person.temperature_unit, person.length_unit = "f", "in"
    person.save()
    go.signed_in(member)
    page = text_of(go("kiln", kiln=kiln.public_id))
    assert "212 °F" in page
    assert "24.0 in" in page
    assert "°C" not in page
