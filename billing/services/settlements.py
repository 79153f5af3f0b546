"""Cost shares: drafted from the receipts, open for questions, posted once, mended only by a reversal."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Q, Sum
from django.urls import reverse as address
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from billing import cost_shares, pools
from billing.access import check_treasurer
from billing.models import Account, CostPool, CostShare, Line, Posting, Question, Settlement, Statement
from billing.queries.costs import STANDING, costs_of, credits_json, is_out_of_date
from billing.references import rf_reference
from billing.services import postings
from coop import notices
from coop.computations import ask as ask_for
from coop.errors import Malformed, NotFound, Refused, Taken
from coop.models import Computation, Coop, Document, Membership
from coop.transactions import say, use_case
from firings.access import check_takes_part
from firings.models import Firing
from firings.queries.firings import firing_of
from firings.queries.hours import terms_of
from firings.services.firings import close as close_firing

STATEMENTS = "statements"
MOST_TEXT = 2000

say(
    settlement_version_used_once=gettext_lazy("Somebody drafted at the same moment. Load the page again."),
    one_standing_settlement_per_firing=gettext_lazy(
        "This firing has cost shares already; load the page again to see them."
    ),
    posted_settlement_has_a_posting=gettext_lazy("Posted cost shares need a posting; nothing was posted."),
    pool_once_per_settlement=gettext_lazy("Each pool stands once in the cost shares; draft again."),
    one_share_per_pool=gettext_lazy("Each member stands once in a pool; draft again."),
    statement_numbered_once=gettext_lazy("Somebody posted at the same moment, so nothing was posted. Try again."),
    one_statement_per_member_and_settlement=gettext_lazy("These statements were made before; load the page again."),
)


# --- Draft ------------------------------------------------------------------------------------


@use_case
def draft_shares(coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID) -> Settlement:
    """Compute the cost shares from what stands now; an earlier draft, open for questions or not, is replaced.

    Refused before the clean-up is signed off, once the shares are posted, and when there is nothing to share.
    """
    check_treasurer(by)
    firing = firing_of(coop, firing_id)
    postings.lock_ledger(coop)
    _check_may_settle(firing)
    costs = costs_of(firing)
    pooled = pools.pooled(costs)
    if not any(pool.bill for pool in pooled.table.pools) and not any(outlay.amount for outlay in costs.outlays):
        raise Refused(
            _("There are no receipts and nothing else to share in this firing. Enter a receipt, or close it without.")
        )
    shares = cost_shares.share(pooled.table)
    Settlement.objects.of(coop).filter(
        firing=firing, state__in=[Settlement.State.DRAFT, Settlement.State.QUESTIONS]
    ).update(state=Settlement.State.REPLACED)
    last = Settlement.objects.of(coop).filter(firing=firing).order_by("-version").first()
    settlement: Settlement = Settlement.objects.create(
        coop=coop,
        firing=firing,
        version=last.version + 1 if last else 1,
        request=pools.request(pooled.table),
        answer={
            **cost_shares.answer(shares),
            "credits": credits_json(costs.outlays),
            "to_reserve": pooled.to_reserve,
            "reserve_bears": pooled.reserve_bears,
            "space": dict(pooled.space),
            "notes": list(pooled.notes),
        },
        drafted_at=now,
        drafted_by=by,
    )
    _keep_table(settlement, pooled.table, shares)
    return settlement


def _keep_table(settlement: Settlement, table: cost_shares.CostTable, shares: cost_shares.CostShares) -> None:
    members = {
        str(row.public_id): row
        for row in Membership.objects.of(settlement.coop).filter(public_id__in=[m.id for m in table.members])
    }
    rows = {
        pool.id: CostPool(
            coop=settlement.coop,
            settlement=settlement,
            pool=pool.id,
            key=pool.key,
            bill_minor=pool.bill,
            fund_minor=shares.fund[pool.id],
        )
        for pool in table.pools
    }
    CostPool.objects.bulk_create(rows.values())
    CostShare.objects.bulk_create(
        CostShare(
            coop=settlement.coop,
            settlement=settlement,
            pool=rows[line.pool],
            member=members[line.member],
            amount_minor=line.amount,
            working={
                "weight": str(line.weight),
                "of": str(line.weight_of_all),
                "exact": str(line.exact),
                "sentence": line.sentence,
            },
        )
        for line in shares.working
        if line.member != cost_shares.FUND and (line.amount or line.weight)
    )


def _check_may_settle(firing: Firing) -> None:
    rows = Settlement.objects.of(firing.coop).filter(firing=firing)
    if rows.filter(state=Settlement.State.POSTED).exists():
        raise Refused(_("The cost shares of this firing are posted. Reverse them before drafting anew."))
    if firing.stage in (Firing.Stage.SETTLING, Firing.Stage.CALLED_OFF):
        return
    if firing.stage == Firing.Stage.CLOSED:
        if not rows.filter(state=Settlement.State.REVERSED).exists():
            raise Refused(_("This firing was closed without cost shares and its record is read-only."))
        return
    raise Refused(_("Cost shares come after the clean-up is signed off; this firing is not there yet."))


@use_case
def close_without_shares(coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID) -> Firing:
    """Close a firing that cost nothing. Refused while a receipt stands or cost shares were drafted."""
    check_treasurer(by)
    firing = firing_of(coop, firing_id)
    postings.lock_ledger(coop)
    _check_may_settle(firing)
    if firing.receipts.standing().exists() or firing.settlements.filter(state__in=STANDING).exists():
        raise Refused(_("This firing has receipts or cost shares; draft and post them to close it."))
    close_firing(firing, by, now)
    return firing


# --- Questions --------------------------------------------------------------------------------


@use_case
def open_questions(coop: Coop, *, by: Membership | None, now: datetime, settlement_id: UUID) -> Settlement:
    """Show the draft to everybody with a share and give them the co-op's days to ask; all are mailed."""
    check_treasurer(by)
    settlement = _settlement(coop, settlement_id)
    postings.lock_ledger(coop)
    if settlement.state != Settlement.State.DRAFT:
        raise Refused(_("Only a draft can be opened for questions; this one is %(state)s.") % _state(settlement))
    _check_up_to_date(settlement)
    until = now + timedelta(days=terms_of(settlement.firing).question_days)
    opened = Settlement.objects.filter(pk=settlement.pk, state=Settlement.State.DRAFT).update(
        state=Settlement.State.QUESTIONS, questions_until=until
    )
    if not opened:
        raise Taken(_("Somebody was quicker; load the page again."))
    settlement.state, settlement.questions_until = Settlement.State.QUESTIONS, until
    firing = settlement.firing
    day = until.astimezone(ZoneInfo(coop.time_zone))
    for member in _members_with_a_share(settlement):
        notices.queue(
            coop,
            key=f"questions:{settlement.public_id}:{member.public_id}",
            kind="questions",
            to=member,
            subject=_("%(firing)s: look at your cost share") % {"firing": firing.name},
            text=_(
                "The cost shares of %(firing)s are drafted, with the sum behind every figure. "
                "Ask in writing until %(until)s; every question is answered before anything is posted."
            )
            % {"firing": firing.name, "until": f"{day:%d.%m.%Y %H:%M}"},
            link=address("firing_money", kwargs={"coop": coop.slug, "firing": firing.public_id}),
            now=now,
            stale_at=until,
        )
    return settlement


