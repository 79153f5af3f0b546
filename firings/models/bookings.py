"""What members bring: a booking per member and firing, its pieces, and the space they hold."""

from __future__ import annotations

from typing import Self

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from coop.models import CoopOwned, Membership, OfCoop

from .firings import Firing, FiringZone
from .kilns import Material


class Booking(CoopOwned):
    """What one member wants in one firing. Withdrawn as a whole, or piece by piece."""

    firing = models.ForeignKey(Firing, on_delete=models.CASCADE, related_name="bookings")
    member = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="bookings")
    made_at = models.DateTimeField()
    withdrawn_at = models.DateTimeField(null=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["made_at", "pk"]
        constraints = [models.UniqueConstraint(fields=["coop", "firing", "member"], name="one_booking_per_member")]

    def __str__(self) -> str:
        return f"{self.member}: {self.firing}"


class PieceQuerySet(OfCoop):
    def held(self) -> Self:
        return self.filter(state=Piece.State.HELD)

    def waiting(self) -> Self:
        """The waiting list in its order: whoever asked first."""
        return self.filter(state=Piece.State.WAITING).order_by("asked_at", "pk")


class Piece(CoopOwned):
    """One pot, or ``count`` alike. Holds space in one zone, or waits for it."""

    class Shape(models.TextChoices):
        ROUND = "round", _("round")
        RECT = "rect", _("rectangular")

    class State(models.TextChoices):
        HELD = "held", _("has space")
        WAITING = "waiting", _("on the waiting list")
        WITHDRAWN = "withdrawn", _("withdrawn")

    booking = models.ForeignKey(Booking, on_delete=models.CASCADE, related_name="pieces")
    name = models.CharField(_("piece"), max_length=80)
    count = models.PositiveIntegerField(_("how many alike"), default=1)
    shape = models.CharField(_("footprint"), max_length=5, choices=Shape, default=Shape.ROUND)
    diameter_mm = models.PositiveIntegerField(_("diameter, mm"), null=True, blank=True)
    width_mm = models.PositiveIntegerField(_("width, mm"), null=True, blank=True)
    length_mm = models.PositiveIntegerField(_("length, mm"), null=True, blank=True)
    height_mm = models.PositiveIntegerField(_("height, mm"))
    body = models.ForeignKey(Material, on_delete=models.PROTECT, related_name="+", null=True, blank=True)
    body_name = models.CharField(_("clay body"), max_length=80)
    cone = models.CharField(_("cone it stands"), max_length=5)
    glaze = models.CharField(_("glaze"), max_length=80, blank=True)
    is_runny = models.BooleanField(_("the glaze runs"), default=False)
    is_fragile = models.BooleanField(_("fragile"), default=False)
    wants_soda = models.BooleanField(_("needs soda"), default=False)
    importance = models.PositiveSmallIntegerField(_("order of importance"), default=1)
    note = models.CharField(_("note"), max_length=200, blank=True)

    wished_zone = models.ForeignKey(
        FiringZone, on_delete=models.PROTECT, related_name="+", null=True, blank=True
    )  # empty: any that suits
    zone = models.ForeignKey(FiringZone, on_delete=models.PROTECT, related_name="pieces", null=True)
    asked_ml = models.BigIntegerField()  # for the whole row, in the zone it holds or wishes
    state = models.CharField(max_length=9, choices=State, default=State.HELD)
    asked_at = models.DateTimeField()
    moved_up_at = models.DateTimeField(null=True)
    withdrawn_at = models.DateTimeField(null=True)
    brought = models.PositiveIntegerField(null=True)  # booked, brought and loaded are kept apart

    objects = PieceQuerySet.as_manager()

    class Meta:
        ordering = ["importance", "pk"]
        constraints = [
            models.CheckConstraint(condition=Q(count__gte=1, count__lte=500), name="piece_count_makes_sense"),
            models.CheckConstraint(
                condition=Q(shape="round", diameter_mm__gte=1, width_mm=None, length_mm=None)
                | Q(shape="rect", diameter_mm=None, width_mm__gte=1, length_mm__gte=1),
                name="piece_has_the_sizes_of_its_shape",
            ),
            models.CheckConstraint(condition=Q(height_mm__gte=1, height_mm__lte=3000), name="piece_has_a_height"),
            models.CheckConstraint(condition=Q(asked_ml__gte=1), name="piece_asks_for_space"),
            models.CheckConstraint(condition=~Q(state="held") | Q(zone__isnull=False), name="held_piece_has_a_zone"),
        ]
        indexes = [models.Index(fields=["coop", "state", "asked_at"], name="piece_waiting_order")]

    def __str__(self) -> str:
        return self.name
