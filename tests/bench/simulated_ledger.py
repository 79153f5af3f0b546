"""A ledger worked by a seeded treasurer whose connection breaks and whose answers get lost; a model beside it.

The model is dictionaries: what each key did, what everybody's account and deposit should say. A step does something
new, repeats an old key, asks for what must be refused, or reverses; any step may be killed at any of its statements
or lose its answer, and is then tried again with the same key.
"""

from __future__ import annotations

from collections import Counter
from datetime import date, datetime, timedelta
from random import Random
from typing import Any

from django.db import OperationalError, connection

from billing import services
from billing.ledger import CannotReverse
from billing.models import Account, Line, Posting
from billing.services import postings
from coop.errors import Refused
from coop.models import Coop, Membership
from coop.transactions import use_case


class Killed:
    """Breaks the connection at the nth statement, once; ``for_good`` also closes it, as a killed process would."""

    def __init__(self, nth: int, *, for_good: bool) -> None:
        self.left, self.for_good, self.happened = nth, for_good, False

    def __call__(self, execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        if "coop.current" not in sql:
            self.left -= 1
        if not self.left:
            self.left, self.happened = -1, True
            if self.for_good:
                connection.close()
            raise OperationalError("the connection broke")
        return execute(sql, params, many, context)


@use_case
def give(coop: Coop, *, now: datetime, key: str, member: Membership, amount: int) -> Posting:
    """The co-op's fund gives a member something; the same key gives the posting that is there."""
    postings.lock_ledger(coop)
    if (before := Posting.objects.of(coop).filter(key=key).first()) is not None:
        return before
    lines = [(postings.own_account(coop, Account.Kind.FUND), amount), (postings.account_of(member), -amount)]
    return postings.post(coop, key=key, kind="gift", text="gift", lines=lines, by=None, now=now)


@use_case
def undo(coop: Coop, *, now: datetime, number: int) -> Posting:
    """Reverse a posting. Raises CannotReverse."""
    postings.lock_ledger(coop)
    target = Posting.objects.of(coop).select_related("coop", "reverses", "by").get(number=number)
    return postings.post_reversal(target, text="a slip", by=None, now=now)


class Treasurer:
    """Steps through a co-op's ledger and keeps the model."""

    def __init__(self, coop: Coop, members: list[Membership], by: Membership, *, seed: int, for_good: bool) -> None:
        self.coop, self.members, self.by, self.for_good = coop, members, by, for_good
        self.chance = Random(seed)
        self.now = datetime.fromisoformat("2026-05-01T09:00:00+00:00")
        self.owes: Counter[int] = Counter()
        self.held: Counter[int] = Counter()
        self.done: dict[str, tuple[str, int, int, int]] = {}  # key: what, member, amount, posting's number
        self.days: dict[str, date] = {}
        self.undone: set[int] = set()
        self.postings = 0
        self.counts: Counter[str] = Counter()

    def step(self) -> None:
        """One thing, done once however often it is killed or its answer lost."""
        self.now += timedelta(seconds=self.chance.randint(0, 3600))
        what = self.chance.choices(
            ("payment", "gift", "taken", "given_back", "set_off", "again", "otherwise", "undo"),
            (30, 20, 12, 8, 8, 12, 5, 8),
        )[0]
        self.counts[what] += 1
        getattr(self, f"_{what}", lambda: self._new(what))()

    def _new(self, what: str) -> None:
        member = self.chance.choice(self.members)
        amount = self.chance.choice((1, 7, 999, 5000, self.chance.randint(1, 10**7)))
        key = f"{what}-{len(self.done)}"
        if what in ("given_back", "set_off") and amount > self.held[member.pk]:
            self._refused(lambda: self._call(what, member, amount, key), Refused)
            return
        row = self._surely(lambda: self._call(what, member, amount, key))
        self._count(what, member, amount)
        self.postings += 1
        self.done[key] = (what, self.members.index(member), amount, self._number(row))
        if self._number(row) != self.postings:
            raise AssertionError(f"{key} became posting {self._number(row)}, not {self.postings}")

    def _count(self, what: str, member: Membership, amount: int) -> None:
        if what in ("payment", "gift", "set_off"):
            self.owes[member.pk] -= amount
        if what in ("taken", "given_back", "set_off"):
            self.held[member.pk] += amount if what == "taken" else -amount

    def _again(self) -> None:
        if self.done:
            key = self.chance.choice(list(self.done))
            what, member, amount, number = self.done[key]
            row = self._surely(lambda: self._call(what, self.members[member], amount, key))
            if self._number(row) != number:
                raise AssertionError(f"{key} again became posting {self._number(row)}, not {number}")

    def _otherwise(self) -> None:
        """A key used before, with another amount."""
        keys = [key for key, row in self.done.items() if row[0] != "gift"]
        if keys:
            key = self.chance.choice(keys)
            what, member, amount, _number = self.done[key]
            self._refused(lambda: self._call(what, self.members[member], amount + 1, key), Refused)

    def _undo(self) -> None:
        gifts = [key for key, row in self.done.items() if row[0] == "gift"]
        if not gifts:
            return
        _what, member, amount, number = self.done[self.chance.choice(gifts)]
        if number in self.undone:
            self._refused(lambda: undo(self.coop, now=self.now, number=number), CannotReverse)
            return
        try:
            self._surely(lambda: undo(self.coop, now=self.now, number=number))
        except CannotReverse:  # its answer was lost: it stands already
            self.counts["reversal found done"] += 1
        self.undone.add(number)
        self.postings += 1
        self.owes[self.members[member].pk] += amount

    def _call(self, what: str, member: Membership, amount: int, key: str) -> Any:
        on = self.days.setdefault(key, self.now.date())
        said = {"by": self.by, "now": self.now, "member_id": member.public_id, "on": on, "key": key}
        if what == "payment":
            return services.record_payment(self.coop, **said, amount_minor=amount)
        if what == "gift":
            return give(self.coop, now=self.now, key=key, member=member, amount=amount)
        return services.move_deposit(self.coop, **said, kind=what, amount_minor=amount)

    def _surely(self, call: Any) -> Any:
        """Until it went through: killed at some statement, or its answer lost, it is simply called again."""
        moment = self.now
        for _attempt in range(6):
            self.now = moment
            killed = Killed(self.chance.randint(1, 14), for_good=self.for_good and self.chance.random() < 0.5)
            if self.chance.random() < 0.6:
                killed.left = -1
            try:
                with connection.execute_wrapper(killed):
                    row = call()
            except OperationalError:
                if not killed.happened:
                    raise
                self.counts["killed"] += 1
                continue
            if self.chance.random() < 0.1:
                self.counts["answers lost"] += 1
                continue
            return row
        return call()

    def _refused(self, call: Any, kind: type[Exception]) -> None:
        try:
            call()
        except kind:
            self.counts["refused"] += 1
        else:
            raise AssertionError("what must be refused went through")

    @staticmethod
    def _number(row: Any) -> int:
        return int(row.number if isinstance(row, Posting) else row.posting.number)

    def differences(self) -> list[str]:
        """Where the ledger and the model differ."""
        lines = Line.objects.of(self.coop).order_by()
        said = []
        if (count := Posting.objects.of(self.coop).count()) != self.postings:
            said.append(f"{count} postings, {self.postings} in the model")
        for name, field, wanted in (
            ("owes", "account__member", self.owes),
            ("holds", "account__depositor", {who: -held for who, held in self.held.items()}),
        ):
            found: Counter[int] = Counter()
            for who, amount in lines.exclude(**{field: None}).values_list(field, "amount_minor"):
                found[who] += amount
            said += [
                f"member {who} {name} {found[who]}, {wanted.get(who, 0)} in the model"
                for who in sorted({*found, *wanted})
                if found[who] != wanted.get(who, 0)
            ]
        return said
