"""Who may book, plan, lead and sign off: ``check_x`` raises with the reason (``coop.access.allowed`` asks)."""

from __future__ import annotations

from django.utils.translation import gettext as _

from coop import pictures
from coop.access import allowed, check_holds
from coop.errors import NotAllowed
from coop.models import Membership, Role
from firings.models import Chore, ChorePlace, Firing, GuestPass, LogPicture


def check_may_call(by: Membership | None) -> None:
    """Calling a firing needs the role of firing lead (or coordinator)."""
    check_holds(by, Role.Kind.LEAD, Role.Kind.COORDINATOR, to=_("call a firing"))


def check_leads(by: Membership | None, firing: Firing) -> None:
    """All of one firing is its lead's (or deputy's) to move; the coordinator may step in."""
    if by is None or by.pk in (firing.lead_id, firing.deputy_id) or by.holds(Role.Kind.COORDINATOR):
        return
    raise NotAllowed(
        _("Only the lead of this firing (%(lead)s) or their deputy can do this.") % {"lead": firing.lead.name}
    )


def check_loads(by: Membership | None, firing: Firing) -> None:
    """The lead, and while the kiln is loaded whoever has taken a place on its loading."""
    if allowed(check_leads, by, firing):
        return
    loaders = ChorePlace.objects.filter(coop=firing.coop_id, chore__firing=firing, chore__kind=Chore.Kind.LOADING)
    if firing.stage == Firing.Stage.LOADING and loaders.filter(member=by, given_up_at=None).exists():
        return
    raise NotAllowed(
        _("Only the lead of this firing (%(lead)s), and while loading whoever is down for it, can do this.")
        % {"lead": firing.lead.name}
    )


def check_steward(by: Membership | None) -> None:
    check_holds(by, Role.Kind.STEWARD, Role.Kind.COORDINATOR, to=_("change kilns, materials, wood and checklists"))


def check_takes_part(by: Membership | None, firing: Firing) -> None:
    """Members take part in any firing; a guest only in the one they were invited to."""
    if by is None or by.holds(
        Role.Kind.MEMBER, Role.Kind.LEAD, Role.Kind.STEWARD, Role.Kind.TREASURER, Role.Kind.COORDINATOR
    ):
        return
    if GuestPass.objects.filter(coop=firing.coop_id, firing=firing, guest=by).exists():
        return
    raise NotAllowed(_("You are a guest and not invited to this firing. Ask the member who is your host."))


@pictures.seen_by(LogPicture)
def check_sees_log_picture(by: Membership, held: LogPicture) -> None:
    """Whoever takes part in the firing reads its log."""
    check_takes_part(by, held.entry.firing)
