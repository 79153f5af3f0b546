"""Receipts, cost shares, the ledger, statements and payments. Money is integer minor units."""

from __future__ import annotations

from typing import Self

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from coop.models import CoopOwned, Document, HoldsPicture, Membership, OfCoop
from firings.models import Firing


class Pool(models.TextChoices):
    """What a cost is for; each pool is shared by its own key (``coop.policy.Terms``)."""

    WOOD = "wood", _("wood")
    SODA = "soda", _("soda")
    SHELF_WASH = "shelf_wash", _("shelf wash and wear")
    WADS_CONES = "wads_cones", _("wads and cones")
    PERMIT = "permit", _("permit")
    PER_HEAD = "per_head", _("per head")
    RESERVE = "reserve", _("kiln reserve")
    BREAKAGE = "breakage", _("breakage")


class HoursPool(models.TextChoices):
    """Hours as money: charged to those below what they owed, credited to those above. No receipt is for them."""

    OWED = "hours_owed", _("hours left to others")
    MORE = "hours_more", _("hours worked for others")


class ReceiptQuerySet(OfCoop):
    def standing(self) -> Self:
        return self.filter(withdrawn_at=None)


class Receipt(CoopOwned):
    """Money the co-op or a member laid out for a firing; minus is a refund."""

    firing = models.ForeignKey(Firing, on_delete=models.PROTECT, related_name="receipts")
    on = models.DateField(_("date"))
    pool = models.CharField(_("for"), max_length=10, choices=Pool)
    amount_minor = models.BigIntegerField(_("amount"))
    currency = models.CharField(max_length=3)
    paid_by = models.ForeignKey(
        Membership, on_delete=models.PROTECT, related_name="+", null=True, blank=True
    )  # empty: from the co-op's account
    supplier = models.CharField(_("from whom"), max_length=120, blank=True)
    note = models.CharField(_("note"), max_length=200, blank=True)
    entered_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    entered_at = models.DateTimeField()
    withdrawn_at = models.DateTimeField(null=True)

    objects = ReceiptQuerySet.as_manager()

    class Meta:
        ordering = ["on", "pk"]
        constraints = [
            models.CheckConstraint(condition=~Q(amount_minor=0), name="receipt_is_not_nothing"),
            models.CheckConstraint(
                condition=Q(
                    pool__in=[
                        "wood",
                        "soda",
                        "shelf_wash",
                        "wads_cones",
                        "permit",
                        "per_head",
                        "reserve",
                        "breakage",
                    ]
                ),
                name="receipt_pool_is_known",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_pool_display()} {self.amount_minor}"


class ReceiptPicture(HoldsPicture):
    """A photo of a receipt, so that whoever bears the cost can read it."""

    receipt = models.ForeignKey(Receipt, on_delete=models.PROTECT, related_name="pictures")

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return str(self.picture)


class Settlement(CoopOwned):
    """The cost shares of one firing: drafted, open for questions, posted; once posted only a reversal changes it."""

    class State(models.TextChoices):
        DRAFT = "draft", _("draft")
        QUESTIONS = "questions", _("open for questions")
        POSTED = "posted", _("posted")
        REVERSED = "reversed", _("reversed")
        REPLACED = "replaced", _("replaced by a newer draft")

    firing = models.ForeignKey(Firing, on_delete=models.PROTECT, related_name="settlements")
    version = models.PositiveIntegerField()
    state = models.CharField(max_length=9, choices=State, default=State.DRAFT)
    request = models.JSONField()  # cost-shares/1
    answer = models.JSONField()  # its answer, with the working
    drafted_at = models.DateTimeField()
    drafted_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    questions_until = models.DateTimeField(null=True)
    posted_at = models.DateTimeField(null=True)
    posting = models.OneToOneField("Posting", on_delete=models.PROTECT, related_name="settlement", null=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-version"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "firing", "version"], name="settlement_version_used_once"),
            models.UniqueConstraint(
                fields=["coop", "firing"],
                condition=Q(state__in=["draft", "questions", "posted"]),
                name="one_standing_settlement_per_firing",
            ),
            models.CheckConstraint(
                condition=~Q(state="posted") | Q(posting__isnull=False),
                name="posted_settlement_has_a_posting",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.firing} v{self.version}"


class CostPool(CoopOwned):
    """One pool of a settlement: its bill, its key, and what no member bears."""

    settlement = models.ForeignKey(Settlement, on_delete=models.CASCADE, related_name="pools")
    pool = models.CharField(max_length=10, choices=[*Pool.choices, *HoursPool.choices])
    key = models.CharField(max_length=40)
    bill_minor = models.BigIntegerField()
    fund_minor = models.BigIntegerField(default=0)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["pk"]
        constraints = [models.UniqueConstraint(fields=["coop", "settlement", "pool"], name="pool_once_per_settlement")]

    def __str__(self) -> str:
        return self.get_pool_display()


class CostShare(CoopOwned):
    """What one member bears of one pool, with the sum behind it."""

    settlement = models.ForeignKey(Settlement, on_delete=models.CASCADE, related_name="shares")
    pool = models.ForeignKey(CostPool, on_delete=models.CASCADE, related_name="shares")
    member = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="cost_shares")
    amount_minor = models.BigIntegerField()
    working = models.JSONField(default=dict)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["member__person__name", "pool"]
        constraints = [models.UniqueConstraint(fields=["coop", "pool", "member"], name="one_share_per_pool")]

    def __str__(self) -> str:
        return f"{self.member} {self.pool}: {self.amount_minor}"


class Question(CoopOwned):
    """A member's question about a settlement, answered in writing before it is posted."""

    settlement = models.ForeignKey(Settlement, on_delete=models.CASCADE, related_name="questions")
    share = models.ForeignKey(CostShare, on_delete=models.SET_NULL, related_name="questions", null=True)
    asked_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+")
    asked_at = models.DateTimeField()
    text = models.TextField(_("question"))
    answer = models.TextField(_("answer"), blank=True)
    answered_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    answered_at = models.DateTimeField(null=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["asked_at"]

    def __str__(self) -> str:
        return self.text[:40]


class Account(CoopOwned):
    """An account of the ledger. A member's account: plus is to pay, minus is to receive."""

    class Kind(models.TextChoices):
        MEMBER = "member", _("member")
        BANK = "bank", _("bank and cash")
        COST = "cost", _("firing costs")
        RESERVE = "reserve", _("kiln reserve")
        FUND = "fund", _("co-op's fund")
        DEPOSIT = "deposit", _("deposit held")

    code = models.CharField(max_length=60)
    name = models.CharField(max_length=120)
    kind = models.CharField(max_length=8, choices=Kind)
    member = models.OneToOneField(Membership, on_delete=models.PROTECT, related_name="account", null=True)
    # Whose deposit it is; a deposit is the co-op's debt, so its balance is never above zero.
    depositor = models.OneToOneField(Membership, on_delete=models.PROTECT, related_name="deposit_account", null=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["code"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "code"], name="account_code_used_once"),
            models.CheckConstraint(
                condition=Q(kind="member", member__isnull=False) | ~Q(kind="member") & Q(member=None),
                name="member_account_has_a_member",
            ),
            models.CheckConstraint(
                condition=Q(kind="deposit", depositor__isnull=False) | ~Q(kind="deposit") & Q(depositor=None),
                name="deposit_account_has_a_depositor",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Posting(CoopOwned):
    """One balanced, unchangeable entry; mended only by a reversing posting. Triggers refuse UPDATE and DELETE."""

    number = models.PositiveIntegerField()  # gap-free per co-op
    key = models.CharField(max_length=120)  # what it posts: nothing is posted twice
    kind = models.CharField(max_length=20)
    on = models.DateField()
    at = models.DateTimeField()
    by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    text = models.CharField(max_length=200)
    currency = models.CharField(max_length=3)
    line_count = models.PositiveSmallIntegerField()
    reverses = models.OneToOneField("self", on_delete=models.PROTECT, related_name="reversed_by", null=True)
    previous_hash = models.CharField(max_length=64)
    hash = models.CharField(max_length=64)
    seal = models.PositiveSmallIntegerField(default=1)  # which of ``billing.ledger`` the hash was made by

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-number"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "number"], name="posting_numbered_once"),
            models.UniqueConstraint(fields=["coop", "key"], name="posted_once_per_key"),
            models.CheckConstraint(condition=Q(line_count__gte=2), name="posting_has_two_lines_or_more"),
            models.CheckConstraint(condition=~Q(key=""), name="posting_has_a_key"),
        ]

    def __str__(self) -> str:
        return f"{self.number} {self.text}"


class Line(CoopOwned):
    """One line of a posting. The lines of a posting sum to zero."""

    posting = models.ForeignKey(Posting, on_delete=models.PROTECT, related_name="lines")
    account = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="lines")
    amount_minor = models.BigIntegerField()

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(condition=~Q(amount_minor=0), name="line_is_not_nothing"),
            # A million lines of this size still add up within 64 bits.
            models.CheckConstraint(
                condition=Q(amount_minor__gte=-(10**12), amount_minor__lte=10**12), name="line_is_within_reason"
            ),
        ]
        indexes = [models.Index(fields=["account"], name="line_by_account")]

    def __str__(self) -> str:
        return f"{self.account} {self.amount_minor:+d}"

    @property
    def credit_minor(self) -> int:
        return max(0, -self.amount_minor)


