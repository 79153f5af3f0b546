"""A bank's CSV read by a saved profile: which columns, how amounts and days are written, in which encoding."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from itertools import pairwise
from typing import Any, Final

from billing.bank_files.movements import MAX_MOVEMENTS, BankStatement, Movement, check_size, tidy
from coop import money
from coop.errors import Malformed

SEPARATORS: Final = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|"}
DECIMALS: Final = {"point": ".", "comma": ","}
DATES: Final = ("dmy", "mdy", "ymd")
ENCODINGS: Final = {
    "utf-8": "utf-8-sig",
    "windows-1252": "cp1252",
    "iso-8859-1": "latin-1",
    "iso-8859-15": "iso8859-15",
}
COLUMNS: Final = (
    *("on", "amount", "money_in", "money_out", "name", "iban", "reference", "text"),
    *("bank_reference", "balance", "currency", "account"),
)
_DAY: Final = re.compile(r"(\d{1,4})[./ -](\d{1,2})[./ -](\d{1,4})", re.ASCII)
_GROUPS: Final = {
    ".": re.compile(r"\d{1,3}(?:[,'’  ]\d{3})+(?:\.\d+)?|\d+(?:\.\d+)?|\.\d+", re.ASCII),
    ",": re.compile(r"\d{1,3}(?:[.'’  ]\d{3})+(?:,\d+)?|\d+(?:,\d+)?|,\d+", re.ASCII),
}


@dataclass(frozen=True, slots=True)
class Profile:
    """How one bank writes its CSV. ``columns`` gives the header each of ours has in the file.

    Raises Malformed, by field, for an unknown word and for a profile from which no amount or day could be read.
    """

    separator: str = "semicolon"
    decimal: str = "comma"
    dates: str = "dmy"
    encoding: str = "utf-8"
    columns: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        faults: dict[str, str] = {}
        for name, known in (
            ("separator", SEPARATORS),
            ("decimal", DECIMALS),
            ("dates", DATES),
            ("encoding", ENCODINGS),
        ):
            if getattr(self, name) not in known:
                faults[name] = f"Pick one of: {', '.join(known)}."
        heads = {ours: head for ours, head in self.columns.items() if head}
        if unknown := sorted(set(heads) - set(COLUMNS)):
            faults["columns"] = f"There is no column “{unknown[0][:30]}”; these can be read: {', '.join(COLUMNS)}."
        elif "on" not in heads:
            faults["on"] = "Say which column holds the day."
        elif ("amount" in heads) == ("money_in" in heads or "money_out" in heads):
            faults["amount"] = "Give one column with signed amounts, or one of money in and one of money out."
        elif ("money_in" in heads) != ("money_out" in heads):
            faults["money_out"] = "Money in and money out need a column each."
        elif len({head.casefold() for head in heads.values()}) < len(heads):
            faults["columns"] = "Each header of the file can be used once."
        elif any(len(head) > 80 for head in heads.values()):
            faults["columns"] = "A header is at most 80 characters long."
        if faults:
            raise Malformed(list(faults.values()), fields={name: [text] for name, text in faults.items()})

    def to_json(self) -> dict[str, Any]:
        """Plain values for ``json.dumps``; ``from_json`` gives the same profile."""
        return {
            "separator": self.separator,
            "decimal": self.decimal,
            "dates": self.dates,
            "encoding": self.encoding,
            "columns": {ours: head for ours, head in self.columns.items() if head},
        }

    @classmethod
    def from_json(cls, said: Any) -> Profile:
        """A profile from plain values. Raises Malformed."""
        if not isinstance(said, Mapping) or not isinstance(said.get("columns"), Mapping):
            raise Malformed(["A profile is an object with separator, decimal, dates, encoding and columns."])
        if not all(isinstance(one, str) for pair in said["columns"].items() for one in pair):
            raise Malformed(["The columns of a profile are names and headers as text."])
        words = {name: str(said[name]) for name in ("separator", "decimal", "dates", "encoding") if name in said}
        columns = {str(ours): " ".join(str(head).split()) for ours, head in said["columns"].items()}
        return cls(**words, columns=columns)


def read(
    data: bytes,
    profile: Profile,
    *,
    iban: str,
    currency: str,
    opening_minor: int | None = None,
    closing_minor: int | None = None,
) -> list[BankStatement]:
    """One statement of all rows. Amounts in minor units of ``currency``.

    Opening and closing come from the column of running balances, which must follow row by row, oldest or newest first;
    without that column they must be given. Raises Malformed with one sentence a fault, each naming its row.
    """
    check_size(data)
    try:
        text = data.decode(ENCODINGS[profile.encoding])
    except UnicodeDecodeError as error:
        raise Malformed(
            [f"The file is not {profile.encoding} (byte {error.start + 1}); mend the encoding of the profile."]
        ) from None
    if "\x00" in text:
        raise Malformed(["The file is no text; choose the CSV the bank offers, or camt.053."])
    rows = _rows(text, profile)
    head, columns, width = _head(rows, profile)
    reader = _Reader(profile, columns, width, currency, iban)
    for number, cells in rows[head:]:
        reader.take(number, cells)
    if reader.faults:
        raise Malformed(reader.faults[:20])
    opening, closing = _balances(reader, opening_minor, closing_minor, currency)
    return [BankStatement("", iban, currency, opening, closing, tuple(row for row, _ in reader.movements))]


def _rows(text: str, profile: Profile) -> list[tuple[int, list[str]]]:
    source = csv.reader(io.StringIO(text, newline=""), delimiter=SEPARATORS[profile.separator], strict=True)
    rows = []
    try:
        for cells in source:
            if any(cell.strip() for cell in cells):
                rows.append((source.line_num, cells))
            if len(rows) > MAX_MOVEMENTS + 100:
                raise Malformed([f"The file has more than {MAX_MOVEMENTS} rows; export a shorter span of time."])
    except csv.Error:
        raise Malformed(
            [f"Line {source.line_num}: a quotation mark is not closed; the file is cut off or has another form."]
        ) from None
    return rows


def _head(rows: Sequence[tuple[int, list[str]]], profile: Profile) -> tuple[int, dict[str, int], int]:
    """Where the first row below the header is, the place of each column, and how many cells a row has."""
    wanted = {ours: head.casefold() for ours, head in profile.columns.items() if head}
    best: set[str] = set(wanted.values())
    for place, (_, cells) in enumerate(rows[:100]):
        heads = [" ".join(cell.split()).casefold() for cell in cells]
        missing = set(wanted.values()) - set(heads)
        if not missing:
            return place + 1, {ours: heads.index(head) for ours, head in wanted.items()}, len(cells)
        best = min(best, missing, key=len)
    shown = ", ".join(f"“{head}”" for head in profile.columns.values() if head.casefold() in best)
    raise Malformed([f"The file has no header with {shown}; choose the profile of this bank, or mend it."])


class _Reader:
    """Takes rows one by one; keeps movements with their running balance, and what is wrong by row."""

    def __init__(self, profile: Profile, columns: Mapping[str, int], width: int, currency: str, iban: str) -> None:
        self.profile, self.columns, self.width, self.currency, self.iban = profile, columns, width, currency, iban
        self.movements: list[tuple[Movement, int | None]] = []
        self.faults: list[str] = []

    def take(self, number: int, cells: list[str]) -> None:
        if len(cells) != self.width:
            self.faults.append(
                f"Line {number} has {len(cells)} cells where the header has {self.width}; "
                "the file is cut off or its separator is another."
            )
            return
        said = {ours: cells[place].strip() for ours, place in self.columns.items()}
        try:
            self.movements.append(self._movement(said))
        except Malformed as no:
            self.faults.append(f"Line {number}: {no}")

    def _movement(self, said: Mapping[str, str]) -> tuple[Movement, int | None]:
        if (currency := said.get("currency", "")) and currency.upper() != self.currency:
            raise Malformed([f"the row is in {currency[:12]}; this co-op keeps its money in {self.currency}."])
        account = "".join(said.get("account", "").split()).upper()
        if account and account != self.iban:
            raise Malformed([f"the row is of the account {account[:34]}, not of the co-op's {self.iban}."])
        amount = self._amount(said["amount"]) if "amount" in said else self._in_or_out(said)
        if not amount:
            raise Malformed(["an amount of zero moves nothing; the file is damaged or its decimal sign is another."])
        balance = self._amount(said["balance"]) if "balance" in said else None
        movement = Movement(
            on=self._day(said["on"]),
            amount_minor=amount,
            name=tidy(said.get("name", ""), 140),
            iban="".join(said.get("iban", "").split()).upper()[:34],
            reference=tidy(said.get("reference", ""), 35),
            text=tidy(said.get("text", "")),
            bank_reference=tidy(said.get("bank_reference", ""), 35),
        )
        return movement, balance

    def _in_or_out(self, said: Mapping[str, str]) -> int:
        came, went = (self._amount(said[name]) if said[name] else 0 for name in ("money_in", "money_out"))
        if bool(came) == bool(went):
            raise Malformed(["the row needs an amount either of money in or of money out."])
        return abs(came) if came else -abs(went)

    def _amount(self, text: str) -> int:
        plain = text.replace(self.currency, "").replace("−", "-").strip()
        negative = plain.startswith("-") or plain.endswith("-")
        digits = plain.strip("+-").strip()
        point = DECIMALS[self.profile.decimal]
        if not _GROUPS[point].fullmatch(digits) or plain.count("-") + plain.count("+") > 1 or len(digits) > 24:
            raise Malformed([f"“{text[:30]}” is no amount with a decimal {self.profile.decimal}."])
        whole, _, fraction = digits.partition(point)
        places = money.digits(self.currency)
        if fraction[places:].strip("0"):
            raise Malformed([f"“{text[:30]}” has more decimals than {self.currency} has."])
        minor = int((re.sub(r"\D", "", whole) or "0") + fraction[:places].ljust(places, "0"))
        return -minor if negative else minor

    def _day(self, text: str) -> date:
        match = _DAY.match(text)
        parts = dict(zip(self.profile.dates, match.groups(), strict=True)) if match else {}
        try:
            year = parts["y"]
            if len(year) not in (2, 4) or (match and text[match.end() : match.end() + 1].isalnum()):
                raise ValueError(year)
            return date(int(year) + (2000 if len(year) == 2 else 0), int(parts["m"]), int(parts["d"]))
        except (KeyError, ValueError):
            form = {"dmy": "day, month, year", "mdy": "month, day, year", "ymd": "year, month, day"}
            raise Malformed([f"“{text[:20]}” is no day in the form {form[self.profile.dates]}."]) from None


def _balances(reader: _Reader, opening: int | None, closing: int | None, currency: str) -> tuple[int, int]:
    """Opening and closing as the running balances give them, or as they were told."""
    steps = [(row.amount_minor, balance) for row, balance in reader.movements if balance is not None]
    if steps:
        oldest_first = steps if _follows(steps) else steps[::-1]
        if not _follows(oldest_first):
            raise Malformed(["The column of balances does not follow its movements: a row is missing or was changed."])
        first, last = oldest_first[0], oldest_first[-1]
        read_off = (first[1] - first[0], last[1])
        for told, found, which in ((opening, read_off[0], "opening"), (closing, read_off[1], "closing")):
            if told is not None and told != found:
                plain = money.format_plain(found, currency)
                raise Malformed([f"The file's own balances give {plain} as {which} balance; mend what was typed."])
        return read_off
    if not reader.movements:
        raise Malformed(["The file has no rows below its header; export it again from the bank."])
    missing = [name for name, told in (("opening", opening), ("closing", closing)) if told is None]
    if opening is None or closing is None:
        sentence = "This profile has no column of balances: type the balance before and after, from the bank's page."
        raise Malformed([sentence], fields={name: [sentence] for name in missing})
    return opening, closing


def _follows(steps: Sequence[tuple[int, int]]) -> bool:
    return all(before[1] + after[0] == after[1] for before, after in pairwise(steps))
