"""What calendars are told: how often a row's dates have changed, and the links that calendars read."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from coop.models import CoopOwned, Membership, OfCoop


class Dated(models.Model):
    """A row that stands in calendars. Both columns are kept by the database (``coop.walls``), by nobody else."""

    sequence = models.PositiveIntegerField(default=0, editable=False)  # rises with each change a calendar shows
    changed_at = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        abstract = True


class FeedQuerySet(OfCoop):
    def standing(self) -> FeedQuerySet:
        return self.filter(revoked_at=None)


class CalendarFeed(CoopOwned):
    """A link a calendar reads: of one member, or of one kiln as that member sees it. Only the token's hash is kept."""

    member = models.ForeignKey(Membership, on_delete=models.CASCADE, related_name="calendar_feeds")
    kiln = models.ForeignKey(
        "firings.Kiln", on_delete=models.CASCADE, related_name="+", null=True, verbose_name=_("kiln")
    )
    token_hash = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True)

    objects = FeedQuerySet.as_manager()

    class Meta:
        ordering = ["kiln__name", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["coop", "member"], condition=Q(kiln=None, revoked_at=None), name="one_feed_per_member"
            ),
            models.UniqueConstraint(
                fields=["coop", "member", "kiln"],
                condition=Q(kiln__isnull=False, revoked_at=None),
                name="one_feed_per_member_and_kiln",
            ),
        ]

    def __str__(self) -> str:
        return str(self.kiln) if self.kiln_id else str(self.member)