@use_case
def ask(
    coop: Coop,
    *,
    by: Membership,
    now: datetime,
    settlement_id: UUID,
    text: str,
    share_id: UUID | None = None,
) -> Question:
    """A question in writing, about one share or all of them; nothing is posted before it is answered."""
    settlement = _settlement(coop, settlement_id)
    check_takes_part(by, settlement.firing)
    words = _written(text, _("Write down what you want to know."))
    postings.lock_ledger(coop)
    if settlement.state != Settlement.State.QUESTIONS:
        raise Refused(
            _("These cost shares are %(state)s; questions can be asked while they are open for them.")
            % (_state(settlement))
        )
    share: CostShare | None = None
    if share_id is not None:
        share = CostShare.objects.of(coop).filter(settlement=settlement, public_id=share_id).first()
        if share is None:
            raise NotFound(_("There is no such share in these cost shares."))
    question: Question = Question.objects.create(
        coop=coop, settlement=settlement, share=share, asked_by=by, asked_at=now, text=words
    )
    return question


@use_case
def answer(coop: Coop, *, by: Membership, now: datetime, question_id: UUID, text: str) -> Question:
    """Answer a question in writing; who asked is mailed. An answer given stands."""
    check_treasurer(by)
    question: Question | None = (
        Question.objects.of(coop)
        .select_related("settlement__firing", "asked_by__person")
        .filter(public_id=question_id)
        .first()
    )
    if question is None:
        raise NotFound(_("There is no such question here."))
    words = _written(text, _("Write the answer."))
    answered = Question.objects.filter(pk=question.pk, answered_at=None).update(
        answer=words, answered_by=by, answered_at=now
    )
    if not answered:
        raise Refused(_("This question was answered before; the answer stands."))
    question.answer, question.answered_by, question.answered_at = words, by, now
    firing = question.settlement.firing
    notices.queue(
        coop,
        key=f"answer:{question.public_id}",
        kind="answer",
        to=question.asked_by,
        subject=_("%(firing)s: your question is answered") % {"firing": firing.name},
        text=f"{_('You asked:')} {question.text}\n\n{_('The answer:')} {words}",
        link=address("firing_money", kwargs={"coop": coop.slug, "firing": firing.public_id}),
        now=now,
    )
    return question


