"""The firing log: append-only; a correction is a new entry that points at the old one."""

from __future__ import annotations

import uuid

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from coop.models import CoopOwned, HoldsPicture, Membership, OfCoop

from .firings import Firing
from .kilns import Kiln


class Logger(CoopOwned):
    """A small device at one kiln that posts readings by a key of its own; only the key's hash is kept."""

    kiln = models.ForeignKey(Kiln, on_delete=models.PROTECT, related_name="loggers")
    name = models.CharField(_("name"), max_length=40)
    token_hash = models.CharField(max_length=64, unique=True)
    made_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+")
    made_at = models.DateTimeField()
    last_sent_at = models.DateTimeField(null=True)
    revoked_at = models.DateTimeField(null=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["name", "pk"]
        constraints = [
            models.CheckConstraint(condition=~Q(name=""), name="logger_has_a_name"),
            models.UniqueConstraint(
                fields=["coop", "kiln", "name"], condition=Q(revoked_at=None), name="logger_name_used_once_per_kiln"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class LogEntry(CoopOwned):
    """One thing seen or done at the fire. ``public_id`` may be made by the device, so that nothing is sent twice."""

    class Kind(models.TextChoices):
        READING = "reading", _("reading")
        CONE = "cone", _("cone")
        STOKE = "stoke", _("stoke")
        DAMPER = "damper", _("damper and air")
        ROUND = "round", _("body-reduction round")
        SODA = "soda", _("soda")
        FLAME = "flame", _("flame and smoke")
        DRAW = "draw", _("draw ring")
        WEATHER = "weather", _("weather")
        DECISION = "decision", _("decision")
        WOOD = "wood", _("wood brought")
        INCIDENT = "incident", _("incident")
        NOTE = "note", _("note")

    class ConeState(models.TextChoices):
        STANDING = "standing", _("standing")
        SOFT = "soft", _("softening")
        BENT = "bent", _("half down")
        DOWN = "down", _("down")

    class Smoke(models.TextChoices):
        NONE = "none", _("none")
        LIGHT = "light", _("light")
        GREY = "grey", _("grey")
        BLACK = "black", _("black")

    class SodaForm(models.TextChoices):
        DRY = "dry", _("dry powder")
        DAMP = "damp", _("damp, mixed with chips or whiting")
        SPRAY = "spray", _("dissolved and sprayed")
        BLOCK = "block", _("pressed or wrapped")

    class Phase(models.TextChoices):
        START = "start", _("start")
        STOP = "stop", _("stop")

    public_id = models.UUIDField(default=uuid.uuid4, unique=True)
    firing = models.ForeignKey(Firing, on_delete=models.PROTECT, related_name="log")
    kind = models.CharField(max_length=8, choices=Kind)
    observed_at = models.DateTimeField(_("when it was seen"))  # may be earlier than entered: late paper entries
    entered_at = models.DateTimeField()  # server time
    by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+")
    logger = models.ForeignKey(Logger, on_delete=models.PROTECT, related_name="+", null=True)  # it wrote, not ``by``
    device_id = models.CharField(max_length=40, blank=True)
    device_seq = models.PositiveIntegerField(null=True)
    device_at = models.DateTimeField(null=True)  # the device's own clock when the key was pressed
    device_offset_min = models.SmallIntegerField(null=True)  # minutes that clock was ahead of UTC

    probe = models.CharField(_("probe"), max_length=30, blank=True)
    temperature_dc = models.IntegerField(_("temperature, tenths of °C"), null=True)
    offset_dc = models.SmallIntegerField(default=0)  # what the probe was held to be off by then: true = shown + offset
    cone = models.CharField(_("cone"), max_length=5, blank=True)
    pack = models.CharField(_("cone pack"), max_length=30, blank=True)
    cone_state = models.CharField(_("state"), max_length=8, choices=ConeState, blank=True)
    place = models.CharField(_("where"), max_length=30, blank=True)
    port = models.CharField(_("port"), max_length=30, blank=True)
    pieces = models.PositiveSmallIntegerField(_("pieces of wood"), null=True)
    wood_size = models.CharField(_("size of wood"), max_length=20, blank=True)
    damper = models.CharField(_("damper"), max_length=60, blank=True)
    air = models.CharField(_("air"), max_length=60, blank=True)
    flame = models.CharField(_("flame"), max_length=60, blank=True)
    smoke = models.CharField(_("smoke"), max_length=5, choices=Smoke, blank=True)
    phase = models.CharField(_("start or stop"), max_length=5, choices=Phase, blank=True)
    grams = models.PositiveIntegerField(_("soda, g"), null=True)
    soda_form = models.CharField(_("form of the soda"), max_length=5, choices=SodaForm, blank=True)
    kg = models.PositiveIntegerField(_("wood, kg"), null=True)
    reason = models.TextField(_("reason"), blank=True)
    text = models.TextField(_("note"), blank=True)

    corrects = models.ForeignKey("self", on_delete=models.PROTECT, related_name="corrections", null=True)
    strikes = models.BooleanField(default=False)  # a correction that says: the old entry never happened

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["observed_at", "pk"]
        verbose_name_plural = _("log entries")
        constraints = [
            models.UniqueConstraint(
                fields=["coop", "firing", "device_id", "device_seq"],
                condition=Q(device_seq__isnull=False) & ~Q(device_id=""),
                name="device_entry_arrives_once",
            ),
            models.CheckConstraint(
                condition=Q(temperature_dc=None) | Q(temperature_dc__gte=-500, temperature_dc__lte=16000),
                name="reading_is_a_kiln_temperature",
            ),
            models.CheckConstraint(
                condition=Q(strikes=True) | ~Q(kind="reading") | Q(temperature_dc__isnull=False) & ~Q(probe=""),
                name="reading_has_probe_and_value",
            ),
            models.CheckConstraint(
                condition=Q(strikes=True) | ~Q(kind="cone") | ~Q(cone="") & ~Q(cone_state=""),
                name="cone_entry_names_its_cone",
            ),
            models.CheckConstraint(
                condition=Q(strikes=True) | ~Q(kind="soda") | Q(grams__isnull=False, grams__gte=1),
                name="soda_entry_has_grams",
            ),
            models.CheckConstraint(
                condition=Q(strikes=True) | ~Q(kind="flame") | ~Q(flame="") | ~Q(smoke=""),
                name="flame_entry_says_flame_or_smoke",
            ),
            models.CheckConstraint(
                condition=Q(strikes=True) | ~Q(kind="decision") | ~Q(text="") & ~Q(reason=""),
                name="decision_says_what_and_why",
            ),
            models.CheckConstraint(
                condition=Q(strikes=True)
                | ~Q(kind="wood")
                | Q(kg__isnull=False, kg__gte=1)
                | Q(pieces__isnull=False, pieces__gte=1),
                name="wood_brought_says_how_much",
            ),
            models.CheckConstraint(
                condition=Q(strikes=True) | ~Q(kind="incident") | ~Q(text=""), name="incident_says_what_happened"
            ),
            models.CheckConstraint(
                condition=Q(offset_dc__gte=-1500, offset_dc__lte=1500), name="offset_of_reading_is_small"
            ),
            models.CheckConstraint(
                condition=Q(strikes=True) | ~Q(kind="round") | ~Q(phase=""), name="round_starts_or_stops"
            ),
            models.CheckConstraint(
                condition=Q(strikes=False) | Q(corrects__isnull=False), name="striking_names_an_entry"
            ),
            models.CheckConstraint(condition=~Q(corrects=F("pk")), name="entry_does_not_correct_itself"),
        ]
        indexes = [models.Index(fields=["firing", "observed_at"], name="log_by_firing_and_time")]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.observed_at:%H:%M}"

    @property
    def who(self) -> str:
        """Who wrote it down: a member, or a logger."""
        return self.logger.name if self.logger is not None else self.by.name

    @property
    def true_dc(self) -> int | None:
        """The temperature as it counts, tenths of °C: what the probe showed with its offset of then."""
        return None if self.temperature_dc is None else self.temperature_dc + self.offset_dc


class LogPicture(HoldsPicture):
    """A photo that belongs to one entry of the log: flame, draw rings, cones."""

    entry = models.ForeignKey(LogEntry, on_delete=models.PROTECT, related_name="pictures")

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return str(self.picture)
