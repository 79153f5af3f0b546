"""RF references are made and checked by ISO 11649; python-stdnum is the second opinion."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stdnum import iban, iso11649

from billing.references import rf_plain, rf_printed, rf_reference, rf_valid
from coop.errors import Refused

bases = st.from_regex(r"\A[0-9]{1,21}\Z").filter(str.isascii)


# ref money_checks.csv: rf-make/* (ISO 11649 examples of python-stdnum, SEPA sample, run forwards)
@pytest.mark.parametrize(
    ("base", "reference"),
    [
        ("539007547034", "RF18539007547034"),
        ("12345678", "RF2012345678"),
        ("5000056789012345", "RF485000056789012345"),
    ],
)
def test_published_numbers_get_their_published_reference(base, reference):
    assert rf_reference(base) == reference


# ref money_checks.csv: rf/* (ISO 11649 examples: python-stdnum docs, creditor-reference page, SEPA sample)
@pytest.mark.parametrize(
    ("reference", "valid"),
    [
        ("RF18 5390 0754 7034", True),
        ("RF17 5390 0754 7034", False),
        ("RF45 G72U UR", True),
        ("RF48 5000 0567 8901 2345", True),
        ("RF20 1234 5678", True),
        ("RF35 C4", False),
        ("", False),
        ("RF18", False),
        ("RF18 5390-0754-7034", False),
        ("RF1٨539007547034", False),
    ],
)
def test_a_reference_is_judged_by_its_check_digits(reference, valid):
    assert rf_valid(reference) is valid


@given(bases)
def test_every_reference_made_is_valid_for_both_checkers(base):
    made = rf_reference(base)
    assert rf_valid(made)
    assert iso11649.is_valid(made)
    assert rf_plain(rf_printed(made).lower()) == made


@given(bases, st.data())
def test_one_wrong_digit_or_two_swapped_are_always_noticed(base, data):
    made = rf_reference(base)
    place = data.draw(st.integers(4, len(made) - 1))
    wrong = data.draw(st.sampled_from([digit for digit in "0123456789" if digit != made[place]]))
    assert not rf_valid(made[:place] + wrong + made[place + 1 :])
    if place + 1 < len(made) and made[place] != made[place + 1]:
        assert not rf_valid(made[:place] + made[place + 1] + made[place] + made[place + 2 :])


@pytest.mark.parametrize("base", ["", "12a", "1" * 22, "12 34", "١٢", "-1", "1\n"])
def test_what_is_not_1_to_21_digits_gets_no_reference(base):
    with pytest.raises(Refused, match="use 1 to 21 digits"):
        rf_reference(base)


def test_a_reference_is_printed_in_fours():
    assert rf_printed("RF485000056789012345") == "RF48 5000 0567 8901 2345"


# ref money_checks.csv: iban/* (ISO 13616 example; Greek bank note; SWIFT registry samples; altered examples)
@pytest.mark.parametrize(
    ("number", "valid"),
    [
        ("GB82 WEST 1234 5698 7654 32", True),
        ("GR1601101250000000012300695", True),
        ("DE89370400440532013000", True),
        ("CH9300762011623852957", True),
        ("GB29NWBK60161331926819", True),
        ("AT611904300234573201", True),
        ("GB82WEST12345698765433", False),
        ("GB28WEST12345698765432", False),
    ],
)
def test_the_library_for_account_numbers_agrees_with_published_ones(number, valid):
    assert iban.is_valid(number) is valid
