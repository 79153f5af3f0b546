"""Bank files for tests: camt.053 in its versions written from what moved, CSV, and seeded payments of a co-op."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from datetime import date, timedelta
from xml.sax.saxutils import escape

from stdnum import iso7064

from billing import services
from billing.references import rf_printed
from coop import money
from tests.factories import NOW, make_coop, tess

IBAN = "DE71110220330123456789"
DAY = date(2026, 4, 20)


@dataclass(frozen=True)
class Moved:
    """One payment in a file; several with the same ``batch`` are one entry with parts."""

    amount: int
    name: str = ""
    reference: str = ""
    text: str = ""
    end_to_end: str = "NOTPROVIDED"
    iban: str = ""
    on: date = DAY
    batch: str = ""
    bank_reference: str = ""
    status: str = "BOOK"
    reversal: bool = False
    truth: str = field(default="", compare=False)  # whose it is


def set_account(coop=None, iban=IBAN):
    coop = coop or make_coop()
    return services.set_bank_account(coop, by=tess(coop), now=NOW, iban=iban, holder="Hollow Lane Kilns")


def camt(moved=(), *, opening=100_000, closing=None, version="001.08", iban=IBAN, currency="EUR", number="7"):
    """One statement; ``closing`` is what the movements lead to unless said."""
    booked = sum(one.amount for one in moved if one.status == "BOOK")
    closing = opening + booked if closing is None else closing
    entries, seen = [], set()
    for one in moved:
        if not one.batch:
            entries.append(_entry([one], version, currency))
        elif one.batch not in seen:
            seen.add(one.batch)
            entries.append(_entry([other for other in moved if other.batch == one.batch], version, currency))
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>\n<Document xmlns="urn:iso:std:iso:20022:tech:xsd:camt.053.{version}">'
        "<BkToCstmrStmt><GrpHdr><MsgId>M1</MsgId><CreDtTm>2026-04-21T06:00:00Z</CreDtTm></GrpHdr>"
        f"<Stmt><Id>{number}</Id><ElctrncSeqNb>{number}</ElctrncSeqNb><CreDtTm>2026-04-21T06:00:00Z</CreDtTm>"
        f"<Acct><Id><IBAN>{iban}</IBAN></Id><Ccy>{currency}</Ccy></Acct>"
        f"{_balance('OPBD', opening, currency)}{_balance('CLBD', closing, currency)}{''.join(entries)}"
        "</Stmt></BkToCstmrStmt></Document>"
    ).encode()


def _plain(minor, currency):
    return money.format_plain(abs(minor), currency)


def _sign(minor):
    return "CRDT" if minor >= 0 else "DBIT"


def _balance(kind, minor, currency):
    return (
        f"<Bal><Tp><CdOrPrtry><Cd>{kind}</Cd></CdOrPrtry></Tp><Amt Ccy='{currency}'>{_plain(minor, currency)}</Amt>"
        f"<CdtDbtInd>{_sign(minor)}</CdtDbtInd><Dt><Dt>2026-04-20</Dt></Dt></Bal>"
    )


def _entry(parts, version, currency):
    total, first, new = sum(one.amount for one in parts), parts[0], version >= "001.08"
    status = f"<Cd>{first.status}</Cd>" if new else first.status
    reversal = "<RvslInd>true</RvslInd>" if first.reversal else ""
    return (
        f"<Ntry><Amt Ccy='{currency}'>{_plain(total, currency)}</Amt><CdtDbtInd>{_sign(total)}</CdtDbtInd>{reversal}"
        f"<Sts>{status}</Sts><BookgDt><Dt>{first.on}</Dt></BookgDt><ValDt><Dt>{first.on}</Dt></ValDt>"
        f"<AcctSvcrRef>{first.bank_reference}</AcctSvcrRef>"
        f"<NtryDtls>{''.join(_part(one, version, currency) for one in parts)}</NtryDtls></Ntry>"
    )


def _part(one, version, currency):
    amount = f"<Amt Ccy='{currency}'>{_plain(one.amount, currency)}</Amt>"
    if version >= "001.04":
        amounts = f"{amount}<CdtDbtInd>{_sign(one.amount)}</CdtDbtInd>"
    else:
        amounts = f"<AmtDtls><TxAmt>{amount}</TxAmt></AmtDtls>"
    side = "Dbtr" if (one.amount > 0) != one.reversal else "Cdtr"
    name = f"<Nm>{escape(one.name)}</Nm>" if one.name else ""
    party = f"<Pty>{name}</Pty>" if version >= "001.08" else name
    account = f"<{side}Acct><Id><IBAN>{one.iban}</IBAN></Id></{side}Acct>" if one.iban else ""
    structured = f"<Strd><CdtrRefInf><Ref>{one.reference}</Ref></CdtrRefInf></Strd>" if one.reference else ""
    free = f"<Ustrd>{escape(one.text)}</Ustrd>" if one.text else ""
    return (
        f"<TxDtls><Refs><AcctSvcrRef>{one.bank_reference}</AcctSvcrRef><EndToEndId>{escape(one.end_to_end)}</EndToEndId>"
        f"</Refs>{amounts}<RltdPties><{side}>{party}</{side}>{account}</RltdPties>"
        f"<RmtInf>{free}{structured}</RmtInf></TxDtls>"
    )


def german_iban(chance: random.Random) -> str:
    bban = "".join(chance.choices("0123456789", k=18))
    return f"DE{iso7064.mod_97_10.calc_check_digits(bban + 'DE')}{bban}"


def seeded_payments(chance: random.Random, members, count: int) -> list[Moved]:
    """Payments as people make them. ``members`` gives name and references; ``truth`` is set where the reference is
    sound, empty where it is missing, damaged, somebody else's, or of two members."""
    made = []
    for _ in range(count):
        name, references = chance.choice(members)
        reference = chance.choice(references)
        paid_by = chance.choice([name, name.upper(), "Partner of somebody", " ".join(name.split()[::-1])])
        said = {
            "amount": chance.choice([1, 500, 1234, chance.randint(1, 90_000)]) * (1 if chance.random() < 0.97 else -1),
            "name": paid_by,
            "iban": german_iban(chance),
            "on": DAY - timedelta(days=chance.randrange(60)),
            "bank_reference": f"B{chance.randrange(10**9)}" if chance.random() < 0.5 else "",
        }
        how = chance.randrange(12)
        sound = {
            0: {"reference": reference},
            1: {"reference": rf_printed(reference)},
            2: {"end_to_end": reference},
            3: {"text": f"Firing {reference}, thanks"},
            4: {"text": f"ref {rf_printed(reference).lower()} spring firing"},
            5: {"text": f"{rf_printed(reference)}\nfor the wood"},
            6: {"reference": reference, "text": "2nd half"},
        }.get(how)
        unsound = {
            7: {"text": "kiln money"},
            8: {"reference": _damaged(chance, reference)},
            9: {"text": f"{reference}{chance.randrange(1000)}"},
            10: {"reference": f"RF18539007547034{chance.randrange(10)}"},
            11: {"text": " and ".join(chance.choice(other)[0:] for _, other in chance.sample(members, 2))},
        }.get(how)
        made.append(Moved(**said, **(sound or unsound), truth=name if sound else ""))
    return made


def _damaged(chance, reference):
    place = chance.randrange(4, len(reference))
    wrong = chance.choice([digit for digit in "0123456789" if digit != reference[place]])
    return reference[:place] + wrong + reference[place + 1 :]
