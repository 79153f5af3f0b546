"""The clean-up page: the checklist with names and due dates, ticked and signed."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import render
from django.urls import URLPattern, path
from django.utils import timezone
from django.utils.translation import gettext as _

from coop.errors import Malformed
from coop.http import CoopRequest, coop_action, coop_page
from firings.forms.cleanup import AssignForm, TickForm
from firings.queries import cleanup as queries
from firings.services import cleanup as services
from firings.views.fire import wait_for


@coop_page
def firing_cleanup(request: CoopRequest, firing: UUID) -> HttpResponse:
    page = queries.checklist_page(request.coop, firing, request.membership, now=timezone.now())
    context = {"firing": page.firing, "tab": "cleanup", "page": page}
    return render(request, "firings/firing_cleanup.html", context)


@coop_action(back="firing_cleanup")
def check_item_tick(request: CoopRequest, firing: UUID, item: UUID) -> HttpResponse | None:
    form = TickForm(request.POST)
    if not form.is_valid():
        raise Malformed([_("Press the button again; the page did not say whether it is done.")])
    done = form.cleaned_data["done"]
    line = services.tick(request.coop, by=request.membership, now=timezone.now(), item_id=item, done=done)
    word = _("Done: %(line)s") if done else _("Open again: %(line)s")
    messages.success(request, word % {"line": line.text})
    return None


@coop_action(back="firing_cleanup")
def check_item_take(request: CoopRequest, firing: UUID, item: UUID) -> HttpResponse | None:
    services.assign(
        request.coop,
        by=request.membership,
        now=timezone.now(),
        item_id=item,
        member_id=request.membership.public_id,
    )
    messages.success(request, _("This line is yours. Thank you."))
    return None


@coop_action(back="firing_cleanup")
def check_item_assign(request: CoopRequest, firing: UUID, item: UUID) -> HttpResponse | None:
    form = AssignForm(request.POST)
    if not form.is_valid():
        raise Malformed([_("Pick somebody from the list.")])
    line = services.assign(
        request.coop, by=request.membership, now=timezone.now(), item_id=item, member_id=form.member_id()
    )
    if line.assigned_to is None:
        messages.success(request, _("This line has no name now."))
    else:
        messages.success(
            request, _("%(name)s has this line now and is told by mail.") % {"name": line.assigned_to.name}
        )
    return None


@coop_action(back="firing_cleanup")
def cleanup_sign(request: CoopRequest, firing: UUID) -> HttpResponse | None:
    services.sign_off(request.coop, by=request.membership, now=timezone.now(), firing_id=firing)
    messages.success(request, _("Signed off. The kiln is free, and the treasurer knows."))
    return None


@coop_action(back="firing_cleanup")
def checklist_print(request: CoopRequest, firing: UUID) -> HttpResponse | None:
    asked = services.ask_for_sheet(request.coop, by=request.membership, now=timezone.now(), firing_id=firing)
    return wait_for(request, asked, "firing_cleanup", firing)


_CLEANUP = "firings/<uuid:firing>/cleanup/"
urls: list[URLPattern] = [
    path(_CLEANUP, firing_cleanup, name="firing_cleanup"),
    path(f"{_CLEANUP}sign/", cleanup_sign, name="cleanup_sign"),
    path(f"{_CLEANUP}print/", checklist_print, name="checklist_print"),
    path(f"{_CLEANUP}lines/<uuid:item>/tick/", check_item_tick, name="check_item_tick"),
    path(f"{_CLEANUP}lines/<uuid:item>/take/", check_item_take, name="check_item_take"),
    path(f"{_CLEANUP}lines/<uuid:item>/assign/", check_item_assign, name="check_item_assign"),
]
