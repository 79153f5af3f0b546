"""A member lists pieces in the browser and through the API; the lead plans, accepts, loads and prints."""

import hashlib
import html
import io
import json
import re

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import call_command
from django.db import connection
from django.db.models import F
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from coop import queues
from coop.models import Computation, Document
from firings.load_plan import solve
from firings.models import Allotment, Firing, FiringZone, LoadPlan, Piece, Placement, Zone
from firings.services import allotments, fit_plans, fits, load_plans, space
from firings.tables import read_pieces
from tests.factories import NOW, ada, ben, cy, make_member
from tests.factories_space import book, bowl, make_body, make_open_firing

pytestmark = pytest.mark.django_db
HEADER = "piece,count,shape,diameter_mm,height_mm,cone,zone\n"


@pytest.fixture(autouse=True)
def _in_may(monkeypatch):
    """Pages ask the clock: let it be the day the tests' firings are open; and let the planner be quick."""
    monkeypatch.setattr(timezone, "now", lambda: NOW)
    for module in (load_plans, fit_plans, fits):
        monkeypatch.setattr(module, "SECONDS", 0.25)


def at(name, firing, **more):
    return reverse(name, kwargs={"coop": firing.coop.slug, "firing": firing.public_id, **more})


def typed(**fields):
    return {
        **{"name": "bowl", "count": "2", "diameter_mm": "200", "height_mm": "100"},
        **{"other_body": "grey clay", "cone": "11", "importance": "1", "may_wait": "on", "zone": ""},
        **fields,
    }


def text_of(response):
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


def test_a_member_lists_a_piece_and_reads_at_once_whether_it_fits(client):
    firing = make_open_firing(cost_estimate_minor=100_000)
    client.force_login(ben().person)
    response = client.post(at("piece_add", firing), typed(), follow=True)
    page = text_of(response)
    # 1000.00 over 70 % of 148.84 l, times 10.706 l
    assert "“bowl” holds 10.7 l in Front, hot. Roughly €102.76" in page
    assert Piece.objects.get().asked_ml == 10_706


def test_a_full_kiln_puts_the_piece_on_the_waiting_list_and_says_its_place(client):
    firing = make_open_firing(capacity_ml=3000)
    book(firing, make_member("Dee"))
    client.force_login(ben().person)
    page = text_of(client.post(at("piece_add", firing), typed(), follow=True))
    assert "number 2 on the waiting list" in page
    assert "number 2 in line" in page


def test_what_does_not_fit_and_may_not_wait_is_refused_with_what_was_typed(client):
    firing = make_open_firing(capacity_ml=3000)
    client.force_login(ben().person)
    response = client.post(at("piece_add", firing), typed(may_wait="", glaze="ash"))
    assert response.status_code == 409
    assert "does not fit: Front, hot has 3.0 l free" in text_of(response)
    assert 'value="ash"' in response.content.decode()
    assert not Piece.objects.exists()


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"diameter_mm": "", "width_mm": ""}, "diameter of a round piece, or width and length"),
        ({"diameter_mm": "100", "width_mm": "50"}, "not both"),
        ({"height_mm": "tall"}, "is no length"),
        ({"height_mm": "-4"}, "above zero"),
        ({"cone": "06"}, "Mind the zero, look at the bag: cone 06 (about 998 °C) is not cone 6 (about 1222 °C)"),
        ({"cone": ""}, "Pick the cone"),
        ({"count": "0"}, "0 pieces will not do"),
    ],
)
def test_bad_input_gets_one_clear_sentence_by_its_field(client, fields, says):
    firing = make_open_firing(target_cone="6")
    firing.kiln.zones.update(cone="6")
    client.force_login(ben().person)
    response = client.post(at("piece_add", firing), typed(**fields))
    assert response.status_code in (400, 422)
    assert says in text_of(response)
    assert not Piece.objects.exists()


def test_a_double_press_lists_one_piece(client):
    firing = make_open_firing()
    client.force_login(ben().person)
    for _ in range(2):
        client.post(at("piece_add", firing), typed(once="abc"))
    assert Piece.objects.count() == 1


