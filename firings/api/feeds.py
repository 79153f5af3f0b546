"""Calendar links over the API."""

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
from firings.models import CalendarFeed
from firings.queries import feeds as queries
from firings.services import feeds as services


class CalendarFeedOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    kiln_id = serializers.UUIDField(allow_null=True, help_text="Null: one's own watches, chores and firings.")
    name = serializers.CharField()
    made_at = serializers.DateTimeField()


class NewCalendarFeedOut(CalendarFeedOut):
    url = serializers.CharField(help_text="The address a calendar reads. Told this once and kept nowhere.")


class CalendarFeedIn(serializers.Serializer[Any]):
    kiln_id = serializers.UUIDField(required=False, allow_null=True, default=None)


def _feed(row: CalendarFeed) -> dict[str, Any]:
    return {
        "id": row.public_id,
        "kiln_id": row.kiln.public_id if row.kiln else None,
        "name": row.kiln.name if row.kiln else "",
        "made_at": row.made_at,
    }


class CalendarFeedsView(CoopAPIView):
    told_once = ("url",)

    @extend_schema(operation_id="calendar_feeds_list", responses=CalendarFeedOut(many=True))
    def get(self, request: Request, **kwargs: Any) -> Response:
        """One's own standing calendar links, without their tokens."""
        return Response(CalendarFeedOut([_feed(row) for row in queries.of_member(self.membership)], many=True).data)

    @extend_schema(operation_id="calendar_feed_make", request=CalendarFeedIn, responses={201: NewCalendarFeedOut})
    def post(self, request: Request, **kwargs: Any) -> Response:
        """Make a calendar link; the one that stood for the same ends at once."""
        said = self.read(CalendarFeedIn)
        row, token = services.make(self.coop, by=self.membership, now=timezone.now(), kiln_id=said["kiln_id"])
        made = {**_feed(row), "url": queries.address_of(self.coop, token)}
        return Response(NewCalendarFeedOut(made).data, status=201)


class CalendarFeedView(CoopAPIView):
    @extend_schema(operation_id="calendar_feed_revoke", request=None, responses={204: None})
    def delete(self, request: Request, feed: UUID, **kwargs: Any) -> Response:
        """Revoke one of one's own links."""
        services.revoke(self.coop, by=self.membership, now=timezone.now(), feed_id=feed)
        return Response(status=204)


urls = [
    path("calendar-feeds/", CalendarFeedsView.as_view(), name="api_calendar_feeds"),
    path("calendar-feeds/<uuid:feed>/", CalendarFeedView.as_view(), name="api_calendar_feed"),
]
