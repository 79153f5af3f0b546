"""Pieces and receipts as CSV: what is taken, and which sentence each fault gets."""

import io
import re
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.errors import Malformed, Refused
from firings import kiln_file, tables
from firings.tables import PIECE_COLUMNS, RECEIPT_COLUMNS, escape_cell, read_pieces, read_receipts

SAMPLES = Path(tables.__file__).parent / "samples"
HEADER = ",".join(PIECE_COLUMNS)
MUG = "Ada,mug,4,round,95,,,116,stoneware A,10,celadon,,1,"
RECEIPTS = ",".join(RECEIPT_COLUMNS)


def pieces(*rows, header=HEADER):
    return read_pieces("\n".join([header, *rows]))


def receipts(*rows, header=RECEIPTS, **more):
    return read_receipts("\n".join([header, *rows]), currency="EUR", **more)


def only_fault(table):
    assert table.rows == ()
    assert len(table.faults) == 1, table.faults
    return table.faults[0]


def test_a_plain_row_is_read():
    (row,) = pieces(MUG).require()
    assert (row.row, row.member, row.count, row.shape) == (2, "Ada", 4, "round")
    assert (row.diameter_mm, row.width_mm, row.height_mm) == (95, None, 116)
    assert (row.cone, row.importance, row.note) == ("10", 1, "")


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_any_of_the_three_separators_and_a_bom_are_taken(separator, end):
    text = end.join([HEADER, MUG]).replace(",", separator)
    assert read_pieces(b"\xef\xbb\xbf" + text.encode()).require() == pieces(MUG).rows


def test_a_separator_line_from_a_spreadsheet_is_taken():
    (row,) = read_pieces(f"sep=;\n{HEADER}\n{MUG}".replace(",", ";")).require()
    assert row.row == 3


def test_a_file_open_for_reading_is_taken():
    assert read_pieces(io.BytesIO(f"{HEADER}\n{MUG}".encode())).rows == pieces(MUG).rows


def test_decimals_are_rounded_up_so_no_piece_is_taken_for_smaller():
    table = pieces(MUG.replace("95", '"95,2"'), MUG.replace("116", "116.0"))
    assert [(row.diameter_mm, row.height_mm) for row in table.require()] == [(96, 116), (95, 116)]


def test_inches_are_taken_where_the_header_says_so():
    header = HEADER.replace("diameter_mm", "diameter_in").replace("height_mm", "Height_in")
    (row,) = pieces("Ada,mug,4,round,3.75,,,4 ,s,10,,,,".replace("4 ,s", "4.5,s"), header=header).require()
    # one inch is 25.4 mm exactly (international inch, as FW006 foot = 0.3048 m): 95.25 and 114.3 mm
    assert (row.diameter_mm, row.height_mm) == (96, 115)


def test_names_in_any_script_and_quoted_cells_are_taken():
    row = '"Нина, Олег",急須 🍵,1,rect,,120,200,90,"said ""dry""",Δ6,,,,'
    (read,) = pieces(row).require()
    assert (read.member, read.piece, read.body, read.cone) == ("Нина, Олег", "急須 🍵", 'said "dry"', "6")


def test_a_row_cut_short_by_a_spreadsheet_is_taken():
    assert pieces("Ada,mug,4,round,95,,,116,stoneware A,10").require()[0].glaze == ""


def test_a_member_pasting_own_pieces_needs_no_name():
    table = read_pieces("piece;count;shape;diameter_mm;height_mm;cone\nmug;2;round;90;110;6", member="Ben")
    assert table.require()[0].member == "Ben"


@pytest.mark.parametrize(
    ("old", "new", "column", "says"),
    [
        ("95", "-95", "diameter_mm", "above zero"),
        ("95", "0", "diameter_mm", "above zero"),
        ("95", "", "diameter_mm", "needs its diameter"),
        ("95", "wide", "diameter_mm", "plain number"),
        ("95", "1e3", "diameter_mm", "plain number"),
        ("95", "NaN", "diameter_mm", "plain number"),
        ("95", "9.5", "diameter_mm", None),
        ("95", "1.2", "diameter_mm", "check the unit"),
        ("116", "3001", "height_mm", "over 3000 mm"),
        ("116", "999999999", "height_mm", "over 3000 mm"),
        ("round", "oval", "shape", "round or rect"),
        ("round", "", "shape", "round or rect"),
        (",4,", ",0,", "count", "from 1 to 500"),
        (",4,", ",-1,", "count", "from 1 to 500"),
        (",4,", ",1.5,", "count", "from 1 to 500"),
        (",4,", ",100000,", "count", "from 1 to 500"),
        (",4,", ",,", "count", "how many"),
        (",10,", ",15,", "cone", "022 to 01"),
        (",1,", ",first,", "importance", "most important|matters most"),
        ("Ada", "", "member", "member's name"),
        ("mug", "", "piece", "name"),
        ("Ada", "=1+1", "member", "formula"),
        ("mug", "@SUM(A1)", "piece", "formula"),
        ("celadon", "+cmd|' /C calc'!A0", "glaze", "formula"),
        ("celadon", "-2+3", "glaze", "formula"),
        ("celadon", "＝1", "glaze", "formula"),
        ("celadon", "cela\x00don", "glaze", "type it again"),
        ("celadon", "x" * 201, "glaze", "shorten"),
    ],
)
def test_each_fault_names_its_row_its_cell_and_what_to_do(old, new, column, says):
    table = pieces("Cy,bowl,1,round,200,,,80,stoneware A,6,,,,", MUG.replace(old, new, 1))
    if says is None:
        assert table.faults == ()
        return
    (fault,) = table.faults
    assert (fault.row, fault.column) == (3, column)
    assert re.search(says, fault.message)
    assert [row.member for row in table.rows] == ["Cy"]


