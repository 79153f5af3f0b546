"""A logger's CSV: what is read, what is guessed, and every fault by row."""

import contextlib
import json
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core.management import call_command
from hypothesis import given
from hypothesis import strategies as st

from coop.errors import Malformed
from firings.fire.logger_file import Columns, guess, read_sheet, readings

DUBLIN = ZoneInfo("Europe/Dublin")
PLAIN = "Time,Front (°C),Back (°C)\n2026-05-09 06:00:00,412.5,398\n2026-05-09 06:01:00,413,\n"
GERMAN = (
    "Kiln box 3\nSerial 77\n\nNr.;Datum;Uhrzeit;Vorne °C;Hinten °C\n"
    "1;09.05.2026;06:00:00;412,5;398,0\n2;09.05.2026;06:01:00;413,0;399,1\n"
)
AMERICAN = "#,Date Time,Top °F\n1,05/09/2026 06:00:00 AM,774.5\n2,05/09/2026 06:01:00 PM,775\n"


def read(text, columns=None, zone=DUBLIN):
    sheet = read_sheet(text)
    found, faults = readings(sheet, columns or guess(sheet), zone)
    return [(one.row, one.at, one.probe, one.temperature_dc) for one in found], [str(one) for one in faults]


def utc(*parts):
    return datetime(*parts, tzinfo=UTC)


def test_a_plain_file_is_understood_without_a_word():
    assert read(PLAIN) == (
        [
            (2, utc(2026, 5, 9, 5), "Front", 4125),
            (2, utc(2026, 5, 9, 5), "Back", 3980),
            (3, utc(2026, 5, 9, 5, 1), "Front", 4130),
        ],
        [],
    )


def test_lines_before_the_head_semicolons_and_decimal_commas_are_understood():
    sheet = read_sheet(GERMAN)
    columns = guess(sheet)
    assert (columns.time, columns.day, dict(columns.probes)) == (2, 1, {3: "Vorne", 4: "Hinten"})
    found, faults = read(GERMAN, Columns(2, columns.probes, 1, "dmy"))
    assert faults == []
    assert found[0] == (5, utc(2026, 5, 9, 5), "Vorne", 4125)


def test_fahrenheit_and_month_first_are_understood():
    sheet = read_sheet(AMERICAN)
    assert guess(sheet).unit == "f"
    found, faults = read(AMERICAN, Columns(1, {2: "Top"}, None, "mdy", "f"))
    assert faults == []
    assert found == [(2, utc(2026, 5, 9, 5), "Top", 4125), (3, utc(2026, 5, 9, 17, 1), "Top", 4128)]


def test_an_offset_in_the_file_beats_the_zone():
    assert read("t,a\n2026-05-09T06:00:00+02:00,20\n")[0][0][1] == utc(2026, 5, 9, 4)


def test_seconds_since_1970_are_read():
    assert read("t,a\n1778306400,20\n", Columns(0, {1: "a"}, None, "unix"))[0][0][1] == utc(2026, 5, 9, 6)


def test_the_hour_that_comes_twice_is_told_by_the_order_of_rows():
    # Europe/Dublin goes from +01:00 to +00:00 at 01:00 UTC on 25 October 2026 (IANA time zone database).
    lines = ["00:30", "01:00", "01:30", "01:00", "01:30", "02:00"]
    text = "t,a\n" + "".join(f"2026-10-25 {at},{100 + n}\n" for n, at in enumerate(lines))
    assert [at for _row, at, _probe, _dc in read(text)[0]] == [
        utc(2026, 10, 24, 23, 30) + timedelta(minutes=30 * n) for n in range(6)
    ]


def test_an_hour_that_never_was_is_a_fault_of_its_row():
    found, faults = read("t,a\n2026-03-29 00:59,20\n2026-03-29 01:30,21\n2026-03-29 02:00,22\n")
    assert [dc for *_rest, dc in found] == [200, 220]
    assert faults[0].startswith("Row 3, t: There is no 01:30")


