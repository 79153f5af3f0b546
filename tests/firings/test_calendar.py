"""Pages and API of firings and the calendar: who sees and does what, in the co-op's own time."""

import json
from datetime import UTC, datetime, timedelta
from urllib.parse import urlencode

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from coop import services as people
from firings.models import Firing, StageMove
from firings.queries import firings as queries
from tests.factories import ada, ben, cora, cy, make_coop, make_member
from tests.factories_firings import SAMPLE, make_firing, make_kiln

pytestmark = pytest.mark.django_db
DAY, H = timedelta(days=1), timedelta(hours=1)
COOP = {"coop": "hollow-lane"}


def soon(days=14):
    return timezone.now().replace(minute=0, second=0, microsecond=0) + days * DAY


def make_soon(days=14, **fields):
    return make_firing(now=timezone.now(), occupied_from=soon(days), **fields)


def page(client, name, member=None, **kwargs):
    client.force_login((member or ada()).person)
    return client.get(reverse(name, kwargs={**COOP, **kwargs}))


def typed(**moments):
    """What a browser sends for pairs of date and time inputs."""
    return {
        key: value
        for name, moment in moments.items()
        for key, value in ((f"{name}_0", moment[:10]), (f"{name}_1", moment[11:]))
    }


def send(client, name, data, member=None, **kwargs):
    client.force_login((member or ada()).person)
    return client.post(reverse(name, kwargs={**COOP, **kwargs}), data)


# --- Pages ----------------------------------------------------------------------------------


PAGES = [("firings", False), ("calendar", False), ("firing", True), ("firing_call", False), ("firing_dates", True)]


@pytest.mark.parametrize(("name", "of_firing"), PAGES)
def test_every_page_opens_for_a_lead_and_sends_strangers_to_sign_in(client, name, of_firing):
    firing = make_soon()
    kwargs = {"firing": firing.public_id} if of_firing else {}
    signed_out = client.get(reverse(name, kwargs={**COOP, **kwargs}))
    assert (signed_out.status_code, signed_out["Location"].split("?")[0]) == (302, "/accounts/login/")
    assert page(client, name, **kwargs).status_code == 200
    assert page(client, name, cy(), **kwargs).status_code == 404


@pytest.mark.parametrize("name", ["firing", "firing_dates"])
def test_another_co_ops_firing_is_not_there(client, name):
    theirs = make_firing(kiln=make_kiln(cy().coop), lead=cy())
    assert page(client, name, firing=theirs.public_id).status_code == 404


@pytest.mark.parametrize("stage", ["called", "booking", "loading", "lit", "cooling", "unpacking", "cleanup"])
def test_a_firing_says_its_stage_and_offers_its_lead_the_next(client, stage):
    firing = make_soon(stage=stage) if stage in ("called", "booking") else make_firing(stage=stage)
    shown = page(client, "firing", firing=firing.public_id).content.decode()
    words = {"called": "Open booking", "booking": "Close booking and load", "loading": "Light the kiln"}
    words |= {"lit": "End of fire", "cooling": "Open the kiln", "unpacking": "Start clean-up"}
    assert 'aria-current="step"' in shown
    assert (words.get(stage, "a kiln steward signs off")) in shown
    bens = page(client, "firing", ben(), firing=firing.public_id).content.decode()
    assert reverse("firing_move", kwargs={**COOP, "firing": firing.public_id}) not in bens
    assert ("Call it off" in shown, "Call it off" in bens) == (stage in ("called", "booking", "loading"), False)


@pytest.mark.parametrize(("stage", "kind"), [("lit", "carbon monoxide"), ("cooling", "Nobody opens before the lead")])
def test_where_it_can_hurt_the_page_says_so(client, stage, kind):
    assert kind in page(client, "firing", firing=make_firing(stage=stage).public_id).content.decode()


def test_members_see_no_way_to_call_a_firing(client):
    link = reverse("firing_call", kwargs=COOP)
    assert link in page(client, "firings").content.decode()
    assert link not in page(client, "firings", ben()).content.decode()
    assert page(client, "firing_call", ben()).status_code == 403


def test_the_list_keeps_what_is_over_apart(client):
    firing = make_soon(name="Under way")
    gone = make_soon(30, name="Gone")
    Firing.objects.filter(pk=gone.pk).update(stage="called_off", holds_kiln=False)
    assert [one.name for one in page(client, "firings").context["page"]] == ["Under way"]
    client.force_login(ada().person)
    past = client.get(reverse("firings", kwargs=COOP), {"which": "past"})
    assert [one.name for one in past.context["page"]] == ["Gone"]
    assert firing.stage == "called"


