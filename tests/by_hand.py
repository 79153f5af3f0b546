"""What a member with a pocket calculator makes of a sentence that a statement prints."""

import re
from fractions import Fraction

from coop import money

_NUMBER = r"-?[0-9]+(?:\.[0-9]+)?(?:\.\.\.)?"
_SUM = re.compile(rf"({_NUMBER}) [A-Z]{{3}} x ({_NUMBER})[^/]*/ ({_NUMBER})")
_TIMES = re.compile(rf", x ({_NUMBER}) \((?:factor|minimum and cap)\)")
_ROUNDED = re.compile(r", rounded (up|down) to ")
_LEAST = Fraction(1, 1000)  # of a minor unit: what digits cut off behind "..." may move


def number(text):
    return Fraction(text.removesuffix("..."))


def redone(sentence, currency):
    """The amount in minor units, from the figures in the sentence before its results."""
    if sentence.startswith("No share"):
        return 0
    bill, weight, whole = map(number, _SUM.search(sentence).groups())
    exact = bill * weight / whole * 10 ** money.digits(currency)
    for times in _TIMES.findall(sentence):
        exact *= number(times)
    nearest = money.round_fraction(exact)
    rounded = _ROUNDED.search(sentence)
    if rounded is None:
        assert abs(exact - nearest) < _LEAST, f"{sentence} is no whole amount, and nothing says how it was rounded"
        return nearest
    if abs(exact - nearest) < _LEAST:  # the digits cut off decide; the sentence shows which side they are on
        shown = re.findall(rf"= ({_NUMBER})", sentence)[-1]
        more = Fraction(1, 10**6) if shown.endswith("...") else Fraction(0)
        exact = number(shown) * 10 ** money.digits(currency) + (-more if shown.startswith("-") else more)
    return (-(-exact // 1)) if rounded[1] == "up" else exact // 1


def added(sentence, currency):
    """The total in minor units: the amounts a total's sentence lists, added up."""
    listed = re.split(rf" = | {currency}", sentence)[0].replace("- ", "+ -").split(" + ")
    return sum(int(number(text) * 10 ** money.digits(currency)) for text in listed)
