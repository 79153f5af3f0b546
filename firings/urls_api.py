"""API addresses of the kiln work; each module lists its own."""

from firings.api import (
    allotments,
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
    probes,
    rosters,
    space,
    unpacking,
    watches,
)

urlpatterns = [
    *kilns.urls,
    *probes.urls,
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
