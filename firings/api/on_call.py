"""Who is on call and who is at a watch, over the API."""

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
from coop.models import Membership
from firings.models import WatchPresence
from firings.queries import on_call as queries
from firings.queries.firings import firing_of
from firings.services import on_call as services


class OnCallOut(serializers.Serializer[Any]):
    member_id = serializers.UUIDField()
    name = serializers.CharField()


class OnCallIn(serializers.Serializer[Any]):
    member_ids = serializers.ListField(child=serializers.UUIDField(), max_length=50)


class HereIn(serializers.Serializer[Any]):
    member_id = serializers.UUIDField(required=False, allow_null=True, default=None, help_text="Null: oneself.")


class PresenceOut(serializers.Serializer[Any]):
    watch_id = serializers.UUIDField()
    member_id = serializers.UUIDField()
    name = serializers.CharField()
    at = serializers.DateTimeField()


def _order(people: list[Membership]) -> Response:
    return Response(OnCallOut([{"member_id": one.public_id, "name": one.name} for one in people], many=True).data)


def _presence(row: WatchPresence) -> dict[str, Any]:
    return {
        "watch_id": row.watch.public_id,
        "member_id": row.member.public_id,
        "name": row.member.name,
        "at": row.at,
    }


class OnCallView(CoopAPIView):
    @extend_schema(operation_id="on_call_list", responses=OnCallOut(many=True))
    def get(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """Who is called, in order, when nobody is at a watch: whom the lead named, then the lead and the deputy."""
        return _order(queries.order_of(firing_of(self.coop, firing)))

    @extend_schema(operation_id="on_call_set", request=OnCallIn, responses=OnCallOut(many=True))
    def put(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """Name who is called, in order; only the firing's lead may. The answer is the whole order."""
        said = self.read(OnCallIn)
        services.set_order(
            self.coop, by=self.membership, now=timezone.now(), firing_id=firing, member_ids=said["member_ids"]
        )
        return _order(queries.order_of(firing_of(self.coop, firing)))


class WatchHereView(CoopAPIView):
    @extend_schema(operation_id="watch_here", request=HereIn, responses={201: PresenceOut})
    def post(self, request: Request, watch: UUID, **kwargs: Any) -> Response:
        """Say that oneself, or one of the crew, is at a watch."""
        said = self.read(HereIn)
        row = services.here(
            self.coop, by=self.membership, now=timezone.now(), watch_id=watch, member_id=said["member_id"]
        )
        return Response(PresenceOut(_presence(row)).data, status=201)


urls = [
    path("firings/<uuid:firing>/on-call/", OnCallView.as_view(), name="api_on_call"),
    path("watches/<uuid:watch>/here/", WatchHereView.as_view(), name="api_watch_here"),
]
