"""Entries balance, are reversed once, and a change anywhere in the chain is found."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from billing.ledger import (
    GENESIS,
    CannotReverse,
    Entry,
    EntryLine,
    Unbalanced,
    body_hash,
    chain_hash,
    check_balanced,
    reversal_of,
    sealed,
    verify_chain,
)
from coop.errors import Refused

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
LATER = NOW + timedelta(days=9)
accounts = st.sampled_from(["bank", "wood", "fund", "ada", "ben"])
currencies = st.sampled_from(["EUR", "JPY"])
amounts = st.integers(-(10**9), 10**9).filter(bool)


@st.composite
def balanced(draw):
    """Lines that balance in each of one or two currencies."""
    lines = []
    for currency in draw(st.lists(currencies, min_size=1, max_size=2, unique=True)):
        parts = draw(st.lists(amounts, min_size=1, max_size=4))
        assume(sum(parts))
        lines += [EntryLine(draw(accounts), currency, part) for part in [*parts, -sum(parts)]]
    return tuple(lines)


def chain(*many_lines, coop="ash"):
    entries, previous = [], GENESIS
    for at, lines in enumerate(many_lines, start=1):
        made = sealed(Entry(coop, at, f"key {at}", NOW + timedelta(days=at), f"entry {at}", lines), previous)
        entries.append(made)
        previous = made.hash
    return entries


def add(entries, entry):
    return [*entries, sealed(entry, entries[-1].hash)]


def euro(*amounts):
    return tuple(EntryLine(account, "EUR", amount) for account, amount in zip("abcdef", amounts, strict=False))


chains = st.lists(balanced(), min_size=1, max_size=5).map(lambda many: chain(*many))


@given(balanced())
def test_lines_that_add_up_to_zero_are_an_entry(lines):
    check_balanced(lines)


@given(balanced(), st.integers(-5, 5).filter(bool))
def test_one_unit_more_is_no_entry(lines, more):
    bent = replace(lines[0], amount=lines[0].amount + more)
    with pytest.raises(Unbalanced):
        check_balanced((bent, *lines[1:]))


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        ((), "two lines or more"),
        (euro(0), "two lines or more"),
        (euro(5, -5, 0), "is zero; leave it out"),
        (euro(5, -4), "EUR add up to 1, not to 0"),
        ((EntryLine("a", "EUR", 5), EntryLine("b", "USD", -5)), "EUR add up to 5"),
        ((EntryLine("a", "EURO", 5), EntryLine("b", "EURO", -5)), "no known currency"),
        (euro(2**63, -(2**63)), "too large"),
    ],
)
def test_what_does_not_balance_is_refused_with_the_reason(lines, says):
    with pytest.raises(Unbalanced, match=says):
        check_balanced(lines)


@given(chains)
def test_a_reversal_undoes_its_entry_line_by_line_and_verifies(entries):
    first = entries[0]
    undone = reversal_of(first, seq=len(entries) + 1, key="undo", at=LATER)
    both = [(line.account, line.currency, line.amount) for line in (*first.lines, *undone.lines)]
    for account, currency, _ in both:
        assert sum(amount for a, c, amount in both if (a, c) == (account, currency)) == 0
    assert undone.reverses == first.seq
    assert verify_chain(add(entries, undone)) == []


def test_an_entry_is_reversed_once_and_a_reversal_never():
    entries = chain(euro(5, -5))
    undone = reversal_of(entries[0], seq=2, key="undo", at=LATER)
    with pytest.raises(CannotReverse, match="reversed before"):
        reversal_of(entries[0], seq=3, key="again", at=LATER, reversed_before=True)
    with pytest.raises(CannotReverse, match="itself a reversal"):
        reversal_of(undone, seq=3, key="again", at=LATER)
    with pytest.raises(CannotReverse, match="above 1"):
        reversal_of(entries[0], seq=1, key="again", at=LATER)


@given(balanced(), st.randoms(use_true_random=False))
def test_the_hash_does_not_depend_on_the_order_of_lines_or_the_offset(lines, chance):
    entry = Entry("ash", 1, "k", NOW, "wood", lines)
    shuffled = list(lines)
    chance.shuffle(shuffled)
    elsewhere = NOW.astimezone(timezone(timedelta(hours=9)))
    assert body_hash(replace(entry, lines=tuple(shuffled), at=elsewhere)) == body_hash(entry)


@given(
    balanced(),
    st.sampled_from(
        [
            {"coop": "oak"},
            {"seq": 2},
            {"key": "other"},
            {"memo": "other"},
            {"at": NOW + timedelta(microseconds=1)},
            {"reverses": 1},
        ]
    ),
)
def test_every_word_of_an_entry_is_in_its_hash(lines, change):
    entry = Entry("ash", 1, "k", NOW, "wood", lines)
    assert body_hash(replace(entry, **change)) != body_hash(entry)
    assert body_hash(replace(entry, lines=lines[1:])) != body_hash(entry)


def test_the_chain_starts_at_its_known_beginning():
    # SHA-256 of 64 zeros and 64 letters a, computed with GNU coreutils' sha256sum
    assert chain_hash(GENESIS, "a" * 64) == "6b0440c1ce48fe6bbbdc6b7b1499bf9aa8b74171dcdb3eeff952e1e7cf527813"


def test_a_moment_without_offset_is_refused():
    with pytest.raises(Refused, match="has no offset"):
        body_hash(Entry("ash", 1, "k", datetime(2026, 3, 1), "wood", euro(5, -5)))


@given(st.lists(balanced(), max_size=5).map(lambda many: chain(*many)), st.randoms(use_true_random=False))
def test_a_sound_chain_verifies_in_any_order(entries, chance):
    chance.shuffle(entries)
    assert verify_chain(entries) == []


@settings(max_examples=150)
@given(chains, st.data())
def test_any_change_to_a_stored_entry_is_found(entries, data):
    at = data.draw(st.integers(0, len(entries) - 1))
    entry = entries[at]
    lines = tuple(replace(line, amount=2 * line.amount) for line in entry.lines)
    change = data.draw(
        st.sampled_from(
            [
                {"lines": lines},
                {"lines": (*entry.lines[1:], replace(entry.lines[0], account="thief"))},
                {"memo": "changed"},
                {"at": entry.at + timedelta(seconds=1)},
                {"hash": "f" * 64},
                {"previous_hash": "f" * 64},
                {"coop": "oak"},
            ]
        )
    )
    entries[at] = replace(entry, **change)
    assert any(fault.startswith(f"Entry {entry.seq}: ") for fault in verify_chain(entries))


def test_an_entry_changed_and_sealed_anew_breaks_the_next_one():
    entries = chain(euro(5, -5), euro(7, -7))
    entries[0] = sealed(replace(entries[0], memo="changed"), GENESIS)
    assert verify_chain(entries) == [
        "Entry 2: It does not hang on the entry before it.",
        "Entry 2: It is not what was sealed; its hash differs.",
    ]


def test_a_missing_a_doubled_and_a_late_balanced_pair_are_found():
    entries = chain(euro(5, -5), euro(7, -7), euro(9, -9))
    assert "Entry 3: Entries are missing between 1 and this one." in verify_chain([entries[0], entries[2]])
    assert "Entry 1: It is there twice." in verify_chain([entries[0], *entries])
    later = replace(entries[1], lines=(*entries[1].lines, EntryLine("x", "EUR", 1), EntryLine("y", "EUR", -1)))
    assert "Entry 2: It is not what was sealed; its hash differs." in verify_chain([entries[0], later, entries[2]])


def test_bad_reversals_and_repeated_keys_are_found():
    entries = chain(euro(5, -5))
    undone = reversal_of(entries[0], seq=2, key="undo", at=LATER)
    entries = add(entries, undone)
    twice = add(entries, replace(undone, seq=3, key="again"))
    assert "Entry 3: It reverses entry 1, which entry 2 reversed before." in verify_chain(twice)
    of_reversal = add(entries, replace(undone, seq=3, key="again", lines=euro(5, -5), reverses=2))
    assert "Entry 3: It reverses entry 2, itself a reversal." in verify_chain(of_reversal)
    wrong = add(chain(euro(5, -5)), replace(undone, lines=euro(-4, 4)))
    assert verify_chain(wrong) == ["Entry 2: Its lines do not undo entry 1."]
    nowhere = add(chain(euro(5, -5)), replace(undone, reverses=7))
    assert verify_chain(nowhere) == ["Entry 2: It reverses entry 7, which does not stand before it."]
    same_key = add(chain(euro(5, -5)), replace(undone, key="key 1"))
    assert verify_chain(same_key) == ["Entry 2: It repeats the key of entry 1."]
