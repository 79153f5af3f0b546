"""Load plans of a firing: propose, read, accept, tick off."""

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
from firings.models import Layer, LoadPlan, Placement
from firings.queries import load_plans as queries
from firings.queries.firings import firing_of
from firings.services import load_plans as services


class ProposeSerializer(serializers.Serializer[Any]):
    """``seed``: the same pieces and seed give the same plan."""

    seed = serializers.IntegerField(default=1, min_value=1, max_value=1_000_000)


class LoadPlanAskedSerializer(serializers.Serializer[Any]):
    """A computation that was asked for."""

    computation = serializers.UUIDField(source="public_id")
    state = serializers.CharField()


class LoadPlanSerializer(serializers.Serializer[Any]):
    """A load plan; ``request`` is load-request/1 and ``plan`` load-plan/1."""

    id = serializers.UUIDField(source="public_id")
    version = serializers.IntegerField()
    state = serializers.CharField()
    made_at = serializers.DateTimeField()
    accepted_at = serializers.DateTimeField(allow_null=True)
    request = serializers.DictField()
    plan = serializers.DictField()


class PlacementSerializer(serializers.Serializer[Any]):
    """One pot on a board: centre in tenths of a mm from the board's corner."""

    id = serializers.UUIDField(source="public_id")
    layer = serializers.UUIDField(source="layer.public_id")
    zone = serializers.CharField(source="layer.zone.zone.name")
    layer_number = serializers.IntegerField(source="layer.number")
    board = serializers.IntegerField()
    piece = serializers.UUIDField(source="piece.public_id")
    copy = serializers.IntegerField()
    x_dmm = serializers.IntegerField()
    y_dmm = serializers.IntegerField()
    is_turned = serializers.BooleanField()
    loaded_at = serializers.DateTimeField(allow_null=True)


class TickSerializer(serializers.Serializer[Any]):
    """Whether it stands in the kiln."""

    loaded = serializers.BooleanField()


class LoadPlanView(CoopAPIView):
    """The accepted load plan, else the newest proposal; ask for a new one."""

    @extend_schema(operation_id="load_plan_read", responses=LoadPlanSerializer)
    def get(self, request: Request, firing: UUID) -> Response:
        row = queries.plan_of(firing_of(self.coop, firing))
        if row is None:
            raise NotFound("There is no load plan yet.")
        return Response(LoadPlanSerializer(row).data)

    @extend_schema(
        operation_id="load_plan_propose", request=ProposeSerializer, responses={202: LoadPlanAskedSerializer}
    )
    def post(self, request: Request, firing: UUID) -> Response:
        asked = services.propose(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            firing_id=firing,
            seed=self.read(ProposeSerializer)["seed"],
        )
        return Response(LoadPlanAskedSerializer(asked).data, status=202)


class AcceptView(CoopAPIView):
    """Make a proposal the plan to load by."""

    @extend_schema(operation_id="load_plan_accept", request=None, responses=LoadPlanSerializer)
    def post(self, request: Request, firing: UUID, plan: UUID) -> Response:
        found = LoadPlan.objects.of(self.coop).filter(firing=firing_of(self.coop, firing), public_id=plan)
        if not found.exists():
            raise NotFound("There is no such load plan here.")
        row = services.accept(self.coop, by=self.membership, now=timezone.now(), plan_id=plan)
        return Response(LoadPlanSerializer(row).data)


class PlacementsView(CoopAPIView):
    """Where every pot stands on the accepted plan."""

    @extend_schema(operation_id="placements_list", responses=PlacementSerializer(many=True))
    def get(self, request: Request, firing: UUID) -> Response:
        rows = (
            Placement.objects.of(self.coop)
            .filter(layer__plan__firing=firing_of(self.coop, firing), layer__plan__state=LoadPlan.State.ACCEPTED)
            .select_related("layer__zone__zone", "piece")
        )
        return Response(PlacementSerializer(rows, many=True).data)


class PlacementView(CoopAPIView):
    """Tick one pot as loaded, or take the tick back."""

    @extend_schema(operation_id="placement_tick", request=TickSerializer, responses=PlacementSerializer)
    def post(self, request: Request, firing: UUID, placement: UUID) -> Response:
        found = Placement.objects.of(self.coop).filter(
            layer__plan__firing=firing_of(self.coop, firing), public_id=placement
        )
        if not found.exists():
            raise NotFound("There is no such place on a load plan here.")
        row = services.tick(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            placement_id=placement,
            loaded=self.read(TickSerializer)["loaded"],
        )
        return Response(PlacementSerializer(row).data)


class LayerView(CoopAPIView):
    """Tick a whole layer as loaded, or take its ticks back."""

    @extend_schema(operation_id="layer_tick", request=TickSerializer, responses=PlacementSerializer(many=True))
    def post(self, request: Request, firing: UUID, layer: UUID) -> Response:
        found = Layer.objects.of(self.coop).filter(plan__firing=firing_of(self.coop, firing), public_id=layer)
        if not found.exists():
            raise NotFound("There is no such layer here.")
        row = services.tick_layer(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            layer_id=layer,
            loaded=self.read(TickSerializer)["loaded"],
        )
        rows = row.placements.select_related("layer__zone__zone", "piece")
        return Response(PlacementSerializer(rows, many=True).data)


_PLAN = "firings/<uuid:firing>/load-plan/"
urls = [
    path(_PLAN, LoadPlanView.as_view(), name="api_load_plan"),
    path(f"{_PLAN}placements/", PlacementsView.as_view(), name="api_placements"),
    path(f"{_PLAN}placements/<uuid:placement>/", PlacementView.as_view(), name="api_placement"),
    path(f"{_PLAN}layers/<uuid:layer>/", LayerView.as_view(), name="api_layer"),
    path(f"{_PLAN}<uuid:plan>/accept/", AcceptView.as_view(), name="api_load_plan_accept"),
]
