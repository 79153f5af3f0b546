"""After the fire: what happened to every piece, what was damaged, and the clean-up checklist."""

from __future__ import annotations

from typing import Self

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from coop.models import CoopOwned, Membership, OfCoop

from .bookings import Piece
from .firings import Firing, FiringZone


class Outcome(CoopOwned):
    """What came out of the kiln of one row of pieces: how many with which result."""

    class Result(models.TextChoices):
        GOOD = "good", _("good")
        FLAWED = "flawed", _("flawed")
        UNDERFIRED = "underfired", _("under-fired")
        STUCK = "stuck", _("stuck")
        BROKEN = "broken", _("broken")
        MISSING = "missing", _("missing")

    piece = models.ForeignKey(Piece, on_delete=models.PROTECT, related_name="outcomes")
    result = models.CharField(_("result"), max_length=10, choices=Result)
    count = models.PositiveIntegerField(_("how many"))
    note = models.CharField(_("note"), max_length=200, blank=True)
    by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["piece", "result"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "piece", "result"], name="outcome_once_per_result"),
            models.CheckConstraint(condition=Q(count__gte=1), name="outcome_counts_something"),
        ]

    def __str__(self) -> str:
        return f"{self.count} {self.get_result_display()}"


class Damage(CoopOwned):
    """Something was damaged, or a zone stayed under-fired: by what, who bears it. Two others than the owners decide."""

    class What(models.TextChoices):
        BOARD = "board", _("board")
        POST = "post", _("post")
        KILN = "kiln", _("kiln")
        PIECE = "piece", _("piece")
        ZONE = "zone", _("a zone that stayed under-fired")

    class Cause(models.TextChoices):
        MATERIAL = "material", _("owner's clay or glaze")
        LOADING = "loading", _("loading")
        FIRING = "firing", _("the firing")
        AGE = "age", _("age")
        UNKNOWN = "unknown", _("unknown")

    class Bearer(models.TextChoices):
        OPEN = "open", _("not decided")
        MEMBER = "member", _("the member who caused it")
        ALL = "all", _("everyone in this firing")
        RESERVE = "reserve", _("the kiln reserve")
        NOBODY = "nobody", _("nobody: an accident")

    firing = models.ForeignKey(Firing, on_delete=models.CASCADE, related_name="damages")
    what = models.CharField(_("what"), max_length=5, choices=What)
    count = models.PositiveSmallIntegerField(_("how many"), default=1)
    cause = models.CharField(_("cause"), max_length=8, choices=Cause, default=Cause.UNKNOWN)
    piece = models.ForeignKey(Piece, on_delete=models.PROTECT, related_name="damages", null=True, blank=True)
    zone = models.ForeignKey(FiringZone, on_delete=models.PROTECT, related_name="damages", null=True, blank=True)
    note = models.TextField(_("what happened"))
    bearer = models.CharField(_("who bears it"), max_length=7, choices=Bearer, default=Bearer.OPEN)
    borne_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True, blank=True)
    amount_minor = models.BigIntegerField(_("cost"), null=True, blank=True)
    reported_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+")
    reported_at = models.DateTimeField()
    decided_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    decided_at = models.DateTimeField(null=True)
    agreed_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    agreed_at = models.DateTimeField(null=True)  # only then it counts

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["reported_at"]
        verbose_name_plural = _("damage")
        constraints = [
            models.CheckConstraint(
                condition=Q(amount_minor=None) | Q(amount_minor__gte=0), name="damage_cost_is_not_negative"
            ),
            models.CheckConstraint(
                condition=~Q(bearer="member") | Q(borne_by__isnull=False), name="bearing_member_is_named"
            ),
            models.CheckConstraint(
                condition=Q(decided_by=None) | Q(borne_by=None) | ~Q(decided_by=F("borne_by")),
                name="damage_not_decided_by_who_bears_it",
            ),
            models.CheckConstraint(
                condition=Q(agreed_by=None)
                | (Q(decided_by=None) | ~Q(agreed_by=F("decided_by")))
                & (Q(borne_by=None) | ~Q(agreed_by=F("borne_by"))),
                name="damage_agreed_by_another",
            ),
            models.CheckConstraint(condition=~Q(what="zone") | Q(zone__isnull=False), name="under_fired_zone_is_named"),
        ]

    def __str__(self) -> str:
        return f"{self.get_what_display()}: {self.note[:40]}"


class Checklist(CoopOwned):
    """The clean-up checklist of one firing, made from the kiln's template when it enters clean-up."""

    firing = models.OneToOneField(Firing, on_delete=models.CASCADE, related_name="checklist")
    made_at = models.DateTimeField()
    signed_at = models.DateTimeField(null=True)
    signed_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-made_at"]

    def __str__(self) -> str:
        return str(self.firing)


class CheckItemQuerySet(OfCoop):
    def open(self) -> Self:
        return self.filter(done_at=None)


class CheckItem(CoopOwned):
    """One line of a checklist: what, who, by when."""

    checklist = models.ForeignKey(Checklist, on_delete=models.CASCADE, related_name="items")
    position = models.PositiveSmallIntegerField()
    text = models.CharField(_("what to do"), max_length=200)
    assigned_to = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="check_items", null=True)
    due_on = models.DateField(_("by"))
    is_safety = models.BooleanField(default=False)
    needs_sign_off = models.CharField(max_length=10, blank=True)
    done_at = models.DateTimeField(null=True)
    done_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)

    objects = CheckItemQuerySet.as_manager()

    class Meta:
        ordering = ["position", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "checklist", "position"], name="check_item_numbered_once"),
            models.CheckConstraint(
                condition=Q(done_at=None, done_by=None) | Q(done_at__isnull=False, done_by__isnull=False),
                name="done_item_says_by_whom",
            ),
        ]

    def __str__(self) -> str:
        return self.text
