"""Kilns, materials and wood: added, changed, retired; wood moved in and out."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.db.models import F
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop.errors import Malformed, NotFound, Refused, Taken
from coop.models import Coop, Membership
from coop.transactions import say, use_case
from firings import lifecycle
from firings.access import check_steward
from firings.fire import cones
from firings.kiln_file import KilnSpec, ZoneSpec
from firings.models import (
    CrewPhase,
    Firing,
    Kiln,
    Material,
    PostSet,
    PostSpot,
    TemplateItem,
    WoodMove,
    WoodStack,
    Zone,
)

say(
    kiln_name_used_once=gettext_lazy("There is a kiln of this name already; give this one another name."),
    kiln_hours_are_in_order=gettext_lazy("The hours of fire must rise: at least, likely, at most."),
    kiln_watch_is_an_hour_or_more=gettext_lazy("A watch lasts an hour or more."),
    kiln_has_a_volume=gettext_lazy("Give the kiln's inner volume in litres."),
    zone_name_used_once_per_kiln=gettext_lazy("Two zones have one name; give each its own."),
    zone_sizes_make_sense=gettext_lazy("Boards and heights are between 50 and 5000 mm; correct the sizes."),
    post_spot_has_an_area=gettext_lazy("A post spot needs two different corners."),
    post_height_listed_once=gettext_lazy("Posts of one height stand in the list twice; add them up."),
    post_has_a_height=gettext_lazy("A post is at least 1 mm high; correct its height."),
    phase_begins_once=gettext_lazy("Two phases begin at the same point; they follow one another."),
    phase_lies_in_the_burn=gettext_lazy(
        "A phase lies between 0 and 1000 thousandths of the burn and ends after it begins."
    ),
    phase_needs_two_people=gettext_lazy("Nobody is alone at the fire: each phase needs at least two people."),
    phase_needs_a_lead=gettext_lazy("Each phase needs somebody who leads."),
    phase_most_covers_need=gettext_lazy("The most people on a watch cannot be fewer than those needed."),
    material_named_once_per_kind=gettext_lazy("This material is in the list already."),
    clay_body_says_its_cone=gettext_lazy(
        "Pick the cone this clay body stands; without it nobody can tell where it may go."
    ),
    material_price_is_not_negative=gettext_lazy("A price is zero or more."),
    wood_stack_named_once=gettext_lazy("There is a stack of this name already; give this one another name."),
    wood_moisture_is_below_all=gettext_lazy("Moisture is a share of the wet mass, below 1000 parts of 1000."),
    wood_difference_says_why=gettext_lazy("Say why the count differs from the book."),
    wood_move_moves_something=gettext_lazy("Say how much wood was moved."),
)

_LETTERS = {"kiln": 80, "zone": 40, "phase": 40, "line": 200}
_WOOD_LETTERS = {"name": 60, "species": 40, "size_class": 20}
_MOST_POSTS = 30_000
_MOST_PRICE_MINOR = 10**9


@use_case
def add_kiln(coop: Coop, *, by: Membership | None, now: datetime, spec: KilnSpec, place: str = "") -> Kiln:
    """A new kiln with its zones, posts, phases and checklist template, all from one description."""
    check_steward(by)
    check_spec(spec)
    _check_name(coop, _tidy(spec.name))
    kiln = Kiln.objects.create(coop=coop, place=place.strip(), **_kiln_fields(spec))
    _write_parts(kiln, spec)
    return kiln


@use_case
def change_kiln(
    coop: Coop, *, by: Membership | None, now: datetime, kiln_id: UUID, spec: KilnSpec, place: str = ""
) -> Kiln:
    """Describe a kiln anew. Its zones stay as they are while a firing of it is under way."""
    check_steward(by)
    kiln = _kiln_kept_still(coop, kiln_id)
    check_spec(spec)
    _check_name(coop, _tidy(spec.name), besides=kiln)
    for field, value in {**_kiln_fields(spec), "place": place.strip()}.items():
        setattr(kiln, field, value)
    kiln.save()
    under_way = Firing.objects.of(coop).filter(kiln=kiln, stage__in=lifecycle.HOLDS_KILN).exists()
    if under_way and not _same_zones(kiln, spec):
        raise Refused(_("A firing of this kiln is under way; its zones can change once the kiln is signed off."))
    if not under_way:
        _retire_zones(kiln, spec)
    _write_parts(kiln, spec, zones=not under_way)
    return kiln


@use_case
def retire_kiln(coop: Coop, *, by: Membership | None, now: datetime, kiln_id: UUID) -> Kiln:
    """The kiln is fired no more; its record stays."""
    check_steward(by)
    kiln = _kiln_kept_still(coop, kiln_id)
    if Firing.objects.of(coop).filter(kiln=kiln, stage__in=lifecycle.HOLDS_KILN).exists():
        raise Refused(_("A firing of this kiln is called or under way; end it or call it off first."))
    if not Kiln.objects.of(coop).filter(pk=kiln.pk, retired_at=None).update(retired_at=now):
        raise Refused(_("This kiln is retired already."))
    kiln.refresh_from_db()
    return kiln


def kiln_of(coop: Coop, kiln_id: UUID) -> Kiln:
    """The co-op's kiln with this id, or NotFound."""
    found: Kiln | None = Kiln.objects.of(coop).filter(public_id=kiln_id).first()
    if found is None:
        raise NotFound(_("There is no such kiln here."))
    return found


