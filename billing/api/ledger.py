"""Balances, payments, statements and the ledger as JSON."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.urls import path
from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from billing import services
from billing.access import check_reads_ledger, check_treasurer
from billing.models import Payment
from billing.queries import balances, ledger
from coop.access import allowed
from coop.api_ground import CoopAPIView
from coop.errors import Malformed

_MOST = 200


class BalanceOut(serializers.Serializer[Any]):
    member = serializers.UUIDField(source="member.public_id")
    name = serializers.CharField(source="member.name")
    balance_minor = serializers.IntegerField(source="minor")
    currency = serializers.CharField()
    words = serializers.CharField()


class BalanceList(serializers.Serializer[Any]):
    balances = BalanceOut(many=True)


class PaymentOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")
    member = serializers.UUIDField(source="member.public_id")
    on = serializers.DateField()
    amount_minor = serializers.IntegerField()
    currency = serializers.CharField()
    way = serializers.ChoiceField(choices=Payment.Way.values)
    reference = serializers.CharField()
    note = serializers.CharField()
    posting = serializers.UUIDField(source="posting.public_id")


class PaymentPage(serializers.Serializer[Any]):
    payments = PaymentOut(many=True)
    next_offset = serializers.IntegerField(allow_null=True)


class PaymentIn(serializers.Serializer[Any]):
    member = serializers.UUIDField()
    on = serializers.DateField()
    amount_minor = serializers.IntegerField()
    currency = serializers.CharField(max_length=3, required=False, default="")
    way = serializers.CharField(max_length=10, required=False, default=str(Payment.Way.BANK.value))
    reference = serializers.CharField(max_length=40, required=False, allow_blank=True, default="")
    note = serializers.CharField(max_length=200, required=False, allow_blank=True, default="")
    key = serializers.CharField(max_length=100)


class StatementOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")
    number = serializers.IntegerField()
    member = serializers.UUIDField(source="member.public_id")
    firing = serializers.UUIDField(source="settlement.firing.public_id")
    settlement = serializers.UUIDField(source="settlement.public_id")
    is_reversed = serializers.SerializerMethodField()
    reference = serializers.CharField()
    total_minor = serializers.IntegerField()
    balance_minor = serializers.IntegerField()
    made_at = serializers.DateTimeField()
    document = serializers.UUIDField(source="document.public_id", allow_null=True, default=None)

    def get_is_reversed(self, row: Any) -> bool:
        return bool(row.settlement.state == "reversed")


class StatementPage(serializers.Serializer[Any]):
    statements = StatementOut(many=True)
    next_offset = serializers.IntegerField(allow_null=True)


class LineOut(serializers.Serializer[Any]):
    account = serializers.CharField(source="account.code")
    account_name = serializers.CharField(source="account.name")
    amount_minor = serializers.IntegerField()


class PostingOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")
    number = serializers.IntegerField()
    kind = serializers.CharField()
    on = serializers.DateField()
    at = serializers.DateTimeField()
    by = serializers.CharField(source="by.name", allow_null=True, default=None)
    text = serializers.CharField()
    currency = serializers.CharField()
    reverses = serializers.IntegerField(source="reverses.number", allow_null=True, default=None)
    lines = LineOut(many=True, source="lines.all")
    previous_hash = serializers.CharField()
    hash = serializers.CharField()


class LedgerPage(serializers.Serializer[Any]):
    postings = PostingOut(many=True)
    cursor = serializers.IntegerField(allow_null=True, help_text="Give it back as cursor for older postings.")
    head_hash = serializers.CharField()


def _number(request: Request, name: str, *, default: int, most: int) -> int:
    """A whole number of the query string. Raises Malformed."""
    text = request.query_params.get(name, str(default))
    if text.isascii() and text.isdecimal() and len(text) <= 10 and int(text) <= most:
        return int(text)
    sentence = f"“{text[:20]}” will not do; give a whole number from 0 to {most}."
    raise Malformed([f"{name}: {sentence}"], fields={name: [sentence]})


def page_asked(request: Request) -> tuple[int, int]:
    """From which row on, and how many, as ``SLICE`` asks. Raises Malformed."""
    return _number(request, "offset", default=0, most=10**9), max(1, _number(request, "limit", default=50, most=_MOST))


SLICE = [
    OpenApiParameter("offset", OpenApiTypes.INT, description="How many to leave out from the newest on."),
    OpenApiParameter("limit", OpenApiTypes.INT, description="How many to give, 200 at most."),
]


class Balances(CoopAPIView):
    @extend_schema(operation_id="balances_list", responses=BalanceList)
    def get(self, request: Request) -> Response:
        """Open balances of all members for the treasurer, one's own for everybody else; plus is to pay."""
        if allowed(check_treasurer, self.membership):
            rows = balances.balances(self.coop)
        else:
            minor = ledger.balance_of(self.membership)
            rows = [balances.Balance(self.membership, minor, self.coop.currency)]
        return Response(BalanceList({"balances": rows}).data)


