"""Kilns with their zones, posts, crew phases and checklist template; materials; wood."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from coop.models import CoopOwned, Membership, OfCoop


class Kiln(CoopOwned):
    """One kiln: how long it burns, how long it is taken before and after, who it needs."""

    name = models.CharField(_("name"), max_length=80)
    place = models.CharField(_("where it stands"), max_length=120, blank=True)
    volume_l = models.PositiveIntegerField(_("inner volume, litres"))
    takes_soda = models.BooleanField(_("soda may be used"), default=False)
    target_cone = models.CharField(_("usual target cone"), max_length=5)
    hours_low = models.PositiveSmallIntegerField(_("hours of fire, at least"))
    hours_likely = models.PositiveSmallIntegerField(_("hours of fire, likely"))
    hours_high = models.PositiveSmallIntegerField(_("hours of fire, at most"))
    loading_hours = models.PositiveSmallIntegerField(_("hours taken for loading before the fire"))
    cooling_hours = models.PositiveSmallIntegerField(_("hours of cooling"))
    cleanup_hours = models.PositiveSmallIntegerField(_("hours for unpacking and clean-up"))
    watch_hours = models.PositiveSmallIntegerField(_("length of a watch, hours"), default=6)
    least_rate_c_per_h = models.PositiveSmallIntegerField(_("slowest rise that is no stall, °C per hour"), default=15)
    opening_c = models.PositiveSmallIntegerField(_("may be opened below, °C"), default=100)
    wood_kg_per_m3 = models.PositiveIntegerField(_("wood per m³ of kiln, kg"), default=600)
    notes = models.TextField(_("notes"), blank=True)
    retired_at = models.DateTimeField(null=True, blank=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "name"], name="kiln_name_used_once"),
            models.CheckConstraint(
                condition=Q(hours_low__gte=1)
                & Q(hours_likely__gte=F("hours_low"))
                & Q(hours_high__gte=F("hours_likely")),
                name="kiln_hours_are_in_order",
            ),
            models.CheckConstraint(condition=Q(watch_hours__gte=1), name="kiln_watch_is_an_hour_or_more"),
            models.CheckConstraint(condition=Q(volume_l__gte=1), name="kiln_has_a_volume"),
        ]

    def __str__(self) -> str:
        return self.name


class Probe(CoopOwned):
    """A thermocouple of a kiln, and what is added to what it shows: learned from cones, frozen into each reading."""

    kiln = models.ForeignKey(Kiln, on_delete=models.PROTECT, related_name="probes")
    name = models.CharField(_("name"), max_length=30)
    place = models.CharField(_("where it sits"), max_length=60, blank=True)
    offset_dc = models.SmallIntegerField(_("offset, tenths of °C"), default=0)
    changed_at = models.DateTimeField()
    changed_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    retired_at = models.DateTimeField(null=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(
                fields=["coop", "kiln", "name"], condition=Q(retired_at=None), name="probe_name_used_once_per_kiln"
            ),
            models.CheckConstraint(
                condition=Q(offset_dc__gte=-1500, offset_dc__lte=1500), name="probe_offset_is_small"
            ),
            models.CheckConstraint(condition=~Q(name=""), name="probe_has_a_name"),
        ]

    def __str__(self) -> str:
        return self.name


class Zone(CoopOwned):
    """A part of a kiln with boards of one size, one height and one heat."""

    kiln = models.ForeignKey(Kiln, on_delete=models.PROTECT, related_name="zones")
    name = models.CharField(_("name"), max_length=40)
    position = models.PositiveSmallIntegerField(default=0)
    boards_per_layer = models.PositiveSmallIntegerField(_("boards side by side in a layer"))
    board_w_mm = models.PositiveIntegerField(_("board width, mm"))
    board_l_mm = models.PositiveIntegerField(_("board length, mm"))
    board_thickness_mm = models.PositiveSmallIntegerField(_("board thickness, mm"), default=20)
    usable_height_mm = models.PositiveIntegerField(_("usable height, mm"))
    air_above_mm = models.PositiveSmallIntegerField(_("air above the tallest piece, mm"), default=12)
    wad_mm = models.PositiveSmallIntegerField(_("wad, mm"), default=5)
    gap_mm = models.PositiveSmallIntegerField(_("gap between pieces, mm"), default=8)
    posts_per_board = models.PositiveSmallIntegerField(_("posts a board stands on"), default=3)
    is_soda = models.BooleanField(_("soda zone"), default=False)
    cone = models.CharField(_("hottest cone"), max_length=5)
    stacking_permille = models.PositiveIntegerField(
        default=1150
    )  # measured from load plans; 1.15 until three are there

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["position", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "kiln", "name"], name="zone_name_used_once_per_kiln"),
            models.CheckConstraint(
                condition=Q(boards_per_layer__gte=1)
                & Q(board_w_mm__gte=50, board_w_mm__lte=5000)
                & Q(board_l_mm__gte=50, board_l_mm__lte=5000)
                & Q(usable_height_mm__gte=50, usable_height_mm__lte=5000)
                & Q(stacking_permille__gte=1000),
                name="zone_sizes_make_sense",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def capacity_ml(self) -> int:
        """Boards x area x usable height, in ml (mm3 / 1000)."""
        area = self.boards_per_layer * self.board_w_mm * self.board_l_mm
        return area * self.usable_height_mm // 1000


class PostSpot(CoopOwned):
    """Where a post stands on each board of a zone; no piece may stand there."""

    zone = models.ForeignKey(Zone, on_delete=models.CASCADE, related_name="post_spots")
    x0_mm = models.PositiveIntegerField()
    y0_mm = models.PositiveIntegerField()
    x1_mm = models.PositiveIntegerField()
    y1_mm = models.PositiveIntegerField()

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(x1_mm__gt=F("x0_mm")) & Q(y1_mm__gt=F("y0_mm")), name="post_spot_has_an_area"
            )
        ]

    def __str__(self) -> str:
        return f"{self.x0_mm},{self.y0_mm} - {self.x1_mm},{self.y1_mm}"


class PostSet(CoopOwned):
    """How many posts of one height a kiln has."""

    kiln = models.ForeignKey(Kiln, on_delete=models.CASCADE, related_name="posts")
    height_mm = models.PositiveSmallIntegerField(_("height, mm"))
    count = models.PositiveSmallIntegerField(_("how many"))

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["height_mm"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "kiln", "height_mm"], name="post_height_listed_once"),
            models.CheckConstraint(condition=Q(height_mm__gte=1), name="post_has_a_height"),
        ]

    def __str__(self) -> str:
        return f"{self.count} x {self.height_mm} mm"


class CrewPhase(CoopOwned):
    """A part of the fire with its own crew: from and to in thousandths of the burn."""

    kiln = models.ForeignKey(Kiln, on_delete=models.CASCADE, related_name="phases")
    name = models.CharField(_("name"), max_length=40)
    from_permille = models.PositiveSmallIntegerField()
    to_permille = models.PositiveSmallIntegerField()
    people = models.PositiveSmallIntegerField(_("people"), default=2)
    most_people = models.PositiveSmallIntegerField(_("at most"), default=4)
    leads = models.PositiveSmallIntegerField(_("of them leading"), default=1)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["from_permille"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "kiln", "from_permille"], name="phase_begins_once"),
            models.CheckConstraint(
                condition=Q(to_permille__gt=F("from_permille")) & Q(to_permille__lte=1000),
                name="phase_lies_in_the_burn",
            ),
            # Not a policy: nobody is ever alone at the fire.
            models.CheckConstraint(condition=Q(people__gte=2), name="phase_needs_two_people"),
            models.CheckConstraint(condition=Q(leads__gte=1), name="phase_needs_a_lead"),
            models.CheckConstraint(condition=Q(most_people__gte=F("people")), name="phase_most_covers_need"),
        ]

    def __str__(self) -> str:
        return self.name


class TemplateItem(CoopOwned):
    """One line of a kiln's clean-up checklist template."""

    kiln = models.ForeignKey(Kiln, on_delete=models.CASCADE, related_name="template_items")
    position = models.PositiveSmallIntegerField()
    text = models.CharField(_("what to do"), max_length=200)
    due_days = models.PositiveSmallIntegerField(_("days after unpacking"), default=3)
    is_safety = models.BooleanField(_("the next fire must not be lit before this is done"), default=False)
    needs_sign_off = models.CharField(_("sign-off needed"), max_length=10, blank=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["position", "pk"]

    def __str__(self) -> str:
        return self.text


class Material(CoopOwned):
    """A clay body, glaze or consumable, with what it stands and what it costs."""

    class Kind(models.TextChoices):
        BODY = "body", _("clay body")
        GLAZE = "glaze", _("glaze")
        SODA = "soda", _("soda or salt")
        WASH = "wash", _("shelf wash")
        WADS = "wads", _("wads and cones")
        OTHER = "other", _("other")

    kind = models.CharField(_("kind"), max_length=6, choices=Kind)
    name = models.CharField(_("name"), max_length=80)
    stands_cone = models.CharField(_("stands cone"), max_length=5, blank=True)
    is_runny = models.BooleanField(_("runs"), default=False)
    price_minor = models.BigIntegerField(_("price"), null=True, blank=True)
    price_unit = models.CharField(_("per"), max_length=12, blank=True)
    notes = models.TextField(_("notes"), blank=True)
    approved_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    retired_at = models.DateTimeField(null=True, blank=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["kind", "name"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "kind", "name"], name="material_named_once_per_kind"),
            models.CheckConstraint(condition=~Q(kind="body") | ~Q(stands_cone=""), name="clay_body_says_its_cone"),
            models.CheckConstraint(
                condition=Q(price_minor=None) | Q(price_minor__gte=0), name="material_price_is_not_negative"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class WoodStack(CoopOwned):
    """A stack of wood: what, how dry, how much, how easy to reach."""

    name = models.CharField(_("name"), max_length=60)
    kiln = models.ForeignKey(Kiln, on_delete=models.PROTECT, related_name="wood_stacks", null=True, blank=True)
    species = models.CharField(_("species"), max_length=40)
    size_class = models.CharField(_("size"), max_length=20)
    stacked_dm3 = models.PositiveIntegerField(_("stacked, litres"))
    moisture_permille = models.PositiveSmallIntegerField(_("moisture, parts of 1000 on wet mass"), default=200)
    split_on = models.DateField(_("split on"), null=True, blank=True)
    is_covered = models.BooleanField(_("covered"), default=True)
    reach_order = models.PositiveSmallIntegerField(_("reached as number"), default=1)
    counted_at = models.DateTimeField(null=True)  # when somebody last measured it

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["reach_order", "name"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "name"], name="wood_stack_named_once"),
            models.CheckConstraint(condition=Q(moisture_permille__lt=1000), name="wood_moisture_is_below_all"),
        ]

    def __str__(self) -> str:
        return self.name


class WoodMove(CoopOwned):
    """Wood added to or taken from a stack (litres stacked; minus is taken), or what counting it put right."""

    stack = models.ForeignKey(WoodStack, on_delete=models.PROTECT, related_name="moves")
    firing = models.ForeignKey("firings.Firing", on_delete=models.PROTECT, related_name="wood_moves", null=True)
    stacked_dm3 = models.IntegerField()
    counted_dm3 = models.PositiveIntegerField(null=True)  # a stock-taking: what was there, beside what the book said
    at = models.DateTimeField()
    by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    note = models.CharField(max_length=200, blank=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(stacked_dm3=0) | Q(counted_dm3__isnull=False), name="wood_move_moves_something"
            ),
            models.CheckConstraint(
                condition=Q(counted_dm3=None) | Q(stacked_dm3=0) | ~Q(note=""), name="wood_difference_says_why"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.stacked_dm3} dm3"

    @property
    def book_dm3(self) -> int | None:
        """What the book said before it was counted."""
        return None if self.counted_dm3 is None else self.counted_dm3 - self.stacked_dm3
