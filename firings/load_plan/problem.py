"""What a load plan is asked for and what it says (load-request/1, load-plan/1)."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Literal

from coop.errors import Malformed, Refused
from firings import exchange
from firings.fire import cones

REQUEST_SCHEMA: Final = exchange.read_schema(Path(__file__).with_name("load-request-1.schema.json"))
PLAN_SCHEMA: Final = exchange.read_schema(Path(__file__).with_name("load-plan-1.schema.json"))
MOST_PIECES: Final = 10_000
ONLY_ZONE: Final = "kiln"

PostSpot = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class Posts:
    """Posts of one height in a zone's set."""

    height_mm: int
    count: int


@dataclass(frozen=True, slots=True)
class ZoneSpec:
    """A zone: boards of one size side by side in layers. ``keepouts`` are post spots x0, y0, x1, y1.

    ``layer_heights`` holds clear heights between boards; empty means any. ``posts`` empty means enough of
    any height; otherwise a layer stands on ``posts_per_board`` single posts, or pairs of two posts, a board.
    """

    id: str
    boards_per_layer: int
    board_w_mm: int
    board_l_mm: int
    height_mm: int
    shelf_thickness_mm: int
    clearance_above_mm: int
    wadding_mm: int
    gap_mm: int
    keepouts: tuple[PostSpot, ...] = ()
    layer_heights: tuple[int, ...] = ()
    posts: tuple[Posts, ...] = ()
    posts_per_board: int = 3
    cone: str | None = None
    soda: bool = False

    def clear_height_mm(self, tallest_mm: int) -> int:
        """What a layer must offer for a piece of this height: piece + wad + air."""
        return tallest_mm + self.wadding_mm + self.clearance_above_mm


@dataclass(frozen=True, slots=True)
class PieceSpec:
    """``count`` alike pots of one owner: round (``d``) or rectangular (``w`` x ``l``), ``h`` tall."""

    id: str
    owner: str
    count: int
    shape: Literal["circle", "rect"]
    h: int
    d: int = 0
    w: int = 0
    l: int = 0  # noqa: E741 - the exchange file's key
    cone: str | None = None
    zone: str | None = None
    soda: bool = False
    runny: bool = False
    fragile: bool = False
    importance: int = 1
    label: str = ""

    @property
    def is_round(self) -> bool:
        return self.shape == "circle"

    @property
    def called(self) -> str:
        """The piece's name for people: its label with its id, or the id alone."""
        return f"{self.label} ({self.id})" if self.label and self.label != self.id else self.id

    @property
    def size(self) -> str:
        return f"{self.d} mm across" if self.is_round else f"{self.w} x {self.l} mm"

    def footprint(self, turned: bool = False) -> tuple[int, int]:
        """Extent along x and along y, mm."""
        if self.is_round:
            return self.d, self.d
        return (self.l, self.w) if turned else (self.w, self.l)


@dataclass(frozen=True, slots=True)
class LoadRequest:
    name: str
    zones: tuple[ZoneSpec, ...]
    pieces: tuple[PieceSpec, ...]

    def zone(self, zone_id: str) -> ZoneSpec | None:
        return next((zone for zone in self.zones if zone.id == zone_id), None)


@dataclass(frozen=True, slots=True)
class Placed:
    """One pot on a board: its centre in mm from the board's corner; ``turned`` by 90 degrees."""

    id: str
    x: float
    y: float
    turned: bool = False


@dataclass(frozen=True, slots=True)
class PlannedLayer:
    """``height_mm`` is the clear height between boards, without the board itself."""

    zone: str
    height_mm: int
    boards: tuple[tuple[Placed, ...], ...]

    @property
    def placed(self) -> tuple[Placed, ...]:
        return tuple(placed for board in self.boards for placed in board)


@dataclass(frozen=True, slots=True)
class LeftOut:
    id: str
    count: int
    reason: str


@dataclass(frozen=True, slots=True)
class Filler:
    """Pots of a handy size for which there is still room."""

    count: int
    d: int
    h: int


