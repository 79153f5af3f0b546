"""A firing, the space it has by zone, and its moves from stage to stage."""

from __future__ import annotations

import secrets
from typing import Self

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from coop.models import CoopOwned, Membership, OfCoop, Policy

from .feeds import Dated
from .kilns import Kiln, Zone


def new_seed() -> str:
    """A seed for the draw of one firing: nobody can guess it or choose it."""
    return secrets.token_hex(16)


class FiringQuerySet(OfCoop):
    def open(self) -> Self:
        """Firings that still need somebody."""
        return self.exclude(stage__in=["closed", "called_off"])

    def holding_kiln(self) -> Self:
        return self.filter(holds_kiln=True)

    def for_list(self) -> Self:
        return self.select_related("kiln", "lead__person")


class Firing(Dated, CoopOwned):
    """One firing, from the first call to the last cent."""

    class Stage(models.TextChoices):
        CALLED = "called", _("called")
        BOOKING = "booking", _("booking")
        ALLOTTED = "allotted", _("allotted")
        LOADING = "loading", _("loading")
        LIT = "lit", _("lit")
        COOLING = "cooling", _("cooling")
        UNPACKING = "unpacking", _("unpacking")
        CLEANUP = "cleanup", _("clean-up")
        SETTLING = "settling", _("settling")
        CLOSED = "closed", _("closed")
        CALLED_OFF = "called_off", _("called off")

    name = models.CharField(_("name"), max_length=80)
    kiln = models.ForeignKey(Kiln, on_delete=models.PROTECT, related_name="firings")
    stage = models.CharField(max_length=10, choices=Stage, default=Stage.CALLED)
    lead = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="led_firings")
    deputy = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True, blank=True)
    target_cone = models.CharField(_("target cone"), max_length=5)
    with_soda = models.BooleanField(_("with soda"), default=False)
    policy = models.ForeignKey(Policy, on_delete=models.PROTECT, related_name="+", null=True)  # frozen at booking

    # The kiln is taken from loading to the end of clean-up: half-open [occupied_from, occupied_until).
    occupied_from = models.DateTimeField(_("loading begins"))
    lights_at = models.DateTimeField(_("lighting"))
    ends_at = models.DateTimeField(_("end of fire, likely"))
    opens_at = models.DateTimeField(_("unpacking"))
    occupied_until = models.DateTimeField(_("clean-up done"))
    holds_kiln = models.BooleanField(default=True)
    booking_closes_at = models.DateTimeField(_("booking closes"))

    called_at = models.DateTimeField()
    lit_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)  # end of fire: last wood in, kiln closed up
    ended_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    end_reason = models.TextField(blank=True)
    has_failed = models.BooleanField(default=False)  # lit, but did not reach temperature
    unpacking_told_at = models.DateTimeField(null=True)  # when everyone was told the day the kiln is opened
    opened_at = models.DateTimeField(null=True)
    cleaned_at = models.DateTimeField(null=True)
    closed_at = models.DateTimeField(null=True)
    called_off_at = models.DateTimeField(null=True)
    called_off_why = models.TextField(blank=True)
    draw_seed = models.CharField(
        max_length=64, default=new_seed, editable=False
    )  # its SHA-256 is shown from the call on
    cost_estimate_minor = models.BigIntegerField(_("estimated cost"), null=True, blank=True)
    notes = models.TextField(_("notes"), blank=True)

    objects = FiringQuerySet.as_manager()

    class Meta:
        ordering = ["-lights_at"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "name"], name="firing_name_used_once"),
            models.CheckConstraint(
                condition=Q(lights_at__gte=F("occupied_from"))
                & Q(ends_at__gt=F("lights_at"))
                & Q(opens_at__gte=F("ends_at"))
                & Q(occupied_until__gt=F("opens_at")),
                name="firing_dates_are_in_order",
            ),
            models.CheckConstraint(
                condition=Q(booking_closes_at__lte=F("lights_at")), name="booking_closes_before_the_fire"
            ),
            models.CheckConstraint(
                condition=~Q(stage__in=["closed", "called_off"]) | Q(holds_kiln=False),
                name="ended_firing_frees_the_kiln",
            ),
            models.CheckConstraint(
                condition=Q(ended_at=None) | Q(lit_at__isnull=False) & Q(ended_at__gt=F("lit_at")),
                name="fire_ends_after_it_is_lit",
            ),
        ]
        indexes = [models.Index(fields=["coop", "stage"], name="firing_by_stage")]

    def __str__(self) -> str:
        return self.name


class FiringZone(CoopOwned):
    """The space of one zone in one firing, and how much of it is taken. The database keeps it from overselling."""

    firing = models.ForeignKey(Firing, on_delete=models.CASCADE, related_name="zones")
    zone = models.ForeignKey(Zone, on_delete=models.PROTECT, related_name="+")
    capacity_ml = models.BigIntegerField()
    taken_ml = models.BigIntegerField(default=0)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["zone__position", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "firing", "zone"], name="firing_zone_listed_once"),
            models.CheckConstraint(condition=Q(taken_ml__lte=F("capacity_ml")), name="zone_not_oversold"),
            models.CheckConstraint(condition=Q(taken_ml__gte=0), name="zone_not_undersold"),
        ]

    def __str__(self) -> str:
        return str(self.zone)

    @property
    def free_ml(self) -> int:
        return self.capacity_ml - self.taken_ml


class StageMove(CoopOwned):
    """A firing went from one stage to the next: who said so, when, why. Append-only by trigger."""

    firing = models.ForeignKey(Firing, on_delete=models.CASCADE, related_name="moves")
    from_stage = models.CharField(max_length=10)
    to_stage = models.CharField(max_length=10)
    at = models.DateTimeField()
    by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    note = models.TextField(blank=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["at", "pk"]

    def __str__(self) -> str:
        return f"{self.from_stage} -> {self.to_stage}"

    @property
    def to_word(self) -> str:
        return str(Firing.Stage(self.to_stage).label)


class GuestPass(CoopOwned):
    """A guest may take part in this one firing, invited by a member."""

    firing = models.ForeignKey(Firing, on_delete=models.CASCADE, related_name="guest_passes")
    host = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+")
    guest = models.ForeignKey(Membership, on_delete=models.CASCADE, related_name="guest_passes", null=True)
    invitation = models.OneToOneField("coop.Invitation", on_delete=models.PROTECT, related_name="+", null=True)

    objects = OfCoop.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["coop", "firing", "guest"],
                condition=Q(guest__isnull=False),
                name="guest_passes_once_per_firing",
            )
        ]

    def __str__(self) -> str:
        return f"{self.firing}: {self.guest}"


class FiringReview(CoopOwned):
    """What to do differently next time, kept with the firing."""

    firing = models.ForeignKey(Firing, on_delete=models.CASCADE, related_name="reviews")
    by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+")
    text = models.TextField(_("what to do differently"))
    at = models.DateTimeField()

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["at"]

    def __str__(self) -> str:
        return self.text[:40]
