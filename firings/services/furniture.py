"""Boards and posts as stock: listed, counted, changed in condition or place, and fired."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from django.db.models import F
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop.errors import NotFound, Refused, Taken
from coop.models import Coop, Membership
from coop.transactions import say, use_case
from firings.access import check_steward
from firings.models import Firing, FiringZone, FurnitureLot, FurnitureMove, Kiln, Layer, LoadPlan, Zone
from firings.services.kilns import kiln_of

say(
    furniture_lot_has_its_sizes=gettext_lazy(
        "Boards have width, length and thickness, posts a height and nothing else; correct the sizes."
    ),
    furniture_lot_is_countable=gettext_lazy("That is more than any kiln shed holds; correct the number."),
    furniture_fired_once_per_firing=gettext_lazy("This firing is counted for these boards already."),
    furniture_comes_from_another_lot=gettext_lazy("A row of the stock list cannot come out of itself."),
)

MOST = 30_000
MOST_MM = 5_000
MOST_FIRINGS = 10_000


@use_case
def list_furniture(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    kiln_id: UUID,
    kind: str,
    count: int,
    w_mm: int = 0,
    l_mm: int = 0,
    thickness_mm: int = 0,
    height_mm: int = 0,
    zone_id: UUID | None = None,
    condition: str = FurnitureLot.Condition.SOUND,
    firings: int = 0,
    note: str = "",
) -> FurnitureLot:
    """Put boards of one size, or posts of one height, on the stock list of a kiln."""
    check_steward(by)
    kiln = kiln_of(coop, kiln_id)
    sizes = {"w_mm": w_mm, "l_mm": l_mm, "thickness_mm": thickness_mm, "height_mm": height_mm}
    _check(kind=kind, condition=condition, count=count, firings=firings, sizes=sizes)
    lot: FurnitureLot = FurnitureLot.objects.create(
        coop=coop,
        kiln=kiln,
        kind=kind,
        zone=_zone(kiln, zone_id),
        condition=condition,
        count=count,
        firings=firings,
        note=_note(note, 120),
        **sizes,
    )
    _write(lot, FurnitureMove.Kind.LISTED, count, by, now)
    return lot


@use_case
def count_furniture(
    coop: Coop, *, by: Membership | None, now: datetime, lot_id: UUID, count: int, note: str = ""
) -> FurnitureLot:
    """Stock-taking: so many are there now, whatever the list said. None at all closes the row and keeps its record."""
    check_steward(by)
    lot = _lot(coop, lot_id)
    if not 0 <= count <= MOST:
        raise _wrong("count", _("Count from 0 to %(most)s.") % {"most": MOST})
    if count == lot.count:
        raise Refused(_("The list says %(count)s already; nothing is to be corrected.") % {"count": count})
    if not FurnitureLot.objects.of(coop).filter(pk=lot.pk, count=lot.count).update(count=count):
        raise Taken(_("Somebody changed this row just now; load the page again."))
    difference, lot.count = count - lot.count, count
    _write(lot, FurnitureMove.Kind.COUNTED, difference, by, now, note=note)
    return lot


@use_case
def change_furniture(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    lot_id: UUID,
    count: int,
    condition: str,
    zone_id: UUID | None = None,
    note: str = "",
) -> FurnitureLot:
    """So many of a row are in another condition now, or lie in another zone (None: in any).

    Where it is not all of them they become a row of their own, or join one that is alike in everything.
    """
    check_steward(by)
    lot = _lot(coop, lot_id)
    zone = _zone(lot.kiln, zone_id)
    if condition not in FurnitureLot.Condition.values:
        raise _wrong("condition", _("Pick a condition from the list."))
    if not 1 <= count <= lot.count:
        raise _wrong("count", _("Give a number from 1 to %(most)s; more are not in this row.") % {"most": lot.count})
    if (condition, zone) == (lot.condition, lot.zone):
        raise Refused(_("Nothing would change: pick another condition or another zone."))
    kind = FurnitureMove.Kind.PLACE if condition == lot.condition else FurnitureMove.Kind.CONDITION
    taken = FurnitureLot.objects.of(coop).filter(pk=lot.pk, count=lot.count)
    if count == lot.count:
        done = taken.update(condition=condition, zone=zone)
        lot.condition, lot.zone, into, origin = condition, zone, lot, None
    else:
        done = taken.update(count=F("count") - count)
        into, origin = _into(lot, count, condition, zone), lot
    if not done:
        raise Taken(_("Somebody changed this row just now; load the page again."))
    _write(into, kind, count, by, now, note=note, origin=origin)
    return into


def _into(lot: FurnitureLot, count: int, condition: str, zone: Zone | None) -> FurnitureLot:
    """The row the parted ones join, or a new one like theirs."""
    alike = {name: getattr(lot, name) for name in ("kiln", "kind", "w_mm", "l_mm", "thickness_mm", "height_mm")}
    alike |= {"firings": lot.firings, "condition": condition, "zone": zone, "note": lot.note}
    rows = FurnitureLot.objects.filter(coop=lot.coop_id).there()
    found: FurnitureLot | None = rows.filter(**alike).order_by("pk").first()
    if found is not None and FurnitureLot.objects.filter(pk=found.pk).update(count=F("count") + count):
        found.refresh_from_db()
        return found
    return FurnitureLot.objects.create(coop_id=lot.coop_id, count=count, **alike)


def fire_furniture(firing: Firing, by: Membership | None, now: datetime) -> int:
    """Count the firing for every row fit for use that lay in a zone with a layer; returns how many rows.

    A shared step, called inside the use case that ends the unpacking. Counted twice it counts once. Without an
    accepted plan every zone of the firing was used.
    """
    zones = _zones_used(firing)
    lots = FurnitureLot.objects.filter(coop=firing.coop_id, kiln=firing.kiln_id).fit_for_use()
    done = FurnitureMove.objects.filter(coop=firing.coop_id, firing=firing, kind=FurnitureMove.Kind.FIRED)
    rows = [
        lot
        for lot in lots.exclude(pk__in=done.values("lot")).select_related("zone")
        if lot.zone_id is None or lot.zone_id in zones
    ]
    FurnitureLot.objects.filter(pk__in=[lot.pk for lot in rows]).update(firings=F("firings") + 1)
    for lot in rows:
        _write(lot, FurnitureMove.Kind.FIRED, lot.count, by, now, firing=firing)
    return len(rows)


def _zones_used(firing: Firing) -> set[int]:
    """Zones by primary key."""
    layers = Layer.objects.filter(coop=firing.coop_id, plan__firing=firing, plan__state=LoadPlan.State.ACCEPTED)
    used = set(layers.values_list("zone__zone_id", flat=True))
    return used or set(FiringZone.objects.filter(coop=firing.coop_id, firing=firing).values_list("zone_id", flat=True))


def _lot(coop: Coop, lot_id: UUID) -> FurnitureLot:
    found: FurnitureLot | None = (
        FurnitureLot.objects.of(coop).select_related("kiln", "zone").filter(public_id=lot_id).first()
    )
    if found is None:
        raise NotFound(_("There is no such row in the stock list here."))
    return found


def _zone(kiln: Kiln, zone_id: UUID | None) -> Zone | None:
    if zone_id is None:
        return None
    found: Zone | None = Zone.objects.filter(coop=kiln.coop_id, kiln=kiln, public_id=zone_id).first()
    if found is None:
        raise NotFound(_("This kiln has no such zone."))
    return found


def _write(
    lot: FurnitureLot,
    kind: str,
    count: int,
    by: Membership | None,
    now: datetime,
    *,
    firing: Firing | None = None,
    origin: FurnitureLot | None = None,
    note: str = "",
) -> None:
    FurnitureMove.objects.create(
        coop_id=lot.coop_id,
        lot=lot,
        kind=kind,
        count=count,
        condition=lot.condition,
        zone_name=lot.zone.name if lot.zone else "",
        firing=firing,
        origin=origin,
        at=now,
        by=by,
        note=_note(note, 200),
    )


def _check(*, kind: str, condition: str, count: int, firings: int, sizes: dict[str, int]) -> None:
    faults: dict[str, list[str]] = {}
    if kind not in FurnitureLot.Kind.values:
        faults["kind"] = [_("Say whether these are boards or posts.")]
    if condition not in FurnitureLot.Condition.values:
        faults["condition"] = [_("Pick a condition from the list.")]
    if not 1 <= count <= MOST:
        faults["count"] = [_("Give how many: 1 to %(most)s.") % {"most": MOST}]
    if not 0 <= firings <= MOST_FIRINGS:
        faults["firings"] = [_("Give the firings done so far: 0 to %(most)s.") % {"most": MOST_FIRINGS}]
    least = {"w_mm": 50, "l_mm": 50, "thickness_mm": 1} if kind == FurnitureLot.Kind.BOARD else {"height_mm": 1}
    for name, value in sizes.items():
        if name in least and not least[name] <= value <= MOST_MM:
            faults[name] = [_("Give %(least)s to %(most)s mm.") % {"least": least[name], "most": MOST_MM}]
        elif name not in least and value:
            faults[name] = [_("Leave this empty: it does not belong to what you list.")]
    if faults:
        raise Refused(" ".join(text for texts in faults.values() for text in texts), fields=faults)


def _wrong(field: str, sentence: str) -> Refused:
    return Refused(sentence, fields={field: [sentence]})


def _note(text: str, most: int) -> str:
    tidy = " ".join(text.split())
    if len(tidy) > most or not tidy.isprintable():
        raise _wrong("note", _("Keep the note to %(most)s letters on one line.") % {"most": most})
    return tidy