class Statement(CoopOwned):
    """The paper one member gets for one settlement."""

    settlement = models.ForeignKey(Settlement, on_delete=models.PROTECT, related_name="statements")
    member = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="statements")
    number = models.PositiveIntegerField()
    reference = models.CharField(max_length=25)  # ISO 11649
    total_minor = models.BigIntegerField()
    balance_minor = models.BigIntegerField()
    made_at = models.DateTimeField()
    document = models.OneToOneField(Document, on_delete=models.PROTECT, related_name="statement", null=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-number"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "number"], name="statement_numbered_once"),
            models.UniqueConstraint(
                fields=["coop", "settlement", "member"], name="one_statement_per_member_and_settlement"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.number} {self.member}"


class Payment(CoopOwned):
    """Money that moved between a member and the co-op: plus is paid by the member, minus paid out to them."""

    class Way(models.TextChoices):
        BANK = "bank", _("bank transfer")
        CASH = "cash", _("cash")

    member = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="payments")
    on = models.DateField(_("date"))
    amount_minor = models.BigIntegerField(_("amount"))
    currency = models.CharField(max_length=3)
    way = models.CharField(_("how"), max_length=4, choices=Way, default=Way.BANK)
    reference = models.CharField(_("reference"), max_length=40, blank=True)
    note = models.CharField(_("note"), max_length=200, blank=True)
    posting = models.OneToOneField(Posting, on_delete=models.PROTECT, related_name="payment")
    entered_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+")
    entered_at = models.DateTimeField()

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-on", "-pk"]
        constraints = [
            models.CheckConstraint(condition=~Q(amount_minor=0), name="payment_is_not_nothing"),
        ]

    def __str__(self) -> str:
        return f"{self.member} {self.amount_minor:+d}"


