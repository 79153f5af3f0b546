"""Cost shares from draft to posted and back: exact sums, questions first, one posting, one statement each."""

import threading
from datetime import timedelta
from fractions import Fraction
from uuid import uuid4

import pytest
from django.db import IntegrityError, connection, connections, transaction
from django.db.models import Sum

from billing import services
from billing.models import CostPool, CostShare, Line, Posting, Question, Settlement, Statement
from billing.queries.costs import costs_of, is_out_of_date
from billing.queries.ledger import balance_of
from billing.references import rf_valid
from coop.errors import Malformed, NotAllowed, NotFound, Refused, Taken
from coop.models import AuditEntry, Computation, Notice
from coop.policy import Terms
from firings.models import Damage, Firing, HoursEntry
from tests.factories import NOW, ada, ben, cy, make_member, tess
from tests.factories_money import DAY, draft, make_settling_firing, opened, posted, take

pytestmark = pytest.mark.django_db

ALL_TO_MEMBERS = Terms(fill_guarantee=Fraction(0))


def spring(**fields):
    """Ada 30 l and 10 l of soda, Ben 20 l, Tess 20 l; wood 412.37 by the co-op, 58.00 by Ben, soda 21.60."""
    firing = make_settling_firing(litres={"Ada": (30, 10), "Ben": 20, "Tess": 20}, terms=ALL_TO_MEMBERS, **fields)
    tess()
    take(firing, 41237)
    take(firing, 5800, paid_by=ben())
    take(firing, 2160, "soda")
    return firing


def share_of(settlement, member, pool):
    return settlement.shares.get(member=member, pool__pool=pool)


# --- Draft ------------------------------------------------------------------------------------


def test_every_pool_adds_up_to_its_bill_and_every_figure_has_its_sentence():
    settlement = draft(spring())
    assert {pool.pool: pool.bill_minor for pool in settlement.pools.all()} == {"wood": 47037, "soda": 2160}
    for pool in settlement.pools.annotate(shared=Sum("shares__amount_minor")):
        assert pool.shared + pool.fund_minor == pool.bill_minor
    assert share_of(settlement, ben(), "wood").working["sentence"] == (
        "470.37 EUR x 20 l / 80 l = 117.5925, rounded down to 117.59."
    )
    assert share_of(settlement, ada(), "soda").amount_minor == 2160
    assert not settlement.shares.filter(member=ben(), pool__pool="soda").exists()


def test_a_cent_for_seven_people_is_one_persons_cent():
    firing = make_settling_firing(litres={f"Potter {n}": 10 for n in range(7)}, terms=ALL_TO_MEMBERS)
    take(firing, 1)
    settlement = posted(firing)
    assert sorted(settlement.shares.values_list("amount_minor", flat=True)) == [0] * 6 + [1]
    assert list(settlement.posting.lines.values_list("amount_minor", flat=True)) == [1, -1]
    assert Statement.objects.count() == 1


def test_with_nobody_to_pay_the_fund_bears_all_and_says_why():
    firing = make_settling_firing(terms=ALL_TO_MEMBERS)
    take(firing, 41237, paid_by=ben())
    settlement = posted(firing)
    assert any("nobody to pay" in note for note in settlement.answer["notes"])
    assert {line.account.kind: line.amount_minor for line in settlement.posting.lines.all()} == {
        "member": -41237,
        "fund": 41237,
    }


def test_a_refund_alone_is_paid_back_to_the_members():
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 10}, terms=ALL_TO_MEMBERS)
    take(firing, -1850)
    posted(firing)
    assert (balance_of(ada()), balance_of(ben())) == (-1387, -463) or (balance_of(ada()), balance_of(ben())) == (
        -1388,
        -462,
    )


