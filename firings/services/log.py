"""The firing log: entries are written once, corrected or struck by a new entry, never changed."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, Final, Literal
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db import models
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop import pictures
from coop.computations import ask
from coop.errors import Malformed, NotAllowed, NotFound, Refused, Taken
from coop.models import Computation, Coop, Membership, Picture, Role
from coop.periods import show
from coop.transactions import say, use_case
from firings.access import check_takes_part
from firings.fire import cones
from firings.models import Firing, LogEntry, Logger, LogPicture, Probe, WatchPlace
from firings.queries.firings import firing_of

MOST_AT_ONCE: Final = 500
LOWEST_DC, HIGHEST_DC, WARMEST_AIR_DC = -500, 16000, 600
AHEAD: Final = timedelta(hours=1)
LONGEST_TEXT: Final = 4000
MOST_OFFSET_MIN: Final = 14 * 60
NEEDS_FIRE: Final = (LogEntry.Kind.STOKE, LogEntry.Kind.ROUND, LogEntry.Kind.SODA)

MOST_PICTURES: Final = 4
_WITH: Final = ("by__person", "corrects", "logger")
_PICTURES: Final = "pictures__picture"

say(
    device_entry_arrives_once=gettext_lazy(
        "This device has already sent an entry of that number; load the log before sending more."
    ),
    reading_is_a_kiln_temperature=gettext_lazy("No kiln is that hot or cold; enter the reading again."),
    reading_has_probe_and_value=gettext_lazy("A reading needs its probe and its temperature."),
    cone_entry_names_its_cone=gettext_lazy("Say which cone it is and how it stands."),
    soda_entry_has_grams=gettext_lazy("Say how many grams of soda went in."),
    round_starts_or_stops=gettext_lazy("Say whether the round starts or stops."),
    flame_entry_says_flame_or_smoke=gettext_lazy("Say how the flame looks, or how much smoke there is."),
    decision_says_what_and_why=gettext_lazy("Write down what was decided, and why."),
    wood_brought_says_how_much=gettext_lazy("Say how much wood was brought: kg or pieces."),
    incident_says_what_happened=gettext_lazy("Write down what happened."),
    offset_of_reading_is_small=gettext_lazy("No probe is off by that much; look at its offset on the kiln's page."),
    striking_names_an_entry=gettext_lazy("Say which entry is to be struck."),
    entry_does_not_correct_itself=gettext_lazy("An entry cannot correct itself."),
)


@dataclass(frozen=True, slots=True)
class EntrySpec:
    """One entry as it is sent; what its kind does not use is left out. ``observed_at`` None means now.

    ``temperature_dc`` is in tenths of °C as the probe shows it. ``pictures`` are photos sent along, or ids of
    photos sent before. ``public_id`` may be made by the device: sent again under the same
    id, nothing happens a second time.
    """

    kind: str
    observed_at: datetime | None = None
    public_id: UUID | None = None
    device_id: str = ""
    device_seq: int | None = None
    device_at: datetime | None = None
    device_offset_min: int | None = None
    probe: str = ""
    temperature_dc: int | None = None
    cone: str = ""
    pack: str = ""
    cone_state: str = ""
    port: str = ""
    pieces: int | None = None
    wood_size: str = ""
    damper: str = ""
    phase: str = ""
    grams: int | None = None
    soda_form: str = ""
    place: str = ""
    air: str = ""
    flame: str = ""
    smoke: str = ""
    kg: int | None = None
    reason: str = ""
    text: str = ""
    pictures: tuple[pictures.Clean | UUID, ...] = ()


# --- Who may ------------------------------------------------------------------------------


def check_writes(by: Membership | None, firing: Firing) -> None:
    """The log is kept by those on watch in this firing, its lead and deputy, and the coordinator."""
    if by is None or by.pk in (firing.lead_id, firing.deputy_id) or by.holds(Role.Kind.COORDINATOR):
        return
    if WatchPlace.objects.of(firing.coop).filter(
        watch__firing=firing, watch__cancelled_at=None, member=by, given_up_at=None
    ):
        return
    raise NotAllowed(
        _("The log is written by those on watch. Take a watch of this firing, or ask %(lead)s to write it down.")
        % {"lead": firing.lead.name}
    )


def check_takes_log(firing: Firing, kind: str, at: datetime | None = None) -> None:
    """What was seen ``at`` that moment (None: afterwards) may still be written, until the firing is closed.

    Everything while the fire burns and cools, but wood, rounds and soda only up to the end of fire; what was seen
    before the kiln was opened may come late; of what was seen afterwards the log takes notes only.
    """
    if firing.lit_at is None:
        raise Refused(_("The kiln has not been lit, so there is nothing to write in its log yet."))
    if firing.stage in (Firing.Stage.CLOSED, Firing.Stage.CALLED_OFF):
        raise Refused(_("This firing is closed and its log is read-only."))
    if kind in (LogEntry.Kind.NOTE, LogEntry.Kind.INCIDENT):
        return
    burns = firing.stage in (Firing.Stage.LIT, Firing.Stage.COOLING)
    if not burns and (at is None or firing.opened_at is None or at >= firing.opened_at):
        raise Refused(_("The kiln has been opened, so the log takes notes only. Write what you know as a note."))
    if kind in NEEDS_FIRE and at is not None and firing.ended_at is not None and at > firing.ended_at:
        zone = ZoneInfo(firing.coop.time_zone)
        raise _fault(
            "observed_at",
            _("The fire was ended %(ended)s, so no %(kind)s comes after that. Mend the time, or write it as a note.")
            % {"ended": show(firing.ended_at, zone), "kind": LogEntry.Kind(kind).label},
        )


# --- Written ------------------------------------------------------------------------------


@use_case
def write(
    coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID, entries: Sequence[EntrySpec]
) -> list[LogEntry]:
    """Write these entries, all or none, in the order given; an entry whose id is there already is left as it is.

    Raises Malformed with one sentence per faulty entry.
    """
    firing = firing_of(coop, firing_id)
    check_writes(by, firing)
    if len(entries) > MOST_AT_ONCE:
        raise Malformed([_("Send at most %(most)s entries at once.") % {"most": MOST_AT_ONCE}])
    wanted = [replace(spec, public_id=spec.public_id or uuid.uuid4()) for spec in entries]
    there = _there(coop, firing, wanted)
    new = list({spec.public_id: spec for spec in reversed(wanted) if spec.public_id not in there}.values())[::-1]
    for spec in new:
        check_takes_log(firing, spec.kind, spec.observed_at or now)
    rows = _rows(firing, new, by=by, now=now)
    # Two copies of one message may arrive at once: the second finds the first one's rows instead of failing.
    LogEntry.objects.bulk_create(rows, ignore_conflicts=True)
    there = _there(coop, firing, wanted)
    if any(spec.public_id not in there for spec in wanted):
        raise Taken(
            _("This device has already sent another entry of that number, or the id is taken; take a new id and send.")
        )
    for spec in new:
        _hold_pictures(there[spec.public_id], spec, by=by, now=now)
    if any(spec.pictures for spec in new):
        there = _there(coop, firing, wanted)
    return [there[spec.public_id] for spec in wanted]


@dataclass(frozen=True, slots=True)
class Received:
    """What became of one entry a device sent: written now, known from before, or refused with a sentence."""

    outcome: Literal["written", "known", "refused"]
    row: LogEntry | None = None
    why: Refused | None = None


@use_case
def receive(
    coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID, entries: Sequence[EntrySpec]
) -> list[Received]:
    """Take what a device kept while it had no signal; one answer per entry, in the order given.

    Each entry is written once, however often it is sent (``public_id`` is made by the device), in the order of the
    device's own numbers. A refused entry keeps no other out. Raises NotAllowed for who does not keep this log, and
    Malformed for more than 500 entries or one without an id.
    """
    firing = firing_of(coop, firing_id)
    check_writes(by, firing)
    return take(firing, entries, by=by, now=now)


def take(
    firing: Firing, entries: Sequence[EntrySpec], *, by: Membership | None, now: datetime, logger: Logger | None = None
) -> list[Received]:
    """Inside a use case: write each of a device's entries once, as ``receive`` says, whoever may write checked before.

    With ``logger`` the entries are its own; ``by`` is then who answers for it.
    """
    coop = firing.coop
    if len(entries) > MOST_AT_ONCE:
        raise Malformed([_("Send at most %(most)s entries at once.") % {"most": MOST_AT_ONCE}])
    if any(spec.public_id is None for spec in entries):
        raise Malformed([_("Give every entry an id made by the device, so that it is written once.")])
    there = _rows_of(coop, entries)
    answers = {id_: _known(firing, row) for id_, row in there.items()}
    rows: list[LogEntry] = []
    probes = _probes_of(firing)
    for spec in sorted(entries, key=lambda spec: spec.device_seq or 0):
        if spec.public_id in answers:
            continue
        try:
            check_takes_log(firing, spec.kind, spec.observed_at or now)
            rows.append(_row(firing, spec, probes, by=by, now=now))
            rows[-1].logger = logger
        except Refused as no:
            answers[spec.public_id] = Received("refused", why=no)
        else:
            answers[spec.public_id] = Received("written", row=rows[-1])
    # Two copies of one message may arrive at once: the second finds the first one's rows instead of failing.
    LogEntry.objects.bulk_create(rows, ignore_conflicts=True)
    there = _rows_of(coop, entries)
    for row in rows:
        answers[row.public_id] = (
            Received("written", row=there[row.public_id])
            if row.public_id in there
            else Received("refused", why=Taken(_("This device has already sent another entry of that number.")))
        )
    for spec in entries:
        got = answers[spec.public_id]
        if got.outcome == "written" and got.row is not None:
            _hold_pictures(got.row, spec, by=by, now=now)
    return [answers[spec.public_id] for spec in entries]


def _known(firing: Firing, row: LogEntry) -> Received:
    if row.firing_id == firing.pk:
        return Received("known", row=row)
    return Received("refused", why=Taken(_("An entry of this id stands in the log of another firing.")))


@use_case
def correct(coop: Coop, *, by: Membership | None, now: datetime, entry_id: UUID, entry: EntrySpec) -> LogEntry:
    """Replace what an entry says by a new one that points at it; the old one stays, struck through."""
    old = _standing(coop, by, entry_id)
    if (done := _sent_before(coop, entry.public_id, old)) is not None:
        return done
    _check_not_replaced(old)
    if entry.kind != old.kind:
        raise Refused(
            _("This entry is a %(was)s; strike it and write a new one instead.") % {"was": old.get_kind_display()}
        )
    spec = replace(entry, observed_at=entry.observed_at or old.observed_at, public_id=entry.public_id or uuid.uuid4())
    row = _rows(old.firing, [spec], by=by, now=now)[0]
    if row.probe == old.probe:
        row.offset_dc = old.offset_dc  # what was learned of the probe since then does not change what was seen
    row.corrects = old
    row.save(force_insert=True)
    _hold_pictures(row, spec, by=by, now=now)
    return row


@use_case
def strike(
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    entry_id: UUID,
    why: str = "",
    public_id: UUID | None = None,
) -> LogEntry:
    """Say that an entry never happened; it stays in the log, struck through, with who said so and why."""
    old = _standing(coop, by, entry_id)
    if (done := _sent_before(coop, public_id, old)) is not None:
        return done
    _check_not_replaced(old)
    row: LogEntry = LogEntry.objects.create(
        coop=coop,
        public_id=public_id or uuid.uuid4(),
        firing=old.firing,
        kind=old.kind,
        observed_at=old.observed_at,
        entered_at=now,
        by=by or old.firing.lead,
        text=" ".join(why.split())[:LONGEST_TEXT],
        corrects=old,
        strikes=True,
    )
    return row


@use_case
def ask_for_record(coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID) -> Computation:
    """Ask for the record of the firing as a paper: everything that is known about it."""
    firing = firing_of(coop, firing_id)
    check_takes_part(by, firing)
    return ask(coop, kind="firing_record", subject=firing.public_id, by=by, now=now)


@use_case
def ask_for_blank_sheet(coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID) -> Computation:
    """Ask for blank log sheets, for the night the phones are dead."""
    firing = firing_of(coop, firing_id)
    check_takes_part(by, firing)
    return ask(coop, kind="log_sheet", subject=firing.public_id, by=by, now=now)


def _standing(coop: Coop, by: Membership | None, entry_id: UUID) -> LogEntry:
    """The entry, held against two corrections at once."""
    found = LogEntry.objects.of(coop).select_for_update().filter(public_id=entry_id).first()
    if found is None:
        raise NotFound(_("There is no such entry in the log."))
    found.firing = firing_of(coop, Firing.objects.of(coop).values_list("public_id", flat=True).get(pk=found.firing_id))
    check_writes(by, found.firing)
    if found.firing.stage in (Firing.Stage.CLOSED, Firing.Stage.CALLED_OFF):
        raise Refused(_("This firing is closed and its log is read-only."))
    return found  # type: ignore[no-any-return]


def _check_not_replaced(old: LogEntry) -> None:
    if old.strikes:
        raise Refused(_("This line strikes another one out; write a new entry instead."))
    later = old.corrections.select_related("by__person").first()
    if later is not None:
        did = _("struck") if later.strikes else _("corrected")
        raise Taken(
            _("%(name)s has already %(did)s this entry. Load the log again and correct what stands there now.")
            % {"name": later.by.name, "did": did}
        )


def _sent_before(coop: Coop, public_id: UUID | None, old: LogEntry) -> LogEntry | None:
    """The row an earlier copy of the same message made."""
    if public_id is None:
        return None
    row: LogEntry | None = LogEntry.objects.of(coop).select_related("by__person").filter(public_id=public_id).first()
    if row is not None and row.corrects_id != old.pk:
        raise Taken(_("This id belongs to another entry; take a new id and send it again."))
    return row


def _there(coop: Coop, firing: Firing, wanted: Sequence[EntrySpec]) -> dict[UUID | None, LogEntry]:
    found = _rows_of(coop, wanted)
    if any(row.firing_id != firing.pk for row in found.values()):
        raise Taken(_("An entry of this id stands in the log of another firing; take a new id and send it again."))
    return found


def _rows_of(coop: Coop, wanted: Sequence[EntrySpec]) -> dict[UUID | None, LogEntry]:
    rows = LogEntry.objects.of(coop).filter(public_id__in=[spec.public_id for spec in wanted])
    return {row.public_id: row for row in rows.select_related(*_WITH).prefetch_related(_PICTURES)}


def _rows(firing: Firing, specs: Sequence[EntrySpec], *, by: Membership | None, now: datetime) -> list[LogEntry]:
    faults: list[str] = []
    fields: dict[str, list[str]] = {}
    rows: list[LogEntry] = []
    probes = _probes_of(firing)
    for number, spec in enumerate(specs, start=1):
        try:
            rows.append(_row(firing, spec, probes, by=by, now=now))
        except Refused as no:
            said = str(no) if len(specs) == 1 else _("Entry %(number)s: %(fault)s") % {"number": number, "fault": no}
            faults.append(said)
            if len(specs) == 1:
                fields.update(no.fields)
    if faults:
        raise Malformed(faults, fields=fields)
    return rows


def _probes_of(firing: Firing) -> dict[str, Probe]:
    """The kiln's probes by name, capitals or not."""
    rows = Probe.objects.filter(coop=firing.coop_id, kiln=firing.kiln_id, retired_at=None)
    return {row.name.casefold(): row for row in rows}