def _written(text: str, if_empty: str) -> str:
    words = text.strip()
    if not words:
        raise Malformed([if_empty], fields={"text": [if_empty]})
    if len(words) > MOST_TEXT:
        sentence = _("This has %(count)d characters; shorten it to %(most)d.") % {
            "count": len(words),
            "most": MOST_TEXT,
        }
        raise Malformed([sentence], fields={"text": [sentence]})
    return words


# --- Posted -----------------------------------------------------------------------------------


@use_case
def post_shares(
    coop: Coop, *, by: Membership | None, now: datetime, settlement_id: UUID, early: bool = False
) -> Settlement:
    """Post the cost shares: one balanced posting, a numbered statement for everybody in it, the firing closed.

    Refused while a question is open or the shares are out of date, and before the time for questions is over
    unless ``early`` (who posted early stays in the posting's text). Posting a second time raises Taken.
    """
    check_treasurer(by)
    settlement = _settlement(coop, settlement_id)
    postings.lock_ledger(coop)
    settlement.refresh_from_db(fields=["state"])
    is_early = _check_may_post(settlement, now=now, early=early)
    firing = settlement.firing
    text = _("Cost shares of %(firing)s") % {"firing": firing.name}
    if is_early:
        who = by.name if by else _("the service")
        text = _("%(text)s, posted before the time for questions was over by %(name)s") % {"text": text, "name": who}
    posting = postings.post(
        coop,
        key=f"settlement:{settlement.public_id}",
        kind="cost_shares",
        text=text,
        lines=_lines(settlement),
        by=by,
        now=now,
    )
    posted = Settlement.objects.filter(pk=settlement.pk, state=Settlement.State.QUESTIONS).update(
        state=Settlement.State.POSTED, posted_at=now, posting=posting
    )
    if not posted:
        raise Taken(_("Somebody was quicker; load the page again."))
    settlement.state, settlement.posted_at, settlement.posting = Settlement.State.POSTED, now, posting
    _make_statements(settlement, by, now)
    if firing.stage == Firing.Stage.SETTLING:
        close_firing(firing, by, now)
    return settlement


