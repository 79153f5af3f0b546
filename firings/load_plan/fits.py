"""Does it fit? Answered by a plan: the last one, bettered until the newcomers stand as well."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from time import monotonic
from typing import Final

from firings.load_plan import solve
from firings.load_plan.problem import Filler, LeftOut, LoadPlan, LoadRequest, PieceSpec

_PLANNED: Final = 1  # importance of what the last plan placed: before everything else
clock = monotonic
# Shares of the time: until then the newcomers are placed, and until then it is looked for what would make room. The
# rest is for reading and writing.
_PLACED: Final = 0.55
_LOOKED: Final = 0.85


@dataclass(frozen=True, slots=True)
class Answer:
    """``plan`` holds all that was planned, and of the newcomers and of what was left out before as much as fits.

    ``turned_away`` names the newcomers that do not fit. ``instead`` names pieces of the last plan, each of which
    would make room for all newcomers if it alone (as many pots as said) were turned away; none is in ``plan``'s
    left-out list. ``filler`` are the handy sizes that still go in.
    """

    fits: bool
    turned_away: tuple[LeftOut, ...]
    plan: LoadPlan
    filler: tuple[Filler, ...]
    instead: tuple[LeftOut, ...] = ()


def answer(
    request: LoadRequest, plan: LoadPlan, newcomers: tuple[PieceSpec, ...], *, seconds: float = 1.0, seed: int = 1
) -> Answer:
    """Whether ``newcomers`` still go in beside what ``plan`` placed of ``request``.

    A newcomer with the id of a piece in ``request`` takes its place (a booking that is being changed). Nothing that
    ``plan`` placed is turned away. The answer's plan is for ``with_newcomers(request, newcomers)``.
    """
    solve.warm()
    started = clock()
    whole = with_newcomers(request, newcomers)
    new = {piece.id for piece in newcomers}
    ranked = _ranked(whole, plan, new)
    found = solve.plan(ranked, seconds=seconds * _PLACED, seed=seed, start=_as_ranked(plan, new), stop_when_all_in=True)
    found = _as_asked(found, whole)
    turned_away = tuple(left for left in found.left_out if left.id in new)
    instead: tuple[LeftOut, ...] = ()
    if turned_away:
        instead = tuple(_instead(whole, found, new, started + seconds * _LOOKED, seed))
    return Answer(not turned_away, turned_away, found, found.filler, instead)


def with_newcomers(request: LoadRequest, newcomers: tuple[PieceSpec, ...]) -> LoadRequest:
    """The request with the newcomers at its end."""
    new = {piece.id for piece in newcomers}
    return replace(request, pieces=(*(piece for piece in request.pieces if piece.id not in new), *newcomers))


_REST: Final = "\x00rest of "


def _ranked(whole: LoadRequest, plan: LoadPlan, new: set[str]) -> LoadRequest:
    """The same pieces; what was placed comes first, then what was left out, then the newcomers."""
    placed = Counter(one.id for layer in plan.layers for one in layer.placed)
    old_levels = max((piece.importance for piece in whole.pieces if piece.id not in new), default=1)
    pieces: list[PieceSpec] = []
    for piece in whole.pieces:
        if piece.id in new:
            pieces.append(replace(piece, importance=_PLANNED + old_levels + piece.importance))
            continue
        if stood := min(placed[piece.id], piece.count):
            pieces.append(replace(piece, count=stood, importance=_PLANNED))
        if rest := piece.count - stood:
            pieces.append(replace(piece, id=_REST + piece.id, count=rest, importance=_PLANNED + piece.importance))
    return replace(whole, pieces=tuple(pieces))


def _as_ranked(plan: LoadPlan, new: set[str]) -> LoadPlan:
    layers = tuple(
        replace(layer, boards=tuple(tuple(one for one in board if one.id not in new) for board in layer.boards))
        for layer in plan.layers
    )
    return replace(plan, layers=layers)


def _as_asked(found: LoadPlan, whole: LoadRequest) -> LoadPlan:
    """The plan with the pieces' own ids again."""
    layers = tuple(
        replace(
            layer,
            boards=tuple(tuple(replace(one, id=one.id.removeprefix(_REST)) for one in board) for board in layer.boards),
        )
        for layer in found.layers
    )
    left: dict[str, LeftOut] = {}
    for out in found.left_out:
        name = out.id.removeprefix(_REST)
        left[name] = LeftOut(name, out.count + (left[name].count if name in left else 0), out.reason)
    return replace(found, request=whole.name, layers=layers, left_out=tuple(left.values()))


def _instead(whole: LoadRequest, found: LoadPlan, new: set[str], until: float, seed: int) -> Iterator[LeftOut]:
    """Pieces that alone would make room, the smallest first, as far as time allows to look."""
    missing = {left.id: left.count for left in found.left_out if left.id in new}
    volume = {piece.id: solve.volume(piece) for piece in whole.pieces}
    wanted = sum(volume[name] * count for name, count in missing.items())
    placed: Mapping[str, int] = Counter(one.id for layer in found.layers for one in layer.placed)
    old = [piece for piece in whole.pieces if piece.id not in new and placed.get(piece.id, 0)]
    others = {left.id for left in found.left_out if left.id not in new}
    for piece in sorted(old, key=lambda piece: (volume[piece.id] * placed[piece.id], piece.id)):
        count = placed[piece.id]
        left = until - clock()
        if left <= 0:
            return
        if volume[piece.id] * count < 0.5 * wanted:
            continue
        pieces = tuple(
            replace(one, count=placed[one.id] + missing.get(one.id, 0))
            for one in whole.pieces
            if one.id != piece.id and placed.get(one.id, 0) + missing.get(one.id, 0) and one.id not in others
        )
        without = replace(whole, pieces=pieces)
        tried = solve.plan(without, seconds=min(left, 0.05), seed=seed, start=found, stop_when_all_in=True)
        if not tried.left_out:
            yield LeftOut(piece.id, count, "Without it, all that is asked now would fit.")
