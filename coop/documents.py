"""Finished papers (PDFs): kept as they were made, opened by whoever they are for."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from coop.models import Computation, Coop, Document, Membership


def keep(
    coop: Coop,
    *,
    kind: str,
    subject: UUID,
    title: str,
    file_name: str,
    content: bytes,
    now: datetime,
    for_membership: Membership | None = None,
    computation: Computation | None = None,
) -> Document:
    """Keep a finished paper, inside a use case or from a computation's work function.

    A computation has one paper: made twice (the worker died in between), the first one stays. With
    ``for_membership`` only that member, the treasurer and the coordinator may open it.
    """
    values = {
        "kind": kind,
        "subject": subject,
        "title": title[:200],
        "file_name": file_name[:120],
        "content": content,
        "made_at": now,
        "for_membership": for_membership,
    }
    if computation is None:
        return Document.objects.create(coop=coop, **values)
    document: Document = Document.objects.get_or_create(coop=coop, computation=computation, defaults=values)[0]
    return document
