"""The firing log: append-only; a correction is a new entry that points at the old one."""

from __future__ import annotations

import uuid

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from coop.models import CoopOwned, HoldsPicture, Membership, OfCoop

from .firings import Firing


class LogEntry(CoopOwned):
    """One thing seen or done at the fire. ``public_id`` may be made by the device, so that nothing is sent twice."""

    class Kind(models.TextChoices):
        READING = "reading", _("reading")
        CONE = "cone", _("cone")
        STOKE = "stoke", _("stoke")
        DAMPER = "damper", _("damper and air")
        ROUND = "round", _("body-reduction round")
        SODA = "soda", _("soda")
        NOTE = "note", _("note")

    class ConeState(models.TextChoices):
        STANDING = "standing", _("standing")
        SOFT = "soft", _("softening")
        BENT = "bent", _("half down")
        DOWN = "down", _("down")

    class Phase(models.TextChoices):
        START = "start", _("start")
        STOP = "stop", _("stop")

    public_id = models.UUIDField(default=uuid.uuid4, unique=True)
    firing = models.ForeignKey(Firing, on_delete=models.PROTECT, related_name="log")
    kind = models.CharField(max_length=8, choices=Kind)
    observed_at = models.DateTimeField(_("when it was seen"))  # may be earlier than entered: late paper entries
    entered_at = models.DateTimeField()  # server time
    by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+")
    device_id = models.CharField(max_length=40, blank=True)
    device_seq = models.PositiveIntegerField(null=True)
    device_at = models.DateTimeField(null=True)  # the device's own clock when the key was pressed
    device_offset_min = models.SmallIntegerField(null=True)  # minutes that clock was ahead of UTC

    probe = models.CharField(_("probe"), max_length=30, blank=True)
    temperature_dc = models.IntegerField(_("temperature, tenths of °C"), null=True)
    cone = models.CharField(_("cone"), max_length=5, blank=True)
    pack = models.CharField(_("cone pack"), max_length=30, blank=True)
    cone_state = models.CharField(_("state"), max_length=8, choices=ConeState, blank=True)
    port = models.CharField(_("port"), max_length=30, blank=True)
    pieces = models.PositiveSmallIntegerField(_("pieces of wood"), null=True)
    wood_size = models.CharField(_("size of wood"), max_length=20, blank=True)
    damper = models.CharField(_("damper"), max_length=60, blank=True)
    phase = models.CharField(_("start or stop"), max_length=5, choices=Phase, blank=True)
    grams = models.PositiveIntegerField(_("soda, g"), null=True)
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
                condition=Q(strikes=True) | ~Q(kind="soda") | Q(grams__gte=1), name="soda_entry_has_grams"
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


class LogPicture(HoldsPicture):
    """A photo that belongs to one entry of the log: flame, draw rings, cones."""

    entry = models.ForeignKey(LogEntry, on_delete=models.PROTECT, related_name="pictures")

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return str(self.picture)
