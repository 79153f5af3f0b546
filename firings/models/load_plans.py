"""A computed load plan and the record of what really went in."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from coop.models import CoopOwned, Membership, OfCoop

from .bookings import Piece
from .firings import Firing, FiringZone


class LoadPlan(CoopOwned):
    """A proposal or the accepted plan: which piece stands where on which board of which layer."""

    class State(models.TextChoices):
        PROPOSED = "proposed", _("proposed")
        ACCEPTED = "accepted", _("accepted")
        REPLACED = "replaced", _("replaced")

    firing = models.ForeignKey(Firing, on_delete=models.CASCADE, related_name="load_plans")
    version = models.PositiveIntegerField()
    state = models.CharField(max_length=8, choices=State, default=State.PROPOSED)
    request = models.JSONField()  # load-request/1
    plan = models.JSONField()  # load-plan/1
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    accepted_at = models.DateTimeField(null=True)
    accepted_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    based_on = models.ForeignKey("self", on_delete=models.CASCADE, related_name="+", null=True)  # made by hand from it
    history = models.JSONField(default=list)  # load-plan/1 before each of the last steps by hand

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-version"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "firing", "version"], name="load_plan_version_used_once"),
            models.UniqueConstraint(
                fields=["coop", "firing"], condition=Q(state="accepted"), name="one_accepted_load_plan"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.firing} v{self.version}"

    @property
    def is_by_hand(self) -> bool:
        return self.based_on_id is not None


class Layer(CoopOwned):
    """One set of boards side by side on posts, counted from the floor of its zone (1 = lowest)."""

    plan = models.ForeignKey(LoadPlan, on_delete=models.CASCADE, related_name="layers")
    zone = models.ForeignKey(FiringZone, on_delete=models.PROTECT, related_name="+")
    number = models.PositiveSmallIntegerField()
    height_mm = models.PositiveIntegerField()

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["zone__zone__position", "number"]
        constraints = [models.UniqueConstraint(fields=["coop", "plan", "zone", "number"], name="layer_numbered_once")]

    def __str__(self) -> str:
        return f"{self.zone} {self.number}"


class Placement(CoopOwned):
    """One pot on one board: centre in tenths of a mm from the board's corner."""

    layer = models.ForeignKey(Layer, on_delete=models.CASCADE, related_name="placements")
    board = models.PositiveSmallIntegerField()  # 1 = first board of the layer
    piece = models.ForeignKey(Piece, on_delete=models.PROTECT, related_name="placements")
    copy = models.PositiveSmallIntegerField(default=1)  # which of the ``count`` alike
    x_dmm = models.PositiveIntegerField()
    y_dmm = models.PositiveIntegerField()
    is_turned = models.BooleanField(default=False)
    loaded_at = models.DateTimeField(null=True)
    loaded_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["layer", "board", "y_dmm", "x_dmm"]
        constraints = [
            models.UniqueConstraint(
                fields=["coop", "layer", "board", "piece", "copy"], name="pot_stands_once_per_board"
            )
        ]

    def __str__(self) -> str:
        return f"{self.piece} #{self.copy}"
