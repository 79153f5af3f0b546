"""Swaps, news from the crew, mended rosters and questions to the crew over the API."""

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
from coop.errors import NotFound
from firings.models import CrewNews, PlaceQuestion, WatchProposal, WatchSwap
from firings.queries import watches as queries
from firings.queries.firings import firing_of
from firings.services import crew_news, mending, swaps


class SwapIn(serializers.Serializer[Any]):
    for_place_id = serializers.UUIDField(help_text="The place one would like to have for one's own.")


class SwapOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    place_id = serializers.UUIDField(help_text="What who asks gives.")
    for_place_id = serializers.UUIDField(help_text="What who is asked gives.")
    member_id = serializers.UUIDField()
    asked_member_id = serializers.UUIDField()
    asked_at = serializers.DateTimeField()


class SwappedOut(serializers.Serializer[Any]):
    place_id = serializers.UUIDField(help_text="The new place of who asked.")
    for_place_id = serializers.UUIDField(help_text="The new place of who agreed.")


class LateIn(serializers.Serializer[Any]):
    minutes = serializers.IntegerField(min_value=1, max_value=720)


class LongerIn(serializers.Serializer[Any]):
    minutes = serializers.IntegerField(min_value=1, max_value=4320)


class ShorterIn(serializers.Serializer[Any]):
    until = Moment()


class WatchesOffOut(serializers.Serializer[Any]):
    watches = serializers.ListField(child=serializers.UUIDField())


class NewsOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    kind = serializers.ChoiceField(choices=CrewNews.Kind.choices)
    place_id = serializers.UUIDField(allow_null=True)
    minutes = serializers.IntegerField(allow_null=True)
    said_at = serializers.DateTimeField()
    closed_at = serializers.DateTimeField(allow_null=True)


class MendingAskedOut(serializers.Serializer[Any]):
    computation_id = serializers.UUIDField()


class ToldOut(serializers.Serializer[Any]):
    member_id = serializers.UUIDField()
    name = serializers.CharField()
    asks = serializers.BooleanField(help_text="At the fire now: asked first, and stays until they agree.")
    lines = serializers.ListField(child=serializers.CharField())


class EffectsOut(serializers.Serializer[Any]):
    seen = serializers.CharField(help_text="Send it back when accepting: if others would be told by then, it is 409.")
    told = ToldOut(many=True)
    gaps = serializers.ListField(child=serializers.CharField())


class MendIn(serializers.Serializer[Any]):
    seen = serializers.CharField(max_length=40)


class MendedOut(serializers.Serializer[Any]):
    told_member_ids = serializers.ListField(child=serializers.UUIDField())
    question_ids = serializers.ListField(child=serializers.UUIDField())
    left_out = serializers.ListField(child=serializers.CharField())


class CrewQuestionOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    member_id = serializers.UUIDField()
    text = serializers.CharField()
    asked_at = serializers.DateTimeField()


class CrewAnswerIn(serializers.Serializer[Any]):
    agrees = serializers.BooleanField()


class CrewAnsweredOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    agreed = serializers.BooleanField()
    closed_at = serializers.DateTimeField()


def _swap(swap: WatchSwap) -> dict[str, Any]:
    return {
        "id": swap.public_id,
        "place_id": swap.place.public_id,
        "for_place_id": swap.for_place.public_id,
        "member_id": swap.place.member.public_id,
        "asked_member_id": swap.for_place.member.public_id,
        "asked_at": swap.asked_at,
    }


def _news(news: CrewNews) -> dict[str, Any]:
    return {
        "id": news.public_id,
        "kind": news.kind,
        "place_id": news.place.public_id if news.place else None,
        "minutes": news.minutes,
        "said_at": news.said_at,
        "closed_at": news.closed_at,
    }


