"""The clean-up page: the checklist with names and due dates."""

from __future__ import annotations

from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import URLPattern, path
from django.utils import timezone

from coop.http import CoopRequest, coop_page
from firings.queries import cleanup as queries


@coop_page
def firing_cleanup(request: CoopRequest, firing: UUID) -> HttpResponse:
    page = queries.checklist_page(request.coop, firing, request.membership, now=timezone.now())
    return render(request, "firings/firing_cleanup.html", {"firing": page.firing, "page": page})


urls: list[URLPattern] = [
    path("firings/<uuid:firing>/cleanup/", firing_cleanup, name="firing_cleanup"),
]
