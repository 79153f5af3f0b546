"""Bank files in the ledger: read and shown, taken whole or not at all, and nothing twice."""

import base64
import random
from datetime import timedelta

import pytest
from django.core.management import call_command
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from billing import services
from billing.invariants import check_all
from billing.models import BankFile, BankLine, Payment, Posting, Statement
from billing.queries import bank as queries
from billing.queries.ledger import balance_of
from coop import walls
from coop.errors import Malformed, NotAllowed, NotFound, Refused, Taken
from tests.billing.test_money_api import Caller
from tests.core.test_bank_files import COLUMNS, CSV
from tests.factories import NOW as EARLIER
from tests.factories import ada, ben, cy, make_coop, make_member, tess
from tests.factories_bank import IBAN, Moved, camt, seeded_payments, set_account
from tests.factories_money import make_settling_firing, posted, take

pytestmark = pytest.mark.django_db

NOW = EARLIER + timedelta(days=14)  # when the shares of the firing are posted


@pytest.fixture
def owing():
    """Ada and Ben have something to pay; the references of their statements."""
    set_account()
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 10})
    take(firing, 400000)
    posted(firing)
    return {row.member.name: row.reference for row in Statement.objects.select_related("member__person")}


def read(content, **said):
    return services.read_bank_file(make_coop(), by=tess(), now=NOW, name="april.xml", content=content, **said)


def taken(content, *, accepted=(), **said):
    file = read(content, **said)
    return services.take_bank_file(make_coop(), by=tess(), now=NOW, file_id=file.public_id, accepted=accepted)


def figures(done):
    return done.new, done.payments, done.waiting, done.known


def test_a_file_is_shown_with_reasons_before_anything_is_posted(owing):
    to_pay = balance_of(ada())
    file = read(
        camt(
            [
                Moved(5000, "Whoever", reference=owing["Ben"]),
                Moved(to_pay, "ADA"),
                Moved(-9900, "Sawmill", text="Oak slabs"),
            ]
        )
    )
    shown = queries.preview(make_coop(), file.public_id)
    assert [(row.member, row.reason) for row in shown.certain] == [(ben(), f"the reference {owing['Ben']}")]
    assert [(row.member, row.reason) for row in shown.proposals] == [
        (ada(), "the name is Ada's and the amount is what is open")
    ]
    assert [row.movement.name for row in shown.waiting] == ["Sawmill"]
    assert (Payment.objects.count(), BankLine.objects.count()) == (0, 0)


def test_part_payments_overpayments_and_refunds_reach_the_members_account(owing):
    before = balance_of(ben())
    taken(
        camt(
            [
                Moved(1000, reference=owing["Ben"], text="part"),
                Moved(before, reference=owing["Ben"], text="too much"),
                Moved(-600, "Ben", reference=owing["Ben"], text="back"),
            ]
        )
    )
    assert balance_of(ben()) == before - 1000 - before + 600
    rows = Payment.objects.filter(member=ben()).order_by("amount_minor")
    assert [row.amount_minor for row in rows] == sorted([-600, 1000, before])
    assert rows[0].posting.text == "Paid out to Ben"
    assert rows[1].reference == owing["Ben"]
    call_command("verify")


def test_a_returned_payment_undoes_itself(owing):
    before = balance_of(ben())
    taken(
        camt([Moved(1000, "Ben", reference=owing["Ben"]), Moved(-1000, "Ben", reference=owing["Ben"], reversal=True)])
    )
    assert balance_of(ben()) == before
    assert Payment.objects.count() == 2


def test_proposals_are_posted_only_when_ticked_and_the_rest_waits(owing):
    moved = [Moved(700, "Ada"), Moved(800, "Ben"), Moved(-50, "Bank", text="charges")]
    file = read(camt(moved))
    ada_row, ben_row = queries.preview(make_coop(), file.public_id).proposals
    done = services.take_bank_file(make_coop(), by=tess(), now=NOW, file_id=file.public_id, accepted=[ada_row.key])
    assert figures(done) == (3, 1, 2, 0)
    assert [row.member for row in Payment.objects.all()] == [ada()]
    assert set(BankLine.objects.filter(state="waiting").values_list("name", flat=True)) == {"Ben", "Bank"}
    assert ben_row.key in BankLine.objects.filter(state="waiting").values_list("key", flat=True)


