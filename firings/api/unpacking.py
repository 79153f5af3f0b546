"""Outcomes and damage over the API."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.core.paginator import Paginator
from django.urls import path
from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from coop.api_ground import CoopAPIView
from firings.access import check_takes_part
from firings.models import Damage, Firing, Outcome, Piece
from firings.queries import unpacking as queries
from firings.queries.firings import firing_of
from firings.services import unpacking as services

PAGE = 50


class OutcomeIn(serializers.Serializer[Any]):
    counts = serializers.DictField(
        child=serializers.IntegerField(min_value=0),
        help_text="How many with which result: good, flawed, underfired, stuck, broken, missing.",
    )
    note = serializers.CharField(required=False, allow_blank=True, max_length=200)


class OutcomeOut(serializers.Serializer[Any]):
    result = serializers.ChoiceField(choices=Outcome.Result.choices)
    count = serializers.IntegerField()
    note = serializers.CharField(allow_blank=True)
    at = serializers.DateTimeField()


class PieceOutcomeOut(serializers.Serializer[Any]):
    piece_id = serializers.UUIDField()
    name = serializers.CharField()
    count = serializers.IntegerField()
    member_id = serializers.UUIDField()
    outcomes = OutcomeOut(many=True)


class OutcomesOut(serializers.Serializer[Any]):
    count = serializers.IntegerField()
    page = serializers.IntegerField()
    pages = serializers.IntegerField()
    pieces = PieceOutcomeOut(many=True)


class RestOut(serializers.Serializer[Any]):
    rows = serializers.IntegerField(help_text="Rows of pieces written down as good.")


class DamageIn(serializers.Serializer[Any]):
    what = serializers.CharField(max_length=20, help_text="board, post, kiln, piece or zone.")
    count = serializers.IntegerField(required=False, default=1)
    cause = serializers.CharField(
        required=False, default="unknown", max_length=20, help_text="material, loading, firing, age or unknown."
    )
    piece_id = serializers.UUIDField(required=False, allow_null=True)
    zone_id = serializers.UUIDField(required=False, allow_null=True, help_text="The zone that stayed under-fired.")
    note = serializers.CharField(max_length=2000)


class DecisionIn(serializers.Serializer[Any]):
    bearer = serializers.CharField(max_length=20, help_text="member, all, reserve or nobody.")
    borne_by_id = serializers.UUIDField(required=False, allow_null=True)
    amount_minor = serializers.IntegerField(required=False, allow_null=True)


class DamageOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    what = serializers.CharField()
    count = serializers.IntegerField()
    cause = serializers.CharField()
    piece_id = serializers.UUIDField(allow_null=True)
    note = serializers.CharField()
    reported_at = serializers.DateTimeField()
    bearer = serializers.CharField()
    borne_by_id = serializers.UUIDField(allow_null=True)
    amount_minor = serializers.IntegerField(allow_null=True)
    currency = serializers.CharField()
    decided_at = serializers.DateTimeField(allow_null=True)
    agreed_at = serializers.DateTimeField(
        allow_null=True, help_text="When a second person agreed; from then it counts."
    )


def _outcomes(rows: Any) -> list[dict[str, Any]]:
    return [{"result": row.result, "count": row.count, "note": row.note, "at": row.at} for row in rows]


def _piece(piece: Piece) -> dict[str, Any]:
    return {
        "piece_id": piece.public_id,
        "name": piece.name,
        "count": piece.count,
        "member_id": piece.booking.member.public_id,
        "outcomes": _outcomes(piece.outcomes.all()),
    }


def _damage(row: Damage, currency: str) -> dict[str, Any]:
    return {
        "id": row.public_id,
        "what": row.what,
        "count": row.count,
        "cause": row.cause,
        "piece_id": row.piece.public_id if row.piece is not None else None,
        "note": row.note,
        "reported_at": row.reported_at,
        "bearer": row.bearer,
        "borne_by_id": row.borne_by.public_id if row.borne_by is not None else None,
        "amount_minor": row.amount_minor,
        "currency": currency,
        "decided_at": row.decided_at,
        "agreed_at": row.agreed_at,
    }


class _OfFiring(CoopAPIView):
    def seen(self, firing: UUID) -> Firing:
        found = firing_of(self.coop, firing)
        check_takes_part(self.membership, found)
        return found


class OutcomesView(_OfFiring):
    @extend_schema(
        operation_id="outcomes_list",
        parameters=[OpenApiParameter("page", OpenApiTypes.INT, description="From 1; 50 rows of pieces a page.")],
        responses=OutcomesOut,
    )
    def get(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """What became of every row of pieces."""
        page = Paginator(queries.pieces_of(self.seen(firing)), PAGE).get_page(request.query_params.get("page", "1"))
        said = {
            "count": page.paginator.count,
            "page": page.number,
            "pages": page.paginator.num_pages,
            "pieces": [_piece(piece) for piece in page.object_list],
        }
        return Response(OutcomesOut(said).data)


class RestView(CoopAPIView):
    @extend_schema(operation_id="outcomes_rest_is_good", request=None, responses=RestOut)
    def post(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """The lead says that all rows nobody has said anything of are good."""
        rows = services.rest_is_good(self.coop, by=self.membership, now=timezone.now(), firing_id=firing)
        return Response(RestOut({"rows": rows}).data)


class PieceOutcomesView(CoopAPIView):
    @extend_schema(operation_id="outcomes_set", request=OutcomeIn, responses=OutcomeOut(many=True))
    def put(self, request: Request, piece: UUID, **kwargs: Any) -> Response:
        """Say what became of one row of pieces, in place of what was said before."""
        said = self.read(OutcomeIn)
        rows = services.set_outcome(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            piece_id=piece,
            counts=said["counts"],
            note=said.get("note", ""),
        )
        return Response(OutcomeOut(_outcomes(rows), many=True).data)


class DamagesView(_OfFiring):
    @extend_schema(operation_id="damage_list", responses=DamageOut(many=True))
    def get(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """All damage of a firing."""
        rows = queries.damages_of(self.seen(firing))
        return Response(DamageOut([_damage(row, self.coop.currency) for row in rows], many=True).data)

    @extend_schema(operation_id="damage_report", request=DamageIn, responses={201: DamageOut})
    def post(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """Write down damage; who bears it is decided later."""
        said = self.read(DamageIn)
        row = services.report_damage(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            firing_id=firing,
            what=said["what"],
            count=said["count"],
            cause=said["cause"],
            piece_id=said.get("piece_id"),
            zone_id=said.get("zone_id"),
            note=said["note"],
        )
        return Response(DamageOut(_damage(row, self.coop.currency)).data, status=201)


class DecisionView(CoopAPIView):
    @extend_schema(operation_id="damage_decide", request=DecisionIn, responses=DamageOut)
    def post(self, request: Request, damage: UUID, **kwargs: Any) -> Response:
        """Decide who bears damage; never whoever would bear it."""
        said = self.read(DecisionIn)
        row = services.decide_damage(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            damage_id=damage,
            bearer=said["bearer"],
            borne_by_id=said.get("borne_by_id"),
            amount_minor=said.get("amount_minor"),
        )
        return Response(DamageOut(_damage(row, self.coop.currency)).data)


class AgreementView(CoopAPIView):
    @extend_schema(operation_id="damage_agree", request=None, responses=DamageOut)
    def post(self, request: Request, damage: UUID, **kwargs: Any) -> Response:
        """Agree with what was decided on damage, as a second person who neither owns nor bears it."""
        row = services.agree_on_damage(self.coop, by=self.membership, now=timezone.now(), damage_id=damage)
        return Response(DamageOut(_damage(row, self.coop.currency)).data)


urls = [
    path("firings/<uuid:firing>/outcomes/", OutcomesView.as_view(), name="api_outcomes"),
    path("firings/<uuid:firing>/outcomes/rest-is-good/", RestView.as_view(), name="api_outcomes_rest"),
    path("pieces/<uuid:piece>/outcomes/", PieceOutcomesView.as_view(), name="api_piece_outcomes"),
    path("firings/<uuid:firing>/damage/", DamagesView.as_view(), name="api_damage"),
    path("damage/<uuid:damage>/decide/", DecisionView.as_view(), name="api_damage_decide"),
    path("damage/<uuid:damage>/agree/", AgreementView.as_view(), name="api_damage_agree"),
]
