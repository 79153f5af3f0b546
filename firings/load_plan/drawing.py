"""Boards from above and stacks from the side as SVG: black and white, owners told apart by pattern and label."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import Final
from xml.sax.saxutils import escape

from firings.load_plan.moves import Change
from firings.load_plan.problem import LoadPlan, LoadRequest, PieceSpec, Placed, PlannedLayer, ZoneSpec

_SPACING: Final = (9, 14, 20)
_KINDS: Final = ("plain", "rising", "falling", "level", "upright", "crossed", "dotted", "netted")
_NO_XML: Final = dict.fromkeys((*range(9), 11, 12, *range(14, 32), 65534, 65535))


def owner_patterns(request: LoadRequest) -> dict[str, str]:
    """Name of the hatch of each owner, by owner in sorted order; after 22 owners the hatches begin again."""
    owners = sorted({piece.owner for piece in request.pieces})
    names = ["plain", *(f"{kind}-{spacing}" for spacing in _SPACING for kind in _KINDS[1:])]
    return {owner: names[at % len(names)] for at, owner in enumerate(owners)}


@dataclass(frozen=True, slots=True)
class Look:
    """How one pot is drawn: its ``number`` on the board, ``initials`` of its owner, whether it is ``marked`` (found,
    chosen) and ``loaded``; ``href`` makes it a link, ``spot`` is what a script sends back when it was dragged.
    """

    number: int = 0
    initials: str = ""
    marked: bool = False
    loaded: bool = False
    href: str = ""
    spot: str = ""


def board_svg(
    request: LoadRequest,
    layer: PlannedLayer,
    board: int,
    *,
    number: int,
    names: Mapping[str, str] | None = None,
    prefix: str = "",
    looks: Sequence[Look] = (),
    least_text: float = 7,
    patterns: Mapping[str, str] | None = None,
) -> str:
    """Board ``board`` (1 is the first) of a layer from above, one unit a mm, its corner 0, 0 at the lower left.

    ``names`` gives what to print for an owner (default: the owner as the request has it). ``prefix`` keeps the
    ids apart where several drawings share a page; by default zone, layer and board see to that. ``looks`` say more
    of each pot, in the board's order; no text but a pot's number and initials is smaller than ``least_text`` mm.
    ``patterns`` (``owner_patterns``) spares finding them anew for each board.
    Raises KeyError where zone or piece is unknown to the request: check the plan first.
    """
    zone = _zone(request, layer.zone)
    pieces = {piece.id: piece for piece in request.pieces}
    placed = layer.boards[board - 1] if board <= len(layer.boards) else ()
    zone_number = request.zones.index(zone) + 1
    own = f"{prefix}z{zone_number}l{number}b{board}"
    patterns = owner_patterns(request) if patterns is None else patterns
    owners = sorted({pieces[one.id].owner for one in placed})
    shown = names or {}
    title = f"Zone {zone.id}, layer {number}, board {board} from above"
    listed = "; ".join(_described(pieces[one.id], shown, one) for one in placed) or "empty"
    drawn = [
        _piece(zone, pieces[one.id], one, shown, own, patterns[pieces[one.id].owner], look, least_text)
        for one, look in zip_longest(placed, looks[: len(placed)], fillvalue=Look())
        if isinstance(one, Placed)
    ]
    body = [
        f"<defs>{''.join(_pattern(own, patterns[owner]) for owner in owners if patterns[owner] != 'plain')}</defs>",
        _rect(0, 0, zone.board_w_mm, zone.board_l_mm, 'class="board" fill="#fff" stroke="#000" stroke-width="2"'),
        *(_post(zone, spot) for spot in zone.keepouts),
        *drawn,
    ]
    said = f"{len(placed)} pieces: {listed}."
    return _svg(own, zone.board_w_mm, zone.board_l_mm, title, said, body, is_picture=not any(k.href for k in looks))


def stack_svg(
    request: LoadRequest,
    plan: LoadPlan,
    zone_id: str,
    *,
    names: Mapping[str, str] | None = None,
    prefix: str = "",
    done: Collection[int] = (),
) -> str:
    """The layers of a zone from the side, boards next to one another as they lie, one unit a mm.

    Layers named in ``done`` are in and get a tick. Raises KeyError where zone or piece is unknown to the request:
    check the plan first.
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
        body.append(_layer_from_the_side(zone, layer, number, floor, pieces, own, patterns, number in done))
        floor -= layer.height_mm + zone.shelf_thickness_mm
    heights = ", ".join(f"layer {number}: {layer.height_mm} mm" for number, layer in enumerate(layers, 1))
    shown = names or {}
    who = ", ".join(shown.get(owner, owner) for owner in owners)
    said = f"{stack} mm of {zone.height_mm} mm. From the floor up {heights or 'no layer'}. Pieces of {who or 'nobody'}."
    return _svg(own, wide + _beside(zone), high, f"Zone {zone.id}, stack from the side", said, body)


