"""Everything that changes people, roles, sign-offs, invitations, policies, tokens and the queues by hand."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date, datetime, time, timedelta
from uuid import UUID
from zoneinfo import ZoneInfo, available_timezones

from django.contrib.auth.hashers import make_password
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import IntegrityError
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from coop import bell, joining, mail_wishes, notices
from coop.access import check_coordinate, check_may_invite, check_same_or_coordinator
from coop.errors import Malformed, NotFound, Refused, Taken
from coop.models import (
    ApiToken,
    AuditEntry,
    Computation,
    Coop,
    Invitation,
    MailWishes,
    Membership,
    Notice,
    Person,
    Policy,
    Role,
    SignOff,
)
from coop.policy import Terms
from coop.tokens import new_token, token_hash
from coop.transactions import founding, say, use_case

INVITATION_DAYS = 14
MOST_TOKENS = 20
# First parts of addresses that are the service's own; a co-op called so could not be reached.
OWN_ADDRESSES = frozenset(
    {
        "accounts",
        "api",
        "demo",
        "healthz",
        "join",
        "livez",
        "media",
        "metrics",
        "operators",
        "problems",
        "readyz",
        "static",
        "theme",
    }
)

say(
    role_held_once=gettext_lazy("This member holds that role already."),
    sign_off_stands_once=gettext_lazy("Somebody gave this sign-off at the same moment; load the page again."),
    sign_off_ends_after_it_begins=gettext_lazy("A sign-off cannot end before today; pick a later date."),
    policy_version_used_once=gettext_lazy("Somebody changed the policy meanwhile; load the page again and compare."),
)


# --- The co-op ------------------------------------------------------------------------------


def found(*, name: str, slug: str, currency: str, time_zone: str, founder: Person, now: datetime) -> Coop:
    """A new co-op with its first member, who is its coordinator, and the default terms as policy 1.

    A ``founder`` who is not in the database yet is written with it: all of it or nothing.
    """
    faults = {
        "name": "" if name.strip() else _("Give the co-op a name."),
        "slug": _address_fault(slug),
        "currency": "" if re.fullmatch("[A-Z]{3}", currency) else _("Give the currency as its code, like EUR."),
        "time_zone": ""
        if time_zone in available_timezones()
        else _("There is no time zone of this name; write it like Europe/Dublin."),
    }
    if wrong := {field: [text] for field, text in faults.items() if text}:
        raise Malformed([texts[0] for texts in wrong.values()], fields=wrong)
    taken = Taken(_("There is a co-op at this address already; pick another."), fields={"slug": [_("Taken.")]})
    try:
        with founding():
            if Coop.objects.filter(slug=slug).exists():
                raise taken
            if founder.pk is None:
                founder.save(force_insert=True)
            coop = Coop.objects.create(
                name=name.strip(), slug=slug, currency=currency, time_zone=time_zone, founded_at=now
            )
            first = Membership.objects.create(coop=coop, person=founder, joined_at=now)
            _set_roles(first, [Role.Kind.MEMBER, Role.Kind.COORDINATOR])
            Policy.objects.create(coop=coop, version=1, terms=Terms().to_json(), adopted_at=now, adopted_by=first)
            AuditEntry.objects.create(coop=coop, at=now, by=first, action="services.found")
    except IntegrityError as error:
        raise taken from error
    return coop


def _address_fault(slug: str) -> str:
    if not re.fullmatch(r"[a-z0-9](?:[a-z0-9-]{0,38}[a-z0-9])?", slug):
        return _("Give an address of small letters, digits and hyphens, like hollow-lane (at most 40).")
    if slug in OWN_ADDRESSES:
        return _("This address is used by the service itself; pick another.")
    return ""


# --- Members, roles, sign-offs --------------------------------------------------------------


@use_case
def enrol(
    coop: Coop,
    *,
    by: Membership | None,
    email: str,
    name: str,
    roles: Iterable[str],
    now: datetime,
    mark: str = "",
    hashed_password: str = "",
) -> Membership:
    """Make a person a member without a mail (import, demo); they set a password by "forgotten password".

    A demo gives its invented people a password, hashed beforehand (``django.contrib.auth.hashers``).
    """
    check_coordinate(by)
    address, kinds = _checked_email(email), _checked_roles(roles)
    person = Person.objects.filter(email=address).first()
    if person is None:
        person = Person.objects.create_user(address, None, name=_checked_name(name))
        if hashed_password:
            Person.objects.filter(pk=person.pk).update(password=hashed_password)
    return _joined(coop, person, kinds, now, mark=mark)


@use_case
def give_role(coop: Coop, *, by: Membership | None, membership_id: UUID, kind: str, now: datetime) -> Role:
    """Give a standing member one more role."""
    check_coordinate(by)
    (wanted,) = _checked_roles([kind])
    member = _member(coop, membership_id)
    if Role.objects.of(coop).filter(membership=member, kind=wanted).exists():
        raise Taken(_("%(name)s holds that role already.") % {"name": member.name})
    return Role.objects.create(coop=coop, membership=member, kind=wanted)


@use_case
def take_role(coop: Coop, *, by: Membership | None, membership_id: UUID, kind: str, now: datetime) -> None:
    """Take a role away; the last coordinator's and a member's only role stay."""
    check_coordinate(by)
    (wanted,) = _checked_roles([kind])
    member = _member(coop, membership_id)
    held = Role.objects.of(coop).filter(membership=member)
    if not held.filter(kind=wanted).exists():
        raise NotFound(_("%(name)s does not hold that role.") % {"name": member.name})
    if held.count() == 1:
        raise Refused(_("This is their only role. Give another one first, or end the membership."))
    if wanted == Role.Kind.COORDINATOR:
        _keep_a_coordinator(coop, without=member)
    held.filter(kind=wanted).delete()


@use_case
def sign_off(
    coop: Coop, *, by: Membership | None, membership_id: UUID, kind: str, valid_until: date | None, now: datetime
) -> SignOff:
    """Write down what a member is trained for; one that stands already is renewed (the old row is kept)."""
    check_coordinate(by)
    member = _member(coop, membership_id)
    if kind not in SignOff.Kind.values:
        raise Refused(_("There is no such sign-off; pick one from the list."), fields={"kind": [_("Pick one.")]})
    today = now.astimezone(ZoneInfo(coop.time_zone)).date()
    if valid_until is not None and valid_until < today:
        text = _("This date has passed; pick one from today on, or leave it empty.")
        raise Refused(text, fields={"valid_until": [text]})
    SignOff.objects.of(coop).filter(membership=member, kind=kind, withdrawn_at=None).update(withdrawn_at=now)
    return SignOff.objects.create(
        coop=coop, membership=member, kind=kind, given_by=by, given_on=today, valid_until=valid_until
    )


@use_case
def withdraw_sign_off(coop: Coop, *, by: Membership | None, sign_off_id: UUID, now: datetime) -> None:
    """End a sign-off now; the row stays as a record."""
    check_coordinate(by)
    ended = SignOff.objects.of(coop).filter(public_id=sign_off_id, withdrawn_at=None).update(withdrawn_at=now)
    if not ended:
        raise NotFound(_("There is no such standing sign-off here."))


@use_case
def leave(coop: Coop, *, by: Membership | None, membership_id: UUID, now: datetime) -> None:
    """End a membership: one's own, or any by the coordinator. The record of past firings stays."""
    member = _member(coop, membership_id)
    check_same_or_coordinator(by, member)
    if member.holds(Role.Kind.COORDINATOR):
        _keep_a_coordinator(coop, without=member)
    if not Membership.objects.of(coop).filter(pk=member.pk, left_at=None).update(left_at=now):
        raise Taken(_("%(name)s has left already.") % {"name": member.name})


