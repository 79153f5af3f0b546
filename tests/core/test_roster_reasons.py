"""Why places stay empty: reasons that hold, with nothing in them that could be left out."""

import itertools
import sys
from dataclasses import replace
from datetime import datetime
from math import inf

from hypothesis import given, settings
from hypothesis import strategies as st

from firings.roster import reasons, value
from firings.roster.check import may_lead, most_in_a_day, most_nights, rest_between
from firings.roster.problem import Crewmate, RosterRequest, Rules, Task

RULES = Rules(rest_watch=16, rest_other=2, max_in_24h=20, novice_per_exp=1, max_nights_72h=2, night_task_min=4)


def why(*args):
    """Milliseconds here, but a busy machine must not end it early."""
    return reasons.why(*args, seconds=60)


def watch(name, start, need=2, night=0, kiln="big", length=8):
    return Task(name, "watch", start, start + length, need, need, firing="F1", kiln=kiln, lead=1, night=night)


def asked(tasks, people, wishes=None, rules=RULES):
    rows = tuple((wishes or {}).get(person.id, "." * len(tasks)) for person in people)
    return RosterRequest("May", 30, datetime(2026, 5, 9, 2, 0), rules, tuple(people), tuple(tasks), rows)


def lead(name, **more):
    return Crewmate(name, "lead", signed_off=("big",), **more)


def hand(name, **more):
    return Crewmate(name, "exp", **more)


def test_a_roster_that_is_full_needs_no_reason():
    assert why(asked([watch("w1", 0)], [lead("ada"), hand("dov")])) == ()


def test_three_can_come_and_none_may_lead():
    (reason,) = why(asked([watch("w1", 0)], [hand("dov"), hand("eva"), hand("finn")]))
    assert reason.text == "Sat 02:00-06:00, kiln big: 3 can come, none of them may lead kiln big, 1 must."
    assert (reason.kind, reason.places, reason.can_come, reason.leading) == ("no_lead", 2, ("dov", "eva", "finn"), ())
    assert [(one.kind, one.task) for one in reason.bindings] == [("lead", "w1")]
    assert reason.checked


def test_leads_who_cannot_come_are_named():
    people = [lead("ada"), lead("bo", no_night=True), hand("dov"), hand("eva")]
    (reason,) = why(asked([watch("w1", 0, night=8)], people, {"ada": "x"}))
    assert "ada and bo may lead but cannot come" in reason.text
    assert {one.kind for one in reason.bindings} == {"lead", "cannot", "no_nights"}


def test_too_few_is_said_with_numbers():
    (reason,) = why(asked([watch("w1", 0, need=3)], [lead("ada"), hand("dov"), hand("eva")], {"eva": "x"}))
    assert reason.text == "Sat 02:00-06:00, kiln big: 2 can come, 3 are needed."
    assert (reason.kind, reason.places) == ("too_few", 1)
    assert [(one.kind, one.people) for one in reason.bindings] == [("cannot", ("eva",))]


def test_too_many_novices_is_a_reason_of_its_own():
    people = [lead("ada"), *(Crewmate(f"n{n}", "novice") for n in range(3))]
    (reason,) = why(asked([watch("w1", 0, need=3)], people))
    assert reason.kind == "novices"
    assert "4 can come, only 1 of them experienced" in reason.text


def test_one_lead_cannot_lead_two_watches_without_rest():
    people = [lead("ada"), *(hand(f"h{n}") for n in range(6))]
    (reason,) = why(asked([watch("w1", 0), watch("w2", 8), watch("w3", 60)], people))
    assert reason.text == (
        "Sat 02:00-06:00, kiln big and Sat 06:00-10:00, kiln big cannot all be led: only ada may lead; "
        "ada must rest 8 h in between."
    )
    assert (reason.kind, reason.tasks, reason.places) == ("leads", ("w1", "w2"), 2)
    assert [(one.kind, one.people, one.units) for one in reason.bindings if one.kind == "rest"] == [
        ("rest", ("ada",), 16)
    ]
    assert reason.checked
    assert reason.smallest


def test_the_same_hour_at_two_kilns_needs_two_crews():
    people = [replace(lead("ada"), signed_off=("big", "small")), lead("bo"), hand("dov")]
    (reason,) = why(asked([watch("w1", 0), watch("w2", 4, kiln="small")], people))
    assert reason.kind == "clash"
    assert "they need 2 and 2 people, 3 can come" in reason.text
    assert "nobody is in two places at once" in reason.text


