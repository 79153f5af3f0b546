"""Find people, firings and pieces of a co-op by a few words."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from django.db.models import Q, QuerySet

from coop.models import Membership, Role
from firings.models import Firing, Piece

MOST = 20  # of each kind


@dataclass(frozen=True, slots=True)
class Found:
    """What every word of the search was found in; at most ``MOST`` of each, and whether there are more."""

    members: list[Membership]
    firings: list[Firing]
    pieces: list[Piece]
    has_more: bool

    def __bool__(self) -> bool:
        return bool(self.members or self.firings or self.pieces)


def find(asking: Membership, words: str) -> Found:
    """Everything the asking member may see that has all the words, capitals or not, newest first."""
    coop, asked = asking.coop, words.split()[:6]
    if not asked:
        return Found([], [], [], has_more=False)
    members = Membership.objects.of(coop).current().select_related("person").order_by("person__name", "pk")
    firings = Firing.objects.of(coop).select_related("kiln", "lead__person").order_by("-lights_at", "-pk")
    pieces = (
        Piece.objects.filter(coop=coop)
        .exclude(state=Piece.State.WITHDRAWN)
        .select_related("booking__member__person", "booking__firing")
        .order_by("-booking__firing__lights_at", "-pk")
    )
    if _is_guest_only(asking):
        firings = firings.filter(guest_passes__guest=asking)
        pieces = pieces.filter(booking__firing__guest_passes__guest=asking)
    found = (
        list(_having(members, asked, "person__name", "mark")[: MOST + 1]),
        list(_having(firings, asked, "name", "kiln__name", "lead__person__name")[: MOST + 1]),
        list(
            _having(
                pieces, asked, "name", "glaze", "body_name", "booking__member__person__name", "booking__firing__name"
            )[: MOST + 1]
        ),
    )
    return Found(found[0][:MOST], found[1][:MOST], found[2][:MOST], has_more=any(len(rows) > MOST for rows in found))


def _is_guest_only(member: Membership) -> bool:
    return not member.holds(*(kind for kind in Role.Kind.values if kind != Role.Kind.GUEST))


def _having(rows: QuerySet[Any], words: list[str], *fields: str) -> QuerySet[Any]:
    """Rows with each word in one of the fields. By expression, since SQLite's LIKE knows only plain capitals."""
    for word in words:
        any_field = Q()
        for field in fields:
            any_field |= Q(**{f"{field}__iregex": re.escape(word)})
        rows = rows.filter(any_field)
    return rows
