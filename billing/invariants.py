"""What must always hold in the records, each recomputed from its rows by one small function."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise

from django.db.models import Case, Count, Exists, F, Model, OuterRef, Q, QuerySet, Sum, When
from django.db.models.functions import Coalesce

from billing import ledger
from billing.bank_files.movements import Movement
from billing.bank_files.movements import keys as movement_keys
from billing.models import (
    Account,
    BankFile,
    BankLine,
    CostPool,
    CostShare,
    DepositMove,
    Line,
    Payment,
    Posting,
    Settlement,
    Statement,
)
from billing.queries.ledger import entry_of
from billing.references import rf_valid
from coop.models import Coop, CoopOwned, Notice
from firings.models import Checklist, Chore, Firing, FiringZone, HoursEntry, Kiln, Watch


@dataclass(frozen=True, slots=True)
class Checked:
    """One invariant in one co-op: how many rows were looked at, and what differs (one sentence each)."""

    name: str
    rows: int
    faults: tuple[str, ...]


Check = Callable[[Coop], Checked]
_CHECKS: list[Check] = []


def _invariant(name: str) -> Callable[[Callable[[Coop], tuple[int, Iterable[str]]]], Check]:
    def register(function: Callable[[Coop], tuple[int, Iterable[str]]]) -> Check:
        def check(coop: Coop) -> Checked:
            rows, faults = function(coop)
            return Checked(name, rows, tuple(faults))

        _CHECKS.append(check)
        return check

    return register


def check_all(coop: Coop) -> Iterator[Checked]:
    """Every invariant of one co-op. Read inside ``reading``, so that all see the same moment."""
    for check in _CHECKS:
        yield check(coop)


def head_stands(coop: Coop, head: str) -> Checked:
    """Whether a head of the chain that somebody kept on paper is still in it: who rewrote everything cannot hide it."""
    known = Posting.objects.of(coop).filter(hash=head.strip().lower()).exists()
    fault = f"No posting has the hash {head[:64]}: the ledger is not the one it was taken from."
    return Checked("the head from paper is in the chain", 1, () if known else (fault,))


# --- Money ------------------------------------------------------------------------------------


@_invariant("the ledger's postings balance, are numbered without gaps, and hang in one chain")
def _ledger(coop: Coop) -> tuple[int, Iterable[str]]:
    rows = list(
        Posting.objects.of(coop)
        .select_related("coop", "reverses", "by")
        .prefetch_related("lines__account")
        .order_by("number")
    )
    return len(rows), ledger.verify_chain(entry_of(row) for row in rows)


@_invariant("each posting has as many lines as it says, in the co-op's currency")
def _line_counts(coop: Coop) -> tuple[int, Iterable[str]]:
    rows = Posting.objects.of(coop).annotate(count=Count("lines"))
    wrong = rows.filter(~Q(count=F("line_count")) | ~Q(currency=coop.currency))
    return rows.count(), [
        f"Posting {row.number} says {row.line_count} lines in {row.currency} and has {row.count}." for row in wrong
    ]


@_invariant("what the ledger is made of stays in its co-op, and points at what is there")
def _ties(coop: Coop) -> tuple[int, Iterable[str]]:
    count, faults = 0, []
    for model in (Account, Posting, Line, Payment, DepositMove, Statement):
        rows = model.objects.of(coop).order_by()
        count += rows.count()
        for field in model._meta.local_fields:
            other = field.related_model
            if not isinstance(other, type) or not issubclass(other, CoopOwned):
                continue
            there = other.objects.filter(pk=OuterRef(field.attname), coop=OuterRef("coop"))  # type: ignore[attr-defined]
            lost = rows.exclude(**{field.attname: None}).filter(~Exists(there)).values_list("pk", flat=True)
            faults += [f"{model.__name__} {pk} has a {field.name} that is not in this co-op." for pk in lost]
    return count, faults


@_invariant("accounts are called by what they are")
def _accounts(coop: Coop) -> tuple[int, Iterable[str]]:
    rows = Account.objects.of(coop).select_related("member", "depositor")
    wanted = {row: f"{row.kind}:{who.public_id}" if (who := row.member or row.depositor) else row.kind for row in rows}
    return len(wanted), [
        f"The account {row.code} should be called {code}." for row, code in wanted.items() if row.code != code
    ]


@_invariant("cost shares add up to each member's total")
def _totals(coop: Coop) -> tuple[int, Iterable[str]]:
    rows = list(Settlement.objects.of(coop).select_related("firing"))
    sums: defaultdict[int, dict[str, int]] = defaultdict(dict)
    shares = CostShare.objects.of(coop).order_by().values_list("settlement", "member__public_id")
    for settlement, member, amount in shares.annotate(sum=Sum("amount_minor")):
        sums[settlement][str(member)] = amount
    return len(rows), [fault for row in rows for fault in _total_faults(row, sums[row.pk])]


def _total_faults(row: Settlement, sums: dict[str, int]) -> Iterator[str]:
    totals = row.answer["totals"]
    for who, total in totals.items():
        if total != sums.get(who, 0):
            yield f"{row}: the shares of {who} add up to {sums.get(who, 0)}, the total says {total}."
    if strangers := sum(amount for who, amount in sums.items() if who not in totals):
        yield f"{row}: shares of {strangers} minor units are not in the totals."


@_invariant("all lines of the ledger add up to nothing")
def _all_lines(coop: Coop) -> tuple[int, Iterable[str]]:
    sums = Line.objects.of(coop).aggregate(sum=Sum("amount_minor", default=0), count=Count("pk"))
    return sums["count"], [f"They add up to {sums['sum']} minor units."] if sums["sum"] else []


@_invariant("each movement placed on the account has a payment of its day and amount")
def _bank_lines(coop: Coop) -> tuple[int, Iterable[str]]:
    rows = BankLine.objects.of(coop).filter(state=BankLine.State.PAYMENT).select_related("payment")
    wrong = rows.exclude(payment__amount_minor=F("amount_minor"), payment__on=F("on"))
    return rows.count(), [f"The movement {row} has a payment of {row.payment.amount_minor}." for row in wrong]


@_invariant("each bank file taken opens with what its movements lead to its close, and all of them are kept")
def _bank_files(coop: Coop) -> tuple[int, Iterable[str]]:
    rows = list(BankFile.objects.of(coop).filter(state=BankFile.State.TAKEN))
    kept = set(BankLine.objects.of(coop).values_list("key", flat=True)) if rows else set()
    return len(rows), [fault for row in rows for fault in _bank_file_faults(row, kept)]


def _bank_file_faults(row: BankFile, kept: set[str]) -> Iterator[str]:
    movements = [Movement.from_json(said) for said in row.movements]
    if row.opening_minor + sum(one.amount_minor for one in movements) != row.closing_minor:
        yield f"{row.name} opens with {row.opening_minor}; its movements do not lead to {row.closing_minor}."
    if missing := sum(key not in kept for key in movement_keys(row.iban, movements)):
        yield f"{missing} movements of {row.name} are not kept."


@_invariant("each pool of cost shares adds up to its bill")
def _pools(coop: Coop) -> tuple[int, Iterable[str]]:
    rows = CostPool.objects.of(coop).annotate(shared=Sum("shares__amount_minor", default=0))
    wrong = rows.exclude(bill_minor=F("shared") + F("fund_minor")).select_related("settlement__firing")
    return rows.count(), [
        f"{row.settlement}: the bill of {row.pool} is {row.bill_minor}; {row.shared} and {row.fund_minor} are shared."
        for row in wrong
    ]


@_invariant("the bills of cost shares are their receipts and what goes to the reserve")
def _bills(coop: Coop) -> tuple[int, Iterable[str]]:
    rows = list(
        Settlement.objects.of(coop).annotate(bills=Sum("pools__bill_minor", default=0)).select_related("firing")
    )
    return len(rows), [
        f"{row}: the bills add up to {row.bills}, the receipts and the reserve to {wanted}."
        for row in rows
        if row.bills != (wanted := sum(row.answer["credits"].values()) + row.answer["to_reserve"])
    ]


@_invariant("statements say what was posted")
def _statements(coop: Coop) -> tuple[int, Iterable[str]]:
    rows = list(
        Statement.objects.of(coop)
        .select_related("settlement__posting", "settlement__firing", "member__person")
        .order_by("number")
    )
    posted = {
        (posting, member): amount
        for posting, member, amount in Line.objects.of(coop)
        .filter(account__member__isnull=False, posting__kind="cost_shares")
        .values_list("posting", "account__member")
        .annotate(sum=Sum("amount_minor"))
    }
    balances = _balances_after(coop)
    return len(rows), _statement_faults(rows, posted, balances)


def _balances_after(coop: Coop) -> dict[tuple[int, int], int]:
    """Each member's balance after each posting that touched their account, by posting and member."""
    running: defaultdict[int, int] = defaultdict(int)
    after: dict[tuple[int, int], int] = {}
    lines = Line.objects.of(coop).filter(account__member__isnull=False).order_by("posting__number", "pk")
    for posting, member, amount in lines.values_list("posting", "account__member", "amount_minor"):
        running[member] += amount
        after[posting, member] = running[member]
    return after