@dataclass(frozen=True, slots=True)
class LoadPlan:
    """Layers of a zone stand in ``layers`` from its floor up; stacks and bounds are by zone id, space by owner.

    ``lower_bound_total_mm`` is for all zones together: pots that may stand in several count only there.
    """

    request: str
    layers: tuple[PlannedLayer, ...]
    stack_mm: Mapping[str, int] = field(default_factory=dict)
    lower_bound_mm: Mapping[str, int] = field(default_factory=dict)
    lower_bound_total_mm: int | None = None
    proven: bool = False
    seconds: float = 0.0
    seed: int = 1
    left_out: tuple[LeftOut, ...] = ()
    space_ml: Mapping[str, int] = field(default_factory=dict)
    filler: tuple[Filler, ...] = ()


def read_request(text: str) -> LoadRequest:
    """A load-request/1 file. Raises Malformed with one sentence per fault."""
    document = exchange.read(text, REQUEST_SCHEMA)
    _must_be_text(document)
    if "zones" in document and "kiln" in document:
        raise Malformed(["The file: 'kiln' and 'zones' both stand there; keep one of them."])
    if "zones" not in document and "kiln" not in document:
        raise Malformed(["The file: 'kiln' is missing; add it, or 'zones' with a list of zones."])
    named = document.get("zones") or [{"id": ONLY_ZONE} | document["kiln"]]
    if faults := [
        f"zones[{at}]: 'id' is missing; give the zone a name." for at, zone in enumerate(named) if "id" not in zone
    ]:
        raise Malformed(faults)
    request = LoadRequest(
        name=document["name"],
        zones=tuple(_zone(zone) for zone in named),
        pieces=tuple(_piece(piece) for piece in document["pieces"]),
    )
    faults = [*_zone_faults(request, "zones" in document), *_piece_faults(request, document["pieces"])]
    if faults:
        raise Malformed(faults[: exchange.MOST_FAULTS])
    return request


def request_from(document: Mapping[str, Any]) -> LoadRequest:
    """The request in a parsed load-request/1. Raises Malformed with one sentence per fault."""
    return read_request(json.dumps(document))


def request_document(request: LoadRequest) -> dict[str, Any]:
    """The load-request/1 form of ``request``; reading it again gives an equal request."""
    document: dict[str, Any] = {"format": "load-request/1", "name": request.name}
    zones = [_zone_document(zone) for zone in request.zones]
    if len(zones) == 1 and request.zones[0].id == ONLY_ZONE:
        document["kiln"] = {key: value for key, value in zones[0].items() if key != "id"}
    else:
        document["zones"] = zones
    document["pieces"] = [_piece_document(piece) for piece in request.pieces]
    return document


def write_request(request: LoadRequest) -> str:
    return json.dumps(request_document(request), ensure_ascii=False)


def read_plan(text: str) -> LoadPlan:
    """A load-plan/1 file. Raises Malformed with one sentence per fault; rules are judged by ``check.faults``."""
    document = exchange.read(text, PLAN_SCHEMA)
    _must_be_text(document)
    layers = tuple(
        PlannedLayer(
            zone=layer["zone"],
            height_mm=int(layer["height_mm"]),
            boards=tuple(
                tuple(Placed(p["id"], float(p["x"]), float(p["y"]), p.get("turned", False)) for p in board)
                for board in layer["boards"]
            ),
        )
        for layer in document["layers"]
    )
    only = layers[0].zone if layers else ONLY_ZONE
    return LoadPlan(
        request=document["request"],
        layers=layers,
        stack_mm=_by_zone(document.get("stack_mm"), only),
        lower_bound_mm=_by_zone(document.get("lower_bound_mm"), only),
        lower_bound_total_mm=None if (total := document.get("lower_bound_total_mm")) is None else int(total),
        proven=document.get("proven", False),
        seconds=float(document.get("seconds", 0)),
        seed=int(document.get("seed", 1)),
        left_out=tuple(LeftOut(o["id"], int(o["count"]), o["reason"]) for o in document.get("left_out", ())),
        space_ml={owner: int(ml) for owner, ml in document.get("space_ml", {}).items()},
        filler=tuple(Filler(int(f["count"]), int(f["d"]), int(f["h"])) for f in document.get("filler", ())),
    )


