"""The checker: every rule broken once, in a firing lead's words; empty places apart."""

import re
from dataclasses import replace
from datetime import datetime

import pytest

from firings.roster.check import faults, gaps
from firings.roster.problem import Crewmate, RosterRequest, Rules, Task

RULES = Rules(rest_watch=16, rest_other=2, max_in_24h=20, novice_per_exp=1, max_nights_72h=2, night_task_min=4)
ADA = Crewmate("ada", "lead", signed_off=("K1",))
BEN = Crewmate("ben", "exp")
CAT = Crewmate("cat", "exp", no_night=True)
NIC = Crewmate("nic", "novice")
NED = Crewmate("ned", "novice")
PEOPLE = (ADA, BEN, CAT, NIC, NED)


def watch(name="w1", start=0, end=8, need=2, cap=3, lead=1, night=0, kiln="K1"):
    return Task(name, "watch", start, end, need, cap, firing="F1", kiln=kiln, lead=lead, night=night)


def chore(name="c1", start=0, end=4, need=1, cap=5, skill=None):
    return Task(name, "chore", start, end, need, cap, skill=skill)


def asked(*tasks, wishes=None, rules=RULES, people=PEOPLE):
    rows = tuple((wishes or {}).get(person.id, "." * len(tasks)) for person in people)
    return RosterRequest("r", 30, datetime(2026, 5, 9, 2, 0), rules, people, tasks, rows)


def test_a_sound_crew_breaks_nothing():
    assert faults(asked(watch()), {"w1": ("ada", "ben")}) == []


def test_nobody_is_alone_at_the_fire():
    assert faults(asked(watch()), {"w1": ("ada",)}) == [
        "Sat 02:00-06:00, kiln K1: only one person; never alone at the fire, add a second or take them off."
    ]


def test_nobody_is_alone_with_the_splitter():
    handy = tuple(Crewmate(name, "exp", skills=("wood splitter",)) for name in ("ada", "ben"))
    request = asked(chore(need=2, skill="wood splitter"), people=handy)
    assert "never alone with the wood splitter" in faults(request, {"c1": ("ada",)})[0]
    assert faults(request, {"c1": ("ada", "ben")}) == []


def test_one_person_may_sweep_alone():
    assert faults(asked(chore()), {"c1": ("ben",)}) == []


def test_an_empty_place_is_a_gap_and_no_fault():
    request = asked(watch(need=3))
    assert faults(request, {}) == []
    assert [(gap.task, gap.places) for gap in gaps(request, {"w1": ("ada", "ben")})] == [("w1", 1)]
    assert gaps(request, {})[0].text == "Sat 02:00-06:00, kiln K1: 0 of 3 places are filled, 3 still open."
    assert gaps(request, {"w1": ("ada", "ben", "cat")}) == []


def test_two_names_for_one_person_or_strangers_fill_no_place():
    request = asked(watch(need=2))
    assert gaps(request, {"w1": ("ada", "ada")})[0].places == 1
    assert gaps(request, {"w1": ("ada", "zoe")})[0].places == 1


