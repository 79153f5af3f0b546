"""Boards from above and stacks from the side as SVG: black and white, owners told apart by pattern and label."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final
from xml.sax.saxutils import escape

from firings.load_plan.problem import LoadPlan, LoadRequest, PieceSpec, Placed, PlannedLayer, ZoneSpec

_SPACING: Final = (9, 14, 20)
_KINDS: Final = ("plain", "rising", "falling", "level", "upright", "crossed", "dotted", "netted")
_NO_XML: Final = dict.fromkeys((*range(9), 11, 12, *range(14, 32), 65534, 65535))


def owner_patterns(request: LoadRequest) -> dict[str, str]:
    """Name of the hatch of each owner, by owner in sorted order; after 22 owners the hatches begin again."""
    owners = sorted({piece.owner for piece in request.pieces})
    names = ["plain", *(f"{kind}-{spacing}" for spacing in _SPACING for kind in _KINDS[1:])]
    return {owner: names[at % len(names)] for at, owner in enumerate(owners)}


def board_svg(
    request: LoadRequest,
    layer: PlannedLayer,
    board: int,
    *,
    number: int,
    names: Mapping[str, str] | None = None,
    prefix: str = "",
) -> str:
    """Board ``board`` (1 is the first) of a layer from above, one unit a mm, its corner 0, 0 at the lower left.

    ``names`` gives what to print for an owner (default: the owner as the request has it). ``prefix`` keeps the
    ids apart where several drawings share a page; by default zone, layer and board see to that.
    Raises KeyError where zone or piece is unknown to the request: check the plan first.
    """
    zone = _zone(request, layer.zone)
    pieces = {piece.id: piece for piece in request.pieces}
    placed = layer.boards[board - 1] if board <= len(layer.boards) else ()
    zone_number = request.zones.index(zone) + 1
    own = f"{prefix}z{zone_number}l{number}b{board}"
    patterns = owner_patterns(request)
    owners = sorted({pieces[one.id].owner for one in placed})
    shown = names or {}
    title = f"Zone {zone.id}, layer {number}, board {board} from above"
    listed = "; ".join(_described(pieces[one.id], shown, one) for one in placed) or "empty"
    body = [
        f"<defs>{''.join(_pattern(own, patterns[owner]) for owner in owners if patterns[owner] != 'plain')}</defs>",
        _rect(0, 0, zone.board_w_mm, zone.board_l_mm, 'class="board" fill="#fff" stroke="#000" stroke-width="2"'),
        *(_post(zone, spot) for spot in zone.keepouts),
        *(_piece(zone, pieces[one.id], one, shown, own, patterns[pieces[one.id].owner]) for one in placed),
    ]
    return _svg(own, zone.board_w_mm, zone.board_l_mm, title, f"{len(placed)} pieces: {listed}.", body)


def stack_svg(
    request: LoadRequest,
    plan: LoadPlan,
    zone_id: str,
    *,
    names: Mapping[str, str] | None = None,
    prefix: str = "",
) -> str:
    """The layers of a zone from the side, boards next to one another as they lie, one unit a mm.

    Raises KeyError where zone or piece is unknown to the request: check the plan first.
    """
    zone = _zone(request, zone_id)
    pieces = {piece.id: piece for piece in request.pieces}
    layers = [layer for layer in plan.layers if layer.zone == zone_id]
    stack = sum(layer.height_mm + zone.shelf_thickness_mm for layer in layers)
    high, wide = max(stack, zone.height_mm), zone.boards_per_layer * (zone.board_w_mm + 10)
    own = f"{prefix}z{request.zones.index(zone) + 1}stack"
    patterns = owner_patterns(request)
    owners = sorted({pieces[one.id].owner for layer in layers for one in layer.placed})
    body = [
        f"<defs>{''.join(_pattern(own, patterns[owner]) for owner in owners if patterns[owner] != 'plain')}</defs>",
        _rect(0, high - zone.height_mm, wide, zone.height_mm,
              'class="chamber" fill="#fff" stroke="#000" stroke-width="2" stroke-dasharray="12 8"'),
    ]  # fmt: skip
    floor = high
    for number, layer in enumerate(layers, 1):
        body.append(_layer_from_the_side(zone, layer, number, floor, pieces, own, patterns))
        floor -= layer.height_mm + zone.shelf_thickness_mm
    heights = ", ".join(f"layer {number}: {layer.height_mm} mm" for number, layer in enumerate(layers, 1))
    shown = names or {}
    who = ", ".join(shown.get(owner, owner) for owner in owners)
    said = f"{stack} mm of {zone.height_mm} mm. From the floor up {heights or 'no layer'}. Pieces of {who or 'nobody'}."
    return _svg(own, wide + 90, high, f"Zone {zone.id}, stack from the side", said, body)


def _zone(request: LoadRequest, zone_id: str) -> ZoneSpec:
    zone = request.zone(zone_id)
    if zone is None:
        raise KeyError(zone_id)
    return zone


def _svg(own: str, width: float, height: float, title: str, said: str, body: list[str]) -> str:
    margin = 4
    box = f"{-margin} {-margin} {_n(width + 2 * margin)} {_n(height + 2 * margin)}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}" role="img" class="load-drawing" '
        f'aria-labelledby="{_attribute(own)}-title {_attribute(own)}-desc" font-family="sans-serif">'
        f'<title id="{_attribute(own)}-title">{_text(title)}</title>'
        f'<desc id="{_attribute(own)}-desc">{_text(said)}</desc>{"".join(body)}</svg>'
    )


def _described(piece: PieceSpec, names: Mapping[str, str], placed: Placed) -> str:
    turned = ", turned" if placed.turned else ""
    owner = names.get(piece.owner, piece.owner)
    return f"{piece.called} of {owner} at {_n(placed.x)}, {_n(placed.y)}{turned}"


def _post(zone: ZoneSpec, spot: tuple[int, int, int, int]) -> str:
    x0, y0, x1, y1 = spot
    top = zone.board_l_mm - y1
    cross = f"M{x0} {top}L{x1} {top + y1 - y0}M{x1} {top}L{x0} {top + y1 - y0}"
    frame = _rect(x0, top, x1 - x0, y1 - y0, 'fill="#fff" stroke="#000" stroke-width="2"')
    return f'<g class="post"><title>post</title>{frame}<path d="{cross}" stroke="#000" stroke-width="2"/></g>'


def _piece(zone: ZoneSpec, piece: PieceSpec, placed: Placed, names: Mapping[str, str], own: str, pattern: str) -> str:
    wide, deep = piece.footprint(placed.turned)
    x, y = placed.x, zone.board_l_mm - placed.y
    look = f'fill="{_fill(own, pattern)}" stroke="#000" stroke-width="2"'
    if piece.is_round:
        outline = f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(piece.d / 2)}" {look}/>'
    else:
        outline = _rect(x - wide / 2, y - deep / 2, wide, deep, look)
    lines = [piece.label or piece.id, names.get(piece.owner, piece.owner), f"h {piece.h}"]
    title = f"<title>{_text(_described(piece, names, placed))}</title>"
    return f'<g class="piece">{title}{outline}{_label(lines, x, y, wide, deep)}</g>'


def _label(lines: list[str], x: float, y: float, wide: float, deep: float) -> str:
    """Text on a white ground, so that it can be read on every hatch; cut to what the footprint holds."""
    size = max(7.0, min(20.0, deep / 5, wide / 6))
    room = max(3, int(0.86 * wide / (0.6 * size)))
    kept = [_cut(line, room) for line in lines][: max(1, int(0.75 * deep / (1.15 * size)))]
    ground = max(len(line) for line in kept) * 0.6 * size + 4
    top = y - len(kept) * 1.15 * size / 2
    spans = "".join(
        f'<text x="{_n(x)}" y="{_n(top + (at + 0.85) * 1.15 * size)}" text-anchor="middle" '
        f'font-size="{_n(size)}" fill="#000">{_text(line)}</text>'
        for at, line in enumerate(kept)
    )
    return _rect(x - ground / 2, top, ground, len(kept) * 1.15 * size + 2, 'fill="#fff"') + spans


def _layer_from_the_side(
    zone: ZoneSpec,
    layer: PlannedLayer,
    number: int,
    floor: int,
    pieces: Mapping[str, PieceSpec],
    own: str,
    patterns: Mapping[str, str],
) -> str:
    """The layer's boards lie at its foot; the pieces at the back are drawn first."""
    parts, top_of_board = [], floor - zone.shelf_thickness_mm
    wide = zone.boards_per_layer * (zone.board_w_mm + 10)
    for board in range(zone.boards_per_layer):
        left = 5 + board * (zone.board_w_mm + 10)
        parts.append(_rect(left, top_of_board, zone.board_w_mm, zone.shelf_thickness_mm, 'fill="#000"'))
        stands = layer.boards[board] if board < len(layer.boards) else ()
        for one in sorted(stands, key=lambda one: -one.y):
            piece = pieces[one.id]
            across = piece.footprint(one.turned)[0]
            look = f'fill="{_fill(own, patterns[piece.owner])}" stroke="#000" stroke-width="2"'
            foot = top_of_board - zone.wadding_mm
            parts.append(_rect(left + one.x - across / 2, foot - piece.h, across, piece.h, look))
    parts.append(
        f'<text x="{wide + 8}" y="{_n(floor - layer.height_mm / 2)}" font-size="22" fill="#000">{number}</text>'
        f'<text x="{wide + 34}" y="{_n(floor - layer.height_mm / 2)}" font-size="16" fill="#000">'
        f"{layer.height_mm}</text>"
    )
    return f'<g class="layer"><title>layer {number}, {layer.height_mm} mm</title>{"".join(parts)}</g>'