def test_hours_damage_and_levy_come_into_the_draft():
    terms = Terms(fill_guarantee=Fraction(0), hour_rate_minor=900, levy_minor_per_litre=5)
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 10}, terms=terms)
    take(firing, 4000)
    for member, kind, minutes in ((ben(), "owed", -120), (ada(), "watch", 180)):
        HoursEntry.objects.create(
            coop=firing.coop, member=member, firing=firing, kind=kind, minutes=minutes, why="x", key=kind, at=NOW
        )
    Damage.objects.create(
        coop=firing.coop,
        firing=firing,
        what="board",
        note="ran onto the board",
        bearer="member",
        borne_by=ben(),
        amount_minor=3200,
        reported_by=ada(),
        reported_at=NOW,
        decided_by=ada(),
        agreed_by=tess(),
        agreed_at=NOW,
        decided_at=NOW,
    )
    settlement = draft(firing)
    bills = {pool.pool: pool.bill_minor for pool in settlement.pools.all()}
    assert bills == {"wood": 4000, "reserve": 200, "breakage": 3200, "hours_owed": 1800, "hours_more": -1800}
    assert settlement.answer["totals"] == {
        str(ada().public_id): 3000 + 150 - 1800,
        str(ben().public_id): 1000 + 50 + 3200 + 1800,
    }
    assert settlement.answer["to_reserve"] == 3400


def test_a_guest_pays_by_the_terms_factor():
    terms = Terms(fill_guarantee=Fraction(0), guest_factor=Fraction(3, 2))
    firing = make_settling_firing(litres={"Ada": 30, "Gus": 10}, terms=terms)
    make_member("Gus").roles.all().delete()
    make_member("Gus", roles=()).roles.all().delete()
    gus = make_member("Gus", roles=())
    gus.roles.all().delete()
    gus.roles.create(coop=firing.coop, kind="guest")
    take(firing, 4000)
    settlement = draft(firing)
    assert share_of(settlement, gus, "wood").amount_minor == 1500
    assert settlement.pools.get(pool="wood").fund_minor == -500


def test_a_draft_is_replaced_by_a_newer_one_and_says_when_it_is_out_of_date():
    firing = spring()
    first = draft(firing)
    assert not is_out_of_date(first, costs_of(firing))
    take(firing, 100)
    assert is_out_of_date(first, costs_of(firing))
    second = draft(firing)
    first.refresh_from_db()
    assert (first.state, second.state, second.version) == ("replaced", "draft", 2)
    assert not is_out_of_date(second, costs_of(firing))


def test_who_paid_is_part_of_what_a_draft_must_keep_up_with():
    firing = spring()
    made = draft(firing)
    receipt = firing.receipts.filter(paid_by=ben()).get()
    services.withdraw_receipt(firing.coop, by=tess(), now=NOW, receipt_id=receipt.public_id)
    take(firing, 5800, paid_by=ada())
    assert is_out_of_date(made, costs_of(firing))


@pytest.mark.parametrize("stage", ["called", "booking", "lit", "unpacking", "cleanup"])
def test_before_the_clean_up_is_signed_there_are_no_cost_shares(stage):
    firing = make_settling_firing(stage=stage, litres={"Ben": 10})
    with pytest.raises(Refused, match="after the clean-up"):
        draft(firing)
    assert not Settlement.objects.exists()


def test_nothing_to_share_is_refused_and_such_a_firing_can_be_closed():
    firing = make_settling_firing(litres={"Ben": 10})
    with pytest.raises(Refused, match="no receipts"):
        draft(firing)
    services.close_without_shares(firing.coop, by=tess(), now=NOW, firing_id=firing.public_id)
    assert Firing.objects.get(pk=firing.pk).stage == "closed"
    costly = spring(name="Autumn firing")
    with pytest.raises(Refused, match="has receipts"):
        services.close_without_shares(costly.coop, by=tess(), now=NOW, firing_id=costly.public_id)


def test_what_was_laid_out_for_a_firing_called_off_is_still_paid_back():
    firing = make_settling_firing(stage="called_off")
    take(firing, 41237, paid_by=ben())
    posted(firing)
    assert balance_of(ben()) == -41237
    assert Firing.objects.get(pk=firing.pk).stage == "called_off"


