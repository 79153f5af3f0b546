"""Home, members, roles, sign-offs, invitations."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import URLPattern, path
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from coop import home as home_parts
from coop import queries, services
from coop.access import allowed, check_coordinate, check_may_invite
from coop.errors import Malformed, Refused
from coop.forms import InviteForm, InviteManyForm, RoleForm, SignOffForm, add_refusal
from coop.http import CoopRequest, coop_action, coop_form, coop_page
from coop.models import Role, SignOff
from coop.transactions import reading

SIGN_OFF_ALLOWS: dict[str, Any] = {
    SignOff.Kind.STOKING: gettext_lazy("Feed the fire on a watch together with others."),
    SignOff.Kind.LEADING: gettext_lazy("Lead a watch: decide on wood, damper and reductions, and hand over."),
    SignOff.Kind.SODA: gettext_lazy("Prepare and bring in soda, with the protection the kiln's sheet names."),
    SignOff.Kind.SPLITTER: gettext_lazy("Use the wood splitter, never alone."),
    SignOff.Kind.GRINDING: gettext_lazy("Grind boards, with breathing and eye protection, never alone."),
}


@coop_page
def home(request: CoopRequest) -> HttpResponse:
    """What needs me now."""
    return render(request, "coop/home.html", {"parts": home_parts.parts_for(request.membership, timezone.now())})


@coop_page
def members(request: CoopRequest) -> HttpResponse:
    """Everybody in the co-op with roles and sign-offs."""
    page = queries.members(request.coop, request.GET.get("page"))
    today = timezone.localdate()
    rows = [
        {"member": member, "sign_offs": [s for s in member.sign_offs.all() if s.stands_on(today)]} for member in page
    ]
    context = {"page": page, "rows": rows, **_rights(request)}
    return render(request, "coop/members.html", context)


def _rights(request: CoopRequest) -> dict[str, bool]:
    return {
        "may_coordinate": allowed(check_coordinate, request.membership),
        "may_invite": allowed(check_may_invite, request.membership, [Role.Kind.GUEST]),
    }


@coop_page
def member(request: CoopRequest, member: UUID) -> HttpResponse:
    """One member: roles, sign-offs and what they allow."""
    row = queries.member(request.coop, member)
    held = {role.kind for role in row.roles.all()}
    role_form = RoleForm()
    choices = forms.ChoiceField(
        label=role_form.fields["kind"].label, choices=[c for c in Role.Kind.choices if c[0] not in held]
    )
    role_form.fields["kind"] = choices
    context = {
        "member": row,
        "sign_offs": [(s, SIGN_OFF_ALLOWS[s.kind]) for s in queries.sign_offs_of(row, timezone.localdate())],
        "role_form": role_form if len(held) < len(Role.Kind.choices) else None,
        "sign_off_form": SignOffForm(),
        "is_me": row.pk == request.membership.pk,
        **_rights(request),
    }
    return render(request, "coop/member.html", context)


@coop_action(back="member")
def role_give(request: CoopRequest, member: UUID) -> HttpResponse | None:
    kind = request.POST.get("kind", "")
    services.give_role(request.coop, by=request.membership, membership_id=member, kind=kind, now=timezone.now())
    messages.success(request, _("The role is given."))
    return None


@coop_action(back="member")
def role_take(request: CoopRequest, member: UUID) -> HttpResponse | None:
    kind = request.POST.get("kind", "")
    services.take_role(request.coop, by=request.membership, membership_id=member, kind=kind, now=timezone.now())
    messages.success(request, _("The role is taken back."))
    return None


@coop_action(back="member")
def sign_off_give(request: CoopRequest, member: UUID) -> HttpResponse | None:
    form = SignOffForm(request.POST)
    if not form.is_valid():
        raise Refused(_("Pick a sign-off from the list and give the date as year-month-day, or leave it empty."))
    services.sign_off(
        request.coop,
        by=request.membership,
        membership_id=member,
        kind=form.cleaned_data["kind"],
        valid_until=form.cleaned_data["valid_until"],
        now=timezone.now(),
    )
    messages.success(request, _("The sign-off is written down."))
    return None


@coop_action(back="member")
def sign_off_withdraw(request: CoopRequest, member: UUID, sign_off: UUID) -> HttpResponse | None:
    services.withdraw_sign_off(request.coop, by=request.membership, sign_off_id=sign_off, now=timezone.now())
    messages.success(request, _("The sign-off is withdrawn."))
    return None


@coop_action(back="member")
def member_leave(request: CoopRequest, member: UUID) -> HttpResponse | None:
    is_me = member == request.membership.public_id
    services.leave(request.coop, by=request.membership, membership_id=member, now=timezone.now())
    messages.success(request, _("The membership has ended. The record of past firings stays."))
    return redirect("front") if is_me else redirect("members", coop=request.coop.slug)


@coop_form
def invitations(request: CoopRequest) -> HttpResponse:
    """Invite somebody; those who have not yet joined."""
    check_may_invite(request.membership, [Role.Kind.GUEST])
    form = _invite_form(request)
    if request.method != "POST":
        return _invitations_page(request, form)
    if not form.is_valid():
        with reading(request.coop):
            return _invitations_page(request, form, status=422)
    try:
        row = services.invite(request.coop, by=request.membership, **form.cleaned_data, now=timezone.now())
    except Refused as no:
        add_refusal(form, no)
        with reading(request.coop):
            return _invitations_page(request, form, status=no.status)
    messages.success(request, _("An invitation goes to %(email)s by mail.") % {"email": row.email})
    return redirect("invitations", coop=request.coop.slug)


@coop_form
def invite_many(request: CoopRequest) -> HttpResponse:
    """Invite a list of people at once, all of them or none."""
    check_coordinate(request.membership)
    form, status = InviteManyForm(request.POST if request.method == "POST" else None), 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                rows = services.invite_many(
                    request.coop, by=request.membership, text=form.cleaned_data["people"], now=timezone.now()
                )
            except Malformed as no:
                for fault in no.faults:
                    form.add_error("people", fault)
            else:
                said = ngettext("An invitation goes out.", "%(count)d invitations go out.", len(rows))
                messages.success(request, said % {"count": len(rows)})
                return redirect("invitations", coop=request.coop.slug)
    return render(request, "coop/invite_many.html", {"form": form}, status=status)


def _invite_form(request: CoopRequest) -> InviteForm:
    """A coordinator gives any role; other members invite guests."""
    form = InviteForm(request.POST if request.method == "POST" else None)
    if not allowed(check_coordinate, request.membership):
        form.fields["roles"] = forms.MultipleChoiceField(
            label=form.fields["roles"].label,
            choices=[(Role.Kind.GUEST.value, Role.Kind.GUEST.label)],
            widget=forms.CheckboxSelectMultiple,
            initial=[Role.Kind.GUEST],
        )
    return form


def _invitations_page(request: CoopRequest, form: InviteForm, status: int = 200) -> HttpResponse:
    rights = _rights(request)
    page = queries.open_invitations(request.coop, request.GET.get("page")) if rights["may_coordinate"] else None
    names = dict(Role.Kind.choices)
    rows = [{"invitation": row, "roles": [names.get(k, k) for k in row.roles]} for row in page or []]
    context = {"form": form, "page": page, "rows": rows, "now": timezone.now(), **rights}
    return render(request, "coop/invitations.html", context, status=status)


@coop_action(back="invitations")
def invitation_resend(request: CoopRequest, invitation: UUID) -> HttpResponse | None:
    services.resend_invitation(request.coop, by=request.membership, invitation_id=invitation, now=timezone.now())
    messages.success(request, _("A new link goes out by mail; the old one has ended."))
    return redirect("invitations", coop=request.coop.slug)


@coop_action(back="invitations")
def invitation_withdraw(request: CoopRequest, invitation: UUID) -> HttpResponse | None:
    services.withdraw_invitation(request.coop, by=request.membership, invitation_id=invitation, now=timezone.now())
    messages.success(request, _("The invitation is withdrawn; its link opens nothing any more."))
    return redirect("invitations", coop=request.coop.slug)


urls: list[URLPattern] = [
    path("", home, name="home"),
    path("members/", members, name="members"),
    path("members/<uuid:member>/", member, name="member"),
    path("members/<uuid:member>/roles/give/", role_give, name="role_give"),
    path("members/<uuid:member>/roles/take/", role_take, name="role_take"),
    path("members/<uuid:member>/sign-offs/give/", sign_off_give, name="sign_off_give"),
    path("members/<uuid:member>/sign-offs/<uuid:sign_off>/withdraw/", sign_off_withdraw, name="sign_off_withdraw"),
    path("members/<uuid:member>/leave/", member_leave, name="member_leave"),
    path("invitations/many/", invite_many, name="invite_many"),
    path("invitations/", invitations, name="invitations"),
    path("invitations/<uuid:invitation>/resend/", invitation_resend, name="invitation_resend"),
    path("invitations/<uuid:invitation>/withdraw/", invitation_withdraw, name="invitation_withdraw"),
]