def plan_from(document: Mapping[str, Any]) -> LoadPlan:
    """The plan in a parsed load-plan/1. Raises Malformed with one sentence per fault."""
    return read_plan(json.dumps(document))


def plan_document(plan: LoadPlan) -> dict[str, Any]:
    """The load-plan/1 form of ``plan``; one zone's stack and bound are plain numbers."""
    return {
        "format": "load-plan/1",
        "request": plan.request,
        "stack_mm": _number_or_zones(plan.stack_mm),
        "lower_bound_mm": _number_or_zones(plan.lower_bound_mm),
        **({} if plan.lower_bound_total_mm is None else {"lower_bound_total_mm": plan.lower_bound_total_mm}),
        "proven": plan.proven,
        "seconds": plan.seconds,
        "seed": plan.seed,
        "layers": [
            {
                "zone": layer.zone,
                "height_mm": layer.height_mm,
                "boards": [
                    [{"id": p.id, "x": p.x, "y": p.y, "turned": p.turned} for p in board] for board in layer.boards
                ],
            }
            for layer in plan.layers
        ],
        "left_out": [{"id": o.id, "count": o.count, "reason": o.reason} for o in plan.left_out],
        "space_ml": dict(plan.space_ml),
        "filler": [{"count": f.count, "d": f.d, "h": f.h} for f in plan.filler],
    }


def write_plan(plan: LoadPlan) -> str:
    return json.dumps(plan_document(plan), ensure_ascii=False)


def _must_be_text(document: Mapping[str, Any]) -> None:
    try:
        json.dumps(document, ensure_ascii=False).encode()
    except UnicodeEncodeError as error:
        raise Malformed(["The file: half a character (\\ud800 to \\udfff) stands there; write it whole."]) from error


def _zone(zone: Mapping[str, Any]) -> ZoneSpec:
    width, length = zone["board_mm"]
    return ZoneSpec(
        id=zone["id"],
        boards_per_layer=int(zone["boards_per_layer"]),
        board_w_mm=int(width),
        board_l_mm=int(length),
        height_mm=int(zone["chamber_height_mm"]),
        shelf_thickness_mm=int(zone["shelf_thickness_mm"]),
        clearance_above_mm=int(zone["clearance_above_mm"]),
        wadding_mm=int(zone["wadding_mm"]),
        gap_mm=int(zone["gap_mm"]),
        keepouts=tuple((int(a), int(b), int(c), int(d)) for a, b, c, d in zone.get("keepouts_mm", ())),
        layer_heights=tuple(sorted({int(height) for height in zone.get("layer_heights_mm", ())})),
        posts=tuple(Posts(int(posts["height_mm"]), int(posts["count"])) for posts in zone.get("posts", ())),
        posts_per_board=int(zone.get("posts_per_board", 3)),
        cone=zone.get("cone"),
        soda=zone.get("soda", False),
    )


def _piece(piece: Mapping[str, Any]) -> PieceSpec:
    return PieceSpec(
        id=piece["id"],
        owner=piece["owner"],
        count=int(piece["count"]),
        shape=piece["shape"],
        h=int(piece["h"]),
        d=int(piece.get("d", 0)),
        w=int(piece.get("w", 0)),
        l=int(piece.get("l", 0)),
        cone=piece.get("cone"),
        zone=piece.get("zone"),
        soda=piece.get("soda", False),
        runny=piece.get("runny", False),
        fragile=piece.get("fragile", False),
        importance=int(piece.get("importance", 1)),
        label=piece.get("label", ""),
    )


def _zone_document(zone: ZoneSpec) -> dict[str, Any]:
    document: dict[str, Any] = {
        "id": zone.id,
        "boards_per_layer": zone.boards_per_layer,
        "board_mm": [zone.board_w_mm, zone.board_l_mm],
        "chamber_height_mm": zone.height_mm,
        "shelf_thickness_mm": zone.shelf_thickness_mm,
        "clearance_above_mm": zone.clearance_above_mm,
        "wadding_mm": zone.wadding_mm,
        "gap_mm": zone.gap_mm,
        "keepouts_mm": [list(spot) for spot in zone.keepouts],
    }
    if zone.layer_heights:
        document["layer_heights_mm"] = list(zone.layer_heights)
    if zone.posts:
        document["posts"] = [{"height_mm": posts.height_mm, "count": posts.count} for posts in zone.posts]
    document["posts_per_board"] = zone.posts_per_board
    if zone.cone is not None:
        document["cone"] = zone.cone
    document["soda"] = zone.soda
    return document


