"""Queue a notice inside a use case: written with what caused it, delivered later, once.

Apps declare what kinds of notices weigh; what is not declared is somebody's own duty and always mailed.
"""

from __future__ import annotations

from datetime import datetime
from enum import Enum

from django.conf import settings

from coop import bell
from coop.models import Coop, Document, Membership, Notice, Person

INVITATION = "invitation"
# Mails whose link is a key: it is wiped from the row once the mail is sent.
WITH_A_KEY = frozenset({INVITATION})


class Weight(Enum):
    """How much a notice matters to who gets it."""

    URGENT = "urgent"  # quiet hours do not hold it back
    DUTY = "duty"  # never off, never late
    OWN = "own"  # about one's own pots, money, hours: at once or once a day
    NEWS = "news"  # may be turned off


_WEIGHTS = {INVITATION: Weight.URGENT}


def declare(weight: Weight, *kinds: str) -> None:
    """Say what notices of these kinds weigh."""
    _WEIGHTS.update(dict.fromkeys(kinds, weight))


def weight_of(kind: str) -> Weight:
    return _WEIGHTS.get(kind, Weight.DUTY)


def queue(
    coop: Coop,
    *,
    key: str,
    kind: str,
    to: Membership | Person | str,
    subject: str,
    text: str,
    now: datetime,
    link: str = "",
    due_at: datetime | None = None,
    stale_at: datetime | None = None,
    document: Document | None = None,
) -> Notice:
    """Write one mail to one person (or bare address) unless one with this key is there already.

    ``key`` says what it is about, e.g. ``cleanup:<firing>:<membership>``; ``link`` is a path of this service;
    ``stale_at``: after this it is dropped, not sent late. Call inside a use case only.
    """
    person = to.person if isinstance(to, Membership) else to if isinstance(to, Person) else None
    address = person.email if person else str(to)
    notice, is_new = Notice.objects.get_or_create(
        coop=coop,
        key=key[:200],
        defaults={
            "kind": kind,
            "to_person": person,
            "to_email": address,
            "subject": " ".join(subject.split())[:200],
            "text": text,
            "link": f"{settings.SITE_URL}{link}" if link else "",
            "document": document,
            "made_at": now,
            "due_at": due_at or now,
            "stale_at": stale_at,
        },
    )
    if is_new:
        bell.ring("notice", notice.pk)
    return notice
