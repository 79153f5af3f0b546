"""Account statements as ISO 20022 writes them: camt.053, versions 001.02 to 001.08, as XML without a DOCTYPE."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator
from datetime import date
from typing import Any, Final
from xml.etree.ElementTree import Element, ParseError

from defusedxml import DefusedXmlException
from defusedxml.ElementTree import iterparse

from billing.bank_files.movements import MAX_MOVEMENTS, BankStatement, Movement, amount_minor, check_size, tidy
from coop.errors import Malformed, Refused

VERSIONS: Final = tuple(f"001.{number:02d}" for number in range(2, 9))
MOST_DEEP: Final = 40  # a statement is some twelve elements deep
MOST_ELEMENTS: Final = 2_000_000
_NAMESPACE: Final = re.compile(r"\{urn:iso:std:iso:20022:tech:xsd:(camt\.0\d\d)\.(\d{3}\.\d\d)\}Document", re.ASCII)
_OTHERS: Final = {"camt.052": "a report within the day", "camt.054": "a list of single notices"}
_DAY: Final = re.compile(r"(\d{4}-\d\d-\d\d)(?:T.*|Z|[+-]\d\d:\d\d)?", re.ASCII)
_CUT: Final = "The file is cut off or damaged; download it again from the bank. Nothing was taken."


def is_xml(data: bytes) -> bool:
    """Whether the file looks like XML at all."""
    return data.lstrip(b"\xef\xbb\xbf\xff\xfe\x00 \t\r\n")[:1] == b"<"


def read(data: bytes) -> list[BankStatement]:
    """The statements of a camt.053 file, in its order. Amounts in minor units of the statement's own currency.

    Only booked entries count. A batch is split into its parts where these add up to it; where they do not, it stays
    one movement with a note. Raises Malformed for XML with a DOCTYPE or entities, a file cut off, another message, a
    statement without opening or closing balance. Whether a statement adds up is for ``movements.check``.
    """
    check_size(data)
    try:
        return list(_statements(data))
    except DefusedXmlException:
        raise Malformed(
            ["The file has a DOCTYPE, which no bank's statement has; it was not read. Download it again from the bank."]
        ) from None
    except (ParseError, UnicodeError, LookupError, ValueError):
        raise Malformed([_CUT]) from None


def _statements(data: bytes) -> Iterator[BankStatement]:
    """Walk through the file and forget each entry once it is read, so that its size does not matter."""
    depth = elements = 0
    entries: list[dict[str, Any]] = []
    for event, element in iterparse(io.BytesIO(data), events=("start", "end"), forbid_dtd=True):
        if event == "start":
            depth += 1
            elements += 1
            if depth == 1:
                _check_message(element.tag)
            if depth > MOST_DEEP or elements > MOST_ELEMENTS:
                raise Malformed(["The file is not built like a bank's statement; it was not read."])
            continue
        depth -= 1
        if depth == 3 and _name(element) == "Ntry":
            entries.append(_entry(element))
            element.clear()
            if len(entries) > MAX_MOVEMENTS:
                raise Malformed([f"The file has more than {MAX_MOVEMENTS} movements; export a shorter span of time."])
        elif depth == 2 and _name(element) == "Stmt":
            yield _statement(element, entries)
            entries = []
            element.clear()


def _check_message(tag: str) -> None:
    match = _NAMESPACE.fullmatch(tag)
    if match is None:
        raise Malformed(["This XML is no account statement; export camt.053 from the bank, or use a CSV profile."])
    message, version = match.groups()
    if message != "camt.053":
        what = _OTHERS.get(message, "another message")
        raise Malformed([f"This is {message}, {what}; export the account statement, camt.053."])
    if version not in VERSIONS:
        raise Malformed([f"camt.053.{version} is not read here; export one of {VERSIONS[0]} to {VERSIONS[-1]}."])


def _statement(element: Element, entries: Iterable[dict[str, Any]]) -> BankStatement:
    number = tidy(_text(element, "Id") or _text(element, "ElctrncSeqNb"), 35)
    where = f"Statement {number}" if number else "The statement"
    currency, opening, closing = _balances(element, where)
    named = _text(element, "Acct", "Ccy")
    if named and named != currency:
        raise Malformed([f"{where} is of an account in {named[:12]} but its balances are in {currency[:12]}."])
    iban = "".join(_text(element, "Acct", "Id", "IBAN").split()).upper()
    if not iban:
        raise Malformed([f"{where} does not say of which account (IBAN) it is; export it with the account number."])
    movements = tuple(movement for entry in entries for movement in _movements(entry, currency, where))
    return BankStatement(number, iban[:34], currency, opening, closing, movements)


def _balances(element: Element, where: str) -> tuple[str, int, int]:
    """Currency, opening and closing. An interim balance opens or closes a statement of several pages."""
    found: dict[str, list[tuple[str, int]]] = {}
    for balance in _all(element, "Bal"):
        kind = _text(balance, "Tp", "CdOrPrtry", "Cd")
        amount = _first(balance, "Amt")
        if amount is None or kind not in ("OPBD", "PRCD", "CLBD", "ITBD"):
            continue
        currency = amount.get("Ccy", "")
        minor = _amount(amount, currency, where) * _sign(balance, where)
        found.setdefault(kind, []).append((currency, minor))
    interim = found.get("ITBD", [])
    openings = found.get("OPBD") or found.get("PRCD") or interim[:1]
    closings = found.get("CLBD") or interim[-1:]
    if not openings or not closings or (openings is closings and len(interim) < 2):
        raise Malformed([f"{where} has no opening or no closing balance, so nobody can tell whether it is whole."])
    (currency, opening), (other, closing) = openings[0], closings[-1]
    if currency != other:
        raise Malformed([f"{where} opens in {currency[:12]} and closes in {other[:12]}."])
    return currency, opening, closing


def _entry(element: Element) -> dict[str, Any]:
    """What an entry says, before its statement's currency is known."""
    status = _text(element, "Sts", "Cd") or _text(element, "Sts")
    amount = _first(element, "Amt")
    parts = [part for details in _all(element, "NtryDtls") for part in _all(details, "TxDtls")]
    return {
        "booked": status == "BOOK",
        "amount": (amount.text or "", amount.get("Ccy", "")) if amount is not None else None,
        "sign": _text(element, "CdtDbtInd"),
        "reversal": _text(element, "RvslInd") in ("true", "1"),
        "on": _text(element, "BookgDt", "Dt")
        or _text(element, "BookgDt", "DtTm")
        or _text(element, "ValDt", "Dt")
        or _text(element, "ValDt", "DtTm"),
        "bank_reference": _text(element, "AcctSvcrRef") or _text(element, "NtryRef"),
        "text": _text(element, "AddtlNtryInf"),
        "parts": [_part(part) for part in parts],
    }


