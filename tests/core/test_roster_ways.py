"""Ways out of an empty watch: each works when tried, and none touches what keeps people safe."""

from dataclasses import replace
from datetime import datetime

from hypothesis import given, settings
from hypothesis import strategies as st

from firings.roster import reasons, ways
from firings.roster.check import faults, gaps
from firings.roster.problem import Crewmate, RosterRequest, Rules, Task

RULES = Rules(rest_watch=16, rest_other=2, max_in_24h=20, novice_per_exp=1, max_nights_72h=2, night_task_min=4)


def watch(name, start, need=2, night=0, length=8):
    return Task(name, "watch", start, start + length, need, need, firing="F1", kiln="big", lead=1, night=night)


def asked(tasks, people, wishes=None, rules=RULES):
    rows = tuple((wishes or {}).get(person.id, "." * len(tasks)) for person in people)
    return RosterRequest("May", 30, datetime(2026, 5, 9, 2, 0), rules, tuple(people), tuple(tasks), rows)


def lead(name, **more):
    return Crewmate(name, "lead", signed_off=("big",), **more)


def hand(name, **more):
    return Crewmate(name, "exp", **more)


def offered(request, **options):
    best = reasons.fullest(request, seconds=60)
    return {way.kind: way for way in reversed(ways.ways_out(request, best, seconds=60, **options))}


HANDS = [hand(f"h{n}") for n in range(6)]


def test_a_full_roster_asks_nothing_of_anybody():
    assert offered(asked([watch("w1", 0)], [lead("ada"), hand("dov")])) == {}


def test_whoever_said_no_is_asked_before_somebody_new_is_sought():
    request = asked([watch("w1", 0)], [lead("ada"), hand("dov"), hand("eva")], {"ada": "x"})
    found = offered(request)
    assert list(found)[::-1] == ["ask", "leads"]
    assert found["ask"].text == ("Ask ada, who said no, for Sat 02:00-06:00, kiln big: fills 2 of 2 open places.")
    assert found["leads"].text == (
        "Find somebody more who may lead for Sat 02:00-06:00, kiln big: fills 2 of 2 open places."
    )
    assert (found["ask"].person, found["ask"].mends, found["ask"].left) == ("ada", 2, 0)


def test_one_more_night_for_somebody_who_does_none():
    people = [lead("ada", no_night=True), hand("dov")]
    found = offered(asked([watch("w1", 0, night=8), watch("w2", 40, night=8)], people))
    assert found["by_night"].mends == 2
    row = found["by_night"].request.wishes[0]
    assert sorted(row) == ["-", "x"], "one night is no yes to the other"


def test_an_hour_less_rest_for_the_one_who_is_short_of_it():
    found = offered(asked([watch("w1", 0), watch("w2", 22)], [lead("ada"), *HANDS]))
    assert found["rest"].text == "ada rests 7 h instead of 8 h in between: fills 2 of 2 open places."
    assert (found["rest"].person, found["rest"].units, found["rest"].cost) == ("ada", 2, 2)
    assert found["rest"].request.people[0].less_rest == 2


def test_nobody_is_asked_to_rest_less_than_half():
    found = offered(asked([watch("w1", 0), watch("w2", 8)], [lead("ada"), *HANDS]))
    assert "rest" not in found


def test_a_shorter_watch_gives_the_rest_that_is_missing():
    people = [lead("ada"), lead("bo"), *HANDS]
    request = asked([watch("w1", 0), watch("w2", 8), watch("w3", 22, length=8)], people, {"bo": "x.x"})
    found = offered(request)
    assert found["shorter"].tasks == ("w1", "w2")
    assert found["shorter"].units == -2
    tasks = {task.id: task for task in found["shorter"].request.tasks}
    assert (tasks["w1"].end, tasks["w2"].start) == (6, 6), "the fire is never left"


