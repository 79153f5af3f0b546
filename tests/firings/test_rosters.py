"""The rules of a place as values, and rosters proposed and accepted."""

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from coop.errors import NotAllowed, NotFound, Refused, Taken
from coop.models import Computation, Notice
from coop.periods import Span
from coop.policy import Terms
from coop.queues import compute
from firings.models import Watch, WatchPlace, WatchProposal, Wish, WishLimits
from firings.queries import watches as queries
from firings.queries.firings import firing_of
from firings.roster import check, problem
from firings.services import rosters, watches
from firings.services.rosters import Shift, burden_faults
from tests.factories import NOW, ada, ben, cy
from tests.factories_watches import LIGHTS, give_space, join, leader, make_watch_firing, stoker, watches_of

HOUR = timedelta(hours=1)
START = datetime(2026, 5, 9, 4, 0, tzinfo=UTC)


def shift(begins, hours, *, is_watch=True, night_of=None):
    start = START + begins * HOUR
    return Shift(Span(start, start + hours * HOUR), f"shift at {begins}", is_watch, night_of)


shifts = st.builds(
    shift,
    st.integers(0, 96),
    st.integers(1, 8),
    is_watch=st.booleans(),
    night_of=st.none() | st.dates(date(2026, 5, 8), date(2026, 5, 12)),
)
terms = st.builds(
    Terms,
    rest_hours=st.integers(0, 12),
    most_hours_in_24=st.integers(6, 12),
    most_nights_in_a_row=st.integers(1, 4),
)

# Others use the machine too; how long making an example takes says nothing about the rules.
unhurried = settings(suppress_health_check=[HealthCheck.too_slow], deadline=None)


def held_by_the_rules(wanted, rules):
    """Take shifts in turn, as a member would who is told no."""
    held = []
    for one in wanted:
        if not burden_faults(one, held, rules):
            held.append(one)
    return held


@unhurried
@given(st.lists(shifts, max_size=8), terms)
def test_whatever_is_let_through_leaves_no_one_in_two_places(wanted, rules):
    held = held_by_the_rules(wanted, rules)
    assert not any(a.span.overlaps(b.span) for a in held for b in held if a is not b)


@unhurried
@given(st.lists(shifts, max_size=8), terms)
def test_whatever_is_let_through_leaves_the_rest_between_watches(wanted, rules):
    watches_held = sorted(one.span for one in held_by_the_rules(wanted, rules) if one.is_watch)
    gaps = [b.start - a.end for a, b in pairwise(watches_held)]
    assert all(gap >= rules.rest_hours * HOUR for gap in gaps)


@unhurried
@given(st.lists(shifts, max_size=8), terms)
def test_whatever_is_let_through_keeps_the_hours_of_any_day_with_a_watch(wanted, rules):
    held = held_by_the_rules(wanted, rules)
    for hour in range(-24, 110):
        day = Span(START + hour * HOUR, START + (hour + 24) * HOUR)
        worked = sum((one.span.shared(day) for one in held), timedelta())
        # Hours count from whole hours here, so each such day is one of the days that are checked or covered by one.
        if any(one.is_watch and one.span.overlaps(day) for one in held):
            assert worked <= rules.most_hours_in_24 * HOUR


@unhurried
@given(st.lists(shifts, max_size=8), terms)
def test_whatever_is_let_through_keeps_the_nights_in_a_row(wanted, rules):
    nights = {one.night_of for one in held_by_the_rules(wanted, rules) if one.night_of}
    assert not any(
        all(night + timedelta(days=n) in nights for n in range(rules.most_nights_in_a_row + 1)) for night in nights
    )


def test_chores_alone_are_not_limited_to_the_hours_around_a_watch():
    day = [shift(0, 6, is_watch=False)]
    assert burden_faults(shift(7, 6, is_watch=False), day, Terms()) == []
    assert burden_faults(shift(7, 6), day, Terms()) != []