@pytest.mark.parametrize(
    ("tasks", "assigned", "said"),
    [
        ((watch(),), {"w1": ("ben", "cat")}, "nobody there is signed off to lead kiln K1"),
        ((watch(kiln="K2"),), {"w1": ("ada", "ben")}, "nobody there is signed off to lead kiln K2"),
        ((watch(lead=2),), {"w1": ("ada", "ben")}, "only 1 there, 2 are needed"),
        ((watch(cap=4),), {"w1": ("ada", "nic", "ned")}, "2 novices to 1 experienced"),
        ((watch(cap=2),), {"w1": ("ada", "ben", "cat")}, "room for 2; take 1 off"),
        ((watch(night=2),), {"w1": ("ada", "cat")}, "cat does no nights"),
        ((chore(skill="saw"),), {"c1": ("ben",)}, "ben is not signed off for saw"),
        ((watch(),), {"w1": ("ada", "ben", "zoe")}, "nobody called 'zoe'"),
        ((watch(),), {"w1": ("ada", "ben", "ben")}, "ben is on it twice"),
        ((watch(),), {"w1": ("ada", "ben"), "w9": ("cat",)}, "no watch or chore 'w9'"),
        ((watch(), chore(start=7, end=9)), {"w1": ("ada", "ben"), "c1": ("ben",)}, "two places at once"),
        ((watch(), chore(start=9, end=11)), {"w1": ("ada", "ben"), "c1": ("ben",)}, "only 0.5 h rest"),
        (
            (watch(), watch("w2", 23, 31)),
            {"w1": ("ada", "ben"), "w2": ("ada", "cat")},
            "only 7.5 h rest between Sat 02:00-06:00, kiln K1 and Sat 13:30-17:30, kiln K1; 8 h are due",
        ),
        (
            (watch(end=11), watch("w2", 27, 37)),
            {"w1": ("ada", "ben"), "w2": ("ada", "cat")},
            "10.5 h within 24 hours, 10 h are allowed",
        ),
        (
            (watch(night=4), watch("w2", 48, 56, night=4), watch("w3", 96, 104, night=4)),
            {"w1": ("ada", "ben"), "w2": ("ada", "ben"), "w3": ("ada", "cat")},
            "3 nights within three days, 2 are allowed",
        ),
    ],
)
def test_each_broken_rule_is_said(tasks, assigned, said):
    assert any(said in text for text in faults(asked(*tasks), assigned))


def test_whoever_cannot_come_is_named():
    assert "ben cannot come" in faults(asked(watch(), wishes={"ben": "x"}), {"w1": ("ada", "ben")})[0]
    assert faults(asked(watch(), wishes={"ben": "-"}), {"w1": ("ada", "ben")}) == []


def test_just_enough_rest_and_just_enough_hours_are_allowed():
    request = asked(watch(end=10), watch("w2", 26, 36))
    assert faults(request, {"w1": ("ada", "ben"), "w2": ("ada", "ben")}) == []


def test_two_nights_in_a_row_and_a_third_after_three_days_are_allowed():
    nights = (watch(night=4), watch("w2", 48, 56, night=4), watch("w3", 144, 152, night=4))
    everybody = {task.id: ("ada", "ben") for task in nights}
    assert faults(asked(*nights), everybody) == []


def test_what_somebody_agreed_to_holds_for_them_alone():
    close = (watch(), watch("w2", 23, 31))
    both = {"w1": ("ada", "ben"), "w2": ("ada", "ben")}
    agreed = tuple(replace(one, less_rest=1) if one.id == "ada" else one for one in PEOPLE)
    assert [text[:4] for text in faults(asked(*close, people=agreed), both)] == ["ben:"]
    nights = (watch(night=4), watch("w2", 48, 56, night=4), watch("w3", 96, 104, night=4))
    all_three = {task.id: ("ada", "ben") for task in nights}
    agreed = tuple(replace(one, more_nights=1) if one.id == "ben" else one for one in PEOPLE)
    assert [text[:4] for text in faults(asked(*nights, people=agreed), all_three)] == ["ada:"]
    long = (watch(end=11), watch("w2", 27, 37))
    agreed = tuple(replace(one, more_in_24h=1) for one in PEOPLE)
    assert faults(asked(*long, people=agreed), {task.id: ("ada", "ben") for task in long}) == []


def test_no_agreement_puts_anybody_in_two_places_at_once():
    agreed = tuple(replace(one, less_rest=1000) for one in PEOPLE)
    request = asked(watch(), watch("w2", 4, 12), people=agreed)
    assert "two places at once" in faults(request, {"w1": ("ada", "ben"), "w2": ("ada", "cat")})[0]