def test_what_was_ticked_but_is_not_proposed_takes_nothing(owing):
    file = read(camt([Moved(500, reference=owing["Ben"])]))
    with pytest.raises(Refused, match="look once more"):
        services.take_bank_file(make_coop(), by=tess(), now=NOW, file_id=file.public_id, accepted=["x" * 64])
    file.refresh_from_db()
    assert (file.state, BankLine.objects.count(), Payment.objects.count()) == ("read", 0, 0)


def test_the_same_and_an_overlapping_file_add_nothing_twice_and_real_twins_stay_two(owing):
    twin = Moved(500, "Ben", reference=owing["Ben"])
    moved = [twin, twin, Moved(700, "Ada", reference=owing["Ada"]), Moved(-50, "Bank")]
    assert figures(taken(camt(moved))) == (4, 3, 1, 0)
    postings = Posting.objects.count()
    assert figures(taken(camt(moved))) == (0, 0, 0, 4)
    assert figures(taken(camt(moved, version="001.02", number="8"))) == (0, 0, 0, 4)
    assert Posting.objects.count() == postings
    later = [*moved[1:], twin, Moved(900, "Ben", reference=owing["Ben"], on=twin.on + timedelta(days=1))]
    assert figures(taken(camt(later, opening=100_500))) == (1, 1, 0, 4)
    assert BankLine.objects.filter(amount_minor=500).count() == 2
    call_command("verify")


def test_a_file_is_taken_once(owing):
    file = read(camt([Moved(500, reference=owing["Ben"])]))
    services.take_bank_file(make_coop(), by=tess(), now=NOW, file_id=file.public_id)
    with pytest.raises(Taken, match="taken already"):
        services.take_bank_file(make_coop(), by=tess(), now=NOW, file_id=file.public_id)
    with pytest.raises(Taken):
        services.leave_bank_file(make_coop(), by=tess(), now=NOW, file_id=file.public_id)
    assert Payment.objects.count() == 1


def test_a_file_left_keeps_nothing_of_what_it_said(owing):
    file = read(camt([Moved(500, "Ben")]))
    services.leave_bank_file(make_coop(), by=tess(), now=NOW, file_id=file.public_id)
    file.refresh_from_db()
    assert (file.state, file.movements) == ("left", [])
    with pytest.raises(Taken, match="left already"):
        services.take_bank_file(make_coop(), by=tess(), now=NOW, file_id=file.public_id)


def test_a_missing_file_between_two_is_said_and_may_come_later(owing):
    taken(camt([Moved(500, "Ben")]))
    later = Moved(700, "Ben", on=NOW.date())
    file = read(camt([later], opening=200_000))
    (remark,) = queries.preview(make_coop(), file.public_id).remarks
    assert "closed on 2026-04-20 with 1005.00, this one opens with 2000.00" in remark


def test_the_account_somebody_paid_from_is_remembered(owing):
    iban = "DE89370400440532013000"
    taken(camt([Moved(500, "Mum", reference=owing["Ben"], iban=iban)]))
    file = read(camt([Moved(900, "Mum", iban=iban, on=NOW.date())], opening=100_500))
    (row,) = queries.preview(make_coop(), file.public_id).proposals
    assert (row.member, row.reason) == (ben(), "Ben paid from this account before")


# --- Lines that wait --------------------------------------------------------------------------


def waiting(owing, amount=500):
    taken(camt([Moved(amount, "Somebody", text="kiln")]))
    return BankLine.objects.get(state="waiting")


def test_a_waiting_movement_is_placed_by_a_person_once(owing):
    line, before = waiting(owing), balance_of(ben())
    who = {"by": tess(), "now": NOW, "line_id": line.public_id}
    payment = services.place_bank_line(make_coop(), **who, member_id=ben().public_id)
    assert (balance_of(ben()), payment.note) == (before - 500, "kiln")
    line.refresh_from_db()
    assert (line.state, line.payment, line.decided_by) == ("payment", payment, tess())
    for again in (
        lambda: services.place_bank_line(make_coop(), **who, member_id=ada().public_id),
        lambda: services.set_bank_line_aside(make_coop(), **who, why="wood"),
    ):
        with pytest.raises(Taken, match="placed already"):
            again()
    assert Payment.objects.count() == 1


def test_a_movement_that_is_nobodys_payment_is_set_aside_with_a_reason(owing):
    line = waiting(owing, -9900)
    who = {"by": tess(), "now": NOW, "line_id": line.public_id}
    for wrong in ("", " ", "x" * 201):
        with pytest.raises(Malformed, match="200 characters"):
            services.set_bank_line_aside(make_coop(), **who, why=wrong)
    row = services.set_bank_line_aside(make_coop(), **who, why="Wood: stands in the receipts")
    assert (row.state, row.why, Payment.objects.count()) == ("aside", "Wood: stands in the receipts", 0)


