"""Who is at a watch, who is called when nobody is, and in which order."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from coop.models import CoopOwned, Membership, OfCoop

from .firings import Firing
from .watches import Watch


class OnCall(CoopOwned):
    """One member in the order in which people are called for a firing; the lead and the deputy come after them."""

    firing = models.ForeignKey(Firing, on_delete=models.CASCADE, related_name="on_call")
    member = models.ForeignKey(Membership, on_delete=models.CASCADE, related_name="+")
    position = models.PositiveSmallIntegerField()

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["position"]
        verbose_name_plural = "on call"
        constraints = [
            models.UniqueConstraint(fields=["coop", "firing", "position"], name="on_call_place_held_once"),
            models.UniqueConstraint(fields=["coop", "firing", "member"], name="on_call_once_per_member"),
            models.CheckConstraint(condition=Q(position__gte=1), name="on_call_counts_from_one"),
        ]

    def __str__(self) -> str:
        return f"{self.position} {self.member}"


class WatchPresence(CoopOwned):
    """Somebody is at a watch: said by themselves or by one of the crew."""

    watch = models.ForeignKey(Watch, on_delete=models.CASCADE, related_name="presences")
    member = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    said_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["at", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "watch", "member"], name="here_once_per_watch_and_member")
        ]

    def __str__(self) -> str:
        return f"{self.member}: {self.watch}"


class WatchCall(CoopOwned):
    """One person was called because nobody was at a watch; the steps follow the firing's order."""

    watch = models.ForeignKey(Watch, on_delete=models.CASCADE, related_name="calls")
    step = models.PositiveSmallIntegerField()
    member = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+")
    called_at = models.DateTimeField()

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["step"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "watch", "step"], name="called_once_per_step"),
            models.UniqueConstraint(fields=["coop", "watch", "member"], name="called_once_per_member"),
        ]

    def __str__(self) -> str:
        return f"{self.step} {self.member}: {self.watch}"