def test_the_cost_of_the_list_and_the_calendar_does_not_grow(client):
    def cost(name):
        with CaptureQueriesContext(connection) as seen:
            page(client, name)
        return len(seen)

    make_soon(2)
    cost("firings")
    before = {name: cost(name) for name in ("firings", "calendar")}
    for number in range(6):
        make_soon(3, kiln=make_kiln(name=f"Kiln {number}"))
    assert cost("firings") == before["firings"]
    # per kiln nothing is asked either: kilns and firings come in one query each
    assert cost("calendar") == before["calendar"]


# --- Calling through the form ---------------------------------------------------------------


def called(client, member=None, **changes):
    begins = f"{soon():%Y-%m-%dT09:00}"
    lights = f"{soon() + DAY:%Y-%m-%dT06:00}"
    data = {
        "name": "Spring ash",
        "kiln_id": str(make_kiln().public_id),
        "target_cone": "",
        "cost_estimate": "840,00",
        **typed(occupied_from=begins, lights_at=lights),
        **changes,
    }
    return send(client, "firing_call", data, member)


def test_a_firing_is_called_in_local_time(client):
    make_member("Ada", roles=("lead",))
    answer = called(client, **typed(occupied_from="2027-07-01T09:00", lights_at="2027-07-02T06:00"))
    assert answer.status_code == 303
    firing = Firing.objects.get()
    assert (firing.occupied_from, firing.lights_at) == (
        datetime(2027, 7, 1, 8, tzinfo=UTC),  # Dublin is an hour ahead in summer
        datetime(2027, 7, 2, 5, tzinfo=UTC),
    )
    assert (firing.cost_estimate_minor, firing.target_cone) == (84_000, "10")


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        # Dublin: at 01:00 on 28 March 2027 the clocks go to 02:00, on 31 October 2027 from 02:00 back to 01:00
        (typed(lights_at="2027-03-28T01:30"), "There is no 01:30 on 2027-03-28: the clocks go forward then"),
        (typed(lights_at="2020-01-01T10:00"), "Lighting comes after loading begins"),
        (typed(occupied_from="2020-01-01T09:00"), "Loading would begin in the past"),
        ({"name": ""}, "This field is required"),
        ({"cost_estimate": "a lot"}, "a number such as"),
        ({"target_cone": "99"}, "Select a valid choice"),
        ({"with_soda": "on", "lights_at_1": ""}, "Give both the date and the time."),
    ],
)
def test_a_call_that_makes_no_sense_keeps_what_was_typed(client, changes, sentence):
    answer = called(client, **changes)
    assert answer.status_code in (400, 422)
    shown = answer.content.decode()
    assert sentence in shown
    assert changes.get("name", "Spring ash") in shown
    assert 'value="840,00"' in shown or "cost_estimate" in changes
    assert not Firing.objects.exists()


def test_a_time_that_comes_twice_means_the_first(client):
    called(client, **typed(occupied_from="2027-10-30T09:00", lights_at="2027-10-31T01:30"))
    assert Firing.objects.get().lights_at == datetime(2027, 10, 31, 0, 30, tzinfo=UTC)


def test_a_taken_kiln_is_named_on_the_form(client):
    firing = make_soon(name="Already there")
    answer = called(client)
    assert answer.status_code == 409
    assert "Heron kiln is taken by Already there" in answer.content.decode()
    assert "The next free moment is" in answer.content.decode()
    assert Firing.objects.get() == firing


def test_a_double_press_calls_once(client):
    for _press in range(2):
        assert called(client, once="same-key").status_code == 303
    assert Firing.objects.count() == 1


def test_cones_are_picked_from_the_list_and_06_says_it_is_cooler(client):
    shown = page(client, "firing_call").content.decode()
    # Orton, self-supporting cones at 60 °C/h over the last 100 °C: cone 06 998 °C, cone 6 1222 °C
    assert "cone 06 (about 998 °C)" in shown
    assert "cone 6 (about 1222 °C)" in shown


# --- Buttons --------------------------------------------------------------------------------


def test_a_move_that_is_refused_changes_nothing_and_says_why(client):
    firing = make_soon()
    answer = send(client, "firing_move", {"to": "lit"}, firing=firing.public_id)
    assert answer.status_code == 303
    assert "cannot go to" in page(client, "firing", firing=firing.public_id).content.decode()
    assert StageMove.objects.filter(firing=firing).count() == 1


def test_members_do_not_move_a_firing(client):
    firing = make_soon()
    for name, data in (("firing_move", {"to": "booking"}), ("firing_call_off", {"why": "x"})):
        send(client, name, data, ben(), firing=firing.public_id)
    firing.refresh_from_db()
    assert firing.stage == "called"


