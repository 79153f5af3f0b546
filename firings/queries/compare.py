"""Fires side by side: the curve with its plan and earlier fires, and any two firings compared."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, TypeVar
from uuid import UUID

from django.db.models import QuerySet, Sum
from django.utils.translation import gettext as _

from coop.access import allowed
from coop.models import Coop, Membership
from coop.periods import elapsed
from firings.access import check_takes_part
from firings.costs import FiringMoney, money_of
from firings.fire import cones, courses
from firings.fire.courses import Course, Event
from firings.fire.curve import EVENT_KINDS
from firings.fire.entries import Entry, effective
from firings.models import Firing, FiringZone, LogEntry, WoodMove
from firings.queries import fire, unpacking
from firings.queries.firings import firing_of

Figure = TypeVar("Figure", str, int)
EARLIER: Final = 3
OFFERED: Final = 24


def earlier_of(firing: Firing) -> QuerySet[Firing]:
    """Fires of the same kiln that were lit before this one, the latest first."""
    lit = Firing.objects.filter(coop=firing.coop_id, kiln=firing.kiln_id, lit_at__isnull=False).exclude(pk=firing.pk)
    if firing.lit_at is not None:
        lit = lit.filter(lit_at__lt=firing.lit_at)
    return lit.order_by("-lit_at")


def course_of(firing: Firing) -> Course:
    """A fire's course from its readings alone: two columns of the log, corrections applied."""
    if firing.lit_at is None:
        return Course(firing.name, ())
    rows = (
        LogEntry.objects.filter(coop=firing.coop_id, firing=firing, kind=LogEntry.Kind.READING, strikes=False)
        .filter(corrections=None, temperature_dc__isnull=False)
        .order_by("observed_at", "pk")
        .values_list("observed_at", "probe", "temperature_dc", "offset_dc")
    )
    log = [Entry(at=at, kind="reading", probe=probe, temperature_dc=dc + offset) for at, probe, dc, offset in rows]
    return courses.course_of(firing.name, log, firing.lit_at, firing.ended_at)


@dataclass(frozen=True, slots=True)
class CurvePage:
    """This fire, its plan and the earlier fires chosen: the drawing, the same as a table, and what is marked."""

    firing: Firing
    svg: str
    courses: tuple[Course, ...]
    table: tuple[tuple[int, tuple[int | None, ...]], ...]
    events: tuple[tuple[datetime, Event], ...]
    offered: tuple[Firing, ...]
    chosen: frozenset[UUID]


def curve_page(coop: Coop, firing_id: UUID, reader: Membership, chosen: Iterable[UUID] | None) -> CurvePage:
    """``chosen`` None takes the last three fires of the kiln; at most three are laid beside.

    Raises NotFound, and NotAllowed for a guest of another firing.
    """
    firing = firing_of(coop, firing_id)
    check_takes_part(reader, firing)
    offered = [one for one in earlier_of(firing)[:OFFERED] if allowed(check_takes_part, reader, one)]
    wanted = {one.public_id for one in offered[:EARLIER]} if chosen is None else set(chosen)
    beside = [one for one in offered if one.public_id in wanted][:EARLIER]
    log = effective(fire.entries_of(fire.rows_of(firing)))
    lines, events = _laid(firing, log, beside)
    marked = [entry for entry in log if entry.kind in EVENT_KINDS and firing.lit_at and entry.at >= firing.lit_at]
    return CurvePage(
        firing=firing,
        svg=courses.svg(lines, events, title=_("Course of %(firing)s beside earlier fires") % {"firing": firing.name}),
        courses=tuple(lines),
        table=tuple(courses.table(lines)),
        events=tuple((entry.at, event) for entry, event in zip(marked, events, strict=True)),
        offered=tuple(offered),
        chosen=frozenset(one.public_id for one in beside),
    )


def courses_svg(firing: Firing, log: Sequence[Entry]) -> str:
    """The drawing of a fire with its plan and the last three of its kiln, for papers."""
    lines, events = _laid(firing, log, list(earlier_of(firing)[:EARLIER]))
    return courses.svg(lines, events, title=_("Course of %(firing)s beside earlier fires") % {"firing": firing.name})


def _laid(firing: Firing, log: Sequence[Entry], beside: Sequence[Firing]) -> tuple[list[Course], list[Event]]:
    if firing.lit_at is None:
        return [], []
    own = courses.course_of(firing.name, log, firing.lit_at, firing.ended_at)
    charted = cones.equivalent_c(firing.target_cone, fire.SODA_RATE_C_PER_H).temp_c
    plan = [] if charted is None else [courses.planned(_("plan"), charted, float(firing.kiln.hours_likely))]
    words = [entry_words(entry) for entry in log]
    earlier = [_dated(one, course_of(one)) for one in beside]
    return [own, *plan, *earlier], courses.events_of(log, firing.lit_at, words)


def _dated(firing: Firing, course: Course) -> Course:
    return Course(f"{firing.name}, {firing.lit_at:%Y-%m-%d}" if firing.lit_at else firing.name, course.points)


def entry_words(entry: Entry) -> str:
    """One line of a marked entry."""
    said = {
        "cone": _("cone %(cone)s %(state)s %(place)s")
        % {"cone": entry.cone, "state": entry.state, "place": entry.place or entry.pack},
        "soda": _("soda %(g)s g") % {"g": entry.grams or 0},
        "round": {"start": _("round started"), "stop": _("round stopped")}.get(entry.phase, ""),
        "draw": " ".join(filter(None, (_("draw ring"), entry.place))),
        "decision": _("decision"),
        "incident": _("incident"),
    }.get(entry.kind, "")
    return ": ".join(filter(None, (said.strip(), entry.text)))[:160]