def _row(
    firing: Firing, spec: EntrySpec, probes: Mapping[str, Probe], *, by: Membership | None, now: datetime
) -> LogEntry:
    check = _CHECKS.get(spec.kind)
    if check is None:
        raise Refused(
            _("There is no entry of the kind “%(kind)s”; use one of: %(kinds)s.")
            % {"kind": spec.kind[:20], "kinds": ", ".join(LogEntry.Kind.values)}
        )
    at = _observed(firing, spec.observed_at or now, now)
    text = spec.text.strip()
    if len(text) > LONGEST_TEXT:
        raise _fault("text", _("A note has at most %(most)s letters; cut it in two.") % {"most": LONGEST_TEXT})
    values = check(spec)
    _check_pictures(firing.coop, by, spec)
    if (probe := probes.get(values.get("probe", "").casefold())) is not None:
        values |= {"probe": probe.name, "offset_dc": probe.offset_dc}
    if spec.device_seq is not None and not 0 <= spec.device_seq <= 2_147_483_647:
        raise _fault("device_seq", _("A device numbers its entries from 0 up; mend device_seq."))
    if spec.device_offset_min is not None and abs(spec.device_offset_min) > MOST_OFFSET_MIN:
        raise _fault("device_offset_min", _("No clock is more than 14 hours from UTC; mend device_offset_min."))
    return LogEntry(
        coop=firing.coop,
        public_id=spec.public_id or uuid.uuid4(),
        firing=firing,
        kind=spec.kind,
        observed_at=at,
        entered_at=now,
        by=by or firing.lead,
        device_id=_short("device_id", spec.device_id, 40),
        device_seq=spec.device_seq,
        device_at=spec.device_at,
        device_offset_min=spec.device_offset_min,
        text=text,
        **values,
    )