class BankAccount(CoopOwned):
    """The co-op's account at a bank: where statements ask members to pay, and whose files are read in."""

    holder = models.CharField(_("account holder"), max_length=70)
    iban = models.CharField(_("account number (IBAN)"), max_length=34)
    bic = models.CharField(_("bank's code (BIC)"), max_length=11, blank=True)
    set_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    set_at = models.DateTimeField()

    objects = OfCoop.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["coop"], name="one_bank_account_per_coop"),
            models.CheckConstraint(
                condition=Q(iban__regex=r"^[A-Z]{2}[0-9]{2}[0-9A-Z]{8,30}$"), name="bank_account_iban_is_plain"
            ),
            models.CheckConstraint(condition=~Q(holder=""), name="bank_account_has_a_holder"),
        ]

    def __str__(self) -> str:
        return self.iban


class BankProfile(CoopOwned):
    """How one bank writes its CSV (``billing.bank_files.by_profile.Profile`` as JSON)."""

    name = models.CharField(_("name"), max_length=60)
    rules = models.JSONField()
    saved_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    saved_at = models.DateTimeField()

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "name"], name="bank_profile_named_once"),
            models.CheckConstraint(condition=~Q(name=""), name="bank_profile_has_a_name"),
        ]

    def __str__(self) -> str:
        return self.name


