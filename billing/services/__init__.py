"""The only way money is written: receipts, cost shares, payments; every change of the ledger is a posting."""

from .bank_accounts import set_bank_account
from .bank_files import (
    leave_bank_file,
    place_bank_line,
    read_bank_file,
    save_bank_profile,
    set_bank_line_aside,
    take_bank_file,
)
from .deposits import move_deposit
from .payments import record_payment
from .receipts import take_receipt, take_receipts, withdraw_receipt
from .reports import ask_for_year_report
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
    "ask_for_year_report",
    "close_without_shares",
    "draft_shares",
    "keep_statement",
    "leave_bank_file",
    "move_deposit",
    "open_questions",
    "place_bank_line",
    "post_shares",
    "read_bank_file",
    "record_payment",
    "reverse",
    "save_bank_profile",
    "set_bank_account",
    "set_bank_line_aside",
    "take_bank_file",
    "take_receipt",
    "take_receipts",
    "withdraw_receipt",
]