def swatch_svg(pattern: str, *, name: str, prefix: str) -> str:
    """A small field of an owner's hatch, for the list of owners; ``prefix`` keeps its ids apart on the page."""
    own = f"{prefix}swatch"
    ground = "" if pattern == "plain" else f"<defs>{_pattern(own, pattern)}</defs>"
    field = _rect(1, 1, 78, 38, f'fill="{_fill(own, pattern)}" stroke="#000" stroke-width="2"')
    return _svg(own, 80, 40, f"Hatch of {name}", pattern.replace("-", " "), [ground, field], css="swatch")


def changes_svg(request: LoadRequest, before: LoadPlan, after: LoadPlan, changed: Iterable[Change]) -> str:
    """Layers of two plans side by side, a line for the pots that change layer, as thick as they are many.

    Pots that come in or go out run from and to a box below; pots that only move within their layer are counted in it.
    """
    columns = [_tower(request, before), _tower(request, after)]
    rows = max(len(column) for column in columns) + 1
    flows: Counter[tuple[_Box, _Box]] = Counter()
    for change in changed:
        was = (change.before.zone, change.before.layer) if change.before else None
        will = (change.after.zone, change.after.layer) if change.after else None
        flows[was, will] += 1
    places = [
        {box: (rows - 1 - at) * _ROW for at, box in enumerate([None, *column])} for column in columns
    ]  # the box of what is out lies below the towers
    lines, said = [], []
    for (was, will), count in sorted(flows.items(), key=lambda flow: (flow[0][0] or ("", 0), flow[0][1] or ("", 0))):
        if was not in places[0] or will not in places[1]:
            continue
        y0, y1 = places[0][was] + _ROW / 2 - 5, places[1][will] + _ROW / 2 - 5
        dash = ' stroke-dasharray="6 5"' if was == will else ""
        lines.append(
            f'<path d="M{_BOX} {_n(y0)}C{_BOX + 90} {_n(y0)} {_BOX + 90} {_n(y1)} {_BOX + 180} {_n(y1)}" fill="none" '
            f'stroke="#000" stroke-width="{_n(min(1.5 + count, 14))}" stroke-opacity="0.55"{dash}/>'
        )
        at = 0.24 if was is None or y0 < y1 else 0.76
        lines.append(_counted(_BOX + 180 * at, y0 + (y1 - y0) * (3 * at**2 - 2 * at**3), count))
        said.append(f"{count} from {_called(was)} to {_called(will)}")
    boxes = [
        _box(_called(box), left, top)
        for left, place in zip((0, _BOX + 180), places, strict=True)
        for box, top in place.items()
    ]
    text = "; ".join(said) or "no pot changes its place"
    high = rows * _ROW
    return _svg("changes", 2 * _BOX + 180, high, "What changes, layer by layer", f"{text}.", [*lines, *boxes])


_Box = tuple[str, int] | None
_ROW, _BOX = 54, 150


def _tower(request: LoadRequest, plan: LoadPlan) -> list[_Box]:
    numbers: Counter[str] = Counter()
    found: list[_Box] = []
    for zone in request.zones:
        for layer in plan.layers:
            if layer.zone == zone.id:
                numbers[zone.id] += 1
                found.append((zone.id, numbers[zone.id]))
    return found


def _called(box: _Box) -> str:
    return "left out" if box is None else f"{box[0]} {box[1]}"


def _box(text: str, left: float, top: float) -> str:
    frame = _rect(left + 1, top, _BOX - 2, _ROW - 10, 'fill="#fff" stroke="#000" stroke-width="2"')
    return frame + (
        f'<text x="{_n(left + _BOX / 2)}" y="{_n(top + _ROW / 2 + 1)}" text-anchor="middle" font-size="17" '
        f'fill="#000">{_text(_cut(text, 16))}</text>'
    )


def _counted(x: float, y: float, count: int) -> str:
    ground = _rect(x - 13, y - 12, 26, 24, 'fill="#fff"')
    return f'{ground}<text x="{_n(x)}" y="{_n(y + 6)}" text-anchor="middle" font-size="17" fill="#000">{count}</text>'


def _zone(request: LoadRequest, zone_id: str) -> ZoneSpec:
    zone = request.zone(zone_id)
    if zone is None:
        raise KeyError(zone_id)
    return zone


def _svg(
    own: str, width: float, height: float, title: str, said: str, body: Sequence[str], *, css: str = "",
    is_picture: bool = True,
) -> str:  # fmt: skip
    """``is_picture``: nothing in it can be chosen; else it is a group of links."""
    margin = 4
    box = f"{-margin} {-margin} {_n(width + 2 * margin)} {_n(height + 2 * margin)}"
    role, look = "img" if is_picture else "group", f"load-drawing {css}".strip()
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}" role="{role}" class="{look}" '
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


