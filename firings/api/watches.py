"""Watches, wishes, offers and proposed rosters over the API."""

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
from firings.models import PlaceOffer, WatchPlace, WatchProposal, Wish
from firings.queries import watches as queries
from firings.queries.firings import firing_of
from firings.queries.watches import WatchRow
from firings.services import watches as services


class WatchOfferOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    to_member_id = serializers.UUIDField(allow_null=True)


class WatchPlaceOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    member_id = serializers.UUIDField()
    name = serializers.CharField()
    is_leading = serializers.BooleanField()
    confirmed_at = serializers.DateTimeField(allow_null=True)
    worked_minutes = serializers.IntegerField(allow_null=True)
    offer = WatchOfferOut(allow_null=True)


class WatchOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    number = serializers.IntegerField()
    phase = serializers.CharField()
    starts_at = serializers.DateTimeField()
    ends_at = serializers.DateTimeField()
    people = serializers.IntegerField(help_text="How many are needed.")
    most_people = serializers.IntegerField()
    leads = serializers.IntegerField()
    open_places = serializers.IntegerField(help_text="Places that must be filled and are not.")
    troubles = serializers.ListField(child=serializers.CharField())
    my_wish = serializers.CharField(allow_blank=True)
    crew = WatchPlaceOut(many=True)


class SeatedOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    watch_id = serializers.UUIDField()
    member_id = serializers.UUIDField()
    is_leading = serializers.BooleanField()
    confirmed_at = serializers.DateTimeField(allow_null=True)
    worked_minutes = serializers.IntegerField(allow_null=True)


class SignUpIn(serializers.Serializer[Any]):
    member_id = serializers.UUIDField(required=False, allow_null=True, help_text="Another member; only the lead may.")


class OfferIn(serializers.Serializer[Any]):
    to_member_id = serializers.UUIDField(required=False, allow_null=True, help_text="Left out: whoever takes it.")


class OfferOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    place_id = serializers.UUIDField()
    watch_id = serializers.UUIDField()
    to_member_id = serializers.UUIDField(allow_null=True)
    offered_at = serializers.DateTimeField()


class WishIn(serializers.Serializer[Any]):
    watch_id = serializers.UUIDField()
    value = serializers.ChoiceField(
        choices=Wish.Value.choices, allow_blank=True, help_text="+ want, . can, - rather not, x cannot; empty: none."
    )


class LimitsIn(serializers.Serializer[Any]):
    no_nights = serializers.BooleanField(default=False)
    most_hours = serializers.IntegerField(
        required=False, allow_null=True, min_value=1, max_value=200, help_text="On watch in all; left out: no limit."
    )
    rest_hours = serializers.IntegerField(
        required=False, allow_null=True, min_value=1, max_value=48, help_text="Between watches; the rule still holds."
    )


class WishesIn(serializers.Serializer[Any]):
    wishes = WishIn(many=True, required=False, default=list)
    limits = LimitsIn(required=False, allow_null=True, help_text="For the whole firing; left out: they stay.")


class WishOut(serializers.Serializer[Any]):
    watch_id = serializers.UUIDField()
    value = serializers.CharField()


class MinutesIn(serializers.Serializer[Any]):
    minutes = serializers.IntegerField(
        required=False, allow_null=True, min_value=0, max_value=1440, help_text="Left out: all; 0: did not come."
    )


class RosterAskedOut(serializers.Serializer[Any]):
    computation_id = serializers.UUIDField()


class ProposalOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    mends = serializers.JSONField(help_text="What a mended roster answers; empty for a whole new one.")
    made_at = serializers.DateTimeField()
    accepted_at = serializers.DateTimeField(allow_null=True)
    request = serializers.JSONField(help_text="watch-roster/1")
    answer = serializers.JSONField(help_text="watch-assignment/1")


class AcceptedOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    accepted_at = serializers.DateTimeField()
    seated = SeatedOut(many=True)
    left_out = serializers.ListField(child=serializers.CharField())