def _kiln_kept_still(coop: Coop, kiln_id: UUID) -> Kiln:
    """The kiln, locked so that no firing of it is called meanwhile (SQLite has one writer anyway)."""
    Kiln.objects.of(coop).select_for_update().filter(public_id=kiln_id).first()
    return kiln_of(coop, kiln_id)


def _tidy(text: str) -> str:
    return " ".join(text.split())


def check_spec(spec: KilnSpec) -> None:
    """What a kiln file may say but the record cannot hold; one sentence per fault."""
    faults = []
    names = [_tidy(zone.name) for zone in spec.zones]
    if len(set(names)) < len(names):
        faults.append(_("Two zones have one name; give each its own."))
    texts = [
        (spec.name, _("kiln"), _LETTERS["kiln"]),
        *((zone.name, _("zone"), _LETTERS["zone"]) for zone in spec.zones),
        *((phase.name, _("phase"), _LETTERS["phase"]) for phase in spec.phases),
        *((line.text, _("checklist"), _LETTERS["line"]) for line in spec.checklist),
    ]
    for text, where, most in texts:
        if not 1 <= len(_tidy(text)) <= most:
            faults.append(
                _("%(where)s “%(text)s”: write 1 to %(most)s letters.")
                % {"where": where, "text": text[:40], "most": most}
            )
        elif not text.isprintable():
            faults.append(
                _("%(where)s “%(text)s”: write it on one line, with letters that can be printed.")
                % {"where": where, "text": "".join(one for one in text[:40] if one.isprintable())}
            )
    if any(count > _MOST_POSTS for count in _posts_by_height(spec).values()):
        faults.append(_("Of one height there are at most %(most)s posts; correct the number.") % {"most": _MOST_POSTS})
    if faults:
        raise Malformed(faults)


def _posts_by_height(spec: KilnSpec) -> dict[int, int]:
    heights: dict[int, int] = {}
    for zone in spec.zones:
        for posts in zone.posts:
            heights[posts.height_mm] = heights.get(posts.height_mm, 0) + posts.count
    return heights


def _check_name(coop: Coop, name: str, besides: Kiln | None = None) -> None:
    same = Kiln.objects.of(coop).filter(name=name)
    if same.exclude(pk=besides.pk if besides else None).exists():
        sentence = _("There is a kiln of this name already; give this one another name.")
        raise Taken(sentence, fields={"name": [sentence]})