def test_inches_and_decimal_commas_are_understood(client):
    firing, member = make_open_firing(), ben()
    member.person.length_unit = "in"
    member.person.save()
    client.force_login(member.person)
    client.post(at("piece_add", firing), typed(diameter_mm="7,5", height_mm="4"))
    assert (Piece.objects.get().diameter_mm, Piece.objects.get().height_mm) == (191, 102)


def test_the_form_tells_06_and_6_apart(client):
    firing = make_open_firing()
    make_body()
    client.force_login(ben().person)
    html = client.get(at("piece_add", firing)).content.decode()
    assert '<option value="6">cone 6, about 1222 °C</option>' in html
    assert '<option value="06">cone 06, about 998 °C</option>' in html
    assert "Stoneware S (cone 10)" in html


def test_a_piece_is_changed_and_withdrawn_in_the_browser(client):
    firing = make_open_firing()
    piece = book(firing)
    client.force_login(ben().person)
    assert 'value="200"' in client.get(at("piece_change", firing, piece=piece.public_id)).content.decode()
    client.post(at("piece_change", firing, piece=piece.public_id), typed(count="3"))
    piece.refresh_from_db()
    assert piece.count == 3
    page = text_of(client.post(at("piece_withdraw", firing, piece=piece.public_id), follow=True))
    assert "“bowl” is withdrawn; its space is free." in page
    assert sum(FiringZone.objects.values_list("taken_ml", flat=True)) == 0


def test_a_pasted_list_is_looked_at_first_and_then_saved_whole(client):
    firing = make_open_firing()
    client.force_login(ben().person)
    text = HEADER + "mug;2;round;90;100;10;\n".replace(";", ",") + "jar,1,round,150,200,11,front\n"
    looked = client.post(at("pieces_paste", firing), {"text": text})
    assert "2 rows were understood; nothing is saved yet. 3 pots in all." in text_of(looked)
    assert not Piece.objects.exists()
    saved = client.post(at("pieces_paste", firing), {"text": text, "save": "yes"}, follow=True)
    assert "2 rows saved: 2 with space" in text_of(saved)
    assert Piece.objects.count() == 2


def test_faults_of_a_list_are_named_by_row_and_nothing_is_saved(client):
    firing = make_open_firing()
    client.force_login(ben().person)
    text = HEADER + "mug,0,round,90,100,10,\njar,1,round,abc,200,11,\npot,1,round,90,90,04,\n"
    response = client.post(at("pieces_paste", firing), {"text": text, "save": "yes"})
    page = text_of(response)
    assert response.status_code == 400
    assert "Row 2, count" in page
    assert "Row 3, diameter_mm" in page
    late = client.post(at("pieces_paste", firing), {"text": HEADER + "pot,1,round,90,90,04,\n", "save": "yes"})
    assert late.status_code == 400
    assert "Row 2: “pot” stands cone 04" in text_of(late)
    assert not Piece.objects.exists()


def test_an_uploaded_file_is_shown_for_review_and_100000_rows_are_refused_quickly(client):
    firing = make_open_firing()
    client.force_login(ben().person)
    small = SimpleUploadedFile("pieces.csv", b"\xef\xbb\xbf" + (HEADER + "mug,1,round,90,100,10,\n").encode())
    response = client.post(at("pieces_upload", firing), {"file": small})
    assert "One row was understood" in text_of(response)
    assert "mug,1,round,90,100,10," in response.content.decode()
    large = SimpleUploadedFile("pieces.csv", (HEADER + "mug,1,round,90,100,10,\n" * 100_000).encode())
    response = client.post(at("pieces_upload", firing), {"file": large})
    assert response.status_code == 400
    assert "more than 5,000 rows; split the file" in text_of(response)


def test_the_empty_list_and_the_example_can_be_downloaded_and_read(client):
    firing = make_open_firing()
    client.force_login(ben().person)
    empty = client.get(reverse("pieces_template", args=[firing.coop.slug]))
    assert empty["Content-Disposition"] == 'attachment; filename="pieces-empty.csv"'
    example = client.get(reverse("pieces_sample", args=[firing.coop.slug]))
    assert not read_pieces(example.content).faults