@use_case
def change_settings(
    coop: Coop,
    *,
    by: Membership,
    name: str,
    mark: str,
    temperature_unit: str,
    length_unit: str,
    volume_unit: str,
    now: datetime,
) -> None:
    """A person's own name, mark on the pots and units."""
    for value, choices in (
        (temperature_unit, Person.Temperature.values),
        (length_unit, Person.Length.values),
        (volume_unit, Person.Volume.values),
    ):
        if value not in choices:
            raise Refused(_("There is no such unit; pick one from the list."))
    Person.objects.filter(pk=by.person_id).update(
        name=_checked_name(name),
        temperature_unit=temperature_unit,
        length_unit=length_unit,
        volume_unit=volume_unit,
    )
    Membership.objects.of(coop).filter(pk=by.pk).update(mark=" ".join(mark.split())[:60])


def _member(coop: Coop, membership_id: UUID) -> Membership:
    found: Membership | None = (
        Membership.objects.of(coop).current().select_related("person").filter(public_id=membership_id).first()
    )
    if found is None:
        raise NotFound(_("There is no such member here."))
    return found


def _keep_a_coordinator(coop: Coop, *, without: Membership) -> None:
    # The co-op's row is the lock: two coordinators stepping down at once must not both succeed.
    Coop.objects.select_for_update().get(pk=coop.pk)
    others = Role.objects.of(coop).filter(kind=Role.Kind.COORDINATOR, membership__left_at=None)
    if not others.exclude(membership=without).exists():
        raise Refused(
            _("%(name)s is the last coordinator. Make somebody else coordinator first.") % {"name": without.name}
        )


