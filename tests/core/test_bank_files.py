"""Bank files read to the cent, refused when they do not add up, and matched by reference only when it is sound."""

import random
import time
import tracemalloc
from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from billing.bank_files import by_profile, camt, match, movements
from billing.bank_files.by_profile import Profile
from billing.bank_files.match import Member
from billing.bank_files.movements import Movement
from billing.references import rf_reference
from coop.errors import Malformed
from tests import factories_bank as bank
from tests.factories_bank import DAY, IBAN, Moved

VERSIONS = ("001.02", "001.03", "001.04", "001.05", "001.06", "001.07", "001.08")
RF = "RF18539007547034"
TODAY = date(2026, 5, 1)


def check(statements, **changes):
    movements.check(statements, **{"iban": IBAN, "currency": "EUR", "not_after": TODAY} | changes)


# --- camt.053 ---------------------------------------------------------------------------------


@pytest.mark.parametrize("version", VERSIONS)
def test_every_common_version_says_the_same(version):
    moved = [
        Moved(2187, "Zoë Marsh & Sons", reference=RF, iban="GB82WEST12345698765432", end_to_end="E1"),
        Moved(-500, "Sawmill", text="Oak slabs"),
        Moved(700, "Cut", status="PDNG"),
        Moved(-2187, "Zoë Marsh", reference=RF, reversal=True),
    ]
    (said,) = camt.read(bank.camt(moved, version=version))
    check([said])
    assert (said.iban, said.currency, said.opening_minor, said.closing_minor) == (IBAN, "EUR", 100_000, 99_500)
    first, second, third = said.movements
    assert first == Movement(DAY, 2187, "Zoë Marsh & Sons", "GB82WEST12345698765432", RF, "E1")
    assert (second.amount_minor, second.name, second.text, second.end_to_end) == (-500, "Sawmill", "Oak slabs", "")
    assert (third.amount_minor, third.name, third.reference) == (-2187, "Zoë Marsh", RF)


# ref money_checks.csv: camt053/txdtls (camt.053.001.04-style sample in an open bank-statement-import test set):
# opening 75960.15, one entry of 3483.00 in two parts with one bank reference, closing 79443.15
def test_a_published_batch_becomes_two_payments_that_share_the_banks_reference():
    moved = [Moved(218700, "A", batch="b", bank_reference="X1"), Moved(129600, "B", batch="b", bank_reference="X1")]
    (said,) = camt.read(bank.camt(moved, opening=7_596_015, closing=7_944_315, version="001.04", currency="CHF"))
    check([said], currency="CHF")
    assert [row.amount_minor for row in said.movements] == [218700, 129600]
    assert {row.bank_reference for row in said.movements} == {"X1"}
    assert len(set(movements.keys(IBAN, said.movements))) == 2


def test_a_batch_whose_parts_do_not_add_up_stays_one_movement_with_a_note():
    data = bank.camt([Moved(100, "A", batch="b"), Moved(200, "B", batch="b", reference=RF)])
    (said,) = camt.read(data.replace(b"<Amt Ccy='EUR'>2.00</Amt>", b"<Amt Ccy='EUR'>1.99</Amt>", 1))
    (row,) = said.movements
    assert (row.amount_minor, row.reference) == (300, "")
    assert "parts" in row.note


def test_what_does_not_add_up_is_never_taken():
    (said,) = camt.read(bank.camt([Moved(500)], closing=100_499))
    with pytest.raises(Malformed, match=r"opens with 1000.00, its movements come to 5.00, but it closes with 1004.99"):
        check([said])


@given(st.lists(st.integers(-5000, 5000).filter(bool), max_size=8), st.integers(-5000, 5000))
def test_a_statement_is_sound_exactly_when_it_adds_up(amounts, off):
    opening = 100_000
    said = camt.read(bank.camt([Moved(one) for one in amounts], closing=opening + sum(amounts) + off))
    if off:
        with pytest.raises(Malformed):
            check(said)
    else:
        check(said)


