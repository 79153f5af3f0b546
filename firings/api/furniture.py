"""The stock of boards and posts over the API."""

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
from firings.models import FurnitureLot
from firings.queries import furniture as queries
from firings.queries.kilns import kiln_whole
from firings.services import furniture as services


class FurnitureLotOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")
    kind = serializers.ChoiceField(choices=FurnitureLot.Kind.choices)
    zone_id = serializers.UUIDField(source="zone.public_id", allow_null=True, default=None)
    w_mm = serializers.IntegerField(help_text="Boards; 0 for posts.")
    l_mm = serializers.IntegerField()
    thickness_mm = serializers.IntegerField()
    height_mm = serializers.IntegerField(help_text="Posts; 0 for boards.")
    condition = serializers.ChoiceField(choices=FurnitureLot.Condition.choices)
    count = serializers.IntegerField()
    firings = serializers.IntegerField(help_text="Firings done.")
    note = serializers.CharField(allow_blank=True)


class FurnitureOut(serializers.Serializer[Any]):
    furniture = FurnitureLotOut(many=True)


class FurnitureLotIn(serializers.Serializer[Any]):
    kind = serializers.ChoiceField(choices=FurnitureLot.Kind.choices)
    count = serializers.IntegerField()
    w_mm = serializers.IntegerField(required=False, default=0)
    l_mm = serializers.IntegerField(required=False, default=0)
    thickness_mm = serializers.IntegerField(required=False, default=0)
    height_mm = serializers.IntegerField(required=False, default=0)
    zone_id = serializers.UUIDField(required=False, allow_null=True, default=None)
    condition = serializers.ChoiceField(choices=FurnitureLot.Condition.choices, required=False, default="sound")
    firings = serializers.IntegerField(required=False, default=0)
    note = serializers.CharField(required=False, allow_blank=True, default="", max_length=120)


class FurnitureChangeIn(serializers.Serializer[Any]):
    count = serializers.IntegerField(help_text="So many of the row.")
    condition = serializers.ChoiceField(choices=FurnitureLot.Condition.choices)
    zone_id = serializers.UUIDField(required=False, allow_null=True, default=None, help_text="Null: in any zone.")
    note = serializers.CharField(required=False, allow_blank=True, default="", max_length=200)


class FurnitureCountIn(serializers.Serializer[Any]):
    count = serializers.IntegerField(help_text="As counted.")
    note = serializers.CharField(required=False, allow_blank=True, default="", max_length=200)


class FurnitureView(CoopAPIView):
    @extend_schema(operation_id="furniture_list", responses=FurnitureOut)
    def get(self, request: Request, kiln: UUID, **kwargs: Any) -> Response:
        """Boards and posts of a kiln, with condition and firings done."""
        found = kiln_whole(self.coop, kiln)
        return Response(FurnitureOut({"furniture": queries.lots_of(found)}).data)

    @extend_schema(operation_id="furniture_add", request=FurnitureLotIn, responses={201: FurnitureLotOut})
    def post(self, request: Request, kiln: UUID, **kwargs: Any) -> Response:
        """Put boards of one size or posts of one height on the list; a kiln steward may."""
        said = self.read(FurnitureLotIn)
        lot = services.list_furniture(self.coop, by=self.membership, now=timezone.now(), kiln_id=kiln, **said)
        return Response(FurnitureLotOut(lot).data, status=201)


class FurnitureChangeView(CoopAPIView):
    @extend_schema(operation_id="furniture_change", request=FurnitureChangeIn, responses=FurnitureLotOut)
    def post(self, request: Request, lot: UUID, **kwargs: Any) -> Response:
        """So many of a row are in another condition or go elsewhere; answers the row they are in now."""
        said = self.read(FurnitureChangeIn)
        changed = services.change_furniture(self.coop, by=self.membership, now=timezone.now(), lot_id=lot, **said)
        return Response(FurnitureLotOut(changed).data)


class FurnitureCountView(CoopAPIView):
    @extend_schema(operation_id="furniture_count", request=FurnitureCountIn, responses=FurnitureLotOut)
    def post(self, request: Request, lot: UUID, **kwargs: Any) -> Response:
        """Stock-taking of one row."""
        said = self.read(FurnitureCountIn)
        counted = services.count_furniture(self.coop, by=self.membership, now=timezone.now(), lot_id=lot, **said)
        return Response(FurnitureLotOut(counted).data)


urls = [
    path("kilns/<uuid:kiln>/furniture/", FurnitureView.as_view(), name="api_furniture"),
    path("furniture/<uuid:lot>/changes/", FurnitureChangeView.as_view(), name="api_furniture_change"),
    path("furniture/<uuid:lot>/counts/", FurnitureCountView.as_view(), name="api_furniture_count"),
]
