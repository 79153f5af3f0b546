"""Rules shared by planner, checker and pages: who may stand where, layer heights, posts, litres."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache

from firings.fire import cones
from firings.load_plan.problem import LoadPlan, LoadRequest, PieceSpec, PlannedLayer, ZoneSpec

_PI_QUARTER = 785_398_163_397  # pi / 4 in units of 1e-12, so that litres are the same on every machine
_MOST_STATES = 100_000  # ways to deal out posts looked at before they count as too few


def stands_heat(piece: PieceSpec, zone: ZoneSpec) -> bool:
    """The piece's cone is at least the hottest cone of the zone; either unknown: nothing to compare."""
    return piece.cone is None or zone.cone is None or cones.stands(piece.cone, zone.cone)


def may_stand(piece: PieceSpec, zone: ZoneSpec) -> bool:
    """Zone wished, heat and soda, without regard to size."""
    return piece.zone in (None, zone.id) and stands_heat(piece, zone) and (zone.soda or not piece.soda)


def may_fit(piece: PieceSpec, zone: ZoneSpec) -> bool:
    """Not too large for an empty board without posts, nor for any height a layer can be made."""
    short, long = sorted(piece.footprint())
    width, length = sorted((zone.board_w_mm, zone.board_l_mm))
    return short <= width and long <= length and layer_height(zone, piece.h) is not None


def post_stacks(zone: ZoneSpec, height_mm: int) -> tuple[tuple[int, ...], ...]:
    """Posts of the zone's set that make the height, one alone or one on another, never three."""
    heights = sorted({posts.height_mm for posts in zone.posts if posts.count})
    one: list[tuple[int, ...]] = [(height,) for height in heights if height == height_mm]
    return (*one, *((low, height_mm - low) for low in heights if low <= height_mm - low in heights))


def makeable_heights(zone: ZoneSpec) -> tuple[int, ...] | None:
    """Clear heights a layer can have, rising; None where any height can be made."""
    if not zone.posts:
        return zone.layer_heights or None
    single = {posts.height_mm for posts in zone.posts if posts.count}
    made = single | {low + high for low in single for high in single}
    return tuple(sorted(made & set(zone.layer_heights) if zone.layer_heights else made))


def layer_height(zone: ZoneSpec, tallest_mm: int) -> int | None:
    """Clear height of a layer whose tallest piece is given: the next that can be made, None if none."""
    need, heights = zone.clear_height_mm(tallest_mm), makeable_heights(zone)
    return need if heights is None else next((height for height in heights if height >= need), None)


def posts_suffice(zone: ZoneSpec, heights_mm: Iterable[int]) -> bool:
    """Whether the zone's post set carries layers of these clear heights all at once."""
    if not zone.posts:
        return True
    return _carried(zone, tuple(sorted(heights_mm, reverse=True)))


@lru_cache(maxsize=20_000)
def _carried(zone: ZoneSpec, heights: tuple[int, ...]) -> bool:
    each = zone.boards_per_layer * zone.posts_per_board
    have: Counter[int] = Counter()
    for posts in zone.posts:
        have[posts.height_mm] += posts.count
    names = sorted(have)
    if len(heights) * each > sum(have.values()):
        return False
    waiting: list[tuple[int, tuple[int, ...]]] = [(0, tuple(have[name] for name in names))]
    seen: set[tuple[int, tuple[int, ...]]] = set()
    while waiting and len(seen) < _MOST_STATES:
        at, left = waiting.pop()
        if at == len(heights):
            return True
        for stack in reversed(post_stacks(zone, heights[at])):
            rest = list(left)
            for height in stack:
                rest[names.index(height)] -= each
            state = (at + 1, tuple(rest))
            if min(rest) >= 0 and state not in seen:
                seen.add(state)
                waiting.append(state)
    return False


def drips_are_caught(layers: Sequence[Sequence[PieceSpec]]) -> bool:
    """Whether layers of a zone (each by its pieces) can be ordered so that nothing runny hurts what is below.

    Below a layer with a runny piece stands no fragile piece and no other owner's piece. So one such layer goes to
    the floor; several only where all but the topmost of them are free of both.
    """
    runny = [pieces for pieces in layers if any(piece.runny for piece in pieces)]
    if len(runny) < 2:
        return True
    owners = {piece.owner for pieces in runny for piece in pieces if piece.runny}
    return len(owners) == 1 and sum(not _safe_below(pieces, owners) for pieces in runny) < 2


def floor_first(pieces: Sequence[PieceSpec], owners: set[str]) -> int:
    """Sort key of a layer, from the floor up: harmless runny layers, the other runny one, all others."""
    if not any(piece.runny for piece in pieces):
        return 2
    return 0 if _safe_below(pieces, owners) else 1


def _safe_below(pieces: Sequence[PieceSpec], owners: set[str]) -> bool:
    return all(piece.owner in owners and not piece.fragile for piece in pieces)


def pot_space_ml(piece: PieceSpec, gap_mm: int, layer_height_mm: int) -> int:
    """Space one pot uses: footprint with its gap x clear height of its layer, ml, rounded half up per pot.

    Footprint with gap: pi/4 (d + gap)^2 or (w + gap)(l + gap). Rounding pot by pot keeps all sums exact.
    """
    return _ml(piece, gap_mm, layer_height_mm, 1, 1)


def asked_space_ml(piece: PieceSpec, zone: ZoneSpec, stacking_permille: int = 1150) -> int:
    """Space asked for all ``count`` pots before a plan exists, ml.

    Footprint with gap x (h + wad + air + board) x the kiln's measured stacking factor; rounded half up per pot.
    """
    height = zone.clear_height_mm(piece.h) + zone.shelf_thickness_mm
    return piece.count * _ml(piece, zone.gap_mm, height, stacking_permille, 1000)


def _ml(piece: PieceSpec, gap: int, height: int, factor: int, per: int) -> int:
    if piece.is_round:
        volume, unit = _PI_QUARTER * (piece.d + gap) ** 2 * height * factor, 1000 * 10**12 * per
    else:
        volume, unit = (piece.w + gap) * (piece.l + gap) * height * factor, 1000 * per
    return (2 * volume + unit) // (2 * unit)


def space_by_owner_and_zone(request: LoadRequest, layers: Iterable[PlannedLayer]) -> dict[str, dict[str, int]]:
    """Space used in ml by owner and zone id, as planned; layers of unknown zones and unknown pieces count nothing."""
    pieces = {piece.id: piece for piece in request.pieces}
    used: dict[str, dict[str, int]] = {}
    for layer in layers:
        zone = request.zone(layer.zone)
        for placed in layer.placed if zone else ():
            if zone and (piece := pieces.get(placed.id)):
                of_owner = used.setdefault(piece.owner, {})
                of_owner[zone.id] = of_owner.get(zone.id, 0) + pot_space_ml(piece, zone.gap_mm, layer.height_mm)
    return used


def space_by_owner(request: LoadRequest, layers: Iterable[PlannedLayer]) -> dict[str, int]:
    """Space used in ml by owner."""
    used = space_by_owner_and_zone(request, layers)
    return {owner: sum(by_zone.values()) for owner, by_zone in sorted(used.items())}


def stacks(request: LoadRequest, plan: LoadPlan) -> Mapping[str, int]:
    """Height of each zone's stack, mm: sum of clear height + board over its layers."""
    return {
        zone.id: sum(layer.height_mm + zone.shelf_thickness_mm for layer in plan.layers if layer.zone == zone.id)
        for zone in request.zones
    }
