"""A logger's CSV file: which column is the time, which are probes, and every reading or fault of it by row."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo

from coop.errors import Malformed, Refused
from coop.periods import is_ambiguous, local_moment

MOST_BYTES: Final = 2_000_000
MOST_ROWS: Final = 20_000
MOST_COLUMNS: Final = 40
MOST_FAULTS: Final = 30
_SEPARATORS: Final = (";", "\t", ",")
HIGHEST_C, LOWEST_C = 1600.0, -50.0
# Words for how a moment is written, and how it is read. Day first or month first is never guessed from the figures.
FORMATS: Final[Mapping[str, tuple[str, ...]]] = {
    "iso": (),
    "dmy": ("%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M", "%d/%m/%Y %H:%M:%S", "%d/%m/%Y %H:%M", "%d-%m-%Y %H:%M:%S"),
    "mdy": ("%m/%d/%Y %H:%M:%S", "%m/%d/%Y %H:%M", "%m/%d/%Y %I:%M:%S %p", "%m/%d/%Y %I:%M %p", "%m-%d-%Y %H:%M:%S"),
    "unix": (),
}
UNITS: Final = ("c", "f")


@dataclass(frozen=True, slots=True)
class Sheet:
    """The file as cells: ``rows`` below the head, each with its number in the file (the head being its own)."""

    heads: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]


@dataclass(frozen=True, slots=True)
class Columns:
    """What the columns mean. ``time`` and ``day`` are places (``day`` None: both stand in one); ``probes`` by place."""

    time: int
    probes: Mapping[int, str]
    day: int | None = None
    format: str = "iso"
    unit: str = "c"


@dataclass(frozen=True, slots=True)
class Reading:
    """One cell: row of the file, moment (UTC), probe, tenths of °C."""

    row: int
    at: datetime
    probe: str
    temperature_dc: int


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong in one row (``column`` "" means the whole row)."""

    row: int
    column: str
    message: str

    def __str__(self) -> str:
        return f"Row {self.row}{f', {self.column}' if self.column else ''}: {self.message}"


def read_sheet(content: bytes | str) -> Sheet:
    """The cells of a CSV in UTF-8 (or Latin-1), separated by comma, semicolon or tab; lines before the head are left.

    The head is the first row with as many cells as most rows have. Raises Malformed.
    """
    text = _text(content)
    lines = text.splitlines()
    if not any(line.strip() for line in lines):
        raise Malformed(["The file is empty; choose the file the logger wrote."])
    separator = max(_SEPARATORS, key=lambda one: sum(min(line.count(one), MOST_COLUMNS) for line in lines[:200]))
    try:
        cells = [tuple(cell.strip() for cell in row) for row in csv.reader(io.StringIO(text), delimiter=separator)]
    except csv.Error as error:
        raise Malformed([f"This is not a CSV file ({error}); save the logger's readings as CSV."]) from error
    numbered = [(number, row) for number, row in enumerate(cells, start=1) if any(row)]
    widths = [len(row) for _number, row in numbered]
    width = max(set(widths), key=lambda one: (widths.count(one), one))
    if width < 2:
        raise Malformed(["There is one column only; the file needs a time and a temperature, with a comma between."])
    if width > MOST_COLUMNS:
        raise Malformed([f"There are {width} columns; keep at most {MOST_COLUMNS}, the time and the probes."])
    first = next(place for place, (_number, row) in enumerate(numbered) if len(row) == width)
    head, rows = numbered[first][1], numbered[first + 1 :]
    if not rows:
        raise Malformed(["The file has a head but no readings below it; choose another file."])
    if len(rows) > MOST_ROWS:
        raise Malformed([f"The file has {len(rows)} rows; send at most {MOST_ROWS} at once, cut it in two."])
    names = [cell[:60] or f"column {place}" for place, cell in enumerate(head, start=1)]
    return Sheet(tuple(names), tuple(rows))


def _text(content: bytes | str) -> str:
    if isinstance(content, bytes):
        if len(content) > MOST_BYTES:
            raise Malformed([f"The file is larger than {MOST_BYTES // 1_000_000} MB; cut it in two."])
        if b"\x00" in content:
            raise Malformed(["This is not a text file; save the logger's readings as CSV."])
        try:
            return content.decode("utf-8-sig")
        except UnicodeDecodeError:
            return content.decode("latin-1")
    if len(content) > MOST_BYTES:
        raise Malformed([f"The file is larger than {MOST_BYTES // 1_000_000} MB; cut it in two."])
    return content.removeprefix("\ufeff")


def guess(sheet: Sheet) -> Columns:
    """A first idea of the columns, for a person to mend: by the heads' words and by what the first rows hold."""
    heads = [head.casefold() for head in sheet.heads]
    first = [row for _number, row in sheet.rows[:20]]

    def like(place: int, test: Callable[[str], bool]) -> bool:
        found = [row[place] for row in first if place < len(row) and row[place]]
        return bool(found) and sum(map(test, found)) * 2 > len(found)

    times = [
        place for place, head in enumerate(heads) if any(word in head for word in ("time", "uhr", "zeit", "heure"))
    ]
    days = [place for place, head in enumerate(heads) if any(word in head for word in ("date", "datum", "day"))]
    stamped = [place for place in range(len(heads)) if like(place, lambda cell: _format_of(cell) != "")]
    at = stamped[0] if stamped else times[0] if times else days[0] if days else 0
    day = next((place for place in days if place != at), None) if at not in stamped else None
    told = next((_format_of(row[at]) for row in first if at < len(row) and _format_of(row[at])), "iso")
    skip = {"no", "nr", "no.", "nr.", "number", "index", "id", "seq", "#"}
    numbers = [
        place
        for place in range(len(heads))
        if place not in (at, day) and heads[place] not in skip and like(place, lambda cell: _number(cell) is not None)
    ]
    fahrenheit = any("°f" in head or "fahrenheit" in head or head.endswith("(f)") for head in heads)
    return Columns(
        at, {place: _probe_name(sheet.heads[place]) for place in numbers}, day, told, "f" if fahrenheit else "c"
    )