def _kiln_fields(spec: KilnSpec) -> dict[str, Any]:
    return {
        "name": _tidy(spec.name),
        "volume_l": max(1, spec.volume_ml // 1000),
        "takes_soda": any(zone.soda for zone in spec.zones),
        "target_cone": max((zone.cone for zone in spec.zones), key=cones.rank),
        "hours_low": spec.hours.low,
        "hours_likely": spec.hours.likely,
        "hours_high": spec.hours.high,
        "loading_hours": spec.load_hours,
        "cooling_hours": spec.cool_hours,
        "cleanup_hours": spec.cleanup_hours,
        "watch_hours": spec.watch_hours,
        "least_rate_c_per_h": spec.least_rate_c_per_h,
        "opening_c": spec.opening_c,
        "wood_kg_per_m3": spec.wood_kg_per_m3,
    }


def _write_parts(kiln: Kiln, spec: KilnSpec, *, zones: bool = True) -> None:
    if zones:
        for position, zone in enumerate(spec.zones):
            _write_zone(kiln, position, zone)
    PostSet.objects.filter(kiln=kiln).delete()
    PostSet.objects.bulk_create(
        PostSet(coop_id=kiln.coop_id, kiln=kiln, height_mm=height, count=count)
        for height, count in _posts_by_height(spec).items()
    )
    CrewPhase.objects.filter(kiln=kiln).delete()
    CrewPhase.objects.bulk_create(
        CrewPhase(
            coop_id=kiln.coop_id,
            kiln=kiln,
            name=_tidy(phase.name),
            from_permille=phase.from_permille,
            to_permille=phase.to_permille,
            people=phase.people,
            most_people=phase.people + 2,
            leads=phase.leads,
        )
        for phase in spec.phases
    )
    TemplateItem.objects.filter(kiln=kiln).delete()
    TemplateItem.objects.bulk_create(
        TemplateItem(
            coop_id=kiln.coop_id,
            kiln=kiln,
            position=position,
            text=_tidy(line.text),
            due_days=line.due_days,
            is_safety=line.safety,
            needs_sign_off=line.sign_off,
        )
        for position, line in enumerate(spec.checklist)
    )


def _write_zone(kiln: Kiln, position: int, spec: ZoneSpec) -> None:
    zone, _new = Zone.objects.update_or_create(
        coop_id=kiln.coop_id, kiln=kiln, name=_tidy(spec.name), defaults={"position": position, **_zone_fields(spec)}
    )
    PostSpot.objects.filter(zone=zone).delete()
    PostSpot.objects.bulk_create(
        PostSpot(coop_id=kiln.coop_id, zone=zone, x0_mm=x0, y0_mm=y0, x1_mm=x1, y1_mm=y1)
        for x0, y0, x1, y1 in spec.keepouts_mm
    )


def _zone_fields(spec: ZoneSpec) -> dict[str, Any]:
    return {
        "boards_per_layer": spec.boards_per_layer,
        "board_w_mm": spec.board_mm[0],
        "board_l_mm": spec.board_mm[1],
        "board_thickness_mm": spec.shelf_thickness_mm,
        "usable_height_mm": spec.chamber_height_mm,
        "air_above_mm": spec.clearance_above_mm,
        "wad_mm": spec.wadding_mm,
        "gap_mm": spec.gap_mm,
        "posts_per_board": spec.posts_per_board,
        "is_soda": spec.soda,
        "cone": cones.canonical(spec.cone),
    }


def _same_zones(kiln: Kiln, spec: KilnSpec) -> bool:
    now = {zone.name: {key: getattr(zone, key) for key in _zone_fields(spec.zones[0])} for zone in kiln.zones.all()}
    return now == {_tidy(zone.name): _zone_fields(zone) for zone in spec.zones}


def _retire_zones(kiln: Kiln, spec: KilnSpec) -> None:
    gone = kiln.zones.exclude(name__in=[_tidy(zone.name) for zone in spec.zones])
    if gone.filter(pk__in=kiln.firings.values("zones__zone")).exists():
        raise Refused(
            _("A zone that was fired stays in the record; keep its name, or retire the kiln and add a new one.")
        )
    PostSpot.objects.filter(zone__in=gone).delete()
    gone.delete()


# --- Materials ------------------------------------------------------------------------------


@use_case
def add_material(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    kind: str,
    name: str,
    stands_cone: str = "",
    is_runny: bool = False,
    price_minor: int | None = None,
    price_unit: str = "",
    notes: str = "",
) -> Material:
    """A clay body, glaze or consumable; a clay body says the cone it stands. A retired one of this name comes back."""
    check_steward(by)
    fields = _material_fields(kind, name, stands_cone, is_runny, price_minor, price_unit, notes)
    same = Material.objects.of(coop).filter(kind=kind, name=fields["name"])
    if same.exclude(retired_at=None).update(retired_at=None, approved_by=by, **fields):
        back: Material = same.get()
        return back
    if same.exists():
        raise _listed_already()
    return Material.objects.create(coop=coop, approved_by=by, **fields)


@use_case
def change_material(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    material_id: UUID,
    kind: str,
    name: str,
    stands_cone: str = "",
    is_runny: bool = False,
    price_minor: int | None = None,
    price_unit: str = "",
    notes: str = "",
) -> Material:
    """Change a material; pieces already listed keep what they were listed with."""
    check_steward(by)
    fields = _material_fields(kind, name, stands_cone, is_runny, price_minor, price_unit, notes)
    others = Material.objects.of(coop).exclude(public_id=material_id)
    if others.filter(kind=kind, name=fields["name"]).exists():
        raise _listed_already()
    if not Material.objects.of(coop).filter(public_id=material_id).update(approved_by=by, **fields):
        raise NotFound(_("There is no such material here."))
    changed: Material = Material.objects.of(coop).get(public_id=material_id)
    return changed


@use_case
def retire_material(coop: Coop, *, by: Membership | None, now: datetime, material_id: UUID) -> None:
    """The material is offered no more."""
    check_steward(by)
    if not Material.objects.of(coop).filter(public_id=material_id, retired_at=None).update(retired_at=now):
        raise NotFound(_("There is no such material in use here."))


def _listed_already() -> Taken:
    sentence = _("This material is in the list already; give this one another name.")
    return Taken(sentence, fields={"name": [sentence]})


def _material_fields(
    kind: str, name: str, stands_cone: str, is_runny: bool, price_minor: int | None, price_unit: str, notes: str
) -> dict[str, Any]:
    tidy = " ".join(name.split())
    faults: dict[str, list[str]] = {}
    if kind not in Material.Kind.values:
        faults["kind"] = [_("Pick a kind from the list.")]
    if not tidy or len(tidy) > 80:
        faults["name"] = [_("Give a name of at most 80 letters.")]
    if kind == Material.Kind.BODY and not stands_cone:
        faults["stands_cone"] = [_("Pick the cone this clay body stands; without it nobody can tell where it may go.")]
    if price_minor is not None and price_minor < 0:
        faults["price"] = [_("A price is zero or more.")]
    if price_minor is not None and price_minor > _MOST_PRICE_MINOR:
        faults["price"] = [_("This price is too large to be right; check the digits and the decimal point.")]
    if faults:
        raise Refused(" ".join(text for texts in faults.values() for text in texts), fields=faults)
    return {
        "kind": kind,
        "name": tidy,
        "stands_cone": cones.canonical(stands_cone) if stands_cone else "",
        "is_runny": is_runny,
        "price_minor": price_minor,
        "price_unit": price_unit.strip()[:12],
        "notes": notes.strip(),
    }


# --- Wood -----------------------------------------------------------------------------------


@use_case
def add_wood_stack(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    name: str,
    species: str,
    size_class: str,
    stacked_dm3: int,
    moisture_permille: int = 200,
    kiln_id: UUID | None = None,
    split_on: date | None = None,
    is_covered: bool = True,
    reach_order: int = 1,
) -> WoodStack:
    """A stack of wood with what is in it now (litres stacked, air included)."""
    check_steward(by)
    texts = {"name": name, "species": species, "size_class": size_class}
    _check_wood(texts, stacked_dm3, moisture_permille, reach_order)
    if WoodStack.objects.of(coop).filter(name=name.strip()).exists():
        sentence = _("There is a stack of this name already; give this one another name.")
        raise Taken(sentence, fields={"name": [sentence]})
    stack = WoodStack.objects.create(
        coop=coop,
        kiln=kiln_of(coop, kiln_id) if kiln_id else None,
        name=name.strip(),
        species=species.strip(),
        size_class=size_class.strip(),
        stacked_dm3=stacked_dm3,
        moisture_permille=moisture_permille,
        split_on=split_on,
        is_covered=is_covered,
        reach_order=reach_order,
    )
    if stacked_dm3:
        WoodMove.objects.create(coop=coop, stack=stack, stacked_dm3=stacked_dm3, at=now, by=by, note=_("first count"))
    return stack


@use_case
def move_wood(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    stack_id: UUID,
    stacked_dm3: int,
    firing_id: UUID | None = None,
    note: str = "",
) -> WoodMove:
    """Put wood on a stack, or take it off (minus); never more than is there."""
    check_moves_wood(by)
    stack = WoodStack.objects.of(coop).filter(public_id=stack_id).first()
    if stack is None:
        raise NotFound(_("There is no such stack here."))
    if not stacked_dm3 or abs(stacked_dm3) > 10_000_000:
        raise Refused(_("Say how much wood was moved, in litres stacked; minus for wood taken off."))
    firing = None
    if firing_id is not None and (firing := Firing.objects.of(coop).filter(public_id=firing_id).first()) is None:
        raise NotFound(_("There is no such firing here."))
    moved = WoodStack.objects.of(coop).filter(pk=stack.pk, stacked_dm3__gte=-stacked_dm3)
    if not moved.update(stacked_dm3=F("stacked_dm3") + stacked_dm3):
        raise Refused(
            _("There are only %(there)s litres on this stack. Count it, then take less.") % {"there": stack.stacked_dm3}
        )
    return WoodMove.objects.create(
        coop=coop, stack=stack, firing=firing, stacked_dm3=stacked_dm3, at=now, by=by, note=note.strip()[:200]
    )


@use_case
def count_wood(
    coop: Coop, *, by: Membership | None, now: datetime, stack_id: UUID, counted_dm3: int, why: str = ""
) -> WoodMove:
    """Write down what a stack holds by measuring it; what differs from the book becomes a row with its reason."""
    check_moves_wood(by)
    stack = WoodStack.objects.of(coop).filter(public_id=stack_id).first()
    if stack is None:
        raise NotFound(_("There is no such stack here."))
    if not 0 <= counted_dm3 <= 10_000_000:
        raise _wrong("counted", _("Between 0 and 10,000 m³ stacked."))
    difference, reason = counted_dm3 - stack.stacked_dm3, why.strip()[:200]
    if difference and not reason:
        raise _wrong(
            "why",
            _("The book says %(book)s litres, you counted %(counted)s. Say in a few words why they differ.")
            % {"book": stack.stacked_dm3, "counted": counted_dm3},
        )
    as_seen = WoodStack.objects.of(coop).filter(pk=stack.pk, stacked_dm3=stack.stacked_dm3)
    if not as_seen.update(stacked_dm3=counted_dm3, counted_at=now):
        raise Taken(_("Somebody moved wood on this stack just now. Count it again."))
    counted: WoodMove = WoodMove.objects.create(
        coop=coop, stack=stack, stacked_dm3=difference, counted_dm3=counted_dm3, at=now, by=by, note=reason
    )
    return counted


def _wrong(field: str, sentence: str) -> Refused:
    return Refused(sentence, fields={field: [sentence]})


@use_case
def change_wood_stack(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    stack_id: UUID,
    name: str,
    species: str,
    size_class: str,
    moisture_permille: int,
    kiln_id: UUID | None = None,
    split_on: date | None = None,
    is_covered: bool = True,
    reach_order: int = 1,
) -> WoodStack:
    """What a stack is, as measured anew; how much is on it changes by moving and counting only."""
    check_steward(by)
    stack: WoodStack | None = WoodStack.objects.of(coop).filter(public_id=stack_id).first()
    if stack is None:
        raise NotFound(_("There is no such stack here."))
    texts = {"name": name, "species": species, "size_class": size_class}
    _check_wood(texts, stack.stacked_dm3, moisture_permille, reach_order)
    if WoodStack.objects.of(coop).filter(name=name.strip()).exclude(pk=stack.pk).exists():
        sentence = _("There is a stack of this name already; give this one another name.")
        raise Taken(sentence, fields={"name": [sentence]})
    WoodStack.objects.of(coop).filter(pk=stack.pk).update(
        kiln=kiln_of(coop, kiln_id) if kiln_id else None,
        name=name.strip(),
        species=species.strip(),
        size_class=size_class.strip(),
        moisture_permille=moisture_permille,
        split_on=split_on,
        is_covered=is_covered,
        reach_order=reach_order,
    )
    stack.refresh_from_db()
    return stack


def check_moves_wood(by: Membership | None) -> None:
    """Any member carries wood and writes it down; a guest doesn't."""
    if by is not None and by.holds("guest") and not by.holds("member"):
        check_steward(by)


def _check_wood(texts: Mapping[str, str], stacked_dm3: int, moisture_permille: int, reach_order: int) -> None:
    faults: dict[str, list[str]] = {}
    for name, text in texts.items():
        most = _WOOD_LETTERS[name]
        if not 1 <= len(text.strip()) <= most:
            faults[name] = [_("Write 1 to %(most)s letters.") % {"most": most}]
    if not 0 <= stacked_dm3 <= 10_000_000:
        faults["stacked"] = [_("Between 0 and 10,000 m³ stacked.")]
    if not 0 <= moisture_permille < 1000:
        faults["moisture"] = [_("Moisture is a share of the wet mass: 0 to 99 %.")]
    if not 1 <= reach_order <= 999:
        faults["reach_order"] = [_("Number the stacks from 1, the one reached first.")]
    if faults:
        raise Refused(" ".join(f"{name}: {texts[0]}" for name, texts in faults.items()), fields=faults)
