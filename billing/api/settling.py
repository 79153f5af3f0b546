"""Receipts and cost shares of a firing as JSON: entered, drafted, asked about, posted, reversed."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.urls import path
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from billing import services
from billing.models import Pool, Settlement
from billing.queries import settlements as queries
from billing.queries.costs import costs_of, is_out_of_date, standing_receipts
from coop.api_ground import CoopAPIView
from firings.access import check_takes_part
from firings.queries.firings import firing_of
from firings.tables import MAX_BYTES, read_receipts


class ReceiptOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")
    on = serializers.DateField()
    pool = serializers.ChoiceField(choices=Pool.values)
    amount_minor = serializers.IntegerField()
    currency = serializers.CharField()
    paid_by = serializers.UUIDField(source="paid_by.public_id", allow_null=True, default=None)
    supplier = serializers.CharField()
    note = serializers.CharField()
    entered_at = serializers.DateTimeField()
    withdrawn_at = serializers.DateTimeField(allow_null=True)


class ReceiptList(serializers.Serializer[Any]):
    receipts = ReceiptOut(many=True)


class ReceiptIn(serializers.Serializer[Any]):
    on = serializers.DateField()
    pool = serializers.CharField(max_length=20)
    amount_minor = serializers.IntegerField()
    currency = serializers.CharField(max_length=3, required=False, default="")
    paid_by = serializers.UUIDField(required=False, allow_null=True, default=None)
    supplier = serializers.CharField(max_length=120, required=False, allow_blank=True, default="")
    note = serializers.CharField(max_length=200, required=False, allow_blank=True, default="")
    picture = serializers.UUIDField(required=False, allow_null=True, default=None, help_text="A photo sent before.")


class ReceiptsCsvIn(serializers.Serializer[Any]):
    csv = serializers.CharField(max_length=MAX_BYTES, trim_whitespace=False)


class ShareOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")
    pool = serializers.CharField(source="pool.pool")
    amount_minor = serializers.IntegerField()
    weight = serializers.CharField(source="working.weight")
    of = serializers.CharField(source="working.of")
    exact = serializers.CharField(source="working.exact")
    sentence = serializers.CharField(source="working.sentence")


class MemberShares(serializers.Serializer[Any]):
    member = serializers.UUIDField(source="member.public_id")
    name = serializers.CharField(source="member.name")
    shares = ShareOut(many=True)
    total_minor = serializers.IntegerField()
    total_sentence = serializers.CharField()
    credit_minor = serializers.IntegerField()


class PoolOut(serializers.Serializer[Any]):
    pool = serializers.CharField()
    key = serializers.CharField()
    bill_minor = serializers.IntegerField()
    fund_minor = serializers.IntegerField()


class SettlementOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")
    firing = serializers.UUIDField(source="firing.public_id")
    version = serializers.IntegerField()
    state = serializers.ChoiceField(choices=Settlement.State.values)
    drafted_at = serializers.DateTimeField()
    questions_until = serializers.DateTimeField(allow_null=True)
    posted_at = serializers.DateTimeField(allow_null=True)
    posting = serializers.UUIDField(source="posting.public_id", allow_null=True, default=None)


class SharesOut(serializers.Serializer[Any]):
    settlement = SettlementOut()
    currency = serializers.CharField()
    is_out_of_date = serializers.BooleanField()
    pools = PoolOut(many=True)
    members = MemberShares(many=True)
    notes = serializers.ListField(child=serializers.CharField())


class PostIn(serializers.Serializer[Any]):
    early = serializers.BooleanField(required=False, default=False)


class ReasonIn(serializers.Serializer[Any]):
    why = serializers.CharField(max_length=120, allow_blank=True)


class ReversalOut(serializers.Serializer[Any]):
    posting = serializers.UUIDField(source="public_id")
    number = serializers.IntegerField()
    text = serializers.CharField()


class QuestionIn(serializers.Serializer[Any]):
    share = serializers.UUIDField(required=False, allow_null=True, default=None)
    text = serializers.CharField(max_length=10_000, allow_blank=True)


class AnswerIn(serializers.Serializer[Any]):
    text = serializers.CharField(max_length=10_000, allow_blank=True)


class QuestionOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")
    share = serializers.UUIDField(source="share.public_id", allow_null=True, default=None)
    asked_by = serializers.CharField(source="asked_by.name")
    asked_at = serializers.DateTimeField()
    text = serializers.CharField()
    answer = serializers.CharField()
    answered_by = serializers.CharField(source="answered_by.name", allow_null=True, default=None)
    answered_at = serializers.DateTimeField(allow_null=True)


class QuestionList(serializers.Serializer[Any]):
    questions = QuestionOut(many=True)


class Receipts(CoopAPIView):
    @extend_schema(operation_id="receipts_list", responses=ReceiptList)
    def get(self, request: Request, firing: UUID) -> Response:
        """Receipts of a firing that count."""
        row = firing_of(self.coop, firing)
        check_takes_part(self.membership, row)
        return Response(ReceiptList({"receipts": standing_receipts(row)}).data)

    @extend_schema(operation_id="receipts_take", request=ReceiptIn, responses={201: ReceiptOut})
    def post(self, request: Request, firing: UUID) -> Response:
        """Enter one receipt; a refund is negative."""
        said = self.read(ReceiptIn)
        paid_by = said.pop("paid_by")
        row = services.take_receipt(
            self.coop, by=self.membership, now=timezone.now(), firing_id=firing, paid_by_id=paid_by, **said
        )
        return Response(ReceiptOut(row).data, status=201)


class ReceiptsCsv(CoopAPIView):
    @extend_schema(operation_id="receipts_take_csv", request=ReceiptsCsvIn, responses={201: ReceiptList})
    def post(self, request: Request, firing: UUID) -> Response:
        """Enter all receipts of a CSV text, or none and every fault by row."""
        text = self.read(ReceiptsCsvIn)["csv"]
        table = read_receipts(text, currency=self.coop.currency, not_after=timezone.localdate())
        rows = services.take_receipts(
            self.coop, by=self.membership, now=timezone.now(), firing_id=firing, rows=table.require()
        )
        return Response(ReceiptList({"receipts": rows}).data, status=201)


class OneReceipt(CoopAPIView):
    @extend_schema(operation_id="receipts_withdraw", request=None, responses=ReceiptOut)
    def delete(self, request: Request, receipt: UUID) -> Response:
        """Withdraw a receipt; it stays on record and no longer counts."""
        row = services.withdraw_receipt(self.coop, by=self.membership, now=timezone.now(), receipt_id=receipt)
        return Response(ReceiptOut(row).data)


class Draft(CoopAPIView):
    @extend_schema(operation_id="settlements_draft", request=None, responses={201: SettlementOut})
    def post(self, request: Request, firing: UUID) -> Response:
        """Draft the cost shares from what stands now; an earlier draft is replaced."""
        row = services.draft_shares(self.coop, by=self.membership, now=timezone.now(), firing_id=firing)
        return Response(SettlementOut(row).data, status=201)


class Shares(CoopAPIView):
    @extend_schema(operation_id="settlements_shares", responses=SharesOut)
    def get(self, request: Request, settlement: UUID) -> Response:
        """Pools and members with the working behind every figure."""
        row = queries.settlement_of(self.coop, settlement)
        check_takes_part(self.membership, row.firing)
        table = queries.shares_table(row)
        members = [
            {
                "member": line.member,
                "shares": [cell.share for cell in line.cells if cell.share],
                "total_minor": line.total_minor,
                "total_sentence": line.total_sentence,
                "credit_minor": line.credit_minor,
            }
            for line in table.rows
        ]
        is_open = row.state in (Settlement.State.DRAFT, Settlement.State.QUESTIONS)
        shown = {
            "settlement": row,
            "currency": self.coop.currency,
            "is_out_of_date": is_open and is_out_of_date(row, costs_of(row.firing)),
            "pools": table.pools,
            "members": members,
            "notes": table.notes,
        }
        return Response(SharesOut(shown).data)


class Open(CoopAPIView):
    @extend_schema(operation_id="settlements_open", request=None, responses=SettlementOut)
    def post(self, request: Request, settlement: UUID) -> Response:
        """Open the draft for questions; everybody with a share is mailed."""
        row = services.open_questions(self.coop, by=self.membership, now=timezone.now(), settlement_id=settlement)
        return Response(SettlementOut(row).data)


class Post(CoopAPIView):
    @extend_schema(operation_id="settlements_post", request=PostIn, responses=SettlementOut)
    def post(self, request: Request, settlement: UUID) -> Response:
        """Post the cost shares for good; ``early`` confirms posting before the time for questions is over."""
        row = services.post_shares(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            settlement_id=settlement,
            early=self.read(PostIn)["early"],
        )
        return Response(SettlementOut(row).data)


class Reverse(CoopAPIView):
    @extend_schema(operation_id="settlements_reverse", request=ReasonIn, responses=ReversalOut)
    def post(self, request: Request, settlement: UUID) -> Response:
        """Undo posted cost shares by a reversing posting that gives the reason."""
        row = services.reverse(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            settlement_id=settlement,
            why=self.read(ReasonIn)["why"],
        )
        return Response(ReversalOut(row).data)


class Questions(CoopAPIView):
    @extend_schema(operation_id="questions_list", responses=QuestionList)
    def get(self, request: Request, settlement: UUID) -> Response:
        """Every question on the cost shares of this firing, of replaced drafts too."""
        row = queries.settlement_of(self.coop, settlement)
        check_takes_part(self.membership, row.firing)
        return Response(QuestionList({"questions": queries.questions_of(row.firing)}).data)

    @extend_schema(operation_id="questions_ask", request=QuestionIn, responses={201: QuestionOut})
    def post(self, request: Request, settlement: UUID) -> Response:
        """Ask in writing, about one share or all."""
        said = self.read(QuestionIn)
        row = services.ask(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            settlement_id=settlement,
            share_id=said["share"],
            text=said["text"],
        )
        return Response(QuestionOut(row).data, status=201)


class Answer(CoopAPIView):
    @extend_schema(operation_id="questions_answer", request=AnswerIn, responses=QuestionOut)
    def post(self, request: Request, question: UUID) -> Response:
        """Answer in writing; who asked is mailed."""
        row = services.answer(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            question_id=question,
            text=self.read(AnswerIn)["text"],
        )
        return Response(QuestionOut(row).data)


urls = [
    path("firings/<uuid:firing>/receipts/", Receipts.as_view()),
    path("firings/<uuid:firing>/receipts/csv/", ReceiptsCsv.as_view()),
    path("receipts/<uuid:receipt>/", OneReceipt.as_view()),
    path("firings/<uuid:firing>/settlements/", Draft.as_view()),
    path("settlements/<uuid:settlement>/shares/", Shares.as_view()),
    path("settlements/<uuid:settlement>/open/", Open.as_view()),
    path("settlements/<uuid:settlement>/post/", Post.as_view()),
    path("settlements/<uuid:settlement>/reverse/", Reverse.as_view()),
    path("settlements/<uuid:settlement>/questions/", Questions.as_view()),
    path("questions/<uuid:question>/answer/", Answer.as_view()),
]
