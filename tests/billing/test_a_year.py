"""A year of a co-op: firings, late receipts, reversals, deposits, payments and a leaving; verify is clean."""

from datetime import timedelta
from random import Random

import pytest
from django.core.management import call_command

from billing import services
from billing.models import Account, Posting, Settlement
from billing.queries import deposits, ledger, reports
from billing.queries.balances import balances
from coop.models import Membership
from tests.factories import NOW, make_coop, make_member, tess
from tests.factories_money import make_settling_firing

pytestmark = [pytest.mark.slow, pytest.mark.django_db]

NAMES = ("Ada", "Ben", "Cleo", "Dov", "Eni", "Flo", "Gus")
WEEK = timedelta(days=7)


class Year:
    """A co-op's treasurer going through the months; ``now`` only ever goes on."""

    def __init__(self, currency, seed):
        self.coop = make_coop(f"kilns-{currency.lower()}", currency=currency)
        self.chance, self.now, self.keys = Random(seed), NOW, 0
        for name in NAMES:
            self.move("taken", make_member(name, coop=self.coop), 5000)

    def said(self):
        return {"by": tess(self.coop), "now": self.now}

    def key(self):
        self.keys += 1
        return f"k{self.keys}"

    def move(self, kind, member, amount):
        services.move_deposit(
            self.coop,
            **self.said(),
            member_id=member.public_id,
            kind=kind,
            amount_minor=amount,
            on=self.now.date(),
            key=self.key(),
        )

    def pay(self, member, amount):
        services.record_payment(
            self.coop,
            **self.said(),
            member_id=member.public_id,
            amount_minor=amount,
            on=self.now.date(),
            key=self.key(),
        )

    def receipt(self, firing, amount, pool="wood", payer=None):
        return services.take_receipt(
            self.coop,
            **self.said(),
            firing_id=firing.public_id,
            on=self.now.date(),
            pool=pool,
            amount_minor=amount,
            paid_by_id=payer.public_id if payer else None,
        )

    def post(self, firing):
        made = services.draft_shares(self.coop, **self.said(), firing_id=firing.public_id)
        services.open_questions(self.coop, **self.said(), settlement_id=made.public_id)
        self.now += WEEK + timedelta(hours=1)
        return services.post_shares(self.coop, **self.said(), settlement_id=made.public_id)

    def month(self, number, names):
        litres = {name: self.chance.randint(5, 60) for name in self.chance.sample(names, 4)}
        firing = make_settling_firing(self.coop, name=f"Firing {number}", litres=litres)
        payer = make_member(self.chance.choice(sorted(litres)), coop=self.coop)
        self.receipt(firing, self.chance.randint(20_000, 60_000), payer=payer)
        self.receipt(firing, self.chance.randint(1_000, 9_000), "permit")
        refund = self.receipt(firing, -self.chance.randint(1, 900), "soda")
        if number % 4 == 0:
            services.withdraw_receipt(self.coop, **self.said(), receipt_id=refund.public_id)
        made = self.post(firing)
        if number % 3 == 0:  # a receipt turns up late: undone, and shared anew
            services.reverse(self.coop, **self.said(), settlement_id=made.public_id, why="a receipt came late")
            self.receipt(firing, self.chance.randint(100, 5_000), "wads_cones")
            self.post(firing)
        for row in balances(self.coop):
            if row.minor and self.chance.random() < 0.6:
                self.pay(row.member, row.minor if self.chance.random() < 0.7 else row.minor // 2 or row.minor)
        self.now += 2 * WEEK

    def leave(self, member):
        """Whoever leaves has their deposit set off against what they owe, and is paid the rest."""
        owes = ledger.balance_of(member)
        if (part := min(max(owes, 0), deposits.held_for(member))) > 0:
            self.move("set_off", member, part)
        if held := deposits.held_for(member):
            self.move("given_back", member, held)
        if owes := ledger.balance_of(member):
            self.pay(member, owes)
        Membership.objects.filter(pk=member.pk).update(left_at=self.now)


@pytest.mark.parametrize("currency", ["EUR", "JPY", "KWD"])
def test_a_year_of_a_co_op_leaves_every_cent_where_it_belongs(currency):
    year = Year(currency, seed=len(currency) + ord(currency[1]))
    names = list(NAMES)
    for number in range(1, 9):
        year.month(number, names)
        if number == 4:
            year.leave(make_member("Gus", coop=year.coop))
            names.remove("Gus")
    call_command("verify", "--coop", year.coop.slug, "--head", ledger.head_hash(year.coop))
    gus = Account.objects.of(year.coop).filter(code__contains=str(make_member("Gus", coop=year.coop).public_id))
    assert [one.balance_minor for one in ledger.accounts(year.coop) if one.account in gus] == [0, 0]
    assert Settlement.objects.of(year.coop).filter(state="posted").count() == 8
    assert Settlement.objects.of(year.coop).filter(state="reversed").count() == 2
    assert Posting.objects.of(year.coop).count() > 30
    found = [reports.year_report(year.coop, one) for one in reports.years(year.coop)]
    last = found[0]
    assert last.off_minor == 0
    own = sum(one.after_minor for one in last.accounts if one.kind != "bank")
    bank = next(one.after_minor for one in last.accounts if one.kind == "bank")
    assert bank + last.to_pay_minor == last.deposits_minor + last.to_receive_minor + own
    assert last.to_pay_minor == sum(row.minor for row in reports.ageing(year.coop, year.now.date()))
