"""The work behind the pages: send the notices and carry out the computations whose rows wait.

Each row is claimed with a lease, worked on outside any transaction, then marked in one conditional update. A
worker that dies leaves a lease that runs out: the row is worked on again and nothing is lost.
"""

from __future__ import annotations

import logging
import random
import smtplib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.core.mail import EmailMultiAlternatives, get_connection
from django.db import connection
from django.db.models import F, Q, QuerySet
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone, translation
from django.utils.translation import gettext as _

from coop import mail_wishes
from coop.computations import work_for
from coop.errors import Refused
from coop.logs import coop_slug
from coop.mail import message_id
from coop.models import Computation, Notice
from coop.notices import WITH_A_KEY
from coop.transactions import working_the_queue

log = logging.getLogger(__name__)
Clock = Callable[[], datetime]

# Rows are claimed one at a time, so a lease need only outlast one send (every wait in it ends after
# EMAIL_TIMEOUT) or one computation (Celery ends it sooner, see coop/celery.py).
SENDING = timedelta(minutes=2)
COMPUTING = timedelta(minutes=5)
MOST_SENDS = 12
MOST_COMPUTES = 3
_LONGEST_WAIT = timedelta(hours=1)
_chance = random.SystemRandom()


@dataclass(frozen=True, slots=True)
class Swept:
    """What one sweep did."""

    sent: int = 0
    computed: int = 0
    given_up: int = 0


def sweep(clock: Clock = timezone.now, *, at_most: timedelta = timedelta(minutes=2)) -> Swept:
    """Work off every row that waits, until none does or the time is up."""
    until = clock() + at_most
    given_up = _give_up(clock())
    sent = computed = 0
    with _MailRound() as mails:
        while clock() < until and not mails.is_out and (notice := _claim_notice(clock())) is not None:
            sent += _deliver(notice, clock, mails)
    while clock() < until and (computation := _claim_computation(clock())) is not None:
        computed += _carry_out(computation, clock)
    return Swept(sent, computed, given_up)


def deliver_notice(notice_id: int, clock: Clock = timezone.now) -> bool:
    """Send this notice now unless it is sent, given up, not due, or in somebody else's hands."""
    if (notice := _claim_notice(clock(), notice_id)) is None:
        return False
    with _MailRound() as mails:
        return _deliver(notice, clock, mails)


def compute(computation_id: int, clock: Clock = timezone.now) -> bool:
    """Carry out this computation now unless it is done or in somebody else's hands."""
    if (computation := _claim_computation(clock(), computation_id)) is None:
        return False
    return _carry_out(computation, clock)


def overdue_since(now: datetime) -> datetime | None:
    """Since when the oldest row waits that nobody took up; None when nothing waits."""
    moments = [
        _waiting_notices(now).order_by("due_at").values_list("due_at", flat=True).first(),
        _waiting_computations(now).order_by("asked_at").values_list("asked_at", flat=True).first(),
    ]
    return min((moment for moment in moments if moment is not None), default=None)


# --- Claims -------------------------------------------------------------------------------


def _waiting_notices(now: datetime) -> QuerySet[Any]:
    return Notice.objects.all().waiting(now).filter(Q(stale_at=None) | Q(stale_at__gt=now))


def _waiting_computations(now: datetime) -> QuerySet[Any]:
    return Computation.objects.filter(state=Computation.State.WAITING).filter(
        Q(leased_until=None) | Q(leased_until__lt=now)
    )


def _claim_notice(now: datetime, notice_id: int | None = None) -> Notice | None:
    rows = _waiting_notices(now).order_by("due_at", "pk")
    pk = _claim(rows if notice_id is None else rows.filter(pk=notice_id), now + SENDING)
    return None if pk is None else Notice.objects.select_related("coop", "document").get(pk=pk)


def _claim_computation(now: datetime, computation_id: int | None = None) -> Computation | None:
    rows = _waiting_computations(now).order_by("asked_at", "pk")
    pk = _claim(rows if computation_id is None else rows.filter(pk=computation_id), now + COMPUTING)
    return None if pk is None else Computation.objects.select_related("coop").get(pk=pk)


