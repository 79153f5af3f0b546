"""Figures of payment slips, bank files and statements, for ``tests.bench.bench_money``."""

from __future__ import annotations

import argparse
import os
import random
import resource
import tempfile
import time
from datetime import timedelta
from typing import Any

from billing.slips import payload
from tests.factories_slips import decoded, seeded_slip

SLIPS, PAYMENTS, STATEMENTS = 10_000, 5_000, 100
MOST_SECONDS_OF_STATEMENTS = 16.0  # of processor, for a hundred papers of two pages


def slips(options: argparse.Namespace) -> bool:
    """Seeded slips drawn, and read off their codes byte for byte by zxing-cpp."""
    chance, start = random.Random(options.seed), time.process_time()
    wrong = 0
    for _ in range(SLIPS):
        made = payload(seeded_slip(chance))
        wrong += decoded(made) != made
    took = time.process_time() - start
    print(f"slips: {SLIPS} decoded by a second library, {wrong} not byte for byte, {took:.1f} s of processor")
    return not wrong


def bank(options: argparse.Namespace) -> bool:
    """Seeded payments through a camt.053 file into the ledger, then the same file again, then one that is off."""
    _database()
    from billing import services
    from billing.models import BankLine, Payment, Posting, Statement
    from coop.errors import Malformed
    from tests.factories import NOW, make_coop, make_member, tess
    from tests.factories_bank import camt, seeded_payments, set_account
    from tests.factories_money import make_settling_firing, posted, take

    set_account()
    names = [
        f"{first} {last}" for first in ("Ada", "Ben", "Cem", "Dov", "Eve") for last in ("Ash", "Birch", "Oak", "Yew")
    ]
    for at in range(3):
        firing = make_settling_firing(litres=dict.fromkeys(names, 10), name=f"Firing {at + 1}")
        take(firing, 400_000 + at)
        posted(firing)
    books = {name: [] for name in names}
    for row in Statement.objects.select_related("member__person"):
        if row.member.name in books:
            books[row.member.name].append(row.reference)
    moved = seeded_payments(random.Random(options.seed), list(books.items()), PAYMENTS)
    sound = [one for one in moved if one.truth]
    coop, treasurer, later = make_coop(), tess(), NOW + timedelta(days=14)

    def taken(content: bytes) -> Any:
        file = services.read_bank_file(coop, by=treasurer, now=later, name="bench", content=content)
        return services.take_bank_file(coop, by=treasurer, now=later, file_id=file.public_id)

    content, start = camt(moved), time.perf_counter()
    first = taken(content)
    took = time.perf_counter() - start
    paid = {name: sum(one.amount for one in sound if one.truth == name) for name in names}
    wrong = sum(
        sum(Payment.objects.filter(member=make_member(name)).values_list("amount_minor", flat=True)) != amount
        for name, amount in paid.items()
    )
    before = (BankLine.objects.count(), Payment.objects.count(), Posting.objects.count())
    again = taken(content)
    added = sum((BankLine.objects.count(), Payment.objects.count(), Posting.objects.count())) - sum(before)
    refused = 0
    for off in (-1, 1, 10_000):
        closing = 100_000 + sum(one.amount for one in moved) + off
        try:
            taken(camt(moved, closing=closing))
        except Malformed:
            refused += 1
    print(
        f"bank: {first.new} payments, {len(sound)} with a sound reference, {first.payments} matched, "
        f"{wrong} members credited wrongly, {took:.1f} s; second import adds {added} rows ({again.known} known); "
        f"{refused} of 3 that do not balance refused"
    )
    return (first.payments, wrong, added, refused) == (len(sound), 0, 0, 3)


def statements(options: argparse.Namespace) -> bool:
    """A hundred statements of two pages set as PDF: seconds of processor, and what memory they leave behind."""
    _database()
    from billing import services
    from billing.models import Statement
    from billing.statements import context_of
    from coop import pdf
    from tests.factories import NOW, tess
    from tests.factories_bank import set_account
    from tests.factories_money import PAID_ON, make_settling_firing, posted, take

    set_account()
    firing = make_settling_firing(litres={"Ada": (30, 10), "Ben": (10, 5)})
    ben = firing.bookings.get(member__person__name="Ben").member
    for at in range(12):
        take(firing, 1000 + at, paid_by=ben, pool=("wood", "soda", "permit", "per_head")[at % 4])
        services.record_payment(
            firing.coop, by=tess(), now=NOW, member_id=ben.public_id, amount_minor=100 + at, on=PAID_ON, key=f"k{at}"
        )
    posted(firing)
    statement = Statement.objects.select_related("coop", "member__person", "settlement__firing__kiln").get(member=ben)
    pages = _pages(pdf.from_template("print/statement.html", context_of(statement)))
    used = [resource.getrusage(resource.RUSAGE_SELF).ru_maxrss]
    start = time.process_time()
    for _ in range(STATEMENTS):
        pdf.from_template("print/statement.html", context_of(statement))
        used.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
    took = time.process_time() - start
    grown = (used[-1] - used[STATEMENTS // 4]) / 1024
    print(
        f"statements: {STATEMENTS} of {pages} pages in {took:.1f} s of processor, {used[-1] / 1024:.0f} MB at most, "
        f"{grown:.1f} MB more in the last three quarters"
    )
    return took <= MOST_SECONDS_OF_STATEMENTS and grown < 8 and pages == 2


def _pages(content: bytes) -> int:
    from io import BytesIO

    from pypdf import PdfReader

    return len(PdfReader(BytesIO(content)).pages)


def _database() -> None:
    """An empty database of its own, made from the models."""
    import django
    from django.apps import apps
    from django.core.management import call_command

    if not apps.ready:
        os.environ["DATABASE_URL"] = f"sqlite:///{tempfile.mkdtemp()}/bench.sqlite3"
        os.environ.setdefault("DJANGO_SETTINGS_MODULE", "coop.settings")
        django.setup()
        call_command("migrate", verbosity=0)
        return
    from coop import walls

    walls.remove_append_only()
    call_command("flush", interactive=False, verbosity=0)
    walls.install()
