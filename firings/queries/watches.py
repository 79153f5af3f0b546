"""Watches as pages read them: who is on when, what is missing in words, wishes, proposals, the chart."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import groupby
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Prefetch, Q
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from coop.errors import NotFound
from coop.models import Computation, Coop, Membership, SignOff
from coop.periods import show_length, show_time
from firings.models import (
    CrewNews,
    Firing,
    PlaceOffer,
    PlaceQuestion,
    Watch,
    WatchPlace,
    WatchProposal,
    WatchSwap,
    Wish,
    WishLimits,
)
from firings.queries import hours

MOST = 50
MOST_KILNS = 8


@dataclass(frozen=True, slots=True)
class Person:
    """One place that is taken: by whom, in which part, on offer or not, confirmed or not."""

    place: WatchPlace
    name: str
    leads: bool
    is_novice: bool
    is_mine: bool
    offer: PlaceOffer | None
    news: CrewNews | None = None

    @property
    def is_out(self) -> bool:
        """They have said that they cannot come; the place is theirs only until the roster is mended."""
        return self.news is not None and self.news.kind == CrewNews.Kind.OUT

    @property
    def late_minutes(self) -> int:
        return self.news.minutes or 0 if self.news is not None and self.news.kind == CrewNews.Kind.LATE else 0


@dataclass(frozen=True, slots=True)
class WatchRow:
    """One watch with its crew, for one reader."""

    watch: Watch
    crew: tuple[Person, ...]
    mine: Person | None
    wish: str
    has_begun: bool
    is_over: bool
    lacks_lead: bool
    too_many_novices: bool

    @property
    def open(self) -> int:
        """Places that must be filled and are not; who has said that they cannot come fills none."""
        return max(0, self.watch.people - self.watch.taken + sum(person.is_out for person in self.crew))

    @property
    def free(self) -> int:
        return max(0, self.watch.most_people - len(self.crew))

    @property
    def has_gap(self) -> bool:
        return not self.is_over and bool(self.open or self.lacks_lead or self.too_many_novices)

    @property
    def troubles(self) -> list[str]:
        """What is missing, in words."""
        found = []
        if self.open:
            found.append(ngettext("%(n)d place open", "%(n)d places open", self.open) % {"n": self.open})
        if self.lacks_lead:
            found.append(_("nobody to lead"))
        if self.too_many_novices:
            found.append(_("more novices than experienced"))
        found += [_("%(who)s cannot come") % {"who": person.name} for person in self.crew if person.is_out]
        return found

    @property
    def blanks(self) -> range:
        """As many lines to write a name on as places are open; one where only a skill is missing."""
        return range(max(1, self.open))

    @property
    def can_take(self) -> bool:
        return not self.has_begun and self.mine is None and self.free > 0


def rows_for(firing: Firing, me: Membership | None, now: datetime, *, only: UUID | None = None) -> list[WatchRow]:
    """The firing's watches in order, as ``me`` sees them; the number of queries does not grow with them."""
    places = (
        WatchPlace.objects.filter(coop=firing.coop_id, given_up_at=None)
        .select_related("member__person", "confirmed_by__person")
        .prefetch_related("member__sign_offs")
    )
    watches = (
        Watch.objects.filter(coop=firing.coop_id, firing=firing)
        .standing()
        .prefetch_related(Prefetch("places_held", queryset=places))
    )
    if only is not None:
        watches = watches.filter(public_id=only)
    offers = {
        offer.place_id: offer
        for offer in PlaceOffer.objects.filter(
            coop=firing.coop_id, place__watch__firing=firing, closed_at=None
        ).select_related("to_member__person")
    }
    news = {
        one.place_id: one
        for one in CrewNews.objects.filter(coop=firing.coop_id, firing=firing, closed_at=None, place__isnull=False)
    }
    wishes: Mapping[int, str] = (
        {}
        if me is None
        else dict(
            Wish.objects.filter(coop=firing.coop_id, member=me, watch__firing=firing).values_list("watch", "value")
        )
    )
    zone = ZoneInfo(firing.coop.time_zone)
    return [_row(watch, me, now, offers, news, wishes.get(watch.pk, ""), zone) for watch in watches]


