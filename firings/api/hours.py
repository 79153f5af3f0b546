"""The hours account over the API."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.urls import path
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from coop.access import allowed
from coop.api_ground import CoopAPIView
from firings.access import check_leads
from firings.models import HoursEntry
from firings.queries import hours as hour_queries
from firings.queries.firings import firing_of
from firings.services import hours as services


class HoursOut(serializers.Serializer[Any]):
    member_id = serializers.UUIDField()
    name = serializers.CharField()
    owed_minutes = serializers.IntegerField()
    carried_minutes = serializers.IntegerField()
    worked_minutes = serializers.IntegerField()
    settled_minutes = serializers.IntegerField(help_text="Plus: paid for with the cost shares; minus: paid out.")
    short_minutes = serializers.IntegerField()


class OutlookOut(serializers.Serializer[Any]):
    member_id = serializers.UUIDField()
    name = serializers.CharField()
    owed_minutes = serializers.IntegerField()
    carried_minutes = serializers.IntegerField()
    worked_minutes = serializers.IntegerField()
    planned_minutes = serializers.IntegerField()
    short_minutes = serializers.IntegerField()
    most_minor = serializers.IntegerField(help_text="What the missing hours cost at most, minor units.")


class CorrectIn(serializers.Serializer[Any]):
    minutes = serializers.IntegerField(help_text="What the line should count, with its sign; 0 to take it out.")
    why = serializers.CharField(max_length=200)


class HoursEntryOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    at = serializers.DateTimeField()
    kind = serializers.CharField()
    minutes = serializers.IntegerField()
    why = serializers.CharField()
    corrects_id = serializers.UUIDField(allow_null=True)


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
                    "carried_minutes": one.carried,
                    "worked_minutes": one.worked,
                    "settled_minutes": one.settled,
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
                "balance_minutes": account.left,
                "owed_minutes": account.owed,
                "worked_minutes": account.worked,
                "entries": [_entry(one) for one in found["entries"]],
            },
        )


class OutlookView(CoopAPIView):
    @extend_schema(operation_id="firing_hours_outlook", responses=OutlookOut(many=True))
    def get(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """Before loading: who will be short of hours. Everybody's for the lead, one's own for others."""
        found = firing_of(self.coop, firing)
        sees_all = allowed(check_leads, self.membership, found)
        return _said(
            OutlookOut,
            [
                {
                    "member_id": row.member.public_id,
                    "name": row.member.name,
                    "owed_minutes": row.outlook.owed,
                    "carried_minutes": row.outlook.carried,
                    "worked_minutes": row.outlook.worked,
                    "planned_minutes": row.outlook.planned,
                    "short_minutes": row.outlook.short,
                    "most_minor": row.most_minor,
                }
                for row in hour_queries.outlook_of(found)
                if sees_all or row.member.pk == self.membership.pk
            ],
        )


class HoursCorrectView(CoopAPIView):
    @extend_schema(operation_id="hours_entry_correct", request=CorrectIn, responses={201: HoursEntryOut})
    def post(self, request: Request, entry: UUID, **kwargs: Any) -> Response:
        """Say what a line should have been; the difference becomes a line that points back. The coordinator may."""
        said = self.read(CorrectIn)
        made = services.correct(self.coop, by=self.membership, now=timezone.now(), entry_id=entry, **said)
        return Response(HoursEntryOut(_entry(made)).data, status=201)


def _entry(row: HoursEntry) -> dict[str, Any]:
    return {
        "id": row.public_id,
        "at": row.at,
        "kind": row.kind,
        "minutes": row.minutes,
        "why": row.why,
        "corrects_id": row.corrects.public_id if row.corrects else None,
    }


urls = [
    path("firings/<uuid:firing>/hours/", FiringHoursView.as_view(), name="api_firing_hours"),
    path("firings/<uuid:firing>/hours/outlook/", OutlookView.as_view(), name="api_hours_outlook"),
    path("hours/lines/<uuid:entry>/correct/", HoursCorrectView.as_view(), name="api_hours_correct"),
    path("hours/", MyHoursView.as_view(), name="api_hours"),
]