# --- Proposals ---


def a_crewed_firing(**fields):
    """Four watches of two; enough people who said they can come to fill them all."""
    firing = make_watch_firing(**fields)
    people = [
        ada(),
        leader("Lea"),
        leader("Lil"),
        leader("Lou"),
        *[stoker(name) for name in ("Sid", "Sue", "Sol", "Sam")],
    ]
    for member in people:
        for watch in watches_of(firing):
            Wish.objects.create(coop=firing.coop, watch=watch, member=member, value=".")
    return firing, people


def proposed(firing, now=NOW):
    asked = watches.propose_roster(firing.coop, by=ada(), now=now, firing_id=firing.public_id)
    assert compute(asked.pk, lambda: now)
    return WatchProposal.objects.get(firing=firing, replaced_at=None)


@pytest.fixture(autouse=True)
def _quick(monkeypatch):
    monkeypatch.setattr(rosters, "PLAN_SECONDS", 0.2)


@pytest.mark.django_db
def test_the_request_holds_watches_people_wishes_and_the_terms():
    firing, people = a_crewed_firing()
    first = watches_of(firing)[0]
    Wish.objects.filter(watch=first, member=people[1]).update(value="+")
    give_space(firing, ben(), 10_000)
    request = rosters.asked(firing, NOW).request
    assert [task.length * request.unit_min for task in request.tasks] == [360] * 4
    assert {person.name: person.role for person in request.people} | {} == {
        **dict.fromkeys(("Ada", "Lea", "Lil", "Lou"), "lead"),
        **dict.fromkeys(("Sid", "Sue", "Sol", "Sam"), "exp"),
        "Ben": "novice",
    }
    signs = dict(zip((person.name for person in request.people), request.wishes, strict=True))
    assert signs["Lea"] == "+..."
    assert signs["Ben"] == "----"  # has said nothing
    assert request.rules.rest_watch * request.unit_min == 8 * 60
    assert sum(person.owed for person in request.people) * request.unit_min == 4 * 2 * 360
    assert problem.read_request(problem.write_request(request)) == request


@pytest.mark.django_db
def test_somebody_elsewhere_at_that_time_cannot():
    firing, _ = a_crewed_firing(terms=Terms(most_hours_in_24=12))
    other = make_watch_firing(lights_at=LIGHTS)
    join(watches_of(other)[0], stoker("Sid"))
    request = rosters.asked(firing, NOW).request
    signs = dict(zip((person.name for person in request.people), request.wishes, strict=True))
    assert signs["Sid"] == "xxx."


@pytest.mark.django_db
def test_a_proposal_fills_every_watch_and_breaks_no_rule():
    firing, _ = a_crewed_firing()
    proposal = proposed(firing)
    request = rosters.asked(firing, NOW).request
    assert check.faults(request, proposal.answer["assigned"]) == []
    assert check.gaps(request, proposal.answer["assigned"]) == []
    assert not WatchPlace.objects.exists()  # a proposal never acts by itself


@pytest.mark.django_db
def test_accepting_writes_the_places_and_tells_each_person_once():
    firing, _ = a_crewed_firing()
    proposal = proposed(firing)
    done = watches.accept_roster(firing.coop, by=ada(), now=NOW, proposal_id=proposal.public_id)
    assert (len(done.seated), done.left_out) == (8, [])
    assert [watch.taken for watch in watches_of(firing)] == [2, 2, 2, 2]
    assert all(row.troubles == [] for row in queries.rows_for(firing, None, NOW))
    told = list(Notice.objects.filter(subject__contains="You have").values_list("to_person__name", flat=True))
    assert sorted(told) == sorted({place.member.name for place in done.seated})
    with pytest.raises(Taken, match="accepted or replaced"):
        watches.accept_roster(firing.coop, by=ada(), now=NOW, proposal_id=proposal.public_id)


