"""Loading, at pages and API: looked for, moved by hand, ticked off, planned anew, printed, and found by its label."""

import base64
import io
import json
import re
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from coop import queues
from coop.models import Computation, Document
from firings.documents.labels import code_for
from firings.load_plan import moves
from firings.load_plan.problem import plan_from
from firings.models import Firing, Layer, LoadPlan, Outcome, Piece, Placement
from firings.services import load_plans
from tests.factories import NOW, ada, ben, cy, make_member
from tests.factories_space import book, make_open_firing

pytestmark = pytest.mark.django_db
LATER = NOW + timedelta(hours=1)
HTMX = {"HX-Request": "true"}


@pytest.fixture(autouse=True)
def _quick(monkeypatch):
    monkeypatch.setattr(load_plans, "SECONDS", 0.2)


def at(name, firing, **kwargs):
    return reverse(name, kwargs={"coop": firing.coop.slug, "firing": firing.public_id, **kwargs})


def text_of(page):
    return " ".join(re.sub(r"<[^>]+>", " ", page.content.decode()).split())


def loaded_firing(stage="loading", **fields):
    """Three bowls in front, one of Dee's at the back; an accepted plan."""
    firing = make_open_firing(**fields)
    book(firing, zone="front", count=2)
    book(firing, make_member("Dee"), name="tall jar", zone="back", diameter_mm=90, height_mm=150)
    plan = load_plans.propose_now(firing.coop, by=ada(), now=NOW, firing_id=firing.public_id)
    load_plans.accept(firing.coop, by=ada(), now=NOW, plan_id=plan.public_id)
    Firing.objects.filter(pk=firing.pk).update(stage=stage)
    firing.refresh_from_db()
    return firing, LoadPlan.objects.get(state="accepted", firing=firing)


def pots(plan):
    zones = [zone["id"] for zone in plan.request["zones"]]
    return [moves.spot_text(spot, zones) for spot, _ in moves.spots_of(plan_from(plan.plan))]


def test_a_member_finds_their_own_pots_and_others_by_name(client):
    firing, _ = loaded_firing()
    client.force_login(ben().person)
    mine = text_of(client.get(at("firing_load_plan", firing) + "?mine=1"))
    assert "2 pots found" in mine
    assert "bowl (Ben): Front, hot, layer 1, board 1, number 1" in mine
    by_owner = text_of(client.get(at("firing_load_plan", firing) + "?q=dee"))
    assert "One pot found tall jar (Dee): Back, soda, layer 1, board 1, number 1" in by_owner
    assert "Nothing of the kind stands here." in by_owner
    assert "Nothing of the kind stands on this plan." in text_of(client.get(at("firing_load_plan", firing) + "?q=vase"))


def test_a_tick_answers_a_script_with_what_changed_and_others_with_the_page(client):
    firing, _ = loaded_firing()
    client.force_login(ben().person)
    first = Placement.objects.filter(layer__zone__zone__name="Front, hot").first()
    page = client.get(at("firing_load_plan", firing))
    assert "To load now: Front, hot, layer 1" in text_of(page)
    plain = client.post(at("placement_tick", firing, placement=first.public_id), {"loaded": "yes"})
    assert plain.status_code == 303
    assert plain["Location"] == at("firing_load_plan", firing)
    part = client.post(at("layer_tick", firing, layer=first.layer.public_id), {"loaded": "yes"}, headers=HTMX)
    body = part.content.decode()
    assert "<html" not in body
    assert 'id="now"' in body
    assert 'hx-swap-oob="true"' in body
    assert "2 of 3 are in." in text_of(part)
    assert "To load now: Back, soda, layer 1" in text_of(part)
    undone = client.post(at("tick_undo", firing), headers=HTMX)
    assert "1 of 3 are in." in text_of(undone)
    for _ in range(2):
        refused = client.post(at("tick_undo", firing), headers=HTMX, follow=True)
    assert refused.headers["HX-Refresh"] == "true"  # the whole page, with the sentence that says why not
    assert "You have ticked nothing" in text_of(client.get(at("firing_load_plan", firing)))


