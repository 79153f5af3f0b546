"""Probes of a kiln with their offsets, and the loggers that post readings by a key of their own."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from uuid import UUID, uuid5

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop.errors import Malformed, NotFound, Refused
from coop.models import Coop, Membership
from coop.tokens import new_token, token_hash
from coop.transactions import say, use_case
from firings.access import check_steward
from firings.fire import logger_file
from firings.models import Firing, Kiln, LogEntry, Logger, Probe
from firings.queries.firings import firing_of
from firings.services import log
from firings.services.kilns import kiln_of
from firings.services.log import EntrySpec, Received

MOST_OFFSET_DC: Final = 1500
MOST_PROBES: Final = 24
MOST_LOGGERS: Final = 10

say(
    probe_name_used_once_per_kiln=gettext_lazy("This kiln has a probe of that name; change that one instead."),
    probe_offset_is_small=gettext_lazy("A probe that is off by more than 150 °C is broken; replace it."),
    probe_has_a_name=gettext_lazy("Give the probe a name, e.g. front."),
    logger_has_a_name=gettext_lazy("Give the logger a name."),
    logger_name_used_once_per_kiln=gettext_lazy("This kiln has a logger of that name; give the new one another."),
)


# --- Probes -------------------------------------------------------------------------------


@use_case
def add_probe(
    coop: Coop, *, by: Membership | None, now: datetime, kiln_id: UUID, name: str, place: str = "", offset_dc: int = 0
) -> Probe:
    """A probe of a kiln; readings of that name, in capitals or not, carry its offset (tenths of °C) from now on."""
    check_steward(by)
    kiln = kiln_of(coop, kiln_id)
    label = _name(name, 30, "name")
    standing = Probe.objects.of(coop).filter(kiln=kiln, retired_at=None)
    if standing.count() >= MOST_PROBES:
        raise Refused(_("A kiln has at most %(most)s probes; retire one first.") % {"most": MOST_PROBES})
    _check_free(standing, label)
    row: Probe = Probe.objects.create(
        coop=coop,
        kiln=kiln,
        name=label,
        place=_place(place),
        offset_dc=_offset(offset_dc),
        changed_at=now,
        changed_by=by,
    )
    return row


@use_case
def change_probe(
    coop: Coop, *, by: Membership | None, now: datetime, probe_id: UUID, place: str = "", offset_dc: int = 0
) -> Probe:
    """Another place or offset. What the log says already keeps the offset it was written with."""
    check_steward(by)
    row = _probe_of(coop, probe_id)
    row.place, row.offset_dc, row.changed_at, row.changed_by = _place(place), _offset(offset_dc), now, by
    row.save()
    return row


@use_case
def retire_probe(coop: Coop, *, by: Membership | None, now: datetime, probe_id: UUID) -> None:
    """The probe is used no more; its readings stay."""
    check_steward(by)
    Probe.objects.of(coop).filter(pk=_probe_of(coop, probe_id).pk, retired_at=None).update(retired_at=now)


def _probe_of(coop: Coop, probe_id: UUID) -> Probe:
    found: Probe | None = Probe.objects.of(coop).filter(public_id=probe_id, retired_at=None).first()
    if found is None:
        raise NotFound(_("There is no such probe here."))
    return found


def _check_free(standing: Iterable[Probe], label: str) -> None:
    if any(other.name.casefold() == label.casefold() for other in standing):
        said = _("This kiln has a probe of that name; change that one instead.")
        raise Refused(said, fields={"name": [said]})


def _name(text: str, most: int, field: str) -> str:
    tidy = " ".join(text.split())
    if not tidy or len(tidy) > most:
        said = _("Give a name of at most %(most)s letters.") % {"most": most}
        raise Refused(said, fields={field: [said]})
    return tidy


def _place(text: str) -> str:
    tidy = " ".join(text.split())
    if len(tidy) > 60:
        said = _("Say where it sits in at most 60 letters.")
        raise Refused(said, fields={"place": [said]})
    return tidy


def _offset(tenths: int) -> int:
    if not -MOST_OFFSET_DC <= tenths <= MOST_OFFSET_DC:
        said = _("A probe that is off by more than 150 °C is broken; replace it.")
        raise Refused(said, fields={"offset_dc": [said]})
    return tenths


# --- Loggers ------------------------------------------------------------------------------


@use_case
def make_logger(coop: Coop, *, by: Membership, now: datetime, kiln_id: UUID, name: str) -> tuple[Logger, str]:
    """A logger of one kiln and its key, which is shown once; the key posts readings of this kiln and nothing else."""
    check_steward(by)
    kiln = kiln_of(coop, kiln_id)
    if kiln.retired_at is not None:
        raise Refused(_("This kiln is retired; it needs no logger."))
    label = _name(name, 40, "name")
    standing = Logger.objects.of(coop).filter(kiln=kiln, revoked_at=None)
    if standing.count() >= MOST_LOGGERS:
        raise Refused(_("This kiln has %(most)s loggers; revoke one first.") % {"most": MOST_LOGGERS})
    if standing.filter(name=label).exists():
        said = _("This kiln has a logger of that name; give the new one another.")
        raise Refused(said, fields={"name": [said]})
    key = new_token()
    row = Logger.objects.create(coop=coop, kiln=kiln, name=label, token_hash=token_hash(key), made_by=by, made_at=now)
    return row, key


@use_case
def revoke_logger(coop: Coop, *, by: Membership | None, now: datetime, logger_id: UUID) -> None:
    """End a logger's key at once; what it sent stays in the log."""
    check_steward(by)
    if not Logger.objects.of(coop).filter(public_id=logger_id, revoked_at=None).update(revoked_at=now):
        raise NotFound(_("There is no such logger here."))


