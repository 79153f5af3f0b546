"""Chores over the API."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.urls import path
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from coop.api_ground import CoopAPIView, Moment
from firings.api.watches import MinutesIn, SignUpIn
from firings.models import Chore, ChorePlace
from firings.queries import chores as queries
from firings.queries.firings import firing_of
from firings.services import chores as services


class ChorePlaceOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    chore_id = serializers.UUIDField()
    member_id = serializers.UUIDField()
    name = serializers.CharField()
    confirmed_at = serializers.DateTimeField(allow_null=True)
    worked_minutes = serializers.IntegerField(allow_null=True)


class ChoreOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    kind = serializers.CharField()
    name = serializers.CharField()
    starts_at = serializers.DateTimeField()
    ends_at = serializers.DateTimeField()
    people = serializers.IntegerField()
    most_people = serializers.IntegerField()
    needs_sign_off = serializers.CharField(allow_blank=True)
    open_places = serializers.IntegerField()
    crew = ChorePlaceOut(many=True)


class ChoreIn(serializers.Serializer[Any]):
    kind = serializers.CharField(max_length=10, help_text="cut, split, stack, haul, wads, cone_packs, wash, ...")
    name = serializers.CharField(max_length=120)
    starts_at = Moment()
    ends_at = Moment()
    people = serializers.IntegerField(min_value=1, max_value=50)
    most_people = serializers.IntegerField(min_value=1, max_value=100)


def _place(place: ChorePlace, chore: Chore) -> dict[str, Any]:
    return {
        "id": place.public_id,
        "chore_id": chore.public_id,
        "member_id": place.member.public_id,
        "name": place.member.name,
        "confirmed_at": place.confirmed_at,
        "worked_minutes": place.worked_minutes,
    }


def _chore(chore: Chore, people: tuple[ChorePlace, ...] = ()) -> dict[str, Any]:
    return {
        "id": chore.public_id,
        "kind": chore.kind,
        "name": chore.name,
        "starts_at": chore.starts_at,
        "ends_at": chore.ends_at,
        "people": chore.people,
        "most_people": chore.most_people,
        "needs_sign_off": chore.needs_sign_off,
        "open_places": chore.short_of,
        "crew": [_place(place, chore) for place in people],
    }


class ChoresView(CoopAPIView):
    @extend_schema(operation_id="chores_list", responses=ChoreOut(many=True))
    def get(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """The chores of a firing, at most 50."""
        rows = queries.rows_for(firing_of(self.coop, firing), self.membership, timezone.now())
        return Response(ChoreOut([_chore(row.chore, row.people) for row in rows], many=True).data)

    @extend_schema(operation_id="chore_add", request=ChoreIn, responses={201: ChoreOut})
    def post(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """Add a chore; only the firing's lead may."""
        said = self.read(ChoreIn)
        chore = services.add(self.coop, by=self.membership, now=timezone.now(), firing_id=firing, **said)
        return Response(ChoreOut(_chore(chore)).data, status=201)


class WoodDaysView(CoopAPIView):
    @extend_schema(operation_id="wood_days_size", request=None, responses=ChoreOut(many=True))
    def post(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """Lay the wood days to come out anew for the wood that is missing now; those with people on them stay."""
        services.size_wood_days(self.coop, by=self.membership, now=timezone.now(), firing_id=firing)
        rows = queries.rows_for(firing_of(self.coop, firing), self.membership, timezone.now())
        days = [row for row in rows if row.chore.kind in queries.WOOD_WORK and not row.has_begun]
        return Response(ChoreOut([_chore(row.chore, row.people) for row in days], many=True).data)


class ChoreView(CoopAPIView):
    @extend_schema(operation_id="chore_cancel", request=None, responses={204: None})
    def delete(self, request: Request, chore: UUID, **kwargs: Any) -> Response:
        """Take a chore out; its people are told."""
        services.cancel(self.coop, by=self.membership, now=timezone.now(), chore_id=chore)
        return Response(status=204)


class ChoreSignUpView(CoopAPIView):
    @extend_schema(operation_id="chore_sign_up", request=SignUpIn, responses={201: ChorePlaceOut})
    def post(self, request: Request, chore: UUID, **kwargs: Any) -> Response:
        """Take a place on a chore."""
        said = self.read(SignUpIn)
        place = services.sign_up(
            self.coop, by=self.membership, now=timezone.now(), chore_id=chore, member_id=said.get("member_id")
        )
        return Response(ChorePlaceOut(_place(place, place.chore)).data, status=201)


class ChoreGiveUpView(CoopAPIView):
    @extend_schema(operation_id="chore_give_up", request=SignUpIn, responses={204: None})
    def post(self, request: Request, chore: UUID, **kwargs: Any) -> Response:
        """Give one's place on a chore up."""
        said = self.read(SignUpIn)
        services.give_up(
            self.coop, by=self.membership, now=timezone.now(), chore_id=chore, member_id=said.get("member_id")
        )
        return Response(status=204)


class ChoreConfirmView(CoopAPIView):
    @extend_schema(operation_id="chore_place_confirm", request=MinutesIn, responses=ChorePlaceOut)
    def post(self, request: Request, place: UUID, **kwargs: Any) -> Response:
        """Confirm that somebody else did their chore."""
        said = self.read(MinutesIn)
        done = services.confirm(
            self.coop, by=self.membership, now=timezone.now(), place_id=place, minutes=said.get("minutes")
        )
        return Response(ChorePlaceOut(_place(done, done.chore)).data)


urls = [
    path("firings/<uuid:firing>/chores/", ChoresView.as_view(), name="api_chores"),
    path("firings/<uuid:firing>/chores/wood/", WoodDaysView.as_view(), name="api_wood_days"),
    path("chores/<uuid:chore>/", ChoreView.as_view(), name="api_chore"),
    path("chores/<uuid:chore>/sign-up/", ChoreSignUpView.as_view(), name="api_chore_sign_up"),
    path("chores/<uuid:chore>/give-up/", ChoreGiveUpView.as_view(), name="api_chore_give_up"),
    path("chore-places/<uuid:place>/confirm/", ChoreConfirmView.as_view(), name="api_chore_confirm"),
]