def test_the_signed_out_sign_in_and_strangers_find_nothing(client):
    firing = make_open_firing()
    piece = book(firing)
    names = ["firing_space", "piece_add", "pieces_paste", "pieces_upload", "pieces_brought", "firing_load_plan"]
    for name in names:
        assert "/accounts/login/" in client.get(at(name, firing))["Location"]
    stranger = cy()
    client.force_login(stranger.person)
    for name in names:
        assert client.get(at(name, firing)).status_code == 404
        there = reverse(name, kwargs={"coop": stranger.coop.slug, "firing": firing.public_id})
        assert client.get(there).status_code == 404
    there = reverse(
        "piece_withdraw",
        kwargs={"coop": stranger.coop.slug, "firing": firing.public_id, "piece": piece.public_id},
    )
    assert client.post(there).status_code == 404
    piece.refresh_from_db()
    assert piece.state == "held"


@pytest.mark.parametrize("name", ["firing_space", "pieces_brought"])
def test_pages_cost_no_more_when_pieces_are_many(client, name):
    firing = make_open_firing()
    client.force_login(ben().person)

    def cost():
        with CaptureQueriesContext(connection) as seen:
            assert client.get(at(name, firing)).status_code == 200
        return len(seen)

    def list_some(count):
        rows = read_pieces(HEADER + "cup,1,round,60,60,11,\n" * count + "urn,9,round,300,300,11,\n" * 3, member="x")
        space.list_pieces(firing.coop, by=ben(), now=NOW, firing_id=firing.public_id, rows=rows.require())

    list_some(1)
    cost()
    before = cost()
    list_some(20)
    assert cost() <= before


def test_the_lead_counts_in_what_was_brought(client):
    firing = make_open_firing(stage="loading")
    piece = book(firing, ada(), member=ben(), count=3)
    client.force_login(ada().person)
    client.post(at("piece_brought", firing, piece=piece.public_id), {"brought": "2"})
    piece.refresh_from_db()
    assert piece.brought == 2
    page = text_of(client.post(at("piece_brought", firing, piece=piece.public_id), {"brought": "x"}, follow=True))
    assert "as a whole number" in page


# --- Does it fit? -------------------------------------------------------------------------


@pytest.fixture
def planner_is_ready():
    """As in a web process in which somebody has asked before."""
    solve.warm()


HTMX = {"HX-Request": "true"}


def test_does_it_fit_is_answered_with_the_form_as_typed_and_nothing_is_booked(client, planner_is_ready):
    firing = make_open_firing()
    client.force_login(ben().person)
    form = client.get(at("piece_add", firing)).content.decode()
    assert f'formaction="{at("piece_fits", firing)}"' in form
    response = client.post(at("piece_fits", firing), typed(glaze="ash"))
    page = text_of(response)
    assert response.status_code == 200
    assert "It fits. The planner finds a place for all 2. It would hold 10.7 l" in page
    assert "What still goes in beside it" in page
    assert 'value="ash"' in response.content.decode()
    assert f'action="{at("piece_add", firing)}"' in response.content.decode()
    assert not Piece.objects.exists()


def test_with_htmx_only_the_answer_comes_back_faults_as_well(client, planner_is_ready):
    firing = make_open_firing()
    client.force_login(ben().person)
    good = client.post(at("piece_fits", firing), typed(), headers=HTMX)
    assert "It fits." in text_of(good)
    assert "<html" not in good.content.decode()
    assert "HX-Request" in good["Vary"]
    bad = client.post(at("piece_fits", firing), typed(cone="06"), headers=HTMX)
    assert bad.status_code == 200
    assert "06" in text_of(bad)
    assert 'role="alert"' in bad.content.decode()
    whole = client.post(at("piece_fits", firing), typed(cone="06"))
    assert whole.status_code == 422
    assert "<html" in whole.content.decode()


