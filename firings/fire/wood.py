"""Wood for a firing: kilograms by kiln volume, heat by moisture, stacked cubic metres by species."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from coop.errors import Refused

M3_PER_CORD: Final = 3.624556  # 128 cubic feet of 0.028316846592 m3
EVAPORATION_MJ_PER_KG: Final = 2.443
Q_DRY_CONIFER: Final = 19.1
Q_DRY_BROADLEAF: Final = 18.9
REFERENCE_MOISTURE: Final = 0.20
SOLID_SHARE: Final = 0.65


@dataclass(frozen=True, slots=True)
class Species:
    """Basic density (oven-dry mass per solid m3, kg) and net calorific value when dry (MJ/kg)."""

    density_kg_m3: float
    q_dry_mj_kg: float


# Densities: Global Wood Density Database v.2 (Fischer et al. 2026), species means; dry heat values:
# EN 14961-1 Annex B typical values for coniferous and broadleaved wood (from memory of the standard).
SPECIES: Final[Mapping[str, Species]] = {
    "spruce": Species(361, Q_DRY_CONIFER),
    "pine": Species(438, Q_DRY_CONIFER),
    "fir": Species(432, Q_DRY_CONIFER),
    "larch": Species(484, Q_DRY_CONIFER),
    "douglas fir": Species(436, Q_DRY_CONIFER),
    "beech": Species(597, Q_DRY_BROADLEAF),
    "oak": Species(569, Q_DRY_BROADLEAF),
    "ash": Species(558, Q_DRY_BROADLEAF),
    "birch": Species(545, Q_DRY_BROADLEAF),
    "alder": Species(471, Q_DRY_BROADLEAF),
    "aspen": Species(452, Q_DRY_BROADLEAF),
    "willow": Species(382, Q_DRY_BROADLEAF),
    "hornbeam": Species(638, Q_DRY_BROADLEAF),
    "robinia": Species(606, Q_DRY_BROADLEAF),
    "sweet chestnut": Species(511, Q_DRY_BROADLEAF),
    "sycamore maple": Species(494, Q_DRY_BROADLEAF),
}


@dataclass(frozen=True, slots=True)
class Stack:
    """One stack: ``moisture`` is the water's share of the wet mass (0.2 = 20 %), ``stacked_m3`` with air."""

    species: str
    size_class: str
    moisture: float
    stacked_m3: float
    solid_share: float = SOLID_SHARE


@dataclass(frozen=True, slots=True)
class WoodPlan:
    """What a firing needs and what stands ready; kg are at 20 % moisture so that stacks compare by heat."""

    need_kg: float
    need_low_kg: float
    need_high_kg: float
    need_mj: float
    ready_kg: float
    short_kg: float
    short_stacked_m3: float
    stacks_kg: tuple[float, ...]
    by_size_class_kg: Mapping[str, float]
    work_hours: float
    warnings: tuple[str, ...]


def cords_to_m3(cords: float) -> float:
    """Stacked m3 (stere) of full cords (4 x 4 x 8 ft)."""
    return cords * M3_PER_CORD


def m3_to_cords(stacked_m3: float) -> float:
    """Full cords of stacked m3; one stere is one stacked m3."""
    return stacked_m3 / M3_PER_CORD


def net_heat_mj_per_kg(q_dry_mj_kg: float, moisture: float) -> float:
    """Net calorific value as received, q = q0 (1 - M) - 2.443 M (EN 14961-1 Annex D; M on wet mass).

    Raises Refused for a moisture outside 0 to 0.8.
    """
    if not 0 <= moisture <= 0.8:
        raise Refused("Moisture must be the water's share of the wet wood, from 0 to 0.8 (20 % is 0.2).")
    return q_dry_mj_kg * (1 - moisture) - EVAPORATION_MJ_PER_KG * moisture


def moisture_from_dry_basis(dry_basis: float) -> float:
    """Moisture on wet mass from the moisture on dry mass that US texts give: M = u / (1 + u)."""
    return dry_basis / (1 + dry_basis)


def species_named(name: str) -> Species:
    """Raises Refused with the names to pick from."""
    try:
        return SPECIES[name.strip().lower()]
    except KeyError:
        raise Refused(
            f"There is no wood “{name.strip()[:30]}” in the table; pick one of: {', '.join(sorted(SPECIES))}."
        ) from None


def dry_kg(species: Species, stacked_m3: float, solid_share: float = SOLID_SHARE) -> float:
    """Oven-dry mass of a stack: volume with air x solid share x basic density."""
    return stacked_m3 * solid_share * species.density_kg_m3


def heat_mj(stack: Stack) -> float:
    """Net heat of a stack as it stands."""
    wood = species_named(stack.species)
    as_received = dry_kg(wood, stack.stacked_m3, stack.solid_share) / (1 - stack.moisture)
    return as_received * net_heat_mj_per_kg(wood.q_dry_mj_kg, stack.moisture)


