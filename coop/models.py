"""People, co-ops, roles, sign-offs, policies, and the rows that are queues: notices and computations."""

from __future__ import annotations

import uuid
from typing import Any, ClassVar, Self

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.contrib.auth.models import PermissionsMixin
from django.db import models
from django.db.models import F, Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _


class PersonManager(BaseUserManager["Person"]):
    def create_user(self, email: str, password: str | None = None, **fields: Any) -> Person:
        person = self.model(email=email.strip().lower(), **fields)
        person.set_password(password)
        person.save(using=self._db)
        return person

    def create_superuser(self, email: str, password: str | None = None, **fields: Any) -> Person:
        return self.create_user(email, password, **{**fields, "is_staff": True, "is_superuser": True})

    def get_by_natural_key(self, username: str | None) -> Person:
        return self.get(email=(username or "").strip().lower())


class Person(AbstractBaseUser, PermissionsMixin):
    """Someone who signs in with an e-mail address; may belong to several co-ops."""

    class Temperature(models.TextChoices):
        CELSIUS = "c", _("°C")
        FAHRENHEIT = "f", _("°F")

    class Length(models.TextChoices):
        MILLIMETRES = "mm", _("millimetres")
        INCHES = "in", _("inches")

    class Volume(models.TextChoices):
        LITRES = "l", _("litres")
        CUBIC_INCHES = "in3", _("cubic inches")

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    email = models.EmailField(_("e-mail"), unique=True)
    name = models.CharField(_("name"), max_length=120)
    temperature_unit = models.CharField(
        _("temperatures in"), max_length=2, choices=Temperature, default=Temperature.CELSIUS
    )
    length_unit = models.CharField(_("lengths in"), max_length=2, choices=Length, default=Length.MILLIMETRES)
    volume_unit = models.CharField(_("space in"), max_length=3, choices=Volume, default=Volume.LITRES)
    is_staff = models.BooleanField(_("operator"), default=False)
    is_active = models.BooleanField(_("may sign in"), default=True)
    joined_at = models.DateTimeField(default=timezone.now, editable=False)

    objects = PersonManager()
    USERNAME_FIELD = "email"
    REQUIRED_FIELDS: ClassVar[list[str]] = ["name"]

    class Meta:
        verbose_name = _("person")
        verbose_name_plural = _("people")
        constraints = [
            models.CheckConstraint(condition=~Q(email=""), name="person_has_an_email"),
            models.CheckConstraint(condition=~Q(name=""), name="person_has_a_name"),
        ]

    def __str__(self) -> str:
        return self.name

    def get_full_name(self) -> str:
        return self.name

    def get_short_name(self) -> str:
        return self.name