class SwapsView(CoopAPIView):
    @extend_schema(operation_id="watch_swaps_list", responses=SwapOut(many=True))
    def get(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """Open swaps of a firing that one asked for or is asked for."""
        asked, asking = queries.swaps_of(firing_of(self.coop, firing), self.membership, timezone.now())
        return Response(SwapOut([_swap(one) for one in (*asked, *asking)], many=True).data)


class SwapAskView(CoopAPIView):
    @extend_schema(operation_id="watch_swap_ask", request=SwapIn, responses={201: SwapOut})
    def post(self, request: Request, place: UUID, **kwargs: Any) -> Response:
        """Ask somebody to swap their place on a watch for one's own."""
        said = self.read(SwapIn)
        made = swaps.ask(
            self.coop, by=self.membership, now=timezone.now(), place_id=place, for_place_id=said["for_place_id"]
        )
        return Response(SwapOut(_swap(made)).data, status=201)


class SwapAgreeView(CoopAPIView):
    @extend_schema(operation_id="watch_swap_agree", request=None, responses=SwappedOut)
    def post(self, request: Request, swap: UUID, **kwargs: Any) -> Response:
        """Agree to a swap; both places change hands at once, or neither does."""
        first, second = swaps.agree(self.coop, by=self.membership, now=timezone.now(), swap_id=swap)
        return Response(SwappedOut({"place_id": first.public_id, "for_place_id": second.public_id}).data)


class SwapDeclineView(CoopAPIView):
    @extend_schema(operation_id="watch_swap_decline", request=None, responses={204: None})
    def post(self, request: Request, swap: UUID, **kwargs: Any) -> Response:
        """Say no to a swap, or take one's own back."""
        swaps.decline(self.coop, by=self.membership, now=timezone.now(), swap_id=swap)
        return Response(status=204)


class CannotComeView(CoopAPIView):
    @extend_schema(operation_id="watch_place_cannot_come", request=None, responses={201: NewsOut})
    def post(self, request: Request, place: UUID, **kwargs: Any) -> Response:
        """Say that one cannot come; a mended roster is computed for the lead."""
        made = crew_news.cannot_come(self.coop, by=self.membership, now=timezone.now(), place_id=place)
        return Response(NewsOut(_news(made)).data, status=201)


class ComesLateView(CoopAPIView):
    @extend_schema(operation_id="watch_place_comes_late", request=LateIn, responses={201: NewsOut})
    def post(self, request: Request, place: UUID, **kwargs: Any) -> Response:
        """Say by how many minutes one comes late."""
        minutes = self.read(LateIn)["minutes"]
        made = crew_news.comes_late(self.coop, by=self.membership, now=timezone.now(), place_id=place, minutes=minutes)
        return Response(NewsOut(_news(made)).data, status=201)


class CrewNewsView(CoopAPIView):
    @extend_schema(operation_id="crew_news_list", responses=NewsOut(many=True))
    def get(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """What upsets the roster of a firing now."""
        found = queries.news_of(firing_of(self.coop, firing))
        return Response(NewsOut([_news(one) for one in found], many=True).data)


class RunsLongerView(CoopAPIView):
    @extend_schema(operation_id="firing_runs_longer", request=LongerIn, responses={201: NewsOut})
    def post(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """The lead says by how many minutes the fire runs longer; the watches for it are computed."""
        minutes = self.read(LongerIn)["minutes"]
        made = crew_news.runs_longer(
            self.coop, by=self.membership, now=timezone.now(), firing_id=firing, minutes=minutes
        )
        return Response(NewsOut(_news(made)).data, status=201)


class RunsShorterView(CoopAPIView):
    @extend_schema(operation_id="firing_runs_shorter", request=ShorterIn, responses=WatchesOffOut)
    def post(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """The lead says by when the fire is over; watches that begin later are taken off and their people told."""
        until = self.read(ShorterIn)["until"]
        off = crew_news.runs_shorter(self.coop, by=self.membership, now=timezone.now(), firing_id=firing, until=until)
        return Response(WatchesOffOut({"watches": [watch.public_id for watch in off]}).data)


class NewsTakeBackView(CoopAPIView):
    @extend_schema(operation_id="crew_news_take_back", request=None, responses=NewsOut)
    def post(self, request: Request, news: UUID, **kwargs: Any) -> Response:
        """It is not so after all."""
        taken = crew_news.take_back(self.coop, by=self.membership, now=timezone.now(), news_id=news)
        return Response(NewsOut(_news(taken)).data)


class MendView(CoopAPIView):
    @extend_schema(operation_id="watch_mending_ask", request=None, responses={202: MendingAskedOut})
    def post(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """Ask for the roster to be mended anew, as things stand now."""
        asked = crew_news.mend(self.coop, by=self.membership, now=timezone.now(), firing_id=firing)
        return Response(MendingAskedOut({"computation_id": asked.public_id}).data, status=202)


class ProposalMendView(CoopAPIView):
    @extend_schema(operation_id="watch_mending_effects", responses=EffectsOut)
    def get(self, request: Request, proposal: UUID, **kwargs: Any) -> Response:
        """Who would be told or asked what if this mended roster were accepted now."""
        found = (
            WatchProposal.objects.of(self.coop)
            .filter(public_id=proposal, accepted_at=None, replaced_at=None)
            .exclude(mends={})
            .first()
        )
        if found is None:
            raise NotFound("There is no such open proposal here.")
        effects = mending.effects(firing_of(self.coop, found.firing.public_id), found, timezone.now())
        told = [
            {"member_id": one.member.public_id, "name": one.member.name, "asks": one.asks, "lines": one.lines}
            for one in effects.told
        ]
        return Response(EffectsOut({"seen": effects.seen, "told": told, "gaps": found.mends["gaps"]}).data)

    @extend_schema(operation_id="watch_mending_accept", request=MendIn, responses=MendedOut)
    def post(self, request: Request, proposal: UUID, **kwargs: Any) -> Response:
        """Accept a mended roster: exactly those who were listed are told or asked."""
        done = crew_news.accept_mending(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            proposal_id=proposal,
            seen=self.read(MendIn)["seen"],
        )
        return Response(
            MendedOut(
                {
                    "told_member_ids": [one.public_id for one in done.told],
                    "question_ids": [one.public_id for one in done.asked],
                    "left_out": done.left_out,
                }
            ).data
        )


class CrewQuestionsView(CoopAPIView):
    @extend_schema(operation_id="crew_questions_list", responses=CrewQuestionOut(many=True))
    def get(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """What one is asked before a roster moves one from the fire."""
        mine = [one for one in queries.questions_of(firing_of(self.coop, firing)) if self._is_mine(one)]
        shown = [
            {
                "id": one.public_id,
                "member_id": one.member.public_id,
                "text": mending.question_text(one),
                "asked_at": one.asked_at,
            }
            for one in mine
        ]
        return Response(CrewQuestionOut(shown, many=True).data)

    def _is_mine(self, asked: PlaceQuestion) -> bool:
        return asked.member_id == self.membership.pk


class CrewQuestionAnswerView(CoopAPIView):
    @extend_schema(operation_id="crew_question_answer", request=CrewAnswerIn, responses=CrewAnsweredOut)
    def post(self, request: Request, question: UUID, **kwargs: Any) -> Response:
        """Say yes or no; yes changes one's places at once, no leaves them."""
        done = crew_news.answer(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            question_id=question,
            agrees=self.read(CrewAnswerIn)["agrees"],
        )
        return Response(
            CrewAnsweredOut({"id": done.public_id, "agreed": done.agreed, "closed_at": done.closed_at}).data
        )


urls = [
    path("firings/<uuid:firing>/watch-swaps/", SwapsView.as_view(), name="api_watch_swaps"),
    path("firings/<uuid:firing>/crew-news/", CrewNewsView.as_view(), name="api_crew_news"),
    path("firings/<uuid:firing>/runs-shorter/", RunsShorterView.as_view(), name="api_runs_shorter"),
    path("firings/<uuid:firing>/runs-longer/", RunsLongerView.as_view(), name="api_runs_longer"),
    path("firings/<uuid:firing>/mending/", MendView.as_view(), name="api_mend"),
    path("firings/<uuid:firing>/crew-questions/", CrewQuestionsView.as_view(), name="api_crew_questions"),
    path("watch-places/<uuid:place>/swaps/", SwapAskView.as_view(), name="api_swap_ask"),
    path("watch-places/<uuid:place>/cannot-come/", CannotComeView.as_view(), name="api_cannot_come"),
    path("watch-places/<uuid:place>/late/", ComesLateView.as_view(), name="api_comes_late"),
    path("watch-swaps/<uuid:swap>/agree/", SwapAgreeView.as_view(), name="api_swap_agree"),
    path("watch-swaps/<uuid:swap>/decline/", SwapDeclineView.as_view(), name="api_swap_decline"),
    path("crew-news/<uuid:news>/take-back/", NewsTakeBackView.as_view(), name="api_news_take_back"),
    path("watch-proposals/<uuid:proposal>/mending/", ProposalMendView.as_view(), name="api_proposal_mend"),
    path("crew-questions/<uuid:question>/answer/", CrewQuestionAnswerView.as_view(), name="api_question_answer"),
]
