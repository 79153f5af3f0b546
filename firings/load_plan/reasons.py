"""Why a piece can stand nowhere, however empty the kiln."""

from __future__ import annotations

from collections.abc import Callable

from firings.load_plan import rules
from firings.load_plan.problem import LoadRequest, PieceSpec, ZoneSpec


class Why:
    """A sentence per zone that cannot take a piece, or nothing for the zones that can.

    ``fits_a_board`` says whether a piece finds a place on an empty board of a zone (by number).
    """

    def __init__(self, request: LoadRequest, free_height: bool, fits_a_board: Callable[[int, PieceSpec], bool]) -> None:
        self.request, self.free_height = request, free_height
        self._fits_a_board = fits_a_board

    def zones(self, piece: PieceSpec) -> tuple[int, ...]:
        """Numbers of the zones where the piece can stand."""
        return tuple(at for at in range(len(self.request.zones)) if self.not_in(at, piece) is None)

    def not_in(self, at: int, piece: PieceSpec) -> str | None:
        zone = self.request.zones[at]
        if piece.zone not in (None, zone.id):
            return f"it is wanted in zone {piece.zone}"
        if not rules.stands_heat(piece, zone):
            return f"it stands cone {piece.cone}, the zone reaches cone {zone.cone}"
        if piece.soda and not zone.soda:
            return "it needs soda, this is no soda zone"
        if not self._fits_a_board(at, piece):
            spots = " with its post spots" if zone.keepouts else ""
            return f"{piece.size} do not fit on a board of {zone.board_w_mm} x {zone.board_l_mm} mm{spots}"
        return self._not_by_height(zone, piece)

    def nowhere(self, piece: PieceSpec) -> str | None:
        """The reason as a sentence, or None where the piece fits in some zone."""
        zones = self.request.zones
        if piece.zone is not None and self.request.zone(piece.zone) is None:
            names = ", ".join(zone.id for zone in zones)
            return f"There is no zone “{piece.zone}” (there is: {names}); choose another."
        asked = [at for at, zone in enumerate(zones) if piece.zone in (None, zone.id)]
        reasons = [(zones[at].id, self.not_in(at, piece)) for at in asked]
        if any(reason is None for _, reason in reasons):
            return None
        if len(reasons) == 1:
            return f"It cannot stand in zone {reasons[0][0]}: {reasons[0][1]}."
        return "It can stand in no zone: " + "; ".join(f"{zone}: {reason}" for zone, reason in reasons) + "."

    def _not_by_height(self, zone: ZoneSpec, piece: PieceSpec) -> str | None:
        need, height = zone.clear_height_mm(piece.h), rules.layer_height(zone, piece.h)
        if height is None:
            highest = max(rules.makeable_heights(zone) or (0,))
            return f"it needs {need} mm between boards, the highest layer that can be made has {highest} mm"
        whole = height + zone.shelf_thickness_mm
        if whole > zone.height_mm and not self.free_height:
            return f"it needs {whole} mm with wad, air and board, the zone is {zone.height_mm} mm high"
        if not rules.posts_suffice(zone, [height]):
            return f"the posts do not suffice for one layer of {height} mm"
        return None
