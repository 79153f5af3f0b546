"""The ledger's own rules: entries balance, are only ever reversed, and hang in one chain of hashes."""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta

from coop.errors import Refused
from coop.money import MAX_MINOR, MINOR_DIGITS

GENESIS = "0" * 64  # what the first entry of a co-op hangs on
SEAL = 2  # what entries are sealed with now; 1 left out kind, day and who posted
_CLOCKS_APART = timedelta(hours=1)  # two machines' clocks; more is an entry put back in time


class Unbalanced(Refused):
    """The lines are not an entry: they do not balance, or there are too few, or one says nothing."""

    kind = "unbalanced"


class CannotReverse(Refused):
    """The entry is itself a reversal or has been reversed before."""

    kind = "cannot-reverse"
    status = 409


@dataclass(frozen=True, slots=True)
class EntryLine:
    """One account's part of an entry: minor units, debit positive, credit negative, never zero."""

    account: str
    currency: str
    amount: int


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a co-op's ledger; ``seq`` counts from 1 without gaps, ``reverses`` names another's seq."""

    coop: str
    seq: int
    key: str
    at: datetime
    memo: str
    lines: tuple[EntryLine, ...]
    reverses: int | None = None
    previous_hash: str = ""
    hash: str = ""
    kind: str = ""
    on: date | None = None  # the co-op's own day of ``at``
    by: str = ""
    seal: int = SEAL


def check_balanced(lines: Iterable[EntryLine]) -> None:
    """Raise Unbalanced unless there are two lines or more, none zero, adding up to 0 in each currency."""
    if faults := _line_faults(tuple(lines)):
        raise Unbalanced(" ".join(faults))


def reversal_of(
    entry: Entry, *, seq: int, key: str, at: datetime, memo: str = "", reversed_before: bool = False
) -> Entry:
    """The entry that undoes ``entry`` line by line, not yet sealed.

    Raises CannotReverse for a reversal and for what ``reversed_before`` says was reversed already.
    """
    if entry.reverses is not None:
        raise CannotReverse(f"Entry {entry.seq} is itself a reversal; make a new entry instead.")
    if reversed_before:
        raise CannotReverse(f"Entry {entry.seq} was reversed before; make a new entry instead.")
    if seq <= entry.seq:
        raise CannotReverse(f"A reversal comes after what it reverses; give it a number above {entry.seq}.")
    return Entry(
        coop=entry.coop,
        seq=seq,
        key=key,
        at=at,
        memo=memo or f"Reverses {entry.seq}: {entry.memo}",
        lines=tuple(EntryLine(line.account, line.currency, -line.amount) for line in entry.lines),
        reverses=entry.seq,
        kind="reversal",
    )


def body_hash(entry: Entry) -> str:
    """SHA-256 in hex over all that the entry says, as canonical JSON; the order of its lines does not matter.

    Raises Refused for a moment without offset: it would hash differently on another machine.
    """
    if entry.at.tzinfo is None:
        raise Refused(f"The moment of entry {entry.seq} has no offset; give it one, such as +00:00.")
    body: dict[str, object] = {
        "at": entry.at.astimezone(UTC).isoformat(timespec="microseconds"),
        "coop": entry.coop,
        "key": entry.key,
        "lines": sorted([line.account, line.currency, line.amount] for line in entry.lines),
        "memo": entry.memo,
        "reverses": entry.reverses,
        "seq": entry.seq,
    }
    if entry.seal > 1:
        on = None if entry.on is None else entry.on.isoformat()
        body |= {"by": entry.by, "kind": entry.kind, "on": on, "seal": entry.seal}
    text = json.dumps(body, ensure_ascii=True, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def chain_hash(previous: str, body: str) -> str:
    """SHA-256 in hex over the previous entry's hash and this entry's body hash (GENESIS before the first)."""
    return hashlib.sha256(f"{previous}{body}".encode("ascii")).hexdigest()


def sealed(entry: Entry, previous: str) -> Entry:
    """The balanced entry with its place in the chain; raises Unbalanced."""
    check_balanced(entry.lines)
    return replace(entry, previous_hash=previous, hash=chain_hash(previous, body_hash(entry)))


def verify_chain(entries: Iterable[Entry]) -> list[str]:
    """Every fault of one co-op's whole ledger, in the order of its entries; an empty list is sound.

    All hashes are computed afresh from the lines; a stored hash is never believed.
    """
    faults: list[str] = []
    seen: dict[int, Entry] = {}
    reversed_by: dict[int, int] = {}
    keys: dict[str, int] = {}
    previous, last_seq, last = GENESIS, 0, None
    for entry in sorted(entries, key=lambda entry: entry.seq):
        here = _order_faults(entry, last_seq)
        here += _line_faults(entry.lines)
        if seen and entry.coop != next(iter(seen.values())).coop:
            here.append("It belongs to another co-op.")
        if entry.key in keys:
            here.append(f"It repeats the key of entry {keys[entry.key]}.")
        here += _seal_faults(entry, previous)
        here += _time_faults(entry, last)
        here += _reversal_faults(entry, seen, reversed_by)
        faults += [f"Entry {entry.seq}: {fault}" for fault in here]
        seen.setdefault(entry.seq, entry)
        keys.setdefault(entry.key, entry.seq)
        if entry.reverses is not None:
            reversed_by.setdefault(entry.reverses, entry.seq)
        previous, last_seq, last = entry.hash, entry.seq, entry
    return faults


def _order_faults(entry: Entry, last_seq: int) -> list[str]:
    if entry.seq == last_seq:
        return ["It is there twice."]
    if entry.seq != last_seq + 1:
        return [f"Entries are missing between {last_seq} and this one."]
    return []


def _seal_faults(entry: Entry, previous: str) -> list[str]:
    faults = []
    if entry.previous_hash != previous:
        faults.append("It does not hang on the entry before it.")
    if entry.at.tzinfo is None:
        faults.append("Its moment has no offset.")
    elif entry.hash != chain_hash(previous, body_hash(entry)):
        faults.append("It is not what was sealed; its hash differs.")
    return faults


def _time_faults(entry: Entry, last: Entry | None) -> list[str]:
    faults = []
    if entry.seal not in (1, SEAL):
        faults.append(f"It is sealed in a way ({entry.seal}) that is not known.")
    if entry.at.tzinfo is None:
        return faults
    if entry.on is not None and abs(entry.on - entry.at.astimezone(UTC).date()) > timedelta(days=1):
        faults.append(f"Its day {entry.on} is not the day it was posted, {entry.at:%Y-%m-%d}.")
    if last is None:
        return faults
    if entry.seal < last.seal:
        faults.append("It is sealed in an older way than the entry before it.")
    if last.at.tzinfo is not None and entry.at < last.at - _CLOCKS_APART:
        faults.append(f"It is dated before entry {last.seq}, on which it hangs.")
    return faults


def _reversal_faults(entry: Entry, seen: dict[int, Entry], reversed_by: dict[int, int]) -> list[str]:
    if entry.reverses is None:
        return []
    target = seen.get(entry.reverses)
    if target is None:
        return [f"It reverses entry {entry.reverses}, which does not stand before it."]
    faults = []
    if target.reverses is not None:
        faults.append(f"It reverses entry {target.seq}, itself a reversal.")
    if target.seq in reversed_by:
        faults.append(f"It reverses entry {target.seq}, which entry {reversed_by[target.seq]} reversed before.")
    wanted = sorted((line.account, line.currency, -line.amount) for line in target.lines)
    if sorted((line.account, line.currency, line.amount) for line in entry.lines) != wanted:
        faults.append(f"Its lines do not undo entry {target.seq}.")
    return faults


def _line_faults(lines: Sequence[EntryLine]) -> list[str]:
    faults = []
    if len(lines) < 2:
        faults.append("An entry needs two lines or more.")
    sums: defaultdict[str, int] = defaultdict(int)
    for line in lines:
        if line.amount == 0:
            faults.append(f"The line on {line.account} is zero; leave it out.")
        if abs(line.amount) > MAX_MINOR:
            faults.append(f"The line on {line.account} is too large for the ledger; check its digits.")
        if line.currency not in MINOR_DIGITS:
            faults.append(f"The line on {line.account} has no known currency; use a code such as EUR.")
        sums[line.currency] += line.amount
    faults += [
        f"The lines in {currency} add up to {total}, not to 0; mend the amounts."
        for currency, total in sorted(sums.items())
        if total
    ]
    return faults