def _doctype(data):
    bomb = b'<!DOCTYPE d [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]><Document'
    return data.replace(b"<Document", bomb, 1)


WHOLE = bank.camt([Moved(500, "Ada"), Moved(700, "Ben")])


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"", "empty"),
        (b"  \n", "empty"),
        (_doctype(WHOLE), "DOCTYPE"),
        (WHOLE.replace(b"<Document", b'<!DOCTYPE d SYSTEM "http://127.0.0.1/x"><Document', 1), "DOCTYPE"),
        (WHOLE[: len(WHOLE) // 2], "cut off"),
        (WHOLE[:-3], "cut off"),
        (WHOLE + WHOLE, "cut off"),
        (WHOLE.replace(b"UTF-8", b"UTF-99"), "cut off"),
        (WHOLE.replace(b"Ada", b"\xff\xfe"), "cut off"),
        (b"<html><body>Please sign in</body></html>", "no account statement"),
        (WHOLE.replace(b"camt.053", b"camt.054"), "a list of single notices; export the account statement"),
        (WHOLE.replace(b"camt.053", b"camt.052"), "a report within the day"),
        (WHOLE.replace(b"001.08", b"001.99"), "is not read here"),
        (WHOLE.replace(b">OPBD<", b">XXXX<"), "no opening or no closing"),
        (WHOLE.replace(b">CLBD<", b">ITAV<"), "no opening or no closing"),
        (WHOLE.replace(b"<IBAN>", b"<Othr>").replace(b"</IBAN>", b"</Othr>"), "does not say of which account"),
        (WHOLE.replace(b"5.00</Amt><CdtDbtInd>CRDT", b"5.00</Amt><CdtDbtInd>WHAT"), "came in or went out"),
        (WHOLE.replace(b">5.00<", b">" + b"9" * 30 + b"<"), "is no amount"),
        (WHOLE.replace(b">5.00<", b">5.001<"), "more decimals"),
        (WHOLE.replace(b">5.00<", b">5,00<"), "is no amount"),
        (WHOLE.replace(b">5.00<", b">NaN<"), "is no amount"),
        (WHOLE.replace(b"<BookgDt><Dt>2026-04-20", b"<BookgDt><Dt>2026-02-30"), "no day"),
        (WHOLE.replace(b"'EUR'>5.00", b"'USD'>5.00"), "without an amount in EUR"),
        (WHOLE.replace(b"EUR", b"XXX"), "no currency known"),
        (b"<a>" * 100 + b"</a>" * 100, "no account statement"),
        (WHOLE.replace(b"<RmtInf>", b"<a>" * 60 + b"</a>" * 60 + b"<RmtInf>"), "not built like"),
        (b"<" + b"x" * (movements.MAX_BYTES + 1), "larger than 10 MB"),
    ],
)
def test_a_hostile_or_broken_file_is_refused_in_one_sentence(data, sentence):
    with pytest.raises(Malformed, match=sentence) as no:
        camt.read(data)
    assert len(no.value.faults) == 1


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"iban": "DE89370400440532013000"}, "of the account DE71110220330123456789, not of the co-op's"),
        ({"currency": "CHF"}, "is in EUR; this co-op keeps its money in CHF"),
        ({"not_after": DAY - timedelta(days=2)}, "a bank's file holds what has happened"),
    ],
)
def test_a_file_of_another_account_currency_or_day_is_refused(changes, sentence):
    with pytest.raises(Malformed, match=sentence):
        check(camt.read(WHOLE), **changes)


def test_an_amount_beyond_reason_and_a_file_without_a_statement_are_refused():
    with pytest.raises(Malformed, match="too large to be right"):
        check(camt.read(bank.camt([Moved(10**11)])))
    with pytest.raises(Malformed, match="no statement in it"):
        check([])


