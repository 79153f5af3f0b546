"""The material gate: which zones a piece may stand in, and the sentence when there is none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from django.utils.translation import gettext as _

from coop.errors import Refused
from firings.fire import cones
from firings.load_plan.problem import Posts
from firings.load_plan.rules import makeable_heights
from firings.models import Firing, FiringZone, Piece, Zone
from firings.queries.space import cone_needed, zone_spec
from firings.tables import MAX_SIZE_MM, MIN_SIZE_MM

MOST_ALIKE: Final = 500
_RATE_C_PER_H: Final = 60  # the rate at which the pages quote a cone's temperature


@dataclass(frozen=True, slots=True)
class Sizes:
    """Footprint and height of one piece, mm; sizes the shape does not have are None."""

    shape: str
    diameter_mm: int | None
    width_mm: int | None
    length_mm: int | None
    height_mm: int

    @property
    def footprint_mm(self) -> tuple[int, int]:
        """Shorter and longer side (twice the diameter for a round piece)."""
        if self.shape == Piece.Shape.ROUND:
            return (self.diameter_mm or 0, self.diameter_mm or 0)
        short, long = sorted((self.width_mm or 0, self.length_mm or 0))
        return short, long


def check_sizes(sizes: Sizes, count: int) -> None:
    """Refuse sizes that are missing, not above zero, not of this shape or not of this world."""
    faults: dict[str, str] = {}
    wanted = {"diameter_mm": _("diameter")} if sizes.shape == Piece.Shape.ROUND else {}
    if sizes.shape == Piece.Shape.RECT:
        wanted = {"width_mm": _("width"), "length_mm": _("length")}
    elif sizes.shape != Piece.Shape.ROUND:
        faults["shape"] = _("Say whether the piece is round or rectangular.")
    for field, name in {**wanted, "height_mm": _("height")}.items():
        if fault := _size_fault(getattr(sizes, field), name):
            faults[field] = fault
    for field in {"diameter_mm", "width_mm", "length_mm"} - set(wanted) if wanted else ():
        if getattr(sizes, field) is not None:
            faults[field] = _("A piece of this shape has no such size; leave it empty.")
    if not 1 <= count <= MOST_ALIKE:
        faults["count"] = _("%(count)s pieces will not do; give a whole number from 1 to %(most)s.") % {
            "count": count,
            "most": MOST_ALIKE,
        }
    if faults:
        raise Refused(" ".join(faults.values()), fields={field: [text] for field, text in faults.items()})


def _size_fault(size: int | None, name: str) -> str:
    if size is None:
        return _("Give the %(size)s.") % {"size": name}
    if size <= 0:
        return _("The %(size)s is %(mm)s mm; give a number above zero.") % {"size": name, "mm": size}
    if not MIN_SIZE_MM <= size <= MAX_SIZE_MM:
        return _("The %(size)s of %(mm)s mm cannot be meant; give %(least)s to %(most)s mm.") % {
            "size": name,
            "mm": size,
            "least": MIN_SIZE_MM,
            "most": MAX_SIZE_MM,
        }
    return ""


def fault(firing: Firing, zone: FiringZone, zones: Sequence[FiringZone], piece: Piece) -> Refused | None:
    """Why this piece may not stand in this zone, or None. Of several reasons the material comes first."""
    kind = zone.zone
    needed = cone_needed(firing, kind, zones)
    if not cones.stands(piece.cone, needed):
        return Refused(_too_cool(piece, needed, kind.name), fields={"cone": [_too_cool(piece, needed, kind.name)]})
    if piece.wants_soda and not kind.is_soda:
        text = _("%(zone)s gets no soda; pick a soda zone or take the wish for soda out.") % {"zone": kind.name}
        return Refused(text, fields={"wants_soda": [text]})
    room = tallest_mm(kind)
    if piece.height_mm > room:
        text = _("“%(piece)s” is %(height)s mm high; in %(zone)s a piece can be %(room)s mm at most.") % {
            "piece": piece.name,
            "height": piece.height_mm,
            "zone": kind.name,
            "room": room,
        }
        return Refused(text, fields={"height_mm": [text]})
    short, long = sizes_of(piece).footprint_mm
    board_short, board_long = sorted((kind.board_w_mm, kind.board_l_mm))
    if short > board_short or long > board_long:
        text = _("“%(piece)s” needs %(w)s x %(l)s mm; a board in %(zone)s is %(bw)s x %(bl)s mm.") % {
            "piece": piece.name,
            "w": short,
            "l": long,
            "zone": kind.name,
            "bw": board_short,
            "bl": board_long,
        }
        return Refused(text, fields={"diameter_mm" if piece.shape == Piece.Shape.ROUND else "length_mm": [text]})
    return None


def suitable(firing: Firing, zones: Sequence[FiringZone], piece: Piece) -> list[FiringZone]:
    """The zones this piece may stand in, its wish only if it has one; Refused with the reason if there is none."""
    if piece.wants_soda and not firing.with_soda:
        text = _("This firing is without soda; take the wish for soda out or wait for a soda firing.")
        raise Refused(text, fields={"wants_soda": [text]})
    asked = [zone for zone in zones if piece.wished_zone_id in (None, zone.pk)]
    if not asked:
        raise Refused(_("This firing has no zones yet; ask its lead to add them to the kiln."))
    # Coolest and highest first: where all zones refuse for one reason, the nearest of them gives it.
    asked.sort(key=lambda zone: (cones.rank(zone.zone.cone), -tallest_mm(zone.zone)))
    faults = {zone.pk: fault(firing, zone, zones, piece) for zone in asked}
    fit = [zone for zone in asked if faults[zone.pk] is None]
    if fit:
        return sorted(fit, key=lambda zone: zone.zone.position)
    reasons = [found for found in faults.values() if found is not None]
    raise reasons[0] if len({tuple(reason.fields) for reason in reasons}) == 1 else _none_suits(reasons)


def _none_suits(reasons: Sequence[Refused]) -> Refused:
    texts = list(dict.fromkeys(str(reason) for reason in reasons))
    fields: dict[str, list[str]] = {}
    for reason in reasons:
        for name, sentences in reason.fields.items():
            fields.setdefault(name, []).extend(text for text in sentences if text not in fields.get(name, []))
    return Refused(_("No zone suits this piece. ") + " ".join(texts), fields=fields)


def tallest_mm(zone: Zone) -> int:
    """Height of the tallest piece one layer can take: usable height less board, wad and air, and no more
    than the kiln's posts (one alone, or two) can hold up."""
    posts = tuple(Posts(row.height_mm, row.count) for row in zone.kiln.posts.all())
    makeable = makeable_heights(replace(zone_spec(zone), posts=posts))
    highest = zone.usable_height_mm - zone.board_thickness_mm
    if makeable is not None:
        highest = max((height for height in makeable if height <= highest), default=0)
    return highest - zone.wad_mm - zone.air_above_mm


