"""What the clean-up page shows."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import QuerySet

from coop.access import allowed
from coop.models import Coop, Membership, Role, SignOff
from firings.access import check_leads, check_steward, check_takes_part
from firings.models import CheckItem, Checklist, Firing
from firings.queries.firings import firing_of


@dataclass(frozen=True, slots=True)
class ChecklistLine:
    """One line and what this reader may do with it."""

    item: CheckItem
    is_late: bool
    is_mine: bool
    may_tick: bool
    may_take: bool
    could_do: tuple[Membership, ...]

    @property
    def sign_off_word(self) -> str:
        return str(dict(SignOff.Kind.choices).get(self.item.needs_sign_off, self.item.needs_sign_off))


@dataclass(frozen=True, slots=True)
class ChecklistPage:
    """The checklist of one firing (None before clean-up) as one reader sees it; at most 200 lines."""

    firing: Firing
    checklist: Checklist | None
    lines: tuple[ChecklistLine, ...]
    done: int
    may_assign: bool
    may_sign: bool


def checklist_lines(coop: Coop, firing: Firing) -> QuerySet[CheckItem]:
    """The lines in their order, with names."""
    lines: QuerySet[CheckItem] = (
        CheckItem.objects.of(coop)
        .filter(checklist__firing=firing)
        .select_related("assigned_to__person", "done_by__person")
        .order_by("position", "pk")
    )
    return lines


def checklist_page(coop: Coop, firing_id: UUID, reader: Membership, *, now: datetime) -> ChecklistPage:
    """Raises NotFound, and NotAllowed for a guest of another firing."""
    firing = firing_of(coop, firing_id)
    check_takes_part(reader, firing)
    checklist = Checklist.objects.of(coop).select_related("signed_by__person").filter(firing=firing).first()
    items = list(checklist_lines(coop, firing)[:200]) if checklist else []
    is_open = checklist is not None and checklist.signed_at is None
    oversees = is_open and (allowed(check_leads, reader, firing) or reader.holds(Role.Kind.STEWARD))
    today = now.astimezone(ZoneInfo(coop.time_zone)).date()
    people = tuple(Membership.objects.of(coop).current().with_roles()[:200]) if oversees else ()
    done = sum(item.done_at is not None for item in items)
    return ChecklistPage(
        firing=firing,
        checklist=checklist,
        lines=tuple(_line(item, reader, today, people, is_open=is_open, oversees=oversees) for item in items),
        done=done,
        may_assign=oversees,
        may_sign=is_open and done == len(items) and allowed(check_steward, reader),
    )


def _line(
    item: CheckItem, reader: Membership, today: date, people: tuple[Membership, ...], *, is_open: bool, oversees: bool
) -> ChecklistLine:
    return ChecklistLine(
        item=item,
        is_late=item.done_at is None and item.due_on < today,
        is_mine=item.assigned_to_id == reader.pk,
        may_tick=is_open and (oversees or item.assigned_to_id == reader.pk),
        may_take=is_open and item.assigned_to_id is None and item.done_at is None,
        could_do=tuple(one for one in people if not item.needs_sign_off or one.signed_off(item.needs_sign_off, today)),
    )
