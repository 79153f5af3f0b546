"""Sharing out the space: the draw, proposals with their working, the lead's word; and “does it fit?”."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.urls import path
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from coop.api_ground import CoopAPIView
from coop.errors import NotFound
from firings.api.space import PieceCreateSerializer, spec_from
from firings.queries import allotments as queries
from firings.queries import fits as fit_queries
from firings.queries.firings import firing_of
from firings.services import allotments as services
from firings.services import fits


class DrawSerializer(serializers.Serializer[Any]):
    """The draw of a firing. ``commitment`` is the SHA-256 of the seed, which opens with the first proposal."""

    commitment = serializers.CharField()
    seed = serializers.CharField(allow_blank=True)
    opened_at = serializers.DateTimeField(allow_null=True)


class MemberGrantSerializer(serializers.Serializer[Any]):
    """One member's line: asked, weight, granted and the sum behind it, and what goes in, ml."""

    id = serializers.UUIDField(source="member_id")
    name = serializers.CharField()
    asked_ml = serializers.IntegerField()
    weight = serializers.CharField(help_text="An exact fraction as text.")
    weight_why = serializers.CharField()
    granted_ml = serializers.IntegerField()
    why = serializers.CharField()
    used_ml = serializers.IntegerField()
    beyond_ml = serializers.IntegerField(help_text="The part of used_ml that no grant could use.")
    draw = serializers.CharField(help_text="SHA-256 of seed|id; the lowest comes first.")


class WaitingPieceSerializer(serializers.Serializer[Any]):
    """A row of pieces that waits under this allotment."""

    place = serializers.IntegerField()
    piece = serializers.CharField()
    member = serializers.CharField()
    ml = serializers.IntegerField()


class AllotmentSerializer(serializers.Serializer[Any]):
    """A proposal to share out the space, or the one that was accepted. ``request`` is allotment/1."""

    id = serializers.UUIDField(source="row.public_id")
    version = serializers.IntegerField(source="row.version")
    state = serializers.CharField(source="row.state", help_text="proposed, accepted or replaced")
    rule = serializers.CharField(source="row.rule")
    made_at = serializers.DateTimeField(source="row.made_at")
    accepted_at = serializers.DateTimeField(source="row.accepted_at", allow_null=True)
    is_stale = serializers.BooleanField(help_text="Pieces have changed since; accepting it proposes anew.")
    capacity_ml = serializers.IntegerField()
    asked_ml = serializers.IntegerField()
    members = MemberGrantSerializer(many=True)
    waiting = WaitingPieceSerializer(many=True)
    notes = serializers.ListField(child=serializers.CharField())
    request = serializers.JSONField(source="row.request")


class UnplacedSerializer(serializers.Serializer[Any]):
    """Pots for which the planner finds no place."""

    name = serializers.CharField()
    owner = serializers.CharField()
    count = serializers.IntegerField()
    reason = serializers.CharField()


class FillerSerializer(serializers.Serializer[Any]):
    """A handy size that still goes in: how many, mm across, mm tall."""

    count = serializers.IntegerField()
    d = serializers.IntegerField()
    h = serializers.IntegerField()


class FitPlanSerializer(serializers.Serializer[Any]):
    """The newest plan of everything that holds space."""

    made_at = serializers.DateTimeField()
    is_stale = serializers.BooleanField()
    fits = serializers.BooleanField()
    pots = serializers.IntegerField()
    unplaced = UnplacedSerializer(many=True)
    filler = FillerSerializer(many=True)


class FitQuestionSerializer(PieceCreateSerializer):
    """A piece that is asked about; nothing is booked. ``changes``: it would take the place of this piece."""

    changes = serializers.UUIDField(required=False, allow_null=True, default=None)


class FitAnswerSerializer(serializers.Serializer[Any]):
    """``fits``: the planner finds a place for every pot. ``holds``: the litres of a zone take it at once."""

    fits = serializers.BooleanField()
    holds = serializers.BooleanField()
    zone = serializers.CharField()
    place = serializers.IntegerField(help_text="Place on the waiting list where it would wait, else 0.")
    asked_ml = serializers.IntegerField()
    over_cap = serializers.CharField(allow_blank=True)
    turned_away = UnplacedSerializer(many=True)
    instead = UnplacedSerializer(many=True)
    filler = FillerSerializer(many=True)
    seconds = serializers.FloatField()


class DrawView(CoopAPIView):
    """The draw: its commitment, and the seed once it is open."""

    @extend_schema(operation_id="draw", responses=DrawSerializer)
    def get(self, request: Request, firing: UUID) -> Response:
        return Response(DrawSerializer(queries.draw_of(firing_of(self.coop, firing))).data)


class AllotmentsView(CoopAPIView):
    """Propose to share out the space; read the allotment that stands, or the newest proposal."""

    @extend_schema(operation_id="allotment", responses=AllotmentSerializer)
    def get(self, request: Request, firing: UUID) -> Response:
        row = queries.allotment_of(self.coop, firing_of(self.coop, firing))
        if row is None:
            raise NotFound("No allotment has been proposed for this firing yet.")
        return Response(AllotmentSerializer(queries.view_of(row, member=self.membership)).data)

    @extend_schema(operation_id="allotment_propose", request=None, responses={201: AllotmentSerializer})
    def post(self, request: Request, firing: UUID) -> Response:
        row = services.propose(self.coop, by=self.membership, now=timezone.now(), firing_id=firing)
        return Response(AllotmentSerializer(queries.view_of(row, member=self.membership)).data, status=201)


class AllotmentAcceptView(CoopAPIView):
    """Share out the space as proposed. 409 where pieces have changed since; then a new proposal is made."""

    @extend_schema(operation_id="allotment_accept", request=None, responses=AllotmentSerializer)
    def post(self, request: Request, firing: UUID, allotment: UUID) -> Response:
        queries.allotment_of(self.coop, firing_of(self.coop, firing), allotment)
        row = services.accept_or_propose(self.coop, by=self.membership, now=timezone.now(), allotment_id=allotment)
        return Response(AllotmentSerializer(queries.view_of(row, member=self.membership)).data)


class FitPlanView(CoopAPIView):
    """Whether everything that holds space fits, by the newest plan; or a question about one more piece."""

    needs_key = False  # a question changes nothing

    @extend_schema(operation_id="fit_plan", responses=FitPlanSerializer)
    def get(self, request: Request, firing: UUID) -> Response:
        view = fit_queries.view_of(firing_of(self.coop, firing))
        if view is None:
            raise NotFound("Nothing has been planned for this firing yet; it is after the first booking.")
        return Response(FitPlanSerializer(view).data)

    @extend_schema(operation_id="does_it_fit", request=FitQuestionSerializer, responses=FitAnswerSerializer)
    def post(self, request: Request, firing: UUID) -> Response:
        said = self.read(FitQuestionSerializer)
        fits.check_ready()
        answer = fits.look(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            firing_id=firing,
            piece=spec_from(said),
            member_id=said["member"],
            piece_id=said["changes"],
        )
        return Response(FitAnswerSerializer(answer).data)


_FIRING = "firings/<uuid:firing>/"
urls = [
    path(f"{_FIRING}draw/", DrawView.as_view(), name="api_draw"),
    path(f"{_FIRING}allotment/", AllotmentsView.as_view(), name="api_allotment"),
    path(f"{_FIRING}allotment/<uuid:allotment>/accept/", AllotmentAcceptView.as_view(), name="api_allotment_accept"),
    path(f"{_FIRING}fits/", FitPlanView.as_view(), name="api_fits"),
]