def test_everything_in_the_page_says_so(client):
    firing, _ = loaded_firing()
    client.force_login(ben().person)
    for layer in Layer.objects.all():
        answer = client.post(at("layer_tick", firing, layer=layer.public_id), {"loaded": "yes"}, headers=HTMX)
    assert "Everything is in 3 of 3 are in." in text_of(answer)


def test_the_lead_moves_a_pot_by_hand_and_the_page_says_what_is_wrong_until_it_is_mended(client):
    firing, plan = loaded_firing(stage="booking")
    client.force_login(ada().person)
    first, second = pots(plan)[:2]
    hand = client.get(at("load_plan_hand", firing, plan=plan.public_id) + f"?pot={first}")
    assert "In hand: 1 bowl of Ben" in text_of(hand)
    by_hand_address = at("load_plan_step", firing, plan=plan.public_id)
    side = 20 if int(second.split(".")[-2]) > int(first.split(".")[-2]) else -20
    moved = client.post(by_hand_address, {"pot": first, "step": f"nudge:{side},0"})
    assert moved.status_code == 303
    page = client.get(moved["Location"])
    assert "One fault on this plan" in text_of(page)
    assert re.search(r"bowl \(\d+\) and bowl \(\d+\) (stand|overlap)", text_of(page))
    made = LoadPlan.objects.get(version=2)
    assert str(made.public_id) in moved["Location"]
    refused = client.post(at("load_plan_accept", firing, plan=made.public_id), follow=True)
    assert "This plan cannot be loaded" in text_of(refused)
    back = client.post(at("load_plan_undo", firing, plan=made.public_id), headers=HTMX)
    assert "no faults on this plan" in text_of(back)
    assert str(made.public_id) in back["HX-Replace-Url"]
    client.post(at("load_plan_step", firing, plan=made.public_id), {"pot": first, "step": "take_out"})
    page = client.get(at("firing_load_plan", firing) + "?version=2")
    assert "One pot stands otherwise than on plan 1" in text_of(page)
    client.post(at("load_plan_accept", firing, plan=made.public_id))
    made.refresh_from_db()
    assert made.state == "accepted"


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ({"step": "fling"}, "this is no step of a load plan"),
        ({"step": "nudge:5,0"}, "names no pot on a load plan"),
        ({"step": "nudge:5000,0"}, "whole number of millimetres"),
        ({"step": "nudge:x,0"}, "whole number of millimetres"),
        ({"step": "carry", "to": "9.9.9"}, "Choose the board"),
        ({"step": "carry", "to": "1.7.1"}, "There is no layer 7"),
        ({"step": "swap", "with": "1.1.1.999.5.5"}, "does not stand there any more"),
        ({"do": "put_in", "piece": "999", "to": "1.1.1"}, "This piece was withdrawn"),
        ({"do": "height", "layer": "1.1", "height_mm": "-5"}, "Give a height from 1"),
        ({"do": "height", "layer": "", "height_mm": "50"}, "There is no layer 0"),
    ],
)
def test_a_step_that_makes_no_sense_is_answered_in_words(client, said, why):
    firing, plan = loaded_firing()
    client.force_login(ada().person)
    if "step" in said and "names no pot" not in why:
        said = {"pot": pots(plan)[0], **said}
    page = client.post(at("load_plan_step", firing, plan=plan.public_id), said, follow=True)
    assert why in text_of(page)
    assert LoadPlan.objects.count() == 1