def _row(
    watch: Watch,
    me: Membership | None,
    now: datetime,
    offers: Mapping[int, PlaceOffer],
    news: Mapping[int, CrewNews],
    wish: str,
    zone: ZoneInfo,
) -> WatchRow:
    on = watch.starts_at.astimezone(zone).date()
    crew = tuple(
        Person(
            place=place,
            name=place.member.person.name,
            leads=place.is_leading,
            is_novice=_is_novice(place.member, on),
            is_mine=me is not None and place.member_id == me.pk,
            offer=offers.get(place.pk),
            news=news.get(place.pk),
        )
        for place in watch.places_held.all()
    )
    there = [person for person in crew if not person.is_out]
    leads = sum(person.place.member.signed_off(SignOff.Kind.LEADING, on) for person in there)
    novices = sum(person.is_novice for person in there)
    return WatchRow(
        watch=watch,
        crew=crew,
        mine=next((person for person in crew if person.is_mine), None),
        wish=wish,
        has_begun=watch.starts_at <= now,
        is_over=watch.ends_at <= now,
        lacks_lead=leads < watch.leads,
        too_many_novices=novices > len(there) - novices,
    )


def _is_novice(member: Membership, on: date) -> bool:
    return not (member.signed_off(SignOff.Kind.STOKING, on) or member.signed_off(SignOff.Kind.LEADING, on))


def row_of(firing: Firing, watch_id: UUID, me: Membership, now: datetime) -> WatchRow:
    """One watch. Raises NotFound."""
    rows = rows_for(firing, me, now, only=watch_id)
    if not rows:
        raise NotFound(_("There is no such watch in this firing."))
    return rows[0]


def offers_to(firing: Firing, me: Membership, now: datetime) -> list[PlaceOffer]:
    """Places this member could take over: offered to them, or to anybody; their own are not among them."""
    return list(
        PlaceOffer.objects.filter(
            coop=firing.coop_id, place__watch__firing=firing, closed_at=None, place__watch__ends_at__gt=now
        )
        .filter(Q(to_member=me) | Q(to_member=None))
        .exclude(place__member=me)
        .select_related("place__watch", "place__member__person", "to_member")
        .order_by("place__watch__starts_at", "pk")[:MOST]
    )


def swaps_of(firing: Firing, me: Membership, now: datetime) -> tuple[list[WatchSwap], list[WatchSwap]]:
    """Swaps that wait: those ``me`` is asked for, and those they asked for; what has begun is no longer one."""
    found = list(
        WatchSwap.objects.filter(coop=firing.coop_id, closed_at=None)
        .filter(Q(place__watch__firing=firing) | Q(for_place__watch__firing=firing))
        .filter(Q(place__member=me) | Q(for_place__member=me))
        .filter(place__watch__starts_at__gt=now, for_place__watch__starts_at__gt=now)
        .select_related("place__watch", "place__member__person", "for_place__watch", "for_place__member__person")
        .order_by("asked_at", "pk")[:MOST]
    )
    return [one for one in found if one.for_place.member_id == me.pk], [
        one for one in found if one.place.member_id == me.pk
    ]


def could_swap(rows: Sequence[WatchRow], mine: Person) -> list[Person]:
    """Places of this firing's watches to come that one may ask to swap one's own for."""
    own = {row.watch.pk for row in rows if row.mine is not None}
    me, there = (
        mine.place.member_id,
        {person.place.member_id for row in rows if row.mine == mine for person in row.crew},
    )
    return [
        person
        for row in rows
        if not row.has_begun and row.watch.pk not in own
        for person in row.crew
        if person.place.member_id != me and person.place.member_id not in there and not person.is_out
    ]


def news_of(firing: Firing) -> list[CrewNews]:
    """What upsets the roster now, in the order it was said."""
    return list(
        CrewNews.objects.filter(coop=firing.coop_id, firing=firing, closed_at=None).select_related(
            "place__watch", "place__member__person"
        )[:MOST]
    )


def questions_of(firing: Firing) -> list[PlaceQuestion]:
    """What people at the fire were asked and have not answered."""
    return list(
        PlaceQuestion.objects.filter(coop=firing.coop_id, firing=firing, closed_at=None).select_related(
            "member__person",
            "takes__firing__kiln",
            "takes__firing__coop",
            "place__member__person",
            "place__watch__firing__kiln",
            "place__watch__firing__coop",
        )[:MOST]
    )


def limits_of(firing: Firing, me: Membership) -> WishLimits:
    """What a member set for the firing as a whole; unsaved and empty where they set nothing."""
    found = WishLimits.objects.filter(coop=firing.coop_id, firing=firing, member=me).first()
    return found or WishLimits(coop=firing.coop, firing=firing, member=me)


