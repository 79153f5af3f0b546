"""What a firing cost, told by the app that keeps the money: kiln work shows it and knows nothing of ledgers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from firings.models import Firing


@dataclass(frozen=True, slots=True)
class FiringMoney:
    """Amounts in minor units of the co-op's currency. ``state`` says how settled they are; ``shares`` by member."""

    state: str
    total_minor: int
    pools: tuple[tuple[str, int], ...]
    shares: tuple[tuple[str, int], ...] = ()

    def per_litre_minor(self, ml: int) -> int | None:
        """Rounded to the minor unit; None where nothing was in the kiln."""
        return round(self.total_minor * 1000 / ml) if ml > 0 else None


_TOLD: list[Callable[[Firing], FiringMoney | None]] = []


def told_by(function: Callable[[Firing], FiringMoney | None]) -> Callable[[Firing], FiringMoney | None]:
    """Register who tells; None is nothing to tell of this firing."""
    _TOLD.append(function)
    return function


def money_of(firing: Firing) -> FiringMoney | None:
    return next((money for tell in _TOLD if (money := tell(firing)) is not None), None)
