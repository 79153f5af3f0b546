"""What follows when an invitation is accepted, for apps that lie above and tied something to it."""

from __future__ import annotations

from collections.abc import Callable

from coop.models import Invitation, Membership

# Runs inside the joining's own transaction.
Follow = Callable[[Invitation, Membership], None]
_FOLLOWING: list[Follow] = []


def when_joined(function: Follow) -> Follow:
    """Register what is to be done for the new member."""
    _FOLLOWING.append(function)
    return function


def follow(invitation: Invitation, member: Membership) -> None:
    for function in _FOLLOWING:
        function(invitation, member)