@given(st.integers(1, len(WHOLE) - 1))
def test_a_file_cut_anywhere_is_refused(length):
    with pytest.raises(Malformed):
        camt.read(WHOLE[:length])


def test_interim_balances_open_and_close_the_pages_of_one_statement():
    one = bank.camt([Moved(500)]).replace(b">CLBD<", b">ITBD<")
    two = bank.camt([Moved(700)], opening=100_500).replace(b">OPBD<", b">ITBD<")
    statements = [*camt.read(one), *camt.read(two)]
    check(statements)
    assert movements.follow(statements) == []
    assert "in between is missing" in movements.follow([statements[0], statements[0]])[0]


def test_a_large_file_is_read_within_two_seconds():
    data = bank.camt([Moved(100 + n, f"Potter {n}", text="x" * 100) for n in range(3000)])
    start = time.process_time()
    assert len(camt.read(data)[0].movements) == 3000
    assert time.process_time() - start < 2


def test_entries_are_forgotten_once_read_so_that_memory_follows_what_is_kept():
    data = bank.camt([Moved(100, "Potter", text="x" * 100) for n in range(300)])
    tracemalloc.start()
    camt.read(data)
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert most < 8 * len(data)


# --- Twins and overlaps -----------------------------------------------------------------------


def test_twins_on_one_day_are_two_and_an_overlapping_file_names_them_the_same():
    twin = Moved(500, "Ada", text="kiln")
    first = camt.read(bank.camt([twin, twin, Moved(700, "Ben")]))[0].movements
    later = camt.read(bank.camt([twin, twin, Moved(700, "Ben"), Moved(900, "Dov")], version="001.02"))[0].movements
    names = movements.keys(IBAN, first)
    assert len(set(names)) == 3
    assert movements.keys(IBAN, later)[:3] == names
    assert movements.keys("DE89370400440532013000", first) != names


@given(st.lists(st.sampled_from([Movement(DAY, 500, "Ada"), Movement(DAY, 500, "Ben"), Movement(DAY, -500)])))
def test_every_movement_has_a_name_of_its_own_and_keeps_it_through_json(rows):
    names = movements.keys(IBAN, rows)
    assert len(set(names)) == len(rows)
    assert movements.keys(IBAN, [Movement.from_json(row.to_json()) for row in rows]) == names


# --- CSV --------------------------------------------------------------------------------------

COLUMNS = {"on": "Buchungstag", "amount": "Betrag", "name": "Name", "text": "Verwendungszweck", "balance": "Saldo"}
PROFILE = Profile(columns=COLUMNS)
CSV = (
    "Konto;DE71 1102 2033 0123 4567 89;;;\n\nBuchungstag;Name;Verwendungszweck;Betrag;Saldo\n"
    '20.04.2026;Zoë Marsh;"RF18 5390 0754 7034; thanks";1.234,50;2.234,50\n'
    "21.04.26;Sawmill;Oak;-34,50;2.200,00\n"
)


def read(text, profile=PROFILE, **changes):
    data = text if isinstance(text, bytes) else text.encode()
    return by_profile.read(data, profile, **{"iban": IBAN, "currency": "EUR"} | changes)


def test_a_csv_is_read_by_its_profile_below_its_preamble():
    (said,) = read("\ufeff" + CSV)
    check([said])
    assert (said.opening_minor, said.closing_minor) == (100_000, 220_000)
    assert said.movements == (
        Movement(DAY, 123_450, "Zoë Marsh", text="RF18 5390 0754 7034; thanks"),
        Movement(date(2026, 4, 21), -3450, "Sawmill", text="Oak"),
    )