@dataclass(frozen=True, slots=True)
class WishNight:
    """Watches that belong together: those of a day, or of the night that begins in its evening."""

    key: str
    day: datetime
    is_night: bool
    rows: tuple[WatchRow, ...]


def nights_of(firing: Firing, rows: Sequence[WatchRow]) -> list[WishNight]:
    """The watches in order, grouped by day and by night; a night belongs to the evening it begins in."""
    zone = ZoneInfo(firing.coop.time_zone)

    def group(row: WatchRow) -> tuple[date, bool]:
        is_night, begins = is_at_night(row.watch, firing), row.watch.starts_at.astimezone(zone)
        return ((begins - timedelta(hours=12)).date() if is_night else begins.date(), is_night)

    found = []
    for (day, is_night), of_group in groupby(rows, key=group):
        noon = datetime(day.year, day.month, day.day, 12, tzinfo=zone)
        found.append(WishNight(f"{day:%Y%m%d}{'n' if is_night else 'd'}", noon, is_night, tuple(of_group)))
    return found


def could_be_asked(coop: Coop, row: WatchRow) -> list[Membership]:
    """Members one may offer a place on this watch to."""
    there = [person.place.member_id for person in row.crew]
    return list(Membership.objects.of(coop).current().exclude(pk__in=there).select_related("person"))


def is_at_night(watch: Watch, firing: Firing) -> bool:
    """Whether two hours or more of the watch lie in the co-op's night."""
    terms = hours.terms_of(firing)
    return hours.night_minutes(watch.starts_at, watch.ends_at, firing.coop.time_zone, terms) >= 120


# --- Proposals ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ProposedPlace:
    name: str
    is_new: bool
    wish: str


@dataclass(frozen=True, slots=True)
class ProposedWatch:
    """One watch of a proposal: who stands on it, who of them is new, and why places stay open."""

    watch: Watch
    crew: tuple[ProposedPlace, ...]
    open: int
    why: str

    @property
    def has_new(self) -> bool:
        return any(place.is_new for place in self.crew)

    @property
    def has_kept(self) -> bool:
        return not all(place.is_new for place in self.crew)


@dataclass(frozen=True, slots=True)
class TierLine:
    """One aim of the roster in plain words: what was reached, and how good that is."""

    aim: str
    reached: str
    judged: str
    is_best: bool


def _tier_lines(row: WatchProposal) -> tuple[TierLine, ...]:
    """The tiers of an answer, the more important first."""
    answer, unit = row.answer, int(row.request.get("unit_min", 30))
    aims: list[tuple[str, Callable[[int], str]]] = [
        (_("Places left open"), _places),
        (_("Places with somebody who would rather not, or has said nothing"), _places),
        (_("The furthest that anybody is from the hours or nights owed"), lambda n: _hours_of(n, unit)),
        (_("Unevenness over everybody: large distances count more"), str),
        (_("Places with somebody who can, but did not ask for it"), _places),
    ]
    rows = zip(aims, answer.get("tiers", []), answer.get("bounds", []), answer.get("proven", []), strict=False)
    lines = []
    for (aim, shown), reached, bound, proven in rows:
        best = bool(proven) or reached == bound
        if best:
            judged = _("proven: no roster does better")
        else:
            share = round(100 * (reached - bound) / reached) if reached else 0
            judged = _("at best %(bound)s; within %(share)d %% of it") % {"bound": shown(bound), "share": share}
        lines.append(TierLine(aim, shown(reached), judged, best))
    return tuple(lines)


def _places(number: int) -> str:
    return ngettext("%(n)d place", "%(n)d places", number) % {"n": number}


def _hours_of(units: int, unit_min: int) -> str:
    return show_length(timedelta(minutes=units * unit_min))


@dataclass(frozen=True, slots=True)
class Proposal:
    """A proposal as the lead reads it."""

    row: WatchProposal
    watches: tuple[ProposedWatch, ...]
    new_places: int
    open_places: int
    against_wishes: int
    is_open: bool
    is_stale: bool
    reasons: tuple[str, ...] = ()
    ways_out: tuple[str, ...] = ()
    tiers: tuple[TierLine, ...] = ()

    @property
    def told(self) -> list[tuple[str, list[Watch]]]:
        """Who gets a mail when it is accepted, and for which watches; nobody else hears of it."""
        found: dict[str, list[Watch]] = {}
        for one in self.watches:
            for place in one.crew:
                if place.is_new:
                    found.setdefault(place.name, []).append(one.watch)
        return sorted(found.items())


