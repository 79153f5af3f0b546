"""The forecast departs from the roster: whoever is at the fire or on call is told, and the lead, who decides."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from coop import notices
from coop.models import Coop, Notice
from coop.periods import show, show_length
from coop.transactions import reading, use_case
from firings.fire.entries import effective
from firings.models import Firing
from firings.queries import fire, on_call
from firings.queries.firings import firing_of
from firings.queries.outlook import Departure, departure_of, outlook_of
from firings.services.watches import page_of


def watch_over(coop: Coop, *, now: datetime) -> int:
    """Tell of every fire that is likely to outlast its roster, or to leave watches over; how many were told of.

    Each step of two hours, or of a watch, is told once, however often this runs.
    """
    told = 0
    for firing_id in Firing.objects.of(coop).filter(stage=Firing.Stage.LIT).values_list("public_id", flat=True):
        with reading(coop):
            found = departure_now(firing_of(coop, firing_id), now)
            known = found is None or Notice.objects.filter(coop=coop, key__startswith=_key(firing_id, found)).exists()
        if found is not None and not known:
            _tell(coop, by=None, now=now, firing_id=firing_id, found=found)
            told += 1
    return told


def departure_now(firing: Firing, now: datetime) -> Departure | None:
    """From the log and the watches as they are."""
    log = effective(fire.entries_of(fire.rows_of(firing)))
    return departure_of(firing, outlook_of(firing, log, now), now)


def _key(firing_id: UUID, found: Departure) -> str:
    return f"fire-departs:{firing_id}:{found.planned:%Y%m%d%H%M}:{found.step}:"


@use_case
def _tell(coop: Coop, *, by: Any, now: datetime, firing_id: UUID, found: Departure) -> None:
    firing = firing_of(coop, firing_id)
    zone = ZoneInfo(coop.time_zone)
    on_watch, _next = fire.watches_now(firing, now)
    crew = [place.member for place in on_watch.crew] if on_watch else []
    people = {member.pk: member for member in (*crew, *on_call.order_of(firing))}
    for member in people.values():
        notices.queue(
            coop,
            key=f"{_key(firing_id, found)}{member.public_id}",
            kind="fire-departs",
            to=member,
            subject=f"{firing.name}: {subject_of(found)}",
            text=_(
                "By the forecast about %(likely)s; the last watch ends %(planned)s. %(lead)s decides on the fire page."
            )
            % {"likely": show(found.likely, zone), "planned": show(found.planned, zone), "lead": firing.lead.name},
            link=page_of(firing, "firing_fire"),
            now=now,
            stale_at=found.planned,
        )


def subject_of(found: Departure) -> str:
    """What is foretold, in a few words."""
    if found.minutes:
        return _("the fire is likely to end %(later)s later") % {"later": show_length(found.longer)}
    return ngettext(
        "the fire is likely to end before the last watch",
        "the fire is likely to end before the last %(n)d watches",
        len(found.spare),
    ) % {"n": len(found.spare)}