@pytest.mark.parametrize("member", [ben, ada])
def test_only_the_treasurer_drafts_opens_posts_answers_and_reverses(member):
    firing = spring()
    with pytest.raises(NotAllowed, match="treasurer"):
        services.draft_shares(firing.coop, by=member(), now=NOW, firing_id=firing.public_id)
    made = draft(firing)
    for do in (services.open_questions, services.post_shares):
        with pytest.raises(NotAllowed, match="treasurer"):
            do(firing.coop, by=member(), now=NOW, settlement_id=made.public_id)
    with pytest.raises(NotAllowed, match="treasurer"):
        services.reverse(firing.coop, by=member(), now=NOW, settlement_id=made.public_id, why="x")


def test_another_coops_cost_shares_are_not_there():
    made, stranger = draft(spring()), cy()
    with pytest.raises(NotFound):
        services.open_questions(stranger.coop, by=None, now=NOW, settlement_id=made.public_id)


# --- Questions --------------------------------------------------------------------------------


def test_opening_for_questions_tells_everybody_with_a_share_once():
    settlement = opened(spring())
    assert settlement.questions_until == NOW + 7 * DAY
    to = Notice.objects.filter(kind="questions").values_list("to_person__name", flat=True)
    assert sorted(to) == ["Ada", "Ben", "Tess"]
    with pytest.raises(Refused, match="Only a draft"):
        services.open_questions(settlement.coop, by=tess(), now=NOW, settlement_id=settlement.public_id)


def test_a_question_holds_the_posting_up_until_it_is_answered():
    settlement = opened(spring())
    share = share_of(settlement, ben(), "wood")
    question = services.ask(
        settlement.coop,
        by=ben(),
        now=NOW,
        settlement_id=settlement.public_id,
        share_id=share.public_id,
        text=" Why so much? ",
    )
    assert (question.text, question.share) == ("Why so much?", share)
    later = settlement.questions_until
    for early in (False, True):
        with pytest.raises(Refused, match="One question waits"):
            services.post_shares(settlement.coop, by=tess(), now=later, settlement_id=settlement.public_id, early=early)
    services.answer(settlement.coop, by=tess(), now=NOW, question_id=question.public_id, text="Wet slabs.")
    assert Notice.objects.get(kind="answer").to_person == ben().person
    with pytest.raises(Refused, match="answered before"):
        services.answer(settlement.coop, by=tess(), now=NOW, question_id=question.public_id, text="No.")
    services.post_shares(settlement.coop, by=tess(), now=later, settlement_id=settlement.public_id)
    assert Question.objects.get().answer == "Wet slabs."


def test_a_question_on_a_replaced_draft_still_wants_its_answer():
    firing = spring()
    first = opened(firing)
    services.ask(firing.coop, by=ben(), now=NOW, settlement_id=first.public_id, text="And the refund?")
    take(firing, -1850)
    second = opened(firing)
    with pytest.raises(Refused, match="One question waits"):
        services.post_shares(firing.coop, by=tess(), now=second.questions_until, settlement_id=second.public_id)


@pytest.mark.parametrize(("text", "sentence"), [("  ", "Write down"), ("x" * 2001, "shorten it to 2000")])
def test_a_question_says_something_and_not_too_much(text, sentence):
    settlement = opened(spring())
    with pytest.raises(Malformed, match=sentence):
        services.ask(settlement.coop, by=ben(), now=NOW, settlement_id=settlement.public_id, text=text)


def test_questions_are_asked_while_the_shares_are_open_for_them_about_shares_that_are_there():
    settlement = draft(spring())
    with pytest.raises(Refused, match="are draft"):
        services.ask(settlement.coop, by=ben(), now=NOW, settlement_id=settlement.public_id, text="Why?")
    services.open_questions(settlement.coop, by=tess(), now=NOW, settlement_id=settlement.public_id)
    with pytest.raises(NotFound, match="no such share"):
        services.ask(
            settlement.coop, by=ben(), now=NOW, settlement_id=settlement.public_id, share_id=uuid4(), text="Why?"
        )


# --- Posted -----------------------------------------------------------------------------------


