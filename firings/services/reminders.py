"""Mails that come by themselves: before a watch begins. Written by the sweep, once each however often it runs."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from django.urls import reverse
from django.utils.translation import gettext as _

from coop import notices
from coop.models import Coop, Membership, Notice
from coop.transactions import use_case
from firings.models import Firing, WatchPlace
from firings.queries import hours
from firings.services import rosters

LONGEST_AHEAD = timedelta(hours=168)  # the most a policy can ask for


def remind(coop: Coop, *, now: datetime) -> int:
    """Mail everybody whose watch begins as soon as the policy says, once per watch; how many places that was."""
    soon = (
        WatchPlace.objects.of(coop)
        .filter(
            given_up_at=None,
            watch__cancelled_at=None,
            watch__starts_at__gt=now,
            watch__starts_at__lte=now + LONGEST_AHEAD,
        )
        .exclude(watch__firing__stage=Firing.Stage.CALLED_OFF)
    )
    told = Notice.objects.filter(coop=coop, kind="watch-reminder", due_at__gt=now - LONGEST_AHEAD - timedelta(days=1))
    known = set(told.values_list("key", flat=True))
    ahead: dict[int, timedelta] = {}
    due = []
    for place in soon.select_related(
        "watch__firing__kiln", "watch__firing__coop", "watch__firing__policy", "member__person"
    ):
        firing = place.watch.firing
        if firing.pk not in ahead:
            ahead[firing.pk] = timedelta(hours=hours.terms_of(firing).remind_hours)
        if place.watch.starts_at - now <= ahead[firing.pk] and _reminder_key(place) not in known:
            due.append(place)
    return len(_remind(coop, by=None, now=now, places=due)) if due else 0


def _reminder_key(place: WatchPlace) -> str:
    return f"watch-reminder:{place.public_id}:{place.watch.starts_at:%Y%m%d%H%M}"


@use_case
def _remind(coop: Coop, *, by: Membership | None, now: datetime, places: Sequence[WatchPlace]) -> list[WatchPlace]:
    for place in places:
        firing = place.watch.firing
        notices.queue(
            coop,
            key=_reminder_key(place),
            kind="watch-reminder",
            to=place.member,
            subject=_("Your watch begins soon"),
            text=_(
                "Your watch: %(watch)s. Come a little early for the hand-over, rested and sober, in cotton or wool. "
                "If you cannot come, offer your place now; nobody is alone at the fire."
            )
            % {"watch": rosters.spoken(place.watch)},
            link=reverse("firing_watches", kwargs={"coop": coop.slug, "firing": firing.public_id}),
            now=now,
            stale_at=place.watch.starts_at,
        )
    return list(places)