def test_dates_move_along_when_only_the_start_is_moved(client):
    firing = make_soon(ends_at=soon() + 60 * H)
    data = typed(occupied_from=f"{soon(16):%Y-%m-%dT10:00}", lights_at=f"{soon(17):%Y-%m-%dT10:00}")
    assert send(client, "firing_dates", data, firing=firing.public_id).status_code == 303
    moved = Firing.objects.get()
    assert moved.ends_at - moved.lights_at == firing.ends_at - firing.lights_at == 40 * H


def test_a_member_brings_a_guest(client):
    firing = make_soon()
    answer = send(client, "firing_guest", {"name": "Nia", "email": "nia@far.example"}, ben(), firing=firing.public_id)
    assert answer.status_code == 303
    assert firing.guest_passes.get().host == ben()


# --- The calendar ---------------------------------------------------------------------------


def test_the_calendar_shows_each_kiln_with_what_takes_it(client):
    firing = make_soon(3, name="On Heron")
    make_kiln(name="Wren kiln")
    answer = page(client, "calendar")
    rows = {row["kiln"].name: [one.name for one in row["firings"]] for row in answer.context["kilns"]}
    assert rows == {"Heron kiln": ["On Heron"], "Wren kiln": []}
    assert "Free all this time." in answer.content.decode()
    assert reverse("firing", kwargs={**COOP, "firing": firing.public_id}) in answer.content.decode()


@pytest.mark.parametrize(
    ("start", "end", "is_there"),
    [(0, 1, True), (-10, 0, False), (164, 200, False), (163, 164, True), (-10, 1, True), (-10, 999, True)],
)
def test_a_firing_is_in_the_calendar_while_it_takes_the_kiln(start, end, is_there):
    firing = make_firing()
    begins = firing.occupied_from
    ((_kiln, found),) = queries.occupations(firing.coop, begins + start * H, begins + end * H)
    assert (found == [firing]) is is_there


def test_what_is_called_off_leaves_the_calendar():
    firing = make_firing()
    Firing.objects.update(stage="called_off", holds_kiln=False)
    ((_kiln, found),) = queries.occupations(firing.coop, firing.occupied_from, firing.occupied_until)
    assert found == []


@pytest.mark.parametrize("text", ["", "nonsense", "9999-12-31", "0001-01-01", "2026-02-30", "2026-05-09"])
def test_any_week_may_be_asked_for(client, text):
    make_kiln()
    client.force_login(ada().person)
    answer = client.get(reverse("calendar", kwargs=COOP), {"from": text})
    assert answer.status_code == 200
    assert answer.context["start"].weekday() == 0
    assert answer.context["last"] - answer.context["start"] == 41 * DAY


def test_the_calendar_of_another_co_op_stays_there(client):
    make_firing(kiln=make_kiln(cy().coop, name="Far kiln"), lead=cy())
    assert "Far kiln" not in page(client, "calendar").content.decode()


# --- API ------------------------------------------------------------------------------------

BASE = "/hollow-lane/api/v1"


@pytest.fixture
def api(client):
    def ask(member, method, path, data=None, key=None):
        _row, token = people.make_token(member.coop, by=member, name="test", now=timezone.now())
        headers = {"Authorization": f"Bearer {token}", **({"Idempotency-Key": key} if key else {})}
        more = {} if data is None else {"content_type": "application/json"}
        return getattr(client, method)(BASE + path, data, headers=headers, **more)

    return ask


def call_body(**fields):
    begins = soon()
    return {
        "kiln_id": str(make_kiln().public_id),
        "name": "By script",
        "occupied_from": begins.isoformat(),
        "lights_at": (begins + 20 * H).isoformat(),
        **fields,
    }


def test_a_firing_is_called_moved_and_called_off_by_script(api):
    lead = ada()
    made = api(lead, "post", "/firings/", call_body(), key="1")
    assert made.status_code == 201
    at = f"/firings/{made.json()['id']}"
    assert [zone["taken_ml"] for zone in made.json()["zones"]] == [0, 0]
    assert api(lead, "post", f"{at}/move/", {"to": "booking"}, key="2").json()["stage"] == "booking"
    dates = {"occupied_from": soon(20).isoformat(), "lights_at": soon(21).isoformat()}
    assert api(lead, "post", f"{at}/dates/", dates, key="3").json()["occupied_from"][:10] == f"{soon(20):%Y-%m-%d}"
    off = api(lead, "post", f"{at}/call-off/", {"why": "no wood"}, key="4")
    assert (off.status_code, off.json()["stage"]) == (200, "called_off")
    told = api(ben(), "get", f"{at}/").json()
    assert [move["to_stage"] for move in told["moves"]] == ["called", "booking", "called_off"]


def test_the_same_key_calls_once(api):
    first, second = (api(ada(), "post", "/firings/", call_body(), key="same") for _press in range(2))
    assert first.json()["id"] == second.json()["id"]
    assert Firing.objects.count() == 1


