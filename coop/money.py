"""Money as integer minor units: digits per currency, reading what people type, writing, rounding."""

from __future__ import annotations

import re
import unicodedata
from decimal import Decimal
from fractions import Fraction
from typing import Literal

from babel import Locale, UnknownLocaleError
from babel.numbers import format_currency

from coop.errors import Refused

MAX_MINOR = 2**63 - 1  # a signed 64-bit column holds it

# ISO 4217, list one (1 January 2026). Babel's own table follows CLDR, which rounds cash: it says 0 for IQD
# where ISO says 3, so it may not decide how an amount is stored.
_CODES_BY_DIGITS = {
    0: "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX VND VUV XAF XOF XPF",
    2: (
        "AED ALL AMD ARS AUD AZN BAM BBD BDT BOB BRL BSD BWP BYN BZD CAD CHF CNY COP CRC CZK DKK DOP DZD EGP "
        "ETB EUR FJD GBP GEL GHS GIP GTQ HKD HNL HUF IDR ILS INR JMD KES KGS KZT LAK LBP LKR MAD MDL MGA MKD "
        "MMK MNT MOP MUR MVR MWK MXN MYR MZN NAD NGN NIO NOK NPR NZD PAB PEN PGK PHP PKR PLN QAR RON RSD RUB "
        "SAR SCR SEK SGD THB TRY TTD TWD TZS UAH USD UYU UZS ZAR ZMW"
    ),
    3: "BHD IQD JOD KWD LYD OMR TND",
}
MINOR_DIGITS = {code: places for places, codes in _CODES_BY_DIGITS.items() for code in codes.split()}
_CODES_BY_SIGN = {
    "€": "EUR",
    "£": "GBP EGP GIP LBP",
    "¥": "JPY CNY",
    "$": "ARS AUD BBD BSD BZD CAD CLP COP DOP FJD HKD JMD MXN NAD NZD SGD TTD TWD USD UYU",
    "₩": "KRW",
    "₹": "INR",
    "₺": "TRY",
    "₪": "ILS",
    "₴": "UAH",
    "zł": "PLN",
    "Kč": "CZK",
    "Ft": "HUF",
    "Fr.": "CHF",
    "kr.": "DKK ISK NOK SEK",
    "kr": "DKK ISK NOK SEK",
}
_SPACES = re.compile(r"[\s'’]")
_GROUPED = re.compile(r"\d{1,3}(?:([.,])\d{3})(?:\1\d{3})*")
_MIXED = re.compile(r"\d{1,3}(?:,\d{3})+\.\d+|\d{1,3}(?:\.\d{3})+,\d+")
_PLAIN = re.compile(r"\d+|\d*[.,]\d+")

Rounding = Literal["half-away", "half-even"]


def digits(currency: str) -> int:
    """Decimal digits of the currency's minor unit (ISO 4217). Refused for a code that is not in the table."""
    try:
        return MINOR_DIGITS[currency]
    except KeyError:
        raise Refused(
            f"{currency[:12]!r} is no currency known here; give a three-letter code such as EUR, CHF or USD."
        ) from None


def parse(text: str, currency: str) -> int:
    """Minor units of an amount as people write it: ``1.234,56``, ``1,234.56``, ``12,5``, ``-3.00``, ``€ 5``.

    Refused: nothing, no number, another currency's sign, more decimals than the currency has, an amount
    beyond 64 bits, and the one form that may be read in two ways (``1,234``).
    """
    places = digits(currency)
    example = format_plain(123450 if places < 3 else 1234500, currency)
    shown = f"{text.strip()[:40]!r}"
    amount = _without_sign_of_currency(text.strip(), currency)
    if not amount:
        raise Refused(f"The amount is missing; write a number such as {example}.")
    negative = amount[0] in "-−–"
    number = _SPACES.sub("", amount[1:] if amount[0] in "-−–+" else amount)
    number = _western(number)
    whole, fraction = _split(number, places, shown, example, currency)
    if len(fraction) > places:
        allowed = f"{places} decimals" if places else "no decimals"
        raise Refused(f"{shown} has too many decimals; {currency} has {allowed}, so write it like {example}.")
    if len(whole) > 40:
        raise Refused(f"{shown} is too large; check the number of digits and write it like {example}.")
    minor = int((whole or "0") + fraction.ljust(places, "0"))
    if minor > MAX_MINOR:
        raise Refused(f"{shown} is too large; check the number of digits and write it like {example}.")
    return -minor if negative else minor


