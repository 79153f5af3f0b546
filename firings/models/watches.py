"""Watches and chores, the places on them, wishes, offers, hand-overs, and the hours account."""

from __future__ import annotations

from typing import Self

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from coop.models import CoopOwned, Membership, OfCoop

from .feeds import Dated
from .firings import Firing


class ShiftQuerySet(OfCoop):
    def with_crew(self) -> Self:
        return self.prefetch_related("places_held__member__person")

    def standing(self) -> Self:
        return self.filter(cancelled_at=None)


class Watch(Dated, CoopOwned):
    """One shift at the fire: [starts_at, ends_at), cut from the kiln's phases."""

    firing = models.ForeignKey(Firing, on_delete=models.CASCADE, related_name="watches")
    number = models.PositiveSmallIntegerField()
    phase = models.CharField(max_length=40)
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    people = models.PositiveSmallIntegerField(_("people needed"))
    most_people = models.PositiveSmallIntegerField(_("at most"))
    leads = models.PositiveSmallIntegerField(_("of them leading"), default=1)
    taken = models.PositiveSmallIntegerField(default=0)
    cancelled_at = models.DateTimeField(null=True)

    objects = ShiftQuerySet.as_manager()

    class Meta:
        ordering = ["starts_at", "pk"]
        verbose_name_plural = _("watches")
        constraints = [
            models.UniqueConstraint(
                fields=["coop", "firing", "number"],
                condition=Q(cancelled_at=None),
                name="watch_numbered_once",
            ),
            models.CheckConstraint(condition=Q(ends_at__gt=F("starts_at")), name="watch_ends_after_it_starts"),
            models.CheckConstraint(condition=Q(people__gte=2), name="watch_needs_two_people"),
            models.CheckConstraint(condition=Q(leads__gte=1), name="watch_needs_a_lead"),
            models.CheckConstraint(
                condition=Q(taken__lte=F("most_people")) & Q(most_people__gte=F("people")),
                name="watch_not_overfilled",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.firing} {self.number}"

    @property
    def short_of(self) -> int:
        return max(0, self.people - self.taken)


class WatchPlace(Dated, CoopOwned):
    """One member's place in the crew of one watch."""

    watch = models.ForeignKey(Watch, on_delete=models.CASCADE, related_name="places_held")
    member = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="watch_places")
    taken_at = models.DateTimeField()
    is_leading = models.BooleanField(default=False)
    given_up_at = models.DateTimeField(null=True)
    # Attendance is confirmed by somebody else; the minutes then go to the hours account.
    confirmed_at = models.DateTimeField(null=True)
    confirmed_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    worked_minutes = models.PositiveIntegerField(null=True)
    # Agreed beyond the end of the watch, until somebody late has come.
    stays_until = models.DateTimeField(null=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-is_leading", "taken_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["coop", "watch", "member"],
                condition=Q(given_up_at=None),
                name="watch_place_held_once",
            ),
            models.CheckConstraint(
                condition=Q(confirmed_by=None) | ~Q(confirmed_by=F("member")),
                name="watch_confirmed_by_another",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.member}: {self.watch}"


class PlaceOffer(CoopOwned):
    """A place somebody wants to give away: to one member (who must agree) or to whoever takes it."""

    place = models.ForeignKey(WatchPlace, on_delete=models.CASCADE, related_name="offers")
    to_member = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    offered_at = models.DateTimeField()
    taken_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    closed_at = models.DateTimeField(null=True)  # taken, declined or taken back

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-offered_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["coop", "place"], condition=Q(closed_at=None), name="one_open_offer_per_place"
            )
        ]

    def __str__(self) -> str:
        return str(self.place)


class Wish(CoopOwned):
    """What a member wishes for one watch."""

    class Value(models.TextChoices):
        WANT = "+", _("want")
        CAN = ".", _("can")
        RATHER_NOT = "-", _("rather not")
        CANNOT = "x", _("cannot")

    watch = models.ForeignKey(Watch, on_delete=models.CASCADE, related_name="wishes")
    member = models.ForeignKey(Membership, on_delete=models.CASCADE, related_name="wishes")
    value = models.CharField(max_length=1, choices=Value)

    objects = OfCoop.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["coop", "watch", "member"], name="one_wish_per_watch_and_member"),
            models.CheckConstraint(condition=Q(value__in=["+", ".", "-", "x"]), name="wish_is_known"),
        ]

    def __str__(self) -> str:
        return self.get_value_display()


class WatchProposal(CoopOwned):
    """A computed roster for all watches of a firing: watch-assignment/1, until somebody accepts it."""

    firing = models.ForeignKey(Firing, on_delete=models.CASCADE, related_name="watch_proposals")
    request = models.JSONField()
    answer = models.JSONField()
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    accepted_at = models.DateTimeField(null=True)
    replaced_at = models.DateTimeField(null=True)
    # What a mended roster answers: the news it goes by, watches to be added, who stays longer. Empty for a new one.
    mends = models.JSONField(default=dict, blank=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-made_at", "-pk"]

    def __str__(self) -> str:
        return f"{self.firing} {self.made_at:%Y-%m-%d}"


class HandOver(CoopOwned):
    """The note from one watch to the next, drafted from the log; both leads accept it."""

    firing = models.ForeignKey(Firing, on_delete=models.CASCADE, related_name="hand_overs")
    watch = models.ForeignKey(Watch, on_delete=models.PROTECT, related_name="hand_overs", null=True)
    drafted_at = models.DateTimeField()
    text = models.TextField()
    outgoing = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    outgoing_at = models.DateTimeField(null=True)
    incoming = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    incoming_at = models.DateTimeField(null=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-drafted_at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(outgoing=None) | Q(incoming=None) | ~Q(outgoing=F("incoming")),
                name="hand_over_is_between_two_people",
            )
        ]

    def __str__(self) -> str:
        return f"{self.firing} {self.drafted_at:%H:%M}"


