"""Members as the money pages offer them: by name, those who left last."""

from __future__ import annotations

from coop.models import Coop, Membership


def current_members(coop: Coop) -> list[Membership]:
    """Who may have paid something: everybody in the co-op now, by name."""
    return list(Membership.objects.of(coop).current().select_related("person").order_by("person__name", "pk"))


def with_account(coop: Coop) -> list[Membership]:
    """Who may settle a balance: everybody in the co-op, and who left with an account."""
    rows = Membership.objects.of(coop).select_related("person").order_by("person__name", "pk")
    return list(rows.filter(left_at=None) | rows.filter(account__isnull=False))
