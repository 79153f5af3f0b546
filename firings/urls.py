"""Addresses of the kiln work, below the co-op's own; each module of pages lists its own."""

from firings.views import (
    allotments,
    calendar,
    chores,
    cleanup,
    feeds,
    fire,
    firings,
    furniture,
    hours,
    kilns,
    load_plans,
    on_call,
    rosters,
    space,
    unpacking,
    watches,
)

urlpatterns = [
    *calendar.urls,
    *kilns.urls,
    *furniture.urls,
    *firings.urls,
    *space.urls,
    *allotments.urls,
    *load_plans.urls,
    *rosters.urls,
    *watches.urls,
    *chores.urls,
    *hours.urls,
    *on_call.urls,
    *feeds.urls,
    *fire.urls,
    *unpacking.urls,
    *cleanup.urls,
]