# --- Two firings --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Side:
    """One of two firings, in the figures that are laid side by side."""

    firing: Firing
    course: Course
    burnt: timedelta | None
    highest_c: int | None
    stokes: int
    pieces_stoked: int
    wood_dm3: int
    wood_kg: int
    soda_g: int
    soda_g_per_m3: int | None
    rounds: int
    cones: tuple[tuple[str, str], ...]
    outcomes: tuple[tuple[str, int], ...]
    taken_ml: int
    money: FiringMoney | None

    @property
    def wood_m3(self) -> str:
        """Stacked, with the air in it."""
        return f"{self.wood_dm3 / 1000:.1f}"

    @property
    def pots(self) -> int:
        return sum(count for _word, count in self.outcomes)

    @property
    def per_litre_minor(self) -> int | None:
        return None if self.money is None else self.money.per_litre_minor(self.taken_ml)


@dataclass(frozen=True, slots=True)
class ComparePage:
    one: Side
    other: Side | None
    svg: str
    courses: tuple[Course, ...]
    table: tuple[tuple[int, tuple[int | None, ...]], ...]
    cone_rows: tuple[tuple[str, str, str], ...]
    outcome_rows: tuple[tuple[str, int, int], ...]
    offered: tuple[Firing, ...]


def compare_page(coop: Coop, firing_id: UUID, reader: Membership, with_id: UUID | None) -> ComparePage:
    """Two firings side by side; without the second only what may be chosen. Raises NotFound, NotAllowed."""
    firing = firing_of(coop, firing_id)
    check_takes_part(reader, firing)
    lit = Firing.objects.of(coop).filter(lit_at__isnull=False).exclude(pk=firing.pk)
    latest = lit.select_related("kiln").order_by("-lit_at")[:100]
    offered = tuple(one for one in latest if allowed(check_takes_part, reader, one))
    other = None
    if with_id is not None:
        beside = firing_of(coop, with_id)
        check_takes_part(reader, beside)
        other = side_of(beside)
    one = side_of(firing)
    lines = [_dated(side.firing, side.course) for side in (one, other) if side is not None]
    return ComparePage(
        one=one,
        other=other,
        svg=courses.svg(lines, [], title=_("Two fires by hours since lighting")),
        courses=tuple(lines),
        table=tuple(courses.table(lines)),
        cone_rows=_beside(one.cones, other.cones, "–") if other else (),
        outcome_rows=_beside(one.outcomes, other.outcomes, 0) if other else (),
        offered=offered,
    )


def side_of(firing: Firing) -> Side:
    """The figures of one firing."""
    log = effective(fire.entries_of(fire.rows_of(firing)))
    of_kind: dict[str, list[Entry]] = defaultdict(list)
    for entry in log:
        of_kind[entry.kind].append(entry)
    course = course_of(firing)
    soda_g = sum(entry.grams or 0 for entry in of_kind["soda"])
    moved = WoodMove.objects.filter(coop=firing.coop_id, firing=firing, stacked_dm3__lt=0)
    zones = FiringZone.objects.filter(coop=firing.coop_id, firing=firing)
    return Side(
        firing=firing,
        course=course,
        burnt=elapsed(firing.lit_at, firing.ended_at) if firing.lit_at and firing.ended_at else None,
        highest_c=round(max(c for _h, c in course.points)) if course.points else None,
        stokes=len(of_kind["stoke"]),
        pieces_stoked=sum(entry.pieces or 0 for entry in of_kind["stoke"]),
        wood_dm3=-(moved.aggregate(sum=Sum("stacked_dm3"))["sum"] or 0),
        wood_kg=sum(entry.kg or 0 for entry in of_kind["wood"]),
        soda_g=soda_g,
        soda_g_per_m3=round(soda_g * 1000 / firing.kiln.volume_l) if soda_g else None,
        rounds=sum(entry.phase == LogEntry.Phase.START for entry in of_kind["round"]),
        cones=cones_by_place(of_kind["cone"]),
        outcomes=unpacking.totals_of(firing),
        taken_ml=zones.aggregate(sum=Sum("taken_ml"))["sum"] or 0,
        money=money_of(firing),
    )


def cones_by_place(seen: Sequence[Entry]) -> tuple[tuple[str, str], ...]:
    """Of each place (or pack) how its cones stood last, the softest cone first: ``front``, ``9 down, 10 half down``."""
    last: dict[tuple[str, str], Entry] = {}
    for entry in seen:
        last[entry.place or entry.pack, entry.cone] = entry
    by_place: dict[str, list[Entry]] = defaultdict(list)
    for (place, _cone), entry in last.items():
        by_place[place].append(entry)
    return tuple(
        (place, ", ".join(f"{e.cone} {e.state}" for e in sorted(rows, key=lambda e: cones.rank(e.cone))))
        for place, rows in sorted(by_place.items())
    )


def _beside(
    one: Sequence[tuple[str, Figure]], other: Sequence[tuple[str, Figure]], nothing: Figure
) -> tuple[tuple[str, Figure, Figure], ...]:
    """Rows of two lists by their first word."""
    left: dict[str, Figure] = dict(one)
    right: dict[str, Figure] = dict(other)
    return tuple((word, left.get(word, nothing), right.get(word, nothing)) for word in dict.fromkeys([*left, *right]))