@pytest.mark.django_db
def test_who_is_on_a_watch_stays_on_it_and_is_told_nothing():
    firing, _ = a_crewed_firing()
    first = watches_of(firing)[0]
    join(first, stoker("Sid"))
    proposal = proposed(firing)
    assert str(stoker("Sid").public_id) in proposal.answer["assigned"][str(first.public_id)]
    watches.accept_roster(firing.coop, by=ada(), now=NOW, proposal_id=proposal.public_id)
    assert WatchPlace.objects.get(watch=first, member=stoker("Sid")).given_up_at is None
    shown = queries.proposal_of(firing, proposal.public_id)
    assert not any(place.is_new for watch in shown.watches for place in watch.crew)


@pytest.mark.django_db
def test_who_holds_a_place_on_a_crew_that_cannot_stand_yet_is_shown_on_it():
    firing = make_watch_firing()
    first = watches_of(firing)[0]
    join(first, stoker("Sid"))  # nobody else may come, nobody may lead
    for watch in watches_of(firing):
        Wish.objects.create(coop=firing.coop, watch=watch, member=ada(), value="x")
    shown = queries.proposal_of(firing, proposed(firing).public_id).watches[0]
    assert [(place.name, place.is_new) for place in shown.crew] == [("Sid", False)]
    assert shown.open == 1
    assert "none of them may lead" in shown.why


@pytest.mark.django_db
def test_nobody_new_is_put_on_a_watch_that_is_full_enough():
    firing, _ = a_crewed_firing()
    first = watches_of(firing)[0]
    join(first, leader("Uma"), ben())
    shown = queries.proposal_of(firing, proposed(firing).public_id).watches[0]
    assert {(place.name, place.is_new) for place in shown.crew} == {("Uma", False), ("Ben", False)}


@pytest.mark.django_db
def test_a_place_that_filled_up_meanwhile_is_left_out_with_the_reason():
    firing, _ = a_crewed_firing()
    proposal = proposed(firing)
    first = watches_of(firing)[0]
    others = [leader("Uma"), stoker("Una"), stoker("Ute")]
    join(first, *others)
    done = watches.accept_roster(firing.coop, by=ada(), now=NOW, proposal_id=proposal.public_id)
    assert len(done.left_out) == 2
    assert all("full" in reason for reason in done.left_out)
    assert [watch.taken for watch in watches_of(firing)] == [3, 2, 2, 2]


@pytest.mark.django_db
def test_a_place_the_crew_rules_refuse_leaves_the_count_right():
    firing, _ = a_crewed_firing()
    proposal = proposed(firing)
    for member in (ada(), leader("Lea"), leader("Lil"), leader("Lou")):
        member.sign_offs.filter(kind="leading").delete()
    done = watches.accept_roster(firing.coop, by=ada(), now=NOW, proposal_id=proposal.public_id)
    for watch in Watch.objects.filter(firing=firing):
        assert watch.taken == watch.places_held.filter(given_up_at=None).count()
    assert done.seated


@pytest.mark.django_db
def test_a_gap_is_said_with_its_reason():
    firing = make_watch_firing()
    for watch in watches_of(firing):
        Wish.objects.create(coop=firing.coop, watch=watch, member=stoker("Sid"), value=".")
    Wish.objects.create(coop=firing.coop, watch=watches_of(firing)[0], member=ada(), value="x")
    shown = queries.proposal_of(firing, proposed(firing).public_id)
    assert shown.open_places > 0
    assert "none of them may lead" in shown.watches[0].why


@pytest.mark.django_db
def test_a_new_proposal_replaces_the_one_before():
    firing, _ = a_crewed_firing()
    first = proposed(firing)
    second = proposed(firing)
    with pytest.raises(Taken, match="replaced"):
        watches.accept_roster(firing.coop, by=ada(), now=NOW, proposal_id=first.public_id)
    assert queries.latest_proposal(firing) == second