def test_each_fault_names_its_row_and_keeps_no_other_out():
    text = "t,a,b\n2026-05-09 06:00,20,x\nyesterday,20,20\n2026-05-09 06:02,9999,-80\n2026-05-09 06:03,21,\n"
    found, faults = read(text, Columns(0, {1: "a", 2: "b"}))
    assert [dc for *_rest, dc in found] == [200, 210]
    assert [fault.split(":")[0] for fault in faults] == ["Row 2, b", "Row 3, t", "Row 4, a", "Row 4, b"]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty"),
        ("\n \n", "empty"),
        (b"\x89PNG\x00\x01", "not a text file"),
        ("one column\n1\n2\n", "one column"),
        ("a,b\n", "no readings below"),
        (",".join("abcdefghij" * 5) + "\n" + ",".join("1" * 50), "keep at most 40"),
        ("t,a\n" + "2026-05-09 06:00,1\n" * 20_001, "at most 20000"),
        (b"t,a\n" + b"1,2\n" * 600_000, "2 MB"),
        ('t,a\n"' + "x" * 140_000, "CSV|empty|below"),
    ],
)
def test_a_file_that_is_none_is_refused(content, said):
    with pytest.raises(Malformed, match=said):
        read_sheet(content)


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        (Columns(0, {}), "No column is a probe"),
        (Columns(7, {1: "a"}), "not in the file"),
        (Columns(0, {1: "a", 2: "A"}), "one probe's name"),
        (Columns(0, {0: "a"}), "not both"),
        (Columns(0, {1: "x" * 31}), "at most 30"),
        (Columns(0, {1: "a"}, None, "roman"), "one of"),
        (Columns(0, {1: "a"}, None, "iso", "k"), "°C or f"),
    ],
)
def test_columns_that_cannot_be_are_refused(columns, said):
    with pytest.raises(Malformed, match=said):
        readings(read_sheet(PLAIN), columns, DUBLIN)


@given(st.text(max_size=300))
def test_any_text_is_read_or_refused_in_a_sentence(text):
    found, faults = [], []
    with contextlib.suppress(Malformed):
        sheet = read_sheet(text)
        found, faults = readings(sheet, guess(sheet), DUBLIN)
    assert all(str(fault).startswith("Row ") for fault in faults)
    assert all(one.at.tzinfo is UTC for one in found)


# --- At the prompt --------------------------------------------------------------------------


def at_the_prompt(tmp_path, text, *options, capsys):
    file = tmp_path / "box.csv"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    try:
        call_command("read_logger_file", str(file), *options)
    except SystemExit as end:
        return end.code, capsys.readouterr()
    return 0, capsys.readouterr()


def test_the_command_gives_entries_of_a_fire_log(tmp_path, capsys):
    code, said = at_the_prompt(tmp_path, PLAIN, "--zone", "Europe/Dublin", "--probe", "Front (°C)=front", capsys=capsys)
    assert code == 0
    assert json.loads(said.out)[0] == {
        "at": "2026-05-09T05:00:00+00:00",
        "kind": "reading",
        "probe": "front",
        "c": 412.5,
    }


@pytest.mark.parametrize(
    ("text", "options", "said"),
    [
        ("", (), "empty"),
        (b"\xff\xfe", (), "not UTF-8"),
        (PLAIN, ("--zone", "Mars/Base"), "no time zone"),
        (PLAIN, ("--probe", "Side=x"), "no column"),
        ("t,a\nyesterday,20\nnever,x\n", ("--time", "t", "--probe", "a"), "Row 2, t"),
    ],
)
def test_the_command_says_what_is_wrong(tmp_path, capsys, text, options, said):
    code, out = at_the_prompt(tmp_path, text, *options, capsys=capsys)
    assert code == 2
    assert said in out.err
    assert out.out == ""
