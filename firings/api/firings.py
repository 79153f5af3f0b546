"""Firings as JSON: the list, one firing, calling, dates, stages, calling off, the calendar."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from uuid import UUID

from django.urls import path
from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from coop.api_ground import CoopAPIView, Moment
from coop.errors import Malformed
from firings import lifecycle
from firings.models import Firing
from firings.queries import firings as queries
from firings.services import firings as services

FIRST_YEAR, LAST_YEAR = 1970, 2200


class FiringZoneOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")
    zone = serializers.CharField(source="zone.name")
    capacity_ml = serializers.IntegerField()
    taken_ml = serializers.IntegerField()


class FiringOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")
    name = serializers.CharField()
    kiln = serializers.UUIDField(source="kiln.public_id")
    kiln_name = serializers.CharField(source="kiln.name")
    stage = serializers.ChoiceField(choices=lifecycle.STAGE_KEYS)
    lead = serializers.CharField(source="lead.name")
    target_cone = serializers.CharField()
    with_soda = serializers.BooleanField()
    booking_closes_at = serializers.DateTimeField()
    occupied_from = serializers.DateTimeField()
    lights_at = serializers.DateTimeField()
    ends_at = serializers.DateTimeField()
    opens_at = serializers.DateTimeField()
    occupied_until = serializers.DateTimeField()
    lit_at = serializers.DateTimeField(allow_null=True)
    ended_at = serializers.DateTimeField(allow_null=True)
    has_failed = serializers.BooleanField()
    closed_at = serializers.DateTimeField(allow_null=True)
    called_off_why = serializers.CharField()


class MoveOut(serializers.Serializer[Any]):
    from_stage = serializers.CharField()
    to_stage = serializers.CharField()
    at = serializers.DateTimeField()
    by = serializers.CharField(source="by.name", allow_null=True, default=None)
    note = serializers.CharField()


class FiringDetail(FiringOut):
    zones = FiringZoneOut(many=True, source="zone_list")
    moves = MoveOut(many=True, source="move_list")


class FiringPage(serializers.Serializer[Any]):
    firings = FiringOut(many=True)
    page = serializers.IntegerField()
    pages = serializers.IntegerField()


class DatesIn(serializers.Serializer[Any]):
    occupied_from = Moment()
    lights_at = Moment()
    ends_at = Moment(required=False, allow_null=True)
    opens_at = Moment(required=False, allow_null=True)
    occupied_until = Moment(required=False, allow_null=True)
    booking_closes_at = Moment(required=False, allow_null=True)


class CallIn(DatesIn):
    kiln_id = serializers.UUIDField()
    name = serializers.CharField(max_length=80)
    target_cone = serializers.CharField(max_length=5, required=False, default="")
    with_soda = serializers.BooleanField(required=False, default=False)
    deputy_id = serializers.UUIDField(required=False, allow_null=True)
    cost_estimate_minor = serializers.IntegerField(required=False, allow_null=True)
    notes = serializers.CharField(required=False, allow_blank=True, default="")


class MoveIn(serializers.Serializer[Any]):
    to = serializers.ChoiceField(choices=lifecycle.STAGE_KEYS)
    note = serializers.CharField(required=False, allow_blank=True, default="")
    failed = serializers.BooleanField(required=False, default=False)
    at = Moment(required=False, allow_null=True, default=None)


class UnpackingDayIn(serializers.Serializer[Any]):
    opens_at = Moment()


class WhyIn(serializers.Serializer[Any]):
    why = serializers.CharField(allow_blank=True)


class GuestIn(serializers.Serializer[Any]):
    email = serializers.CharField()
    name = serializers.CharField(required=False, allow_blank=True, default="")


class GuestOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")


class TakenOut(serializers.Serializer[Any]):
    kiln = serializers.UUIDField(source="kiln.public_id")
    firings = FiringOut(many=True)


def _detail(firing: Firing) -> dict[str, Any]:
    firing.zone_list = list(firing.zones.select_related("zone"))  # type: ignore[attr-defined]
    firing.move_list = list(firing.moves.select_related("by__person"))  # type: ignore[attr-defined]
    return dict(FiringDetail(firing).data)


class Firings(CoopAPIView):
    @extend_schema(
        operation_id="firings_list",
        parameters=[
            OpenApiParameter("which", OpenApiTypes.STR, enum=["open", "past"]),
            OpenApiParameter("page", OpenApiTypes.INT),
        ],
        responses=FiringPage,
    )
    def get(self, request: Request) -> Response:
        """Firings under way, or past ones; 50 a page."""
        which = "past" if request.query_params.get("which") == "past" else "open"
        page = queries.listed(self.coop, which=which, page=request.query_params.get("page", 1))
        return Response(
            {
                "firings": FiringOut(page.object_list, many=True).data,
                "page": page.number,
                "pages": page.paginator.num_pages,
            }
        )

    @extend_schema(operation_id="firings_call", request=CallIn, responses={201: FiringDetail})
    def post(self, request: Request) -> Response:
        """Call a firing: the kiln is taken from loading to the end of clean-up."""
        said = self.read(CallIn)
        called = services.call(self.coop, by=self.membership, now=timezone.now(), **said)
        return Response(_detail(called), status=201)


class OneFiring(CoopAPIView):
    @extend_schema(operation_id="firing_read", responses=FiringDetail)
    def get(self, request: Request, firing: UUID) -> Response:
        """One firing with its space by zone and its decisions."""
        return Response(_detail(queries.firing_of(self.coop, firing)))


class Dates(CoopAPIView):
    @extend_schema(operation_id="firing_put_off", request=DatesIn, responses=FiringDetail)
    def post(self, request: Request, firing: UUID) -> Response:
        """Change the dates of a firing that is not lit yet."""
        said = self.read(DatesIn)
        return Response(
            _detail(services.put_off(self.coop, by=self.membership, now=timezone.now(), firing_id=firing, **said))
        )


class Move(CoopAPIView):
    @extend_schema(operation_id="firing_move", request=MoveIn, responses=FiringDetail)
    def post(self, request: Request, firing: UUID) -> Response:
        """Move a firing to its next stage."""
        said = self.read(MoveIn)
        return Response(
            _detail(services.move_on(self.coop, by=self.membership, now=timezone.now(), firing_id=firing, **said))
        )


class UnpackingDay(CoopAPIView):
    @extend_schema(operation_id="firing_unpacking_day", request=UnpackingDayIn, responses=FiringDetail)
    def post(self, request: Request, firing: UUID) -> Response:
        """Set the moment a cooling kiln is opened; everyone who takes part is told."""
        said = self.read(UnpackingDayIn)
        return Response(
            _detail(services.set_unpacking(self.coop, by=self.membership, now=timezone.now(), firing_id=firing, **said))
        )


class CallOff(CoopAPIView):
    @extend_schema(operation_id="firing_call_off", request=WhyIn, responses=FiringDetail)
    def post(self, request: Request, firing: UUID) -> Response:
        """Call a firing off before it is lit; everything it held is released and everyone is told."""
        said = self.read(WhyIn)
        return Response(
            _detail(services.call_off(self.coop, by=self.membership, now=timezone.now(), firing_id=firing, **said))
        )


class Guests(CoopAPIView):
    @extend_schema(operation_id="firing_guest", request=GuestIn, responses={201: GuestOut})
    def post(self, request: Request, firing: UUID) -> Response:
        """Invite a guest to this firing only."""
        said = self.read(GuestIn)
        made = services.bring_guest(self.coop, by=self.membership, now=timezone.now(), firing_id=firing, **said)
        return Response(GuestOut(made).data, status=201)


class Calendar(CoopAPIView):
    @extend_schema(
        operation_id="calendar_read",
        parameters=[
            OpenApiParameter("from", OpenApiTypes.DATETIME, description="RFC 3339; now when left out"),
            OpenApiParameter("until", OpenApiTypes.DATETIME, description="six weeks after from when left out"),
        ],
        responses=TakenOut(many=True),
    )
    def get(self, request: Request) -> Response:
        """Each kiln with the firings that take it between two moments (at most a year)."""
        start = self._moment("from") or timezone.now()
        if not FIRST_YEAR <= start.year <= LAST_YEAR:
            raise Malformed([f"from: give a moment in the years {FIRST_YEAR} to {LAST_YEAR}."])
        end = self._moment("until") or start + timedelta(weeks=6)
        if not start < end <= start + timedelta(days=370):
            raise Malformed(["until: give a moment after from, at most a year later."])
        rows = [{"kiln": kiln, "firings": firings} for kiln, firings in queries.occupations(self.coop, start, end)]
        return Response(TakenOut(rows, many=True).data)

    def _moment(self, name: str) -> Any:
        text = self.request.query_params.get(name)
        if not text:
            return None
        try:
            return Moment().to_internal_value(text)
        except serializers.ValidationError as error:
            raise Malformed([f"{name}: write a moment like 2026-05-09T06:00:00Z."]) from error


urls = [
    path("firings/", Firings.as_view(), name="api_firings"),
    path("firings/<uuid:firing>/", OneFiring.as_view(), name="api_firing"),
    path("firings/<uuid:firing>/dates/", Dates.as_view(), name="api_firing_dates"),
    path("firings/<uuid:firing>/unpacking-day/", UnpackingDay.as_view(), name="api_unpacking_day"),
    path("firings/<uuid:firing>/move/", Move.as_view(), name="api_firing_move"),
    path("firings/<uuid:firing>/call-off/", CallOff.as_view(), name="api_firing_call_off"),
    path("firings/<uuid:firing>/guests/", Guests.as_view(), name="api_firing_guests"),
    path("calendar/", Calendar.as_view(), name="api_calendar"),
]