def _check_pictures(coop: Coop, by: Membership | None, spec: EntrySpec) -> None:
    """Every photo named was sent by this member and is still to be used; so a faulty one refuses its entry alone."""
    if len(spec.pictures) > MOST_PICTURES:
        raise _fault("pictures", _("An entry takes at most %(most)s photos.") % {"most": MOST_PICTURES})
    named = [one for one in spec.pictures if isinstance(one, UUID)]
    if not named:
        return
    loose = Picture.objects.of(coop).filter(public_id__in=named, held_at=None)
    if by is not None:
        loose = loose.filter(by=by)
    if loose.count() != len(set(named)) or len(set(named)) != len(named):
        raise _fault(
            "pictures", _("A photo of this entry is not here, or belongs to something already; send it again first.")
        )


def _hold_pictures(row: LogEntry, spec: EntrySpec, *, by: Membership | None, now: datetime) -> None:
    """Put the photos to their entry; a second copy of one message finds them there."""
    there = set(row.pictures.values_list("picture__public_id", flat=True)) if spec.pictures else set()
    for one in spec.pictures:
        if one not in there:
            pictures.hold(LogPicture, row.coop, by=by, now=now, picture=one, entry=row)


def _observed(firing: Firing, at: datetime, now: datetime) -> datetime:
    zone = ZoneInfo(firing.coop.time_zone)
    if firing.lit_at is not None and at < firing.lit_at.replace(second=0, microsecond=0):
        raise _fault(
            "observed_at",
            _("%(at)s is before the kiln was lit (%(lit)s); correct the time it was seen.")
            % {"at": show(at, zone), "lit": show(firing.lit_at, zone)},
        )
    if at > now + AHEAD:
        raise _fault(
            "observed_at",
            _("%(at)s is still to come; correct the time it was seen, or leave it empty for now.")
            % {"at": show(at, zone)},
        )
    return at


