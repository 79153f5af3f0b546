"""Every money service with its 1st, 2nd, ... Nth statement failing: the state is as before or as after, never between.

The statements of a service are counted by running into each of them in turn; the run in which none fails is "after".
"""

from datetime import timedelta

import pytest
from django.apps import apps
from django.db import OperationalError, connection

from billing import services
from billing.models import BankLine, Posting, Question
from coop.computations import ask as ask_for
from coop.models import AuditEntry
from firings.tables import ReceiptRow
from tests.core.test_bank_files import COLUMNS
from tests.factories import NOW, ada, ben, cora, make_coop, tess
from tests.factories_bank import Moved, camt, set_account
from tests.factories_money import PAID_ON, draft, make_settling_firing, opened, posted, take

LATER = NOW + timedelta(days=9)
pytestmark = [pytest.mark.slow, pytest.mark.django_db]

# Everything a money service may write to.
WATCHED = [
    *apps.get_app_config("billing").get_models(),
    *(apps.get_model(name) for name in ("coop.AuditEntry", "coop.Notice", "coop.Computation", "coop.Document")),
    *(apps.get_model(name) for name in ("firings.Firing", "firings.StageMove", "firings.HoursEntry")),
]


class Nth:
    """Fails the nth statement that is sent, once, as a broken connection would."""

    def __init__(self, nth):
        self.left = nth

    def __call__(self, execute, sql, params, many, context):
        if "coop.current" not in sql:  # whose rows are seen; a test's outer transaction sets it back after the end
            self.left -= 1
        if not self.left:
            self.left = -1
            raise OperationalError("the connection broke")
        return execute(sql, params, many, context)


def state():
    return {model: sorted(map(repr, model.objects.order_by().values_list())) for model in WATCHED}


def settling(**litres):
    firing = make_settling_firing(litres=litres or {"Ada": 30, "Ben": 10})
    take(firing, 4000, paid_by=ben())
    return firing


def payment(amount, key="k1"):
    return {
        "by": tess(),
        "now": LATER,
        "member_id": ben().public_id,
        "amount_minor": amount,
        "on": PAID_ON,
        "key": key,
    }


def moved(kind, amount, key):
    return {**payment(amount, key), "kind": kind}


def with_deposit():
    services.move_deposit(make_coop(), **moved("taken", 900, "first"))


def receipt(**changed):
    return {"by": tess(), "now": NOW, "on": PAID_ON, "pool": "wood", "amount_minor": 1234, **changed}


def asked(settlement):
    services.ask(settlement.coop, by=ben(), now=NOW, settlement_id=settlement.public_id, text="Why so much?")
    return Question.objects.get()


# Each makes its scene and returns a call that changes it once.
def taking_a_receipt():
    firing = settling()
    return lambda: services.take_receipt(firing.coop, **receipt(firing_id=firing.public_id))


def taking_a_file_of_receipts():
    firing = settling()
    rows = [ReceiptRow(at, PAID_ON, "Ben", "wood", 100 * at, "EUR", "yard", "") for at in (2, 3, 4)]
    return lambda: services.take_receipts(firing.coop, by=tess(), now=NOW, firing_id=firing.public_id, rows=rows)


def withdrawing_a_receipt():
    row = take(settling(), 700)
    return lambda: services.withdraw_receipt(row.coop, by=tess(), now=NOW, receipt_id=row.public_id)


def drafting():
    firing = settling()
    draft(firing)  # replaced by the next one
    return lambda: draft(firing)


def opening_for_questions():
    made = draft(settling())
    return lambda: services.open_questions(made.coop, by=tess(), now=NOW, settlement_id=made.public_id)


def asking():
    made = opened(settling())
    return lambda: services.ask(made.coop, by=ben(), now=NOW, settlement_id=made.public_id, text="Why?")


def answering():
    row = asked(opened(settling()))
    return lambda: services.answer(row.coop, by=tess(), now=NOW, question_id=row.public_id, text="Because.")


def posting_shares():
    made = opened(settling())
    return lambda: services.post_shares(made.coop, by=tess(), now=LATER, settlement_id=made.public_id)


def reversing_shares():
    made = posted(settling())
    return lambda: services.reverse(made.coop, by=tess(), now=LATER, settlement_id=made.public_id, why="a slip")


def closing_without_shares():
    firing = make_settling_firing(litres={"Ben": 10})
    return lambda: services.close_without_shares(firing.coop, by=tess(), now=NOW, firing_id=firing.public_id)


def keeping_a_statement():
    row = posted(settling()).statements.first()
    wanted = ask_for(row.coop, kind="statements", subject=row.public_id, by=None, now=LATER)
    return lambda: services.keep_statement(
        row.coop, by=None, now=LATER, statement_id=row.public_id, content=b"%PDF-1.7", computation=wanted
    )


def a_payment():
    make_coop()
    return lambda: services.record_payment(make_coop(), **payment(500))


