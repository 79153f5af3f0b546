"""When a notice goes out: at once, after quiet hours, in the daily mail, or not at all."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

from django.utils.crypto import constant_time_compare, salted_hmac

from coop.models import MailWishes, Notice
from coop.notices import Weight, weight_of

DAILY_AT = time(7, 0)  # local time of the co-op
When = Literal["now", "later", "never"]


@dataclass(frozen=True, slots=True)
class Decision:
    """``later`` says until when, and whether the notice then goes out with others in one mail."""

    when: When
    until: datetime | None = None
    in_digest: bool = False


NOW = Decision("now")


def wishes_of(notice: Notice) -> MailWishes | None:
    if notice.to_person_id is None:
        return None
    found: MailWishes | None = (
        MailWishes.objects.of(notice.coop)
        .filter(membership__person=notice.to_person_id, membership__left_at=None)
        .first()
    )
    return found


def decide(notice: Notice, wishes: MailWishes | None, now: datetime) -> Decision:
    """What becomes of a notice that is due. Nothing is put off past the moment at which it is stale."""
    weight = weight_of(notice.kind)
    if wishes is None or weight is Weight.URGENT:
        return NOW
    wanted = {Weight.OWN: wishes.own, Weight.NEWS: wishes.news}.get(weight, MailWishes.When.AT_ONCE)
    if wanted == MailWishes.When.NEVER:
        return Decision("never")
    zone = ZoneInfo(notice.coop.time_zone)
    if wanted == MailWishes.When.DAILY and not notice.in_digest:
        until = next_at(DAILY_AT, now, zone)
        return Decision("later", until, in_digest=True) if _is_in_time(notice, until) else NOW
    quiet = quiet_until(wishes, now, zone)
    return NOW if quiet is None or not _is_in_time(notice, quiet) else Decision("later", quiet, notice.in_digest)


def _is_in_time(notice: Notice, until: datetime) -> bool:
    return notice.stale_at is None or until < notice.stale_at


def next_at(clock: time, now: datetime, zone: ZoneInfo) -> datetime:
    """The next moment at which the clocks there show this time; a time the clocks skip is the one after it."""
    today = now.astimezone(zone).date()
    for day in range(3):
        moment = datetime.combine(today + timedelta(days=day), clock, zone).astimezone(UTC)
        if moment > now:
            return moment
    raise AssertionError("a day has come and gone without this time")


def quiet_until(wishes: MailWishes, now: datetime, zone: ZoneInfo) -> datetime | None:
    """The end of the quiet hours that reign now; None when none do. They may span midnight."""
    begin, end = wishes.quiet_from, wishes.quiet_to
    if begin is None or end is None:
        return None
    clock = now.astimezone(zone).time()
    is_quiet = begin <= clock < end if begin < end else clock >= begin or clock < end
    return next_at(end, now, zone) if is_quiet else None


# --- The link that ends news by mail ------------------------------------------------------


def stop_token(notice: Notice) -> str:
    """The key in a mail's own link for "no more of these": 256 bits that only this service can make."""
    return salted_hmac("coop.mail_wishes.stop", str(notice.public_id), algorithm="sha256").hexdigest()


def is_stop_token(notice: Notice, token: str) -> bool:
    return constant_time_compare(stop_token(notice), token)


def may_be_stopped(notice: Notice) -> bool:
    return weight_of(notice.kind) is Weight.NEWS and notice.to_person_id is not None
