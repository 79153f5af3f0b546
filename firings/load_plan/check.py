"""Judges a load plan, computed or made by hand, against its request. Knows no planner."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from itertools import combinations
from math import hypot
from typing import Final

from firings.load_plan import rules
from firings.load_plan.problem import LoadPlan, LoadRequest, PieceSpec, Placed, PlannedLayer, ZoneSpec

TOLERANCE_MM: Final = 0.001

Pieces = Mapping[str, PieceSpec]


def faults(request: LoadRequest, plan: LoadPlan, *, free_height: bool = False) -> list[str]:
    """Every rule the plan breaks, in a loader's words; an empty list is fit to fire.

    With ``free_height`` a stack may be higher than its zone.
    """
    pieces = {piece.id: piece for piece in request.pieces}
    return [
        *_other_request(request, plan),
        *_counts(pieces, plan),
        *(fault for zone in request.zones for fault in _zone(zone, pieces, plan, free_height)),
        *_unknown_zones(request, plan),
        *_figures(request, plan),
    ]


def _other_request(request: LoadRequest, plan: LoadPlan) -> Iterator[str]:
    if plan.request != request.name:
        yield f"The plan was made for “{plan.request}”, not for “{request.name}”; plan anew."


def _counts(pieces: Pieces, plan: LoadPlan) -> Iterator[str]:
    placed = Counter(one.id for layer in plan.layers for one in layer.placed)
    left: Counter[str] = Counter()
    for left_out in plan.left_out:
        left[left_out.id] += left_out.count
    for piece_id in sorted(set(placed) | set(left)):
        if piece_id not in pieces:
            yield f"Nobody brings a piece {piece_id}; take it off the plan."
    for piece in pieces.values():
        stand, out = placed[piece.id], left[piece.id]
        if stand > piece.count:
            yield f"{piece.called} stands {stand} times on the plan, but only {piece.count} are brought."
        elif stand + out > piece.count:
            yield (
                f"{piece.called}: {stand} stand on the plan and {out} are named as left out, "
                f"but only {piece.count} are brought."
            )
        elif stand + out < piece.count:
            yield (
                f"{piece.called}: {piece.count - stand - out} of {piece.count} neither stand on the plan "
                "nor are named as left out."
            )


def _unknown_zones(request: LoadRequest, plan: LoadPlan) -> Iterator[str]:
    for number, layer in enumerate(plan.layers, 1):
        if request.zone(layer.zone) is None:
            yield f"Layer {number} of the plan is in zone {layer.zone}, which the kiln does not have."


def _zone(zone: ZoneSpec, pieces: Pieces, plan: LoadPlan, free_height: bool) -> Iterator[str]:
    layers = [layer for layer in plan.layers if layer.zone == zone.id]
    for number, layer in enumerate(layers, 1):
        where = f"Zone {zone.id}, layer {number}"
        yield from _layer_height(zone, layer, pieces, where)
        if len(layer.boards) > zone.boards_per_layer:
            yield f"{where}: {len(layer.boards)} boards are planned, there is room for {zone.boards_per_layer}."
        for board_number, board in enumerate(layer.boards, 1):
            known = [(one, pieces[one.id]) for one in board if one.id in pieces]
            yield from _board(zone, known, f"{where}, board {board_number}")
    yield from _carried(zone, layers)
    yield from _stack(zone, layers, free_height)
    yield from _posts(zone, layers)
    yield from _drips(zone, layers, pieces)


def _carried(zone: ZoneSpec, layers: list[PlannedLayer]) -> Iterator[str]:
    """A layer is boards, each standing on the posts of the board below it."""
    for number, layer in enumerate(layers, 1):
        if not layer.boards:
            yield f"Zone {zone.id}, layer {number} has no board; list its boards, the empty ones too."
        below = len(layers[number - 2].boards) if number > 1 else zone.boards_per_layer
        if 0 < below < len(layer.boards):
            yield (
                f"Zone {zone.id}, layer {number}: board {below + 1} has nothing to stand on, as layer {number - 1} "
                f"has {below} of {zone.boards_per_layer} boards; list its empty boards too."
            )


def _layer_height(zone: ZoneSpec, layer: PlannedLayer, pieces: Pieces, where: str) -> Iterator[str]:
    on_it = [pieces[one.id] for one in layer.placed if one.id in pieces]
    if on_it:
        tallest = max(on_it, key=lambda piece: piece.h)
        need = tallest.h + zone.wadding_mm + zone.clearance_above_mm
        if layer.height_mm < need:
            yield (
                f"{where}: {layer.height_mm} mm are too low for {tallest.called}; with wad and air it needs {need} mm."
            )
    heights = rules.makeable_heights(zone)
    if heights is not None and layer.height_mm not in heights:
        near = next((height for height in heights if height > layer.height_mm), None)
        mend = f"the next is {near} mm" if near else f"the highest is {max(heights, default=0)} mm"
        yield f"{where}: a layer of {layer.height_mm} mm cannot be made with what the zone has; {mend}."


def _board(zone: ZoneSpec, stands: list[tuple[Placed, PieceSpec]], where: str) -> Iterator[str]:
    for placed, piece in stands:
        yield from _place(zone, placed, piece, where)
    for (one, first), (other, second) in combinations(stands, 2):
        apart = _apart(_extent(one, first), first.is_round, _extent(other, second), second.is_round)
        if apart < zone.gap_mm - TOLERANCE_MM:
            yield f"{where}: {first.called} and {second.called} {_too_close(apart, zone.gap_mm)}."


def _place(zone: ZoneSpec, placed: Placed, piece: PieceSpec, where: str) -> Iterator[str]:
    extent = _extent(placed, piece)
    x, y, half_x, half_y = extent
    over = max(half_x - x, half_y - y, x + half_x - zone.board_w_mm, y + half_y - zone.board_l_mm)
    if over > TOLERANCE_MM:
        yield f"{where}: {piece.called} stands {over:.1f} mm over the board's edge."
    for x0, y0, x1, y1 in zone.keepouts:
        spot = ((x0 + x1) / 2, (y0 + y1) / 2, (x1 - x0) / 2, (y1 - y0) / 2)
        apart = _apart(extent, piece.is_round, spot, False)
        if apart < zone.gap_mm - TOLERANCE_MM:
            yield f"{where}: {piece.called} and the post at {x0}, {y0} {_too_close(apart, zone.gap_mm)}."
    if piece.zone not in (None, zone.id):
        yield f"{where}: {piece.called} is wanted in zone {piece.zone}."
    if not rules.stands_heat(piece, zone):
        yield f"{where}: {piece.called} stands cone {piece.cone}, but here it gets as hot as cone {zone.cone}."
    if piece.soda and not zone.soda:
        yield f"{where}: {piece.called} needs soda, but this is no soda zone."


def _too_close(apart: float, gap: int) -> str:
    if apart < -TOLERANCE_MM:
        return f"overlap by {-apart:.1f} mm; keep {gap} mm between them"
    return f"stand {max(apart, 0):.2f} mm apart; keep {gap} mm between them"


def _extent(placed: Placed, piece: PieceSpec) -> tuple[float, float, float, float]:
    along_x, along_y = piece.footprint(placed.turned)
    return placed.x, placed.y, along_x / 2, along_y / 2


def _apart(
    one: tuple[float, float, float, float], one_is_round: bool,
    other: tuple[float, float, float, float], other_is_round: bool,
) -> float:  # fmt: skip
    """Distance of two footprints: straight line where one is round, else the larger of the gaps along x and y."""
    away_x, away_y = abs(one[0] - other[0]), abs(one[1] - other[1])
    if one_is_round and other_is_round:
        return hypot(away_x, away_y) - one[2] - other[2]
    if not one_is_round and not other_is_round:
        return max(away_x - one[2] - other[2], away_y - one[3] - other[3])
    disc, rect = (one, other) if one_is_round else (other, one)
    dx, dy = away_x - rect[2], away_y - rect[3]
    to_centre = hypot(max(dx, 0), max(dy, 0)) if dx > 0 or dy > 0 else max(dx, dy)
    return to_centre - disc[2]


def _stack(zone: ZoneSpec, layers: list[PlannedLayer], free_height: bool) -> Iterator[str]:
    stack = sum(layer.height_mm + zone.shelf_thickness_mm for layer in layers)
    if stack > zone.height_mm and not free_height:
        yield (
            f"Zone {zone.id}: the stack is {stack} mm high, {stack - zone.height_mm} mm more "
            f"than the zone's {zone.height_mm} mm."
        )


def _posts(zone: ZoneSpec, layers: list[PlannedLayer]) -> Iterator[str]:
    heights = [layer.height_mm for layer in layers]
    makeable = rules.makeable_heights(zone)
    if makeable is not None and not set(heights) <= set(makeable):
        return  # said already, layer by layer
    if not rules.posts_suffice(zone, heights):
        have = ", ".join(f"{posts.count} of {posts.height_mm} mm" for posts in zone.posts)
        need = ", ".join(str(height) for height in heights)
        yield (
            f"Zone {zone.id}: the posts ({have}) do not carry layers of {need} mm; each layer needs "
            f"{zone.boards_per_layer * zone.posts_per_board} posts, or as many pairs of two."
        )


def _drips(zone: ZoneSpec, layers: list[PlannedLayer], pieces: Pieces) -> Iterator[str]:
    below: list[tuple[int, PieceSpec]] = []
    for number, layer in enumerate(layers, 1):
        here = list({one.id: pieces[one.id] for one in layer.placed if one.id in pieces}.values())
        for runny in (piece for piece in here if piece.runny):
            hurt = next(((at, piece) for at, piece in below if piece.fragile or piece.owner != runny.owner), None)
            if hurt:
                kind = "the fragile piece" if hurt[1].fragile else "another owner's piece"
                yield (
                    f"Zone {zone.id}: {runny.called} on layer {number} runs and stands above {kind} "
                    f"{hurt[1].called} on layer {hurt[0]}; put it lower or on a catching cookie."
                )
        below.extend((number, piece) for piece in here)


def _figures(request: LoadRequest, plan: LoadPlan) -> Iterator[str]:
    stacks = rules.stacks(request, plan)
    if plan.stack_mm and dict(plan.stack_mm) != dict(stacks) and not _same_only_zone(plan.stack_mm, stacks):
        yield f"The plan says its stack is {_said(plan.stack_mm)}, but its layers add up to {_said(stacks)}."
    for zone_id, bound in plan.lower_bound_mm.items():
        at = zone_id if len(request.zones) > 1 else request.zones[0].id
        if at in stacks and bound > stacks[at]:
            yield f"Zone {at}: the lower bound of {bound} mm is above the stack of {stacks[at]} mm; plan anew."
    yield from _bounds_in_all(plan, sum(stacks.values()))
    space = rules.space_by_owner(request, plan.layers)
    for owner in sorted({*space, *plan.space_ml}) if plan.space_ml else ():
        if space.get(owner, 0) != plan.space_ml.get(owner, 0):
            yield (
                f"{owner} is down for {plan.space_ml.get(owner, 0)} ml of space, "
                f"but the pieces as planned use {space.get(owner, 0)} ml."
            )


def _bounds_in_all(plan: LoadPlan, stack_mm: int) -> Iterator[str]:
    total = plan.lower_bound_total_mm
    if total is not None and total > stack_mm:
        yield f"The lower bound of {total} mm for all zones is above their stacks of {stack_mm} mm; plan anew."
    highest = max(total or 0, sum(plan.lower_bound_mm.values()))
    if plan.proven and highest < stack_mm:
        yield f"The plan calls itself proven, but its bound of {highest} mm is below its stack of {stack_mm} mm."


def _same_only_zone(said: Mapping[str, int], stacks: Mapping[str, int]) -> bool:
    return len(said) == len(stacks) == 1 and list(said.values()) == list(stacks.values())


def _said(by_zone: Mapping[str, int]) -> str:
    return ", ".join(f"{mm} mm in zone {zone}" for zone, mm in by_zone.items()) or "0 mm"
