"""Does it fit: the last plan of what holds space in a firing, and what pages say of it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from coop.models import Computation, Membership, Person
from coop.templatetags.look import size
from firings.load_plan.problem import Filler, LeftOut, LoadPlan, LoadRequest
from firings.load_plan.solve import MOST_FILLER
from firings.load_plan.stacking import ASSUMED_PERMILLE
from firings.models import Firing, FitPlan, Piece
from firings.queries.space import ZoneSpace

KIND: Final = "fit_plan"  # of the computation that plans anew
_NUMBERS: Final = (
    *(gettext_lazy("one"), gettext_lazy("two"), gettext_lazy("three"), gettext_lazy("four"), gettext_lazy("five")),
    *(gettext_lazy("six"), gettext_lazy("seven"), gettext_lazy("eight"), gettext_lazy("nine"), gettext_lazy("ten")),
    *(gettext_lazy("eleven"), gettext_lazy("twelve")),
)
# What the planner's answer depends on, of each piece that holds space.
_KNOWN: Final = (
    *("pk", "count", "shape", "diameter_mm", "width_mm", "length_mm", "height_mm", "cone", "is_runny", "is_fragile"),
    *("wants_soda", "importance", "brought", "wished_zone_id"),
)


@dataclass(frozen=True, slots=True)
class Unplaced:
    """Pots for which the planner finds no place; ``piece_pk`` is 0 for a piece that is only asked about."""

    piece_pk: int
    name: str
    owner: str
    count: int
    reason: str


@dataclass(frozen=True, slots=True)
class Stack:
    zone: str
    stack_mm: int
    height_mm: int


@dataclass(frozen=True, slots=True)
class FitView:
    """The newest plan as the space page tells it; ``is_stale``: pieces have come or changed since."""

    made_at: datetime
    is_stale: bool
    pots: int
    unplaced: tuple[Unplaced, ...]
    stacks: tuple[Stack, ...]
    filler: tuple[Filler, ...]
    known: frozenset[int]  # pieces (primary keys) the plan is about

    @property
    def fits(self) -> bool:
        return not self.unplaced

    @property
    def pots_out(self) -> int:
        return sum(one.count for one in self.unplaced)

    def by_reason(self) -> dict[str, list[Unplaced]]:
        """What finds no place, by the reason, in the plan's order."""
        reasons: dict[str, list[Unplaced]] = {}
        for one in self.unplaced:
            reasons.setdefault(one.reason, []).append(one)
        return reasons

    def out_of(self, piece_pk: int) -> int:
        """Pots of this piece for which the plan has no place."""
        return sum(one.count for one in self.unplaced if one.piece_pk == piece_pk)


def fingerprint(firing: Firing) -> str:
    """The same for the same pieces holding space with the same sizes; another one when any of that changes."""
    rows = Piece.objects.filter(coop=firing.coop_id, booking__firing=firing).held().order_by("pk")
    return hashlib.sha256(repr(list(rows.values_list(*_KNOWN))).encode()).hexdigest()


def fit_plan_of(firing: Firing) -> FitPlan | None:
    row: FitPlan | None = FitPlan.objects.filter(coop=firing.coop_id, firing=firing).first()
    return row


def is_being_planned(firing: Firing) -> bool:
    rows = Computation.objects.filter(coop=firing.coop_id, kind=KIND, subject=firing.public_id)
    return bool(rows.filter(state=Computation.State.WAITING).exists())


def view_of(firing: Firing) -> FitView | None:
    """The last plan kept for this firing; None before the first."""
    row = fit_plan_of(firing)
    if row is None:
        return None
    # Read as kept: the row was written by the planner, so a page need not check it against the schema again.
    plan = row.plan
    left_out = [LeftOut(out["id"], out["count"], out["reason"]) for out in plan["left_out"]]
    return FitView(
        made_at=row.made_at,
        is_stale=row.pieces != fingerprint(firing),
        pots=sum(len(board) for layer in plan["layers"] for board in layer["boards"]),
        unplaced=tuple(unplaced(row.request["pieces"], left_out)),
        stacks=tuple(_stacks(firing, row)),
        filler=tuple(Filler(one["count"], one["d"], one["h"]) for one in plan["filler"]),
        known=frozenset(int(piece["id"]) for piece in row.request["pieces"]),
    )


