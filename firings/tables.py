"""Pieces and receipts as CSV or pasted text: every fault by row and column, or rows fit to use."""

from __future__ import annotations

import csv
import io
import itertools
import math
import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import IO, Final, Generic, TypeVar

from coop.errors import Malformed, Refused
from firings.fire import cones

MAX_ROWS: Final = 5_000
MAX_BYTES: Final = 4_000_000
MAX_SIZE_MM: Final = 3_000
MIN_SIZE_MM: Final = 5
MAX_COUNT: Final = 500  # as the database holds it
MAX_TEXT: Final = 200

POOLS: Final = ("wood", "soda", "shelf_wash", "wads_cones", "permit", "per_head", "reserve", "breakage")
PIECE_COLUMNS: Final = (
    *("member", "piece", "count", "shape", "diameter_mm", "width_mm", "length_mm", "height_mm"),
    *("body", "cone", "glaze", "zone", "importance", "note"),
)
RECEIPT_COLUMNS: Final = ("date", "paid_by", "pool", "amount", "currency", "supplier", "note")

_SIZES: Final = ("diameter", "width", "length", "height")
_FORMULA_STARTS: Final = ("=", "+", "-", "@", "＝", "＋", "－", "＠")
_SEPARATORS: Final = (",", ";", "\t")
_SEPARATOR_WORDS: Final = {",": "comma", ";": "semicolon", "\t": "tab"}


@dataclass(frozen=True, slots=True)
class PieceRow:
    """One line of a list of pieces: ``count`` pieces alike. Lengths in mm; sizes not meant are None.

    ``row`` is the row's number in the file, the header being 1. ``cone`` is "" where only the body is
    named; ``importance`` is None where it is left open (1 is the most important).
    """

    row: int
    member: str
    piece: str
    count: int
    shape: str
    diameter_mm: int | None
    width_mm: int | None
    length_mm: int | None
    height_mm: int
    body: str
    cone: str
    glaze: str
    zone: str
    importance: int | None
    note: str


@dataclass(frozen=True, slots=True)
class ReceiptRow:
    """One receipt; ``paid_by`` "" is the co-op's own account. A refund has a negative ``amount_minor``."""

    row: int
    date: date
    paid_by: str
    pool: str
    amount_minor: int
    currency: str
    supplier: str
    note: str


@dataclass(frozen=True, slots=True, order=True)
class RowFault:
    """What is wrong in one cell (``column`` "" means the whole row, row 1 is the header)."""

    row: int
    column: str
    message: str

    def __str__(self) -> str:
        place = f"Row {self.row}, {self.column}" if self.column else f"Row {self.row}"
        return f"{place}: {self.message}"


Row = TypeVar("Row")


@dataclass(frozen=True, slots=True)
class Table(Generic[Row]):
    """What was read: rows without fault, and every fault of the rest in the order of the file."""

    rows: tuple[Row, ...]
    faults: tuple[RowFault, ...]

    def require(self) -> tuple[Row, ...]:
        """All rows, or Malformed with one sentence per fault: a faulty file is not half taken."""
        if self.faults:
            raise Malformed([str(fault) for fault in self.faults])
        return self.rows


Source = bytes | str | IO[bytes]


def read_pieces(source: Source, *, member: str | None = None) -> Table[PieceRow]:
    """Pieces from CSV bytes, a file open for reading bytes, or pasted text.

    With ``member`` given the column may be missing or empty: the pieces are that member's.
    """
    needed = ["piece", "count", "shape", "height_mm", "cone"] + (["member"] if member is None else [])
    return _read(source, PIECE_COLUMNS, needed, lambda cells: _piece(cells, member))


def read_receipts(source: Source, *, currency: str, not_after: date | None = None) -> Table[ReceiptRow]:
    """Receipts in the co-op's ``currency`` (ISO 4217); a date later than ``not_after`` is a fault."""
    needed = ["date", "pool", "amount"]
    return _read(source, RECEIPT_COLUMNS, needed, lambda cells: _receipt(cells, currency, not_after))


def escape_cell(text: str) -> str:
    """Text for one cell of an exported CSV: what a spreadsheet would run as a formula gets an apostrophe."""
    bare = text.lstrip()
    risky = bare.startswith(_FORMULA_STARTS) or text[:1] in {"\t", "\r", "\n"}
    return f"'{text}" if risky else text