def _set_roles(member: Membership, kinds: Iterable[str]) -> None:
    Role.objects.bulk_create(Role(coop=member.coop, membership=member, kind=kind) for kind in kinds)


def _joined(coop: Coop, person: Person, kinds: list[str], now: datetime, *, mark: str = "") -> Membership:
    """A standing membership with exactly these roles; one that had ended begins again."""
    member = Membership.objects.of(coop).filter(person=person).first()
    if member is None:
        member = Membership.objects.create(coop=coop, person=person, joined_at=now, mark=mark)
    elif not Membership.objects.filter(pk=member.pk, left_at__isnull=False).update(left_at=None):
        raise Taken(_("%(name)s belongs to the co-op already.") % {"name": person.name})
    Role.objects.of(coop).filter(membership=member).delete()
    _set_roles(member, kinds)
    joined: Membership = Membership.objects.with_roles().select_related("coop").get(pk=member.pk)
    return joined


def _checked_email(email: str) -> str:
    address = email.strip().lower()
    try:
        validate_email(address)
    except ValidationError as error:
        text = _("This is no e-mail address; write it like ada@example.org.")
        raise Refused(text, fields={"email": [text]}) from error
    return address


def _checked_name(name: str) -> str:
    tidy = " ".join(name.split())
    if not tidy or len(tidy) > 120:
        text = _("Give a name of at most 120 letters.")
        raise Refused(text, fields={"name": [text]})
    return tidy


def _checked_roles(roles: Iterable[str]) -> list[str]:
    kinds = sorted(set(roles))
    if not kinds or any(kind not in Role.Kind.values for kind in kinds):
        text = _("Pick one or more roles from the list.")
        raise Refused(text, fields={"roles": [text]})
    return kinds


# --- Invitations ----------------------------------------------------------------------------


@use_case
def invite(
    coop: Coop, *, by: Membership | None, email: str, name: str, roles: Iterable[str], now: datetime
) -> Invitation:
    """Mail somebody a link by which they join within 14 days; only the hash of its token is kept."""
    return write_invitation(coop, by=by, email=email, name=name, roles=roles, now=now)


MOST_AT_ONCE = 200


@use_case
def invite_many(coop: Coop, *, by: Membership | None, text: str, now: datetime) -> list[Invitation]:
    """Invite one person a line as members: an address and, if known, a name, in any order, with commas,
    semicolons or tabs between. All of them or none; ``Malformed.faults`` names each line that cannot be."""
    check_may_invite(by, [Role.Kind.MEMBER])
    made, faults = [], []
    lines = [(number, line) for number, line in enumerate(text.splitlines(), start=1) if line.strip(" \t,;")]
    if not lines:
        raise Malformed([_("Write one person a line, like “Ada Finch, ada@example.org”.")])
    if len(lines) > MOST_AT_ONCE:
        raise Malformed([_("At most %(most)d people at once; do the rest after.") % {"most": MOST_AT_ONCE}])
    for number, line in lines:
        email, name = _address_and_name(line)
        try:
            made.append(write_invitation(coop, by=by, email=email, name=name, roles=[Role.Kind.MEMBER], now=now))
        except Refused as no:
            faults.append(_("Line %(number)d, “%(line)s”: %(why)s") % {"number": number, "line": line[:60], "why": no})
    if faults:
        raise Malformed(faults)
    return made