def plan(
    *,
    volume_m3: float,
    kg_per_m3: float,
    kg_per_m3_low: float | None = None,
    kg_per_m3_high: float | None = None,
    stacks: Sequence[Stack],
    size_class_share: Mapping[str, float] | None = None,
    buy_species: str = "pine",
    m3_per_work_hour: float = 0.5,
) -> WoodPlan:
    """Need by setting volume, set against the heat of the stacks; the rest becomes stacked m3 and hours.

    ``kg_per_m3`` is kg at 20 % moisture per m3 of setting volume. Without its own low and high the
    interval is a quarter either way: published firings scatter that much (546 to 714 kg/m3
    among four to cone 10).
    First form: one need for all size classes, split by ``size_class_share`` where given.
    """
    need = volume_m3 * kg_per_m3
    low = volume_m3 * (kg_per_m3_low if kg_per_m3_low is not None else kg_per_m3 * 0.75)
    high = volume_m3 * (kg_per_m3_high if kg_per_m3_high is not None else kg_per_m3 * 1.25)
    buy = species_named(buy_species)
    per_kg = net_heat_mj_per_kg(buy.q_dry_mj_kg, REFERENCE_MOISTURE)
    stacks_kg = tuple(max(0.0, heat_mj(stack)) / per_kg for stack in stacks)
    short = max(0.0, need - sum(stacks_kg))
    short_m3 = short * (1 - REFERENCE_MOISTURE) / (buy.density_kg_m3 * SOLID_SHARE)
    shares = size_class_share or {}
    by_class = {
        name: share * need - sum(kg for stack, kg in zip(stacks, stacks_kg, strict=True) if stack.size_class == name)
        for name, share in shares.items()
    }
    return WoodPlan(
        need_kg=need,
        need_low_kg=low,
        need_high_kg=high,
        need_mj=need * per_kg,
        ready_kg=sum(stacks_kg),
        short_kg=short,
        short_stacked_m3=short_m3,
        stacks_kg=stacks_kg,
        by_size_class_kg={name: max(0.0, kg) for name, kg in by_class.items()},
        work_hours=short_m3 / m3_per_work_hour,
        warnings=tuple(
            f"The {stack.species} in class “{stack.size_class}” is at {stack.moisture:.0%} moisture; "
            "it will fire poorly, so dry it below 25 %."
            for stack in stacks
            if stack.moisture > 0.25
        ),
    )


def hours_left(ready_kg: float, burnt_kg: float, hours_fired: float) -> float | None:
    """Hours the ready wood lasts at the present rate; None while nothing has been burnt."""
    if burnt_kg <= 0 or hours_fired <= 0:
        return None
    return max(0.0, ready_kg) / (burnt_kg / hours_fired)


@dataclass(frozen=True, slots=True)
class Need:
    """kg at 20 % moisture per m3 of setting volume: likely, and within 80 %; how many own firings it rests on."""

    low: float
    likely: float
    high: float
    firings: int


PRIOR_SPREAD: Final = 0.2  # published firings to cone 10: 546 to 714 kg/m3, mean 598, standard deviation 78 (13 %)
FIRING_SPREAD: Final = 0.12  # one kiln from firing to firing; common practice, no source
Z_80: Final = 1.2816


def learned(prior_kg_per_m3: float, own: Sequence[float]) -> Need:
    """The kiln's need from its sheet and its own firings (kg at 20 % moisture per m3), and the 80 % span of the next.

    Normal model with known spreads: precision-weighted mean; the next firing scatters by FIRING_SPREAD about it.
    Raises Refused unless the prior is above zero.
    """
    if prior_kg_per_m3 <= 0:
        raise Refused("Say how many kg of wood a cubic metre of this kiln takes, above zero.")
    spread, noise = PRIOR_SPREAD * prior_kg_per_m3, FIRING_SPREAD * prior_kg_per_m3
    precision = 1 / spread**2 + len(own) / noise**2
    mean = (prior_kg_per_m3 / spread**2 + sum(own) / noise**2) / precision
    margin = Z_80 * (1 / precision + noise**2) ** 0.5
    return Need(max(mean - margin, 0.0), mean, mean + margin, len(own))


@dataclass(frozen=True, slots=True)
class Lasting:
    """How long the wood lasts: kg left (at 20 % moisture), kg an hour, hours; ``based_on`` in words."""

    left_kg: float
    kg_per_h: float
    hours: float
    based_on: str


def lasting(
    *,
    ready_kg: float,
    taken_kg: float,
    pieces: int,
    late_pieces: int,
    late_h: float,
    kg_per_piece: float | None,
    hours_fired: float,
    planned_kg_per_h: float,
) -> Lasting:
    """Hours of wood left: by pieces stoked of late where earlier firings say what one weighs, else by wood taken off
    the stacks for this firing, else by the plan. What lies at the kiln and is not burnt yet counts as left.
    """
    if kg_per_piece is not None and late_pieces and late_h > 0:
        left = max(ready_kg + taken_kg - pieces * kg_per_piece, 0.0)
        rate = late_pieces * kg_per_piece / late_h
        words = f"pieces stoked in the last {late_h:.0f} h, {kg_per_piece:.1f} kg each by earlier firings of this kiln"
    elif taken_kg > 0 and hours_fired >= 1:
        left, rate = ready_kg, taken_kg / hours_fired
        words = "wood taken off the stacks for this firing, all of it taken as burnt"
    else:
        left, rate = max(ready_kg - planned_kg_per_h * hours_fired, 0.0), planned_kg_per_h
        words = "the kiln's usual need; nothing taken off the stacks is written down for this firing"
    return Lasting(left, rate, left / rate if rate > 0 else 0.0, words)