def test_the_rest_is_planned_anew_around_what_stands(client):
    firing, _plan = loaded_firing()
    client.force_login(ada().person)
    standing = Placement.objects.filter(layer__zone__zone__name="Front, hot").first()
    client.post(at("placement_tick", firing, placement=standing.public_id), {"loaded": "yes"})
    book(firing, ada(), member=ben(), name="late mug", diameter_mm=80, zone="front", now=LATER)
    client.post(at("load_plan_propose", firing))
    queues.sweep(lambda: LATER)
    assert Computation.objects.order_by("pk").last().answer["version"] == 2
    page = text_of(client.get(at("firing_load_plan", firing) + "?version=2"))
    assert "Plan 2: proposed" in page
    assert "late mug" in page
    new = LoadPlan.objects.get(version=2)
    client.post(at("load_plan_accept", firing, plan=new.public_id))
    kept = Placement.objects.get(layer__plan=new, loaded_at__isnull=False)
    assert (kept.piece_id, kept.x_dmm, kept.y_dmm) == (standing.piece_id, standing.x_dmm, standing.y_dmm)
    page = text_of(client.get(at("firing_load_plan", firing)))
    assert "1 of 4 are in." in page


def test_what_was_not_brought_and_what_was_not_booked_stand_in_lists(client):
    firing, _ = loaded_firing()
    client.force_login(ada().person)
    client.post(at("piece_brought", firing, piece=Piece.objects.get(name="bowl").public_id), {"brought": "1"})
    page = text_of(client.get(at("firing_load_plan", firing)))
    assert "bowl (Ben): 1 of 2 brought" in page
    assert "One row is not counted yet." in page


def test_a_label_leads_to_the_piece_which_only_the_coop_sees(client):
    firing, _plan = loaded_firing()
    jar = Piece.objects.get(name="tall jar")
    address = reverse("piece", kwargs={"coop": firing.coop.slug, "piece": jar.public_id})
    client.force_login(ben().person)
    page = text_of(client.get(address))
    assert "Belongs to Dee." in page
    assert "Back, soda, layer 1 from the floor, board 1" in page
    Outcome.objects.create(coop=firing.coop, piece=jar, result="good", count=1, by=ada(), at=NOW)
    assert "1 good" in text_of(client.get(address))
    client.force_login(cy().person)
    assert client.get(address).status_code == 404


@pytest.mark.slow
@pytest.mark.parametrize(("paper", "size"), [("a4", (595, 842)), ("letter", (612, 792))])
def test_papers_come_on_the_chosen_sheet_one_layer_a_page_with_the_scale_said(client, paper, size):
    import pypdf

    firing, plan = loaded_firing()
    client.force_login(ben().person)
    client.post(at("load_sheets", firing, plan=plan.public_id), {"paper": paper})
    client.post(at("piece_labels", firing), {"paper": paper})
    queues.sweep(lambda: NOW)
    sheets, labels = (
        pypdf.PdfReader(io.BytesIO(Document.objects.get(kind=kind).content)) for kind in ("load_sheets", "piece_labels")
    )
    for page in (*sheets.pages, *labels.pages):
        assert (round(page.mediabox.width), round(page.mediabox.height)) == size
    assert len(sheets.pages) == 1 + Layer.objects.filter(plan=plan).count()
    for page in sheets.pages[1:]:
        assert re.search(r"at 1 : [\d.]+ if printed at full size", " ".join(page.extract_text().split()))
    assert "tall jar" in labels.pages[0].extract_text()


def test_a_drawing_on_paper_has_the_scale_that_is_said():
    from firings.documents.load_sheets import PAPERS, _sheet
    from firings.load_plan.problem import request_from
    from firings.queries.load_plans import view_of

    _, plan = loaded_firing()
    zone = request_from(plan.request).zones[0]
    sheet = _sheet(zone, view_of(plan).zones[0].layers[0], PAPERS["a4"])
    # 610 mm boards (and a margin of 4 mm around) on 182 mm of paper: 1 : 3.4 would do, so 1 : 4
    assert (sheet["scale"], sheet["width_mm"]) == ("4", "154.5")


def test_the_code_on_a_label_holds_the_address_of_the_piece(settings):
    import segno

    settings.SITE_URL = "https://kilns.example"
    firing, _ = loaded_firing()
    jar = Piece.objects.get(name="tall jar")
    address = f"https://kilns.example/{firing.coop.slug}/pieces/{jar.public_id}/"
    drawn = base64.b64decode(code_for(firing.coop, jar).partition("base64,")[2]).decode()
    made = io.BytesIO()
    segno.make(address, error="m", micro=False).save(
        made, kind="svg", xmldecl=False, scale=4, border=4, dark="#000", light="#fff"
    )
    assert drawn == made.getvalue().decode()