def _address_and_name(line: str) -> tuple[str, str]:
    """Also as address books write it: Ada Finch <ada@example.org>."""
    parts = [part.strip(" \"'") for part in re.split(r"[\t,;<>]", line)]
    email = next((part for part in parts if "@" in part), "")
    return email, " ".join(part for part in parts if part and part != email)


def write_invitation(
    coop: Coop, *, by: Membership | None, email: str, name: str, roles: Iterable[str], now: datetime
) -> Invitation:
    """The steps of ``invite``, for use cases that invite as part of something else."""
    address, kinds = _checked_email(email), _checked_roles(roles)
    check_may_invite(by, kinds)
    if Membership.objects.of(coop).current().filter(person__email=address).exists():
        raise Taken(_("This person belongs to the co-op already."), fields={"email": [_("A member already.")]})
    open_ones = Invitation.objects.of(coop).filter(email=address, accepted_at=None, withdrawn_at=None)
    open_ones.filter(expires_at__lte=now).update(withdrawn_at=now)
    if open_ones.exists():
        text = _("This address has an open invitation; send that one again, or withdraw it first.")
        raise Taken(text, fields={"email": [text]})
    token = new_token()
    invitation = Invitation.objects.create(
        coop=coop,
        email=address,
        name=" ".join(name.split())[:120],
        roles=kinds,
        token_hash=token_hash(token),
        invited_by=by,
        invited_at=now,
        expires_at=now + timedelta(days=INVITATION_DAYS),
    )
    _mail_invitation(invitation, token, now)
    return invitation


@use_case
def resend_invitation(coop: Coop, *, by: Membership | None, invitation_id: UUID, now: datetime) -> Invitation:
    """Mail an open or expired invitation again with a new link; the old link ends."""
    invitation = _open_invitation(coop, invitation_id)
    check_may_invite(by, invitation.roles)
    token = new_token()
    invitation.token_hash = token_hash(token)
    invitation.invited_at, invitation.expires_at = now, now + timedelta(days=INVITATION_DAYS)
    invitation.save(update_fields=["token_hash", "invited_at", "expires_at"])
    _mail_invitation(invitation, token, now)
    return invitation


@use_case
def withdraw_invitation(coop: Coop, *, by: Membership | None, invitation_id: UUID, now: datetime) -> None:
    """End an open invitation: its link opens nothing any more, and a mail not yet sent stays here."""
    invitation = _open_invitation(coop, invitation_id)
    check_may_invite(by, invitation.roles)
    Invitation.objects.of(coop).filter(pk=invitation.pk, accepted_at=None).update(withdrawn_at=now)
    Notice.objects.of(coop).filter(key__startswith=f"invitation:{invitation.public_id}", sent_at=None).update(
        dead_at=now, last_error=_("The invitation was withdrawn."), link=""
    )


def accept_invitation(
    coop: Coop, *, token: str, name: str, password: str, now: datetime, person: Person | None = None
) -> Membership:
    """Join by an invitation's token: as a new person with name and password, or as ``person`` who is signed in.

    Raises NotFound for a token that opens nothing, Refused for one that expired, for a weak password, and
    where the address has an account already (its owner signs in first).
    """
    invitation = invitation_by(token, now)
    if invitation is None or invitation.coop_id != coop.pk:
        raise NotFound(_("This invitation is not open any more. Ask the co-op for a new one."))
    if person is not None:
        return _join(coop, by=None, invitation_id=invitation.public_id, person=person, now=now)
    newcomer = Person(email=invitation.email, name=_checked_name(name))
    if Person.objects.filter(email=invitation.email).exists():
        raise Refused(_("You have an account with this address. Sign in, then open the invitation again."))
    try:
        validate_password(password, newcomer)
    except ValidationError as error:
        raise Refused(" ".join(error.messages), fields={"password": error.messages}) from error
    # Hashing takes a fifth of a second: it is done before the transaction begins.
    newcomer.password = make_password(password)
    return _join(coop, by=None, invitation_id=invitation.public_id, person=newcomer, now=now)


