"""Addresses of the money pages, below the co-op's own; each module of pages lists its own."""

from billing.views import bank, chances, ledger, reports, settling, what_if

urlpatterns = [*settling.urls, *what_if.urls, *chances.urls, *ledger.urls, *bank.urls, *reports.urls]
