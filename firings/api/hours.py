"""The hours account over the API."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.urls import path
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from coop.access import allowed
from coop.api_ground import CoopAPIView
from firings.access import check_leads
from firings.queries import hours as hour_queries
from firings.queries.firings import firing_of


class HoursOut(serializers.Serializer[Any]):
    member_id = serializers.UUIDField()
    name = serializers.CharField()
    owed_minutes = serializers.IntegerField()
    worked_minutes = serializers.IntegerField()
    short_minutes = serializers.IntegerField()


class HoursEntryOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    at = serializers.DateTimeField()
    kind = serializers.CharField()
    minutes = serializers.IntegerField()
    why = serializers.CharField()


class MyHoursOut(serializers.Serializer[Any]):
    balance_minutes = serializers.IntegerField()
    owed_minutes = serializers.IntegerField()
    worked_minutes = serializers.IntegerField()
    entries = HoursEntryOut(many=True)


def _said(serializer: type[serializers.Serializer[Any]], data: Any) -> Response:
    return Response(serializer(data, many=isinstance(data, list)).data)


class FiringHoursView(CoopAPIView):
    @extend_schema(operation_id="firing_hours_list", responses=HoursOut(many=True))
    def get(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """Hours owed and worked in a firing: everybody's for its lead, one's own for others."""
        found = firing_of(self.coop, firing)
        sees_all = allowed(check_leads, self.membership, found)
        return _said(
            HoursOut,
            [
                {
                    "member_id": one.member.public_id,
                    "name": one.member.name,
                    "owed_minutes": one.owed,
                    "worked_minutes": one.worked,
                    "short_minutes": one.short,
                }
                for one in hour_queries.for_firing(self.coop, found)
                if sees_all or one.member.pk == self.membership.pk
            ],
        )


class MyHoursView(CoopAPIView):
    @extend_schema(operation_id="my_hours", responses=MyHoursOut)
    def get(self, request: Request, **kwargs: Any) -> Response:
        """One's own hours account: the sums and the latest lines."""
        found = hour_queries.for_member(self.coop, self.membership)
        account = found["account"]
        return _said(
            MyHoursOut,
            {
                "balance_minutes": account.balance,
                "owed_minutes": account.owed,
                "worked_minutes": account.worked,
                "entries": [
                    {
                        "id": one.public_id,
                        "at": one.at,
                        "kind": one.kind,
                        "minutes": one.minutes,
                        "why": one.why,
                    }
                    for one in found["entries"]
                ],
            },
        )


urls = [
    path("firings/<uuid:firing>/hours/", FiringHoursView.as_view(), name="api_firing_hours"),
    path("hours/", MyHoursView.as_view(), name="api_hours"),
]