class Coop(models.Model):
    """The group: the tenant. Everything below it belongs to exactly one."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    slug = models.SlugField(_("address"), max_length=40, unique=True)
    name = models.CharField(_("name"), max_length=120)
    time_zone = models.CharField(_("time zone"), max_length=64, default="Europe/Dublin")
    currency = models.CharField(_("currency"), max_length=3, default="EUR")
    founded_at = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        verbose_name = _("co-op")
        constraints = [
            models.CheckConstraint(condition=~Q(name=""), name="coop_has_a_name"),
            models.CheckConstraint(condition=Q(currency__regex=r"^[A-Z]{3}$"), name="coop_currency_is_a_code"),
        ]

    def __str__(self) -> str:
        return self.name


class CoopOwned(models.Model):
    """A row that belongs to one co-op. Reach it through the co-op: ``Kiln.objects.of(coop)``."""

    coop = models.ForeignKey(Coop, on_delete=models.PROTECT, related_name="+")
    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)

    class Meta:
        abstract = True


class OfCoop(models.QuerySet[Any]):
    """The base of every tenant-owned queryset."""

    def of(self, coop: Coop) -> Self:
        return self.filter(coop=coop)


class MembershipQuerySet(OfCoop):
    def current(self) -> Self:
        return self.filter(left_at=None)

    def with_roles(self) -> Self:
        return self.select_related("person").prefetch_related("roles", "sign_offs")


class Membership(CoopOwned):
    """One person in one co-op."""

    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="memberships")
    mark = models.CharField(_("mark on the pots"), max_length=60, blank=True)
    joined_at = models.DateTimeField(default=timezone.now, editable=False)
    left_at = models.DateTimeField(null=True, blank=True)

    objects = MembershipQuerySet.as_manager()

    class Meta:
        verbose_name = _("member")
        ordering = ["person__name", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "person"], name="person_belongs_once_per_coop"),
            models.CheckConstraint(
                condition=Q(left_at=None) | Q(left_at__gte=F("joined_at")), name="member_left_after_joining"
            ),
        ]

    def __str__(self) -> str:
        return self.person.name

    @property
    def name(self) -> str:
        return self.person.name

    def holds(self, *kinds: str) -> bool:
        """Whether any of these roles is held (``Role.Kind`` values). One query, or none when prefetched."""
        return any(role.kind in kinds for role in self.roles.all())

    def signed_off(self, kind: str, on: Any) -> bool:
        """Whether a sign-off of this kind stands on that date."""
        return any(s.kind == kind and s.stands_on(on) for s in self.sign_offs.all())


class Role(CoopOwned):
    """A role one member holds."""

    class Kind(models.TextChoices):
        MEMBER = "member", _("member")
        GUEST = "guest", _("guest")
        LEAD = "lead", _("firing lead")
        STEWARD = "steward", _("kiln steward")
        TREASURER = "treasurer", _("treasurer")
        COORDINATOR = "coordinator", _("coordinator")

    membership = models.ForeignKey(Membership, on_delete=models.CASCADE, related_name="roles")
    kind = models.CharField(max_length=12, choices=Kind)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["kind"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "membership", "kind"], name="role_held_once"),
            models.CheckConstraint(
                condition=Q(kind__in=["member", "guest", "lead", "steward", "treasurer", "coordinator"]),
                name="role_kind_is_known",
            ),
        ]

    def __str__(self) -> str:
        return self.get_kind_display()


class SignOff(CoopOwned):
    """What a member is trained for. Not a licence: local law decides who may do what."""

    class Kind(models.TextChoices):
        STOKING = "stoking", _("stoking")
        LEADING = "leading", _("leading a watch")
        SODA = "soda", _("soda")
        SPLITTER = "splitter", _("wood splitter")
        GRINDING = "grinding", _("shelf grinding")

    membership = models.ForeignKey(Membership, on_delete=models.CASCADE, related_name="sign_offs")
    kind = models.CharField(max_length=10, choices=Kind)
    given_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    given_on = models.DateField()
    valid_until = models.DateField(_("valid until"), null=True, blank=True)
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["kind"]
        constraints = [
            models.UniqueConstraint(
                fields=["coop", "membership", "kind"],
                condition=Q(withdrawn_at=None),
                name="sign_off_stands_once",
            ),
            models.CheckConstraint(
                condition=Q(valid_until=None) | Q(valid_until__gte=F("given_on")),
                name="sign_off_ends_after_it_begins",
            ),
        ]

    def __str__(self) -> str:
        return self.get_kind_display()

    def stands_on(self, on: Any) -> bool:
        return self.withdrawn_at is None and (self.valid_until is None or self.valid_until >= on)


class Policy(CoopOwned):
    """The co-op's rules at one time (``coop.policy.Terms`` as JSON). Never edited; a change is a new version."""

    version = models.PositiveIntegerField()
    terms = models.JSONField(default=dict)
    adopted_at = models.DateTimeField()
    adopted_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-version"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "version"], name="policy_version_used_once"),
            models.CheckConstraint(condition=Q(version__gte=1), name="policy_versions_start_at_one"),
        ]

    def __str__(self) -> str:
        return f"{self.coop} v{self.version}"


class Invitation(CoopOwned):
    """A mailed link by which a person joins. Only the hash of its token is kept."""

    email = models.EmailField()
    name = models.CharField(max_length=120, blank=True)
    roles = models.JSONField(default=list)
    token_hash = models.CharField(max_length=64, unique=True)
    invited_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    invited_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    accepted_at = models.DateTimeField(null=True)
    accepted_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    withdrawn_at = models.DateTimeField(null=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-invited_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["coop", "email"],
                condition=Q(accepted_at=None, withdrawn_at=None),
                name="one_open_invitation_per_address",
            ),
            models.CheckConstraint(
                condition=Q(expires_at__gt=F("invited_at")), name="invitation_expires_after_it_is_sent"
            ),
        ]

    def __str__(self) -> str:
        return self.email