def test_only_the_treasurer_of_this_coop_touches_the_bank(owing):
    line, file = waiting(owing), read(camt([Moved(500, "B")]))
    coop, who = make_coop(), {"by": ben(), "now": NOW}
    for attempt in (
        lambda: services.read_bank_file(coop, **who, name="a", content=b"x"),
        lambda: services.take_bank_file(coop, **who, file_id=file.public_id),
        lambda: services.leave_bank_file(coop, **who, file_id=file.public_id),
        lambda: services.place_bank_line(coop, **who, line_id=line.public_id, member_id=ben().public_id),
        lambda: services.set_bank_line_aside(coop, **who, line_id=line.public_id, why="mine"),
        lambda: services.save_bank_profile(coop, **who, name="a", rules={}),
    ):
        with pytest.raises(NotAllowed):
            attempt()
    other = make_member("Tina", coop=cy().coop, roles=("treasurer",))
    with pytest.raises(NotFound):
        services.take_bank_file(other.coop, by=other, now=NOW, file_id=file.public_id)
    with pytest.raises(NotFound):
        services.place_bank_line(other.coop, by=other, now=NOW, line_id=line.public_id, member_id=other.public_id)


# --- The database's own word ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("bank_line_kept_once", lambda line: copy_of(line, key=line.key)),
        ("bank_line_is_not_nothing", lambda line: copy_of(line, amount_minor=0)),
        ("bank_line_is_placed_with_its_payment", lambda line: copy_of(line, state="payment")),
        ("bank_line_is_placed_with_its_payment", lambda line: copy_of(line, state="lost")),
        ("bank_line_set_aside_says_why", lambda line: copy_of(line, state="aside", why="")),
        ("frozen", lambda line: BankLine.objects.filter(pk=line.pk).update(amount_minor=1)),
        ("frozen", lambda line: BankLine.objects.filter(pk=line.pk).update(name="Eve")),
        ("frozen", lambda line: BankLine.objects.filter(pk=line.pk).update(key="k")),
        ("append_only", lambda line: BankLine.objects.filter(pk=line.pk).delete()),
        ("bank_file_taken_has_a_moment", lambda line: BankFile.objects.update(taken_at=None)),
    ],
)
def test_the_database_keeps_what_the_bank_said(owing, name, change):
    line = waiting(owing)
    with pytest.raises(IntegrityError) as no, transaction.atomic():
        change(line)
    assert name in str(no.value) or "UNIQUE" in str(no.value)


def copy_of(line, **changes):
    said = {"key": "other", "amount_minor": 5, "state": "waiting", "why": "", "currency": "EUR", "on": line.on}
    return BankLine.objects.create(coop=line.coop, file=line.file, **said | changes)


def test_verify_sees_a_file_or_a_payment_that_was_meddled_with(owing):
    taken(camt([Moved(500, reference=owing["Ben"])]))
    assert [one.faults for one in check_all(make_coop()) if "bank file" in one.name or "movement" in one.name] == [
        (),
        (),
    ]
    walls.take_down(tables="billing_payment")
    BankFile.objects.update(movements=[], opening_minor=1)
    Payment.objects.update(amount_minor=499)
    walls.put_up(tables="billing_payment")
    found = " ".join(fault for one in check_all(make_coop()) for fault in one.faults)
    assert "has a payment of 499" in found
    assert "do not lead to" in found


def test_a_profile_is_named_once_and_changed_in_place():
    rules = {"separator": "semicolon", "decimal": "comma", "dates": "dmy", "encoding": "utf-8", "columns": COLUMNS}
    who = {"by": tess(), "now": NOW, "rules": rules}
    made = services.save_bank_profile(make_coop(), **who, name=" Valley   Bank ")
    assert made.name == "Valley Bank"
    for wrong, why in (("Valley Bank", "this name already"), ("", "a name of up to 60"), ("x" * 61, "a name of up to")):
        with pytest.raises(Refused, match=why):
            services.save_bank_profile(make_coop(), **who, name=wrong)
    changed = services.save_bank_profile(make_coop(), **who, name="Hill Bank", profile_id=made.public_id)
    assert (changed.pk, changed.name) == (made.pk, "Hill Bank")
    with pytest.raises(IntegrityError), transaction.atomic():
        type(made).objects.create(coop=make_coop(), name="Hill Bank", rules=rules, saved_at=NOW)
    with pytest.raises(IntegrityError), transaction.atomic():
        type(made).objects.filter(pk=made.pk).update(name="")