def logger_by_key(coop: Coop, key: str) -> Logger | None:
    """The logger that holds this key, if it stands."""
    found: Logger | None = (
        Logger.objects.of(coop)
        .filter(token_hash=token_hash(key), revoked_at=None)
        .select_related("kiln", "made_by__person", "coop")
        .first()
    )
    return found


@dataclass(frozen=True, slots=True)
class Sent:
    """One reading as a logger sends it: its running number, when, which probe, tenths of °C."""

    seq: int
    at: datetime
    probe: str
    temperature_dc: int


@use_case
def take_readings(
    coop: Coop, *, by: Membership | None, now: datetime, logger: Logger, device_id: str, readings: Sequence[Sent]
) -> list[Received]:
    """Write a logger's readings into the log of the fire that burnt or cooled at that moment; one answer each.

    Each ``device_id`` and number is written once, however often it is sent. Readings of a time without a fire, and
    faulty ones, are refused one by one. Raises NotAllowed where the key was revoked meanwhile, Malformed for more
    than 500 readings.
    """
    if not Logger.objects.of(coop).filter(pk=logger.pk, revoked_at=None).update(last_sent_at=now):
        raise NotFound(_("This key was revoked; ask the steward for a new one."))
    if len(readings) > log.MOST_AT_ONCE:
        raise Malformed([_("Send at most %(most)s readings at once.") % {"most": log.MOST_AT_ONCE}])
    fires = _fires(logger.kiln)
    answers: dict[int, Received] = {}
    for firing in fires:
        mine = [(place, one) for place, one in enumerate(readings) if _fire_at(fires, one.at) is firing]
        specs = [_spec(logger, device_id, one) for _place, one in mine]
        taken = log.take(firing, specs, by=logger.made_by, now=now, logger=logger) if specs else []
        answers |= {place: got for (place, _one), got in zip(mine, taken, strict=True)}
    nothing = Received("refused", why=Refused(_("No fire of this kiln burnt or cooled at that time.")))
    return [answers.get(place, nothing) for place in range(len(readings))]


@dataclass(frozen=True, slots=True)
class FileTaken:
    """What became of a file's readings; ``refused`` is each reason with how many."""

    written: int
    known: int
    refused: tuple[tuple[str, int], ...]


@use_case
def take_file(
    coop: Coop, *, by: Membership, now: datetime, firing_id: UUID, readings: Sequence[logger_file.Reading]
) -> FileTaken:
    """Write the readings of a logger's file into a firing's log; what a file said before is not written again.

    A reading is the same if its probe, moment and temperature are. Readings of another time than the fire's are left
    out, with the reason. Raises NotAllowed for who does not keep this log.
    """
    firing = firing_of(coop, firing_id)
    log.check_writes(by, firing)
    specs = list({(spec := _of_file(firing, one)).public_id: spec for one in readings}.values())
    answers: list[Received] = []
    for start in range(0, len(specs), log.MOST_AT_ONCE):
        answers += log.take(firing, specs[start : start + log.MOST_AT_ONCE], by=by, now=now)
    outcomes = Counter(one.outcome for one in answers)
    reasons = Counter(_reason(firing, spec, got) for spec, got in zip(specs, answers, strict=True) if got.why)
    return FileTaken(outcomes["written"], outcomes["known"], tuple(reasons.most_common(5)))


def _reason(firing: Firing, spec: EntrySpec, got: Received) -> str:
    """One sentence for all readings that fail alike."""
    at = spec.observed_at
    if at is not None and firing.lit_at is not None and at < firing.lit_at:
        return _("they are from before the kiln was lit")
    return str(got.why)


def _of_file(firing: Firing, one: logger_file.Reading) -> EntrySpec:
    same = f"file/{one.probe.casefold()}/{one.at.isoformat()}/{one.temperature_dc}"
    return EntrySpec(
        kind=LogEntry.Kind.READING,
        public_id=uuid5(firing.public_id, same),
        observed_at=one.at,
        probe=one.probe,
        temperature_dc=one.temperature_dc,
    )


def _fires(kiln: Kiln) -> list[Firing]:
    """The kiln's latest fires that have been lit and are not closed, the newest first."""
    lit = Firing.objects.filter(coop=kiln.coop_id, kiln=kiln, lit_at__isnull=False)
    still = lit.exclude(stage__in=(Firing.Stage.CLOSED, Firing.Stage.CALLED_OFF))
    return list(still.select_related("coop", "kiln", "lead__person").order_by("-lit_at")[:5])


def _fire_at(fires: Sequence[Firing], at: datetime) -> Firing | None:
    return next((one for one in fires if one.lit_at is not None and one.lit_at <= at), None)


def _spec(logger: Logger, device_id: str, one: Sent) -> EntrySpec:
    return EntrySpec(
        kind=LogEntry.Kind.READING,
        public_id=uuid5(logger.public_id, f"{device_id}/{one.seq}"),
        observed_at=one.at,
        device_id=f"{logger.pk}/{device_id}"[:40],
        device_seq=one.seq,
        device_at=one.at,
        probe=one.probe,
        temperature_dc=one.temperature_dc,
    )