def _statement_faults(
    rows: list[Statement], posted: dict[tuple[int, int], int], balances: dict[tuple[int, int], int]
) -> Iterator[str]:
    for row in rows:
        settlement, key = row.settlement, (row.settlement.posting_id or 0, row.member_id)
        credited = settlement.answer["credits"].get(str(row.member.public_id), 0)
        if row.total_minor - credited != posted.get(key, 0):
            yield f"Statement {row.number} says {row.total_minor} less {credited}; {posted.get(key, 0)} were posted."
        if key in balances and balances[key] != row.balance_minor:
            yield f"Statement {row.number} says a balance of {row.balance_minor}; it was {balances[key]}."
        if not rf_valid(row.reference):
            yield f"Statement {row.number} has a reference with wrong check digits."
    yield from _gaps("Statement", [row.number for row in rows])


@_invariant("payments say what was posted")
def _payments(coop: Coop) -> tuple[int, Iterable[str]]:
    rows = Payment.objects.of(coop).annotate(
        posted=Sum("posting__lines__amount_minor", filter=Q(posting__lines__account__member=F("member")), default=0)
    )
    wrong = rows.exclude(amount_minor=-F("posted"))
    return rows.count(), [f"Payment {row.pk} says {row.amount_minor}; {-row.posted} were posted." for row in wrong]