@use_case
def _join(coop: Coop, *, by: Membership | None, invitation_id: UUID, person: Person, now: datetime) -> Membership:
    taken = Invitation.objects.of(coop).filter(
        public_id=invitation_id, accepted_at=None, withdrawn_at=None, expires_at__gt=now
    )
    if not taken.update(accepted_at=now):
        raise NotFound(_("This invitation is not open any more. Ask the co-op for a new one."))
    if person.pk is None:
        person.save(force_insert=True)
    invitation = Invitation.objects.of(coop).get(public_id=invitation_id)
    member = _joined(coop, person, list(invitation.roles), now)
    Invitation.objects.of(coop).filter(pk=invitation.pk).update(accepted_by=member)
    joining.follow(invitation, member)
    return member


def invitation_by(token: str, now: datetime) -> Invitation | None:
    """The open invitation this token belongs to, or None (unknown, used, withdrawn, expired)."""
    return (
        Invitation.objects.filter(token_hash=token_hash(token), accepted_at=None, withdrawn_at=None, expires_at__gt=now)
        .select_related("coop", "invited_by__person")
        .first()
    )


def _open_invitation(coop: Coop, invitation_id: UUID) -> Invitation:
    found: Invitation | None = (
        Invitation.objects.of(coop).filter(public_id=invitation_id, accepted_at=None, withdrawn_at=None).first()
    )
    if found is None:
        raise NotFound(_("There is no such open invitation here."))
    return found


def _mail_invitation(invitation: Invitation, token: str, now: datetime) -> None:
    coop, host = invitation.coop, invitation.invited_by
    Notice.objects.of(coop).filter(
        key__startswith=f"invitation:{invitation.public_id}", sent_at=None, dead_at=None
    ).update(dead_at=now, last_error=_("A newer link was sent."), link="")
    greeting = _("Hello %(name)s,") % {"name": invitation.name} if invitation.name else _("Hello,")
    who = (
        _("%(name)s invites you to %(coop)s.") % {"name": host.name, "coop": coop.name}
        if host
        else _("You are invited to %(coop)s.") % {"coop": coop.name}
    )
    until = invitation.expires_at.astimezone(ZoneInfo(coop.time_zone)).date().isoformat()
    how = _("Open the link to join. It works once, until %(day)s.") % {"day": until}
    unwanted = _("If you do not know this co-op, do nothing: without the link nothing happens.")
    notices.queue(
        coop,
        key=f"invitation:{invitation.public_id}:{now.isoformat()}",
        kind=notices.INVITATION,
        to=invitation.email,
        subject=_("Invitation to %(coop)s") % {"coop": coop.name},
        text=f"{greeting}\n\n{who}\n{how}\n\n{unwanted}",
        link=f"/join/{token}/",
        now=now,
        stale_at=invitation.expires_at,
    )


# --- Policy ---------------------------------------------------------------------------------


def current_policy(coop: Coop) -> Policy:
    """The policy in force: the newest version."""
    newest: Policy | None = Policy.objects.of(coop).order_by("-version").first()
    if newest is None:
        raise NotFound(_("This co-op has no policy yet; the coordinator adopts one on the policy page."))
    return newest


@use_case
def adopt_policy(coop: Coop, *, by: Membership | None, terms: Terms, now: datetime) -> Policy:
    """Make these terms the co-op's policy from now on, as a new version; firings already frozen keep theirs."""
    check_coordinate(by)
    newest = Policy.objects.of(coop).order_by("-version").first()
    if newest is not None and newest.terms == terms.to_json():
        raise Refused(_("Nothing differs from the policy in force, so no new version was made."))
    return Policy.objects.create(
        coop=coop,
        version=newest.version + 1 if newest else 1,
        terms=terms.to_json(),
        adopted_at=now,
        adopted_by=by,
    )


# --- Keys to the API ------------------------------------------------------------------------


@use_case
def make_token(coop: Coop, *, by: Membership, name: str, now: datetime) -> tuple[ApiToken, str]:
    """A new key to the API and its text, which is shown once; only the hash is kept."""
    label = " ".join(name.split())
    if not label or len(label) > 80:
        text = _("Say what the token is for, in at most 80 letters.")
        raise Refused(text, fields={"name": [text]})
    if ApiToken.objects.filter(person_id=by.person_id, revoked_at=None).count() >= MOST_TOKENS:
        raise Refused(_("You have %(most)d tokens; revoke one you no longer use.") % {"most": MOST_TOKENS})
    token = new_token()
    row = ApiToken.objects.create(person_id=by.person_id, name=label, token_hash=token_hash(token), made_at=now)
    return row, token