def _watch(row: WatchRow) -> dict[str, Any]:
    watch = row.watch
    return {
        "id": watch.public_id,
        "number": watch.number,
        "phase": watch.phase,
        "starts_at": watch.starts_at,
        "ends_at": watch.ends_at,
        "people": watch.people,
        "most_people": watch.most_people,
        "leads": watch.leads,
        "open_places": row.open,
        "troubles": row.troubles,
        "my_wish": row.wish,
        "crew": [
            {
                "id": person.place.public_id,
                "member_id": person.place.member.public_id,
                "name": person.name,
                "is_leading": person.leads,
                "confirmed_at": person.place.confirmed_at,
                "worked_minutes": person.place.worked_minutes,
                "offer": None
                if person.offer is None
                else {
                    "id": person.offer.public_id,
                    "to_member_id": person.offer.to_member.public_id if person.offer.to_member else None,
                },
            }
            for person in row.crew
        ],
    }


def _seated(place: WatchPlace) -> dict[str, Any]:
    return {
        "id": place.public_id,
        "watch_id": place.watch.public_id,
        "member_id": place.member.public_id,
        "is_leading": place.is_leading,
        "confirmed_at": place.confirmed_at,
        "worked_minutes": place.worked_minutes,
    }


def _offer(offer: PlaceOffer) -> dict[str, Any]:
    return {
        "id": offer.public_id,
        "place_id": offer.place.public_id,
        "watch_id": offer.place.watch.public_id,
        "to_member_id": offer.to_member.public_id if offer.to_member else None,
        "offered_at": offer.offered_at,
    }


def _said(serializer: type[serializers.Serializer[Any]], data: Any) -> Response:
    return Response(serializer(data, many=isinstance(data, list)).data)


