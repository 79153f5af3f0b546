"""Seeded payment slips, and a second library that reads them back off their codes."""

from __future__ import annotations

import random
import string

import zxingcpp
from PIL import Image
from stdnum import iso7064

from billing.references import rf_reference
from billing.slips import Slip, code

QR = zxingcpp.BarcodeFormat.QRCode


def decoded(made: bytes) -> bytes:
    """What a second library (zxing-cpp) reads off the drawn code."""
    drawn = code(made)
    side = drawn.symbol_size(border=4)[0]
    signs = bytes(0 if dark else 255 for row in drawn.matrix_iter(border=4) for dark in row)
    image = Image.frombytes("L", (side, side), signs)
    found = zxingcpp.read_barcodes(image.resize((side * 3, side * 3), Image.Resampling.NEAREST), formats=QR)
    assert len(found) == 1
    return found[0].bytes


def seeded_slip(chance: random.Random) -> Slip:
    signs = string.ascii_letters + "  äöüßéèçñøåčłŽαβγЖд'-./&()" + string.digits
    name = ("K" + "".join(chance.choices(signs, k=chance.randint(0, 69)))).strip()
    bban = "".join(chance.choices(string.digits, k=18))
    iban = f"DE{iso7064.mod_97_10.calc_check_digits(bban + 'DE')}{bban}"
    text = ("P" + "".join(chance.choices(string.ascii_letters + " .", k=chance.randint(0, 130)))).strip()
    by_reference = chance.random() < 0.8
    return Slip(
        name=name,
        iban=iban,
        amount_minor=chance.choice([1, 10, 100, 99_999_999_999, chance.randint(1, 10**6)]),
        reference=rf_reference("".join(chance.choices(string.digits, k=chance.randint(1, 21)))) if by_reference else "",
        text="" if by_reference else text,
        bic=chance.choice(["", "BHBLDEHHXXX", "BHBLDEHH"]),
    )