# --- Form, API, command -----------------------------------------------------------------------


def profile():
    return services.save_bank_profile(make_coop(), by=tess(), now=NOW, name="Valley Bank", rules={"columns": COLUMNS})


def signed_in(member):
    client = Client()
    client.force_login(member.person)
    return client


BAD = {
    "doctype": (camt([]).replace(b"<Document", b"<!DOCTYPE d []><Document", 1), "has a DOCTYPE"),
    "other account": (camt([], iban="DE89370400440532013000"), "of the account DE89370400440532013000"),
    "does not add up": (camt([Moved(500)], closing=1), "does not add up"),
    "cut": (camt([Moved(500)])[:-40], "cut off or damaged"),
    "30 digits": (camt([Moved(500)]).replace(b">5.00<", b">" + b"9" * 30 + b"<"), "is no amount"),
    "too large": (camt([Moved(10**10)]), "too large to be right"),
    "other currency": (camt([], currency="JPY"), "is in JPY"),
    "no csv profile": (CSV.encode(), "choose the profile"),
    "empty": (b" ", "empty"),
}


@pytest.mark.parametrize("case", BAD)
def test_a_bad_file_is_refused_alike_at_form_api_and_command(case, tmp_path, capsys):
    set_account()
    content, sentence = BAD[case]
    path = tmp_path / "april.xml"
    path.write_bytes(content)
    with path.open("rb") as upload:
        answer = signed_in(tess()).post(reverse("bank_file_new", args=[make_coop().slug]), {"file": upload})
    assert answer.status_code == 400
    assert sentence in answer.content.decode()
    said = {"name": "april.xml", "content": base64.b64encode(content).decode()}
    told = Caller(tess()).send("bank/files/", said)
    assert (told.status_code, told["Content-Type"]) == (400, "application/problem+json")
    assert sentence in told.json()["detail"]
    with pytest.raises(SystemExit) as end:
        call_command("import_bank", make_coop().slug, str(path), by=tess().person.email, take=True)
    assert end.value.code == 2
    assert sentence in capsys.readouterr().err
    assert (BankFile.objects.count(), BankLine.objects.count(), Payment.objects.count()) == (0, 0, 0)


def test_without_an_account_no_file_is_read():
    with pytest.raises(Refused, match="Set the co-op's account first"):
        read(camt([]))


def test_a_csv_is_taken_through_the_pages(owing, tmp_path):
    client, slug = signed_in(tess()), make_coop().slug
    made = client.post(
        reverse("bank_profile_new", args=[slug]),
        {
            "name": "Valley Bank",
            "separator": "semicolon",
            "decimal": "comma",
            "dates": "dmy",
            "encoding": "utf-8",
            **{f"column_{ours}": head for ours, head in COLUMNS.items()},
        },
    )
    assert made.status_code == 303
    (row,) = queries.profiles(make_coop())
    assert (row.name, row.rules["columns"]) == ("Valley Bank", COLUMNS)
    again = client.get(reverse("bank_profile", args=[slug, row.public_id])).content.decode()
    assert 'value="Verwendungszweck"' in again
    words = {name: row.rules[name] for name in ("separator", "decimal", "dates", "encoding")}
    wrong = client.post(reverse("bank_profile_new", args=[slug]), {"name": "Hill Bank", **words})
    assert (wrong.status_code, "Say which column holds the day." in wrong.content.decode()) == (400, True)
    path = tmp_path / "april.csv"
    path.write_text(CSV.replace("RF18 5390 0754 7034", owing["Ben"]))
    with path.open("rb") as upload:
        answer = client.post(
            reverse("bank_file_new", args=[slug]), {"file": upload, "profile": str(row.public_id)}, follow=True
        )
    shown = answer.content.decode()
    assert "Found by reference" in shown
    assert owing["Ben"] in shown
    file = BankFile.objects.get()
    done = client.post(reverse("bank_file_take", args=[slug, file.public_id]), follow=True).content.decode()
    assert "2 new movements, 1 payments posted, 1 wait, 0 were here before" in done
    line = BankLine.objects.get(state="waiting")
    place = reverse("bank_line", args=[slug, line.public_id])
    both = client.post(place, {"member": str(ben().public_id), "why": "wood"})
    assert both.status_code == 400
    assert "one of the two" in both.content.decode()
    assert client.post(place, {"why": "Wood, in the receipts"}).status_code == 303
    for name in ("bank", "bank_lines", "money"):
        assert client.get(reverse(name, args=[slug])).status_code == 200
    assert signed_in(ben()).get(reverse("bank", args=[slug])).status_code == 403