def _pattern(own: str, name: str) -> str:
    kind, _, spacing_text = name.partition("-")
    s = int(spacing_text)
    half = s / 2
    lines = {
        "rising": f"M{-half} {half}L{half} {-half}M0 {s}L{s} 0M{half} {s + half}L{s + half} {half}",
        "falling": f"M{-half} {half}L{half} {s + half}M0 0L{s} {s}M{half} {-half}L{s + half} {half}",
        "level": f"M0 {half}L{s} {half}",
        "upright": f"M{half} 0L{half} {s}",
        "crossed": f"M0 0L{s} {s}M0 {s}L{s} 0",
        "netted": f"M0 {half}L{s} {half}M{half} 0L{half} {s}",
    }
    if kind == "dotted":
        drawn = f'<circle cx="{_n(half)}" cy="{_n(half)}" r="{_n(s / 6)}" fill="#000"/>'
    else:
        drawn = f'<path d="{lines[kind]}" fill="none" stroke="#000" stroke-width="1"/>'
    return (
        f'<pattern id="{_attribute(own)}-{name}" width="{s}" height="{s}" patternUnits="userSpaceOnUse">'
        f'<rect width="{s}" height="{s}" fill="#fff"/>{drawn}</pattern>'
    )


def _fill(own: str, pattern: str) -> str:
    return "#fff" if pattern == "plain" else f"url(#{_attribute(own)}-{pattern})"


def _rect(x: float, y: float, width: float, height: float, look: str) -> str:
    return f'<rect x="{_n(x)}" y="{_n(y)}" width="{_n(width)}" height="{_n(height)}" {look}/>'


def _cut(text: str, room: int) -> str:
    return text if len(text) <= room else text[: room - 1] + "…"


def _n(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def _text(text: str) -> str:
    return escape(text.translate(_NO_XML))


def _attribute(text: str) -> str:
    return escape(text.translate(_NO_XML), {'"': "&quot;"})
