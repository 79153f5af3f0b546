"""The co-op's bank account and the payment slip of a statement."""

from __future__ import annotations

from dataclasses import dataclass

from billing import slips
from billing.models import BankAccount, Statement
from billing.references import rf_printed
from coop.errors import Malformed
from coop.models import Coop


@dataclass(frozen=True, slots=True)
class PayIn:
    """How to pay one statement: account, reference in fours, and the drawing of the code (empty where none is due)."""

    account: BankAccount
    iban: str
    reference: str
    amount_minor: int
    code: str


def bank_account(coop: Coop) -> BankAccount | None:
    """The account members pay into, None while none is set."""
    found: BankAccount | None = BankAccount.objects.of(coop).select_related("set_by__person").first()
    return found


def pay_in(statement: Statement) -> PayIn | None:
    """How the balance of a statement is paid; None where nothing is to pay or no account is set.

    The code is drawn for co-ops that keep euro (EPC069-12 knows no other currency).
    """
    account = bank_account(statement.coop)
    amount = statement.balance_minor
    if account is None or amount <= 0:
        return None
    code = ""
    if statement.coop.currency == "EUR":
        slip = slips.Slip(account.holder, account.iban, amount, statement.reference, bic=account.bic)
        try:
            code = slips.picture(slip)
        except Malformed:  # an amount or account no slip has room for; number and reference still stand on the paper
            code = ""
    return PayIn(account, in_fours(account.iban), rf_printed(statement.reference), amount, code)


def in_fours(text: str) -> str:
    """An account number as it stands on paper."""
    return rf_printed(text)