def _claim(rows: QuerySet[Any], until: datetime) -> int | None:
    """Take the first of the rows that no other worker is taking; its primary key, or None."""
    if not rows.exists():  # an idle sweep takes no lock
        return None
    with working_the_queue():
        if connection.vendor == "postgresql":
            rows = rows.select_for_update(skip_locked=True)
        pk: int | None = rows.values_list("pk", flat=True).first()
        if pk is not None:
            rows.model._default_manager.filter(pk=pk).update(leased_until=until, attempts=F("attempts") + 1)
    return pk


def _give_up(now: datetime) -> int:
    """Bury what is stale, and what kept killing its worker before anybody could say why."""
    stale = Notice.objects.all().waiting(now).filter(stale_at__lte=now)
    exhausted = Notice.objects.all().waiting(now).filter(attempts__gte=MOST_SENDS)
    hopeless = _waiting_computations(now).filter(attempts__gte=MOST_COMPUTES)
    if not (stale.exists() or exhausted.exists() or hopeless.exists()):
        return 0
    with working_the_queue():
        return int(
            stale.update(dead_at=now, last_error="It came too late to be of use, so it was not sent.")
            + exhausted.update(dead_at=now)
            + hopeless.update(
                state=Computation.State.FAILED,
                done_at=now,
                trouble="This stopped the worker again and again. Ask whoever runs the service.",
            )
        )


def _next_try(attempts: int, now: datetime) -> datetime:
    """Half a minute, doubled each time up to an hour, give or take a fifth."""
    wait = min(timedelta(seconds=30 * 2 ** min(max(attempts - 1, 0), 12)), _LONGEST_WAIT)
    return now + wait * _chance.uniform(0.8, 1.2)


# --- Mail ---------------------------------------------------------------------------------


class _MailRound:
    """One connection for the mails of a round; ``is_out`` once the mail server cannot be reached."""

    def __init__(self) -> None:
        self.connection: Any = get_connection()
        self.is_out = False

    def __enter__(self) -> _MailRound:
        return self

    def __exit__(self, *error: object) -> None:
        self.connection.close()


def _deliver(notice: Notice, clock: Clock, mails: _MailRound) -> bool:
    decision = mail_wishes.decide(notice, mail_wishes.wishes_of(notice), clock())
    if decision.when != "now":
        _put_off(notice, decision, clock())
        return False
    batch = [notice, *_due_with(notice, clock())]
    token = coop_slug.set(notice.coop.slug)
    try:
        _mail(batch, mails.connection).send()
    except (OSError, smtplib.SMTPException) as error:
        mails.connection.close()
        mails.is_out = not isinstance(error, smtplib.SMTPRecipientsRefused | smtplib.SMTPDataError)
        log.warning("notice %s was not sent (attempt %s): %s", notice.pk, notice.attempts, type(error).__name__)
        for one in batch:
            _mark_unsent(one, error, clock())
        return False
    except Exception as error:
        log.exception("notice %s could not be written", notice.pk)
        for one in batch:
            _mark_unsent(one, error, clock())
        return False
    finally:
        coop_slug.reset(token)
    with working_the_queue():
        wiped = {"link": ""} if notice.kind in WITH_A_KEY else {}
        return bool(
            Notice.objects.filter(pk__in=[one.pk for one in batch], sent_at=None).update(
                sent_at=clock(), leased_until=None, last_error="", **wiped
            )
        )


def _put_off(notice: Notice, decision: mail_wishes.Decision, now: datetime) -> None:
    """Wait until the member wants it, or give it up where they never do. A wait is no failed attempt."""
    never = decision.when == "never"
    with working_the_queue():
        Notice.objects.filter(pk=notice.pk, sent_at=None).update(
            leased_until=None,
            attempts=F("attempts") - 1,
            in_digest=decision.in_digest,
            unwanted=never,
            dead_at=now if never else None,
            due_at=notice.due_at if decision.until is None else decision.until,
        )


def _due_with(notice: Notice, now: datetime) -> list[Notice]:
    """Claim what else is due in the same daily mail."""
    if not notice.in_digest:
        return []
    found = []
    rows = _waiting_notices(now).filter(coop=notice.coop, to_email=notice.to_email, in_digest=True)
    while (pk := _claim(rows.order_by("due_at", "pk"), now + SENDING)) is not None:
        found.append(Notice.objects.select_related("coop", "document").get(pk=pk))
    return found