def _probe_name(head: str) -> str:
    name = head
    for mark in ("(°C)", "(°F)", "[°C]", "[°F]", "(C)", "(F)", "°C", "°F"):
        name = name.replace(mark, "")
    return " ".join(name.split())[:30] or head[:30]


def _format_of(cell: str) -> str:
    """Which of the words reads this cell, day first where both could; "" for none."""
    for word in ("iso", "dmy", "mdy"):
        try:
            _wall(cell, word)
        except Refused:
            continue
        return word
    return "unix" if cell.isdecimal() and 9 <= len(cell) <= 10 else ""


def readings(sheet: Sheet, columns: Columns, zone: ZoneInfo) -> tuple[list[Reading], list[Fault]]:
    """Every reading, and every fault by row; empty cells are no reading. ``zone`` is for times without an offset.

    In the night the clocks go back the rows' order says which of the two hours is meant. Raises Malformed for columns
    that are not there.
    """
    _check(sheet, columns)
    found: list[Reading] = []
    faults: list[Fault] = []
    last: datetime | None = None
    for number, row in sheet.rows:
        cells = dict(enumerate(row))
        said = " ".join(cells.get(place, "") for place in (columns.day, columns.time) if place is not None)
        try:
            at = _moment(said, columns.format, zone, last)
        except Refused as no:
            faults.append(Fault(number, sheet.heads[columns.time], str(no)))
            continue
        last = at
        for place, probe in columns.probes.items():
            cell = cells.get(place, "")
            if not cell:
                continue
            degrees = _number(cell)
            if degrees is None:
                faults.append(
                    Fault(number, sheet.heads[place], f"“{cell[:20]}” is no temperature; correct or empty it.")
                )
                continue
            c = (degrees - 32) * 5 / 9 if columns.unit == "f" else degrees
            if not LOWEST_C <= c <= HIGHEST_C:
                faults.append(
                    Fault(number, sheet.heads[place], f"No kiln is at {cell[:20]}: a dead probe; empty the cell.")
                )
                continue
            found.append(Reading(number, at, probe, round(c * 10)))
    if len(found) > MOST_ROWS:
        raise Malformed(
            [f"The file holds {len(found)} readings; take at most {MOST_ROWS} at once: fewer probes or rows."]
        )
    return found, faults


def _check(sheet: Sheet, columns: Columns) -> None:
    faults = []
    places = [columns.time, *columns.probes, *([] if columns.day is None else [columns.day])]
    if any(not 0 <= place < len(sheet.heads) for place in places):
        faults.append("A column is not in the file; choose among those that are there.")
    if columns.format not in FORMATS:
        faults.append(f"The time is written as one of: {', '.join(FORMATS)}.")
    if columns.unit not in UNITS:
        faults.append("The unit is c for °C or f for °F.")
    if not columns.probes:
        faults.append("No column is a probe; name at least one.")
    names = [name.casefold() for name in columns.probes.values()]
    if any(not name.strip() or len(name) > 30 for name in names):
        faults.append("Give each probe a name of at most 30 letters.")
    if len(set(names)) < len(names):
        faults.append("Two columns have one probe's name; give each its own.")
    if columns.time in columns.probes or columns.day in columns.probes:
        faults.append("A column is the time or a probe, not both; choose one.")
    if faults:
        raise Malformed(faults)


def _moment(text: str, written: str, zone: ZoneInfo, last: datetime | None) -> datetime:
    if written == "unix":
        seconds = _number(text)
        if seconds is None or not 0 <= seconds <= 7_258_118_400:
            raise Refused(f"“{text[:30]}” is no count of seconds since 1970.")
        return datetime.fromtimestamp(seconds, UTC)
    wall = _wall(text, written)
    if wall.tzinfo is not None:
        return wall.astimezone(UTC)
    day, at = wall.date(), wall.time()
    first = local_moment(day, at, zone)
    if last is not None and first < last and is_ambiguous(day, at, zone):
        return local_moment(day, at, zone, fold=1)
    return first


def _wall(text: str, written: str) -> datetime:
    tidy = " ".join(text.split())
    if written == "iso":
        try:
            return datetime.fromisoformat(tidy)
        except ValueError:
            raise Refused(f"“{tidy[:30]}” is no date and time; write it like 2026-03-14 18:30:00.") from None
    for form in FORMATS[written]:
        try:
            return datetime.strptime(tidy, form)  # noqa: DTZ007 (the zone comes with the columns)
        except ValueError:
            continue
    like = {"dmy": "14.03.2026 18:30:00", "mdy": "03/14/2026 18:30:00"}[written]
    raise Refused(f"“{tidy[:30]}” is no date and time as chosen; it should look like {like}.")


def _number(cell: str) -> float | None:
    tidy = cell.replace("\u2212", "-").replace(" ", "").replace("\u00a0", "")
    for mark in ("°C", "°F", "°"):
        tidy = tidy.removesuffix(mark)
    if tidy.count(",") == 1 and "." not in tidy:
        tidy = tidy.replace(",", ".")
    if not tidy or not all(letter in "0123456789.+-eE" for letter in tidy):
        return None
    try:
        value = float(tidy)
    except ValueError:
        return None
    return value if math.isfinite(value) else None
