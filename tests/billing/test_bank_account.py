"""The account members pay into: checked, told of when it changes, and on the statement with its code."""

import io
import shutil
import subprocess

import pytest
import zxingcpp
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse
from PIL import Image
from pypdf import PdfReader

from billing import services, slips
from billing.models import BankAccount, Statement
from coop import queues
from coop.errors import Malformed, NotAllowed
from coop.models import Notice
from tests.billing.test_money_api import Caller
from tests.factories import NOW, ben, cora, make_coop, tess
from tests.factories_money import make_settling_firing, posted, take

pytestmark = pytest.mark.django_db

IBAN = "DE71110220330123456789"


def set_account(**changes):
    said = {"iban": IBAN, "holder": "Hollow Lane Kilns", "bic": ""} | changes
    return services.set_bank_account(make_coop(), by=tess(), now=NOW, **said)


def test_the_account_is_kept_plain_and_those_who_keep_the_money_are_told():
    cora()
    row = set_account(iban="de71 1102 2033 0123 4567 89", bic="bhbldehhxxx")
    assert (row.iban, row.bic, row.set_by) == (IBAN, "BHBLDEHHXXX", tess())
    told = Notice.objects.filter(kind="bank_account")
    assert sorted(told.values_list("to_person__name", flat=True)) == ["Cora", "Tess"]
    assert IBAN in told[0].text
    set_account(bic="BHBLDEHHXXX")
    assert (BankAccount.objects.count(), told.count()) == (1, 2)
    set_account(iban="DE89370400440532013000")
    assert (BankAccount.objects.get().iban, told.count()) == ("DE89370400440532013000", 4)


@pytest.mark.parametrize(
    ("changes", "field", "sentence"),
    [
        ({"iban": "DE71110220330123456788"}, "iban", "copy it from the bank"),
        ({"iban": ""}, "iban", "copy it from the bank"),
        ({"bic": "WHAT"}, "bic", "8 or 11"),
        ({"holder": ""}, "holder", "Give the name"),
        ({"holder": "Kiln\nDE00ATTACKER"}, "holder", "line breaks"),
        ({"holder": "K" * 71}, "holder", "Shorten it"),
        ({"iban": "CH9300762011623852957"}, "bic", "European Economic Area"),
    ],
)
def test_a_wrong_account_is_refused_at_service_form_and_api_alike(changes, field, sentence):
    with pytest.raises(Malformed, match=sentence) as no:
        set_account(**changes)
    assert list(no.value.fields) == [field]
    said = {"iban": IBAN, "holder": "Hollow Lane Kilns", "bic": ""} | changes
    client = Client()
    client.force_login(tess().person)
    answer = client.post(reverse("bank_account", args=[make_coop().slug]), said)
    assert answer.status_code == 400
    if said[field]:
        assert sentence in answer.content.decode()
    told = Caller(tess()).send("bank/account/", said, method="put")
    assert (told.status_code, told["Content-Type"]) == (400, "application/problem+json")
    assert field in told.json()["fields"]
    assert not BankAccount.objects.exists()


def test_only_the_treasurer_sets_it_and_members_read_it():
    with pytest.raises(NotAllowed):
        services.set_bank_account(make_coop(), by=ben(), now=NOW, iban=IBAN, holder="Ben")
    caller = Caller(ben())
    assert caller.get("bank/account/").status_code == 404
    assert caller.send("bank/account/", {"iban": IBAN, "holder": "Ben"}, method="put").status_code == 403
    set_account()
    assert caller.get("bank/account/").json()["iban"] == IBAN


@pytest.mark.parametrize(
    "said", [{"iban": "de71", "holder": "K"}, {"iban": IBAN, "holder": ""}, {"iban": "DE89370400440532013000"}]
)
def test_the_database_holds_one_plain_account_a_coop(said):
    set_account()
    rows = BankAccount.objects.of(make_coop())
    more = {} if "holder" in said else {"coop": make_coop(), "holder": "K", "set_at": NOW}
    change = rows.create if more else rows.update
    with pytest.raises(IntegrityError), transaction.atomic():
        change(**said, **more)


def statement_of_ben():
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 10})
    take(firing, 40000)
    posted(firing)
    queues.sweep()
    return Statement.objects.get(member=ben())


def text_of(statement):
    pages = PdfReader(io.BytesIO(bytes(statement.document.content))).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


@pytest.mark.slow
@pytest.mark.skipif(not shutil.which("pdftoppm"), reason="needs poppler")
def test_the_code_on_the_printed_paper_says_the_slip_byte_for_byte(tmp_path):
    set_account()
    row = statement_of_ben()
    (tmp_path / "paper.pdf").write_bytes(bytes(row.document.content))
    subprocess.run(
        ["pdftoppm", "-r", "120", "-png", "-f", "1", "-l", "1", "paper.pdf", "page"], cwd=tmp_path, check=True
    )
    (page,) = tmp_path.glob("page*.png")
    (found,) = zxingcpp.read_barcodes(Image.open(page))
    assert found.bytes == slips.payload(slips.Slip("Hollow Lane Kilns", IBAN, row.balance_minor, row.reference))
    for words in ("How to pay", "DE71 1102 2033 0123 4567 89", "Scan the code"):
        assert words in text_of(row)


@pytest.mark.slow
def test_without_an_account_or_anything_to_pay_there_is_no_slip():
    assert "How to pay" not in text_of(statement_of_ben())


@pytest.mark.slow
def test_a_coop_in_another_currency_prints_the_account_without_a_code():
    coop = make_coop()
    coop.currency = "CHF"
    coop.save()
    set_account(iban="CH9300762011623852957")
    said = text_of(statement_of_ben())
    assert "CH93 0076 2011 6238 5295 7" in said
    assert "Scan the code" not in said


def test_who_has_to_pay_sees_account_and_reference_on_their_page():
    set_account()
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 10})
    take(firing, 40000)
    posted(firing)
    client = Client()
    client.force_login(ben().person)
    shown = client.get(reverse("money", args=[make_coop().slug])).content.decode()
    assert IBAN in shown
    assert Statement.objects.get(member=ben()).reference in shown