def test_long_days_and_nights_in_a_row_are_named():
    days = [watch("w1", 0), watch("w2", 24)]
    (reason,) = why(asked(days, [lead("ada"), hand("dov"), hand("eva")], rules=replace(RULES, max_in_24h=12)))
    assert "ada may work 6 h in 24 hours" in reason.text
    nights = [watch("w1", 0, night=8), watch("w2", 48, night=8), watch("w3", 96, night=8)]
    (reason,) = why(asked(nights, [lead("ada"), hand("dov"), hand("eva")]))
    assert reason.tasks == ("w1", "w2", "w3")
    assert "ada may stand 2 nights in three days" in reason.text


def test_a_place_that_need_not_be_empty_is_not_excused():
    (reason,) = why(asked([watch("w1", 0)], [lead("ada"), hand("dov")]), {"w1": ()})
    assert reason.kind == "spare"
    assert "plan the roster again" in reason.text


def test_without_time_reasons_are_said_but_not_vouched_for(monkeypatch):
    monkeypatch.setattr(reasons.cpsat, "has_answer", lambda model, seconds: None)
    request = asked([watch("w1", 0), watch("w2", 8)], [lead("ada"), hand("dov"), hand("eva")])
    (reason,) = reasons.why(request, {"w1": ("ada", "dov"), "w2": ()}, seconds=0)
    assert not reason.checked
    assert "06:00-10:00" in reason.text


def test_without_the_solver_what_can_be_counted_is_said(monkeypatch):
    monkeypatch.setitem(sys.modules, "ortools.sat.python.cp_model", None)
    request = asked([watch("w1", 0), watch("w2", 8)], [lead("ada"), hand("dov"), hand("eva")], {"ada": ".x"})
    (reason,) = reasons.why(request, {"w1": ("ada", "dov"), "w2": ()})
    assert reason.text == "Sat 06:00-10:00, kiln big: 2 can come, none of them may lead kiln big, 1 must."
    assert not reason.checked
    (reason,) = reasons.why(request, {"w1": (), "w2": ("ada", "dov")}, seconds=1)[:1]
    assert reason.text == "Sat 02:00-06:00, kiln big: 3 can come, but all are needed elsewhere or must rest."


# --- Against every roster there is ------------------------------------------------------------


@st.composite
def requests(draw):
    """Tiny requests, mostly impossible to fill."""
    tasks, start = [], 0
    for number in range(draw(st.integers(1, 3))):
        start += draw(st.integers(0, 14))
        night = draw(st.sampled_from([0, 4]))
        if draw(st.booleans()):
            tasks.append(watch(f"w{number}", start, draw(st.integers(2, 3)), night, length=4))
        else:
            need, skill = draw(st.integers(1, 2)), draw(st.sampled_from([None, "saw"]))
            tasks.append(Task(f"c{number}", "chore", start, start + 4, need, need, skill=skill, night=night))
    people = [
        Crewmate(
            f"p{number}",
            draw(st.sampled_from(["exp", "exp", "novice"])),
            signed_off=draw(st.sampled_from([(), ("big",)])),
            no_night=draw(st.sampled_from([False, False, True])),
            skills=draw(st.sampled_from([(), ("saw",)])),
        )
        for number in range(draw(st.integers(1, 4)))
    ]
    rules = Rules(draw(st.integers(0, 12)), draw(st.integers(0, 4)), draw(st.integers(4, 12)), 1, 1, 4)
    signs = st.text(alphabet="..x", min_size=len(tasks), max_size=len(tasks))
    return asked(tasks, people, {person.id: draw(signs) for person in people}, rules)


