"""Begins a loading from what is given: pots that stand in the kiln already, or an earlier plan."""

from __future__ import annotations

from collections import Counter, defaultdict

from coop.errors import Refused
from firings.load_plan import rules
from firings.load_plan.greedy import Loading, OpenLayer, Pot
from firings.load_plan.problem import LoadPlan, LoadRequest, Placed, PlannedLayer, ZoneSpec
from firings.load_plan.shelf import TENTHS, Shape, Shelf, Stand, blocks, region


def check_standing(request: LoadRequest, standing: LoadPlan) -> None:
    """Raise Refused where pots or zones of ``standing`` are not those of the request."""
    brought = {piece.id: piece for piece in request.pieces}
    for piece_id, times in Counter(one.id for layer in standing.layers for one in layer.placed).items():
        if piece_id not in brought:
            raise Refused(f"{piece_id} stands in the kiln, but nobody brings it; take it out or add it to the pieces.")
        if times > brought[piece_id].count:
            called, count = brought[piece_id].called, brought[piece_id].count
            raise Refused(
                f"{called} stands in the kiln {times} times, but only {count} are brought; correct the count."
            )
    for layer in standing.layers:
        zone = request.zone(layer.zone)
        if zone is None:
            raise Refused(f"Something stands in zone {layer.zone}, which the kiln does not have; correct the zone.")
        if len(layer.boards) > zone.boards_per_layer:
            raise Refused(
                f"{len(layer.boards)} boards stand side by side in zone {zone.id}, there is room for "
                f"{zone.boards_per_layer}; correct the layer."
            )


def begin_with_standing(loading: Loading, standing: LoadPlan) -> None:
    """Lay out the layers that stand, pot for pot at its place. What stands is not judged, only kept."""
    keys = _keys_by_piece(loading)
    topmost = {layer.zone: at for at, layer in enumerate(standing.layers)}
    stand: set[int] = set()
    for at, layer in enumerate(standing.layers):
        zone_at, zone = _zone(loading.request, layer)
        shelves = [Shelf.empty(zone, loading.meter) for _ in range(zone.boards_per_layer)]
        made = OpenLayer(zone_at, layer.height_mm, shelves, stands=True, shut=topmost[layer.zone] != at)
        for shelf, board in zip(shelves, layer.boards, strict=False):
            for one in board:
                pot = keys[one.id].pop(0)
                shelf.stands.append(_stand(one, pot))
                shelf.keys.append(pot.key)
                made.on_it.add(pot.key)
                made.used_mm2 += pot.grown_mm2[zone_at]
        stand |= made.on_it
        loading.layers.append(made)
        loading.stack[zone_at] += layer.height_mm + zone.shelf_thickness_mm
    loading.standing = frozenset(stand)
    loading.left -= stand


def begin_with_plan(loading: Loading, plan: LoadPlan) -> None:
    """Lay out what still can stand of an earlier plan, layer by layer; the rest is left to the search.

    Pots of a piece that was changed or is not brought any more, and pots that stand already, are passed over.
    """
    keys = _keys_by_piece(loading)
    passed = Counter(loading.pots[key].piece.id for key in loading.standing)
    skip = Counter(loading.request.zones[layer.zone].id for layer in loading.layers)
    for layer in plan.layers:
        if loading.request.zone(layer.zone) is None:
            continue
        if skip[layer.zone]:  # the earlier plan's lowest layers are those that stand by now
            skip[layer.zone] -= 1
            passed.subtract(one.id for one in layer.placed if passed[one.id] > 0)
            continue
        zone_at, zone = _zone(loading.request, layer)
        made = OpenLayer(zone_at, 0, [Shelf.empty(zone, loading.meter) for _ in range(zone.boards_per_layer)])
        for shelf, board in zip(made.shelves, layer.boards, strict=False):
            for one in board:
                if passed[one.id] > 0:
                    passed[one.id] -= 1
                    continue
                _put_back(loading, made, shelf, one, keys)
        if made.on_it and _is_allowed(loading, made, zone):
            loading.layers.append(made)
            loading.left -= made.on_it
            loading.stack[zone_at] += made.height + zone.shelf_thickness_mm
        else:
            for key in sorted(made.on_it):
                keys[loading.pots[key].piece.id].append(loading.pots[key])


def _keys_by_piece(loading: Loading) -> dict[str, list[Pot]]:
    keys: dict[str, list[Pot]] = defaultdict(list)
    for pot in loading.pots:
        if pot.key in loading.left:
            keys[pot.piece.id].append(pot)
    return keys


def _zone(request: LoadRequest, layer: PlannedLayer) -> tuple[int, ZoneSpec]:
    return next((at, zone) for at, zone in enumerate(request.zones) if zone.id == layer.zone)


def _stand(one: Placed, pot: Pot) -> Stand:
    along_x, along_y = pot.piece.footprint(one.turned)
    half = TENTHS // 2
    return Stand(
        round(one.x * TENTHS), round(one.y * TENTHS), Shape(pot.piece.is_round, along_x * half, along_y * half)
    )


def _put_back(loading: Loading, layer: OpenLayer, shelf: Shelf, one: Placed, keys: dict[str, list[Pot]]) -> None:
    waiting = keys.get(one.id)
    if not waiting or layer.zone not in waiting[0].zones:
        return
    pot, stand = waiting[0], _stand(one, waiting[0])
    inside = (
        stand.shape.half_x <= stand.x <= shelf.width - stand.shape.half_x
        and stand.shape.half_y <= stand.y <= shelf.length - stand.shape.half_y
    )
    if inside and not any(blocks(region(stand.shape, other, shelf.gap), stand.x, stand.y) for other in shelf.stands):
        waiting.pop(0)
        shelf.stands.append(stand)
        shelf.keys.append(pot.key)
        layer.on_it.add(pot.key)
        layer.used_mm2 += pot.grown_mm2[layer.zone]
        layer.height = max(layer.height, pot.clear[layer.zone])


def _is_allowed(loading: Loading, layer: OpenLayer, zone: ZoneSpec) -> bool:
    stack = loading.stack[layer.zone] + layer.height + zone.shelf_thickness_mm
    if stack > zone.height_mm and not loading.free_height:
        return False
    here = [other for other in loading.layers if other.zone == layer.zone]
    if not rules.posts_suffice(zone, [*(other.height for other in here), layer.height]):
        return False
    return loading.drips_allow_layer(layer)