def test_what_does_not_fit_is_said_with_who_could_make_room_and_can_be_asked_for_all_the_same(client, planner_is_ready):
    firing = make_open_firing()
    for number in range(2):
        book(firing, make_member("Dee"), zone="front", diameter_mm=300, height_mm=250, name=f"urn {number}")
    fit_plans.refresh(firing.coop, now=NOW, firing_id=firing.public_id)
    client.force_login(ben().person)
    vase = typed(count="1", height_mm="300", zone=str(firing.zones.first().public_id))
    page = text_of(client.post(at("piece_fits", firing), vase))
    assert "It does not fit. No room is left in zone Front, hot" in page
    assert "You can ask for space all the same: Front, hot has the" in page
    booked = text_of(client.post(at("piece_add", firing), vase, follow=True))
    assert "not planned yet" in booked
    queues.sweep(lambda: NOW)
    page = text_of(client.get(at("firing_space", firing)))
    assert "but the planner finds no place for it" in page
    assert "Not all: the planner finds places for 2 pots, for one it finds none." in page
    assert "Of yours: 1 × bowl ." in page.replace("bowl.", "bowl .")
    assert re.search(r"No room is left in zone Front, hot .*1 × bowl \(Ben\)", page)
    assert "by litres every pot holds space, on the boards one finds none." in page
    assert "(Front, hot 1.15, Back, soda 1.15); 1.15 is assumed until three loads of this kiln have been fired" in page
    Zone.objects.filter(kiln=firing.kiln).update(stacking_permille=1930)
    page = text_of(client.get(at("firing_space", firing)))
    assert "the stacking factor of this kiln's last loads (Front, hot 1.93, Back, soda 1.93)" in html.unescape(page)


def test_pieces_that_wait_by_litres_while_the_boards_have_room_are_spoken_of(client):
    firing = make_open_firing()
    book(firing, zone="front")
    FiringZone.objects.filter(firing=firing).update(capacity_ml=F("taken_ml") + 1)
    book(firing, zone="front", name="late")
    queues.sweep(lambda: NOW)
    client.force_login(ben().person)
    page = text_of(client.get(at("firing_space", firing)))
    assert "by litres one piece waits, on the boards there is room left." in page


def test_a_process_whose_planner_is_not_ready_answers_beside_the_page_and_tells_programs_to_come_back(
    client, monkeypatch
):
    monkeypatch.setattr(fits, "is_ready", lambda: False)
    firing = make_open_firing()
    client.force_login(ben().person)
    asked = client.post(at("piece_fits", firing), typed())
    assert asked.status_code == 303
    assert "the answer comes here by itself" in text_of(client.get(asked["Location"]))
    queues.sweep(lambda: NOW)
    assert "It fits." in text_of(client.get(asked["Location"]))
    body = {"name": "bowl", "diameter_mm": 200, "height_mm": 100, "cone": "11", "zone": "front"}
    answer = client.post(at("api_fits", firing), data=json.dumps(body), content_type="application/json")
    assert (answer.status_code, answer["Content-Type"]) == (503, "application/problem+json")
    assert "ask again" in answer.json()["detail"]


def test_a_change_is_asked_about_in_place_and_anothers_piece_is_not_there(client, planner_is_ready):
    firing = make_open_firing()
    piece = book(firing, zone="front")
    client.force_login(ben().person)
    form = client.get(at("piece_change", firing, piece=piece.public_id)).content.decode()
    ask = at("piece_change_fits", firing, piece=piece.public_id)
    assert f'formaction="{ask}"' in form
    assert "It fits." in text_of(client.post(ask, typed(count="3")))
    assert client.get(ask).status_code == 303
    client.force_login(make_member("Dee").person)
    assert client.post(ask, typed()).status_code == 403
    stranger = cy()
    client.force_login(stranger.person)
    there = {"coop": stranger.coop.slug, "firing": firing.public_id}
    assert client.post(reverse("piece_fits", kwargs=there), typed()).status_code == 404


def test_a_big_load_is_worked_out_beside_the_page_which_shows_how_far_it_is(client, monkeypatch):
    monkeypatch.setattr(fits, "POTS_AT_ONCE", 1)
    firing = make_open_firing()
    client.force_login(ben().person)
    asked = client.post(at("piece_fits", firing), typed(glaze="ash"))
    assert asked.status_code == 303
    waits = client.get(asked["Location"])
    assert "the answer comes here by itself" in text_of(waits)
    assert waits["Refresh"].startswith("2;")
    part = client.post(at("piece_fits", firing), typed(glaze="ash"), headers=HTMX)
    assert f'hx-get="{asked["Location"]}"' in part.content.decode()
    queues.sweep(lambda: NOW)
    done = client.get(asked["Location"])
    assert "It fits." in text_of(done)
    assert 'value="ash"' in done.content.decode()
    assert "Refresh" not in done
    client.force_login(make_member("Dee").person)
    assert client.get(asked["Location"]).status_code == 404


