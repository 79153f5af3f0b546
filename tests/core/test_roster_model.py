"""The model allows exactly what the checker allows, and lets each rule be named or lifted."""

from datetime import datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ortools.sat.python import cp_model

from firings.roster import value
from firings.roster.check import faults
from firings.roster.model import Rule, build
from firings.roster.problem import Crewmate, RosterRequest, Rules, Task

RULES = Rules(rest_watch=16, rest_other=2, max_in_24h=20, novice_per_exp=1, max_nights_72h=2, night_task_min=4)


def solved(model):
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    return solver, solver.solve(model) == cp_model.OPTIMAL


def takes(built, assigned):
    """Whether the model has this very roster, and the solver that found so."""
    for (person, task), here in built.on.items():
        built.model.add(here == (person in assigned[task]))
    return solved(built.model)


@st.composite
def rosters(draw):
    """A small request and a roster that may break any rule but a full crew and the wishes."""
    count = draw(st.integers(1, 4))
    starts = sorted(draw(st.lists(st.integers(0, 60), min_size=count, max_size=count)))
    tasks = []
    for number, start in enumerate(starts):
        kind = draw(st.sampled_from(["watch", "chore"]))
        need = draw(st.integers(2 if kind == "watch" else 1, 3))
        length = draw(st.integers(2, 12))
        skill = None if kind == "watch" else draw(st.sampled_from([None, "saw"]))
        lead = draw(st.integers(0, 1))
        night = draw(st.sampled_from([0, min(length, 4)]))
        tasks.append(
            Task(f"t{number}", kind, start, start + length, need, need, "F1", "K1", lead=lead, skill=skill, night=night)
        )
    people = tuple(
        Crewmate(
            f"p{number}",
            draw(st.sampled_from(["exp", "novice"])),
            signed_off=draw(st.sampled_from([(), ("K1",)])),
            no_night=draw(st.booleans()),
            skills=draw(st.sampled_from([(), ("saw",)])),
            owed=draw(st.integers(0, 20)),
            night_owed=draw(st.integers(0, 8)),
            less_rest=draw(st.sampled_from([0, 0, 2, 20])),
            more_in_24h=draw(st.sampled_from([0, 0, 4])),
            more_nights=draw(st.sampled_from([0, 0, 1])),
        )
        for number in range(draw(st.integers(1, 4)))
    )
    signs = st.text(alphabet="+.-x", min_size=count, max_size=count)
    rules = Rules(
        draw(st.integers(0, 16)), draw(st.integers(0, 16)), draw(st.integers(4, 24)), 1, draw(st.integers(1, 2)), 3
    )
    wishes = tuple(draw(signs) for _ in people)
    request = RosterRequest("r", 30, datetime(2026, 5, 9, 6, 0), rules, people, tuple(tasks), wishes)
    names = [person.id for person in people]
    assigned = {
        task.id: tuple(draw(st.lists(st.sampled_from(names), unique=True, max_size=task.need))) for task in tasks
    }
    return request, assigned


@settings(deadline=None, max_examples=150)
@given(rosters())
def test_the_model_takes_what_the_checker_takes_and_gives_it_the_same_value(case):
    request, assigned = case
    for guard in (None, lambda model, rule: True):
        built = build(request, guard=guard)
        able = all((name, task) in built.on for task, crew in assigned.items() for name in crew)
        built.model.minimize(built.tiers[2] * 1000 + built.tiers[3])  # deviations are exact at their least
        solver, found = takes(built, assigned)
        assert (found and able) == (faults(request, assigned) == [])
        if found and able:
            assert tuple(solver.value(tier) for tier in built.tiers) == value.tiers(request, assigned)


def asked(*tasks, people, wishes=None):
    rows = tuple((wishes or {}).get(person.id, "." * len(tasks)) for person in people)
    return RosterRequest("r", 30, datetime(2026, 5, 9, 2, 0), RULES, people, tasks, rows)


def watch(name="w1", start=0, end=8, night=0, need=2):
    return Task(name, "watch", start, end, need, 3, firing="F1", kiln="K1", lead=1, night=night)


ADA = Crewmate("ada", "lead", signed_off=("K1",))
BEN = Crewmate("ben", "exp")
NIC = Crewmate("nic", "novice")
NED = Crewmate("ned", "novice", no_night=True)
LEFT_OUT = [
    ("cannot", asked(watch(), people=(ADA, BEN), wishes={"ben": "x"}), {"w1": ("ada", "ben")}),
    ("no_nights", asked(watch(night=2), people=(ADA, NED)), {"w1": ("ada", "ned")}),
    ("skill", asked(Task("c1", "chore", 0, 4, 1, 1, skill="saw"), people=(BEN,)), {"c1": ("ben",)}),
    ("rest", asked(watch(), watch("w2", 8, 16), people=(ADA, BEN)), {"w1": ("ada", "ben"), "w2": ("ada", "ben")}),
    ("day", asked(watch(), watch("w2", 26, 42), people=(ADA, BEN)), {"w1": ("ada", "ben"), "w2": ("ada", "ben")}),
    (
        "nights",
        asked(*(watch(f"w{n}", 48 * n, 48 * n + 8, night=4) for n in range(3)), people=(ADA, BEN)),
        {f"w{n}": ("ada", "ben") for n in range(3)},
    ),
    ("novices", asked(watch(need=3), people=(ADA, NIC, NED)), {"w1": ("ada", "nic", "ned")}),
]


@pytest.mark.parametrize(("kind", "request_", "assigned"), LEFT_OUT, ids=[kind for kind, _, _ in LEFT_OUT])
def test_a_rule_lifted_alone_lets_the_roster_through_that_breaks_only_it(kind, request_, assigned):
    assert faults(request_, assigned) != []
    lifted = build(request_, guard=lambda model, rule: rule.kind != kind)
    assert takes(lifted, assigned)[1]
    held = build(request_, guard=lambda model, rule: True)
    able = all((name, task) in held.on for task, crew in assigned.items() for name in crew)
    assert not (able and takes(held, assigned)[1])


@pytest.mark.parametrize(("kind", "request_", "assigned"), LEFT_OUT, ids=[kind for kind, _, _ in LEFT_OUT])
def test_a_rule_behind_a_literal_holds_while_the_literal_does(kind, request_, assigned):
    for wanted in (True, False):
        literals = {}

        def behind(model, rule, literals=literals):
            return literals.setdefault(rule, model.new_bool_var(str(rule))) if rule.kind == kind else True

        built = build(request_, guard=behind)
        assert literals
        for literal in literals.values():
            built.model.add(literal == wanted)
        assert takes(built, assigned)[1] is not wanted


@pytest.mark.parametrize("kind", ["least", "lead"])
def test_two_people_and_a_lead_cannot_be_switched_off(kind):
    with pytest.raises(ValueError, match="cannot be switched off"):
        build(asked(watch(), people=(ADA, BEN)), guard=lambda model, rule: rule.kind != kind)


def test_a_rule_instance_says_whom_and_which_tasks_it_binds():
    seen = []

    def note(model, rule):
        seen.append(rule)
        return True

    build(asked(watch(), watch("w2", 8, 16), people=(ADA, BEN)), guard=note)
    assert Rule("rest", ("w1", "w2"), "ada") in seen
    assert Rule("lead", ("w2",)) in seen
