"""API addresses of the money app; each module lists its own."""

from billing.api import ledger, settling

urlpatterns = [*settling.urls, *ledger.urls]