def test_a_file_goes_through_the_api_to_the_last_movement(owing):
    caller = Caller(tess())
    content = base64.b64encode(camt([Moved(500, reference=owing["Ben"]), Moved(900, "Ada"), Moved(-5, "B")])).decode()
    read_in = caller.send("bank/files/", {"name": "a.xml", "content": content}).json()
    assert [len(read_in[part]) for part in ("by_reference", "proposals", "nobodys")] == [1, 1, 1]
    at = f"bank/files/{read_in['id']}/"
    assert caller.get(at).json()["proposals"][0]["member"] == str(ada().public_id)
    accepted = [read_in["proposals"][0]["key"]]
    assert caller.send(f"{at}take/", {"accepted": accepted}).json() == {
        "new": 3,
        "payments": 2,
        "waiting": 1,
        "known": 0,
    }
    assert caller.send(f"{at}take/").status_code == 409
    waits = next(row for row in caller.get("bank/lines/").json()["lines"] if row["state"] == "waiting")
    for wrong in ({}, {"member": str(ben().public_id), "why": "x"}):
        assert caller.send(f"bank/lines/{waits['id']}/", wrong).status_code == 400
    assert caller.send(f"bank/lines/{waits['id']}/", {"why": "Charges"}).json()["state"] == "aside"
    assert caller.send("bank/files/", {"name": "a.xml", "content": "not base64!"}).status_code == 400
    left = caller.send("bank/files/", {"name": "a.xml", "content": content}).json()
    assert caller.send(f"bank/files/{left['id']}/leave/").status_code == 204
    assert Caller(ben()).get("bank/lines/").status_code == 403


def test_the_command_shows_and_takes_only_when_told(owing, tmp_path, capsys):
    path = tmp_path / "april.csv"
    path.write_text(CSV.replace("RF18 5390 0754 7034", owing["Ben"]))
    profile()
    run = {"by": tess().person.email, "profile": "Valley Bank"}
    call_command("import_bank", make_coop().slug, str(path), **run)
    assert "2 new movements: 1 by reference, 0 proposed, 1 nobody's yet" in capsys.readouterr().out
    assert BankLine.objects.count() == 0
    call_command("import_bank", make_coop().slug, str(path), **run, take=True)
    assert "Taken: 2 movements, 1 payments posted, 1 wait." in capsys.readouterr().out
    call_command("import_bank", make_coop().slug, str(path), **run, take=True)
    assert "0 new movements" in capsys.readouterr().out
    with pytest.raises(SystemExit):
        call_command("import_bank", make_coop().slug, str(tmp_path / "none.xml"), by=tess().person.email)
    assert "cannot be read" in capsys.readouterr().err


def test_seeded_payments_reach_their_members_and_a_second_import_adds_nothing(owing):
    """A hundred here; five thousand in ``make bench-money``."""
    moved = seeded_payments(random.Random(3), [(name, [reference]) for name, reference in owing.items()], 100)
    sound = [one for one in moved if one.truth]
    done = taken(camt(moved))
    assert (done.new, done.payments) == (100, len(sound))
    assert len(sound) > 40
    for name in owing:
        paid = sum(one.amount for one in sound if one.truth == name)
        assert sum(Payment.objects.filter(member=make_member(name)).values_list("amount_minor", flat=True)) == paid
    assert figures(taken(camt(moved))) == (0, 0, 0, 100)
    call_command("verify")


def test_taking_a_file_costs_two_queries_a_payment_and_few_besides(owing, django_assert_max_num_queries):
    file = read(camt([Moved(100 + n, reference=owing["Ben"]) for n in range(60)]))
    coop, treasurer = make_coop(), tess()
    with django_assert_max_num_queries(60 * 2 + 30):
        services.take_bank_file(coop, by=treasurer, now=NOW, file_id=file.public_id)


def test_statement_and_slip_lead_the_payment_home(owing):
    assert queries.pay_in(Statement.objects.get(member=ben())).account.iban == IBAN