def test_posting_charges_members_credits_payers_and_closes_the_firing():
    firing = spring()
    settlement = posted(firing)
    lines = {(line.account.name, line.amount_minor > 0): line.amount_minor for line in settlement.posting.lines.all()}
    totals = settlement.answer["totals"]
    assert lines == {
        ("Ada", True): totals[str(ada().public_id)],
        ("Ben", True): totals[str(ben().public_id)],
        ("Tess", True): totals[str(tess().public_id)],
        ("Ben", False): -5800,
        ("bank and cash", False): -41237 - 2160,
    }
    assert sum(lines.values()) == 0
    assert balance_of(ben()) == totals[str(ben().public_id)] - 5800
    firing.refresh_from_db()
    assert (firing.stage, firing.closed_at) == ("closed", settlement.posted_at)


def test_statements_are_numbered_and_say_what_was_posted():
    settlement = posted(spring())
    rows = list(Statement.objects.order_by("number"))
    assert [row.number for row in rows] == [1, 2, 3]
    assert {row.member.name: row.total_minor for row in rows} == {
        member.name: settlement.answer["totals"][str(member.public_id)] for member in (ada(), ben(), tess())
    }
    assert all(row.balance_minor == balance_of(row.member) for row in rows)
    assert all(rf_valid(row.reference) for row in rows)
    assert len({row.reference for row in rows}) == 3
    assert Computation.objects.filter(kind="statements").count() == 3


def test_posting_twice_posts_once():
    settlement = posted(spring())
    with pytest.raises(Taken, match="posted already"):
        services.post_shares(settlement.coop, by=tess(), now=settlement.posted_at, settlement_id=settlement.public_id)
    assert (Posting.objects.count(), Statement.objects.count()) == (1, 3)


def test_before_the_time_is_over_the_treasurer_must_say_so_and_it_is_on_record():
    settlement = opened(spring())
    soon = NOW + timedelta(hours=1)
    with pytest.raises(Refused, match=r"Questions may be asked until 08\.05\.2026 10:00"):
        services.post_shares(settlement.coop, by=tess(), now=soon, settlement_id=settlement.public_id)
    assert not Posting.objects.exists()
    services.post_shares(settlement.coop, by=tess(), now=soon, settlement_id=settlement.public_id, early=True)
    assert "before the time for questions was over by Tess" in Posting.objects.get().text
    entry = AuditEntry.objects.filter(action="settlements.post_shares").get()
    assert (entry.by, entry.detail["early"]) == (tess(), 1)


def test_a_draft_nobody_has_seen_or_that_is_out_of_date_is_not_posted():
    firing = spring()
    made = draft(firing)
    with pytest.raises(Refused, match="Open the cost shares for questions"):
        services.post_shares(firing.coop, by=tess(), now=NOW, settlement_id=made.public_id, early=True)
    services.open_questions(firing.coop, by=tess(), now=NOW, settlement_id=made.public_id)
    take(firing, 100)
    with pytest.raises(Refused, match="Draft them again"):
        services.post_shares(firing.coop, by=tess(), now=made.drafted_at + 8 * DAY, settlement_id=made.public_id)
    assert not Posting.objects.exists()


def test_receipts_that_cancel_out_leave_nothing_to_post():
    firing = make_settling_firing(litres={"Ben": 10}, terms=ALL_TO_MEMBERS)
    take(firing, 500)
    take(firing, -500)
    with pytest.raises(Refused, match="cancel each other out"):
        posted(firing)
    assert Settlement.objects.get().state == "questions"


def test_numbers_of_postings_and_statements_go_on_without_gaps_per_coop():
    posted(spring())
    posted(spring(name="Autumn firing"))
    assert sorted(Posting.objects.values_list("number", flat=True)) == [1, 2]
    assert sorted(Statement.objects.values_list("number", flat=True)) == [1, 2, 3, 4, 5, 6]
    other = make_settling_firing(cy().coop, litres={"Cy": 10}, terms=ALL_TO_MEMBERS)
    take(other, 500)
    assert posted(other).posting.number == 1


# --- Reversed ---------------------------------------------------------------------------------


