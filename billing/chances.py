"""Will a firing have enough pots, people and wood? And what levy builds the next kiln? Knows no framework."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import exp, lgamma, sqrt
from statistics import NormalDist
from typing import Final

from coop.errors import Malformed

# A member without history brings nine pots of ten; weighs as much as ten pots seen. Common practice, no source.
PRIOR_BROUGHT: Final = (9.0, 1.0)
# Nothing is known of how open places get filled until firings have shown it (Laplace's rule of succession).
PRIOR_FILLED: Final = (1.0, 1.0)
Z_80: Final = 1.2816  # half the width of an 80 % interval in standard deviations
GRID: Final = 200  # steps in which the fill of a kiln is reckoned


def beta_binomial(n: int, alpha: float, beta: float) -> list[float]:
    """The chance of 0 to ``n`` successes when each succeeds with a rate that is itself Beta(alpha, beta).

    C(n, k) B(k + alpha, n - k + beta) / B(alpha, beta) (Skellam 1948). ``alpha`` and ``beta`` above zero.
    """

    def log_beta(a: float, b: float) -> float:
        return lgamma(a) + lgamma(b) - lgamma(a + b)

    constant = lgamma(n + 1) - log_beta(alpha, beta)
    return [exp(constant - lgamma(k + 1) - lgamma(n - k + 1) + log_beta(k + alpha, n - k + beta)) for k in range(n + 1)]


@dataclass(frozen=True, slots=True)
class Booked:
    """What one member holds: litres of all, pots; and of pots booked before how many were brought."""

    litres: float
    pots: int
    past_booked: int = 0
    past_brought: int = 0


def fill_chances(booked: Iterable[Booked], capacity_l: float) -> list[float]:
    """The chance that 0, 1, ... GRID parts (of GRID) of the kiln are brought; members are independent.

    Each member's pots come by a beta-binomial of their own history. More than the kiln holds counts as full.
    """
    chances = [1.0] + [0.0] * GRID
    for one in booked:
        if one.pots < 1:
            continue
        alpha = PRIOR_BROUGHT[0] + one.past_brought
        beta = PRIOR_BROUGHT[1] + max(0, one.past_booked - one.past_brought)
        steps: list[float] = [0.0] * (GRID + 1)
        for pots, chance in enumerate(beta_binomial(one.pots, alpha, beta)):
            exact = min(float(GRID), one.litres * pots / one.pots / capacity_l * GRID)
            below = int(exact)
            part = exact - below  # between two steps the chance is split, so that the mean stays right
            steps[below] += chance * (1 - part)
            if part:
                steps[min(GRID, below + 1)] += chance * part
        filled = [0.0] * (GRID + 1)
        for at, chance in enumerate(chances):
            if chance:
                for more, step in enumerate(steps):
                    if step:
                        filled[min(GRID, at + more)] += chance * step
        chances = filled
    return chances


def at_least(chances: Sequence[float], part: float) -> float:
    """The chance that at least this part (0 to 1) of the kiln is filled."""
    return min(1.0, sum(chance for at, chance in enumerate(chances) if at >= part * GRID - 1e-9))


def crew_chance(open_places: int, past_filled: int, past_left_open: int) -> float:
    """The chance that every open place is still taken: beta-binomial from places of past firings."""
    alpha, beta = PRIOR_FILLED[0] + past_filled, PRIOR_FILLED[1] + past_left_open
    return beta_binomial(open_places, alpha, beta)[-1] if open_places else 1.0


def wood_chance(ready_kg: float, need_kg: float, low_kg: float, high_kg: float) -> float:
    """The chance that what stands ready is enough; need is normal, low to high its 80 % interval."""
    spread = (high_kg - low_kg) / (2 * Z_80)
    return NormalDist(need_kg, spread).cdf(ready_kg) if spread > 0 else float(ready_kg >= need_kg)


# --- The reserve ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Rebuild:
    """What the reserve is for. Money in minor units, the spread of each guess as half of an 80 % interval.

    ``firings`` are those left until the rebuild, each of so many ``litres``.
    """

    fund: int
    cost: float
    cost_margin: float
    firings: float
    firings_margin: float
    litres: float
    litres_margin: float


@dataclass(frozen=True, slots=True)
class Path:
    """What the fund holds after so many firings: as likely, and within 80 %."""

    firings: int
    low: float
    likely: float
    high: float

    @property
    def low_minor(self) -> int:
        return round(self.low)

    @property
    def likely_minor(self) -> int:
        return round(self.likely)

    @property
    def high_minor(self) -> int:
        return round(self.high)


def reserve_faults(plan: Rebuild) -> list[str]:
    """What makes no sense in a plan of the reserve, a sentence each."""
    faults = []
    if not plan.cost > 0:
        faults.append("Give what the rebuild and the boards will cost, above zero.")
    if not 1 <= plan.firings <= 1000:
        faults.append("Give the firings left as a number from 1 to 1000.")
    if not 0 < plan.litres <= 100_000:
        faults.append("Give the litres of a firing, above zero.")
    for name, margin, whole in (
        ("cost", plan.cost_margin, plan.cost),
        ("firings left", plan.firings_margin, plan.firings),
        ("litres", plan.litres_margin, plan.litres),
    ):
        if not 0 <= margin <= whole:
            faults.append(f"Give how far off the {name} may be, from zero to the {name} themselves.")
    return faults


def chance_to_reach(plan: Rebuild, levy: float) -> float:
    """The chance that the fund with ``levy`` (minor units a litre) covers the cost when the rebuild comes.

    Firings left are normal, rounded and at least one; litres and cost normal; all independent.
    """
    total = 0.0
    for count, weight in _firings_left(plan).items():
        mean = plan.fund + levy * count * plan.litres - plan.cost
        spread = sqrt(count * (levy * plan.litres_margin / Z_80) ** 2 + (plan.cost_margin / Z_80) ** 2)
        total += weight * (NormalDist(mean, spread).cdf(0) if spread else float(mean < 0))
    return 1 - total


def levy_for(plan: Rebuild, chance: float) -> float | None:
    """The least levy (minor units a litre) that covers the cost with this chance; None where no levy does.

    Raises Malformed for a plan that makes no sense.
    """
    if faults := reserve_faults(plan):
        raise Malformed(faults)
    if chance_to_reach(plan, 0) >= chance:
        return 0.0
    high = plan.cost / plan.litres * 2 + 1
    for _ in range(20):
        if chance_to_reach(plan, high) >= chance:
            break
        high *= 2
    else:
        return None
    low = 0.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if chance_to_reach(plan, middle) >= chance else (middle, high)
    return high


def path(plan: Rebuild, levy: float) -> list[Path]:
    """The fund from now to the likely rebuild, firing by firing."""
    found = []
    for count in range(min(round(plan.firings), 200) + 1):
        likely = plan.fund + levy * plan.litres * count
        margin = levy * plan.litres_margin * sqrt(count)
        found.append(Path(count, likely - margin, likely, likely + margin))
    return found


def _firings_left(plan: Rebuild) -> Mapping[int, float]:
    spread = plan.firings_margin / Z_80
    if not spread:
        return {max(1, round(plan.firings)): 1.0}
    normal = NormalDist(plan.firings, spread)
    most = max(1, round(plan.firings + 5 * spread))
    weights = {1: normal.cdf(1.5)}
    weights |= {count: normal.cdf(count + 0.5) - normal.cdf(count - 0.5) for count in range(2, most + 1)}
    whole = sum(weights.values())
    return {count: weight / whole for count, weight in weights.items()}