# --- What each kind needs -----------------------------------------------------------------


def _reading(spec: EntrySpec) -> dict[str, Any]:
    probe = _short("probe", spec.probe, 30)
    if not probe:
        raise _fault("probe", _("Say which probe was read."))
    if spec.temperature_dc is None:
        raise _fault("temperature_dc", _("Enter the temperature the probe shows."))
    if not LOWEST_DC <= spec.temperature_dc <= HIGHEST_DC:
        raise _fault(
            "temperature_dc",
            _(
                "No kiln is at %(c)s °C: the probe is dead or the key was pressed twice. "
                "Enter the reading again, or write a note."
            )
            % {"c": f"{spec.temperature_dc / 10:.0f}"},
        )
    return {"probe": probe, "temperature_dc": spec.temperature_dc}


def _cone(spec: EntrySpec) -> dict[str, Any]:
    try:
        cone = cones.canonical(spec.cone)
    except Refused as no:
        raise _fault("cone", str(no)) from no
    if spec.cone_state not in LogEntry.ConeState.values:
        raise _fault(
            "cone_state",
            _("Say how the cone stands: one of %(states)s.") % {"states": ", ".join(LogEntry.ConeState.values)},
        )
    return {
        "cone": cone,
        "pack": _short("pack", spec.pack, 30),
        "place": _short("place", spec.place, 30),
        "cone_state": spec.cone_state,
    }