class BankFile(CoopOwned):
    """A bank's file: read and shown first, then taken as a whole or left."""

    class State(models.TextChoices):
        READ = "read", _("read, not taken yet")
        TAKEN = "taken", _("taken")
        LEFT = "left", _("left")

    name = models.CharField(max_length=120)
    form = models.CharField(max_length=60)  # camt.053, or the name of the profile
    sha256 = models.CharField(max_length=64)
    iban = models.CharField(max_length=34)
    currency = models.CharField(max_length=3)
    opening_minor = models.BigIntegerField()
    closing_minor = models.BigIntegerField()
    from_on = models.DateField(null=True)
    until_on = models.DateField(null=True)
    movements = models.JSONField(default=list)  # billing.bank_files.movements.Movement; emptied when left
    remarks = models.JSONField(default=list)
    state = models.CharField(max_length=5, choices=State, default=State.READ)
    read_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    read_at = models.DateTimeField()
    taken_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    taken_at = models.DateTimeField(null=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-read_at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(state="taken", taken_at__isnull=False) | Q(~Q(state="taken"), taken_at=None),
                name="bank_file_taken_has_a_moment",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class BankLine(CoopOwned):
    """One movement on the co-op's account, kept once whatever files it stands in. What the bank said never changes."""

    class State(models.TextChoices):
        PAYMENT = "payment", _("a member's payment")
        WAITING = "waiting", _("waits for a person")
        ASIDE = "aside", _("no member's payment")

    file = models.ForeignKey(BankFile, on_delete=models.PROTECT, related_name="lines")
    key = models.CharField(max_length=64)  # billing.bank_files.movements.keys
    on = models.DateField(_("day"))
    amount_minor = models.BigIntegerField(_("amount"))
    currency = models.CharField(max_length=3)
    name = models.CharField(max_length=140, blank=True)
    iban = models.CharField(max_length=34, blank=True)
    reference = models.CharField(max_length=35, blank=True)
    text = models.CharField(max_length=500, blank=True)
    state = models.CharField(max_length=7, choices=State)
    why = models.CharField(max_length=200, blank=True)
    payment = models.OneToOneField(Payment, on_delete=models.PROTECT, related_name="bank_line", null=True)
    decided_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+", null=True)
    decided_at = models.DateTimeField(null=True)

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-on", "-pk"]
        constraints = [
            models.UniqueConstraint(fields=["coop", "key"], name="bank_line_kept_once"),
            models.CheckConstraint(condition=~Q(amount_minor=0), name="bank_line_is_not_nothing"),
            models.CheckConstraint(
                condition=Q(state="payment", payment__isnull=False)
                | Q(state__in=["waiting", "aside"], payment__isnull=True),
                name="bank_line_is_placed_with_its_payment",
            ),
            models.CheckConstraint(condition=~Q(state="aside", why=""), name="bank_line_set_aside_says_why"),
        ]
        indexes = [models.Index(fields=["coop"], condition=Q(state="waiting"), name="bank_line_waiting")]

    def __str__(self) -> str:
        return f"{self.on} {self.amount_minor:+d} {self.name}"


class DepositMove(CoopOwned):
    """A deposit taken from a member, given back, or set off against what they have to pay."""

    class Kind(models.TextChoices):
        TAKEN = "taken", _("taken")
        GIVEN_BACK = "given_back", _("given back")
        SET_OFF = "set_off", _("set off")

    member = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="deposit_moves")
    kind = models.CharField(_("what happens"), max_length=10, choices=Kind)
    on = models.DateField(_("date"))
    amount_minor = models.BigIntegerField(_("amount"))
    currency = models.CharField(max_length=3)
    note = models.CharField(_("note"), max_length=200, blank=True)
    posting = models.OneToOneField(Posting, on_delete=models.PROTECT, related_name="deposit_move")
    entered_by = models.ForeignKey(Membership, on_delete=models.PROTECT, related_name="+")
    entered_at = models.DateTimeField()

    objects = OfCoop.as_manager()

    class Meta:
        ordering = ["-on", "-pk"]
        constraints = [
            models.CheckConstraint(condition=Q(amount_minor__gt=0), name="deposit_moves_something"),
        ]

    def __str__(self) -> str:
        return f"{self.member} {self.get_kind_display()} {self.amount_minor}"
