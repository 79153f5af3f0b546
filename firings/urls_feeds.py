"""Addresses that calendars read, below the co-op's own."""

from firings.views import feeds

urlpatterns = feeds.read_by_calendars
