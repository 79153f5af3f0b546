"""What members bring: a booking per member and firing, its pieces, the space they hold, and how it is shared out."""

from __future__ import annotations

from typing import Self

from django.db import models
from django.db.models import F, Q
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
        """The waiting list in its order: as the allotment says, then (and before any allotment) whoever asked first."""
        place = F("allotted_place").asc(nulls_last=True)
        return self.filter(state=Piece.State.WAITING).order_by(place, "asked_at", "pk")


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
    allotted_place = models.PositiveIntegerField(null=True)  # on the waiting list, since the space was shared out
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


class FitPlan(CoopOwned):
    """The last plan of everything that holds space in a firing, kept so that “does it fit?” begins from it.

    ``pieces`` is the fingerprint of the pieces the plan knows: another one means that the answer is stale.
    """

    firing = models.OneToOneField(Firing, on_delete=models.CASCADE, related_name="fit_plan")
    request = models.JSONField()  # load-request/1
    plan = models.JSONField()  # load-plan/1
    pieces = models.CharField(max_length=64)
    made_at = models.DateTimeField()

    objects = OfCoop.as_manager()

    class Meta:
        constraints = [models.CheckConstraint(condition=~Q(pieces=""), name="fit_plan_knows_its_pieces")]

    def __str__(self) -> str:
        return f"{self.firing}: {self.made_at:%Y-%m-%d %H:%M}"


class Allotment(CoopOwned):
    """A proposal how to share out the space of a firing, and the one that was accepted.

    ``request`` is allotment/1; ``answer`` its answer, with the pieces that go in, by zone, and the order of the rest.
    """

    class State(models.TextChoices):
        PROPOSED = "proposed", _("proposed")
        ACCEPTED = "accepted", _("accepted")
        REPLACED = "replaced", _("replaced")

    firing = models.ForeignKey(Firing, on_delete=models.CASCADE, related_name="allotments")
    version = models.PositiveIntegerField()
    state = models.CharField(max_length=8, choices=State, default=State.PROPOSED)
    rule = models.CharField(max_length=20)  # of the policy frozen into the firing
    request = models.JSONField()
    answer = models.JSONField()
    pieces = models.CharField(max_length=64)  # fingerprint of the pieces shared out
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    accepted_at = models.DateTimeField(null=True)
    accepted_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-version"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "firing", "version"], name="allotment_version_used_once"),
            models.UniqueConstraint(
                fields=["coop", "firing"], condition=Q(state="accepted"), name="space_shared_out_once"
            ),
            models.CheckConstraint(
                condition=Q(state="accepted", accepted_at__isnull=False) | (~Q(state="accepted") & Q(accepted_at=None)),
                name="accepted_allotment_has_a_moment",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.firing} v{self.version}"
