"""The record of one firing as a paper: facts, decisions, curve, log, crew, outcomes, damage, checklist."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from django.utils import timezone
from django.utils.text import slugify
from django.utils.translation import gettext as _

from coop import documents, pdf, pictures
from coop.computations import work
from coop.models import Computation, PictureData
from coop.transactions import reading
from firings import lifecycle
from firings.documents.load_sheets import picture
from firings.fire.entries import effective
from firings.models import Firing, FiringZone, HandOver, LogEntry, StageMove, WoodMove
from firings.queries import compare, fire, unpacking, watches
from firings.queries.cleanup import checklist_lines
from firings.queries.firings import firing_of

MOST_PHOTOS: Final = 24


def context_of(firing: Firing, now: datetime) -> dict[str, Any]:
    """Everything that is known about one firing, as the paper shows it."""
    rows = fire.rows_of(firing)
    entries = fire.entries_of(rows)
    log = effective(entries)
    pieces = list(unpacking.pieces_of(firing))
    return {
        "coop": firing.coop,
        "firing": firing,
        "title": _("Record of %(firing)s") % {"firing": firing.name},
        "made_at": now,
        "stage": lifecycle.WORDS[firing.stage],
        "state": fire.state_of(firing, entries, now),
        "zones": list(
            FiringZone.objects.filter(coop=firing.coop_id, firing=firing)
            .select_related("zone")
            .order_by("zone__position")
        ),
        "moves": [
            {"move": move, "word": lifecycle.WORDS.get(move.to_stage, move.to_stage)}
            for move in StageMove.objects.filter(coop=firing.coop_id, firing=firing).select_related("by__person")
        ],
        "curve": picture(fire.curve_of(firing, entries)) if rows else "",
        "courses": picture(compare.courses_svg(firing, log)) if rows else "",
        "side": compare.side_of(firing),
        "decided": [entry for entry in log if entry.kind in (LogEntry.Kind.DECISION, LogEntry.Kind.INCIDENT)],
        "wood_moves": list(
            WoodMove.objects.filter(coop=firing.coop_id, firing=firing).select_related("stack").order_by("at")
        ),
        "lines": list(reversed(fire.calm(fire.lines_of(rows)))),
        "photos": _photos(rows),
        "watches": watches.rows_for(firing, None, now),
        "hand_overs": list(
            HandOver.objects.filter(coop=firing.coop_id, firing=firing)
            .exclude(outgoing_at=None)
            .select_related("outgoing__person", "incoming__person")
            .order_by("drafted_at")
        ),
        "pieces": [{"piece": piece, "outcomes": list(piece.outcomes.all())} for piece in pieces],
        "totals": unpacking.totals_of(firing),
        "damages": unpacking.damages_of(firing),
        "checklist": getattr(firing, "checklist", None),
        "items": list(checklist_lines(firing.coop, firing)),
        "reviews": list(firing.reviews.select_related("by__person")),
    }


def _photos(rows: Sequence[LogEntry]) -> list[dict[str, Any]]:
    """The small size of the log's photos, the first two dozen, as data: addresses."""
    held = [(row, one.picture) for row in rows for one in row.pictures.all()][:MOST_PHOTOS]
    return [
        {
            "address": "data:image/jpeg;base64,"
            + base64.b64encode(pictures.content_of(one, PictureData.Size.SMALL)).decode(),
            "at": row.observed_at,
            "words": fire.in_words(row),
        }
        for row, one in held
    ]


@work("firing_record")
def make_record(row: Computation, now: datetime) -> dict[str, Any]:
    """Set the record as it stands now and keep it. Raises NotFound, PdfOff."""
    with reading(row.coop), timezone.override(ZoneInfo(row.coop.time_zone)):
        firing = firing_of(row.coop, row.subject)
        context = context_of(firing, now)
        content = pdf.from_template("print/firing_record.html", context)
    document = documents.keep(
        row.coop,
        kind="firing_record",
        subject=firing.public_id,
        title=context["title"],
        file_name=f"record-{slugify(firing.name) or 'firing'}.pdf",
        content=content,
        now=now,
        computation=row,
    )
    return {"document": str(document.public_id)}