class ApiToken(models.Model):
    """A person's key to the API. Only its hash is kept; shown once when made."""

    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="api_tokens")
    name = models.CharField(_("what it is for"), max_length=80)
    token_hash = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField()
    last_used_on = models.DateField(null=True)
    revoked_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-made_at"]

    def __str__(self) -> str:
        return self.name


class NoticeQuerySet(OfCoop):
    def waiting(self, now: Any) -> Self:
        return self.filter(sent_at=None, dead_at=None, due_at__lte=now).filter(
            Q(leased_until=None) | Q(leased_until__lt=now)
        )


class Notice(CoopOwned):
    """One mail to one person. The row is the queue: written with what caused it, sent from here, once in effect."""

    key = models.CharField(max_length=200)  # what it is about: a second one with the same key is not written
    kind = models.CharField(max_length=40)
    to_person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+", null=True)
    to_email = models.EmailField()
    subject = models.CharField(max_length=200)
    text = models.TextField()
    link = models.CharField(max_length=300, blank=True)
    document = models.ForeignKey("Document", on_delete=models.PROTECT, related_name="+", null=True)
    made_at = models.DateTimeField()
    due_at = models.DateTimeField()
    stale_at = models.DateTimeField(null=True)  # after this it is dropped, not sent late
    leased_until = models.DateTimeField(null=True)
    attempts = models.PositiveIntegerField(default=0)
    sent_at = models.DateTimeField(null=True)
    dead_at = models.DateTimeField(null=True)
    last_error = models.CharField(max_length=300, blank=True)
    in_digest = models.BooleanField(default=False)  # goes out with others in one mail
    unwanted = models.BooleanField(default=False)  # given up because the member does not want such mails
    came_back_at = models.DateTimeField(null=True)  # a mail server further on returned it

    objects = NoticeQuerySet.as_manager()

    class Meta:
        ordering = ["-pk"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "key"], name="notice_written_once_per_key"),
            models.CheckConstraint(condition=~Q(to_email=""), name="notice_has_an_address"),
            models.CheckConstraint(
                condition=Q(unwanted=False) | Q(dead_at__isnull=False), name="notice_unwanted_is_given_up"
            ),
            models.CheckConstraint(
                condition=Q(came_back_at=None) | Q(sent_at__isnull=False), name="notice_came_back_once_sent"
            ),
        ]
        indexes = [models.Index(fields=["due_at"], condition=Q(sent_at=None, dead_at=None), name="notice_waiting")]

    def __str__(self) -> str:
        return f"{self.to_email}: {self.subject}"


class MailWishes(CoopOwned):
    """How one member wants their mails; without a row everything is mailed at once. Own duties always are."""

    class When(models.TextChoices):
        AT_ONCE = "at_once", _("at once")
        DAILY = "daily", _("once a day, all in one mail")
        NEVER = "never", _("not at all")

    membership = models.OneToOneField(Membership, on_delete=models.CASCADE, related_name="mail_wishes")
    own = models.CharField(max_length=8, choices=When, default=When.AT_ONCE)
    news = models.CharField(max_length=8, choices=When, default=When.AT_ONCE)
    quiet_from = models.TimeField(null=True)  # local time of the co-op
    quiet_to = models.TimeField(null=True)

    objects = OfCoop.as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(own__in=["at_once", "daily"]), name="mail_of_ones_own_always_comes"),
            models.CheckConstraint(condition=Q(news__in=["at_once", "daily", "never"]), name="mail_of_news_is_known"),
            models.CheckConstraint(
                condition=Q(quiet_from=None, quiet_to=None)
                | (Q(quiet_from__isnull=False, quiet_to__isnull=False) & ~Q(quiet_from=F("quiet_to"))),
                name="quiet_hours_begin_and_end",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.membership}: {self.own}, {self.news}"