def test_one_form_may_ask_about_big_loads_again_and_again_and_book_once(client, monkeypatch):
    monkeypatch.setattr(fits, "POTS_AT_ONCE", 1)
    firing = make_open_firing()
    client.force_login(ben().person)
    first = client.post(at("piece_fits", firing), typed(once="k"))
    second = client.post(at("piece_fits", firing), typed(once="k", count="3"))
    assert first["Location"] != second["Location"]
    assert Computation.objects.filter(kind="fit_question").count() == 2
    for _ in range(2):
        client.post(at("piece_add", firing), typed(once="k"))
    assert Piece.objects.count() == 1


def test_the_space_page_tells_the_newest_answer_and_that_it_is_stale(client):
    firing = make_open_firing()
    client.force_login(ben().person)
    assert "Nothing holds space yet." in text_of(client.get(at("firing_space", firing)))
    book(firing, count=2)
    assert "The first plan is being made" in text_of(client.get(at("firing_space", firing)))
    queues.sweep(lambda: NOW)
    page = text_of(client.get(at("firing_space", firing)))
    assert "Yes: the planner finds a place on the boards for all 2 pots that hold space." in page
    assert "It is about the pieces as they stand now." in page
    assert re.search(r"about \w+ plates? up to 260 mm wide and 40 mm tall", page)
    assert "holds space in Front, hot, and fits" in page
    book(firing, zone="back")
    assert "a new plan is being made" in text_of(client.get(at("firing_space", firing)))


def test_the_api_answers_whether_a_piece_fits_and_what_the_plan_says(client, planner_is_ready):
    firing = make_open_firing()
    client.force_login(ben().person)
    assert client.get(at("api_fits", firing)).status_code == 404
    body = {"name": "bowl", "diameter_mm": 200, "height_mm": 100, "cone": "11", "zone": "front"}
    answer = client.post(at("api_fits", firing), data=json.dumps(body), content_type="application/json")
    assert (answer.status_code, answer.json()["fits"], answer.json()["holds"]) == (200, True, True)
    refused = client.post(
        at("api_fits", firing), data=json.dumps({**body, "cone": "06"}), content_type="application/json"
    )
    assert refused.status_code == 422
    book(firing)
    queues.sweep(lambda: NOW)
    plan = client.get(at("api_fits", firing)).json()
    assert (plan["fits"], plan["pots"], plan["is_stale"]) == (True, 1, False)


# --- The allotment ------------------------------------------------------------------------


def full(**more):
    """Room for three bowls in front, held by Ben; Dee waits with two."""
    firing = make_open_firing(**more)
    firing.zones.exclude(zone__name="Front, hot").delete()
    firing.zones.update(capacity_ml=3 * 5353)
    for number in range(3):
        book(firing, name=f"bowl {number}")
    for number in range(2):
        book(firing, make_member("Dee"), name=f"jar {number}")
    return firing


def test_the_seed_is_committed_to_before_booking_closes_and_the_lead_proposes_and_accepts(client):
    firing = full()
    client.force_login(ben().person)
    commitment = hashlib.sha256(firing.draw_seed.encode()).hexdigest()
    page = client.get(at("firing_space", firing)).content.decode()
    assert commitment in page
    page = text_of(client.get(at("allotment", firing)))
    assert commitment in page
    assert firing.draw_seed not in page
    assert "Ada, who leads this firing, has it worked out" in page
    client.force_login(ada().person)
    page = text_of(client.post(at("allotment_propose", firing), follow=True))
    assert "Nothing has changed for anybody yet." in page
    assert firing.draw_seed in page
    assert "accepting ends it now" in page
    row = Allotment.objects.get()
    page = text_of(client.post(at("allotment_accept", firing, allotment=row.public_id), follow=True))
    assert "The space is shared out, and everyone who asked for it is told." in page
    client.force_login(make_member("Dee").person)
    page = text_of(client.get(at("allotment", firing)))
    # by hand: 16059 ml for two are 8029.5 each: one bowl each, the third goes to one of them beyond the grant
    assert re.search(r"Asked 10\.7.l, granted 8\.0.l: 8\.030 l x weight 1 = 8\.030 l\.", page)
    assert "jar 0, Front, hot" in page
    assert "How to redo the draw" in page