# A sound roster of two kilns over three days, and one fault planted into it at a time.
IDA = Crewmate("ida", "lead", signed_off=("K1", "K2"))
ODA = Crewmate("oda", "lead", signed_off=("K1",), no_night=True)
SAM = Crewmate("sam", "exp", skills=("saw",))
TOM = Crewmate("tom", "exp", skills=("saw",), less_rest=4)
TASKS = (
    watch("a", 0, 8, need=2, cap=3),
    watch("b", 0, 8, kiln="K2"),
    watch("c", 24, 32, night=8),
    chore("saw", 40, 44, need=2, skill="saw"),
    watch("d", 72, 80, night=8),
    watch("e", 120, 128, night=8),
    chore("sweep", 136, 140),
)
WISHES = {"ben": "....x.."}
SOUND = {
    "a": ("ada", "nic"),
    "b": ("ben", "ida"),
    "c": ("ada", "sam"),
    "saw": ("sam", "tom"),
    "d": ("ida", "tom"),
    "e": ("ada", "ben"),
    "sweep": ("cat",),
}
PLANTED = {
    "two places at once": ({"a": ("ada", "ben")}, "ben: .*overlap; nobody is in two places at once"),
    "named twice": ({"a": ("ada", "nic", "nic")}, "nic is on it twice"),
    "nobody signed off to lead": ({"c": ("ben", "sam")}, "nobody there is signed off to lead kiln K1"),
    "signed off for the other kiln": ({"b": ("ben", "oda")}, "nobody there is signed off to lead kiln K2"),
    "too many novices": ({"a": ("ada", "nic", "ned")}, "2 novices to 1 experienced"),
    "rest too short between watches": ({"c": ("ada", "sam"), "w": ("ada", "ben")}, "ada: only 2 h rest .* 8 h are due"),
    "rest too short around a chore": ({"sweep": ("ada",), "late": ("ada",)}, "ada: only 0.5 h rest .* 1 h are due"),
    "less rest than agreed to": ({"w": ("ida", "tom"), "c": ("ada", "tom")}, "tom: only 2 h rest .* 6 h are due"),
    "too much in 24 hours": ({"long": ("ada", "ben")}, "12 h within 24 hours, 10 h are allowed"),
    "nights in a row": ({"d": ("ada", "tom")}, "ada: 3 nights within three days, 2 are allowed"),
    "cannot": ({"d": ("ida", "ben")}, "ben cannot come"),
    "no nights": ({"c": ("oda", "sam")}, "oda does no nights"),
    "skill missing": ({"saw": ("sam", "cat")}, "cat is not signed off for saw"),
    "over the cap": ({"a": ("ada", "nic", "cat", "oda")}, "4 people, there is room for 3; take 1 off"),
    "alone at the fire": ({"b": ("ida",)}, "never alone at the fire"),
    "alone with the saw": ({"saw": ("sam",)}, "never alone with the saw"),
    "unknown person": ({"b": ("ida", "zoe")}, "nobody called 'zoe'"),
    "unknown watch": ({"x": ("ben",)}, "no watch or chore 'x'"),
}
EXTRA = {
    "w": watch("w", 36, 44),
    "late": chore("late", 141, 145),
    "long": watch("long", 168, 192),
}


def test_the_roster_that_faults_are_planted_into_is_sound():
    request = asked(*TASKS, wishes=WISHES, people=(*PEOPLE, IDA, ODA, SAM, TOM))
    assert faults(request, SOUND) == []
    assert gaps(request, SOUND) == []


@pytest.mark.parametrize(("planted", "said"), PLANTED.values(), ids=PLANTED)
def test_each_planted_fault_is_found_in_an_otherwise_sound_roster(planted, said):
    tasks = (*TASKS, *(task for name, task in EXTRA.items() if name in planted))
    wishes = {"ben": WISHES["ben"] + "." * (len(tasks) - len(TASKS))}
    request = asked(*tasks, wishes=wishes, people=(*PEOPLE, IDA, ODA, SAM, TOM))
    found = faults(request, SOUND | planted)
    assert any(re.search(said, text) for text in found), found


def test_a_place_left_open_without_a_word_is_found():
    request = asked(*TASKS, wishes=WISHES, people=(*PEOPLE, IDA, ODA, SAM, TOM))
    found = gaps(request, SOUND | {"sweep": ()})
    assert [(gap.task, gap.places) for gap in found] == [("sweep", 1)]
    assert faults(request, SOUND | {"sweep": ()}) == []
