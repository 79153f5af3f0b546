"""Who is on call, and “I am here” at a watch."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _

from coop.access import allowed
from coop.errors import Refused
from coop.forms import add_refusal
from coop.http import CoopRequest, coop_action, coop_form, coop_page
from coop.models import Membership
from coop.transactions import reading
from firings.access import check_leads
from firings.forms.on_call import OnCallForm
from firings.queries import hours
from firings.queries import on_call as queries
from firings.queries.firings import firing_of
from firings.services import on_call as services


@coop_form
def on_call(request: CoopRequest, firing: UUID) -> HttpResponse:
    """Whom to call when nobody is at a watch; its lead sets the order."""
    if request.method != "POST":
        return _page(request, firing, None, 200)
    with reading(request.coop):
        form = _form(request, firing, request.POST)
        valid = form.is_valid()
    status = 422
    if valid:
        try:
            services.set_order(
                request.coop, by=request.membership, now=timezone.now(), firing_id=firing, member_ids=form.order()
            )
        except Refused as no:
            add_refusal(form, no)
            status = no.status
        else:
            messages.success(request, _("Saved; whoever is new on call has been told."))
            return redirect("on_call", coop=request.coop.slug, firing=firing)
    with reading(request.coop):
        return _page(request, firing, form, status)


def _form(request: CoopRequest, firing: UUID, data: object = None) -> OnCallForm:
    found = firing_of(request.coop, firing)
    people = Membership.objects.of(request.coop).current().select_related("person")
    now = [str(row.member.public_id) for row in queries.listed(found)]
    return OnCallForm(data, people=list(people), order=now)


def _page(request: CoopRequest, firing: UUID, form: OnCallForm | None, status: int) -> HttpResponse:
    found = firing_of(request.coop, firing)
    leads = allowed(check_leads, request.membership, found)
    context = {
        "firing": found,
        "tab": "watches",
        "order": queries.order_of(found),
        "form": (form or _form(request, firing)) if leads else None,
        "minutes": hours.terms_of(found).take_up_minutes,
    }
    return render(request, "firings/on_call.html", context, status=status)


@coop_page
def watch_here(request: CoopRequest, firing: UUID, watch: UUID) -> HttpResponse:
    """Who is at a watch; one press says that somebody is."""
    found, now = queries.watch_of(request.coop, watch), timezone.now()
    people = queries.people_of(found)
    on_call = queries.order_of(found.firing)
    me = request.membership
    on_crew = any(one.is_on_crew and one.member.pk == me.pk for one in people)
    context = {
        "firing": found.firing,
        "tab": "watches",
        "watch": found,
        "people": people,
        "me": me,
        "is_now": found.firing.stage in queries.AT_THE_FIRE and found.starts_at - queries.EARLY <= now < found.ends_at,
        "may_say": on_crew or allowed(check_leads, me, found.firing) or any(one.pk == me.pk for one in on_call),
        "i_am_here": any(one.here and one.member.pk == me.pk for one in people),
        "nobody": not queries.is_taken_up(found) and found.starts_at <= now,
        "next_called": next((one for one in on_call if one.pk not in {person.member.pk for person in people}), None),
    }
    return render(request, "firings/watch_here.html", context)


@coop_action(back="watch_here")
def watch_say_here(request: CoopRequest, firing: UUID, watch: UUID, member: UUID) -> HttpResponse | None:
    said = services.here(request.coop, by=request.membership, now=timezone.now(), watch_id=watch, member_id=member)
    messages.success(request, _("%(name)s is at the watch.") % {"name": said.member.name})
    return redirect("watch_here", coop=request.coop.slug, firing=firing, watch=watch)


_FIRING = "firings/<uuid:firing>/"
urls = [
    path(f"{_FIRING}on-call/", on_call, name="on_call"),
    path(f"{_FIRING}watches/<uuid:watch>/here/", watch_here, name="watch_here"),
    path(f"{_FIRING}watches/<uuid:watch>/here/<uuid:member>/", watch_say_here, name="watch_say_here"),
]
