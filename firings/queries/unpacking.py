"""What the unpacking page shows: rows of pieces with what became of them, and damage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final
from uuid import UUID

from django.core.paginator import Page, Paginator
from django.db.models import Prefetch, QuerySet, Sum
from django.utils.translation import gettext as _

from coop.access import allowed
from coop.errors import NotFound
from coop.models import Coop, Membership
from firings.access import check_leads, check_takes_part
from firings.models import Damage, Firing, Outcome, Piece
from firings.queries.firings import firing_of

PAGE: Final = 50


@dataclass(frozen=True, slots=True)
class PieceLine:
    """One row of pieces for one reader."""

    piece: Piece
    outcomes: tuple[Outcome, ...]
    may_set: bool

    @property
    def unsaid(self) -> int:
        return self.piece.count - sum(outcome.count for outcome in self.outcomes)

    @property
    def note(self) -> str:
        return self.outcomes[0].note if self.outcomes else ""


@dataclass(frozen=True, slots=True)
class UnpackingPage:
    """The unpacking of one firing as one reader sees it; 50 rows of pieces a page, one's own first."""

    firing: Firing
    lines: tuple[PieceLine, ...]
    page: Page[Any]
    totals: tuple[tuple[str, int], ...]
    pots: int
    rows_unsaid: int
    damages: tuple[Damage, ...]
    takes_outcomes: bool
    takes_damage: bool
    leads: bool


def pieces_of(firing: Firing) -> QuerySet[Piece]:
    """The rows of pieces that had space, with owner, zone and outcomes."""
    pieces: QuerySet[Piece] = (
        Piece.objects.filter(coop=firing.coop_id, booking__firing=firing)
        .held()
        .select_related("booking__member__person", "zone__zone")
        .prefetch_related(Prefetch("outcomes", queryset=Outcome.objects.select_related("by__person")))
        .order_by("booking__member__person__name", "booking__member", "importance", "pk")
    )
    return pieces


def totals_of(firing: Firing) -> tuple[tuple[str, int], ...]:
    """How many pots with which result, in the order of the results; only those there are."""
    sums = dict(
        Outcome.objects.filter(coop=firing.coop_id, piece__booking__firing=firing)
        .order_by()
        .values_list("result")
        .annotate(n=Sum("count"))
    )
    return tuple((str(label), sums[value]) for value, label in Outcome.Result.choices if value in sums)


def damages_of(firing: Firing) -> tuple[Damage, ...]:
    """All damage of the firing, in the order it was written down."""
    return tuple(
        Damage.objects.filter(coop=firing.coop_id, firing=firing).select_related(
            "piece__booking__member__person",
            "borne_by__person",
            "reported_by__person",
            "decided_by__person",
            "agreed_by__person",
            "zone__zone",
        )[:200]
    )


def unpacking_page(coop: Coop, firing_id: UUID, reader: Membership, *, number: str = "1") -> UnpackingPage:
    """Raises NotFound, and NotAllowed for a guest of another firing."""
    firing = firing_of(coop, firing_id)
    check_takes_part(reader, firing)
    leads = allowed(check_leads, reader, firing)
    pieces = pieces_of(firing)
    own_first = [*pieces.filter(booking__member=reader).values_list("pk", flat=True)]
    rest = [*pieces.exclude(booking__member=reader).values_list("pk", flat=True)]
    page = Paginator([*own_first, *rest], PAGE).get_page(number)
    found = {piece.pk: piece for piece in pieces.filter(pk__in=list(page.object_list))}
    takes_outcomes = firing.stage in (Firing.Stage.UNPACKING, Firing.Stage.CLEANUP, Firing.Stage.SETTLING)
    lines = tuple(
        PieceLine(
            piece=found[pk],
            outcomes=tuple(found[pk].outcomes.all()),
            may_set=takes_outcomes and (leads or found[pk].booking.member_id == reader.pk),
        )
        for pk in page.object_list
    )
    return UnpackingPage(
        firing=firing,
        lines=lines,
        page=page,
        totals=totals_of(firing),
        pots=pieces.aggregate(n=Sum("count"))["n"] or 0,
        rows_unsaid=pieces.filter(outcomes=None).count(),
        damages=damages_of(firing),
        takes_outcomes=takes_outcomes,
        takes_damage=takes_outcomes or firing.stage in (Firing.Stage.LOADING, Firing.Stage.LIT, Firing.Stage.COOLING),
        leads=leads,
    )


def find_piece(firing: Firing, piece_id: UUID) -> Piece:
    """One row of pieces of this firing. Raises NotFound."""
    found: Piece | None = pieces_of(firing).filter(public_id=piece_id).first()
    if found is None:
        raise NotFound(_("There is no such piece in this firing."))
    return found


def find_damage(firing: Firing, damage_id: UUID) -> Damage:
    """One damage of this firing. Raises NotFound."""
    for damage in damages_of(firing):
        if damage.public_id == damage_id:
            return damage
    raise NotFound(_("There is no such damage here."))


def who_could_bear(firing: Firing) -> list[Membership]:
    """Everybody with pieces in the firing, by name."""
    owners = pieces_of(firing).order_by().values("booking__member")
    return list(Membership.objects.filter(coop=firing.coop_id, pk__in=owners).select_related("person"))
