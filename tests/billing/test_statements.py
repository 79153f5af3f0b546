"""Statements: the paper says what was posted, is mailed once with the PDF, and is tagged for screen readers."""

import io
import re
from datetime import timedelta
from fractions import Fraction

import pytest
from django.template.loader import render_to_string
from pypdf import PdfReader

from billing import services
from billing.models import Statement
from billing.queries.balances import balance_words
from billing.queries.ledger import balance_of
from billing.references import rf_printed
from billing.statements import context_of, make
from coop import queues
from coop.models import Computation, Document, Notice, Role
from coop.policy import Terms
from firings.models import Damage, HoursEntry, Piece
from tests import by_hand
from tests.factories import NOW, ada, ben, make_member, tess
from tests.factories_money import PAID_ON, make_settling_firing, posted, take

pytestmark = [pytest.mark.django_db, pytest.mark.slow]


@pytest.fixture
def statement():
    """Ben's: wood 400.00 shared 30 to 10, 58.00 laid out, 20.00 paid before, two hours worked."""
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 10}, terms=Terms(fill_guarantee=Fraction(0)))
    services.record_payment(
        firing.coop, by=tess(), now=NOW, member_id=ben().public_id, amount_minor=2000, on=PAID_ON, key="k"
    )
    take(firing, 34200)
    take(firing, 5800, paid_by=ben())
    for kind, minutes, why in (("owed", -180, "space of 10 l"), ("watch", 120, "watch 3")):
        HoursEntry.objects.create(
            coop=firing.coop, member=ben(), firing=firing, kind=kind, minutes=minutes, why=why, key=kind, at=NOW
        )
    posted(firing)
    return Statement.objects.get(member=ben())


def text_of(content):
    return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(bytes(content))).pages).split())


def test_the_paper_says_shares_with_working_receipts_payments_hours_and_balance(statement):
    queues.sweep()
    statement.refresh_from_db()
    said = text_of(statement.document.content)
    for words in (
        f"Statement {statement.number}: Spring firing",
        "Ben",
        "Long kiln",
        "400.00 EUR x 10 l / 40 l = 100.00.",
        "Receipts you paid, credited to you",
        "Sawmill by the weir",
        "€58.00",
        "Before this statement -€20.00",
        "Payments up to this statement",
        "space of 10 l",
        "watch 3",
        "22.00 EUR to pay",
        rf_printed(statement.reference),
        statement.settlement.posting.hash[:20],
    ):
        assert words in said, (words, said)
    assert (statement.balance_minor, balance_of(ben())) == (2200, 2200)


def everything_at_once():
    """A guest, a cap, a levy, empty space, hours, damage, who withdrew late: all there is on a statement."""
    terms = Terms(
        fill_guarantee=Fraction(9, 10),
        guest_factor=Fraction(5, 4),
        levy_minor_per_litre=7,
        hour_rate_minor=950,
        cap_minor_per_member=19_000,
        floor_minor_per_member=1_500,
    )
    litres = {"Ada": (70, 31), "Ben": 23, "Cora": (3, 11), "Gus": 17, "Tess": 1, "Lou": 29}
    firing = make_settling_firing(litres=litres, terms=terms)
    gus = make_member("Gus")
    gus.roles.all().delete()
    Role.objects.create(coop=gus.coop, membership=gus, kind="guest")
    late = Piece.objects.filter(booking__firing=firing, booking__member=make_member("Lou"))
    late.update(state="withdrawn", withdrawn_at=firing.occupied_from - timedelta(days=3))
    for amount, pool, payer in (
        (41237, "wood", None),
        (5801, "wood", ben()),
        (2161, "soda", None),
        (997, "shelf_wash", ada()),
        (1234, "wads_cones", None),
        (1500, "per_head", None),
        (8000, "breakage", None),
        (-333, "permit", None),
    ):
        take(firing, amount, pool, paid_by=payer)
    for who, minutes in ((ben(), -200), (ada(), 155)):
        HoursEntry.objects.create(
            coop=firing.coop,
            member=who,
            firing=firing,
            kind="owed" if minutes < 0 else "watch",
            minutes=minutes,
            why="x",
            key=who.name,
            at=NOW,
        )
    Damage.objects.create(
        coop=firing.coop,
        firing=firing,
        what="board",
        note="a pot ran",
        reported_by=ben(),
        reported_at=NOW,
        bearer="member",
        borne_by=ben(),
        amount_minor=6100,
        decided_by=ada(),
        agreed_by=tess(),
        agreed_at=NOW,
        decided_at=NOW,
    )
    return posted(firing)


