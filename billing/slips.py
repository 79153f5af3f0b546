"""Payment slips for euro accounts: the payload of an EPC069-12 QR code (version 002, UTF-8, SCT), checked and drawn.

The payload has one field a line, so a line break in a name would move somebody else's account into place: every field
is checked before it is written, and what was written is read back before it is drawn.
"""

from __future__ import annotations

import io
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import segno
from stdnum import bic as bic_rules
from stdnum import iban as iban_rules

from billing.references import rf_plain, rf_valid
from coop.errors import Malformed

MOST_NAME: Final = 70
MOST_TEXT: Final = 140
MOST_BYTES: Final = 331  # what version 13 holds at level M
MOST_VERSION: Final = 13
MOST_MINOR: Final = 99_999_999_999
# The character sets of the guideline besides UTF-8: what none of them has, no bank of the euro area writes.
_SETS: Final = ("latin-1", "iso8859-2", "iso8859-4", "iso8859-5", "iso8859-7", "iso8859-10", "iso8859-15")
# European Economic Area: outside it the BIC stays mandatory.
_EEA: Final = re.compile("AT|BE|BG|CY|CZ|DE|DK|EE|ES|FI|FR|GR|HR|HU|IE|IS|IT|LI|LT|LU|LV|MT|NL|NO|PL|PT|RO|SE|SI|SK")
_AMOUNT: Final = re.compile(r"EUR(0|[1-9][0-9]{0,8})(?:\.([0-9]{1,2}))?", re.ASCII)
_PURPOSE: Final = re.compile(r"[A-Z]{4}", re.ASCII)


@dataclass(frozen=True, slots=True)
class Slip:
    """A credit transfer in euro as its payer may scan it: ``amount_minor`` in cents, one of reference and text."""

    name: str
    iban: str
    amount_minor: int
    reference: str = ""
    text: str = ""
    bic: str = ""
    purpose: str = ""


def iban_plain(text: str) -> str:
    """An account number in capitals without spaces. Raises Malformed (field ``iban``) unless country, length and
    check digits are right (ISO 13616, as python-stdnum has the countries' forms)."""
    plain = "".join(part for part in text.upper().split(" ") if part)
    if not plain.isascii() or not iban_rules.is_valid(plain) or iban_rules.compact(plain) != plain:
        raise _no("iban", "This is not an account number (IBAN) with right check digits; copy it from the bank.")
    return plain


def bic_plain(text: str) -> str:
    """A bank's code in capitals, 8 or 11 signs (ISO 9362); empty stays empty. Raises Malformed (field ``bic``)."""
    plain = text.strip(" ").upper()
    if plain and not (plain.isascii() and bic_rules.is_valid(plain) and bic_rules.compact(plain) == plain):
        raise _no("bic", "A bank's code (BIC) has 8 or 11 letters and digits, such as BHBLDEHHXXX.")
    return plain


def payee(name: str) -> str:
    """The name of the account's holder as banks take it. Raises Malformed (field ``name``)."""
    return _words("name", name, MOST_NAME, needed=True)


def bic_needed(iban: str) -> bool:
    """Whether a slip to this account must name the bank: outside the European Economic Area (EPC069-12, AT-23)."""
    return not _EEA.match(iban)


def payload(slip: Slip) -> bytes:
    """The lines of the code in UTF-8. EPC069-12 v2.1, section 2: fields, lengths, order.

    Raises Malformed naming the field: anything that is no printable line of its length, an account number, bank's
    code or reference with wrong check digits, an amount outside 0.01 to 999,999,999.99, reference and text together.
    """
    iban = iban_plain(slip.iban)
    bic = bic_plain(slip.bic)
    if not bic and bic_needed(iban):
        raise _no("bic", f"A slip to an account in {iban[:2]} needs the bank's code (BIC); add it to the account.")
    if bool(slip.reference) == bool(slip.text):
        raise _no("reference", "A slip carries a reference or a text; give one of the two.")
    reference = rf_plain(_words("reference", slip.reference, 35, needed=False))
    if slip.reference and not rf_valid(reference):
        raise _no("reference", "This is not an RF reference with right check digits (ISO 11649).")
    if slip.purpose and not _PURPOSE.fullmatch(slip.purpose):
        raise _no("purpose", "A purpose is a code of four capital letters.")
    lines = ["BCD", "002", "1", "SCT", bic, payee(slip.name), iban, _amount(slip.amount_minor), slip.purpose, reference]
    if slip.text:
        lines.append(_words("text", slip.text, MOST_TEXT, needed=True))
    made = "\n".join(lines).encode()
    if len(made) > MOST_BYTES:
        raise _no("text", f"The slip takes {len(made)} bytes of {MOST_BYTES}; shorten the name or the text.")
    return made