class _Cells:
    """The cells of one row by column name; collects what is wrong with them."""

    def __init__(self, row: int, cells: Mapping[str, str], inches: frozenset[str]) -> None:
        self.row = row
        self._cells = cells
        self._inches = inches
        self.faults: list[RowFault] = []

    def fault(self, column: str, message: str) -> None:
        shown = f"{column.removesuffix('_mm')}_in" if column in self._inches else column
        self.faults.append(RowFault(self.row, shown, message))

    def raw(self, column: str) -> str:
        return self._cells.get(column, "").strip()

    def text(self, column: str, *, needed: str = "") -> str:
        """The cell as one line of text; a fault if it could run as a formula or holds control characters."""
        text = unicodedata.normalize("NFC", " ".join(self.raw(column).split()))
        if not text and needed:
            self.fault(column, needed)
        elif text.startswith(_FORMULA_STARTS):
            self.fault(
                column,
                f"“{text[:20]}” begins like a spreadsheet formula; begin the text with a letter or a digit.",
            )
        elif any(unicodedata.category(sign) in {"Cc", "Cs", "Co", "Cn"} for sign in text):
            self.fault(column, "this text holds characters that cannot be shown; type it again.")
        elif len(text) > MAX_TEXT:
            self.fault(column, f"this text has {len(text)} characters; shorten it to {MAX_TEXT}.")
        return text

    def whole(self, column: str, *, meant: str, most: int = MAX_COUNT) -> int | None:
        """A whole number from 1 to ``most``; None with a fault if it is something else."""
        text = self.raw(column)
        if re.fullmatch(r"\+?[0-9]{1,6}", text) and 1 <= int(text) <= most:
            return int(text)
        self.fault(column, f"“{text[:20]}” will not do; {meant} (a whole number from 1 to {most}).")
        return None

    def size(self, column: str, *, of: str) -> int | None:
        """A length in mm, rounded up to the full mm so that no piece is taken for smaller than it is."""
        name, text = column.removesuffix("_mm"), self.raw(column)
        unit = "in" if column in self._inches else "mm"
        if not text:
            self.fault(column, f"a {of} piece needs its {name}; give it in {unit}.")
            return None
        if not re.fullmatch(r"[+-]?[0-9]{1,9}([.,][0-9]{1,6})?", text):
            self.fault(column, f"“{text[:20]}” is no {name}; give a plain number in {unit}.")
            return None
        length = Decimal(text.replace(",", ".")) * (Decimal("25.4") if unit == "in" else 1)
        if length <= 0:
            self.fault(column, f"the {name} is {text}; give a number above zero.")
        elif length < MIN_SIZE_MM:
            self.fault(column, f"the {name} of {text} {unit} is under {MIN_SIZE_MM} mm; check the unit.")
        elif length > MAX_SIZE_MM:
            self.fault(column, f"the {name} of {text} {unit} is over {MAX_SIZE_MM} mm; check the unit.")
        else:
            return math.ceil(length)
        return None

    def must_be_empty(self, column: str, *, of: str) -> None:
        if self.raw(column):
            self.fault(column, f"a {of} piece has no {column.removesuffix('_mm')}; leave this cell empty.")


def _piece(cells: _Cells, owner: str | None) -> PieceRow | None:
    member = cells.text("member", needed="" if owner else "give the member's name.") or owner or ""
    piece = cells.text("piece", needed="give the piece a name, for example “mug”.")
    count = cells.whole("count", meant="give how many pieces are alike")
    shape = cells.raw("shape").lower()
    sizes: dict[str, int | None] = dict.fromkeys(("diameter_mm", "width_mm", "length_mm"))
    if shape == "round":
        sizes["diameter_mm"] = cells.size("diameter_mm", of="round")
        cells.must_be_empty("width_mm", of="round")
        cells.must_be_empty("length_mm", of="round")
    elif shape == "rect":
        sizes["width_mm"] = cells.size("width_mm", of="rect")
        sizes["length_mm"] = cells.size("length_mm", of="rect")
        cells.must_be_empty("diameter_mm", of="rect")
    else:
        cells.fault("shape", f"“{shape[:20]}” is no shape; write round or rect.")
    height = cells.size("height_mm", of=shape if shape in {"round", "rect"} else "listed")
    body, glaze = cells.text("body"), cells.text("glaze")
    zone, note = cells.text("zone"), cells.text("note")
    cone = _cone(cells, body)
    importance = None
    if cells.raw("importance"):
        importance = cells.whole("importance", meant="give 1 for what matters most, or nothing")
    if cells.faults or count is None or height is None:
        return None
    return PieceRow(
        row=cells.row,
        member=member,
        piece=piece,
        count=count,
        shape=shape,
        diameter_mm=sizes["diameter_mm"],
        width_mm=sizes["width_mm"],
        length_mm=sizes["length_mm"],
        height_mm=height,
        body=body,
        cone=cone,
        glaze=glaze,
        zone=zone,
        importance=importance,
        note=note,
    )


