"""The note from one watch to the next: drafted from the log, corrected by who goes, accepted by both."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Q
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop.errors import NotAllowed, NotFound, Refused
from coop.models import Coop, Membership, Role
from coop.periods import show_time
from coop.transactions import say, use_case
from firings.fire import handover
from firings.fire.entries import Entry, effective
from firings.models import Firing, HandOver, Watch, WatchPlace
from firings.queries.fire import entries_of, rows_of
from firings.queries.firings import firing_of
from firings.queries.outlook import outlook_of
from firings.queries.wood import wood_of
from firings.services.log import check_writes

LONGEST = 8000

say(
    hand_over_is_between_two_people=gettext_lazy(
        "A hand-over is between two people; the one who comes accepts it, not the one who goes."
    )
)


@use_case
def draft(coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID) -> HandOver:
    """Draft the note from what the log says since the last one; a draft nobody accepted yet is drafted anew."""
    firing = firing_of(coop, firing_id)
    check_writes(by, firing)
    if firing.stage not in (Firing.Stage.LIT, Firing.Stage.COOLING):
        raise Refused(_("There is nothing to hand over: this kiln is not burning or cooling."))
    notes = HandOver.objects.of(coop).select_for_update().filter(firing=firing)
    last = notes.exclude(outgoing_at=None).first()
    since = max(filter(None, (last.drafted_at if last else None, firing.lit_at)), default=now)
    zone = ZoneInfo(coop.time_zone)
    entries = entries_of(rows_of(firing))
    sentences = handover.draft(entries, now=now, since=since, clock=lambda moment: show_time(moment, zone))
    text, watch = "\n".join([*sentences, *_ahead(firing, entries, now, zone)])[:LONGEST], _watch_at(firing, now)
    waiting: HandOver | None = notes.filter(outgoing_at=None).first()
    if waiting is None:
        return HandOver.objects.create(coop=coop, firing=firing, watch=watch, drafted_at=now, text=text)
    waiting.watch, waiting.drafted_at, waiting.text = watch, now, text
    waiting.save(update_fields=["watch", "drafted_at", "text"])
    return waiting


def _ahead(firing: Firing, entries: Sequence[Entry], now: datetime, zone: ZoneInfo) -> list[str]:
    """What the forecasts say, for the next crew: when the fire ends, how long the wood lasts."""
    log = effective(entries)
    seen, lines = outlook_of(firing, log, now), []
    if seen is not None:
        early, late = (show_time(moment, zone) for moment in seen.end_span)
        words = {"likely": show_time(seen.end.likely, zone), "early": early, "late": late}
        lines.append(_("End of fire about %(likely)s by the forecast (8 in 10: %(early)s to %(late)s).") % words)
    lasting = wood_of(firing, log, now).lasting
    if lasting is not None:
        lines.append(
            _("Wood for about %(hours).0f h at %(rate).0f kg an hour, reckoned from %(on)s.")
            % {"hours": lasting.hours, "rate": lasting.kg_per_h, "on": lasting.based_on}
        )
    return lines


@use_case
def accept(
    coop: Coop, *, by: Membership | None, now: datetime, hand_over_id: UUID, text: str | None = None
) -> HandOver:
    """Accept the note: first whoever goes (who may change the words), then whoever comes. Two different people."""
    note = (
        HandOver.objects.of(coop)
        .select_for_update(of=("self",))
        .select_related("firing__coop", "firing__lead__person")
        .filter(public_id=hand_over_id)
        .first()
    )
    if note is None:
        raise NotFound(_("There is no such hand-over here."))
    if by is None:
        raise NotAllowed(_("A hand-over is accepted by people."))
    check_writes(by, note.firing)
    if note.outgoing_id is None:
        _go(note, by, now, text)
    elif note.incoming_id is None:
        _come(note, by, now, text)
    else:
        raise Refused(_("Both crews have accepted this hand-over; draft a new one for the next."))
    return note  # type: ignore[no-any-return]


def _go(note: HandOver, by: Membership, now: datetime, text: str | None) -> None:
    if note.watch is not None and not _stands_for(by, note.firing, WatchPlace.objects.filter(watch=note.watch)):
        raise NotAllowed(_("The lead of the watch that goes accepts first; then whoever comes."))
    words = note.text if text is None else text.replace("\r\n", "\n").strip()
    if not words:
        raise Refused(_("Say how the fire stands before you hand it over."), fields={"text": [_("Say how it stands.")]})
    if len(words) > LONGEST:
        raise Refused(_("Keep the note under %(most)s letters.") % {"most": LONGEST})
    note.text, note.outgoing, note.outgoing_at = words, by, now
    note.save(update_fields=["text", "outgoing", "outgoing_at"])


def _come(note: HandOver, by: Membership, now: datetime, text: str | None) -> None:
    if by.pk == note.outgoing_id:
        raise Refused(_("You handed this over; whoever comes accepts it."))
    if text is not None and text.replace("\r\n", "\n").strip() != note.text:
        raise Refused(_("The note was accepted by who goes and is not changed any more; write a note in the log."))
    places = WatchPlace.objects.filter(watch__firing=note.firing, watch__cancelled_at=None)
    if note.watch is not None:
        places = places.filter(Q(watch__starts_at__gte=note.watch.ends_at))
    if not _stands_for(by, note.firing, places):
        raise NotAllowed(_("Whoever leads a watch after this one accepts; ask the one who comes."))
    note.incoming, note.incoming_at = by, now
    note.save(update_fields=["incoming", "incoming_at"])


def _stands_for(by: Membership, firing: Firing, places: object) -> bool:
    """Whether ``by`` leads one of these places' watches, is on one that nobody leads, or leads the firing."""
    if by.pk in (firing.lead_id, firing.deputy_id) or by.holds(Role.Kind.COORDINATOR):
        return True
    held = list(
        WatchPlace.objects.filter(coop=firing.coop_id, pk__in=places.values("pk"), given_up_at=None)  # type: ignore[attr-defined]
    )
    led = {place.watch_id for place in held if place.is_leading}
    return any(place.member_id == by.pk and (place.is_leading or place.watch_id not in led) for place in held)


def _watch_at(firing: Firing, now: datetime) -> Watch | None:
    """The watch that goes: the one at the fire, or the last one to have begun."""
    found: Watch | None = (
        Watch.objects.of(firing.coop).filter(firing=firing, starts_at__lt=now).standing().order_by("-starts_at").first()
    )
    return found
