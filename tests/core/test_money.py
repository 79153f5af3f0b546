"""Amounts as people write them become minor units, and back."""

from fractions import Fraction

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from coop import money
from coop.errors import Refused

amounts = st.integers(-money.MAX_MINOR, money.MAX_MINOR)
currencies = st.sampled_from(["JPY", "EUR", "KWD", "ISK", "CHF", "BHD", "IQD"])


# ref money_checks.csv: minor-units/* (ISO 4217 list one, 1 January 2026)
@pytest.mark.parametrize(
    ("currency", "digits"),
    [
        ("EUR", 2),
        ("CHF", 2),
        ("GBP", 2),
        ("JPY", 0),
        ("KWD", 3),
        ("HUF", 2),
        ("KRW", 0),
        ("USD", 2),
        ("ISK", 0),
        ("BHD", 3),
    ],
)
def test_a_currency_has_the_digits_of_the_standard(currency, digits):
    assert money.digits(currency) == digits


@pytest.mark.parametrize(
    ("text", "currency", "minor"),
    [
        ("1.234,56", "EUR", 123456),
        ("1,234.56", "EUR", 123456),
        ("1.234.567", "EUR", 123456700),
        ("1,234,567.8", "USD", 123456780),
        ("12,5", "EUR", 1250),
        ("-3.00", "EUR", -300),
        ("−3,00 €", "EUR", -300),
        ("-€5.20", "EUR", -520),
        ("€ 5", "EUR", 500),
        ("5 EUR", "EUR", 500),
        ("eur 5", "EUR", 500),
        ("1'234.50", "CHF", 123450),
        ("Fr. 12.05", "CHF", 1205),
        ("1 234,56", "EUR", 123456),
        ("1\N{NARROW NO-BREAK SPACE}234,56", "EUR", 123456),
        ("+.5", "EUR", 50),
        ("0.01", "EUR", 1),
        ("1,234", "JPY", 1234),
        ("1.234", "KWD", 1234),
        ("0,123", "KWD", 123),
        ("12500", "HUF", 1250000),
        ("٣٫٥", "EUR", 350),
        ("92233720368547758.07", "EUR", 2**63 - 1),
    ],
)
def test_an_amount_is_read_as_people_write_it(text, currency, minor):
    assert money.parse(text, currency) == minor


@pytest.mark.parametrize(
    ("text", "currency", "says"),
    [
        ("", "EUR", "missing; write a number such as 1234.50"),
        ("  ", "EUR", "missing"),
        ("€", "EUR", "missing"),
        ("NaN", "EUR", "no amount; write"),
        ("Infinity", "EUR", "no amount"),
        ("1e3", "EUR", "no amount"),
        ("=1+1", "EUR", "no amount"),
        ("--5", "EUR", "no amount"),
        ("5.", "EUR", "no amount"),
        ("1.2.3", "EUR", "no amount"),
        ("1,2345.6", "EUR", "no amount"),
        ("12½", "EUR", "no amount"),
        ("0.123", "EUR", "EUR has 2 decimals"),
        ("1234.567", "EUR", "EUR has 2 decimals"),
        ("1.5", "JPY", "JPY has no decimals"),
        ("1.2345", "KWD", "KWD has 3 decimals"),
        ("12.345", "EUR", "can be read as 12345 or as 12"),
        ("1,234", "KWD", "can be read as 1234"),
        ("9" * 30, "EUR", "too large"),
        ("9" * 5000, "EUR", "too large"),
        ("92233720368547758.08", "EUR", "too large"),
        ("5 USD", "EUR", "not in EUR; convert"),
        ("$5", "EUR", "not in EUR"),
        ("5", "XXX", "three-letter code such as EUR"),
    ],
)
def test_what_is_no_clear_amount_is_refused_with_a_way_out(text, currency, says):
    with pytest.raises(Refused, match=says):
        money.parse(text, currency)


@given(amounts, currencies)
@example(-5, "EUR")
@example(1234567, "KWD")
def test_a_plain_amount_reads_back_as_itself(minor, currency):
    assert money.parse(money.format_plain(minor, currency), currency) == minor


@given(st.text(max_size=30), currencies)
def test_any_text_is_an_amount_or_a_sentence(text, currency):
    try:
        outcome = money.parse(text, currency)
    except Refused as refused:
        outcome = str(refused)
    assert outcome.endswith(".") if isinstance(outcome, str) else abs(outcome) <= money.MAX_MINOR


@pytest.mark.parametrize(
    ("locale", "currency", "written"),
    [
        ("de", "EUR", "-1.234,56 €"),
        ("en-GB", "EUR", "-€1,234.56"),
        ("de-CH", "CHF", "CHF-1’234.56"),
        ("de", "JPY", "-123.456 ¥"),
        ("en", "KWD", "-KWD123.456"),
        ("en", "IQD", "-IQD123.456"),
        ("xx", "EUR", "-€1,234.56"),
    ],
)
def test_a_locale_writes_its_own_marks_and_the_currency_keeps_its_digits(locale, currency, written):
    assert money.format_local(-123456, currency, locale).replace("\xa0", " ") == written


# ref money_checks.csv: round/* (encyclopedia article on rounding; two-column rounding table)
@pytest.mark.parametrize(
    ("value", "mode", "expected"),
    [
        ("23.5", "half-even", 24),
        ("24.5", "half-even", 24),
        ("-24.5", "half-even", -24),
        ("-0.5", "half-away", -1),
        ("-0.5", "half-even", 0),
        ("1.5", "half-away", 2),
        ("1.5", "half-even", 2),
        ("0.5", "half-away", 1),
        ("0.5", "half-even", 0),
        ("2.5", "half-away", 3),
        ("2.5", "half-even", 2),
        # ref money_checks.csv: euro/24.784 and 24.785, in cents (EC 1103/97 article 5)
        ("2478.4", "half-away", 2478),
        ("2478.5", "half-away", 2479),
    ],
)
def test_a_half_goes_where_its_rule_says(value, mode, expected):
    assert money.round_fraction(Fraction(value), mode) == expected


def test_500_tolars_are_2_euro_09():
    # ref money_checks.csv: euro/500-SIT (Bank of Slovenia changeover rules), rate 239.640
    assert money.round_fraction(Fraction(500_00) / Fraction("239.640")) == 209


@given(st.fractions(), st.sampled_from(["half-away", "half-even"]))
def test_rounding_never_moves_by_more_than_a_half(value, mode):
    assert abs(money.round_fraction(value, mode) - value) <= Fraction(1, 2)