def _cone(cells: _Cells, body: str) -> str:
    text = cells.raw("cone")
    if not text:
        if not body:
            cells.fault("cone", "give the cone the piece stands, or name its body.")
        return ""
    try:
        return cones.canonical(text)
    except Refused as refused:
        cells.fault("cone", str(refused))
        return ""


def _receipt(cells: _Cells, currency: str, not_after: date | None) -> ReceiptRow | None:
    day = _date(cells, not_after)
    pool = cells.raw("pool").lower()
    if pool not in POOLS:
        cells.fault("pool", f"“{pool[:20]}” is no pool; pick one of: {', '.join(POOLS)}.")
    named = cells.raw("currency").upper() or currency
    amount: int | None = None
    if named != currency:
        cells.fault("currency", f"this co-op keeps its money in {currency}; give the amount in {currency}.")
    else:
        amount = _amount(cells, currency)
    paid_by, supplier, note = cells.text("paid_by"), cells.text("supplier"), cells.text("note")
    if cells.faults or day is None or amount is None:
        return None
    return ReceiptRow(cells.row, day, paid_by, pool, amount, currency, supplier, note)


def _date(cells: _Cells, not_after: date | None) -> date | None:
    text = cells.raw("date")
    if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
        cells.fault("date", f"“{text[:20]}” is no date; write it like 2026-03-14.")
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError:
        cells.fault("date", f"there is no day {text}; check the month and the day.")
        return None
    if not_after is not None and day > not_after:
        cells.fault("date", f"{text} has not come yet; give the day on the receipt.")
    elif not 1990 <= day.year <= 2200:
        cells.fault("date", f"the year {day.year} is not plausible; give the day on the receipt.")
    return day


def _amount(cells: _Cells, currency: str) -> int | None:
    from coop import money

    text = cells.raw("amount")
    if not text:
        cells.fault("amount", f"give the amount in {currency}, a refund with a minus sign.")
        return None
    try:
        amount: int = money.parse(text, currency)
    except Refused as refused:
        cells.fault("amount", str(refused))
        return None
    if amount == 0:
        cells.fault("amount", "an amount of zero changes nothing; give the amount or take the row out.")
    return amount


def _read(
    source: Source,
    columns: Sequence[str],
    needed: Sequence[str],
    make: Callable[[_Cells], Row | None],
) -> Table[Row]:
    try:
        separator, lines, first_row = _open(_text(source), columns)
        return _rows(csv.reader(lines, delimiter=separator, strict=True), first_row, separator, columns, needed, make)
    except _Unusable as unusable:
        return Table((), (RowFault(unusable.row, "", str(unusable)),))


class _Unusable(Exception):
    """The file as a whole cannot be read further."""

    def __init__(self, message: str, row: int = 1) -> None:
        super().__init__(message)
        self.row = row


