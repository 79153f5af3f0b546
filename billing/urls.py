"""Addresses of the money pages, below the co-op's own; each module of pages lists its own."""

from billing.views import bank, ledger, settling

urlpatterns = [*settling.urls, *ledger.urls, *bank.urls]
