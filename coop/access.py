"""Who may do what in the co-op itself: ``check_x`` raises with the reason, ``x`` answers yes or no."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from django.utils.translation import gettext as _

from coop.errors import NotAllowed, Refused
from coop.models import Document, Membership, Role


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


def check_may_invite(by: Membership | None, roles: Iterable[str]) -> None:
    """Any member may invite a guest; every other role is the coordinator's to give."""
    if set(roles) <= {Role.Kind.GUEST}:
        check_holds(
            by,
            *(kind for kind in Role.Kind.values if kind != Role.Kind.GUEST),
            to=_("invite a guest"),
        )
    else:
        check_coordinate(by)


def check_same_or_coordinator(by: Membership | None, member: Membership) -> None:
    """One's own affairs, or the coordinator's."""
    if by is None or by.pk == member.pk:
        return
    check_coordinate(by)


def check_may_open(by: Membership | None, document: Document) -> None:
    """A paper made for one member is theirs; besides them the treasurer and the coordinator may open it."""
    if document.for_membership_id is None or (by is not None and by.pk == document.for_membership_id):
        return
    check_holds(by, Role.Kind.TREASURER, Role.Kind.COORDINATOR, to=_("open this paper"))