def _piece_document(piece: PieceSpec) -> dict[str, Any]:
    document: dict[str, Any] = {"id": piece.id, "owner": piece.owner, "count": piece.count, "shape": piece.shape}
    document |= {"d": piece.d} if piece.is_round else {"w": piece.w, "l": piece.l}
    document["h"] = piece.h
    document |= {key: value for key in ("cone", "zone") if (value := getattr(piece, key)) is not None}
    document |= {key: True for key in ("soda", "runny", "fragile") if getattr(piece, key)}
    document["importance"] = piece.importance
    if piece.label:
        document["label"] = piece.label
    return document


def _by_zone(value: Any, only: str) -> dict[str, int]:
    if value is None:
        return {}
    if isinstance(value, dict):
        return {zone: int(mm) for zone, mm in value.items()}
    return {only: int(value)}


def _number_or_zones(by_zone: Mapping[str, int]) -> int | dict[str, int]:
    return next(iter(by_zone.values())) if len(by_zone) == 1 else dict(by_zone)


def _zone_faults(request: LoadRequest, several: bool) -> Iterator[str]:
    for zone_id, times in Counter(zone.id for zone in request.zones).items():
        if times > 1:
            yield f"zones: the id “{zone_id}” stands there {times} times; give each zone its own."
    for at, zone in enumerate(request.zones):
        where = f"zones[{at}]" if several else "kiln"
        yield from _cone_fault(f"{where}.cone", zone.cone)
        inside = True
        for spot_at, (x0, y0, x1, y1) in enumerate(zone.keepouts):
            if not (x0 < x1 <= zone.board_w_mm and y0 < y1 <= zone.board_l_mm):
                inside = False
                yield (
                    f"{where}.keepouts_mm[{spot_at}]: the post spot {[x0, y0, x1, y1]} is no rectangle on a board "
                    f"of {zone.board_w_mm} x {zone.board_l_mm} mm; write x0, y0, x1, y1 from the board's corner."
                )
        if inside and _covered(zone):
            yield f"{where}.keepouts_mm: the post spots cover the whole board; make them smaller."


def _covered(zone: ZoneSpec) -> bool:
    xs = sorted({0, zone.board_w_mm, *(x for x0, _, x1, _ in zone.keepouts for x in (x0, x1))})
    ys = sorted({0, zone.board_l_mm, *(y for _, y0, _, y1 in zone.keepouts for y in (y0, y1))})
    return all(any(x0 <= x < x1 and y0 <= y < y1 for x0, y0, x1, y1 in zone.keepouts) for x in xs[:-1] for y in ys[:-1])


def _piece_faults(request: LoadRequest, documents: list[Mapping[str, Any]]) -> Iterator[str]:
    for piece_id, times in Counter(piece.id for piece in request.pieces).items():
        if times > 1:
            yield f"pieces: the id “{piece_id}” stands there {times} times; give each piece its own."
    if (total := sum(piece.count for piece in request.pieces)) > MOST_PIECES:
        yield f"pieces: {total} pieces are more than {MOST_PIECES}; plan them in several firings."
    for at, document in enumerate(documents):
        needed, other = (["d"], ["w", "l"]) if document["shape"] == "circle" else (["w", "l"], ["d"])
        for key in needed:
            if key not in document:
                yield f"pieces[{at}] ({document['id']}): {key!r} is missing for a {document['shape']}; add it."
        for key in other:
            if key in document:
                yield f"pieces[{at}] ({document['id']}): {key!r} does not belong to a {document['shape']}; remove it."
        yield from _cone_fault(f"pieces[{at}] ({document['id']}).cone", document.get("cone"))


def _cone_fault(where: str, cone: str | None) -> Iterator[str]:
    if cone is not None:
        try:
            cones.rank(cone)
        except Refused as refused:
            yield f"{where}: {refused}"