def as_mail(notice: Notice) -> EmailMultiAlternatives:
    """The mail of a notice as it is sent; sending it again is the same mail by its Message-ID."""
    return _mail([notice], get_connection())


def _mail(batch: Sequence[Notice], through: Any) -> EmailMultiAlternatives:
    """One mail of one notice, or of several to one person, with text and HTML and what may be answered to it."""
    first = batch[0]
    coop, headers = first.coop, {"Message-ID": message_id(first.public_id), "Auto-Submitted": "auto-generated"}
    context = {"notices": batch, "coop": coop, "stop": "", "wishes": ""}
    if first.to_person_id is not None:
        context["wishes"] = settings.SITE_URL + reverse("mail_wishes", kwargs={"coop": coop.slug})
    if mail_wishes.may_be_stopped(first):
        where = {"coop": coop.slug, "notice": first.public_id, "token": mail_wishes.stop_token(first)}
        context["stop"] = settings.SITE_URL + reverse("mail_stop", kwargs=where)
        if settings.SITE_URL.startswith("https://"):  # RFC 8058 knows no other
            headers["List-Unsubscribe"] = f"<{context['stop']}>"
            headers["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"
    with timezone.override(ZoneInfo(coop.time_zone)), translation.override(settings.LANGUAGE_CODE):
        text = render_to_string("mail/notice.txt", context)
        html = render_to_string("mail/notice.html", context)
        subject = (
            first.subject
            if len(batch) == 1
            else _("%(coop)s: %(count)d notices of today") % {"coop": coop.name, "count": len(batch)}
        )
    mail = EmailMultiAlternatives(
        subject=" ".join(subject.split()),
        body=text,
        to=["".join(first.to_email.split())],
        headers=headers,
        connection=through,
    )
    mail.attach_alternative(html, "text/html")
    for notice in batch:
        if notice.document is not None:
            mail.attach(notice.document.file_name, bytes(notice.document.content), "application/pdf")
    return mail


def _mark_unsent(notice: Notice, error: Exception, now: datetime) -> None:
    """Put the next try off, or give up: after the last attempt, or when the address itself is refused."""
    refused_for_good = isinstance(error, smtplib.SMTPRecipientsRefused) and all(
        code >= 500 for code, _reply in error.recipients.values()
    )
    over = refused_for_good or notice.attempts >= MOST_SENDS
    with working_the_queue():
        Notice.objects.filter(pk=notice.pk, sent_at=None).update(
            leased_until=None if over else _next_try(notice.attempts, now),
            dead_at=now if over else None,
            last_error=f"{type(error).__name__}: {error}"[:300],
        )


# --- Computations -------------------------------------------------------------------------


def _carry_out(computation: Computation, clock: Clock) -> bool:
    token = coop_slug.set(computation.coop.slug)
    try:
        with timezone.override(ZoneInfo(computation.coop.time_zone)), translation.override(settings.LANGUAGE_CODE):
            answer = work_for(computation.kind)(computation, clock())
    except Refused as no:
        return _mark_failed(computation, str(no), clock())
    except Exception:
        log.exception("computation %s (%s) failed", computation.pk, computation.kind)
        if computation.attempts >= MOST_COMPUTES:
            return _mark_failed(computation, "This could not be computed. Whoever runs the service sees why.", clock())
        with working_the_queue():
            Computation.objects.filter(pk=computation.pk, state=Computation.State.WAITING).update(
                leased_until=_next_try(computation.attempts, clock())
            )
        return False
    finally:
        coop_slug.reset(token)
    with working_the_queue():
        return bool(
            Computation.objects.filter(pk=computation.pk, state=Computation.State.WAITING).update(
                state=Computation.State.DONE, answer=answer, done_at=clock(), leased_until=None, trouble=""
            )
        )


def _mark_failed(computation: Computation, trouble: str, now: datetime) -> bool:
    with working_the_queue():
        Computation.objects.filter(pk=computation.pk, state=Computation.State.WAITING).update(
            state=Computation.State.FAILED, done_at=now, leased_until=None, trouble=trouble[:300]
        )
    return False