class Payments(CoopAPIView):
    @extend_schema(operation_id="payments_list", parameters=SLICE, responses=PaymentPage)
    def get(self, request: Request) -> Response:
        """Payments, newest first: all for the treasurer, one's own for everybody else."""
        rows = balances.payments(self.coop)
        if not allowed(check_treasurer, self.membership):
            rows = rows.filter(member=self.membership)
        start, limit = page_asked(request)
        found = list(rows[start : start + limit + 1])
        more = start + limit if len(found) > limit else None
        return Response(PaymentPage({"payments": found[:limit], "next_offset": more}).data)

    @extend_schema(operation_id="payments_record", request=PaymentIn, responses={201: PaymentOut})
    def post(self, request: Request) -> Response:
        """Record a payment (minus: paid out); the same ``key`` again adds nothing."""
        said = self.read(PaymentIn)
        member = said.pop("member")
        row = services.record_payment(self.coop, by=self.membership, now=timezone.now(), member_id=member, **said)
        return Response(PaymentOut(row).data, status=201)


class Statements(CoopAPIView):
    @extend_schema(operation_id="statements_list", parameters=SLICE, responses=StatementPage)
    def get(self, request: Request) -> Response:
        """Statements, newest first: all for the treasurer, one's own for everybody else."""
        rows = balances.statements(self.coop)
        if not allowed(check_treasurer, self.membership):
            rows = rows.filter(member=self.membership)
        start, limit = page_asked(request)
        found = list(rows[start : start + limit + 1])
        more = start + limit if len(found) > limit else None
        return Response(StatementPage({"statements": found[:limit], "next_offset": more}).data)


class OneStatement(CoopAPIView):
    @extend_schema(operation_id="statements_read", responses=StatementOut)
    def get(self, request: Request, statement: UUID) -> Response:
        """One statement; its paper is the document."""
        return Response(StatementOut(balances.statement_of(self.coop, statement, self.membership)).data)


class Ledger(CoopAPIView):
    @extend_schema(
        operation_id="ledger_list",
        parameters=[
            OpenApiParameter("cursor", OpenApiTypes.INT, description="Only postings with a lower number."),
            OpenApiParameter("limit", OpenApiTypes.INT, description="How many to give, 200 at most."),
        ],
        responses=LedgerPage,
    )
    def get(self, request: Request) -> Response:
        """Postings with their lines, newest first."""
        check_reads_ledger(self.membership)
        below = _number(request, "cursor", default=0, most=10**9) or None
        limit = max(1, _number(request, "limit", default=50, most=_MOST))
        page = ledger.postings_page(self.coop, below=below, limit=limit)
        shown = {"postings": page.postings, "cursor": page.older, "head_hash": ledger.head_hash(self.coop)}
        return Response(LedgerPage(shown).data)


urls = [
    path("balances/", Balances.as_view()),
    path("payments/", Payments.as_view()),
    path("statements/", Statements.as_view()),
    path("statements/<uuid:statement>/", OneStatement.as_view()),
    path("ledger/", Ledger.as_view()),
]
