"""Search over people, firings and pieces."""

from __future__ import annotations

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import path

from coop.http import CoopRequest, coop_page
from firings.queries import search as queries


@coop_page
def search(request: CoopRequest) -> HttpResponse:
    words = request.GET.get("q", "")[:100]
    found = queries.find(request.membership, words)
    return render(request, "firings/search.html", {"words": words, "found": found, "most": queries.MOST})


urls = [path("search/", search, name="search")]