def test_newest_first_other_signs_and_encodings_say_the_same():
    rows = CSV.splitlines()
    turned = "\n".join([rows[2], rows[4], rows[3]])
    assert read(turned)[0].closing_minor == 220_000
    american = 'Date,In,Out,Who,Left\n04/20/2026,1234.50,,Zo\u00eb,2234.50\n04/21/2026,,34.50,Sawmill,"2,200.00"\n'
    columns = {"on": "date", "money_in": "In", "money_out": "OUT", "name": "who", "balance": "left"}
    profile = Profile("comma", "point", "mdy", "windows-1252", columns)
    (said,) = read(american.encode("cp1252"), profile)
    assert [row.amount_minor for row in said.movements] == [123_450, -3450]
    assert said.movements[0].name == "Zoë"
    assert (said.opening_minor, said.closing_minor) == (100_000, 220_000)


def test_without_a_column_of_balances_they_must_be_told_and_are_checked():
    bare = replace(PROFILE, columns={ours: head for ours, head in COLUMNS.items() if ours != "balance"})
    with pytest.raises(Malformed, match="type the balance before and after") as no:
        read(CSV, bare)
    assert set(no.value.fields) == {"opening", "closing"}
    check(read(CSV, bare, opening_minor=100_000, closing_minor=220_000))
    with pytest.raises(Malformed, match="does not add up"):
        check(read(CSV, bare, opening_minor=100_000, closing_minor=220_001))


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "empty"),
        ("a\x00b", "no text"),
        (b"Buchungstag\xff", "not utf-8"),
        (CSV.replace("Saldo", "Rest"), "no header with “Saldo”"),
        (CSV[:-10], "Line 5 has 4 cells where the header has 5"),
        (CSV[:-9], "Line 5: “” is no amount"),
        (CSV[:-8], "balances does not follow"),
        (CSV.replace("-34,50", "-34,51"), "balances does not follow"),
        ("\n".join(CSV.splitlines()[:3]), "no rows below its header"),
        (CSV.replace("-34,50", "34.5,0"), "is no amount with a decimal comma"),
        (CSV.replace("-34,50", "-34,505"), "more decimals than EUR has"),
        (CSV.replace("-34,50", "9" * 30), "is no amount"),
        (CSV.replace("-34,50", "0,00"), "an amount of zero moves nothing"),
        (CSV.replace("21.04.26", "31.02.2026"), "is no day in the form day, month, year"),
        (CSV.replace("21.04.26", "04/21/2026"), "is no day in the form day, month, year"),
        (CSV.replace("21.04.26", "=1+1"), "is no day"),
        (CSV.replace('thanks"', "thanks"), "quotation mark"),
    ],
)
def test_a_broken_csv_is_refused_by_its_line(text, sentence):
    with pytest.raises(Malformed, match=sentence):
        read(text)


def test_rows_of_another_account_or_currency_are_refused():
    with_both = CSV.replace("Saldo\n", "Saldo;Konto;Whg\n").replace("2.234,50\n", "2.234,50;DE00;EUR\n")
    with_both = with_both.replace("2.200,00\n", f"2.200,00;{IBAN};USD\n")
    profile = Profile(columns={**COLUMNS, "account": "Konto", "currency": "Whg"})
    with pytest.raises(Malformed) as no:
        read(with_both, profile)
    assert ["of the account DE00" in no.value.faults[0], "is in USD" in no.value.faults[1]] == [True, True]


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"separator": ":"}, "separator"),
        ({"decimal": "x"}, "decimal"),
        ({"dates": "yyyy"}, "dates"),
        ({"encoding": "utf-7"}, "encoding"),
        ({"columns": {"on": "Day"}}, "amount"),
        ({"columns": {"amount": "Sum"}}, "on"),
        ({"columns": {"on": "Day", "amount": "Sum", "money_in": "In"}}, "amount"),
        ({"columns": {"on": "Day", "money_in": "In"}}, "money_out"),
        ({"columns": {"on": "Day", "amount": "day"}}, "columns"),
        ({"columns": {"on": "Day", "amount": "Sum", "pet": "Cat"}}, "columns"),
        ({"columns": {"on": "D" * 81, "amount": "Sum"}}, "columns"),
    ],
)
def test_a_profile_from_which_nothing_could_be_read_is_refused(changes, field):
    with pytest.raises(Malformed) as no:
        Profile.from_json(PROFILE.to_json() | changes)
    assert list(no.value.fields) == [field]


