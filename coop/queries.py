"""What the pages of people and queues read, a page at a time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.apps import apps
from django.core.paginator import Page, Paginator
from django.db.models import ForeignKey, Q, QuerySet
from django.utils.translation import gettext as _

from coop.errors import NotFound
from coop.models import (
    ApiToken,
    AuditEntry,
    Computation,
    Coop,
    CoopOwned,
    Document,
    Invitation,
    MailWishes,
    Membership,
    Notice,
    Person,
    Policy,
    SignOff,
)

ROWS = 50


def page_of(rows: QuerySet[Any], number: str | None) -> Page[Any]:
    """At most 50 rows; a number that makes no sense gives the first or last page."""
    return Paginator(rows, ROWS).get_page(number)


def members(coop: Coop, number: str | None) -> Page[Any]:
    """Standing members by name, with roles and sign-offs."""
    return page_of(Membership.objects.of(coop).current().with_roles().order_by("person__name", "pk"), number)


def member(coop: Coop, member_id: UUID) -> Membership:
    """One member, also one who left; raises NotFound."""
    found: Membership | None = Membership.objects.of(coop).with_roles().filter(public_id=member_id).first()
    if found is None:
        raise NotFound(_("There is no such member here."))
    return found


def sign_offs_of(membership: Membership, on: date) -> list[SignOff]:
    """The sign-offs that stand on that date, with who gave them."""
    rows = SignOff.objects.filter(coop_id=membership.coop_id, membership=membership, withdrawn_at=None)
    return [row for row in rows.select_related("given_by__person") if row.stands_on(on)]


def memberships_of(person: Person) -> list[Membership]:
    """The co-ops a person belongs to, by name."""
    return list(Membership.objects.current().filter(person=person).select_related("coop").order_by("coop__name"))


def demo_people() -> list[Membership]:
    """Invented people of a demo, those with most to do first; their addresses can never be real ones (RFC 2606)."""
    rows = Membership.objects.current().filter(person__email__endswith=".example", person__is_active=True)
    people = rows.with_roles().select_related("coop").order_by("coop__name", "person__name")
    return sorted(people, key=lambda one: (one.coop.name, all(role.kind == "member" for role in one.roles.all())))


def demo_person(member_id: UUID) -> Membership | None:
    rows = Membership.objects.current().filter(person__email__endswith=".example", person__is_active=True)
    found: Membership | None = rows.select_related("coop", "person").filter(public_id=member_id).first()
    return found


def open_invitations(coop: Coop, number: str | None) -> Page[Any]:
    rows = Invitation.objects.of(coop).filter(accepted_at=None, withdrawn_at=None)
    return page_of(rows.select_related("invited_by__person"), number)


def policies(coop: Coop) -> list[Policy]:
    """The newest versions, newest first."""
    return list(Policy.objects.of(coop).select_related("adopted_by__person").order_by("-version")[:ROWS])


@dataclass(frozen=True, slots=True)
class Change:
    """One line of the audit in words: what was done, and about whom or what."""

    at: datetime
    by: str
    what: str
    about: list[tuple[str, str]]


def audit(coop: Coop, number: str | None) -> tuple[Page[Any], list[Change]]:
    """A page of the audit, newest first, with members by name."""
    page = page_of(AuditEntry.objects.of(coop).select_related("by__person").order_by("-pk"), number)
    said = {value for entry in page for value in entry.detail.values() if isinstance(value, str)}
    members = Membership.objects.of(coop).filter(public_id__in=[v for v in said if _is_uuid(v)])
    names = {str(row.public_id): row.name for row in members.select_related("person")}
    return page, [_change(entry, names) for entry in page]


def _is_uuid(text: str) -> bool:
    try:
        return bool(UUID(text))
    except ValueError:
        return False


def _change(entry: AuditEntry, names: dict[str, str]) -> Change:
    noun, _dot, verb = entry.action.partition(".")
    what = verb if noun == "services" else f"{noun}: {verb}"
    about = [
        (name.removesuffix("_id").replace("_", " "), names.get(str(value), str(value)))
        for name, value in entry.detail.items()
        if name != "now"
    ]
    return Change(entry.at, entry.by.name if entry.by else "", what.strip("_").replace("_", " "), about)


def tokens_of(person: Person) -> list[ApiToken]:
    return list(ApiToken.objects.filter(person=person, revoked_at=None))


def mail_wishes_of(member: Membership) -> MailWishes:
    """How a member wants their mails; unsaved where they never said."""
    found: MailWishes | None = MailWishes.objects.filter(coop=member.coop_id, membership=member).first()
    return found or MailWishes(coop_id=member.coop_id, membership=member)


def outbox(coop: Coop, number: str | None) -> Page[Any]:
    return page_of(Notice.objects.of(coop).select_related("to_person").defer("text").order_by("-pk"), number)


def notice(coop: Coop, notice_id: UUID) -> Notice:
    found: Notice | None = Notice.objects.of(coop).select_related("document").filter(public_id=notice_id).first()
    if found is None:
        raise NotFound(_("There is no such mail here."))
    return found


def computation(coop: Coop, computation_id: UUID) -> Computation:
    found: Computation | None = Computation.objects.of(coop).filter(public_id=computation_id).first()
    if found is None:
        raise NotFound(_("There is no such computation here."))
    return found


def ahead_of(row: Computation) -> int:
    """How many computations of the same co-op wait before this one."""
    waiting = Computation.objects.filter(coop_id=row.coop_id, state=Computation.State.WAITING)
    return waiting.filter(Q(asked_at__lt=row.asked_at) | Q(asked_at=row.asked_at, pk__lt=row.pk)).count()


def document_of(computation: Computation) -> Document | None:
    return Document.objects.filter(coop_id=computation.coop_id, computation=computation).defer("content").first()


def document(coop: Coop, document_id: UUID) -> Document:
    found: Document | None = Document.objects.of(coop).filter(public_id=document_id).first()
    if found is None:
        raise NotFound(_("There is no such paper here."))
    return found


# --- My data --------------------------------------------------------------------------------

_LEFT_OUT = {"token_hash", "hash", "previous_hash", "body_hash", "content", "password", "id", "coop"}


def data_of(membership: Membership, now: datetime) -> dict[str, Any]:
    """Everything a co-op keeps that points at this member, as plain values by model: complete without a list."""
    records: dict[str, list[dict[str, Any]]] = {}
    for model in apps.get_models():
        if not issubclass(model, CoopOwned):
            continue
        to_me = Q()
        for field in model._meta.local_fields:
            if isinstance(field, ForeignKey) and field.related_model is Membership:
                to_me |= Q(**{field.name: membership.pk})
            elif isinstance(field, ForeignKey) and field.related_model is Person:
                to_me |= Q(**{field.name: membership.person_id})
        if not to_me:
            continue
        names = [f.attname for f in model._meta.local_fields if f.name not in _LEFT_OUT]
        rows = model._default_manager.filter(coop_id=membership.coop_id).filter(to_me).order_by("pk")
        if found := list(rows.values(*names)):
            records[model._meta.label_lower] = found
    person = membership.person
    return {
        "made_at": now,
        "coop": {"name": membership.coop.name, "address": membership.coop.slug},
        "person": {
            name: getattr(person, name)
            for name in ("public_id", "email", "name", "temperature_unit", "length_unit", "volume_unit", "joined_at")
        },
        "api_tokens": list(
            ApiToken.objects.filter(person=person).values("name", "made_at", "last_used_on", "revoked_at")
        ),
        "records": records,
    }