# --- The API --------------------------------------------------------------------------------------


def call(client, address, body, key):
    return client.post(
        address, data=json.dumps(body), content_type="application/json", headers={"Idempotency-Key": key}
    )


def test_the_api_moves_undoes_ticks_and_tells_what_changes(client):
    firing, plan = loaded_firing()
    client.force_login(ada().person)
    spot, _ = next(moves.spots_of(plan_from(plan.plan)))
    step = moves.step_document(moves.TakeOut(spot))
    answer = call(client, at("api_load_plan_moves", firing, plan=plan.public_id), step, "k1").json()
    assert (answer["plan"]["version"], answer["plan"]["state"], answer["faults"]) == (2, "proposed", [])
    assert answer["spot"] is None
    assert [(row["kind"], row["count"]) for row in answer["changes"]] == [("out", 1)]
    undone = call(client, at("api_load_plan_undo", firing, plan=answer["plan"]["id"]), {}, "k2").json()
    assert undone["changes"] == []
    wrong = call(client, at("api_load_plan_moves", firing, plan=plan.public_id), {"do": "fling"}, "k3")
    assert (wrong.status_code, wrong["Content-Type"]) == (400, "application/problem+json")
    first = Placement.objects.first()
    ticked = call(client, at("api_placement", firing, placement=first.public_id), {"loaded": True}, "k4").json()
    assert ticked["loaded_at"] is not None
    back = call(client, at("api_tick_undo", firing), {}, "k5").json()
    assert [row["id"] for row in back] == [str(first.public_id)]


# --- What it costs --------------------------------------------------------------------------------


def _asks_for_rows(sql):
    """Not what PostgreSQL is told besides: whose rows may be seen, how a transaction reads, where it can go back to."""
    return not sql.startswith(("SELECT set_config", "SET ", "SAVEPOINT", "RELEASE SAVEPOINT"))


def test_pages_and_ticks_ask_the_database_no_more_for_forty_pots_than_for_two(client):
    def costs(count):
        firing = make_open_firing(capacity_ml=10**9)
        firing.kiln.zones.update(usable_height_mm=3000)
        book(firing, count=count, diameter_mm=90, zone="front")
        book(firing, make_member("Dee"), count=count, diameter_mm=90, zone="front")
        plan = load_plans.propose_now(firing.coop, by=ada(), now=NOW, firing_id=firing.public_id)
        load_plans.accept(firing.coop, by=ada(), now=NOW, plan_id=plan.public_id)
        Firing.objects.filter(pk=firing.pk).update(stage="loading")
        client.force_login(ada().person)
        by_hand, _ = load_plans.move(
            firing.coop, by=ada(), now=NOW, plan_id=plan.public_id,
            step=moves.TakeOut(next(moves.spots_of(plan_from(plan.plan)))[0]),
        )  # fmt: skip
        row = Placement.objects.filter(layer__plan=plan).order_by("pk").first()
        found = []
        for ask in (
            lambda: client.get(at("firing_load_plan", firing)),
            lambda: client.get(at("firing_load_plan", firing) + "?q=bowl"),
            lambda: client.get(at("firing_load_plan", firing) + "?version=2"),
            lambda: client.get(at("load_plan_hand", firing, plan=by_hand.public_id)),
            lambda: client.post(at("placement_tick", firing, placement=row.public_id), {"loaded": "yes"}, headers=HTMX),
        ):
            with CaptureQueriesContext(connection) as seen:
                assert ask().status_code == 200
            found.append(sum(_asks_for_rows(one["sql"]) for one in seen))
        return found

    costs(2)
    few = costs(2)
    assert costs(40) == few
    assert max(few) <= 30
