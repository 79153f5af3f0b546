"""A guest who accepts the invitation to one firing gets its pass."""

from __future__ import annotations

from coop.joining import when_joined
from coop.models import Invitation, Membership
from firings.models import GuestPass


@when_joined
def pass_to_the_guest(invitation: Invitation, member: Membership) -> None:
    GuestPass.objects.of(member.coop).filter(invitation=invitation, guest=None).update(guest=member)