@pytest.mark.django_db
def test_only_the_lead_asks_for_and_accepts_a_roster():
    firing, _ = a_crewed_firing()
    with pytest.raises(NotAllowed):
        watches.propose_roster(firing.coop, by=ben(), now=NOW, firing_id=firing.public_id)
    proposal = proposed(firing)
    with pytest.raises(NotAllowed):
        watches.accept_roster(firing.coop, by=ben(), now=NOW, proposal_id=proposal.public_id)
    with pytest.raises(NotFound):
        watches.accept_roster(cy().coop, by=cy(), now=NOW, proposal_id=proposal.public_id)


@pytest.mark.django_db
def test_no_watch_to_come_is_no_roster_to_plan():
    firing, _ = a_crewed_firing(stage="lit")
    with pytest.raises(Refused, match="nothing to plan"):
        watches.propose_roster(firing.coop, by=ada(), now=LIGHTS + 30 * HOUR, firing_id=firing.public_id)
    assert not Computation.objects.exists()


# --- Limits people set themselves ---


def limited(**limits):
    """Four watches; Lea and Lil may lead, Sid and Sue stoke, all can always; Sid has set limits."""
    firing = make_watch_firing(terms=Terms(rest_hours=4, most_hours_in_24=12))
    members = [leader("Lea"), leader("Lil"), stoker("Sid"), stoker("Sue"), stoker("Sam")]
    for member in members:
        for watch in watches_of(firing):
            Wish.objects.create(coop=firing.coop, watch=watch, member=member, value=".")
    WishLimits.objects.create(coop=firing.coop, firing=firing, member=stoker("Sid"), **limits)
    return firing


def hours_of(name, firing):
    wanted = rosters.asked(firing_of(firing.coop, firing.public_id), NOW)
    request, answer = rosters.planned(wanted)
    ids = {person["id"]: person["name"] for person in request["people"]}
    return [
        (task["start"] * request["unit_min"] // 60, task["end"] * request["unit_min"] // 60)
        for task in request["tasks"]
        if name in {ids[one] for one in answer["assigned"][task["id"]]}
    ]


@pytest.mark.django_db
def test_nobody_is_planned_for_more_hours_than_they_set(monkeypatch):
    monkeypatch.setattr(rosters, "PLAN_SECONDS", 0.2)
    spans = hours_of("Sid", limited(most_hours=6))
    assert sum(end - start for start, end in spans) <= 6


@pytest.mark.django_db
def test_nobody_is_planned_with_less_rest_than_they_set(monkeypatch):
    monkeypatch.setattr(rosters, "PLAN_SECONDS", 0.2)
    spans = hours_of("Sid", limited(rest_hours=12))
    assert all(later[0] - earlier[1] >= 12 for earlier, later in pairwise(spans))


@pytest.mark.django_db
def test_no_nights_means_no_watch_with_a_night_in_it(monkeypatch):
    monkeypatch.setattr(rosters, "PLAN_SECONDS", 0.2)
    assert all(end <= 12 for _start, end in hours_of("Sid", limited(no_nights=True)))


def test_new_places_are_given_up_before_those_somebody_holds():
    tasks = tuple(problem.Task(f"T{n}", "watch", 12 * n, 12 * n + 12, 2, 3, kiln="K", lead=1) for n in range(3))
    rules = problem.Rules(8, 0, 24, 1, 2, 4)
    request = problem.RosterRequest(
        "r",
        30,
        datetime(2026, 5, 9, 5),
        rules,
        (problem.Crewmate("P", "exp"),),
        tasks,
        ("+..",),
    )
    wanted = rosters.Asked(request, {"T0": ("P",)}, {"P": rosters.OwnLimits(most=12, rest=None)})
    assigned = {"T0": ("P",), "T1": ("P",), "T2": ()}
    assert rosters.beyond_limits(wanted, assigned) == {("P", "T1")}
    assert rosters.forbidding(wanted, {("P", "T1")}).request.wishes == ("+x.",)
