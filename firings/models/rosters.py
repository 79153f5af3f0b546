"""What a roster is made and mended with: swaps of places, limits people set, news from the crew, questions to it."""

from __future__ import annotations

from typing import Self

from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Greatest, Least
from django.utils.translation import gettext_lazy as _

from coop.models import CoopOwned, Membership, OfCoop

from .firings import Firing
from .watches import Watch, WatchPlace, WatchProposal


class OpenQuerySet(OfCoop):
    def open(self) -> Self:
        return self.filter(closed_at=None)


class WatchSwap(CoopOwned):
    """Two places that change hands in one step: who asks gives theirs, who agrees gives theirs."""

    place = models.ForeignKey(WatchPlace, on_delete=models.CASCADE, related_name="swaps_asked")
    for_place = models.ForeignKey(WatchPlace, on_delete=models.CASCADE, related_name="swaps_wanted")
    asked_at = models.DateTimeField()
    agreed_at = models.DateTimeField(null=True)
    closed_at = models.DateTimeField(null=True)  # agreed, declined, taken back, or a place went elsewhere

    objects = OpenQuerySet.as_manager()

    class Meta:
        ordering = ["-asked_at", "-pk"]
        constraints = [
            models.CheckConstraint(condition=~Q(place=F("for_place")), name="swap_is_of_two_places"),
            models.CheckConstraint(
                condition=Q(agreed_at=None) | Q(closed_at__isnull=False, closed_at=F("agreed_at")),
                name="swap_agreed_is_closed",
            ),
            # Whoever of the two asked: one question between them is enough.
            models.UniqueConstraint(
                F("coop"),
                Least("place", "for_place"),
                Greatest("place", "for_place"),
                condition=Q(closed_at=None),
                name="one_open_swap_per_pair",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.place} / {self.for_place}"


class WishLimits(CoopOwned):
    """What a member wishes for a firing as a whole: no nights, at most so many hours, more rest than the rule."""

    firing = models.ForeignKey(Firing, on_delete=models.CASCADE, related_name="wish_limits")
    member = models.ForeignKey(Membership, on_delete=models.CASCADE, related_name="wish_limits")
    no_nights = models.BooleanField(_("no nights"), default=False)
    most_hours = models.PositiveSmallIntegerField(_("at most so many hours on watch"), null=True)
    rest_hours = models.PositiveSmallIntegerField(_("hours of rest between watches"), null=True)

    objects = OfCoop.as_manager()

    class Meta:
        verbose_name_plural = _("wish limits")
        constraints = [
            models.UniqueConstraint(fields=["coop", "firing", "member"], name="limits_set_once_per_member"),
            models.CheckConstraint(
                condition=Q(most_hours=None) | Q(most_hours__gte=1, most_hours__lte=200), name="most_hours_are_hours"
            ),
            models.CheckConstraint(
                condition=Q(rest_hours=None) | Q(rest_hours__gte=1, rest_hours__lte=48), name="rest_hours_are_hours"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.member}: {self.firing}"


class CrewNews(CoopOwned):
    """What upsets a roster: somebody cannot come, somebody comes late, the fire runs longer."""

    class Kind(models.TextChoices):
        OUT = "out", _("cannot come")
        LATE = "late", _("comes late")
        LONGER = "longer", _("the fire runs longer")

    firing = models.ForeignKey(Firing, on_delete=models.CASCADE, related_name="crew_news")
    kind = models.CharField(max_length=6, choices=Kind)
    place = models.ForeignKey(WatchPlace, on_delete=models.CASCADE, related_name="news", null=True)
    minutes = models.PositiveIntegerField(null=True)  # late or longer by
    said_at = models.DateTimeField()
    said_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    closed_at = models.DateTimeField(null=True)  # mended, taken back, or over

    objects = OpenQuerySet.as_manager()

    class Meta:
        ordering = ["said_at", "pk"]
        verbose_name_plural = _("crew news")
        constraints = [
            models.CheckConstraint(
                condition=Q(kind="out", place__isnull=False, minutes=None)
                | Q(kind="late", place__isnull=False, minutes__isnull=False, minutes__gte=1, minutes__lte=1440)
                | Q(kind="longer", place=None, minutes__isnull=False, minutes__gte=1, minutes__lte=10080),
                name="news_says_what_it_must",
            ),
            models.UniqueConstraint(
                fields=["coop", "place"], condition=Q(closed_at=None), name="one_open_news_per_place"
            ),
            models.UniqueConstraint(
                fields=["coop", "firing"],
                condition=Q(closed_at=None, kind="longer"),
                name="one_open_longer_per_firing",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}: {self.place or self.firing}"


class PlaceQuestion(CoopOwned):
    """Nobody at the fire is moved without their word: what they are asked, and what they said.

    With ``until``: stay at ``place`` beyond the end of its watch. With ``takes``: stand that watch, instead of
    ``place`` where one is named. With ``place`` alone: leave it.
    """

    firing = models.ForeignKey(Firing, on_delete=models.CASCADE, related_name="place_questions")
    member = models.ForeignKey(Membership, on_delete=models.CASCADE, related_name="place_questions")
    proposal = models.ForeignKey(WatchProposal, on_delete=models.CASCADE, related_name="questions", null=True)
    place = models.ForeignKey(WatchPlace, on_delete=models.CASCADE, related_name="questions", null=True)
    takes = models.ForeignKey(Watch, on_delete=models.CASCADE, related_name="questions", null=True)
    until = models.DateTimeField(null=True)
    asked_at = models.DateTimeField()
    agreed = models.BooleanField(null=True)
    closed_at = models.DateTimeField(null=True)

    objects = OpenQuerySet.as_manager()

    class Meta:
        ordering = ["asked_at", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(place__isnull=False) | Q(takes__isnull=False, until=None),
                name="question_asks_something",
            ),
            models.CheckConstraint(
                condition=Q(agreed=None) | Q(closed_at__isnull=False), name="answer_closes_question"
            ),
            models.UniqueConstraint(
                fields=["coop", "member", "place"], condition=Q(closed_at=None), name="one_open_question_per_place"
            ),
            models.UniqueConstraint(
                fields=["coop", "member", "takes"], condition=Q(closed_at=None), name="one_open_question_per_watch"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.member}: {self.takes or self.place}"