def _rows(
    reader: Iterator[list[str]],
    first_row: int,
    separator: str,
    columns: Sequence[str],
    needed: Sequence[str],
    make: Callable[[_Cells], Row | None],
) -> Table[Row]:
    numbered = enumerate(_records(reader), start=first_row)
    header_row, header = next(numbered, (first_row, []))
    names, inches, faults = _header(header, columns, needed, header_row, separator)
    if faults:
        return Table((), tuple(faults))
    rows: list[Row] = []
    filled = 0
    for number, record in numbered:
        if not any(cell.strip() for cell in record):
            continue
        filled += 1
        if filled > MAX_ROWS:
            raise _Unusable(f"There are more than {MAX_ROWS:,} rows; split the file into smaller ones.", number)
        if any(cell.strip() for cell in record[len(names) :]):
            faults.append(
                RowFault(
                    number,
                    "",
                    f"it has {len(record)} cells but the header has {len(names)}; "
                    f"put text that holds a {_SEPARATOR_WORDS[separator]} in double quotes.",
                )
            )
            continue
        cells = _Cells(number, dict(zip(names, record, strict=False)), inches)
        row = make(cells)
        faults.extend(cells.faults)
        if row is not None:
            rows.append(row)
    if not filled:
        raise _Unusable("There are no rows below the header; add at least one.", header_row)
    return Table(tuple(rows), tuple(faults))


def _records(reader: Iterator[list[str]]) -> Iterator[list[str]]:
    for number in itertools.count(1):
        try:
            yield next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise _Unusable(
                f"This row cannot be read ({error}); look for a quote that is not closed.", number
            ) from None


def _header(
    header: Sequence[str], columns: Sequence[str], needed: Sequence[str], row: int, separator: str
) -> tuple[list[str], frozenset[str], list[RowFault]]:
    names: list[str] = []
    inches: set[str] = set()
    faults: list[RowFault] = []
    while header and not header[-1].strip():
        header = header[:-1]
    for cell in header:
        shown = cell.strip()[:40]
        name = re.sub(r"[\s-]+", "_", cell.strip().lower())
        if name.endswith("_in") and name.removesuffix("_in") in _SIZES:
            name = f"{name.removesuffix('_in')}_mm"
            inches.add(name)
        if name not in columns:
            faults.append(RowFault(row, shown, _unknown_column(shown, name, columns)))
        elif name in names:
            faults.append(RowFault(row, shown, "this column comes twice; keep one of them."))
        names.append(name)
    missing = [name for name in needed if name not in names]
    if "shape" in columns and not missing and "diameter_mm" not in names and "width_mm" not in names:
        missing = ["diameter_mm"]
    faults.extend(
        RowFault(row, name, f"this column is missing; the header reads {separator.join(columns)}.") for name in missing
    )
    return names, frozenset(inches & set(columns)), faults


def _unknown_column(shown: str, name: str, columns: Iterable[str]) -> str:
    if not shown:
        return "a column has no name; name it or take it out."
    stem = name.split("_")[0]
    if stem in _SIZES and f"{stem}_mm" in columns:
        return f"give sizes in {stem}_mm or {stem}_in."
    return f"there is no such column; take it out or use one of: {', '.join(columns)}."


def _text(source: Source) -> str:
    if isinstance(source, str):
        if len(source) > MAX_BYTES:
            raise _Unusable(_too_large())
        return source.removeprefix("\ufeff")
    data = source if isinstance(source, bytes) else source.read(MAX_BYTES + 1)
    if len(data) > MAX_BYTES:
        raise _Unusable(_too_large())
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = data.count(b"\n", 0, error.start) + 1
        raise _Unusable("This file is not UTF-8; save it as “CSV UTF-8” and upload it again.", row) from None


def _too_large() -> str:
    return f"The file is larger than {MAX_BYTES // 1_000_000} MB; split it, {MAX_ROWS:,} rows at most in each."


def _open(text: str, columns: Sequence[str]) -> tuple[str, Iterator[str], int]:
    """The separator, the lines from the header on, and the header's row number."""
    lines = iter(io.StringIO(text, newline=""))
    for number, line in enumerate(lines, start=1):
        if hint := re.fullmatch(r"sep=([,;\t])\s*", line):
            return hint[1], lines, number + 1
        if line.strip(" \t\r\n,;"):
            rest = itertools.chain([line], lines)
            return _separator(line, columns), rest, number
    raise _Unusable(f"The file is empty; its first row must read {','.join(columns)}.")


def _separator(header: str, columns: Sequence[str]) -> str:
    def known(separator: str) -> tuple[int, int]:
        names = [cell.strip(' "\r\n').lower() for cell in header.split(separator)]
        return sum(name.replace("_in", "_mm") in columns for name in names), len(names)

    return max(_SEPARATORS, key=known)