def test_more_hours_and_one_more_night_are_asked_where_they_are_what_is_missing():
    days = asked([watch("w1", 0), watch("w2", 24)], [lead("ada"), *HANDS], rules=replace(RULES, max_in_24h=12))
    assert offered(days)["day"].text == "ada works 8 h instead of 6 h in 24 hours: fills 2 of 2 open places."
    nights = asked([watch(f"w{n}", 48 * n, night=8) for n in range(3)], [lead("ada"), *HANDS])
    assert offered(nights)["night"].text == (
        "ada stands 3 nights instead of 2 in three days: fills 2 of 2 open places."
    )


def test_two_are_sought_where_nobody_can_come():
    found = offered(asked([watch("w1", 0)], [lead("ada"), hand("dov")], {"ada": "x", "dov": "x"}))
    assert found["leads"].units == 2
    assert found["leads"].text.startswith("Find 2 people more, one of them to lead")


def test_cheapest_first_and_no_more_than_wanted():
    people = [lead("ada"), hand("dov"), hand("eva")]
    request = asked([watch("w1", 0, need=3)], people, {"dov": "x", "eva": "x"})
    best = reasons.fullest(request, seconds=60)
    some = ways.ways_out(request, best, seconds=60, most=2)
    assert len(some) == 2
    assert [way.cost for way in some] == sorted(way.cost for way in some)


@st.composite
def requests(draw):
    """Small requests, mostly impossible to fill."""
    tasks, start = [], 0
    for number in range(draw(st.integers(1, 4))):
        night = draw(st.sampled_from([0, 4]))
        if draw(st.booleans()):
            tasks.append(watch(f"w{number}", start, draw(st.integers(2, 3)), night, length=4))
        else:
            need, skill = draw(st.integers(1, 2)), draw(st.sampled_from([None, "saw"]))
            tasks.append(Task(f"c{number}", "chore", start, start + 4, need, need, skill=skill, night=night))
        start += 4 + draw(st.sampled_from([0, 0, 6, 10]))
    people = [
        Crewmate(
            f"p{number}",
            draw(st.sampled_from(["exp", "exp", "novice"])),
            signed_off=draw(st.sampled_from([(), ("big",)])),
            no_night=draw(st.sampled_from([False, False, True])),
            skills=draw(st.sampled_from([(), ("saw",)])),
        )
        for number in range(draw(st.integers(1, 5)))
    ]
    rules = Rules(draw(st.integers(0, 12)), draw(st.integers(0, 4)), draw(st.integers(4, 12)), 1, 1, 4)
    signs = st.text(alphabet="..x", min_size=len(tasks), max_size=len(tasks))
    return asked(tasks, people, {person.id: draw(signs) for person in people}, rules)


@settings(deadline=None, max_examples=40)
@given(requests())
def test_every_way_works_when_it_is_tried_and_leaves_the_safe_rules_alone(request):
    best = reasons.fullest(request, seconds=60)
    empty = sum(gap.places for gap in gaps(request, best))
    found = ways.ways_out(request, best, seconds=60)
    assert bool(found) == bool(empty), "somebody new always helps"
    for way in found:
        again = reasons.fullest(way.request, seconds=60)
        assert faults(way.request, again) == []
        assert sum(gap.places for gap in gaps(way.request, again)) <= way.left == empty - way.mends < empty
        assert way.request.rules == request.rules
        for old, new in zip(request.tasks, way.request.tasks, strict=True):
            assert (old.id, old.kind, old.need, old.lead, old.kiln) == (new.id, new.kind, new.need, new.lead, new.kiln)
        for old, new in zip(request.people, way.request.people, strict=False):
            assert (old.role, old.signed_off, old.skills) == (new.role, new.signed_off, new.skills)
        hours = {task.kiln: 0 for task in request.tasks}
        for old, new in zip(request.tasks, way.request.tasks, strict=True):
            hours[old.kiln] += new.length - old.length
        assert not any(hours.values())