def paying_out():
    services.record_payment(make_coop(), **payment(500, "first"))
    return lambda: services.record_payment(make_coop(), **payment(-200))


def taking_a_deposit():
    return lambda: services.move_deposit(make_coop(), **moved("taken", 5000, "d1"))


def giving_a_deposit_back():
    with_deposit()
    return lambda: services.move_deposit(make_coop(), **moved("given_back", 300, "d1"))


def setting_a_deposit_off():
    with_deposit()
    return lambda: services.move_deposit(make_coop(), **moved("set_off", 300, "d1"))


def setting_the_bank_account():
    cora()
    return lambda: services.set_bank_account(
        make_coop(), by=tess(), now=NOW, iban="DE89370400440532013000", holder="Hollow Lane Kilns"
    )


def bank_file(*moved):
    set_account()
    rows = moved or (Moved(500, "Ben", text="kiln"), Moved(-300, "Sawmill", text="wood"))
    said = {"by": tess(), "now": LATER, "name": "april.xml", "content": camt(rows)}
    return lambda: services.read_bank_file(make_coop(), **said)


def of_the_file():
    return {"by": tess(), "now": LATER, "file_id": bank_file()().public_id}


def of_a_waiting_line():
    services.take_bank_file(make_coop(), **of_the_file())
    return {"by": tess(), "now": LATER, "line_id": BankLine.objects.filter(amount_minor=500).get().public_id}


def reading_a_bank_file():
    return bank_file()


def taking_a_bank_file():
    reference = posted(settling()).statements.first().reference
    made = bank_file(Moved(500, "Ada", reference=reference), Moved(70, "Somebody", text="kiln"))()
    return lambda: services.take_bank_file(make_coop(), by=tess(), now=LATER, file_id=made.public_id)


def leaving_a_bank_file():
    said = of_the_file()
    return lambda: services.leave_bank_file(make_coop(), **said)


def placing_a_movement():
    said = of_a_waiting_line()
    return lambda: services.place_bank_line(make_coop(), **said, member_id=ben().public_id)


def setting_a_movement_aside():
    said = of_a_waiting_line()
    return lambda: services.set_bank_line_aside(make_coop(), **said, why="wood")


def saving_a_profile():
    make_coop()
    said = {"by": tess(), "now": NOW, "name": "Valley Bank", "rules": {"columns": COLUMNS}}
    return lambda: services.save_bank_profile(make_coop(), **said)


def asking_for_the_year():
    services.record_payment(make_coop(), **payment(500))
    return lambda: services.ask_for_year_report(make_coop(), by=tess(), now=LATER, year=2026)


SERVICES = {
    "ask_for_year_report": [asking_for_the_year],
    "leave_bank_file": [leaving_a_bank_file],
    "place_bank_line": [placing_a_movement],
    "read_bank_file": [reading_a_bank_file],
    "save_bank_profile": [saving_a_profile],
    "set_bank_line_aside": [setting_a_movement_aside],
    "take_bank_file": [taking_a_bank_file],
    "answer": [answering],
    "ask": [asking],
    "close_without_shares": [closing_without_shares],
    "draft_shares": [drafting],
    "keep_statement": [keeping_a_statement],
    "move_deposit": [taking_a_deposit, giving_a_deposit_back, setting_a_deposit_off],
    "open_questions": [opening_for_questions],
    "post_shares": [posting_shares],
    "record_payment": [a_payment, paying_out],
    "reverse": [reversing_shares],
    "set_bank_account": [setting_the_bank_account],
    "take_receipt": [taking_a_receipt],
    "take_receipts": [taking_a_file_of_receipts],
    "withdraw_receipt": [withdrawing_a_receipt],
}


def test_every_money_service_goes_through_the_loop():
    assert set(SERVICES) == set(services.__all__)


@pytest.mark.parametrize("scene", [scene for scenes in SERVICES.values() for scene in scenes])
def test_a_statement_that_fails_leaves_before_or_after(scene):
    for who in (ada, ben, cora, tess):
        who()
    change = scene()
    before, audited = state(), AuditEntry.objects.count()
    for nth in range(1, 400):
        try:
            with connection.execute_wrapper(Nth(nth)):
                change()
        except OperationalError:
            assert state() == before, f"statement {nth} left something behind"
        else:
            break
    assert nth > 4
    assert AuditEntry.objects.count() == audited + 1
    assert state() != before


def test_what_failed_is_done_once_by_trying_again_with_the_same_key():
    ben(), tess()
    for nth in (3, 9, 12):
        with pytest.raises(OperationalError), connection.execute_wrapper(Nth(nth)):
            services.record_payment(make_coop(), **payment(500))
    first = services.record_payment(make_coop(), **payment(500))
    assert services.record_payment(make_coop(), **payment(500)) == first
    assert Posting.objects.count() == 1
