"""Kiln furniture as stock: boards and posts with their condition, what they went through and where."""

from __future__ import annotations

from typing import Self

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from coop.models import CoopOwned, Membership, OfCoop

from .kilns import Kiln, Zone


class FurnitureLotQuerySet(OfCoop):
    def there(self) -> Self:
        return self.filter(count__gt=0)

    def fit_for_use(self) -> Self:
        """Sound, or worn but still used."""
        return self.there().filter(condition__in=FurnitureLot.FIT_FOR_USE)


class FurnitureLot(CoopOwned):
    """Boards of one size or posts of one height, alike in condition, age and place. None left: kept for its record."""

    class Kind(models.TextChoices):
        BOARD = "board", _("boards")
        POST = "post", _("posts")

    class Condition(models.TextChoices):
        SOUND = "sound", _("sound")
        WORN = "worn", _("worn, still used")
        CRACKED = "cracked", _("cracked, not used")
        RETIRED = "retired", _("retired")

    FIT_FOR_USE = ("sound", "worn")

    kiln = models.ForeignKey(Kiln, on_delete=models.PROTECT, related_name="furniture")
    kind = models.CharField(_("what"), max_length=5, choices=Kind)
    zone = models.ForeignKey(Zone, on_delete=models.SET_NULL, related_name="+", null=True)  # null: any zone
    w_mm = models.PositiveIntegerField(_("width, mm"), default=0)
    l_mm = models.PositiveIntegerField(_("length, mm"), default=0)
    thickness_mm = models.PositiveSmallIntegerField(_("thickness, mm"), default=0)
    height_mm = models.PositiveSmallIntegerField(_("height, mm"), default=0)
    condition = models.CharField(_("condition"), max_length=7, choices=Condition, default=Condition.SOUND)
    count = models.PositiveIntegerField(_("how many"))
    firings = models.PositiveIntegerField(_("firings done"), default=0)
    note = models.CharField(_("note"), max_length=120, blank=True)

    objects = FurnitureLotQuerySet.as_manager()

    class Meta:
        ordering = ["kind", "-w_mm", "-l_mm", "height_mm", "condition", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(kind="board", w_mm__gte=50, l_mm__gte=50, thickness_mm__gte=1, height_mm=0)
                | Q(kind="post", height_mm__gte=1, w_mm=0, l_mm=0, thickness_mm=0),
                name="furniture_lot_has_its_sizes",
            ),
            models.CheckConstraint(condition=Q(count__lte=30_000), name="furniture_lot_is_countable"),
        ]

    def __str__(self) -> str:
        return f"{self.count} x {self.size}"

    @property
    def size(self) -> str:
        if self.kind == self.Kind.BOARD:
            return f"{self.w_mm} x {self.l_mm} x {self.thickness_mm} mm"
        return f"{self.height_mm} mm"


class FurnitureMove(CoopOwned):
    """What happened to a lot: listed, counted, changed in condition or place, fired. Never changed."""

    class Kind(models.TextChoices):
        LISTED = "listed", _("listed")
        COUNTED = "counted", _("counted")
        CONDITION = "condition", _("condition")
        PLACE = "place", _("place")
        FIRED = "fired", _("fired")

    lot = models.ForeignKey(FurnitureLot, on_delete=models.PROTECT, related_name="moves")
    kind = models.CharField(max_length=9, choices=Kind)
    count = models.IntegerField()  # how many it concerns; counted: the difference
    condition = models.CharField(max_length=7, choices=FurnitureLot.Condition)  # afterwards
    zone_name = models.CharField(max_length=40, blank=True)  # afterwards, as it was called then; "" is any zone
    firing = models.ForeignKey("firings.Firing", on_delete=models.PROTECT, related_name="+", null=True)
    origin = models.ForeignKey(FurnitureLot, on_delete=models.PROTECT, related_name="+", null=True)
    at = models.DateTimeField()
    by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    note = models.CharField(max_length=200, blank=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-at", "-pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["coop", "lot", "firing"], condition=Q(kind="fired"), name="furniture_fired_once_per_firing"
            ),
            models.CheckConstraint(
                condition=Q(kind="fired", firing__isnull=False) | ~Q(kind="fired"), name="furniture_fired_in_a_firing"
            ),
            models.CheckConstraint(
                condition=Q(origin=None) | ~Q(origin=F("lot")), name="furniture_comes_from_another_lot"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.count}"