def test_sizes_of_the_other_shape_must_be_empty():
    assert only_fault(pieces("Ada,tray,1,rect,95,130,220,40,s,6,,,,")).column == "diameter_mm"
    assert only_fault(pieces("Ada,tray,1,rect,,130,,40,s,6,,,,")).column == "length_mm"


def test_a_piece_without_cone_and_body_is_refused_but_the_body_may_stand_for_it():
    assert only_fault(pieces("Ada,mug,1,round,95,,,116,,,,,,")).column == "cone"
    assert pieces("Ada,mug,1,round,95,,,116,stoneware A,,,,,").require()[0].cone == ""


def test_all_faults_come_at_once():
    table = pieces(MUG.replace("95", "-1").replace("116", ""), MUG, MUG.replace("round", "cube"))
    assert [(fault.row, fault.column) for fault in table.faults] == [
        (2, "diameter_mm"),
        (2, "height_mm"),
        (4, "shape"),
    ]
    with pytest.raises(Malformed) as caught:
        table.require()
    assert caught.value.faults[0].startswith("Row 2, diameter_mm: ")


def test_empty_rows_keep_the_numbers_of_the_others():
    assert pieces("", ",,,,", MUG).require()[0].row == 4
    table = pieces('Ada,mug,1,round,95,,,116,s,6,,,,"two\nlines"', "", MUG.replace("95", "x"))
    assert [fault.row for fault in table.faults] == [4]


@pytest.mark.parametrize(
    ("header", "column", "says"),
    [
        (HEADER.replace("height_mm,", ""), "height_mm", "missing"),
        (HEADER.replace("glaze", "gloss"), "gloss", "no such column"),
        (HEADER.replace("glaze", "note"), "note", "twice"),
        (HEADER.replace("width_mm", "diameter_in"), "diameter_in", "twice"),
        (HEADER.replace("height_mm", "height_cm"), "height_cm", "height_mm or height_in"),
        (HEADER.replace("diameter_mm,width_mm,length_mm,", ""), "diameter_mm", "missing"),
    ],
)
def test_a_wrong_header_is_named_with_what_to_do(header, column, says):
    table = pieces(MUG, header=header)
    assert table.rows == ()
    assert any(fault.row == 1 and fault.column == column and says in fault.message for fault in table.faults)


@pytest.mark.parametrize("text", ["", "\n\n", HEADER, "   "])
def test_a_file_with_nothing_in_it_is_refused(text):
    assert re.search("first row must read|no rows below", only_fault(read_pieces(text)).message)


def test_text_with_an_unquoted_separator_is_refused_by_row():
    fault = only_fault(pieces(MUG + "hot, please"))
    assert (fault.row, fault.column) == (2, "")
    assert "double quotes" in fault.message


def test_bytes_that_are_not_utf8_are_refused_with_the_row():
    fault = only_fault(read_pieces(f"{HEADER}\n{MUG}\n".encode() + "Jürgen".encode("latin-1")))
    assert fault.row == 3
    assert "UTF-8" in fault.message


