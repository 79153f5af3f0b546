"""An invented co-op for the demo, and an invented fire: nobody in it exists."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any


@dataclass(frozen=True, slots=True)
class Someone:
    """A person of the invented co-op: roles and sign-offs as in ``coop.models``."""

    name: str
    roles: tuple[str, ...] = ("member",)
    sign_offs: tuple[str, ...] = ("stoking",)
    mark: str = ""


COOP_NAME, COOP_SLUG = "Wrenfield Kiln Co-op", "wrenfield"
PEOPLE = (
    Someone("Odile Marrow", ("member", "coordinator"), ("stoking", "leading"), "OM in a ring"),
    Someone("Tamsin Vale", ("member", "lead"), ("stoking", "leading", "soda"), "three dots"),
    Someone("Ivo Lindqvist", ("member", "lead"), ("stoking", "leading", "soda", "splitter"), "IL"),
    Someone("Perpetua Oyelaran", ("member", "lead"), ("stoking", "leading"), "a spiral"),
    Someone("Casimir Brandt", ("member", "steward"), ("stoking", "leading", "splitter", "grinding"), "CB"),
    Someone("Noor Hakimi", ("member", "treasurer"), ("stoking",), "a small leaf"),
    Someone("Fenella Ashdown", ("member",), ("stoking", "grinding"), "FA"),
    Someone("Joaquín Beltrán", ("member",), ("stoking", "leading", "splitter"), "JB"),
    Someone("Mirela Popa", ("member",), ("stoking", "soda"), "two lines"),
    Someone("Dougal Petrie", ("member",), ("stoking", "splitter"), "DP"),
    Someone("Hana Sugimoto", ("member",), ("stoking", "leading"), "花"),
    Someone("Wiebke Janssen", ("member",), ("stoking", "grinding"), "WJ"),
    Someone("Tobias Rook", ("member",), ("stoking",), "a rook's foot"),
    Someone("Amaia Etxeberria", ("member",), ("stoking", "leading"), "AE"),
    Someone("Leopold Finch", ("member",), ("stoking",), "LF"),
    Someone("Sunniva Dahl", ("member",), ("stoking", "soda"), "a wave"),
    Someone("Cormac Healy", ("member",), ("stoking",), "CH"),
    Someone("Priya Raman", ("member",), (), "PR"),
    Someone("Bram de Wit", ("member",), (), "BW"),
    Someone("Ottilie Krantz", ("member",), (), "a key"),
)

HERON: dict[str, Any] = {
    "format": "kiln/1",
    "name": "Heron",
    "volume_ml": 1_600_000,
    "opening_c": 100,
    "least_rate_c_per_h": 20,
    "wood_kg_per_m3": 700,
    "zones": [
        {
            "id": "front",
            "name": "Front",
            "cone": "11",
            "soda": False,
            "boards_per_layer": 2,
            "board_mm": [610, 305],
            "chamber_height_mm": 1000,
            "shelf_thickness_mm": 20,
            "clearance_above_mm": 12,
            "wadding_mm": 6,
            "gap_mm": 8,
            "keepouts_mm": [[0, 0, 40, 40], [570, 0, 610, 40], [285, 265, 325, 305]],
            "posts": [{"height_mm": h, "count": n} for h, n in ((75, 48), (100, 48), (150, 48), (225, 24), (300, 18))],
            "posts_per_board": 3,
        },
        {
            "id": "back",
            "name": "Back",
            "cone": "9",
            "soda": False,
            "boards_per_layer": 2,
            "board_mm": [610, 305],
            "chamber_height_mm": 900,
            "shelf_thickness_mm": 20,
            "clearance_above_mm": 12,
            "wadding_mm": 6,
            "gap_mm": 8,
            "keepouts_mm": [[0, 0, 40, 40], [570, 0, 610, 40], [285, 265, 325, 305]],
            "posts": [{"height_mm": h, "count": n} for h, n in ((75, 48), (100, 48), (150, 48), (225, 24), (300, 18))],
            "posts_per_board": 3,
        },
    ],
    "hours": {"low": 22, "likely": 28, "high": 36},
    "load_hours": 24,
    "cool_hours": 84,
    "cleanup_hours": 60,
    "watch_hours": 6,
    "phases": [
        {"name": "light-up", "from_permille": 0, "to_permille": 200, "people": 2, "leads": 1},
        {"name": "climb", "from_permille": 200, "to_permille": 600, "people": 2, "leads": 1},
        {"name": "side-stoking", "from_permille": 600, "to_permille": 950, "people": 3, "leads": 1},
        {"name": "sealing", "from_permille": 950, "to_permille": 1000, "people": 3, "leads": 1},
    ],
    "checklist": [
        {"text": "Scrape and grind the boards, goggles and respirator on", "due_days": 3, "sign_off": "grinding"},
        {"text": "Wash the boards, two thin coats", "due_days": 5},
        {"text": "Carry out the ash when it is cold", "due_days": 2},
        {"text": "Sort the posts by height and count them", "due_days": 3},
        {"text": "Look over arch, bag wall and chimney; write down what is worn", "due_days": 4, "safety": True},
        {"text": "Stack what wood is left and cover it", "due_days": 4},
        {"text": "Sweep the shed with damp sawdust", "due_days": 5},
    ],
}
KITE: dict[str, Any] = {
    **HERON,
    "name": "Kite",
    "volume_ml": 700_000,
    "wood_kg_per_m3": 560,
    "zones": [
        {
            **HERON["zones"][0],
            "id": "chamber",
            "name": "Chamber",
            "cone": "10",
            "soda": True,
            "boards_per_layer": 2,
            "board_mm": [560, 280],
            "chamber_height_mm": 800,
            "gap_mm": 12,
            "keepouts_mm": [[0, 0, 40, 40], [520, 0, 560, 40], [260, 240, 300, 280]],
        }
    ],
    "hours": {"low": 12, "likely": 14, "high": 18},
    "load_hours": 12,
    "cool_hours": 48,
    "cleanup_hours": 36,
    "watch_hours": 4,
    "phases": [
        {"name": "light-up", "from_permille": 0, "to_permille": 250, "people": 2, "leads": 1},
        {"name": "climb", "from_permille": 250, "to_permille": 750, "people": 2, "leads": 1},
        {"name": "soda", "from_permille": 750, "to_permille": 950, "people": 3, "leads": 1},
        {"name": "sealing", "from_permille": 950, "to_permille": 1000, "people": 2, "leads": 1},
    ],
    "checklist": [
        {"text": "Chip and grind the boards, goggles and respirator on", "due_days": 2, "sign_off": "grinding"},
        {"text": "Wash the boards, two thin coats", "due_days": 4},
        {"text": "Rinse sprayer and soda gear", "due_days": 1},
        {"text": "Rake the firebox when it is cold", "due_days": 2},
        {"text": "Look over ports and spy holes; write down what is worn", "due_days": 3, "safety": True},
        {"text": "Sweep and close the shed", "due_days": 4},
    ],
}

# kind, name, stands cone, runs, price per unit in minor units, unit
MATERIALS = (
    ("body", "Moor stoneware", "11", False, 145, "kg"),
    ("body", "Grey wood-fire body", "12", False, 160, "kg"),
    ("body", "Quarry porcelain", "11", False, 290, "kg"),
    ("body", "Red earthenware", "03", False, 95, "kg"),
    ("glaze", "Rook black", "10", False, 620, "kg"),
    ("glaze", "Nettle ash", "10", True, 480, "kg"),
    ("glaze", "Milk shino", "10", False, 540, "kg"),
    ("soda", "Soda ash", "", False, 210, "kg"),
    ("wash", "Alumina and kaolin wash", "", False, 380, "kg"),
    ("wads", "Wad mix", "", False, 260, "kg"),
)
# what members bring: name, shape, sizes in mm (d or w, l), height
POTS: tuple[tuple[str, str, tuple[int, ...], int], ...] = (
    ("mug", "round", (88,), 105),
    ("tumbler", "round", (82,), 120),
    ("tea bowl", "round", (118,), 82),
    ("serving bowl", "round", (240,), 95),
    ("plate", "round", (225,), 38),
    ("teapot", "rect", (150, 215), 150),
    ("lidded jar", "round", (165,), 230),
    ("vase", "round", (130,), 320),
    ("baking dish", "rect", (190, 270), 75),
    ("yunomi", "round", (78,), 92),
    ("jug", "round", (135,), 210),
    ("slab platter", "rect", (165, 300), 42),
)


def bookings(names: list[str], *, seed: int, rows: tuple[int, int] = (2, 4)) -> Iterator[tuple[str, dict[str, Any]]]:
    """Who brings what: (member's name, the fields of one row of pieces)."""
    draw = random.Random(seed)  # noqa: S311 (demo data)
    for name in names:
        for importance in range(1, draw.randint(*rows) + 1):
            pot, shape, sizes, height = draw.choice(POTS)
            size = {"diameter_mm": sizes[0]} if shape == "round" else {"width_mm": sizes[0], "length_mm": sizes[1]}
            stretch = draw.uniform(0.9, 1.1)
            yield (
                name,
                {
                    "name": pot,
                    "count": draw.choice((1, 1, 2, 2, 3, 4)) if max(sizes) < 200 else 1,
                    "shape": shape,
                    **{key: round(value * stretch) for key, value in size.items()},
                    "height_mm": round(height * stretch),
                    "body": draw.choice(("Moor stoneware", "Grey wood-fire body", "Quarry porcelain")),
                    "glaze": draw.choice(("Rook black", "Milk shino", "")),
                    "importance": importance,
                },
            )


def fire(
    lit_at: datetime,
    *,
    hours: float,
    target_c: int,
    seed: int,
    until: datetime,
    with_soda: bool,
    cones: tuple[str, ...],
) -> Iterator[dict[str, Any]]:
    """An invented fire's log up to ``until``: readings of two probes, stokes, rounds, cones, soda; in order of time.

    The climb eases off towards the top and stands still for a while, as wood kilns do.
    """
    draw = random.Random(seed)  # noqa: S311 (demo data)
    entries: list[dict[str, Any]] = []
    step = timedelta(minutes=30)
    moments = int(hours * 2)
    stall = draw.randint(moments * 7 // 10, moments * 8 // 10)
    for number in range(moments + 1):
        at = lit_at + step * number
        share = min(number, stall) / moments if number < stall + 3 else (number - 2) / moments
        front = 15 + (target_c - 15) * min(1.0, share**0.78) + draw.uniform(-4, 4)
        entries.append(_reading(at, "front", front))
        entries.append(
            _reading(at + timedelta(minutes=4), "back", max(14.0, front - 55 + 35 * share + draw.uniform(-4, 4)))
        )
        if share > 0.1:
            stoke = {"port": "side" if share > 0.6 else "main", "pieces": draw.randint(3, 9)}
            entries.append({"kind": "stoke", "observed_at": at + timedelta(minutes=11), **stoke})
    round_at = lit_at + timedelta(hours=hours * 0.55)
    entries.append({"kind": "round", "observed_at": round_at, "phase": "start", "text": "flame at the spy, front"})
    entries.append({"kind": "round", "observed_at": round_at + timedelta(minutes=20), "phase": "stop"})
    entries.append({"kind": "damper", "observed_at": lit_at + timedelta(hours=hours * 0.3), "damper": "half in"})
    entries.append(
        {
            "kind": "note",
            "observed_at": lit_at + step * stall,
            "text": "Standing still: burning the embers down, smaller wood.",
        }
    )
    for place, cone in enumerate(cones):
        at = lit_at + timedelta(hours=hours * (0.82 + 0.17 * (place + 1) / len(cones)))
        entries.append({"kind": "cone", "observed_at": at, "pack": "front", "cone": cone, "cone_state": "down"})
    if with_soda:
        for charge in range(6):
            at = lit_at + timedelta(hours=hours * 0.86, minutes=13 * charge)
            entries.append({"kind": "soda", "observed_at": at, "port": "left" if charge % 2 else "right", "grams": 250})
    yield from sorted((e for e in entries if e["observed_at"] <= until), key=lambda e: e["observed_at"])


def cooling(ended_at: datetime, *, top_c: float, hours: int, until: datetime) -> Iterator[dict[str, Any]]:
    """Readings while the kiln cools towards 12 °C, one each six hours; below 100 °C after ``hours``."""
    for step in range(1, hours // 6 + 1):
        at = ended_at + timedelta(hours=6 * step)
        if at > until:
            return
        yield _reading(at, "front", 12 + (top_c - 12) * (80 / (top_c - 12)) ** (6 * step / hours))


def _reading(at: datetime, probe: str, celsius: float) -> dict[str, Any]:
    return {"kind": "reading", "observed_at": at, "probe": probe, "temperature_dc": round(celsius * 10)}