def _part(part: Element) -> dict[str, Any]:
    amount = _first(part, "Amt")
    if amount is None:
        amount = _first(part, "AmtDtls", "TxAmt", "Amt")
    sign = _text(part, "CdtDbtInd")
    sides = {side: (_party(part, side), _account(part, side)) for side in ("Dbtr", "Cdtr")}
    structured = [_text(one, "CdtrRefInf", "Ref") for info in _all(part, "RmtInf") for one in _all(info, "Strd")]
    free = [one.text or "" for info in _all(part, "RmtInf") for one in _all(info, "Ustrd")]
    end_to_end = _text(part, "Refs", "EndToEndId")
    return {
        "amount": (amount.text or "", amount.get("Ccy", "")) if amount is not None else None,
        "sign": sign,
        "sides": sides,
        "reference": next((one for one in structured if one), ""),
        "text": " ".join(free) or _text(part, "AddtlTxInf"),
        "end_to_end": "" if end_to_end == "NOTPROVIDED" else end_to_end,
        "bank_reference": _text(part, "Refs", "AcctSvcrRef") or _text(part, "Refs", "TxId"),
    }


def _movements(entry: dict[str, Any], currency: str, where: str) -> list[Movement]:
    if not entry["booked"]:
        return []
    if entry["amount"] is None or entry["amount"][1] != currency:
        raise Malformed([f"{where} has an entry without an amount in {currency[:12]}; the file is damaged."])
    whole = amount_minor(entry["amount"][0], currency, where) * _sign_of(entry["sign"], where)
    on = _day(entry["on"], where)
    parts, note = entry["parts"] or [None], ""
    amounts = [whole] if len(parts) == 1 else [_part_minor(part, entry, currency, where) for part in parts]
    if None in amounts or sum(one or 0 for one in amounts) != whole:
        note = f"A batch of {len(parts)} payments whose parts the file does not give exactly; look at the bank's page."
        parts, amounts = [None], [whole]
    return [
        _movement(entry, part, on, amount or 0, note) for part, amount in zip(parts, amounts, strict=True) if amount
    ]