def test_every_amount_on_a_statement_can_be_redone_from_what_it_prints():
    settlement = everything_at_once()
    kinds = set()
    for statement in settlement.statements.all():
        paper = re.sub(r"&#x27;", "'", render_to_string("print/statement.html", context_of(statement)))
        tables = {
            re.search("<caption>(.*?)</caption>", table)[1]: [
                re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row) for row in re.findall(r"<tr>(.*?)</tr>", table, re.S)
            ]
            for table in re.findall(r"<table.*?</table>", paper, re.S)
        }
        _heads, *shares, total = tables["Your cost shares, with the sum behind each"]
        amounts = []
        for what, sentence, amount in shares:
            kinds.add(what)
            amounts.append(minor(amount))
            assert by_hand.redone(sentence, "EUR") == amounts[-1], sentence
        assert by_hand.added(total[1], "EUR") == minor(total[2]) == sum(amounts)
        credited = 0
        if receipts := tables.get("Receipts you paid, credited to you"):
            credited = sum(minor(row[3]) for row in receipts[1:-1])
            assert minor(receipts[-1][3]) == credited
        before, share, less, balance = (row[1] for row in tables["Your account"])
        assert (minor(share), minor(less)) == (minor(total[2]), -credited)
        assert balance == balance_words(minor(before) + minor(share) + minor(less), "EUR")
    assert kinds == {
        "wood",
        "soda",
        "shelf wash and wear",
        "wads and cones",
        "permit",
        "per head",
        "kiln reserve",
        "breakage",
        "hours left to others",
        "hours worked for others",
    }
    late = settlement.statements.get(member__person__name="Lou")
    assert "29 l withdrawn 3 days before loading" in render_to_string("print/statement.html", context_of(late))


def minor(text):
    """Minor units of an amount as the paper prints it: €1,234.56."""
    return round(Fraction(re.sub(r"[^0-9.-]", "", text)) * 100)


def test_the_paper_is_tagged_and_has_a_title_and_a_language(statement):
    queues.sweep()
    reader = PdfReader(io.BytesIO(bytes(Document.objects.get(for_membership=ben()).content)))
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] is True or root["/MarkInfo"]["/Marked"] == True  # noqa: E712 - pypdf's own boolean
    assert root["/Lang"] == "en"
    assert "Statement" in reader.metadata.title


def test_each_statement_is_mailed_once_with_its_paper(statement, mailoutbox):
    queues.sweep()
    queues.sweep()
    notices = Notice.objects.filter(kind="statement")
    assert sorted(notices.values_list("to_person__name", flat=True)) == ["Ada", "Ben"]
    assert not notices.filter(sent_at=None).exists()
    of_ben = [mail for mail in mailoutbox if "Statement" in mail.subject and mail.to == [ben().person.email]]
    assert len(of_ben) == 1
    (name, content, kind), *others = of_ben[0].attachments
    assert (name, kind, others) == (f"statement-{statement.number}.pdf", "application/pdf", [])
    assert "22.00 EUR to pay" in text_of(content)


def test_made_a_second_time_the_first_paper_stays_and_nothing_is_mailed_again(statement):
    queues.sweep()
    computation = Computation.objects.get(subject=statement.public_id)
    before = Document.objects.get(for_membership=ben()).pk
    make(computation, NOW)
    assert Document.objects.get(for_membership=ben()).pk == before
    assert Notice.objects.filter(kind="statement", to_person=ben().person).count() == 1


def test_a_paper_made_late_still_says_what_was_posted(statement):
    """Payments and reversals after the posting are for the next statement."""
    services.record_payment(
        statement.coop, by=tess(), now=NOW, member_id=ben().public_id, amount_minor=2200, on=PAID_ON, key="later"
    )
    queues.sweep()
    statement.refresh_from_db()
    assert "22.00 EUR to pay" in text_of(statement.document.content)


def test_who_only_laid_money_out_gets_a_statement_too():
    firing = make_settling_firing(litres={"Ben": 10}, terms=Terms(fill_guarantee=Fraction(0)))
    take(firing, 4000, paid_by=ada())
    posted(firing)
    queues.sweep()
    statement = Statement.objects.get(member=ada())
    assert (statement.total_minor, statement.balance_minor) == (0, -4000)
    assert "40.00 EUR to receive" in text_of(statement.document.content)
