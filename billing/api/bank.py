"""The co-op's bank account as JSON."""

from __future__ import annotations

from typing import Any

from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from billing import services
from billing.queries import bank as queries
from coop.api_ground import CoopAPIView
from coop.errors import NotFound


class BankAccountOut(serializers.Serializer[Any]):
    holder = serializers.CharField()
    iban = serializers.CharField()
    bic = serializers.CharField()
    set_at = serializers.DateTimeField()


class BankAccountIn(serializers.Serializer[Any]):
    holder = serializers.CharField(max_length=200)
    iban = serializers.CharField(max_length=60)
    bic = serializers.CharField(max_length=20, required=False, allow_blank=True, default="")


class BankAccount(CoopAPIView):
    @extend_schema(operation_id="bank_account_read", responses=BankAccountOut)
    def get(self, request: Request) -> Response:
        """The account members pay into; 404 while none is set."""
        account = queries.bank_account(self.coop)
        if account is None:
            raise NotFound(_("No account is set yet; the treasurer sets it under Money."))
        return Response(BankAccountOut(account).data)

    @extend_schema(operation_id="bank_account_set", request=BankAccountIn, responses=BankAccountOut)
    def put(self, request: Request) -> Response:
        """Set the account members pay into; treasurers and coordinators are mailed."""
        said = self.read(BankAccountIn)
        account = services.set_bank_account(self.coop, by=self.membership, now=timezone.now(), **said)
        return Response(BankAccountOut(account).data)


urls = [path("bank/account/", BankAccount.as_view())]