_POSTED_FOR = {"payment": "payment", "deposit": "deposit move", "cost_shares": "cost shares"}


@_invariant("postings of payments, deposits and cost shares have what they post")
def _posted_for(coop: Coop) -> tuple[int, Iterable[str]]:
    rows = Posting.objects.of(coop).filter(kind__in=_POSTED_FOR)
    bare = rows.filter(
        Q(kind="payment", payment=None) | Q(kind="deposit", deposit_move=None) | Q(kind="cost_shares", settlement=None)
    )
    return rows.count(), [
        f"Posting {row.number} has no {_POSTED_FOR[row.kind]} of its own." for row in bare.order_by("number")
    ]


@_invariant("deposits are what was taken less what was given back or set off, and never overdrawn")
def _deposits(coop: Coop) -> tuple[int, Iterable[str]]:
    rows = DepositMove.objects.of(coop).order_by()
    sign = Case(When(kind="taken", then=F("amount_minor")), default=-F("amount_minor"))
    moved = dict(rows.values_list("member").annotate(sum=Sum(sign)))
    sums = Line.objects.of(coop).filter(account__kind=Account.Kind.DEPOSIT).order_by()
    held = {who: -total for who, total in sums.values_list("account__depositor").annotate(sum=Sum("amount_minor"))}
    return rows.count(), [
        f"The deposit of member {who} is {held.get(who, 0)}; {moved.get(who, 0)} were taken and not given back."
        for who in sorted({*held, *moved})
        if held.get(who, 0) != moved.get(who, 0) or held.get(who, 0) < 0
    ]


@_invariant("posted cost shares have a posting, reversed ones a reversal")
def _states(coop: Coop) -> tuple[int, Iterable[str]]:
    rows = Settlement.objects.of(coop).select_related("firing")
    without = rows.filter(state=Settlement.State.POSTED).filter(Q(posting=None) | Q(posting__reversed_by__isnull=False))
    unreversed = rows.filter(state=Settlement.State.REVERSED, posting__reversed_by=None)
    return rows.count(), [
        *(f"{row} is posted, but its posting is missing or reversed." for row in without),
        *(f"{row} is reversed, but its posting is not." for row in unreversed),
    ]


def _gaps(what: str, numbers: list[int]) -> Iterator[str]:
    for before, after in pairwise([0, *sorted(numbers)]):
        if after != before + 1:
            yield f"{what} {after} comes after {before}; one is missing or there twice."


# --- Kiln work --------------------------------------------------------------------------------


@_invariant("the space taken in a zone is that of the pieces that hold it")
def _space(coop: Coop) -> tuple[int, Iterable[str]]:
    rows = FiringZone.objects.of(coop).annotate(held=Sum("pieces__asked_ml", filter=Q(pieces__state="held"), default=0))
    wrong = rows.exclude(taken_ml=F("held")).select_related("firing", "zone")
    return rows.count(), [
        f"{row.firing}, {row.zone}: {row.taken_ml} ml are taken, the pieces hold {row.held} ml." for row in wrong
    ]


@_invariant("a watch has as many places taken as people on it")
def _watches(coop: Coop) -> tuple[int, Iterable[str]]:
    return _taken(Watch.objects.of(coop))


