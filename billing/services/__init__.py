"""The only way money is written: receipts, cost shares, payments; every change of the ledger is a posting."""

from .bank_accounts import set_bank_account
from .payments import record_payment
from .receipts import take_receipt, take_receipts, withdraw_receipt
from .settlements import (
    answer,
    ask,
    close_without_shares,
    draft_shares,
    keep_statement,
    open_questions,
    post_shares,
    reverse,
)

__all__ = [
    "answer",
    "ask",
    "close_without_shares",
    "draft_shares",
    "keep_statement",
    "open_questions",
    "post_shares",
    "record_payment",
    "reverse",
    "set_bank_account",
    "take_receipt",
    "take_receipts",
    "withdraw_receipt",
]
