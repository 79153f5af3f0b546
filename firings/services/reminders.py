"""Mails that come by themselves before a watch or a chore begins, once each however often the sweep runs."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from django.urls import reverse
from django.utils.translation import gettext as _

from coop import notices
from coop.models import Coop, Membership, Notice
from coop.transactions import use_case
from firings.models import Chore, ChorePlace, Firing, Watch, WatchPlace
from firings.queries import hours
from firings.services import rosters
from firings.services.chores import NEVER_ALONE

KINDS = ("watch-reminder", "chore-reminder")
LONGEST_AHEAD = timedelta(hours=168)  # the most a policy can ask for


def remind(coop: Coop, *, now: datetime) -> int:
    """Mail everybody whose watch or chore begins as soon as the policy says, once each; how many places that was."""
    told = Notice.objects.filter(coop=coop, kind__in=KINDS, due_at__gt=now - LONGEST_AHEAD - timedelta(days=1))
    known = set(told.values_list("key", flat=True))
    ahead: dict[int, timedelta] = {}
    due: list[WatchPlace | ChorePlace] = []
    for place in (*_soon(WatchPlace, "watch", coop, now), *_soon(ChorePlace, "chore", coop, now)):
        firing = _shift(place).firing
        if firing.pk not in ahead:
            ahead[firing.pk] = timedelta(hours=hours.terms_of(firing).remind_hours)
        if _shift(place).starts_at - now <= ahead[firing.pk] and _reminder_key(place) not in known:
            due.append(place)
    return len(_remind(coop, by=None, now=now, places=due)) if due else 0


def _soon(places: Any, what: str, coop: Coop, now: datetime) -> Any:
    """Places held on watches or chores that begin within the most a policy can ask for."""
    return (
        places.objects.of(coop)
        .filter(
            **{
                "given_up_at": None,
                f"{what}__cancelled_at": None,
                f"{what}__starts_at__gt": now,
                f"{what}__starts_at__lte": now + LONGEST_AHEAD,
            }
        )
        .exclude(**{f"{what}__firing__stage": Firing.Stage.CALLED_OFF})
        .select_related(f"{what}__firing__kiln", f"{what}__firing__coop", f"{what}__firing__policy", "member__person")
    )


def _shift(place: WatchPlace | ChorePlace) -> Watch | Chore:
    return place.watch if isinstance(place, WatchPlace) else place.chore


def _reminder_key(place: WatchPlace | ChorePlace) -> str:
    what = "watch" if isinstance(place, WatchPlace) else "chore"
    return f"{what}-reminder:{place.public_id}:{_shift(place).starts_at:%Y%m%d%H%M}"


@use_case
def _remind(
    coop: Coop, *, by: Membership | None, now: datetime, places: Sequence[WatchPlace | ChorePlace]
) -> list[WatchPlace | ChorePlace]:
    for place in places:
        shift = _shift(place)
        is_watch = isinstance(shift, Watch)
        notices.queue(
            coop,
            key=_reminder_key(place),
            kind="watch-reminder" if is_watch else "chore-reminder",
            to=place.member,
            subject=_("Your watch begins soon") if is_watch else _("Your chore begins soon"),
            text=_of_watch(shift) if isinstance(shift, Watch) else _of_chore(shift),
            link=reverse("firing_watches", kwargs={"coop": coop.slug, "firing": shift.firing.public_id}),
            now=now,
            stale_at=shift.starts_at,
        )
    return list(places)


def _of_watch(watch: Watch) -> str:
    return _(
        "Your watch: %(watch)s. Come a little early for the hand-over, rested and sober, in cotton or wool. "
        "If you cannot come, offer your place now; nobody is alone at the fire."
    ) % {"watch": rosters.spoken(watch)}


def _of_chore(chore: Chore) -> str:
    said = _("Your chore: %(chore)s. If you cannot come, give your place up now, so that somebody else sees it.") % {
        "chore": rosters.spoken(chore)
    }
    if not chore.short_of:
        return said
    said += " " + _("%(open)d of %(people)d people are still missing.") % {
        "open": chore.short_of,
        "people": chore.people,
    }
    if chore.kind in NEVER_ALONE:
        said += " " + _("Nobody saws, splits or grinds alone: begin only when all are there, and stop when one goes.")
    return said