def _piece(
    zone: ZoneSpec,
    piece: PieceSpec,
    placed: Placed,
    names: Mapping[str, str],
    own: str,
    pattern: str,
    look: Look,
    least: float,
) -> str:
    wide, deep = piece.footprint(placed.turned)
    x, y = placed.x, zone.board_l_mm - placed.y
    parts = [_outline(piece, x, y, wide, deep, f'fill="{_fill(own, pattern)}" stroke="#000" stroke-width="2"')]
    if look.marked:
        edge = 'class="mark" fill="none" stroke="#000" stroke-width="8"'
        parts.append(_outline(piece, x, y, wide - 8, deep - 8, edge))
    owner = names.get(piece.owner, piece.owner)
    name = piece.label or piece.id
    if look.number:
        parts.append(_numbered_label(look, name, x, y, wide, deep, least))
    else:
        parts.append(_label([name, owner, f"h {piece.h}"], x, y, wide, deep))
    group = f'<g class="piece"{_data_spot(look, wide, deep)}><title>{_text(_described(piece, names, placed))}</title>'
    whole = f"{group}{''.join(parts)}</g>"
    if not look.href:
        return whole
    said = f"{look.number}: {piece.label or piece.id}, {owner}"
    return f'<a href="{_attribute(look.href)}" aria-label="{_attribute(said)}">{whole}</a>'


def _data_spot(look: Look, wide: float, deep: float) -> str:
    return f' data-spot="{_attribute(look.spot)}" data-half="{_n(wide / 2)} {_n(deep / 2)}"' if look.spot else ""


def _outline(piece: PieceSpec, x: float, y: float, wide: float, deep: float, look: str) -> str:
    if piece.is_round:
        return f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(max(wide, 2) / 2)}" {look}/>'
    return _rect(x - wide / 2, y - deep / 2, max(wide, 2), max(deep, 2), look)


def _numbered_label(look: Look, name: str, x: float, y: float, wide: float, deep: float, least: float) -> str:
    """Number and initials as large as the pot allows, the piece's name below where it can be read whole."""
    head = f"{'✓' if look.loaded else ''}{look.number} {look.initials}".strip()
    size = max(12.0, min(36.0, deep / 2.4, wide / (0.62 * len(head) + 1)))
    below = name if len(name) * 0.6 * least <= 0.8 * wide and deep >= size + 1.2 * least + 36 else ""
    high = 1.1 * size + (1.2 * least if below else 0)
    across = max(0.62 * size * len(head), 0.6 * least * len(below)) + 6
    top = y - high / 2
    texts = [_centred(head, x, top + 0.88 * size, size)]
    if below:
        texts.append(_centred(below, x, top + 1.1 * size + 0.85 * 1.2 * least, least))
    return _rect(x - across / 2, top - 1, across, high + 3, 'fill="#fff"') + "".join(texts)


def _centred(text: str, x: float, y: float, size: float) -> str:
    return f'<text x="{_n(x)}" y="{_n(y)}" text-anchor="middle" font-size="{_n(size)}" fill="#000">{_text(text)}</text>'


def _label(lines: Sequence[str], x: float, y: float, wide: float, deep: float) -> str:
    """Text on a white ground, so that it can be read on every hatch; cut to what the footprint holds."""
    size = max(7.0, min(20.0, deep / 5, wide / 6))
    room = max(3, int(0.86 * wide / (0.6 * size)))
    kept = [_cut(line, room) for line in lines][: max(1, int(0.75 * deep / (1.15 * size)))]
    ground = max(len(line) for line in kept) * 0.6 * size + 4
    top = y - len(kept) * 1.15 * size / 2
    spans = "".join(_centred(line, x, top + (at + 0.85) * 1.15 * size, size) for at, line in enumerate(kept))
    return _rect(x - ground / 2, top, ground, len(kept) * 1.15 * size + 2, 'fill="#fff"') + spans


def _beside(zone: ZoneSpec) -> float:
    """Room beside the stack for numbers that can still be read when the drawing is as wide as a phone."""
    return max(90.0, zone.boards_per_layer * (zone.board_w_mm + 10) / 4)


def _layer_from_the_side(
    zone: ZoneSpec,
    layer: PlannedLayer,
    number: int,
    floor: int,
    pieces: Mapping[str, PieceSpec],
    own: str,
    patterns: Mapping[str, str],
    is_done: bool,
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
    said = f"{'✓' if is_done else ''}{number}: {layer.height_mm}"
    size = min(_beside(zone) / 5.2, 0.8 * layer.height_mm)
    middle = floor - (layer.height_mm + zone.shelf_thickness_mm) / 2 + size / 3
    parts.append(f'<text x="{wide + 8}" y="{_n(middle)}" font-size="{_n(size)}" fill="#000">{said}</text>')
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