def _movement(entry: dict[str, Any], part: dict[str, Any] | None, on: date, amount: int, note: str) -> Movement:
    said: dict[str, Any] = part or {}
    came_in = (amount > 0) != entry["reversal"]  # what is sent back names its sides as it did going out
    name, iban = said["sides"]["Dbtr" if came_in else "Cdtr"] if part else ("", "")
    return Movement(
        on=on,
        amount_minor=amount,
        name=tidy(name, 140),
        iban="".join(iban.split()).upper()[:34],
        reference=tidy(said.get("reference", ""), 35),
        end_to_end=tidy(said.get("end_to_end", ""), 35),
        text=tidy(said.get("text") or entry["text"]),
        bank_reference=tidy(said.get("bank_reference") or entry["bank_reference"], 35),
        note=note,
    )


def _part_minor(part: dict[str, Any], entry: dict[str, Any], currency: str, where: str) -> int | None:
    """A part's amount, None where it is not given in the account's own currency."""
    if part["amount"] is None or part["amount"][1] != currency:
        return None
    return amount_minor(part["amount"][0], currency, where) * _sign_of(part["sign"] or entry["sign"], where)


def _sign_of(word: str, where: str) -> int:
    if word not in ("CRDT", "DBIT"):
        raise Malformed([f"{where}: an amount does not say whether it came in or went out; the file is damaged."])
    return 1 if word == "CRDT" else -1


def _sign(element: Element, where: str) -> int:
    return _sign_of(_text(element, "CdtDbtInd"), where)


def _amount(element: Element, currency: str, where: str) -> int:
    try:
        return amount_minor(element.text or "", currency, where)
    except Malformed:
        raise
    except Refused as no:
        raise Malformed([f"{where}: {no}"]) from no


def _day(text: str, where: str) -> date:
    match = _DAY.fullmatch(text)
    try:
        return date.fromisoformat(match[1] if match else "")
    except ValueError:
        raise Malformed([f"{where}: an entry has no day it was booked on; the file is damaged."]) from None


def _party(part: Element, side: str) -> str:
    """The name of one side; from version 001.08 on it stands a level deeper."""
    return _text(part, "RltdPties", side, "Nm") or _text(part, "RltdPties", side, "Pty", "Nm")


def _account(part: Element, side: str) -> str:
    return _text(part, "RltdPties", f"{side}Acct", "Id", "IBAN")


def _name(element: Element) -> str:
    return str(element.tag).rpartition("}")[2]


def _all(element: Element, name: str) -> Iterator[Element]:
    return (child for child in element if _name(child) == name)


def _first(element: Element, *path: str) -> Element | None:
    found: Element | None = element
    for name in path:
        found = next(_all(found, name), None) if found is not None else None
    return found


def _text(element: Element, *path: str) -> str:
    found = _first(element, *path)
    return (found.text or "").strip() if found is not None else ""