class Computation(CoopOwned):
    """A computation somebody asked for. The row is the queue and the progress; a task only carries its id."""

    class State(models.TextChoices):
        WAITING = "waiting", _("waiting")
        DONE = "done", _("done")
        FAILED = "failed", _("failed")

    kind = models.CharField(max_length=40)  # a name registered in coop.computations
    subject = models.UUIDField()  # public id of what it is about
    request = models.JSONField(default=dict)
    answer = models.JSONField(null=True)
    state = models.CharField(max_length=8, choices=State, default=State.WAITING)
    asked_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    asked_at = models.DateTimeField()
    leased_until = models.DateTimeField(null=True)
    attempts = models.PositiveIntegerField(default=0)
    done_at = models.DateTimeField(null=True)
    trouble = models.CharField(max_length=300, blank=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(state="waiting", done_at=None) | (~Q(state="waiting") & Q(done_at__isnull=False)),
                name="computation_done_has_a_moment",
            )
        ]
        indexes = [models.Index(fields=["asked_at"], condition=Q(state="waiting"), name="computation_waiting")]

    def __str__(self) -> str:
        return f"{self.kind} {self.subject}"


class Document(CoopOwned):
    """A finished paper (PDF) kept as it was made. In the database, so every web process can serve it."""

    kind = models.CharField(max_length=40)
    subject = models.UUIDField()  # public id of what it is about
    title = models.CharField(max_length=200)
    file_name = models.CharField(max_length=120)
    content = models.BinaryField()
    made_at = models.DateTimeField()
    for_membership = models.ForeignKey(
        Membership, on_delete=models.PROTECT, related_name="+", null=True
    )  # set: only this member and the treasurer may open it
    computation = models.OneToOneField(Computation, on_delete=models.PROTECT, related_name="document", null=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-pk"]

    def __str__(self) -> str:
        return self.title


class Picture(CoopOwned):
    """A photo the co-op keeps, made anew as JPEG (``coop.pictures``). What it belongs to says who may see it.

    ``public_id`` may be made by the device that sends it, so that nothing is kept twice.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True)
    by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+")
    added_at = models.DateTimeField()
    held_at = models.DateTimeField(null=True)  # since when it belongs to something; a loose one goes after some days
    caption = models.CharField(_("what it shows"), max_length=120, blank=True)
    width = models.PositiveIntegerField()
    height = models.PositiveIntegerField()
    byte_count = models.PositiveIntegerField()  # all its sizes together

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(width__gte=1, height__gte=1, byte_count__gte=1), name="picture_shows_something"
            )
        ]

    def __str__(self) -> str:
        return self.caption or f"{self.added_at:%Y-%m-%d %H:%M}"


class PictureData(CoopOwned):
    """One size of a picture as it is served: apart from its facts, so that lists load no bytes."""

    class Size(models.TextChoices):
        FULL = "full", _("full")
        SMALL = "small", _("small")

    picture = models.ForeignKey(Picture, on_delete=models.CASCADE, related_name="data")
    size = models.CharField(max_length=5, choices=Size)
    content = models.BinaryField()

    objects = OfCoop.as_manager()

    class Meta:
        verbose_name_plural = _("picture data")
        constraints = [models.UniqueConstraint(fields=["coop", "picture", "size"], name="picture_has_each_size_once")]

    def __str__(self) -> str:
        return f"{self.picture_id} {self.size}"


class HoldsPicture(CoopOwned):
    """The base of every table that says what a picture belongs to; ``coop.pictures.hold`` writes its rows.

    A subclass adds the key to its own row; who may see it is said with ``coop.pictures.seen_by``.
    """

    picture = models.OneToOneField(Picture, on_delete=models.PROTECT, related_name="+")

    objects = OfCoop.as_manager()

    class Meta:
        abstract = True


class AuditEntry(CoopOwned):
    """Who changed what, when. Written by ``@use_case``; triggers refuse UPDATE and DELETE."""

    at = models.DateTimeField()
    by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    action = models.CharField(max_length=80)
    detail = models.JSONField(default=dict)
    request_id = models.CharField(max_length=36, blank=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-pk"]
        indexes = [models.Index(fields=["coop", "-at"], name="audit_by_coop_and_time")]

    def __str__(self) -> str:
        return f"{self.at:%Y-%m-%d %H:%M} {self.action}"


class IdempotencyKey(CoopOwned):
    """The answer already given to a key, kept so that a retry gets it again and nothing happens twice."""

    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="+")
    route = models.CharField(max_length=200)
    key = models.CharField(max_length=100)
    body_hash = models.CharField(max_length=64)
    status = models.PositiveSmallIntegerField()
    answer = models.JSONField(null=True)
    made_at = models.DateTimeField()

    objects = OfCoop.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["coop", "person", "route", "key"], name="idempotency_key_used_once")
        ]

    def __str__(self) -> str:
        return self.key
