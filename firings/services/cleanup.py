"""The clean-up checklist: made from the kiln's template, shared out, mailed, reminded of, ticked off, signed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Count, Q
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from coop import notices
from coop.computations import ask
from coop.errors import NotAllowed, NotFound, Refused
from coop.models import Computation, Coop, Membership, Notice, Role, SignOff
from coop.transactions import reading, say, use_case
from firings.access import check_leads, check_steward, check_takes_part
from firings.models import CheckItem, Checklist, Firing, TemplateItem
from firings.queries.firings import firing_of

STRETCH = timedelta(days=1)

say(
    check_item_numbered_once=gettext_lazy("Two lines of the checklist have the same number; load the page again."),
    done_item_says_by_whom=gettext_lazy("A line that is done needs the name of who did it; tick it again."),
)


# --- Made and shared out --------------------------------------------------------------------


def make_checklist(firing: Firing, by: Membership | None, now: datetime) -> Checklist:
    """Make the checklist from the kiln's template, share its lines out and mail everybody theirs.

    A shared step, called inside the use case that moves the firing into clean-up; made twice, the first one
    stays and nothing is mailed again. Lines that need a sign-off go to someone who has it; where nobody
    does they stay without a name and the lead is told.
    """
    checklist, is_new = Checklist.objects.get_or_create(coop=firing.coop, firing=firing, defaults={"made_at": now})
    if not is_new:
        return checklist
    today = _today(firing.coop, now)
    last = max(today, firing.occupied_until.astimezone(ZoneInfo(firing.coop.time_zone)).date())
    template = list(TemplateItem.objects.of(firing.coop).filter(kiln=firing.kiln_id).order_by("position", "pk"))
    names = _share_out(template, _who_fired(firing), _lines_so_far(firing.coop), today)
    items = [
        CheckItem(
            coop=firing.coop,
            checklist=checklist,
            position=number,
            text=line.text,
            assigned_to=names[number - 1],
            due_on=min(today + timedelta(days=line.due_days), last),
            is_safety=line.is_safety,
            needs_sign_off=line.needs_sign_off,
        )
        for number, line in enumerate(template, start=1)
    ]
    CheckItem.objects.bulk_create(items)
    _mail_everybody(firing, items, now)
    return checklist


def _who_fired(firing: Firing) -> list[Membership]:
    """Everybody with pieces in this firing or a place on a watch of it; the lead when there is nobody."""
    took_part = Q(bookings__firing=firing, bookings__withdrawn_at=None, bookings__pieces__state="held") | Q(
        watch_places__watch__firing=firing, watch_places__watch__cancelled_at=None, watch_places__given_up_at=None
    )
    people = list(
        Membership.objects.of(firing.coop)
        .current()
        .filter(pk__in=Membership.objects.of(firing.coop).filter(took_part).values("pk"))
        .select_related("person")
        .prefetch_related("sign_offs")
        .order_by("pk")
    )
    return people or [firing.lead]


def _lines_so_far(coop: Coop) -> dict[int, int]:
    counted = CheckItem.objects.of(coop).exclude(assigned_to=None).values_list("assigned_to").annotate(n=Count("pk"))
    return dict(counted.order_by())


def _share_out(
    lines: Sequence[TemplateItem], people: Sequence[Membership], so_far: dict[int, int], today: date
) -> list[Membership | None]:
    """A name per line: whoever has fewest lines here, then fewest ever. Lines few may do are given out first."""
    here = dict.fromkeys((member.pk for member in people), 0)
    names: list[Membership | None] = [None] * len(lines)
    for place in sorted(range(len(lines)), key=lambda place: (not lines[place].needs_sign_off, place)):
        may = [one for one in people if _may_do(one, lines[place].needs_sign_off, today)]
        if may:
            chosen = min(may, key=lambda one: (here[one.pk], so_far.get(one.pk, 0), one.pk))
            here[chosen.pk] += 1
            names[place] = chosen
    return names


def _may_do(member: Membership, needs_sign_off: str, today: date) -> bool:
    return not needs_sign_off or member.signed_off(needs_sign_off, today)


def _mail_everybody(firing: Firing, items: Sequence[CheckItem], now: datetime) -> None:
    by_person: dict[int, list[CheckItem]] = {}
    people: dict[int, Membership] = {}
    for item in items:
        if item.assigned_to is not None:
            people[item.assigned_to.pk] = item.assigned_to
            by_person.setdefault(item.assigned_to.pk, []).append(item)
    for pk, mine in by_person.items():
        notices.queue(
            firing.coop,
            key=f"cleanup:{firing.public_id}:{people[pk].public_id}",
            kind="cleanup",
            to=people[pk],
            subject=_("Clean-up of %(firing)s: your part") % {"firing": firing.name},
            text=_("The firing %(firing)s is in clean-up. The kiln stays blocked until everything is done. Yours:")
            % {"firing": firing.name}
            + "\n\n"
            + _as_text(mine)
            + "\n\n"
            + _("Tick each line when it is done. If you cannot do one, tell %(lead)s today.")
            % {"lead": firing.lead.name},
            link=_link(firing),
            now=now,
        )
    nobody = [item for item in items if item.assigned_to is None]
    for overseer in _overseers(firing):
        text = _("The firing %(firing)s is in clean-up. The whole list:") % {"firing": firing.name}
        text += "\n\n" + (
            _as_text(items, with_names=True) or _("The kiln has no clean-up template: the list is empty.")
        )
        if nobody:
            text += "\n\n" + ngettext(
                "%(count)s line has no name, because nobody who fired has the sign-off it needs. Give it to someone.",
                "%(count)s lines have no name, because nobody who fired has the sign-off they need. "
                "Give them to someone.",
                len(nobody),
            ) % {"count": len(nobody)}
        notices.queue(
            firing.coop,
            key=f"cleanup-all:{firing.public_id}:{overseer.public_id}",
            kind="cleanup_all",
            to=overseer,
            subject=_("Clean-up of %(firing)s: the whole list") % {"firing": firing.name},
            text=text,
            link=_link(firing),
            now=now,
        )


def _overseers(firing: Firing) -> list[Membership]:
    """The lead and every kiln steward, each once."""
    stewards = Membership.objects.of(firing.coop).current().filter(roles__kind=Role.Kind.STEWARD)
    found = {member.pk: member for member in [firing.lead, *stewards.select_related("person").order_by("pk")]}
    return list(found.values())


def _as_text(items: Iterable[CheckItem], *, with_names: bool = False) -> str:
    return "\n".join(_line(item, with_names=with_names) for item in items)


def _line(item: CheckItem, *, with_names: bool) -> str:
    parts = [_("by %(day)s") % {"day": f"{item.due_on:%Y-%m-%d}"}]
    if item.is_safety:
        parts.append(_("before the next fire is lit"))
    if item.needs_sign_off:
        parts.append(_("needs the sign-off %(kind)s") % {"kind": _sign_off_word(item.needs_sign_off)})
    if with_names:
        parts.append(item.assigned_to.name if item.assigned_to is not None else _("nobody yet"))
    return f"- {item.text} ({', '.join(parts)})"


def _sign_off_word(kind: str) -> str:
    return str(dict(SignOff.Kind.choices).get(kind, kind))


def _link(firing: Firing) -> str:
    return reverse("firing_cleanup", kwargs={"coop": firing.coop.slug, "firing": firing.public_id})


def _today(coop: Coop, now: datetime) -> date:
    return now.astimezone(ZoneInfo(coop.time_zone)).date()


# --- Worked through -------------------------------------------------------------------------


@use_case
def assign(coop: Coop, *, by: Membership | None, now: datetime, item_id: UUID, member_id: UUID | None) -> CheckItem:
    """Give a line to somebody (or to nobody); the lead or steward does, and anyone may take a free line.

    The one who gets it must have the sign-off it needs, and is mailed unless they took it themselves.
    """
    item, firing = _open_line(coop, item_id)
    takes_it_themselves = by is not None and member_id == by.public_id and item.assigned_to_id is None
    if takes_it_themselves:
        check_takes_part(by, firing)
    else:
        _check_oversees(by, firing)
    if item.done_at is not None:
        raise Refused(_("This line is done; untick it first if somebody has to do it again."))
    member = None if member_id is None else _member(coop, member_id)
    if member is not None and not _may_do(member, item.needs_sign_off, _today(coop, now)):
        raise Refused(
            _("%(name)s does not have the sign-off “%(kind)s” that this needs; give it to someone who has.")
            % {"name": member.name, "kind": _sign_off_word(item.needs_sign_off)}
        )
    was = item.assigned_to_id
    changed = CheckItem.objects.of(coop).filter(pk=item.pk, done_at=None, assigned_to=was).update(assigned_to=member)
    if not changed:
        raise Refused(_("Somebody changed this line just now; load the page again."))
    item.assigned_to = member
    if member is not None and not takes_it_themselves and member.pk != was:
        notices.queue(
            coop,
            key=f"cleanup-item:{item.public_id}:{member.public_id}:{now:%Y%m%dT%H%M%S.%f}",
            kind="cleanup_item",
            to=member,
            subject=_("Clean-up of %(firing)s: one more line for you") % {"firing": firing.name},
            text=_("This is yours now:") + "\n\n" + _as_text([item]),
            link=_link(firing),
            now=now,
        )
    return item


@use_case
def tick(coop: Coop, *, by: Membership | None, now: datetime, item_id: UUID, done: bool) -> CheckItem:
    """Mark a line done, or not done after all; whoever it is assigned to, the lead or a steward does."""
    item, firing = _open_line(coop, item_id)
    if by is None or by.pk != item.assigned_to_id:
        try:
            _check_oversees(by, firing)
        except NotAllowed:
            raise NotAllowed(
                _("This line is not yours. %(name)s or the lead ticks it.")
                % {"name": item.assigned_to.name if item.assigned_to else _("Whoever takes it")}
            ) from None
    if done:
        who = by or item.assigned_to or firing.lead
        CheckItem.objects.of(coop).filter(pk=item.pk, done_at=None).update(done_at=now, done_by=who)
    else:
        CheckItem.objects.of(coop).filter(pk=item.pk).update(done_at=None, done_by=None)
    item.refresh_from_db()
    return item


@use_case
def sign_off(coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID) -> Firing:
    """Sign the checklist: the kiln is free from now on, the firing settles and the treasurer hears of it.

    Refused while a line is open.
    """
    # The move into clean-up makes a checklist, and signing it moves on: each module needs the other.
    from firings.services.firings import record_move

    firing = firing_of(coop, firing_id)
    check_steward(by)
    if firing.stage != Firing.Stage.CLEANUP:
        raise Refused(_("This firing is not in clean-up, so there is nothing to sign off."))
    checklist = _locked(coop, firing)
    still_open = list(CheckItem.objects.of(coop).filter(checklist=checklist).open())
    if still_open:
        raise Refused(
            ngettext(
                "%(count)s line is not done yet: %(lines)s. Have it done and ticked, then sign.",
                "%(count)s lines are not done yet: %(lines)s. Have them done and ticked, then sign.",
                len(still_open),
            )
            % {"count": len(still_open), "lines": "; ".join(item.text for item in still_open[:3])}
        )
    Checklist.objects.of(coop).filter(pk=checklist.pk).update(signed_at=now, signed_by=by)
    record_move(firing, to=Firing.Stage.SETTLING, by=by, now=now, note="")
    # A fire over early was opened before its planned day; the span must stay one.
    until = max(now, firing.opens_at + timedelta(minutes=1))
    Firing.objects.of(coop).filter(pk=firing.pk).update(holds_kiln=False, occupied_until=until, cleaned_at=now)
    firing.refresh_from_db()
    _tell_treasurers(firing, by, now)
    return firing


def _tell_treasurers(firing: Firing, by: Membership | None, now: datetime) -> None:
    treasurers = Membership.objects.of(firing.coop).current().filter(roles__kind=Role.Kind.TREASURER)
    for treasurer in treasurers.select_related("person").order_by("pk"):
        notices.queue(
            firing.coop,
            key=f"cleanup-signed:{firing.public_id}:{treasurer.public_id}",
            kind="cleanup_signed",
            to=treasurer,
            subject=_("%(firing)s is clean: time to settle") % {"firing": firing.name},
            text=_(
                "%(name)s signed off the clean-up of %(firing)s. Take in the last receipts and draft the cost shares."
            )
            % {"name": by.name if by else _("The service"), "firing": firing.name},
            link=reverse("firing_money", kwargs={"coop": firing.coop.slug, "firing": firing.public_id}),
            now=now,
        )


@use_case
def ask_for_sheet(coop: Coop, *, by: Membership | None, now: datetime, firing_id: UUID) -> Computation:
    """Ask for the checklist as a printable paper."""
    firing = firing_of(coop, firing_id)
    check_takes_part(by, firing)
    if not Checklist.objects.of(coop).filter(firing=firing).exists():
        raise Refused(_("There is no checklist yet; it is made when the firing enters clean-up."))
    return ask(coop, kind="checklist_sheet", subject=firing.public_id, by=by, now=now)


# --- Reminders ------------------------------------------------------------------------------


def remind(coop: Coop, *, now: datetime) -> int:
    """Remind of lines due tomorrow, today or before, one mail per person and day; says how many were written.

    Where the planned occupation ran out unsigned, the kiln stays taken for another day (up to the next firing).
    """
    with reading(coop):
        is_due = bool(_reminders(coop, now)) or _overstayed(coop, now).exists()
    return _send_reminders(coop, by=None, now=now) if is_due else 0


@use_case
def _send_reminders(coop: Coop, *, by: Membership | None, now: datetime) -> int:
    for firing in _overstayed(coop, now):
        _stretch(firing, now)
    wanted = _reminders(coop, now)
    today = _today(coop, now)
    for key, firing, member, items in wanted:
        late = [item for item in items if item.due_on < today]
        notices.queue(
            coop,
            key=key,
            kind="cleanup_reminder",
            to=member,
            subject=_("Clean-up of %(firing)s is overdue") % {"firing": firing.name}
            if late
            else _("Clean-up of %(firing)s is due") % {"firing": firing.name},
            text=_("Not ticked yet; the kiln stays blocked until it is:")
            + "\n\n"
            + _as_text(items, with_names=any(item.assigned_to_id != member.pk for item in items)),
            link=_link(firing),
            now=now,
            stale_at=now + timedelta(days=1),
        )
    return len(wanted)


def _reminders(coop: Coop, now: datetime) -> list[tuple[str, Firing, Membership, list[CheckItem]]]:
    """Per firing and person the lines to remind of today; a line without a name goes to the lead."""
    today = _today(coop, now)
    due = (
        CheckItem.objects.of(coop)
        .open()
        .filter(
            checklist__signed_at=None,
            checklist__firing__stage=Firing.Stage.CLEANUP,
            due_on__lte=today + timedelta(days=1),
        )
        .select_related("checklist__firing__coop", "checklist__firing__lead__person", "assigned_to__person")
    )
    found: dict[str, tuple[str, Firing, Membership, list[CheckItem]]] = {}
    for item in due:
        firing = item.checklist.firing
        member = item.assigned_to if item.assigned_to and item.assigned_to.left_at is None else firing.lead
        key = f"cleanup-remind:{firing.public_id}:{member.public_id}:{today:%Y-%m-%d}"
        found.setdefault(key, (key, firing, member, []))[3].append(item)
    told = set(Notice.objects.of(coop).filter(key__in=list(found)).values_list("key", flat=True))
    return [wanted for key, wanted in found.items() if key not in told]


def _overstayed(coop: Coop, now: datetime) -> Any:
    return Firing.objects.of(coop).filter(stage=Firing.Stage.CLEANUP, holds_kiln=True, occupied_until__lte=now)


def _stretch(firing: Firing, now: datetime) -> None:
    """Keep the kiln taken a day longer; where the next firing begins sooner, up to its beginning."""
    following = (
        Firing.objects.of(firing.coop)
        .filter(kiln=firing.kiln_id, holds_kiln=True, occupied_from__gte=firing.occupied_until)
        .exclude(pk=firing.pk)
        .order_by("occupied_from")
        .values_list("occupied_from", flat=True)
        .first()
    )
    until = now + STRETCH if following is None else min(now + STRETCH, following)
    if until > firing.occupied_until:
        Firing.objects.of(firing.coop).filter(pk=firing.pk, stage=Firing.Stage.CLEANUP).update(occupied_until=until)


# --- Looked up ------------------------------------------------------------------------------


def _member(coop: Coop, member_id: UUID) -> Membership:
    found: Membership | None = Membership.objects.of(coop).current().with_roles().filter(public_id=member_id).first()
    if found is None:
        raise NotFound(_("There is no such member here."))
    return found


def _open_line(coop: Coop, item_id: UUID) -> tuple[CheckItem, Firing]:
    """The line and its firing, while the checklist may still change."""
    item = (
        CheckItem.objects.of(coop)
        .select_related("checklist__firing__coop", "checklist__firing__lead__person", "assigned_to__person")
        .filter(public_id=item_id)
        .first()
    )
    if item is None:
        raise NotFound(_("There is no such line on a checklist here."))
    firing: Firing = item.checklist.firing
    _locked(coop, firing)
    return item, firing


def _locked(coop: Coop, firing: Firing) -> Checklist:
    """The unsigned checklist, held against a tick and a signature crossing each other."""
    checklist: Checklist | None = Checklist.objects.of(coop).select_for_update().filter(firing=firing).first()
    if checklist is None:
        raise Refused(_("There is no checklist yet; it is made when the firing enters clean-up."))
    if checklist.signed_at is not None:
        raise Refused(_("This checklist is signed off and read-only."))
    return checklist


def _check_oversees(by: Membership | None, firing: Firing) -> None:
    if by is not None and by.left_at is None and by.holds(Role.Kind.STEWARD):
        return
    check_leads(by, firing)
