"""Wood chores from the wood plan's first form: what is missing in the stack becomes hours of work."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from math import ceil, isfinite
from types import MappingProxyType

from coop.errors import Malformed

Amount = int | float | Decimal | Fraction

# How the work on one stacked cubic metre divides, as a first guess; a co-op that measures gives its own.
USUAL_PARTS: Mapping[str, int] = MappingProxyType({"cut": 300, "split": 350, "stack": 200, "haul": 150})
SIGN_OFFS: Mapping[str, str] = MappingProxyType({"split": "wood splitter"})


@dataclass(frozen=True, slots=True)
class ChoreDemand:
    """Wood work to be done: ``person_minutes`` over a crew of at least ``crew``, each with ``sign_off``."""

    work: str
    person_minutes: int
    crew: int
    sign_off: str | None
    stacked_m3: Fraction

    @property
    def elapsed_minutes(self) -> int:
        """How long the smallest crew takes."""
        return ceil(Fraction(self.person_minutes, self.crew))


def wood_chores(
    need_m3: Amount,
    stacked_m3: Amount,
    m3_per_hour: Amount,
    *,
    party: int = 2,
    parts_per_mille: Mapping[str, int] = USUAL_PARTS,
) -> list[ChoreDemand]:
    """Cutting, splitting, stacking and hauling for the shortfall of stacked wood; nothing if enough is there.

    ``m3_per_hour`` is the co-op's measured rate, stacked cubic metres per person-hour over all four kinds
    of work; ``parts_per_mille`` divides that hour among them. The person-minutes together are the
    shortfall over the rate, rounded up per kind. Never fewer than two people. Raises Malformed.
    """
    faults = []
    if not (_finite(need_m3) and _finite(stacked_m3) and _finite(m3_per_hour)):
        raise Malformed(["Wood needed, wood stacked and the rate must be numbers; correct them."])
    if need_m3 < 0 or stacked_m3 < 0:
        faults.append("Wood needed and wood stacked cannot be below zero; correct them.")
    if m3_per_hour <= 0:
        faults.append("The rate must be above zero cubic metres an hour; give what the co-op measured.")
    if party < 2:
        faults.append(f"A wood crew of {party} is too small; nobody works alone with saw or splitter.")
    if sum(parts_per_mille.values()) != 1000 or any(part < 0 for part in parts_per_mille.values()):
        faults.append("The parts of wood work must add up to 1000 per mille, none below zero; correct them.")
    if faults:
        raise Malformed(faults)
    shortfall = Fraction(need_m3) - Fraction(stacked_m3)
    if shortfall <= 0:
        return []
    minutes = shortfall / Fraction(m3_per_hour) * 60
    return [
        ChoreDemand(work, ceil(minutes * part / 1000), party, SIGN_OFFS.get(work), shortfall)
        for work, part in parts_per_mille.items()
        if part
    ]


def _finite(amount: Amount) -> bool:
    return isfinite(amount)