@pytest.mark.parametrize(
    ("body", "status", "says"),
    [
        ({"occupied_from": "yesterday"}, 400, "occupied_from"),
        ({"occupied_from": "2020-01-01T00:00:00Z"}, 422, "in the past"),
        ({"target_cone": "600"}, 422, "no cone"),
        ({"kiln_id": "00000000-0000-4000-8000-000000000000"}, 404, "no such kiln"),
        ({"cost_estimate_minor": -5}, 422, "less than nothing"),
    ],
)
def test_a_bad_call_by_script_is_a_problem_in_words(api, body, status, says):
    answer = api(ada(), "post", "/firings/", call_body(**body), key="k")
    assert (answer.status_code, answer["Content-Type"]) == (status, "application/problem+json")
    assert says in answer.json()["detail"]
    assert not Firing.objects.exists()


def test_an_overlap_by_script_is_409(api):
    make_soon()
    answer = api(ada(), "post", "/firings/", call_body(), key="k")
    assert (answer.status_code, answer.json()["title"]) == (409, "taken")


def test_who_may_do_what_by_script(api, client):
    firing = make_soon()
    at = f"/firings/{firing.public_id}"
    assert client.get(f"{BASE}/firings/").status_code == 401
    assert api(ben(), "post", "/firings/", call_body(name="Mine"), key="a").status_code == 403
    assert api(ben(), "post", f"{at}/move/", {"to": "booking"}, key="b").status_code == 403
    assert api(cora(), "post", f"{at}/move/", {"to": "booking"}).status_code == 400  # no key
    theirs = make_firing(kiln=make_kiln(cy().coop, name="Far kiln"), lead=cy())
    for path in ("", "move/", "dates/", "call-off/"):
        method, data = ("get", None) if not path else ("post", {"to": "booking", "why": "x", **call_body()})
        assert api(ada(), method, f"/firings/{theirs.public_id}/{path}", data, key=path).status_code == 404


def test_the_calendar_by_script_takes_a_span(api):
    firing = make_soon()
    span = {"from": firing.occupied_from.isoformat(), "until": firing.occupied_until.isoformat()}
    (row,) = _calendar(api, span)
    assert [one["id"] for one in row["firings"]] == [str(firing.public_id)]
    early = {"from": (firing.occupied_from - DAY).isoformat(), "until": firing.occupied_from.isoformat()}
    assert _calendar(api, early)[0]["firings"] == []


def _calendar(api, span):
    return api(ben(), "get", f"/calendar/?{urlencode(span)}").json()


@pytest.mark.parametrize("query", ["from=soon", "from=2026-05-02T00:00:00Z&until=2026-05-01T00:00:00Z"])
def test_a_span_that_is_none_is_refused(api, query):
    assert api(ben(), "get", f"/calendar/?{query}").status_code == 400


def test_kilns_materials_and_wood_by_script(api):
    kiln = make_kiln()
    steward = make_member("Stu", roles=("steward",))
    assert [one["name"] for one in api(ben(), "get", "/kilns/").json()["kilns"]] == ["Heron kiln"]
    whole = api(ben(), "get", f"/kilns/{kiln.public_id}/").json()
    assert [zone["capacity_ml"] for zone in whole["zones"]] == [641_872, 558_150]
    assert len(whole["zones"][0]["post_spots"]) == 3
    assert [phase["to_permille"] for phase in whole["phases"]] == [150, 600, 850, 960, 1000]
    body = {"kind": "body", "name": "Bog clay", "stands_cone": "06", "price_minor": 180, "price_unit": "kg"}
    assert api(ben(), "post", "/materials/", body, key="a").status_code == 403
    made = api(steward, "post", "/materials/", body, key="b").json()
    assert (made["stands_cone"], made["currency"]) == ("06", "EUR")
    assert api(steward, "post", "/materials/", {**body, "stands_cone": "600"}, key="c").status_code == 400
    assert api(steward, "post", "/materials/", {**body, "name": "x", "stands_cone": ""}, key="d").status_code == 422
    far = make_kiln(cy().coop, name="Far kiln")
    assert api(ben(), "get", f"/kilns/{far.public_id}/").status_code == 404


def test_a_kiln_is_added_by_script_as_its_file_says(api):
    steward = make_member("Stu", roles=("steward",), coop=make_coop())
    kiln = json.loads(SAMPLE.read_text())
    made = api(steward, "post", "/kilns/", {"kiln": kiln, "place": "by the barn"}, key="a")
    assert (made.status_code, made.json()["place"], len(made.json()["checklist"])) == (201, "by the barn", 7)
    kiln["zones"][0]["board_mm"] = [20, 305]
    kiln["phases"][0]["people"] = 1
    bad = api(steward, "post", "/kilns/", {"kiln": kiln}, key="b")
    assert bad.status_code == 400
    assert len(bad.json()["faults"]) == 2