class Chore(Dated, CoopOwned):
    """Work besides the fire: wood, wads, loading, unpacking, grinding, sweeping."""

    class Kind(models.TextChoices):
        CUT = "cut", _("cut wood")
        SPLIT = "split", _("split wood")
        STACK = "stack", _("stack wood")
        HAUL = "haul", _("haul wood to the kiln")
        WADS = "wads", _("roll wads")
        CONE_PACKS = "cone_packs", _("make cone packs")
        WASH = "wash", _("wash shelves")
        LOADING = "loading", _("load")
        UNPACKING = "unpacking", _("unpack")
        GRINDING = "grinding", _("grind shelves")
        CLEANUP = "cleanup", _("clean up")

    firing = models.ForeignKey(Firing, on_delete=models.CASCADE, related_name="chores")
    kind = models.CharField(_("kind"), max_length=10, choices=Kind)
    name = models.CharField(_("name"), max_length=120)
    starts_at = models.DateTimeField(_("starts"))
    ends_at = models.DateTimeField(_("ends"))
    people = models.PositiveSmallIntegerField(_("people needed"), default=2)
    most_people = models.PositiveSmallIntegerField(_("at most"), default=4)
    needs_sign_off = models.CharField(_("sign-off needed"), max_length=10, blank=True)
    taken = models.PositiveSmallIntegerField(default=0)
    cancelled_at = models.DateTimeField(null=True)

    objects = ShiftQuerySet.as_manager()

    class Meta:
        ordering = ["starts_at", "pk"]
        constraints = [
            models.CheckConstraint(condition=Q(ends_at__gt=F("starts_at")), name="chore_ends_after_it_starts"),
            models.CheckConstraint(condition=Q(people__gte=1), name="chore_needs_somebody"),
            # A splitter, saw or grinder is never used alone.
            models.CheckConstraint(
                condition=~Q(kind__in=["cut", "split", "grinding"]) | Q(people__gte=2),
                name="dangerous_chore_needs_two",
            ),
            models.CheckConstraint(
                condition=~Q(kind="split") | Q(needs_sign_off="splitter"), name="splitting_needs_its_sign_off"
            ),
            models.CheckConstraint(
                condition=~Q(kind="grinding") | Q(needs_sign_off="grinding"), name="grinding_needs_its_sign_off"
            ),
            models.CheckConstraint(
                condition=Q(taken__lte=F("most_people")) & Q(most_people__gte=F("people")),
                name="chore_not_overfilled",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def short_of(self) -> int:
        return max(0, self.people - self.taken)


class ChorePlace(Dated, CoopOwned):
    """One member's place on one chore."""

    chore = models.ForeignKey(Chore, on_delete=models.CASCADE, related_name="places_held")
    member = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="chore_places")
    taken_at = models.DateTimeField()
    given_up_at = models.DateTimeField(null=True)
    confirmed_at = models.DateTimeField(null=True)
    confirmed_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    worked_minutes = models.PositiveIntegerField(null=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["taken_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["coop", "chore", "member"],
                condition=Q(given_up_at=None),
                name="chore_place_held_once",
            ),
            models.CheckConstraint(
                condition=Q(confirmed_by=None) | ~Q(confirmed_by=F("member")),
                name="chore_confirmed_by_another",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.member}: {self.chore}"


class HoursEntry(CoopOwned):
    """One line of a member's hours account, in minutes: plus is worked, minus is owed. Append-only by trigger."""

    class Kind(models.TextChoices):
        OWED = "owed", _("owed for space")
        WATCH = "watch", _("watch")
        CHORE = "chore", _("chore")
        ADJUSTED = "adjusted", _("adjusted")
        CARRIED = "carried", _("carried over")
        MONEY = "money", _("settled in money")
        CORRECTED = "corrected", _("corrected")

    member = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="hours")
    firing = models.ForeignKey(Firing, on_delete=models.PROTECT, related_name="hours", null=True)
    kind = models.CharField(max_length=9, choices=Kind)
    minutes = models.IntegerField()
    # A correction is a line of its own that points at the one it corrects; together they make what counts.
    corrects = models.ForeignKey("self", on_delete=models.PROTECT, related_name="corrections", null=True)
    why = models.CharField(max_length=200)
    key = models.CharField(max_length=120)  # what it stands for: nothing is credited twice
    at = models.DateTimeField()
    by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-at", "-pk"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "key"], name="hours_credited_once_per_key"),
            models.CheckConstraint(condition=~Q(minutes=0), name="hours_entry_is_not_nothing"),
            models.CheckConstraint(condition=~Q(why=""), name="hours_entry_says_why"),
            models.CheckConstraint(
                condition=Q(kind="corrected", corrects__isnull=False) | ~Q(kind="corrected") & Q(corrects=None),
                name="hours_correction_points_back",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.member} {self.minutes:+d} min"
