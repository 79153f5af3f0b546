"""The statement: one member's shares of one firing with the working, receipts, payments, hours, balance, as PDF."""

from __future__ import annotations

import base64
from collections import Counter
from datetime import datetime
from typing import Any

from billing.models import Line, Payment, Posting, Receipt, ReceiptPicture, Statement
from billing.queries.balances import balance_words
from billing.queries.bank import pay_in
from billing.queries.settlements import shares_table
from billing.references import rf_printed
from billing.services import keep_statement
from coop import pdf, pictures
from coop.errors import NotFound
from coop.models import Computation, PictureData
from coop.transactions import reading
from firings.documents.load_sheets import picture
from firings.models import HoursEntry

MOST_PAYMENTS = 20
MOST_PHOTOS = 12


def make(computation: Computation, now: datetime) -> dict[str, Any]:
    """Make, keep and mail one statement; run twice, the first paper stays and is mailed once."""
    with reading(computation.coop):
        statement = (
            Statement.objects.of(computation.coop)
            .select_related("coop", "member__person", "settlement__firing__kiln", "settlement__posting")
            .filter(public_id=computation.subject)
            .first()
        )
        if statement is None:
            raise NotFound("There is no such statement.")
        context = context_of(statement)
    content = pdf.from_template("print/statement.html", context)
    document = keep_statement(
        computation.coop,
        by=None,
        now=now,
        statement_id=statement.public_id,
        content=content,
        computation=computation,
    )
    return {"document": str(document.public_id)}


def context_of(statement: Statement) -> dict[str, Any]:
    """All the paper shows, as it stood when the cost shares were posted."""
    settlement, member = statement.settlement, statement.member
    table = shares_table(settlement, only=member)
    row = table.rows[0] if table.rows else None
    posting = settlement.posting
    if posting is None:
        raise NotFound("There is no posting behind this statement.")
    receipts = Receipt.objects.of(statement.coop).filter(firing=settlement.firing, paid_by=member).standing()
    posted = Posting.objects.of(statement.coop).filter(number__lte=posting.number)
    before = Line.objects.of(statement.coop).filter(account__member=member, posting__number__lt=posting.number)
    payments = Payment.objects.of(statement.coop).filter(member=member, posting__in=posted.values("pk"))
    credit = row.credit_minor if row else 0
    paying = pay_in(statement)
    return {
        "coop": statement.coop,
        "statement": statement,
        "member": member,
        "firing": settlement.firing,
        "posting": posting,
        "currency": statement.coop.currency,
        "row": row,
        "cells": [cell for cell in (row.cells if row else []) if cell.share],
        "notes": table.notes,
        "receipts": list(receipts),
        "photos": _photos(list(receipts)),
        "credit_minor": credit,
        "credited_minor": -credit,
        "before_minor": sum(before.values_list("amount_minor", flat=True)),
        "payments": list(payments.order_by("-on", "-pk")[:MOST_PAYMENTS]),
        "hours": _hours(statement),
        "reference": rf_printed(statement.reference),
        "paying": paying,
        "code": picture(paying.code) if paying and paying.code else "",
        "balance": balance_words(statement.balance_minor, statement.coop.currency),
    }


def _photos(receipts: list[Receipt]) -> list[tuple[Receipt, str]]:
    """The receipts' photos in their small size, as data: addresses, the first few."""
    rows = ReceiptPicture.objects.filter(receipt__in=receipts).select_related("receipt", "picture")[:MOST_PHOTOS]
    return [
        (
            held.receipt,
            "data:image/jpeg;base64,"
            + base64.b64encode(pictures.content_of(held.picture, PictureData.Size.SMALL)).decode(),
        )
        for held in rows
    ]


def _hours(statement: Statement) -> dict[str, Any]:
    """Minutes of this firing by kind of work, and the member's balance over all firings by then."""
    rows = HoursEntry.objects.of(statement.coop).filter(member=statement.member, at__lte=statement.made_at)
    of_firing = rows.filter(firing=statement.settlement.firing).select_related("corrects")
    entries = list(of_firing.order_by("at", "pk"))
    minutes: Counter[str] = Counter()
    for row in entries:
        minutes[row.corrects.kind if row.corrects is not None else row.kind] += row.minutes
    return {
        "entries": entries,
        "owed": -minutes[HoursEntry.Kind.OWED],
        "worked": sum(
            minutes[kind] for kind in (HoursEntry.Kind.WATCH, HoursEntry.Kind.CHORE, HoursEntry.Kind.ADJUSTED)
        ),
        "balance": sum(rows.values_list("minutes", flat=True)),
    }
