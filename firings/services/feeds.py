"""Links for calendars: made, made anew, revoked. The token is shown once and kept as a hash."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop.access import check_holds
from coop.errors import NotFound
from coop.models import Coop, Membership, Role
from coop.tokens import new_token, token_hash
from coop.transactions import say, use_case
from firings.models import CalendarFeed, Kiln

say(
    one_feed_per_member=gettext_lazy("This link was made by another press just now; look at the page again."),
    one_feed_per_member_and_kiln=gettext_lazy("This link was made by another press just now; look at the page again."),
)


@use_case
def make(coop: Coop, *, by: Membership, now: datetime, kiln_id: UUID | None = None) -> tuple[CalendarFeed, str]:
    """A link to one's own calendar, or to a kiln's, and its token; the one that stood for the same ends at once."""
    kiln = None
    if kiln_id is not None:
        everybody = [kind for kind in Role.Kind.values if kind != Role.Kind.GUEST]
        check_holds(by, *everybody, to=_("read the calendar of a kiln"))
        kiln = Kiln.objects.of(coop).filter(public_id=kiln_id).first()
        if kiln is None:
            raise NotFound(_("There is no such kiln here."))
    CalendarFeed.objects.of(coop).standing().filter(member=by, kiln=kiln).update(revoked_at=now)
    token = new_token()
    feed = CalendarFeed.objects.create(coop=coop, member=by, kiln=kiln, token_hash=token_hash(token), made_at=now)
    return feed, token


@use_case
def revoke(coop: Coop, *, by: Membership, now: datetime, feed_id: UUID) -> None:
    """End one of one's own links at once."""
    if not CalendarFeed.objects.of(coop).standing().filter(public_id=feed_id, member=by).update(revoked_at=now):
        raise NotFound(_("You have no such calendar link."))
