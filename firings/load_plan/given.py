"""Begins a load from what is given: pots that stand in the kiln already, or an earlier plan."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from coop.errors import Refused
from firings.load_plan import kernel, rules
from firings.load_plan.problem import LoadPlan, LoadRequest, Placed, PlannedLayer
from firings.load_plan.search import TENTHS, Search

_OPEN, _SHUT = 1, 2  # standing layers that others may join, or not


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


def count_standing(standing: LoadPlan | None) -> Counter[str]:
    return Counter(one.id for layer in standing.layers for one in layer.placed) if standing else Counter()


class Given:
    """Lays pots out on a search's load. ``kind_of``: number of the kind by piece id."""

    def __init__(self, search: Search, kind_of: Mapping[str, int]) -> None:
        self.search, self.task, self.load, self.kind_of = search, search.task, search.best, kind_of
        self.zones = {zone.id: z for z, zone in enumerate(search.request.zones)}
        self.layers = 0

    def stand(self, standing: LoadPlan) -> None:
        """Lay out the layers that stand, pot for pot at its place. What stands is not judged, only kept."""
        topmost = {layer.zone: at for at, layer in enumerate(standing.layers)}
        for at, layer in enumerate(standing.layers):
            slot, z = self._open(layer)
            self.load.layers[slot, kernel.HEIGHT] = layer.height_mm
            self.load.layers[slot, kernel.FIXED] = _OPEN if topmost[layer.zone] == at else _SHUT
            for board, pots in enumerate(layer.boards):
                for one in pots:
                    self._put(slot, board, one, stays=True)
            self.load.stack[z] += layer.height_mm + self.search.request.zones[z].shelf_thickness_mm

    def plan(self, plan: LoadPlan, standing: Mapping[str, int]) -> None:
        """Lay out what still can stand of an earlier plan, layer by layer; the rest is left to the search.

        The earlier plan's lowest layers are those that stand by now: what of them does not stand yet is put back
        beside. Pots of a piece that was changed or is not brought any more are passed over.
        """
        here = Counter(standing)
        slots: dict[str, list[int]] = {}
        for slot in range(self.layers):
            slots.setdefault(self.search.request.zones[self.load.layers[slot, kernel.ZONE]].id, []).append(slot)
        for layer in plan.layers:
            if layer.zone not in self.zones:
                continue
            if slots.get(layer.zone):
                slot = slots[layer.zone].pop(0)
                joins = self.load.layers[slot, kernel.FIXED] == _OPEN
                self._put_back(layer, slot, here, most=self.load.layers[slot, kernel.HEIGHT] if joins else -1)
                continue
            if self.layers == self.search.slots:
                break
            slot, z = self._open(layer)
            self._put_back(layer, slot, here, most=None)
            self._close(slot, z)

    def _open(self, layer: PlannedLayer) -> tuple[int, int]:
        slot, z = self.layers, self.zones[layer.zone]
        self.layers += 1
        self.load.layers[slot] = z, 0, 0, 0, -1, -1
        self.load.boards[slot] = 0, 0, kernel.NO_SHAPE, kernel.NO_SHAPE, kernel.NO_SHAPE
        return slot, z

    def _put(self, slot: int, board: int, one: Placed, *, stays: bool) -> None:
        t, z = self.kind_of[one.id], self.load.layers[slot, kernel.ZONE]
        n = self.load.boards[slot, board, kernel.COUNT]
        self.load.pots[slot, board, n] = t, round(one.x * TENTHS), round(one.y * TENTHS), one.turned, stays
        self.load.boards[slot, board, kernel.COUNT] += 1
        self.load.boards[slot, board, kernel.BOARD_USED] += self.task.at[t, z, kernel.AREA]
        self.load.layers[slot, kernel.USED] += self.task.at[t, z, kernel.AREA]
        kernel.mark_drips(self.task, self.load, slot, t)

    def _put_back(self, layer: PlannedLayer, slot: int, here: Counter[str], most: int | None) -> None:
        """Pots of an earlier layer; ``most`` is the height of the standing layer they join (None: not standing)."""
        z = self.load.layers[slot, kernel.ZONE]
        for board, pots in enumerate(layer.boards[: self.search.request.zones[z].boards_per_layer]):
            for one in pots:
                t = self.kind_of.get(one.id)
                if t is None:
                    continue
                if here[one.id] > 0:  # it stands already
                    here[one.id] -= 1
                    continue
                clear = int(self.task.at[t, z, kernel.CLEAR])
                if clear < 0 or not self.load.left[t] or (most is not None and clear > most):
                    continue
                if not self._is_free(slot, board, t, one):
                    continue
                if most is not None and self.task.runs and not kernel.drips_allow(self.task, self.load, z, slot, t):
                    continue
                self._put(slot, board, one, stays=False)
                self.load.left[t] -= 1
                if most is None:
                    height = max(int(self.load.layers[slot, kernel.HEIGHT]), clear)
                    self.load.layers[slot, kernel.HEIGHT] = height

    def _is_free(self, slot: int, board: int, t: int, one: Placed) -> bool:
        """Whether the pot can stand at exactly this place. In whole tenths of a mm, so without any doubt."""
        z = self.load.layers[slot, kernel.ZONE]
        count = int(self.load.boards[slot, board, kernel.COUNT])
        if count == self.load.pots.shape[2]:
            return False
        x, y = round(one.x * TENTHS), round(one.y * TENTHS)
        hx, hy = self._half(t, one.turned)
        width, length, gap = (int(self.task.zones[z, column]) for column in (kernel.WIDTH, kernel.LENGTH, kernel.GAP))
        if not (hx <= x <= width - hx and hy <= y <= length - hy):
            return False
        is_round = bool(self.task.kinds[t, kernel.ROUND])
        for ox, oy, ohx, ohy in self.task.spots[z, : self.task.zones[z, kernel.SPOTS]].tolist():
            if _too_near(abs(x - ox), abs(y - oy), (hx, hy), is_round, (ohx, ohy), False, gap):
                return False
        for u, ox, oy, turned, _ in self.load.pots[slot, board, :count].tolist():
            other_round = bool(self.task.kinds[u, kernel.ROUND])
            if _too_near(abs(x - ox), abs(y - oy), (hx, hy), is_round, self._half(u, turned), other_round, gap):
                return False
        return True

    def _half(self, t: int, turned: bool) -> tuple[int, int]:
        hx, hy = int(self.task.kinds[t, kernel.HALF_X]), int(self.task.kinds[t, kernel.HALF_Y])
        return (hy, hx) if turned else (hx, hy)

    def _close(self, slot: int, z: int) -> None:
        """Keep the layer if the zone's height, its posts and what runs allow it; else its pots wait again."""
        zone = self.search.request.zones[z]
        height = int(self.load.layers[slot, kernel.HEIGHT])
        stack = int(self.load.stack[z]) + height + zone.shelf_thickness_mm
        others = [int(self.load.layers[n, kernel.HEIGHT]) for n in range(slot) if self.load.layers[n, kernel.ZONE] == z]
        kinds = self.load.pots[slot, :, :, kernel.KIND]
        there = [int(t) for b, n in enumerate(self.load.boards[slot, :, kernel.COUNT]) for t in kinds[b, :n]]
        allowed = (
            bool(there)
            and (self.search.free_height or stack <= zone.height_mm)
            and rules.posts_suffice(zone, [*others, height])
            and (not self.task.runs or kernel.drips_allow(self.task, self.load, z, slot, there[0]))
        )
        if allowed:
            self.load.stack[z] = stack
            return
        for t in there:
            self.load.left[t] += 1
        self.load.layers[slot, kernel.ZONE] = -1
        self.layers -= 1


def _too_near(
    dx: int, dy: int, one: tuple[int, int], one_round: bool, other: tuple[int, int], other_round: bool, gap: int
) -> bool:
    if one_round and other_round:
        return dx * dx + dy * dy < (one[0] + other[0] + gap) ** 2
    if not one_round and not other_round:
        return dx < one[0] + other[0] + gap and dy < one[1] + other[1] + gap
    radius, half = (one[0], other) if one_round else (other[0], one)
    over_x, over_y = max(dx - half[0], 0), max(dy - half[1], 0)
    return over_x * over_x + over_y * over_y < (radius + gap) ** 2