def test_a_member_may_read_but_neither_propose_nor_accept(client):
    firing = full()
    client.force_login(ben().person)
    page = text_of(client.post(at("allotment_propose", firing), follow=True))
    assert "Only the lead of this firing (Ada)" in page
    assert not Allotment.objects.exists()
    row = allotments.propose(firing.coop, by=ada(), now=NOW, firing_id=firing.public_id)
    html = client.get(at("allotment", firing)).content.decode()
    assert "Accept and tell everyone" not in html
    client.post(at("allotment_accept", firing, allotment=row.public_id))
    assert Firing.objects.get(pk=firing.pk).stage == "booking"


def test_accepting_what_has_changed_says_so_and_shows_the_new_proposal(client):
    firing = full()
    row = allotments.propose(firing.coop, by=ada(), now=NOW, firing_id=firing.public_id)
    book(firing, make_member("Dee"), name="late")
    client.force_login(ada().person)
    assert "were listed, changed or withdrawn" in text_of(client.get(at("allotment", firing)))
    accept = at("allotment_accept", firing, allotment=row.public_id)
    page = text_of(client.post(accept, {"once": "k"}, follow=True))
    assert "So nothing was shared out; proposal 2 is about the pieces as they are now." in page
    assert "Proposal 2: proposed" in page
    assert Firing.objects.get(pk=firing.pk).stage == "booking"


def test_the_file_gives_the_same_at_the_prompt_and_strangers_find_nothing(client, tmp_path):
    firing = full()
    row = allotments.propose(firing.coop, by=ada(), now=NOW, firing_id=firing.public_id)
    client.force_login(ben().person)
    file = client.get(at("allotment_file", firing, allotment=row.public_id))
    assert file["Content-Disposition"].startswith("attachment")
    (tmp_path / "a.json").write_bytes(file.content)
    call_command("allot_space", str(tmp_path / "a.json"), "--out", str(tmp_path / "b.json"))
    assert json.loads((tmp_path / "b.json").read_text())["grants"] == row.answer["allotment"]["grants"]
    stranger = cy()
    client.force_login(stranger.person)
    for name, more in [("allotment", {}), ("allotment_file", {"allotment": row.public_id})]:
        there = {"coop": stranger.coop.slug, "firing": firing.public_id, **more}
        assert client.get(reverse(name, kwargs=there)).status_code == 404


def test_the_overview_leads_to_sharing_out(client):
    firing = full()
    client.force_login(ada().person)
    html = client.get(at("firing", firing)).content.decode()
    assert f'href="{at("allotment", firing)}"' in html
    page = text_of(client.post(at("firing_move", firing), {"to": "allotted"}, follow=True))
    assert "Propose an allotment on the space page first." in page


def test_the_allotment_page_costs_no_more_when_members_are_many(client):
    firing = full()
    client.force_login(ben().person)

    def cost():
        allotments.propose(firing.coop, by=ada(), now=NOW, firing_id=firing.public_id)
        with CaptureQueriesContext(connection) as seen:
            assert client.get(at("allotment", firing)).status_code == 200
        return len(seen)

    cost()
    before = cost()
    for number in range(12):
        book(firing, make_member(f"Potter {number}"), name="cup", diameter_mm=80)
    assert cost() <= before


def test_the_api_proposes_accepts_and_opens_the_draw(client):
    firing = full()
    client.force_login(ada().person)
    assert client.get(at("api_draw", firing)).json()["seed"] == ""
    assert client.get(at("api_allotment", firing)).status_code == 404
    made = call(client, "post", at("api_allotment", firing))
    assert (made.status_code, made.json()["state"], made.json()["request"]["format"]) == (
        201,
        "proposed",
        "allotment/1",
    )
    assert client.get(at("api_draw", firing)).json()["seed"] == firing.draw_seed
    book(firing, make_member("Dee"), name="late")
    accept = at("api_allotment_accept", firing, allotment=made.json()["id"])
    changed = call(client, "post", accept, key="k2")
    assert (changed.status_code, changed["Content-Type"]) == (409, "application/problem+json")
    newest = client.get(at("api_allotment", firing)).json()
    assert newest["version"] == 2
    accept = at("api_allotment_accept", firing, allotment=newest["id"])
    assert call(client, "post", accept, key="k3").json()["state"] == "accepted"
    client.force_login(ben().person)
    assert call(client, "post", at("api_allotment", firing), key="k4").status_code == 403


