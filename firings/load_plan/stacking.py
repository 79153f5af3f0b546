"""The stacking factor of a zone: how much more of it a load really takes than its pots ask for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

PLANS_NEEDED: Final = 3
ASSUMED_PERMILLE: Final = 1150  # until then
LEAST_PERMILLE: Final = 1000
MOST_PERMILLE: Final = 2500  # beyond that a zone was loaded half empty, which says nothing of how pots pack


@dataclass(frozen=True, slots=True)
class LayerUse:
    """One loaded layer, ml: what it takes of its zone (boards x (clear height + board)), what its pots ask for
    (footprint with gap x (height + wad + air + board), without a stacking factor)."""

    takes_ml: int
    asked_ml: int


def stacking_permille(plans: Sequence[Sequence[LayerUse]]) -> int | None:
    """Thousandths of what pots asked that the layers took, over all the plans; None until three plans tell.

    The emptiest layer of a plan does not count, as what was left over stands there; so a plan of one layer tells
    nothing.
    """
    told = [kept for plan in plans if (kept := _without_the_emptiest(plan))]
    if len(told) < PLANS_NEEDED:
        return None
    takes = sum(layer.takes_ml for plan in told for layer in plan)
    asked = sum(layer.asked_ml for plan in told for layer in plan)
    return min(max((2000 * takes + asked) // (2 * asked), LEAST_PERMILLE), MOST_PERMILLE)


def _without_the_emptiest(plan: Sequence[LayerUse]) -> list[LayerUse]:
    full = sorted((layer for layer in plan if layer.asked_ml and layer.takes_ml), key=_fill)
    return full[1:]


def _fill(layer: LayerUse) -> float:
    return layer.asked_ml / layer.takes_ml
