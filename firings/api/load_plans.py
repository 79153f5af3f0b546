"""Load plans of a firing: propose, read, change by hand, accept, tick off."""

from __future__ import annotations

from dataclasses import asdict
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
from firings.load_plan import moves
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


class SpotSerializer(serializers.Serializer[Any]):
    """Where a pot stands: zone, layer from its floor and board (1 is the first), the piece's id in the plan, and its
    centre in tenths of a mm from the board's corner."""

    zone = serializers.CharField()
    layer = serializers.IntegerField()
    board = serializers.IntegerField()
    piece = serializers.CharField()
    x_dmm = serializers.IntegerField()
    y_dmm = serializers.IntegerField()


class StepSerializer(serializers.Serializer[Any]):
    """One step by hand: ``nudge`` (spot, dx_mm, dy_mm), ``turn`` and ``take_out`` (spot), ``carry`` (spot, zone, layer,
    board, perhaps x_dmm, y_dmm), ``swap`` (spot, other), ``put_in`` (piece, zone, layer, board, perhaps x_dmm, y_dmm),
    ``height`` (zone, layer, height_mm)."""

    do = serializers.ChoiceField(choices=moves.STEPS)
    spot = SpotSerializer(required=False)
    other = SpotSerializer(required=False)
    piece = serializers.CharField(required=False, max_length=100)
    zone = serializers.CharField(required=False, max_length=100)
    layer = serializers.IntegerField(required=False)
    board = serializers.IntegerField(required=False)
    x_dmm = serializers.IntegerField(required=False, allow_null=True)
    y_dmm = serializers.IntegerField(required=False, allow_null=True)
    dx_mm = serializers.IntegerField(required=False)
    dy_mm = serializers.IntegerField(required=False)
    height_mm = serializers.IntegerField(required=False)


class ChangeSerializer(serializers.Serializer[Any]):
    """Pots that stand otherwise: ``in``, ``out``, or another ``layer``, ``board``, ``place``, ``turned``."""

    piece = serializers.CharField()
    owner = serializers.CharField()
    count = serializers.IntegerField()
    kind = serializers.CharField()
    before = serializers.CharField()
    after = serializers.CharField()


class ByHandSerializer(serializers.Serializer[Any]):
    """A plan after a step by hand: where the pot stands now, every fault it has, and what it changes of the plan to
    load by (or of the one it was made from)."""

    plan = LoadPlanSerializer()
    spot = SpotSerializer(allow_null=True)
    faults = serializers.ListField(child=serializers.CharField())
    changes = ChangeSerializer(many=True)


class TickSerializer(serializers.Serializer[Any]):
    """Whether it stands in the kiln."""

    loaded = serializers.BooleanField()


class LoadPlanView(CoopAPIView):
    """The accepted load plan, else the newest proposal; ask for a new one, which leaves what is ticked in its place."""

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


class TickUndoView(CoopAPIView):
    """Take back one's own last tick; a whole layer, if that was it."""

    @extend_schema(operation_id="tick_undo", request=None, responses=PlacementSerializer(many=True))
    def post(self, request: Request, firing: UUID) -> Response:
        rows = services.undo_tick(self.coop, by=self.membership, now=timezone.now(), firing_id=firing)
        found = Placement.objects.of(self.coop).filter(pk__in=[row.pk for row in rows])
        return Response(PlacementSerializer(found.select_related("layer__zone__zone", "piece"), many=True).data)


class MovesView(CoopAPIView):
    """Change a plan by one step by hand. The first step makes a proposal of its own, further ones change that."""

    @extend_schema(operation_id="load_plan_move", request=StepSerializer, responses=ByHandSerializer)
    def post(self, request: Request, firing: UUID, plan: UUID) -> Response:
        row = queries.plan_at(self.coop, firing_of(self.coop, firing), plan)
        step = moves.step_from(self.read(StepSerializer))
        made, spot = services.move(self.coop, by=self.membership, now=timezone.now(), plan_id=row.public_id, step=step)
        return _by_hand(made, spot)


class MovesUndoView(CoopAPIView):
    """Take back the last step by hand."""

    @extend_schema(operation_id="load_plan_undo", request=None, responses=ByHandSerializer)
    def post(self, request: Request, firing: UUID, plan: UUID) -> Response:
        row = queries.plan_at(self.coop, firing_of(self.coop, firing), plan)
        made = services.undo_move(self.coop, by=self.membership, now=timezone.now(), plan_id=row.public_id)
        return _by_hand(made, None)


def _by_hand(row: LoadPlan, spot: moves.Spot | None) -> Response:
    changed = queries.changes_of(row)
    told = {
        "plan": row,
        "spot": asdict(spot) if spot is not None else None,
        "faults": queries.faults_of(row),
        "changes": changed.rows if changed is not None else (),
    }
    return Response(ByHandSerializer(told).data)


_PLAN = "firings/<uuid:firing>/load-plan/"
urls = [
    path(_PLAN, LoadPlanView.as_view(), name="api_load_plan"),
    path(f"{_PLAN}placements/", PlacementsView.as_view(), name="api_placements"),
    path(f"{_PLAN}placements/<uuid:placement>/", PlacementView.as_view(), name="api_placement"),
    path(f"{_PLAN}layers/<uuid:layer>/", LayerView.as_view(), name="api_layer"),
    path(f"{_PLAN}ticks/undo/", TickUndoView.as_view(), name="api_tick_undo"),
    path(f"{_PLAN}<uuid:plan>/moves/", MovesView.as_view(), name="api_load_plan_moves"),
    path(f"{_PLAN}<uuid:plan>/moves/undo/", MovesUndoView.as_view(), name="api_load_plan_undo"),
    path(f"{_PLAN}<uuid:plan>/accept/", AcceptView.as_view(), name="api_load_plan_accept"),
]