@use_case
def revoke_token(coop: Coop, *, by: Membership, token_id: int, now: datetime) -> None:
    """End one of one's own keys at once."""
    own = ApiToken.objects.filter(person_id=by.person_id, pk=token_id, revoked_at=None)
    if not own.update(revoked_at=now):
        raise NotFound(_("You have no such token."))


# --- The queues by hand ---------------------------------------------------------------------


@use_case
def send_again(coop: Coop, *, by: Membership | None, notice_id: UUID, now: datetime) -> None:
    """Give a mail that was given up a new round of attempts."""
    check_coordinate(by)
    given_up = Notice.objects.of(coop).filter(public_id=notice_id, sent_at=None, dead_at__isnull=False)
    notice = given_up.first()
    if notice is None:
        raise NotFound(_("There is no such mail that was given up."))
    if notice.unwanted:
        raise Refused(_("Whoever this mail is for does not want such mails; speak to them."))
    if notice.kind == notices.INVITATION and not notice.link:
        raise Refused(_("The link in this mail has ended. Send the invitation again instead."))
    given_up.update(dead_at=None, attempts=0, leased_until=None, due_at=now, stale_at=None, last_error="")
    bell.ring("notice", notice.pk)


@use_case
def change_mail_wishes(
    coop: Coop,
    *,
    by: Membership,
    own: str,
    news: str,
    quiet_from: time | None,
    quiet_to: time | None,
    now: datetime,
) -> MailWishes:
    """Say when a member's mails come. What is their own duty comes at once, outside their quiet hours."""
    when = MailWishes.When
    if own not in (when.AT_ONCE, when.DAILY) or news not in when.values:
        raise Refused(_("There is no such choice; pick one from the list."))
    if (quiet_from is None) != (quiet_to is None) or (quiet_from is not None and quiet_from == quiet_to):
        sentence = _("Give the hour at which quiet begins and another at which it ends, or neither.")
        raise Refused(sentence, fields={"quiet_to": [sentence]})
    wishes, _is_new = MailWishes.objects.update_or_create(
        coop=coop,
        membership=by,
        defaults={"own": own, "news": news, "quiet_from": quiet_from, "quiet_to": quiet_to},
    )
    return wishes


@use_case
def stop_news(coop: Coop, *, by: Membership | None, notice_id: UUID, token: str, now: datetime) -> None:
    """No more news by mail to whom this notice went; whoever holds the key from the mail may say so, twice too."""
    notice = Notice.objects.of(coop).filter(public_id=notice_id).first()
    if notice is None or not mail_wishes.is_stop_token(notice, token) or not mail_wishes.may_be_stopped(notice):
        raise NotFound(_("This link has ended. Choose under “My account” what is mailed to you."))
    member = Membership.objects.of(coop).current().filter(person=notice.to_person_id).first()
    if member is not None:
        MailWishes.objects.update_or_create(coop=coop, membership=member, defaults={"news": MailWishes.When.NEVER})


@use_case
def note_bounce(coop: Coop, *, by: Membership | None, notice_id: UUID, why: str, now: datetime) -> None:
    """A mail server further on sent a notice back: the row says so, once."""
    Notice.objects.of(coop).filter(public_id=notice_id, came_back_at=None).exclude(sent_at=None).update(
        came_back_at=now, last_error=" ".join(why.split())[:300]
    )


@use_case
def compute_again(coop: Coop, *, by: Membership | None, computation_id: UUID, now: datetime) -> None:
    """Ask once more for a computation that failed."""
    failed = Computation.objects.of(coop).filter(public_id=computation_id, state=Computation.State.FAILED)
    again = failed.first()
    if again is None:
        raise NotFound(_("There is no such failed computation here."))
    failed.update(
        state=Computation.State.WAITING, done_at=None, attempts=0, leased_until=None, asked_at=now, trouble=""
    )
    bell.ring("computation", again.pk)