def _stoke(spec: EntrySpec) -> dict[str, Any]:
    if spec.pieces is not None and not 1 <= spec.pieces <= 1000:
        raise _fault("pieces", _("Give the pieces of wood as a number from 1 to 1000, or leave it empty."))
    return {
        "port": _short("port", spec.port, 30),
        "pieces": spec.pieces,
        "wood_size": _short("wood_size", spec.wood_size, 20),
    }


def _damper(spec: EntrySpec) -> dict[str, Any]:
    damper, air = _short("damper", spec.damper, 60), _short("air", spec.air, 60)
    if not damper and not air:
        raise _fault("damper", _("Say how the damper or the air stands now, e.g. “half in”."))
    return {"damper": damper, "air": air}


def _round(spec: EntrySpec) -> dict[str, Any]:
    if spec.phase not in LogEntry.Phase.values:
        raise _fault("phase", _("Say whether the round starts or stops."))
    return {"phase": spec.phase}


def _soda(spec: EntrySpec) -> dict[str, Any]:
    if spec.grams is None or not 1 <= spec.grams <= 100_000:
        raise _fault("grams", _("Give the soda of this charge in grams, from 1 to 100000."))
    form = _one_of("soda_form", spec.soda_form, LogEntry.SodaForm)
    return {"port": _short("port", spec.port, 30), "grams": spec.grams, "soda_form": form}


