"""The money page of one firing: receipts, pools, members x pools with the working, questions."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from uuid import UUID

from django.core.paginator import Page, Paginator
from django.utils.translation import gettext as _

from billing.access import check_treasurer, keeps_receipts
from billing.cost_shares import FUND
from billing.models import CostPool, CostShare, Question, Receipt, Settlement
from billing.queries.costs import STANDING, costs_of, is_out_of_date, standing_receipts
from coop.access import allowed
from coop.errors import NotFound
from coop.models import Coop, Membership, Picture
from firings.access import check_takes_part
from firings.lifecycle import TAKES_RECEIPTS
from firings.models import Firing
from firings.queries.firings import firing_of

PAGE = 50


@dataclass(frozen=True, slots=True)
class ReceiptLine:
    """One receipt, and whether whoever looks may withdraw it."""

    receipt: Receipt
    may_withdraw: bool

    @property
    def pictures(self) -> list[Picture]:
        return [held.picture for held in self.receipt.pictures.all()]


@dataclass(frozen=True, slots=True)
class Cell:
    """What one member bears of one pool; ``share`` None is nothing at all."""

    pool: CostPool
    share: CostShare | None

    @property
    def amount_minor(self) -> int:
        return self.share.amount_minor if self.share else 0

    @property
    def sentence(self) -> str:
        return str(self.share.working.get("sentence", "")) if self.share else ""


@dataclass(frozen=True, slots=True)
class MemberRow:
    """One member's line of the table: a cell a pool, the total, what their receipts are credited with."""

    member: Membership
    cells: list[Cell]
    total_minor: int
    total_sentence: str
    credit_minor: int
    space_sentence: str = ""

    @property
    def net_minor(self) -> int:
        return self.total_minor - self.credit_minor


@dataclass(frozen=True, slots=True)
class FundCell:
    """What the fund bears of one pool (minus: what it receives), with the sum behind it."""

    pool: CostPool
    amount_minor: int
    sentence: str


@dataclass(frozen=True, slots=True)
class SharesTable:
    """Members x pools of one settlement."""

    settlement: Settlement
    pools: list[CostPool]
    rows: list[MemberRow]
    fund: list[FundCell]
    bill_minor: int
    notes: list[str]

    @property
    def fund_minor(self) -> int:
        return sum(cell.amount_minor for cell in self.fund)

    @property
    def members_minor(self) -> int:
        return sum(row.total_minor for row in self.rows)


@dataclass(frozen=True, slots=True)
class MoneyPage:
    """All the page shows, and what whoever looks may do."""

    firing: Firing
    receipts: Page[ReceiptLine]
    receipt_count: int
    receipts_minor: int
    by_pool: list[tuple[str, int]]
    table: SharesTable | None
    questions: list[Question]
    open_questions: int
    is_out_of_date: bool
    question_time_over: bool
    is_treasurer: bool
    keeps_receipts: bool
    may_take_receipts: bool
    may_draft: bool
    may_close_without: bool
    history: list[Settlement] = field(default_factory=list)


def settlement_of(coop: Coop, settlement_id: UUID) -> Settlement:
    """One settlement with its firing. Raises NotFound."""
    found: Settlement | None = (
        Settlement.objects.of(coop)
        .select_related("coop", "firing__coop", "posting")
        .filter(public_id=settlement_id)
        .first()
    )
    if found is None:
        raise NotFound(_("There are no such cost shares here."))
    return found


def money_page(coop: Coop, firing_id: UUID, by: Membership, now: datetime, number: str | None = None) -> MoneyPage:
    """The page of one firing's money. Guests of other firings are refused."""
    firing = firing_of(coop, firing_id)
    check_takes_part(by, firing)
    receipts = standing_receipts(firing)
    history = list(Settlement.objects.of(coop).filter(firing=firing).select_related("posting", "drafted_by__person"))
    standing = next((row for row in history if row.state in STANDING), None)
    shown = standing or next((row for row in history if row.state == Settlement.State.REVERSED), None)
    settled = standing is not None and standing.state == Settlement.State.POSTED
    was_reversed = any(row.state == Settlement.State.REVERSED for row in history)
    keeps, treasurer = keeps_receipts(by, firing), allowed(check_treasurer, by)
    takes = not settled and (firing.stage in TAKES_RECEIPTS or firing.stage == Firing.Stage.CALLED_OFF or was_reversed)
    questions = questions_of(firing)
    settles = firing.stage in (Firing.Stage.SETTLING, Firing.Stage.CALLED_OFF) or (
        firing.stage == Firing.Stage.CLOSED and was_reversed
    )
    by_pool: defaultdict[str, int] = defaultdict(int)
    for row in receipts:
        by_pool[row.get_pool_display()] += row.amount_minor
    return MoneyPage(
        firing=firing,
        receipts=Paginator(
            [ReceiptLine(row, takes and (keeps or row.entered_by_id == by.pk)) for row in receipts], PAGE
        ).get_page(number),
        receipt_count=len(receipts),
        receipts_minor=sum(row.amount_minor for row in receipts),
        by_pool=sorted(by_pool.items()),
        table=shares_table(shown, first=by) if shown else None,
        questions=questions,
        open_questions=sum(question.answered_at is None for question in questions),
        is_out_of_date=standing is not None and not settled and is_out_of_date(standing, costs_of(firing)),
        question_time_over=standing is not None
        and standing.questions_until is not None
        and standing.questions_until <= now,
        is_treasurer=treasurer,
        keeps_receipts=keeps,
        may_take_receipts=takes,
        may_draft=treasurer and settles and not settled,
        may_close_without=treasurer
        and firing.stage == Firing.Stage.SETTLING
        and not receipts
        and standing is None
        and not was_reversed,
        history=history,
    )


