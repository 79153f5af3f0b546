"""Who may see or move money."""

from __future__ import annotations

from django.utils.translation import gettext as _

from coop.access import check_holds
from coop.models import Membership, Role


def check_treasurer(by: Membership | None) -> None:
    check_holds(by, Role.Kind.TREASURER, to=_("move the co-op's money"))