# --- The load plan ------------------------------------------------------------------------


def computed():
    """Work off the queue as the background process does; the newest computation."""
    queues.sweep(lambda: NOW)
    return Computation.objects.order_by("pk").last()


def test_the_lead_proposes_accepts_loads_and_prints(client):
    firing = make_open_firing()
    for number in range(3):
        book(firing, ben() if number % 2 else make_member("Dee"), name=f"bowl {number}", zone="front")
    client.force_login(ada().person)
    wait = client.post(at("load_plan_propose", firing))
    assert wait.status_code == 303
    assert "/computations/" in wait["Location"]
    assert computed().answer["version"] == 1
    page = client.get(at("firing_load_plan", firing))
    assert "Plan 1: proposed" in text_of(page)
    assert "no plan for these pieces can need less than" in text_of(page)
    assert page.content.decode().count("<svg xmlns") >= 2
    plan = LoadPlan.objects.get()
    client.post(at("load_plan_accept", firing, plan=plan.public_id))
    assert Placement.objects.count() == 3
    Firing.objects.filter(pk=firing.pk).update(stage="loading")
    first = Placement.objects.first()
    client.post(at("placement_tick", firing, placement=first.public_id), {"loaded": "yes"})
    assert Placement.objects.exclude(loaded_at=None).count() == 1
    client.post(at("layer_tick", firing, layer=first.layer.public_id), {"loaded": "no"})
    assert Placement.objects.exclude(loaded_at=None).count() == 0
    mine = client.get(at("firing_load_plan", firing) + "?mine=1")
    assert "None of yours stands here." in text_of(mine)


def test_a_member_may_not_propose_or_accept(client):
    firing = make_open_firing()
    book(firing)
    client.force_login(ben().person)
    page = text_of(client.post(at("load_plan_propose", firing), follow=True))
    assert "Only the lead of this firing (Ada)" in page
    assert not Computation.objects.filter(kind="load_plan").exists()


@pytest.mark.slow
def test_load_sheets_and_labels_are_papers_a_second_library_reads(client):
    import pypdf

    firing = make_open_firing()
    for number in range(4):
        book(firing, name=f"bowl {number}", count=2, zone="front" if number % 2 else "back")
    plan = load_plans.propose_now(firing.coop, by=ada(), now=NOW, firing_id=firing.public_id, seconds=0.3)
    load_plans.accept(firing.coop, by=ada(), now=NOW, plan_id=plan.public_id)
    client.force_login(ben().person)
    client.post(at("load_sheets", firing, plan=plan.public_id))
    client.post(at("piece_labels", firing), {"mine": "1"})
    assert computed().state == "done"
    sheets, labels = (Document.objects.get(kind=kind) for kind in ("load_sheets", "piece_labels"))
    assert labels.for_membership == ben()
    read = pypdf.PdfReader(io.BytesIO(sheets.content))
    layers = sum(len(zone["boards"]) > 0 for zone in plan.plan["layers"])
    assert len(read.pages) >= 1 + layers
    words = " ".join(page.extract_text() for page in read.pages)
    assert all(f"bowl {number}" in words for number in range(4))
    assert "Ben" in words
    words = " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(labels.content)).pages)
    assert words.count("bowl ") == 8
    # The line may break after the stroke; which layer a bowl stands on is the planner's affair.
    assert len(re.findall(r"layer/\s*board:\s*Front, hot \d/\d", words)) == 4
    assert len(re.findall(r"layer/\s*board:\s*Back, soda \d/\d", words)) == 4


# --- The API ------------------------------------------------------------------------------


def call(client, method, address, body=None, key="k1"):
    return getattr(client, method)(
        address,
        data=json.dumps(body or {}),
        content_type="application/json",
        headers={"Idempotency-Key": key},
    )