def test_a_reversal_undoes_every_line_and_lets_the_firing_be_settled_anew():
    firing = spring()
    first = posted(firing)
    later = first.posted_at + DAY
    undone = services.reverse(
        firing.coop, by=tess(), now=later, settlement_id=first.public_id, why="the refund was missing"
    )
    assert undone.text == "Reverses 1: the refund was missing"
    assert {balance_of(member) for member in (ada(), ben(), tess())} == {0}
    assert Notice.objects.filter(kind="reversed").count() == 3
    take(firing, -1850)
    second = posted(firing, later)
    assert (second.version, second.posting.number) == (2, 3)
    assert sum(pool.bill_minor for pool in second.pools.all()) == 49197 - 1850
    first.refresh_from_db()
    assert (first.state, first.posting.number) == ("reversed", 1)


def test_cost_shares_are_reversed_once_and_with_a_reason():
    first = posted(spring())
    with pytest.raises(Malformed, match="Give the reason"):
        services.reverse(first.coop, by=tess(), now=NOW, settlement_id=first.public_id, why=" ")
    services.reverse(first.coop, by=tess(), now=NOW, settlement_id=first.public_id, why="wrong wood")
    with pytest.raises(Refused, match="these are reversed"):
        services.reverse(first.coop, by=tess(), now=NOW, settlement_id=first.public_id, why="again")
    assert Posting.objects.count() == 2


# --- The database has the last word -----------------------------------------------------------


def _share(settlement, **changed):
    pool = settlement.pools.first()
    values = {"coop": settlement.coop, "settlement": settlement, "pool": pool, "member": ben(), "amount_minor": 1}
    return CostShare.objects.create(**{**values, **changed})


@pytest.mark.parametrize(
    ("name", "break_it"),
    [
        (
            "settlement_version_used_once|billing_settlement.version",
            lambda s: Settlement.objects.create(
                coop=s.coop, firing=s.firing, version=1, state="replaced", request={}, answer={}, drafted_at=NOW
            ),
        ),
        (
            "one_standing_settlement_per_firing|billing_settlement.firing_id",
            lambda s: Settlement.objects.create(
                coop=s.coop, firing=s.firing, version=2, request={}, answer={}, drafted_at=NOW
            ),
        ),
        (
            "posted_settlement_has_a_posting",
            lambda s: Settlement.objects.filter(pk=s.pk).update(state="posted"),
        ),
        (
            "pool_once_per_settlement|billing_costpool.pool",
            lambda s: CostPool.objects.create(coop=s.coop, settlement=s, pool="wood", key="litres", bill_minor=1),
        ),
        ("one_share_per_pool|billing_costshare.member_id", lambda s: [_share(s), _share(s)]),
    ],
)
def test_the_database_refuses_what_the_services_would(name, break_it):
    settlement = draft(spring())
    with pytest.raises(IntegrityError, match=name), transaction.atomic():
        break_it(settlement)


@pytest.mark.parametrize(
    ("name", "changed"),
    [
        ("statement_numbered_once|billing_statement.number", {"number": 1, "member": None}),
        ("one_statement_per_member_and_settlement|billing_statement.member_id", {"number": 9}),
    ],
)
def test_a_statement_is_numbered_once_and_there_is_one_per_member(name, changed):
    settlement = posted(spring())
    row = settlement.statements.first()
    member = make_member("Nia") if "member" in changed else row.member
    with pytest.raises(IntegrityError, match=name), transaction.atomic():
        Statement.objects.create(
            coop=row.coop,
            settlement=settlement,
            member=member,
            number=changed["number"],
            reference="x",
            total_minor=1,
            balance_minor=1,
            made_at=NOW,
        )


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor != "postgresql", reason="two writers at once need PostgreSQL")
def test_two_treasurers_posting_at_once_post_once():
    settlement = opened(spring())
    coop, by, until = settlement.coop, tess(), settlement.questions_until
    came_out, start = [], threading.Barrier(2)

    def post():
        start.wait()
        try:
            services.post_shares(coop, by=by, now=until, settlement_id=settlement.public_id)
            came_out.append("posted")
        except Taken:
            came_out.append("taken")
        finally:
            connections.close_all()

    threads = [threading.Thread(target=post) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(came_out) == ["posted", "taken"]
    assert (Posting.objects.count(), Statement.objects.count()) == (1, 3)
    assert Line.objects.aggregate(sum=Sum("amount_minor"))["sum"] == 0