def shares_table(
    settlement: Settlement, only: Membership | None = None, first: Membership | None = None
) -> SharesTable:
    """The shares as a table, members by name, ``first`` before all; ``only`` keeps one member's line."""
    pools = list(settlement.pools.all())
    shares = settlement.shares.select_related("member__person", "pool")
    if only is not None:
        shares = shares.filter(member=only)
    cells: defaultdict[Membership, dict[int, CostShare]] = defaultdict(dict)
    for share in shares:
        cells[share.member][share.pool_id] = share
    answer = settlement.answer
    paid = _payers(settlement, answer["credits"], only)
    sentences = answer["working"]["totals"]
    rows = [
        MemberRow(
            member=member,
            cells=[Cell(pool, cells.get(member, {}).get(pool.pk)) for pool in pools],
            total_minor=sum(share.amount_minor for share in cells.get(member, {}).values()),
            total_sentence=sentences.get(str(member.public_id), {}).get("sentence", ""),
            credit_minor=answer["credits"].get(str(member.public_id), 0),
            space_sentence=answer.get("space", {}).get(str(member.public_id), ""),
        )
        for member in sorted({*cells, *paid}, key=lambda one: (one != first, one.name.casefold(), one.pk))
    ]
    working: dict[str, Any] = answer["working"]["pools"]
    return SharesTable(
        settlement=settlement,
        pools=pools,
        rows=rows,
        fund=[
            FundCell(pool, pool.fund_minor, working.get(pool.pool, {}).get(FUND, {}).get("sentence", ""))
            for pool in pools
        ],
        bill_minor=sum(pool.bill_minor for pool in pools),
        notes=[*answer.get("notes", []), *answer["working"].get("notes", [])],
    )


def _payers(settlement: Settlement, credits: dict[str, int], only: Membership | None) -> list[Membership]:
    ids = [who for who, amount in credits.items() if who and amount]
    rows = Membership.objects.of(settlement.coop).filter(public_id__in=ids).select_related("person")
    return list(rows if only is None else rows.filter(pk=only.pk))


def questions_of(firing: Firing) -> list[Question]:
    """Every question on the cost shares of a firing, of replaced drafts too, oldest first."""
    return list(
        Question.objects.of(firing.coop)
        .filter(settlement__firing=firing)
        .select_related("asked_by__person", "answered_by__person", "share__pool", "share__member__person", "settlement")
        .order_by("asked_at", "pk")
    )


def question_of(coop: Coop, question_id: UUID) -> Question:
    """One question with what its page shows. Raises NotFound."""
    found: Question | None = (
        Question.objects.of(coop)
        .select_related("settlement__firing", "asked_by__person", "share__pool", "share__member__person")
        .filter(public_id=question_id)
        .first()
    )
    if found is None:
        raise NotFound(_("There is no such question here."))
    return found


def share_of(settlement: Settlement, share_id: UUID) -> CostShare:
    """One share of these cost shares, with its pool and member. Raises NotFound."""
    found: CostShare | None = (
        settlement.shares.select_related("pool", "member__person").filter(public_id=share_id).first()
    )
    if found is None:
        raise NotFound(_("There is no such share in these cost shares."))
    return found


def drafts_waiting(coop: Coop) -> Sequence[Settlement]:
    """Drafts and shares open for questions, for the treasurer's overview."""
    return list(
        Settlement.objects.of(coop)
        .filter(state__in=[Settlement.State.DRAFT, Settlement.State.QUESTIONS])
        .select_related("firing__kiln")
        .order_by("drafted_at")[:50]
    )