def _check_may_post(settlement: Settlement, *, now: datetime, early: bool) -> bool:
    """Raise unless these shares may be posted now; whether that is before the time for questions is over."""
    if settlement.state == Settlement.State.POSTED:
        raise Taken(_("These cost shares are posted already; they were not posted a second time."))
    if settlement.state == Settlement.State.DRAFT:
        raise Refused(_("Open the cost shares for questions first, so that everybody can look at them."))
    if settlement.state != Settlement.State.QUESTIONS:
        raise Refused(_("These cost shares are %(state)s; post the newest ones.") % _state(settlement))
    _check_may_settle(settlement.firing)
    _check_up_to_date(settlement)
    waiting = (
        Question.objects.of(settlement.coop).filter(settlement__firing=settlement.firing, answered_at=None).count()
    )
    if waiting:
        raise Refused(
            ngettext(
                "One question waits for an answer. Answer it before posting.",
                "%(count)d questions wait for an answer. Answer them before posting.",
                waiting,
            )
            % {"count": waiting}
        )
    until = settlement.questions_until or now
    if now < until and not early:
        day = until.astimezone(ZoneInfo(settlement.coop.time_zone))
        raise Refused(
            _("Questions may be asked until %(until)s. Post after that, or confirm that you post early.")
            % {"until": f"{day:%d.%m.%Y %H:%M}"}
        )
    return now < until


def _check_up_to_date(settlement: Settlement) -> None:
    if is_out_of_date(settlement, costs_of(settlement.firing)):
        raise Refused(
            _("Receipts, space, hours or damage changed since these cost shares were drafted. Draft them again.")
        )


def _lines(settlement: Settlement) -> list[tuple[Account, int]]:
    """Members are charged their totals, payers credited their receipts; fund and reserve take their part."""
    coop, answer = settlement.coop, settlement.answer
    charged = {who: amount for who, amount in answer["totals"].items() if amount}
    credited = {who: amount for who, amount in answer["credits"].items() if amount}
    members = {
        str(row.public_id): row
        for row in Membership.objects.of(coop)
        .select_related("person")
        .filter(public_id__in={*charged, *credited} - {""})
    }
    lines = [(postings.account_of(members[who]), amount) for who, amount in charged.items()]
    for who, amount in credited.items():
        account = postings.account_of(members[who]) if who else postings.own_account(coop, Account.Kind.BANK)
        lines.append((account, -amount))
    borne = answer.get("reserve_bears", 0)
    if fund := sum(answer["fund"].values()) - borne:
        lines.append((postings.own_account(coop, Account.Kind.FUND), fund))
    if reserve := borne - answer["to_reserve"]:
        lines.append((postings.own_account(coop, Account.Kind.RESERVE), reserve))
    if len(lines) < 2:
        raise Refused(_("These receipts cancel each other out, so there is nothing to post."))
    return lines


def _make_statements(settlement: Settlement, by: Membership | None, now: datetime) -> None:
    """A numbered statement for everybody in the posting; each asks for its paper, which is mailed once made."""
    coop = settlement.coop
    last = Statement.objects.of(coop).order_by("-number").values_list("number", flat=True).first() or 0
    totals = settlement.answer["totals"]
    members = list(_members_with_a_share(settlement))
    sums = Line.objects.of(coop).filter(account__member__in=members).values_list("account__member")
    balances = dict(sums.annotate(sum=Sum("amount_minor")))
    for number, member in enumerate(members, start=last + 1):
        statement: Statement = Statement.objects.create(
            coop=coop,
            settlement=settlement,
            member=member,
            number=number,
            reference=rf_reference(f"{coop.pk}{number:07d}"),
            total_minor=totals.get(str(member.public_id), 0),
            balance_minor=balances.get(member.pk, 0),
            made_at=now,
        )
        ask_for(coop, kind=STATEMENTS, subject=statement.public_id, by=by, now=now)