def format_plain(minor: int, currency: str) -> str:
    """``1234.56``: point, no grouping, no currency, for files and payment slips; ``parse`` reads it back."""
    places = digits(currency)
    whole, rest = divmod(abs(minor), 10**places)
    return f"{'-' if minor < 0 else ''}{whole}" + (f".{rest:0{places}d}" if places else "")


def format_local(minor: int, currency: str, locale: str) -> str:
    """The amount with its sign as the locale (``de``, ``en-GB``) writes it; unknown ones as ``en``."""
    try:
        where = Locale.parse(locale.replace("-", "_"))
    except (ValueError, UnknownLocaleError):
        where = Locale.parse("en")
    pattern = where.currency_formats["standard"].pattern
    # The pattern carries the digits: Babel would take them from CLDR, see MINOR_DIGITS.
    places = digits(currency)
    pattern = re.sub(r"0\.0+|0(?![.0#])", "0." + "0" * places if places else "0", pattern)
    amount = Decimal(minor).scaleb(-places)
    return format_currency(amount, currency, format=pattern, locale=where, currency_digits=False)


def round_fraction(value: Fraction, mode: Rounding = "half-away") -> int:
    """The nearest integer; a half goes away from zero (EC 1103/97 article 5) or to the even neighbour."""
    if mode == "half-even":
        return round(value)
    nearest = (2 * abs(value) + 1) // 2
    return -nearest if value < 0 else nearest


def to_cash(minor: int, step: int) -> int:
    """The nearest amount that can be paid in coins, the smallest being ``step`` minor units; a half away from zero."""
    return round_fraction(Fraction(minor, step)) * step


def _without_sign_of_currency(text: str, currency: str) -> str:
    """The text without the currency's own code or sign; Refused if it carries another's."""
    sign, body = ("", text)
    if text[:1] in ("-", "−", "–", "+"):
        sign, body = text[0], text[1:].lstrip()
    for mark in [*_CODES_BY_SIGN, *MINOR_DIGITS]:
        if body[: len(mark)].upper() == mark.upper():
            rest = body[len(mark) :]
        elif body[-len(mark) :].upper() == mark.upper():
            rest = body[: -len(mark)]
        else:
            continue
        if currency not in _CODES_BY_SIGN.get(mark, mark).split():
            raise Refused(f"{text[:40]!r} is not in {currency}; convert the amount to {currency} first.")
        return sign + rest.strip()
    return sign + body


def _western(number: str) -> str:
    """Digits of any script as 0-9, Arabic separators as point and comma."""
    return "".join(
        str(unicodedata.digit(sign))
        if sign.isdecimal()
        else {"\N{ARABIC DECIMAL SEPARATOR}": ".", "\N{ARABIC THOUSANDS SEPARATOR}": ","}.get(sign, sign)
        for sign in number
    )


def _split(number: str, places: int, shown: str, example: str, currency: str) -> tuple[str, str]:
    """Whole and decimal digits of a number whose separators may be either way round."""
    if _MIXED.fullmatch(number):
        mark = max(number.rfind("."), number.rfind(","))
        return re.sub(r"[.,]", "", number[:mark]), number[mark + 1 :]
    grouped = _GROUPED.fullmatch(number)
    separators = number.count(".") + number.count(",")
    if grouped and separators > 1:
        return re.sub(r"[.,]", "", number), ""
    if grouped and not number.startswith("0") and not (places == 3 and "." in number):
        if places == 0:
            return re.sub(r"[.,]", "", number), ""
        whole, part = re.split(r"[.,]", number)
        raise Refused(
            f"{shown} can be read as {whole}{part} or as {whole} and a part of one {currency}; write it like {example}."
        )
    if _PLAIN.fullmatch(number):
        whole, _, fraction = number.replace(",", ".").partition(".")
        return whole, fraction
    raise Refused(f"{shown} is no amount; write a number such as {example}.")