def latest_proposal(firing: Firing) -> WatchProposal | None:
    found: WatchProposal | None = WatchProposal.objects.filter(
        coop=firing.coop_id, firing=firing, replaced_at=None
    ).first()
    return found


def waiting_computation(firing: Firing) -> Computation | None:
    """A roster that is being computed, whole or mended."""
    found: Computation | None = Computation.objects.filter(
        coop=firing.coop_id,
        kind__in=["watch_roster", "watch_mending"],
        subject=firing.public_id,
        state=Computation.State.WAITING,
    ).first()
    return found


def proposal_of(firing: Firing, proposal_id: UUID) -> Proposal:
    """Raises NotFound."""
    row = WatchProposal.objects.filter(coop=firing.coop_id, firing=firing, public_id=proposal_id).first()
    if row is None:
        raise NotFound(_("There is no such proposal here."))
    assigned: dict[str, list[str]] = row.answer["assigned"]
    names = {one["id"]: one.get("name") or one["id"] for one in row.request["people"]}
    signs = _signs(row.request)
    why = {one["task"]: one for one in row.answer.get("unfilled", [])}
    held: dict[str, set[str]] = {}
    watches = Watch.objects.filter(coop=firing.coop_id, firing=firing).standing()
    for watch, member in WatchPlace.objects.filter(
        coop=firing.coop_id, watch__in=watches, given_up_at=None
    ).values_list("watch__public_id", "member__public_id"):
        held.setdefault(str(watch), set()).add(str(member))
    shown = []
    for watch in watches:
        task = str(watch.public_id)
        if task not in assigned:
            continue
        there = held.get(task, set())
        crew = [ProposedPlace(names[one], one not in there, signs.get((one, task), "")) for one in assigned[task]]
        gap = why.get(task, {})
        shown.append(ProposedWatch(watch, tuple(crew), gap.get("places", 0), gap.get("why", "")))
    return Proposal(
        row=row,
        watches=tuple(shown),
        new_places=sum(place.is_new for one in shown for place in one.crew),
        open_places=sum(one.open for one in shown),
        against_wishes=sum(place.is_new and place.wish == "-" for one in shown for place in one.crew),
        is_open=row.accepted_at is None and row.replaced_at is None,
        is_stale=len(shown) < len(assigned),
        reasons=tuple(row.answer.get("reasons", ())),
        ways_out=tuple(row.answer.get("ways_out", ())),
        tiers=_tier_lines(row),
    )


def _signs(request: Mapping[str, Any]) -> dict[tuple[str, str], str]:
    return {
        (person["id"], task["id"]): sign
        for person, row in zip(request["people"], request["avail"], strict=True)
        for task, sign in zip(request["tasks"], row, strict=True)
    }


# --- The chart ----------------------------------------------------------------------------

CHART_W, LABEL_W, GAP = 320, 84, 4
PX_PER_HOUR, LEAST_H, DAY_H = 9, 40, 22

# One place of a chart: what it is (held, mine, new, out, open), the name or word, a mark before it.
Seat = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class Cell:
    """One place: ``kind`` is held, mine, new, out (has said they cannot come) or open (must be filled)."""

    x: int
    y: int
    w: int
    h: int
    kind: str
    text: str
    mark: str

    @property
    def is_gap(self) -> bool:
        return self.kind in ("open", "out")

    @property
    def mid_x(self) -> int:
        return self.x + self.w // 2

    @property
    def mid_y(self) -> int:
        return self.y + self.h // 2 + 4

    @property
    def label_y(self) -> int:
        """Top of the plate under the word of an open place."""
        return self.mid_y - 13

    @property
    def strike(self) -> str:
        """A stroke through the name of who cannot come."""
        return f"M{self.x + 6} {self.mid_y - 4}h{self.w - 12}"


@dataclass(frozen=True, slots=True)
class Bar:
    """One watch: a row as high as it is long, one cell per place."""

    y: int
    h: int
    starts: str
    ends: str
    title: str
    is_night: bool
    has_gap: bool
    cells: tuple[Cell, ...]

    @property
    def text_y(self) -> int:
        return self.y + 16

    @property
    def second_y(self) -> int:
        return self.y + 32


@dataclass(frozen=True, slots=True)
class DayLine:
    y: int
    day: datetime