def _members_with_a_share(settlement: Settlement) -> Iterable[Membership]:
    """Everybody with a figure other than zero in the shares, or with receipts in them."""
    paid = [who for who, amount in settlement.answer["credits"].items() if who and amount]
    with_share = settlement.shares.exclude(amount_minor=0).values("member")
    return (
        Membership.objects.of(settlement.coop)
        .filter(Q(pk__in=with_share) | Q(public_id__in=paid))
        .select_related("person")
        .order_by("person__name", "pk")
    )


@use_case
def keep_statement(
    coop: Coop, *, by: Membership | None, now: datetime, statement_id: UUID, content: bytes, computation: Computation
) -> Document:
    """Keep a statement's paper and mail it; done twice, the first paper stays and nothing is mailed again."""
    from coop.documents import keep

    statement: Statement = (
        Statement.objects.of(coop).select_related("member__person", "settlement__firing").get(public_id=statement_id)
    )
    firing = statement.settlement.firing
    document = keep(
        coop,
        kind=STATEMENTS,
        subject=statement.public_id,
        title=_("Statement %(number)d, %(firing)s") % {"number": statement.number, "firing": firing.name},
        file_name=f"statement-{statement.number}.pdf",
        content=content,
        now=now,
        for_membership=statement.member,
        computation=computation,
    )
    Statement.objects.filter(pk=statement.pk, document=None).update(document=document)
    notices.queue(
        coop,
        key=f"statement:{statement.public_id}",
        kind="statement",
        to=statement.member,
        subject=_("Statement %(number)d: %(firing)s") % {"number": statement.number, "firing": firing.name},
        text=_(
            "The cost shares of %(firing)s are posted. Your statement is attached, with the sum behind every figure."
        )
        % {"firing": firing.name},
        link=address("money", kwargs={"coop": coop.slug}),
        now=now,
        document=document,
    )
    return document


# --- Reversed ---------------------------------------------------------------------------------


@use_case
def reverse(coop: Coop, *, by: Membership | None, now: datetime, settlement_id: UUID, why: str) -> Posting:
    """Undo posted cost shares by a reversing posting that gives the reason; they can then be drafted anew."""
    check_treasurer(by)
    settlement = _settlement(coop, settlement_id)
    reason = " ".join(why.split())
    if not reason or len(reason) > 120:
        sentence = _("Give the reason in up to 120 characters; it stands in the ledger for good.")
        raise Malformed([sentence], fields={"why": [sentence]})
    postings.lock_ledger(coop)
    settlement.refresh_from_db(fields=["state"])
    if settlement.state != Settlement.State.POSTED or settlement.posting is None:
        raise Refused(_("Only posted cost shares can be reversed; these are %(state)s.") % _state(settlement))
    made = postings.post_reversal(
        settlement.posting,
        text=_("Reverses %(number)d: %(why)s") % {"number": settlement.posting.number, "why": reason},
        by=by,
        now=now,
    )
    Settlement.objects.filter(pk=settlement.pk).update(state=Settlement.State.REVERSED)
    firing = settlement.firing
    for statement in settlement.statements.select_related("member__person"):
        notices.queue(
            coop,
            key=f"reversed:{statement.public_id}",
            kind="reversed",
            to=statement.member,
            subject=_("%(firing)s: statement %(number)d no longer counts")
            % {"firing": firing.name, "number": statement.number},
            text=_("The cost shares of %(firing)s were reversed: %(why)s. New ones will follow.")
            % {"firing": firing.name, "why": reason},
            link=address("firing_money", kwargs={"coop": coop.slug, "firing": firing.public_id}),
            now=now,
        )
    return made


def _settlement(coop: Coop, settlement_id: UUID) -> Settlement:
    found: Settlement | None = (
        Settlement.objects.of(coop)
        .select_related("coop", "firing__coop", "firing__kiln", "firing__lead__person", "firing__policy", "posting")
        .filter(public_id=settlement_id)
        .first()
    )
    if found is None:
        raise NotFound(_("There are no such cost shares here."))
    return found


def _state(settlement: Settlement) -> dict[str, Any]:
    return {"state": settlement.get_state_display()}