def sizes_of(piece: Piece) -> Sizes:
    return Sizes(piece.shape, piece.diameter_mm, piece.width_mm, piece.length_mm, piece.height_mm)


def about(cone: str) -> str:
    """``cone 06 (about 998 °C)``: self-supporting cones at 60 °C/h, see ``firings.fire.cones``."""
    temp = cones.equivalent_c(cone, _RATE_C_PER_H).temp_c
    if temp is None:
        return _("cone %(cone)s") % {"cone": cone}
    return _("cone %(cone)s (about %(temp)s °C)") % {"cone": cone, "temp": round(temp)}


def _too_cool(piece: Piece, needed: str, zone: str) -> str:
    text = _("“%(piece)s” stands %(cone)s, but %(zone)s reaches %(needed)s; there it would melt.") % {
        "piece": piece.name,
        "cone": about(piece.cone),
        "zone": zone,
        "needed": about(needed),
    }
    advice = _("Take a clay that stands cone %(cone)s or hotter.") % {"cone": needed}
    twin = piece.cone.removeprefix("0")
    if twin != piece.cone and twin in cones.CONES:
        zero = _("Mind the zero, look at the bag: %(one)s is not %(other)s.")
        return f"{text} {advice} " + zero % {"one": about(piece.cone), "other": about(twin)}
    return f"{text} {advice}"