@dataclass(frozen=True, slots=True)
class Chart:
    """Bars of one kiln, from top to bottom; ``now_y`` is where the present moment lies, None outside the fire."""

    width: int
    height: int
    days: tuple[DayLine, ...]
    bars: tuple[Bar, ...]
    now_y: int | None = None
    kiln: str = ""


def chart_of(firing: Firing, rows: Sequence[WatchRow], now: datetime) -> Chart:
    """The roster as bars: time runs down, one column per place, so that a phone shows it whole."""
    seats = [(row.watch, [_seat_of(person) for person in row.crew], row.has_gap) for row in rows]
    return _chart(firing, seats, now)


def _seat_of(person: Person) -> Seat:
    if person.is_out:
        return ("out", person.name, "✕ ")
    return ("mine" if person.is_mine else "held", person.name, "★" if person.leads else "")


def chart_of_proposal(firing: Firing, proposal: Proposal, now: datetime) -> Chart:
    seats: list[tuple[Watch, list[Seat], bool]] = [
        (
            one.watch,
            [("new", place.name, "+") if place.is_new else ("held", place.name, "") for place in one.crew],
            bool(one.open),
        )
        for one in proposal.watches
    ]
    return _chart(firing, seats, now)


def charts_by_kiln(coop: Coop, me: Membership, now: datetime) -> list[tuple[Firing, Chart, list[WatchRow]]]:
    """The rosters of every kiln that burns or will within two weeks, side by side; the earliest fire first."""
    firings = (
        Firing.objects.of(coop)
        .filter(watches__cancelled_at=None, watches__ends_at__gt=now, watches__starts_at__lt=now + timedelta(days=14))
        .exclude(stage=Firing.Stage.CALLED_OFF)
        .select_related("kiln", "coop", "policy", "lead__person")
        .distinct()
        .order_by("lights_at", "pk")[:MOST_KILNS]
    )
    shown = []
    for firing in firings:
        rows = [row for row in rows_for(firing, me, now) if not row.is_over]
        shown.append((firing, chart_of(firing, rows, now), rows))
    return shown


def _chart(firing: Firing, seats: Sequence[tuple[Watch, list[Seat], bool]], now: datetime) -> Chart:
    zone, y, now_y = ZoneInfo(firing.coop.time_zone), 0, None
    columns = max((max(len(crew), watch.people + _out(crew)) for watch, crew, _gap in seats), default=1)
    width = (CHART_W - LABEL_W) // columns
    bars, days = [], []
    for day, of_day in groupby(seats, key=lambda seat: seat[0].starts_at.astimezone(zone).date()):
        days.append(DayLine(y + 15, datetime(day.year, day.month, day.day, 12, tzinfo=zone)))
        y += DAY_H
        for watch, crew, has_gap in of_day:
            length = watch.ends_at - watch.starts_at
            h = max(LEAST_H, PX_PER_HOUR * length // timedelta(hours=1))
            missing = max(0, watch.people - len(crew) + _out(crew))
            filled = [*crew, *[("open", _("open"), "")] * missing]
            cells = tuple(
                Cell(LABEL_W + place * width, y, width - GAP, h - GAP, kind, _short(text, width, mark), mark)
                for place, (kind, text, mark) in enumerate(filled)
            )
            starts, ends = show_time(watch.starts_at, zone), show_time(watch.ends_at, zone)
            title = f"{starts} - {ends}: " + ", ".join(_spoken(seat) for seat in filled)
            is_night = is_at_night(watch, firing)
            bars.append(Bar(y, h, starts, ends, title, is_night, has_gap, cells))
            if watch.starts_at <= now < watch.ends_at:
                now_y = y + round((h - GAP) * ((now - watch.starts_at) / length))
            y += h
    return Chart(CHART_W, y + 4, tuple(days), tuple(bars), now_y, firing.kiln.name)


def _out(crew: Sequence[Seat]) -> int:
    return sum(kind == "out" for kind, _text, _mark in crew)


def _spoken(seat: Seat) -> str:
    kind, text, _mark = seat
    return _("%(who)s, cannot come") % {"who": text} if kind == "out" else text


def _short(text: str, width: int, mark: str) -> str:
    """First name, cut to what the cell holds (about 7 px a letter, two of them for a mark)."""
    most = max(3, (width - GAP - 4) // 7 - (2 if mark else 0))
    first = text.split()[0] if text.split() else text
    return first if len(first) <= most else f"{first[: most - 1]}…"