class WatchesView(CoopAPIView):
    @extend_schema(operation_id="watches_list", responses=WatchOut(many=True))
    def get(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """The watches of a firing with their crews and what is missing."""
        rows = queries.rows_for(firing_of(self.coop, firing), self.membership, timezone.now())
        return _said(WatchOut, [_watch(row) for row in rows])


class WatchSignUpView(CoopAPIView):
    @extend_schema(operation_id="watch_sign_up", request=SignUpIn, responses={201: SeatedOut})
    def post(self, request: Request, watch: UUID, **kwargs: Any) -> Response:
        """Take a place on a watch."""
        said = self.read(SignUpIn)
        place = services.sign_up(
            self.coop, by=self.membership, now=timezone.now(), watch_id=watch, member_id=said.get("member_id")
        )
        return Response(SeatedOut(_seated(place)).data, status=201)


class WatchGiveUpView(CoopAPIView):
    @extend_schema(operation_id="watch_give_up", request=SignUpIn, responses={204: None})
    def post(self, request: Request, watch: UUID, **kwargs: Any) -> Response:
        """Give one's place on a watch up."""
        said = self.read(SignUpIn)
        services.give_up(
            self.coop, by=self.membership, now=timezone.now(), watch_id=watch, member_id=said.get("member_id")
        )
        return Response(status=204)


class PlaceOffersView(CoopAPIView):
    @extend_schema(operation_id="watch_place_offer", request=OfferIn, responses={201: OfferOut})
    def post(self, request: Request, place: UUID, **kwargs: Any) -> Response:
        """Offer one's place to a member, or to whoever takes it."""
        said = self.read(OfferIn)
        offer = services.offer(
            self.coop, by=self.membership, now=timezone.now(), place_id=place, to_member_id=said.get("to_member_id")
        )
        return Response(OfferOut(_offer(offer)).data, status=201)


class OffersView(CoopAPIView):
    @extend_schema(operation_id="watch_offers_list", responses=OfferOut(many=True))
    def get(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """Places this member could take over."""
        found = queries.offers_to(firing_of(self.coop, firing), self.membership, timezone.now())
        return _said(OfferOut, [_offer(offer) for offer in found])


class OfferTakeView(CoopAPIView):
    @extend_schema(operation_id="watch_offer_take_over", request=None, responses={201: SeatedOut})
    def post(self, request: Request, offer: UUID, **kwargs: Any) -> Response:
        """Agree to an offer; the place moves at once."""
        place = services.take_over(self.coop, by=self.membership, now=timezone.now(), offer_id=offer)
        return Response(SeatedOut(_seated(place)).data, status=201)


class OfferDeclineView(CoopAPIView):
    @extend_schema(operation_id="watch_offer_decline", request=None, responses={204: None})
    def post(self, request: Request, offer: UUID, **kwargs: Any) -> Response:
        """Say no to an offer, or take one's own back."""
        services.decline(self.coop, by=self.membership, now=timezone.now(), offer_id=offer)
        return Response(status=204)


class WishesView(CoopAPIView):
    @extend_schema(operation_id="watch_wishes_set", request=WishesIn, responses=WishOut(many=True))
    def put(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """Set one's wishes; watches that are not named keep theirs, and so do limits that are left out."""
        said = self.read(WishesIn)
        values = {one["watch_id"]: one["value"] for one in said["wishes"]}
        limits = None
        if (given := said.get("limits")) is not None:
            limits = services.Limits(
                no_nights=given["no_nights"], most_hours=given.get("most_hours"), rest_hours=given.get("rest_hours")
            )
        kept = services.wish_all(
            self.coop, by=self.membership, now=timezone.now(), firing_id=firing, values=values, limits=limits
        )
        return _said(WishOut, [{"watch_id": wish.watch.public_id, "value": wish.value} for wish in kept])


class ProposalsView(CoopAPIView):
    @extend_schema(operation_id="watch_proposals_list", responses=ProposalOut(many=True))
    def get(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """The proposal that lies before the lead, or was accepted last."""
        found = queries.latest_proposal(firing_of(self.coop, firing))
        return _said(ProposalOut, [] if found is None else [_proposal(found)])

    @extend_schema(operation_id="watch_proposal_ask", request=None, responses={202: RosterAskedOut})
    def post(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """Ask for a proposal of the whole roster; it is computed in the background."""
        asked = services.propose_roster(self.coop, by=self.membership, now=timezone.now(), firing_id=firing)
        return Response(RosterAskedOut({"computation_id": asked.public_id}).data, status=202)


def _proposal(row: WatchProposal) -> dict[str, Any]:
    return {
        "id": row.public_id,
        "made_at": row.made_at,
        "accepted_at": row.accepted_at,
        "mends": row.mends,
        "request": row.request,
        "answer": row.answer,
    }


class ProposalAcceptView(CoopAPIView):
    @extend_schema(operation_id="watch_proposal_accept", request=None, responses=AcceptedOut)
    def post(self, request: Request, proposal: UUID, **kwargs: Any) -> Response:
        """Accept a proposal; what the rules no longer let through is left out, with the reason."""
        done = services.accept_roster(self.coop, by=self.membership, now=timezone.now(), proposal_id=proposal)
        return _said(
            AcceptedOut,
            {
                "id": done.proposal.public_id,
                "accepted_at": done.proposal.accepted_at,
                "seated": [_seated(place) for place in done.seated],
                "left_out": done.left_out,
            },
        )


class PlaceConfirmView(CoopAPIView):
    @extend_schema(operation_id="watch_place_confirm", request=MinutesIn, responses=SeatedOut)
    def post(self, request: Request, place: UUID, **kwargs: Any) -> Response:
        """Confirm that somebody else stood their watch."""
        said = self.read(MinutesIn)
        done = services.confirm(
            self.coop, by=self.membership, now=timezone.now(), place_id=place, minutes=said.get("minutes")
        )
        return _said(SeatedOut, _seated(done))


urls = [
    path("firings/<uuid:firing>/watches/", WatchesView.as_view(), name="api_watches"),
    path("firings/<uuid:firing>/watch-offers/", OffersView.as_view(), name="api_watch_offers"),
    path("firings/<uuid:firing>/watch-wishes/", WishesView.as_view(), name="api_watch_wishes"),
    path("firings/<uuid:firing>/watch-proposals/", ProposalsView.as_view(), name="api_watch_proposals"),
    path("watches/<uuid:watch>/sign-up/", WatchSignUpView.as_view(), name="api_watch_sign_up"),
    path("watches/<uuid:watch>/give-up/", WatchGiveUpView.as_view(), name="api_watch_give_up"),
    path("watch-places/<uuid:place>/offers/", PlaceOffersView.as_view(), name="api_place_offers"),
    path("watch-places/<uuid:place>/confirm/", PlaceConfirmView.as_view(), name="api_place_confirm"),
    path("watch-offers/<uuid:offer>/take-over/", OfferTakeView.as_view(), name="api_offer_take"),
    path("watch-offers/<uuid:offer>/decline/", OfferDeclineView.as_view(), name="api_offer_decline"),
    path("watch-proposals/<uuid:proposal>/accept/", ProposalAcceptView.as_view(), name="api_proposal_accept"),
]