def _flame(spec: EntrySpec) -> dict[str, Any]:
    flame, smoke = _short("flame", spec.flame, 60), _one_of("smoke", spec.smoke, LogEntry.Smoke)
    if not flame and not smoke:
        raise _fault("flame", _("Say how the flame looks, or how much smoke there is."))
    return {"flame": flame, "smoke": smoke}


def _draw(spec: EntrySpec) -> dict[str, Any]:
    if not spec.text.strip() and not spec.pictures:
        raise _fault("text", _("Say how the draw ring looks, or send a photo of it."))
    return {"place": _short("place", spec.place, 30)}


def _weather(spec: EntrySpec) -> dict[str, Any]:
    if spec.temperature_dc is None and not spec.text.strip():
        raise _fault("text", _("Say what the weather is like: rain, wind, how cold."))
    if spec.temperature_dc is not None and not LOWEST_DC <= spec.temperature_dc <= WARMEST_AIR_DC:
        raise _fault("temperature_dc", _("Give the temperature of the air outside, from -50 to 60 °C."))
    return {"temperature_dc": spec.temperature_dc}


def _decision(spec: EntrySpec) -> dict[str, Any]:
    if not spec.text.strip():
        raise _fault("text", _("Write down what was decided."))
    if not (reason := spec.reason.strip()):
        raise _fault("reason", _("Write down why; the next crew and the next firing will ask."))
    if len(reason) > LONGEST_TEXT:
        raise _fault("reason", _("A reason has at most %(most)s letters; make it shorter.") % {"most": LONGEST_TEXT})
    return {"reason": reason}


def _wood(spec: EntrySpec) -> dict[str, Any]:
    if spec.kg is None and spec.pieces is None:
        raise _fault("kg", _("Say how much wood was brought: kg or pieces."))
    if spec.kg is not None and not 1 <= spec.kg <= 100_000:
        raise _fault("kg", _("Give the wood in kg as a whole number from 1 to 100000."))
    if spec.pieces is not None and not 1 <= spec.pieces <= 10_000:
        raise _fault("pieces", _("Give the pieces of wood as a number from 1 to 10000, or leave it empty."))
    return {"kg": spec.kg, "pieces": spec.pieces, "wood_size": _short("wood_size", spec.wood_size, 20)}


def _incident(spec: EntrySpec) -> dict[str, Any]:
    if not spec.text.strip():
        raise _fault("text", _("Write down what happened, and to whom."))
    return {"place": _short("place", spec.place, 30)}


def _note(spec: EntrySpec) -> dict[str, Any]:
    if not spec.text.strip():
        raise _fault("text", _("Write the note first."))
    return {}


_CHECKS: dict[str, Callable[[EntrySpec], dict[str, Any]]] = {
    LogEntry.Kind.READING: _reading,
    LogEntry.Kind.CONE: _cone,
    LogEntry.Kind.STOKE: _stoke,
    LogEntry.Kind.DAMPER: _damper,
    LogEntry.Kind.ROUND: _round,
    LogEntry.Kind.SODA: _soda,
    LogEntry.Kind.FLAME: _flame,
    LogEntry.Kind.DRAW: _draw,
    LogEntry.Kind.WEATHER: _weather,
    LogEntry.Kind.DECISION: _decision,
    LogEntry.Kind.WOOD: _wood,
    LogEntry.Kind.INCIDENT: _incident,
    LogEntry.Kind.NOTE: _note,
}


def _fault(field: str, sentence: str) -> Refused:
    return Refused(sentence, fields={field: [sentence]})


def _one_of(field: str, word: str, words: type[models.TextChoices]) -> str:
    if word and word not in words.values:
        raise _fault(
            field,
            _("“%(word)s” is not one of these: %(words)s.") % {"word": word[:20], "words": ", ".join(words.values)},
        )
    return word


def _short(field: str, text: str, most: int) -> str:
    tidy = " ".join(text.split())
    if len(tidy) > most:
        raise _fault(
            field, _("“%(text)s…” is too long; use at most %(most)s letters.") % {"text": tidy[:20], "most": most}
        )
    return tidy