@pytest.mark.parametrize("said", [None, [], {}, {"columns": 3}, {"columns": {"on": 3}}])
def test_what_is_no_profile_is_refused(said):
    with pytest.raises(Malformed):
        Profile.from_json(said)


# --- Whose payment ----------------------------------------------------------------------------

ZOE = Member("z", "Zoë Marsh", 1234, (RF, rf_reference("77")), ("DE89370400440532013000",))
TAM = Member("t", "Old Tam", -500, (rf_reference("78"),))
LI = Member("l", "李梅", 900)


def who(**said):
    (found,) = match.match([Movement(**{"on": DAY, "amount_minor": 1} | said)], [ZOE, TAM, LI])
    return found.member, found.is_certain


@pytest.mark.parametrize(
    ("said", "found"),
    [
        ({"reference": RF}, ("z", True)),
        ({"reference": "rf18 5390 0754 7034"}, ("z", True)),
        ({"end_to_end": RF}, ("z", True)),
        ({"text": "kiln RF18 5390 0754 7034 thanks"}, ("z", True)),
        ({"text": f"kiln {RF}, 2026"}, ("z", True)),
        ({"text": f"kiln {RF} 2026"}, ("z", True)),
        ({"text": f"{RF} {rf_reference('77')}"}, ("z", True)),
        ({"text": f"X{RF}"}, ("", False)),
        ({"text": f"{RF}1"}, ("", False)),
        ({"text": "RF18 5390 0754 7034 1"}, ("", False)),
        ({"reference": "RF18539007547043"}, ("", False)),
        ({"reference": RF, "text": rf_reference("78")}, ("", False)),
        ({"name": "MARSH ZOE"}, ("z", False)),
        ({"name": "Zoe Marsh and Old Tam"}, ("", False)),
        ({"name": "Zoe"}, ("", False)),
        ({"name": "李梅"}, ("l", False)),
        ({"amount_minor": 1234}, ("z", False)),
        ({"amount_minor": -500}, ("t", False)),
        ({"amount_minor": 1234, "name": "Tam, Old"}, ("t", False)),
        ({"iban": "DE89370400440532013000"}, ("z", False)),
        ({}, ("", False)),
    ],
)
def test_only_a_whole_reference_is_certain_and_the_rest_is_a_proposal(said, found):
    assert who(**said) == found


def test_every_match_gives_its_reason():
    said = match.match([Movement(DAY, 1234, "Zoe Marsh"), Movement(DAY, 1), Movement(DAY, 5, reference=RF)], [ZOE, TAM])
    assert [one.reason for one in said] == [
        "the name is Zoë Marsh's and the amount is what is open",
        "no reference of a statement, and no member's name, account or open amount fits",
        f"the reference {RF}",
    ]


def test_of_seeded_payments_every_sound_reference_is_matched_and_none_wrongly():
    """Through a camt.053 file and back; five thousand through the database in ``make bench-money``."""
    chance = random.Random(5)
    names = [f"{first} {last}" for first in ("Ada", "Ben", "Cem", "Dov", "Eve") for last in ("Ash", "Birch", "Oak")]
    books = [(name, [rf_reference(f"4{n:07d}") for n in range(at * 9, at * 9 + 9)]) for at, name in enumerate(names)]
    moved = bank.seeded_payments(chance, books, 1000)
    members = [Member(name, name, chance.randint(-900, 90_000), tuple(refs)) for name, refs in books]
    rows = camt.read(bank.camt(moved))[0].movements
    found = match.match(rows, members)
    for one, said in zip(moved, found, strict=True):
        assert said.is_certain is bool(one.truth), one
        assert not one.truth or said.member == one.truth