def _stacks(firing: Firing, row: FitPlan) -> Iterator[Stack]:
    request, heights = row.request, row.plan["stack_mm"]
    for zone in request.get("zones") or [{**request["kiln"], "id": firing.kiln.name}]:
        stack = heights[zone["id"]] if isinstance(heights, dict) else heights
        yield Stack(zone["id"], int(stack), int(zone["chamber_height_mm"]))


def unplaced(pieces: Sequence[Mapping[str, Any]], left_out: Sequence[LeftOut]) -> list[Unplaced]:
    """What a plan leaves out of these pieces (load-request/1), with the names of pieces and owners."""
    by_id = {str(piece["id"]): piece for piece in pieces}
    known = [(out, by_id[out.id]) for out in left_out if out.id in by_id]
    owners = {int(piece["owner"]) for _out, piece in known}
    rows = Membership.objects.filter(pk__in=owners).values_list("pk", "person__name") if owners else []
    names = dict(rows)
    return [
        Unplaced(int(out.id), piece.get("label", ""), names.get(int(piece["owner"]), ""), out.count, out.reason)
        for out, piece in known
    ]


def beside_the_litres(fit: FitView, spaces: Sequence[ZoneSpace], waiting: int) -> str:
    """Where the boards answer otherwise than the litres: that they do, and what litres are reckoned from; else ""."""
    if not fit.fits:
        said = ngettext(
            "Litres and boards do not agree: by litres every pot holds space, on the boards one finds none.",
            "Litres and boards do not agree: by litres every pot holds space, on the boards %(out)s find none.",
            fit.pots_out,
        )
    elif waiting and fit.filler:
        said = ngettext(
            "Litres and boards do not agree: by litres one piece waits, on the boards there is room left.",
            "Litres and boards do not agree: by litres %(waiting)s pieces wait, on the boards there is room left.",
            waiting,
        )
    else:
        return ""
    return " ".join((said % {"out": fit.pots_out, "waiting": waiting}, _reckoned(spaces)))


def _reckoned(spaces: Sequence[ZoneSpace]) -> str:
    zones = [space.firing_zone.zone for space in spaces]
    factors = ", ".join(f"{zone.name} {zone.stacking_permille / 1000:.2f}" for zone in zones)
    if any(zone.stacking_permille == ASSUMED_PERMILLE for zone in zones):
        return _(
            "Litres are an estimate: what pots measure times a stacking factor (%(factors)s); 1.15 is assumed until "
            "three loads of this kiln have been fired."
        ) % {"factors": factors}
    return _(
        "Litres are an estimate: what pots measure times the stacking factor of this kiln's last loads (%(factors)s)."
    ) % {"factors": factors}


def empty_plan(request: LoadRequest) -> LoadPlan:
    """The plan of a kiln in which nothing stands yet."""
    return LoadPlan(request.name, ())


def say_filler(filler: Sequence[Filler], person: Person | None) -> list[str]:
    """``about twelve mugs up to 95 mm wide and 110 mm tall``, one sentence part per size that still goes in."""
    return [_say(one, person) for one in filler]


def _say(one: Filler, person: Person | None) -> str:
    counted: Mapping[str, Any] = {
        "number": _NUMBERS[one.count - 1] if one.count <= len(_NUMBERS) else one.count,
        "wide": size(one.d, person),
        "tall": size(one.h, person),
    }
    if one.count >= MOST_FILLER:
        return _("%(number)s or more pots up to %(wide)s wide and %(tall)s tall") % counted
    if one.h * 3 <= one.d:
        text = ngettext(
            "about %(number)s plate up to %(wide)s wide and %(tall)s tall",
            "about %(number)s plates up to %(wide)s wide and %(tall)s tall",
            one.count,
        )
    elif one.h < one.d and one.d > 120:
        text = ngettext(
            "about %(number)s bowl up to %(wide)s wide and %(tall)s tall",
            "about %(number)s bowls up to %(wide)s wide and %(tall)s tall",
            one.count,
        )
    elif one.h < one.d:
        text = ngettext(
            "about %(number)s cup up to %(wide)s wide and %(tall)s tall",
            "about %(number)s cups up to %(wide)s wide and %(tall)s tall",
            one.count,
        )
    else:
        text = ngettext(
            "about %(number)s mug up to %(wide)s wide and %(tall)s tall",
            "about %(number)s mugs up to %(wide)s wide and %(tall)s tall",
            one.count,
        )
    return text % counted


def pots_of(firing: Firing) -> int:
    """Pots that hold space, a measure of how long planning takes."""
    rows = Piece.objects.filter(coop=firing.coop_id, booking__firing=firing).held()
    return sum(rows.values_list("count", flat=True))