def read(made: bytes) -> Slip:
    """The slip that a payload says, as a payer's bank reads it. Raises Malformed for what is no such payload."""
    try:
        lines = made.decode().split("\n")
    except UnicodeDecodeError:
        raise _no("", "This payload is not UTF-8.") from None
    lines += [""] * (11 - len(lines))
    tag, version, charset, what, bic, name, iban, amount, purpose, reference, text = lines[:11]
    match = _AMOUNT.fullmatch(amount)
    if (tag, version, charset, what) != ("BCD", "002", "1", "SCT") or len(lines) > 11 or match is None:
        raise _no("", "This is not a payload of EPC069-12, version 002, in UTF-8.")
    cents = int(match[1]) * 100 + int((match[2] or "").ljust(2, "0"))
    return Slip(name, iban, cents, reference, text, bic, purpose)


def picture(slip: Slip) -> str:
    """The code as SVG, level M, version 13 at most. Raises Malformed as ``payload`` does."""
    made = payload(slip)
    if payload(read(made)) != made:
        raise _no("", "This slip does not read back as it was written; nothing was drawn.")
    drawn = io.BytesIO()
    code(made).save(drawn, kind="svg", xmldecl=False, scale=4, border=4, dark="#000", light="#fff")
    return drawn.getvalue().decode()


def code(made: bytes) -> segno.QRCode:
    """The QR code of a payload: bytes as they are, level M, no larger than version 13."""
    drawn = segno.make_qr(made, error="m", boost_error=False)
    if not isinstance(drawn.version, int) or drawn.version > MOST_VERSION:
        raise _no("text", "The slip does not fit into its code; shorten the name or the text.")
    return drawn


def _amount(minor: int) -> str:
    """``EUR12.3``: a point, at most two decimals, no closing zeros, as in the guideline's examples."""
    if isinstance(minor, bool) or not isinstance(minor, int) or not 1 <= minor <= MOST_MINOR:
        raise _no("amount", "A slip is for 0.01 to 999999999.99 euro.")
    return f"EUR{minor // 100}.{minor % 100:02d}".rstrip("0").rstrip(".")


def _words(field: str, text: str, most: int, *, needed: bool) -> str:
    said = text.strip(" ")
    if needed and not said:
        raise _no(field, "Give the name of the account's holder." if field == "name" else "Give a text.")
    if len(said) > most:
        raise _no(field, f"This has {len(said)} characters; a slip takes {most}. Shorten it.")
    strange = sorted({sign for sign in said if not _writable(sign)})
    if strange:
        shown = ", ".join(unicodedata.name(sign, f"U+{ord(sign):04X}").lower() for sign in strange[:3])
        raise _no(field, f"A slip has no room for line breaks and signs banks do not know ({shown}); leave them out.")
    return said


def _writable(sign: str) -> bool:
    if unicodedata.category(sign)[0] in "CZ" and sign != " ":
        return False
    return any(_encodes(sign, charset) for charset in _SETS)


def _encodes(sign: str, charset: str) -> bool:
    try:
        return bool(sign.encode(charset))
    except UnicodeEncodeError:
        return False


def _no(field: str, sentence: str) -> Malformed:
    fields: Mapping[str, list[str]] = {field: [sentence]} if field else {}
    return Malformed([sentence], fields=fields)