def test_the_api_lists_changes_withdraws_and_tells_the_waiting_list(client):
    firing = make_open_firing(capacity_ml=6000)
    client.force_login(ben().person)
    pieces = at("api_pieces", firing)
    body = {"name": "bowl", "diameter_mm": 200, "height_mm": 100, "cone": "11", "zone": "front"}
    first = call(client, "post", pieces, body)
    assert (first.status_code, first.json()["state"], first.json()["asked_ml"]) == (201, "held", 5353)
    again = call(client, "post", pieces, body)
    assert again.json()["id"] == first.json()["id"]
    second = call(client, "post", pieces, body, key="k2").json()
    assert second["state"] == "waiting"
    assert client.get(at("api_waiting_list", firing)).json()[0]["piece"]["id"] == second["id"]
    one = at("api_piece", firing, piece=first.json()["id"])
    changed = call(client, "patch", one, {"note": "lid loose"}, key="k3")
    assert (changed.status_code, changed.json()["note"], changed.json()["height_mm"]) == (200, "lid loose", 100)
    assert call(client, "delete", one, key="k4").json()["state"] == "withdrawn"
    assert client.get(pieces).json()[0]["state"] == "held"
    told = client.get(at("api_space", firing)).json()
    assert (told["zones"][0]["taken_ml"], told["held_ml"], told["waiting"]) == (5353, 5353, 0)


def test_the_api_refuses_with_problem_json(client):
    firing = make_open_firing(capacity_ml=3000)
    client.force_login(ben().person)
    body = {"name": "bowl", "diameter_mm": 200, "height_mm": 100, "cone": "04"}
    no = call(client, "post", at("api_pieces", firing), body)
    assert (no.status_code, no["Content-Type"]) == (422, "application/problem+json")
    assert "cone" in no.json()["fields"]
    no = call(client, "post", at("api_pieces", firing), {**body, "cone": "11", "may_wait": False}, key="k2")
    assert (no.status_code, no.json()["type"].rsplit("/", 1)[-1]) == (409, "no-space")
    no = call(client, "post", at("api_pieces_csv", firing), {"text": HEADER + "mug,0,round,9,1,,\n"}, key="k3")
    assert no.status_code == 400
    assert len(no.json()["faults"]) > 1
    yes = call(client, "post", at("api_pieces_csv", firing), {"text": HEADER + "mug,1,round,90,90,10,\n"}, key="k4")
    assert [piece["name"] for piece in yes.json()] == ["mug"]


def test_the_api_plans_loads_and_counts_in(client):
    firing = make_open_firing()
    piece = book(firing, count=2)
    client.force_login(ada().person)
    assert client.get(at("api_load_plan", firing)).status_code == 404
    assert call(client, "post", at("api_load_plan", firing), {"seed": 3}).status_code == 202
    computed()
    plan = client.get(at("api_load_plan", firing)).json()
    assert plan["plan"]["format"] == "load-plan/1"
    call(client, "post", at("api_load_plan_accept", firing, plan=plan["id"]))
    Firing.objects.filter(pk=firing.pk).update(stage="loading")
    places = client.get(at("api_placements", firing)).json()
    assert [place["copy"] for place in places] == [1, 2]
    ticked = call(client, "post", at("api_placement", firing, placement=places[0]["id"]), {"loaded": True})
    assert ticked.json()["loaded_at"] is not None
    layer = call(client, "post", at("api_layer", firing, layer=places[0]["layer"]), {"loaded": True})
    assert all(place["loaded_at"] for place in layer.json())
    brought = call(client, "post", at("api_piece_brought", firing, piece=piece.public_id), {"brought": 2})
    assert brought.json()["brought"] == 2


def test_a_stranger_reaches_nothing_through_the_api(client):
    firing = make_open_firing()
    book(firing)
    stranger = cy()
    client.force_login(stranger.person)
    for name in ("api_space", "api_pieces", "api_waiting_list", "api_load_plan", "api_placements"):
        assert client.get(at(name, firing)).status_code == 404
        there = reverse(name, kwargs={"coop": stranger.coop.slug, "firing": firing.public_id})
        assert client.get(there).status_code == 404
    there = reverse("api_pieces", kwargs={"coop": stranger.coop.slug, "firing": firing.public_id})
    body = {"name": bowl().name, "diameter_mm": 200, "height_mm": 100, "cone": "11"}
    assert call(client, "post", there, body).status_code == 404
