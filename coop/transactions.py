"""The one way to write (``@use_case``) and the one way to read a page (``reading``)."""

from __future__ import annotations

import functools
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Concatenate, ParamSpec, TypeVar
from uuid import UUID

from django.db import IntegrityError, OperationalError, connection, transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop import bell
from coop.errors import Refused, Taken
from coop.logs import request_id
from coop.models import AuditEntry, Coop, IdempotencyKey, Membership, Person

P = ParamSpec("P")
R = TypeVar("R")

EVERY_COOP = "*"  # what operators' sweeps set instead of one co-op
_inside: ContextVar[str | None] = ContextVar("inside_use_case", default=None)
_SENTENCES: dict[str, Any] = {}
_RETRY = {"40P01", "40001"}  # deadlock, serialization failure (PostgreSQL error codes)


def say(**sentences: Any) -> None:
    """Give named constraints (or triggers) the sentence a person reads when one stops a race."""
    _SENTENCES.update(sentences)


_SENT_ONCE = gettext_lazy("This was already sent once; look at the page before sending it again.")
say(
    idempotency_key_used_once=_SENT_ONCE,
    coop_idempotencykey=_SENT_ONCE,  # SQLite names the table's columns, not the constraint
    person_belongs_once_per_coop=gettext_lazy("This person belongs to the co-op already."),
    one_open_invitation_per_address=gettext_lazy(
        "This address has an open invitation; withdraw it before sending another."
    ),
)


@dataclass(slots=True)
class Once:
    """A key under which one request may have one effect; the first use case of the request takes it."""

    person: Person
    route: str
    key: str
    body_hash: str
    row: IdempotencyKey | None = field(default=None)


once: ContextVar[Once | None] = ContextVar("once", default=None)


def set_coop(value: int | str, *, local: bool) -> None:
    """Tell PostgreSQL's row-level security whose rows may be seen (until COMMIT when ``local``)."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT set_config('coop.current', %s, %s)", [str(value), local])


@contextmanager
def _only(value: int | str, *, durable: bool = False, read_only: bool = False) -> Iterator[None]:
    """See only these rows inside one transaction; inside another one (tests) put back what was set."""
    postgres, nested, before = connection.vendor == "postgresql", connection.in_atomic_block, ""
    if nested and postgres:
        with connection.cursor() as cursor:
            cursor.execute("SELECT current_setting('coop.current', true)")
            before = cursor.fetchone()[0] or ""
    with transaction.atomic(durable=durable):
        if read_only and postgres:
            with connection.cursor() as cursor:
                snapshot = "" if nested else "ISOLATION LEVEL REPEATABLE READ "
                cursor.execute(f"SET TRANSACTION {snapshot}READ ONLY")
        set_coop(value, local=True)
        yield
    if nested:
        set_coop(before, local=True)


def use_case(
    service: Callable[Concatenate[Coop, P], R],
) -> Callable[Concatenate[Coop, P], R]:
    """Make a keyword-only function one durable, audited change in one co-op: all of it or nothing.

    The function takes ``coop`` first and should take ``by`` (the member who acts, or None for the service
    itself) and ``now``. A constraint that stops a race becomes ``Taken`` with its sentence; a deadlock is
    tried once more. A use case called from another is an error: shared steps are ``_helpers``.
    """

    @functools.wraps(service)
    def run(coop: Coop, /, *args: P.args, **kwargs: P.kwargs) -> R:
        if (outer := _inside.get()) is not None:
            raise RuntimeError(f"{service.__name__} is a use case and was called inside {outer}")
        token = _inside.set(service.__name__)
        try:
            return _twice_at_most(service, coop, *args, **kwargs)
        except IntegrityError as error:
            raise _as_refusal(error) from error
        finally:
            _inside.reset(token)

    return run


def _twice_at_most(service: Callable[Concatenate[Coop, P], R], coop: Coop, *args: P.args, **kwargs: P.kwargs) -> R:
    try:
        return _carry_out(service, coop, *args, **kwargs)
    except OperationalError as error:
        if getattr(error.__cause__, "sqlstate", None) not in _RETRY:
            raise
    return _carry_out(service, coop, *args, **kwargs)


def _carry_out(service: Callable[Concatenate[Coop, P], R], coop: Coop, *args: P.args, **kwargs: P.kwargs) -> R:
    with _only(coop.pk, durable=True), bell.collected():
        _take_key(coop)
        result = service(coop, *args, **kwargs)
        _audit(coop, service, kwargs)
        return result


def _take_key(coop: Coop) -> None:
    wanted = once.get()
    if wanted is None or wanted.row is not None:
        return
    wanted.row = IdempotencyKey.objects.create(
        coop=coop,
        person=wanted.person,
        route=wanted.route,
        key=wanted.key,
        body_hash=wanted.body_hash,
        status=0,
        made_at=datetime.now().astimezone(),
    )


def _audit(coop: Coop, service: Callable[..., Any], said: dict[str, Any]) -> None:
    by, now = said.get("by"), said.get("now")
    AuditEntry.objects.create(
        coop=coop,
        at=now if isinstance(now, datetime) else datetime.now().astimezone(),
        by=by if isinstance(by, Membership) else None,
        action=f"{service.__module__.rsplit('.', 1)[-1]}.{service.__name__}",
        detail={name: shown for name, value in said.items() if (shown := _shown(value)) is not None},
        request_id=request_id.get(),
    )


def _shown(value: Any) -> int | str | None:
    """Ids, counts and dates only: free text and addresses stay out of the audit."""
    if isinstance(value, bool | int):
        return int(value)
    if isinstance(value, UUID | date):
        return str(value)
    return None


def _as_refusal(error: IntegrityError) -> Refused:
    text = str(error)
    for name, sentence in _SENTENCES.items():
        if re.search(rf"\b{name}\b", text):
            return Taken(str(sentence))
    return Taken(_("Somebody got there first, so nothing was changed. Load the page again and see how things stand."))


@contextmanager
def reading(coop: Coop | None) -> Iterator[None]:
    """Read a page from one snapshot; the database itself refuses to write meanwhile.

    ``None`` reads as the service itself, over all co-ops.
    """
    value: int | str = EVERY_COOP if coop is None else coop.pk
    if connection.vendor == "postgresql":
        with _only(value, read_only=True):
            yield
    else:
        # Readers must not queue behind writers: a plain BEGIN instead of the writers' IMMEDIATE. The mode is the
        # connection's only once it stands.
        connection.ensure_connection()
        mode, connection.transaction_mode = connection.transaction_mode, None  # type: ignore[attr-defined]
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA query_only = ON")
        try:
            with _only(value):
                yield
        finally:
            connection.transaction_mode = mode  # type: ignore[attr-defined]
            with connection.cursor() as cursor:
                cursor.execute("PRAGMA query_only = OFF")


@contextmanager
def founding() -> Iterator[None]:
    """The one write that has no co-op yet: founding one."""
    with _only(EVERY_COOP, durable=True), bell.collected():
        yield


@contextmanager
def working_the_queue() -> Iterator[None]:
    """The queues' own short writes over all co-ops: claim a row, mark it done. Not audited: the row says it all."""
    with _only(EVERY_COOP, durable=True), bell.collected():
        yield