def broken(request, assigned, leads_only):
    """Every rule that a roster breaks, by kind and by the task or person it is about."""
    found = set()
    rows = {person.id: (person, row) for person, row in zip(request.people, request.wishes, strict=True)}
    held = {name: [] for name in rows}
    for column, task in enumerate(request.tasks):
        crew = [rows[name] for name in assigned.get(task.id, ())]
        for person, row in crew:
            held[person.id].append(task)
            found |= {("cannot", task.id)} if row[column] == "x" else set()
            found |= {("no_nights", task.id)} if person.no_night and task.night else set()
            found |= {("skill", task.id)} if task.skill and task.skill not in person.skills else set()
        if not crew or leads_only:
            continue
        novices = sum(person.role == "novice" for person, _ in crew)
        found |= {("novices", task.id)} if novices > request.rules.novice_per_exp * (len(crew) - novices) else set()
        found |= {("least", task.id)} if len(crew) < task.least else set()
        found |= {("lead", task.id)} if sum(may_lead(person, task) for person, _ in crew) < task.lead else set()
    for name, tasks in held.items():
        person = rows[name][0]
        for first, second in itertools.combinations(sorted(tasks, key=lambda task: (task.start, task.id)), 2):
            if second.start < first.end:
                found.add(("two places", name))
            elif second.start - first.end < rest_between(request, first, second, person):
                found.add(("rest", name))
        if most_in_a_day(request, tasks) > request.rules.max_in_24h:
            found.add(("day", name))
        if most_nights(request, tasks) > request.rules.max_nights_72h:
            found.add(("nights", name))
    return found


def ways_to_fill(request, levels, leads_only):
    """What each way of putting so many people on these tasks breaks."""
    tasks = [task for task in request.tasks if task.id in levels]
    choices = []
    for task in tasks:
        names = [person.id for person in request.people if not leads_only or may_lead(person, task)]
        most = task.lead if leads_only else task.need
        sizes = range(levels[task.id], most + 1)
        choices.append([crew for size in sizes for crew in itertools.combinations(names, size)])
    return [
        broken(request, {task.id: crew for task, crew in zip(tasks, choice, strict=True)}, leads_only)
        for choice in itertools.product(*choices)
    ]


def levels_of(request, reason):
    if reason.kind in ("clash", "leads"):
        return dict(zip(reason.tasks, reason.needs, strict=True))
    column = next(number for number, task in enumerate(request.tasks) if task.id == reason.tasks[0])
    most = value.most_places(request, column)
    return {reason.tasks[0]: most + 1 if most else request.tasks[column].least}


@settings(deadline=None, max_examples=80)
@given(requests())
def test_every_reason_holds_and_falls_with_each_of_its_parts(request):
    found = why(request)
    assert sum(reason.places for reason in found) == value.tiers(request, reasons.fullest(request, seconds=60))[0]
    never = {("two places", person.id) for person in request.people}
    for reason in found:
        leads_only = reason.kind == "leads"
        levels = levels_of(request, reason)
        ways = ways_to_fill(request, levels, leads_only)
        bindings = {(one.kind, one.task or one.people[0]) for one in reason.bindings}
        assert all(way & (bindings | never) for way in ways), "the reason does not stand against every way"
        for one in bindings:
            assert any(not way & (bindings - {one} | never) for way in ways), f"{one} is not needed"
        for task in reason.tasks if len(reason.tasks) > 1 else ():
            others = {name: level for name, level in levels.items() if name != task}
            assert not all(ways_to_fill(request, others, leads_only)), f"{task} is not needed"
        assert reason.checked
        assert reason.smallest


@settings(deadline=None, max_examples=60)
@given(requests(), st.data())
def test_the_relaxation_says_no_only_where_every_way_breaks_a_rule(request, data):
    levels = {task.id: data.draw(st.integers(1, task.need)) for task in request.tasks}
    if reasons.falls_short(request, levels, inf):
        assert all(ways_to_fill(request, levels, leads_only=False))


def test_the_relaxation_lets_a_crew_be_larger_than_asked_for_its_lead():
    novice_who_leads = Crewmate("nia", "novice", signed_off=("big",))
    request = asked([watch("w1", 0)], [novice_who_leads, hand("dov")])
    assert not reasons.falls_short(request, {"w1": 1}, inf)  # nia may not stand alone, nor dov, but both together


def test_the_relaxation_knows_that_nobody_is_in_two_places():
    at_once = asked([watch("w1", 0), watch("w2", 4)], [lead("ada"), hand("dov"), lead("eva")])
    assert reasons.falls_short(at_once, {"w1": 2, "w2": 2}, inf)
    assert not reasons.falls_short(at_once, {"w1": 2, "w2": 1}, inf)
    assert reasons.possible(at_once, {"w1": 2, "w2": 2}, inf) is False
    assert reasons.possible(at_once, {"w1": 2, "w2": 2}, 0) is None
