"""The question “does it fit?” for a piece that is being typed: answered by a plan, beside what the litres say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from time import monotonic
from typing import Any, Final
from uuid import UUID

from django.utils.translation import gettext as _

from coop import computations
from coop.errors import NotFound, Refused
from coop.models import Computation, Coop, Membership
from coop.transactions import reading, use_case
from firings.load_plan import fits as planner
from firings.load_plan import solve
from firings.load_plan.problem import Filler, plan_from, request_document
from firings.models import Firing, Piece
from firings.queries import fits as queries
from firings.queries.firings import firing_of
from firings.queries.fits import Unplaced
from firings.queries.load_plans import request_for
from firings.queries.space import asked_ml, held_ml, litres, pot_spec, terms_of
from firings.services import space
from firings.services.fit_plans import POTS_AT_ONCE, SECONDS, seconds_for
from firings.services.space import PieceSpec

KIND: Final = "fit_question"
_ANSWER_WITHIN: Final = 0.8  # of SECONDS: the page around the answer takes its part of the second


class PlannerNotReady(Refused):
    """The planner was not yet used in this process and is being made ready."""

    kind = "not-ready"
    status = 503


@dataclass(frozen=True, slots=True)
class FitAnswer:
    """What is said to one question; nothing is booked by it.

    ``fits``: the planner found a place for every pot beside everything that holds space. If not, ``turned_away``
    says how many of the pots asked about find none and why, and ``instead`` names pieces each of which alone would
    make room if it stayed out. ``holds``: the litres of ``zone`` (or of another zone that suits) take it at once;
    else it would wait, at ``place`` in line. ``out_already``: pots that hold space and for which the planner found
    no place even before. ``over_cap``: the sentence about the cap per member, if it is passed.
    """

    piece: str
    count: int
    asked_ml: int
    fits: bool
    holds: bool
    zone: str
    place: int
    over_cap: str
    turned_away: tuple[Unplaced, ...]
    instead: tuple[Unplaced, ...]
    out_already: int
    filler: tuple[Filler, ...]
    planned_pots: int
    seconds: float
    asked_at: str

    @property
    def pots_out(self) -> int:
        return sum(out.count for out in self.turned_away)

    def to_json(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> FitAnswer:
        many = {name: tuple(Unplaced(**one) for one in data[name]) for name in ("turned_away", "instead")}
        return cls(**{**data, **many, "filler": tuple(Filler(**one) for one in data["filler"])})


def is_big(firing: Firing, piece: PieceSpec) -> bool:
    """Whether the planner would take longer than a page may: then ``ask`` is the way."""
    return queries.pots_of(firing) + piece.count > POTS_AT_ONCE


def is_ready() -> bool:
    """Whether this process can plan at once; else ``ask`` is the way, and it is being made ready meanwhile."""
    return solve.is_warm()


def check_ready() -> None:
    """Raises PlannerNotReady, for whoever cannot ``ask`` and come back."""
    if not is_ready():
        raise PlannerNotReady(_("The planner is being made ready, which takes up to a minute; ask again then."))


def look(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    firing_id: UUID,
    piece: PieceSpec,
    member_id: UUID | None = None,
    piece_id: UUID | None = None,
    seconds: float | None = None,
) -> FitAnswer:
    """Whether this piece fits beside all that hold space, by bettering the last plan kept. Writes nothing.

    ``piece_id``: the piece is a change of this one. Refused by all that would refuse the booking itself. The planner
    runs outside of any transaction.
    """
    started = monotonic()
    with reading(coop):
        firing = firing_of(coop, firing_id)
        old = _old(coop, firing, piece_id)
        row, fit, member = space.as_asked(
            coop, firing, by=by, now=now, piece=piece, member_id=member_id, instead_of=old
        )
        request, last = request_for(firing), queries.fit_plan_of(firing)
        said = _by_litres(firing, member, row, fit, old)
    new = replace(
        pot_spec(row),
        id=str(old.pk) if old is not None else "0",
        owner=str(member.pk),
        zone=row.wished_zone.zone.name if row.wished_zone is not None else None,
    )
    begin = plan_from(last.plan) if last is not None else queries.empty_plan(request)
    wanted = SECONDS * _ANSWER_WITHIN if seconds is None else seconds
    left = max(0.2, wanted - (monotonic() - started))
    found = planner.answer(request, begin, (new,), seconds=left)
    pieces = request_document(planner.with_newcomers(request, (new,)))["pieces"]
    with reading(coop):
        turned_away = queries.unplaced(pieces, found.turned_away)
        instead = queries.unplaced(pieces, found.instead)
    return FitAnswer(
        piece=row.name,
        count=row.count,
        fits=found.fits,
        turned_away=tuple(turned_away),
        instead=tuple(instead),
        out_already=sum(out.count for out in found.plan.left_out if out.id != new.id),
        filler=found.filler,
        planned_pots=sum(len(layer.placed) for layer in found.plan.layers),
        seconds=round(monotonic() - started, 2),
        asked_at=now.isoformat(),
        **said,
    )


@use_case
def ask(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    firing_id: UUID,
    piece: PieceSpec,
    member_id: UUID | None = None,
    piece_id: UUID | None = None,
) -> Computation:
    """Ask the same as a computation: for loads that take the planner longer than a page may."""
    firing = firing_of(coop, firing_id)
    old = _old(coop, firing, piece_id)
    space.as_asked(coop, firing, by=by, now=now, piece=piece, member_id=member_id, instead_of=old)
    request = {
        "piece": asdict(piece),
        "member": str(member_id) if member_id else None,
        "changes": str(piece_id) if piece_id else None,
    }
    return computations.ask(coop, kind=KIND, subject=firing.public_id, by=by, now=now, request=request)


def answer_kept_question(computation: Computation, now: datetime) -> dict[str, Any]:
    """Answer a question that was asked as a computation. Raises Refused where the piece may not be booked now."""
    said = computation.request
    with reading(computation.coop):
        pots = queries.pots_of(firing_of(computation.coop, UUID(str(computation.subject))))
    return look(
        computation.coop,
        by=computation.asked_by,
        now=now,
        firing_id=UUID(str(computation.subject)),
        piece=PieceSpec(**said["piece"]),
        member_id=UUID(said["member"]) if said["member"] else None,
        piece_id=UUID(said["changes"]) if said["changes"] else None,
        seconds=seconds_for(pots + int(said["piece"]["count"])),
    ).to_json()


def question_of(coop: Coop, *, by: Membership, firing_id: UUID, computation_id: UUID) -> Computation:
    """One's own question about this firing. Raises NotFound."""
    row: Computation | None = (
        Computation.objects.of(coop).filter(public_id=computation_id, kind=KIND, subject=firing_id, asked_by=by).first()
    )
    if row is None:
        raise NotFound(_("There is no such question here."))
    return row


