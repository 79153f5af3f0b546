"""Payment references by ISO 11649 (RF): made from a statement's number, checked, printed in fours."""

from __future__ import annotations

import re

from coop.errors import Refused

_BASE = re.compile(r"[0-9]{1,21}", re.ASCII)
_RF = re.compile(r"RF[0-9]{2}[0-9A-Z]{1,21}", re.ASCII)


def rf_reference(digits: str) -> str:
    """RF, then 98 minus (the 1 to 21 digits with RF00 behind them, modulo 97), then the digits. ISO 11649."""
    if not _BASE.fullmatch(digits):
        raise Refused(f"{digits[:30]!r} cannot become a payment reference; use 1 to 21 digits only.")
    return f"RF{98 - _mod97(digits + 'RF00'):02d}{digits}"


def rf_valid(text: str) -> bool:
    """Whether the text is an RF reference with right check digits; spaces and small letters do no harm."""
    plain = rf_plain(text)
    return bool(_RF.fullmatch(plain)) and _mod97(plain[4:] + plain[:4]) == 1


def rf_plain(text: str) -> str:
    """The reference as payment files carry it: capitals, no spaces."""
    return "".join(text.split()).upper()


def rf_printed(text: str) -> str:
    """The reference in groups of four, as it stands on paper."""
    plain = rf_plain(text)
    return " ".join(plain[start : start + 4] for start in range(0, len(plain), 4))


def _mod97(text: str) -> int:
    """Modulo 97 with A as 10 ... Z as 35 (ISO 7064, MOD 97-10)."""
    return int("".join(str(int(sign, 36)) for sign in text)) % 97