@_invariant("a chore has as many places taken as people on it")
def _chores(coop: Coop) -> tuple[int, Iterable[str]]:
    return _taken(Chore.objects.of(coop))


def _taken(rows: QuerySet[Watch] | QuerySet[Chore]) -> tuple[int, Iterable[str]]:
    held: QuerySet[Model] = rows.annotate(
        held=Coalesce(Count("places_held", filter=Q(places_held__given_up_at=None)), 0)
    ).exclude(taken=F("held"))
    return rows.count(), [f"{row}: {row.taken} places are taken, {row.held} people hold one." for row in held]  # type: ignore[attr-defined]


@_invariant("hours are credited once for each confirmed place, to who held it")
def _hours(coop: Coop) -> tuple[int, Iterable[str]]:
    rows = HoursEntry.objects.of(coop)
    twice = rows.values("key").annotate(count=Count("pk")).filter(count__gt=1)
    signs = rows.filter(Q(kind="owed", minutes__gt=0) | Q(kind__in=["watch", "chore"], minutes__lt=0))
    return rows.count(), [
        *(f"Hours of {row['key']} are credited {row['count']} times." for row in twice.order_by("key")),
        *(
            f"{row}: hours owed are below zero and hours worked above."
            for row in signs.select_related("member__person")
        ),
    ]


@_invariant("hours carried over or settled in money add up to nothing, and a correction stays with its line")
def _hours_moved(coop: Coop) -> tuple[int, Iterable[str]]:
    rows = HoursEntry.objects.of(coop).filter(kind__in=["carried", "money", "corrected"]).order_by()
    carried = rows.filter(kind="carried").values("member__person__name").annotate(sum=Sum("minutes")).exclude(sum=0)
    money = rows.filter(kind="money").values("firing__name").annotate(sum=Sum("minutes")).exclude(sum=0)
    strayed = rows.filter(kind="corrected").exclude(member=F("corrects__member"))
    return rows.count(), [
        *(f"Hours {row['member__person__name']} carried over leave {row['sum']} minutes." for row in carried),
        *(f"Hours settled in money in {row['firing__name']} leave {row['sum']} minutes." for row in money),
        *(f"{row}: corrects a line of somebody else." for row in strayed.select_related("member__person")),
    ]


@_invariant("no kiln is taken twice at a time")
def _kilns(coop: Coop) -> tuple[int, Iterable[str]]:
    faults, count = [], 0
    for kiln in Kiln.objects.of(coop):
        spans = list(Firing.objects.of(coop).filter(kiln=kiln).holding_kiln().order_by("occupied_from", "pk"))
        count += len(spans)
        until: Firing | None = None
        for firing in spans:
            if until is not None and firing.occupied_from < until.occupied_until:
                faults.append(f"{kiln} is taken by {until} and {firing} at the same time.")
            if until is None or firing.occupied_until > until.occupied_until:
                until = firing
    return count, faults


@_invariant("a firing's stage is the last one it moved to, and only what is not over holds its kiln")
def _stages(coop: Coop) -> tuple[int, Iterable[str]]:
    rows = list(Firing.objects.of(coop).prefetch_related("moves"))
    faults = []
    for firing in rows:
        moves = list(firing.moves.all())
        if moves and moves[-1].to_stage != firing.stage:
            faults.append(f"{firing} is at {firing.stage}, but its last move was to {moves[-1].to_stage}.")
        if firing.stage in ("settling", "closed", "called_off") and firing.holds_kiln:
            faults.append(f"{firing} is {firing.stage} and still holds its kiln.")
    return len(rows), faults


@_invariant("a firing in or after clean-up has its checklist, signed before it is settled")
def _checklists(coop: Coop) -> tuple[int, Iterable[str]]:
    rows = Checklist.objects.of(coop).select_related("firing")
    early = rows.filter(signed_at=None, firing__stage__in=["settling", "closed"])
    missing = Firing.objects.of(coop).filter(stage="cleanup", checklist=None)
    return rows.count(), [
        *(f"{row.firing} is {row.firing.stage}, but its checklist is not signed." for row in early),
        *(f"{row} is in clean-up without a checklist." for row in missing),
    ]


@_invariant("a notice is sent or given up, never both, and mailed once for each key")
def _notices(coop: Coop) -> tuple[int, Iterable[str]]:
    rows = Notice.objects.of(coop)
    both = rows.exclude(sent_at=None).exclude(dead_at=None)
    twice = rows.values("key").annotate(count=Count("pk")).filter(count__gt=1).order_by("key")
    return rows.count(), [
        *(f"Notice {row.pk} is both sent and given up." for row in both),
        *(f"There are {row['count']} notices about {row['key']}." for row in twice),
    ]
