"""Who may do what in the co-op itself: ``check_x`` raises with the reason, ``x`` answers yes or no."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.utils.translation import gettext as _

from coop.errors import NotAllowed, Refused
from coop.models import Membership, Role


def allowed(check: Callable[..., None], *args: Any, **kwargs: Any) -> bool:
    """Whether a check lets this through."""
    try:
        check(*args, **kwargs)
    except Refused:
        return False
    return True


def check_holds(by: Membership | None, *kinds: str, to: str) -> None:
    """Refuse unless ``by`` holds one of these roles; None is the service itself and may."""
    if by is None:
        return
    if by.left_at is None and by.holds(*kinds):
        return
    names = " / ".join(str(Role.Kind(kind).label) for kind in kinds)
    raise NotAllowed(
        _("To %(what)s you need to be %(roles)s here. Ask the coordinator if that should be you.")
        % {"what": to, "roles": names}
    )


def check_coordinate(by: Membership | None) -> None:
    check_holds(by, Role.Kind.COORDINATOR, to=_("change the co-op, its members and policies"))