def _old(coop: Coop, firing: Firing, piece_id: UUID | None) -> Piece | None:
    if piece_id is None:
        return None
    old: Piece | None = (
        Piece.objects.of(coop)
        .filter(public_id=piece_id, booking__firing=firing)
        .select_related("booking__member__person", "zone__zone")
        .first()
    )
    if old is None:
        raise NotFound(_("There is no such piece here."))
    return old


def _by_litres(firing: Firing, member: Membership, row: Piece, fit: list[Any], old: Piece | None) -> dict[str, Any]:
    """What the litres say, as the booking would find it."""
    held_before = old.asked_ml if old is not None and old.state == Piece.State.HELD else 0
    roomiest = sorted(fit, key=lambda zone: (old is None or zone.pk != old.zone_id, -zone.free_ml))
    zone = next(
        (
            zone
            for zone in roomiest
            if asked_ml(row, zone.zone)
            <= zone.free_ml + (held_before if old is not None and zone.pk == old.zone_id else 0)
        ),
        None,
    )
    ml = asked_ml(row, (zone or fit[0]).zone)
    waiting = Piece.objects.filter(coop=firing.coop_id, booking__firing=firing).waiting().count()
    return {
        "asked_ml": ml,
        "holds": zone is not None,
        "zone": (zone or fit[0]).zone.name,
        "place": 0 if zone is not None else waiting + 1,
        "over_cap": _over_cap(firing, member, ml - held_before) if zone is not None else "",
    }


def _over_cap(firing: Firing, member: Membership, more_ml: int) -> str:
    cap = terms_of(firing).cap_ml_per_member
    held = held_ml(firing, member)
    if cap is None or held + more_ml <= cap:
        return ""
    return _("A member may hold %(cap)s l in this firing; with this it would be %(sum)s l.") % {
        "cap": litres(cap),
        "sum": litres(held + more_ml),
    }
