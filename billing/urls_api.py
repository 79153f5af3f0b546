"""API addresses of the money app; each module lists its own."""

from billing.api import bank, ledger, settling

urlpatterns = [*settling.urls, *ledger.urls, *bank.urls]