def test_too_many_rows_are_refused_without_reading_on():
    class Endless(io.RawIOBase):
        taken = 0

        def read(self, size=-1):
            assert 0 < size <= tables.MAX_BYTES + 1
            self.taken += size
            return (f"{HEADER}\n" + f"{MUG}\n" * (size // len(MUG))).encode()[:size]

    source = Endless()
    assert "split" in only_fault(read_pieces(source)).message
    assert source.taken <= tables.MAX_BYTES + 1


def test_a_hundred_thousand_short_rows_are_refused_and_five_thousand_taken():
    short = "member;piece;count;shape;diameter_mm;height_mm;cone\n"
    assert "5,000" in only_fault(read_pieces(short + "A;m;1;round;90;90;6\n" * 100_000)).message
    assert len(read_pieces(short + "A;m;1;round;90;90;6\n" * 5_000).require()) == 5_000


@given(st.binary(max_size=300))
def test_no_bytes_whatever_raise_anything(data):
    table = read_pieces(data)
    assert table.faults
    assert all(fault.message for fault in table.faults)


@given(st.lists(st.text(max_size=12), max_size=14))
def test_no_cells_whatever_raise_anything(cells):
    quoted = ",".join('"' + cell.replace('"', '""') + '"' for cell in cells)
    assert isinstance(pieces(quoted).faults, tuple)


def test_a_receipt_is_read_with_its_minor_units():
    table = receipts("2026-03-14,,wood,412.37,EUR,Sawmill,slabs", "2026-03-15,Ada,soda,-5.10,,,returned bag")
    first, second = table.require()
    assert (first.date, first.paid_by, first.pool, first.amount_minor) == (
        date(2026, 3, 14),
        "",
        "wood",
        41237,
    )
    assert (second.paid_by, second.amount_minor, second.currency) == ("Ada", -510, "EUR")


def test_a_decimal_comma_is_taken_in_receipts():
    table = receipts("2026-03-14;;permit;12,50;EUR;;", header=RECEIPTS.replace(",", ";"))
    assert table.require()[0].amount_minor == 1250


@pytest.mark.parametrize(
    ("row", "column", "says"),
    [
        ("2026-02-30,,wood,1,EUR,,", "date", "no day"),
        ("14.3.2026,,wood,1,EUR,,", "date", "2026-03-14"),
        (",,wood,1,EUR,,", "date", "2026-03-14"),
        ("2027-01-01,,wood,1,EUR,,", "date", "not come yet"),
        ("2026-03-14,,beer,1,EUR,,", "pool", "shelf_wash"),
        ("2026-03-14,,wood,1,USD,,", "currency", "EUR"),
        ("2026-03-14,,wood,,EUR,,", "amount", "refund"),
        ("2026-03-14,,wood,0.00,EUR,,", "amount", "zero"),
        ("2026-03-14,,wood,lots,EUR,,", "amount", "amount"),
        ("2026-03-14,,wood,1.234567,EUR,,", "amount", "."),
        ("2026-03-14,,wood,1,EUR,=A1,", "supplier", "formula"),
        ("2026-03-14,@Ada,wood,1,EUR,,", "paid_by", "formula"),
    ],
)
def test_a_faulty_receipt_is_refused_by_cell(row, column, says):
    fault = only_fault(receipts(row, not_after=date(2026, 12, 31)))
    assert (fault.row, fault.column) == (2, column)
    assert says in fault.message


@given(st.text(max_size=40))
def test_an_exported_cell_never_begins_like_a_formula(text):
    escaped = escape_cell(text)
    assert escaped in (text, f"'{text}")
    assert not escaped.lstrip().startswith(("=", "+", "-", "@"))


def test_the_samples_read_without_a_fault():
    rows = read_pieces((SAMPLES / "pieces.csv").read_bytes()).require()
    assert sum(row.count for row in rows) >= 120
    assert len({row.member for row in rows}) == 25
    money = read_receipts((SAMPLES / "receipts.csv").read_bytes(), currency="EUR").require()
    assert len({row.pool for row in money}) >= 5


@pytest.mark.parametrize(("name", "columns"), [("pieces", PIECE_COLUMNS), ("receipts", RECEIPT_COLUMNS)])
def test_the_empty_templates_hold_exactly_the_header(name, columns):
    assert (SAMPLES / f"{name}-empty.csv").read_text("utf-8") == ",".join(columns) + "\n"


def test_the_sample_kiln_reads_with_two_zones_one_of_them_for_soda():
    kiln = kiln_file.read_kiln((SAMPLES / "kiln.json").read_text("utf-8"))
    assert [zone.soda for zone in kiln.zones] == [False, True]
    assert kiln.phases[0].from_permille == 0
    assert kiln.phases[-1].to_permille == 1000
    assert all(zone.chamber_height_mm > 0 and zone.posts for zone in kiln.zones)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"low": 18', '"low": 40', "low, likely, high"),
        ('"to_permille": 150', '"to_permille": 200', "begins at"),
        ('"cone": "10"', '"cone": "15"', "022 to 01"),
        ('"volume_ml"', '"volum_ml"', "volum_ml"),
        ('"kiln/1"', '"kiln/2"', "kiln/1"),
        ('"id": "back"', '"id": "front"', "twice"),
    ],
)
def test_a_kiln_file_that_contradicts_itself_is_refused(old, new, says):
    text = (SAMPLES / "kiln.json").read_text("utf-8")
    assert old in text
    with pytest.raises(Refused, match=says):
        kiln_file.read_kiln(text.replace(old, new, 1))
