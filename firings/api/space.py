"""Space and pieces of a firing: how full, whose, who waits; list, change, withdraw, count in."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext_lazy
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from coop.api_ground import CoopAPIView
from coop.errors import Malformed, NotFound
from firings.models import Firing, Piece
from firings.queries import space as queries
from firings.queries.firings import firing_of
from firings.services import space as services
from firings.services.space import PieceSpec
from firings.tables import read_pieces


class PieceWriteSerializer(serializers.Serializer[Any]):
    """One pot, or ``count`` alike; lengths in mm. ``zone``: name or id of a zone of the firing, empty for any."""

    name = serializers.CharField(max_length=80)
    count = serializers.IntegerField(default=1)
    shape = serializers.ChoiceField(choices=Piece.Shape.choices, default="round")
    diameter_mm = serializers.IntegerField(required=False, allow_null=True, default=None)
    width_mm = serializers.IntegerField(required=False, allow_null=True, default=None)
    length_mm = serializers.IntegerField(required=False, allow_null=True, default=None)
    height_mm = serializers.IntegerField(
        error_messages=dict.fromkeys(("required", "null"), gettext_lazy("Give the height in mm."))
    )
    body = serializers.CharField(max_length=80, allow_blank=True, default="")
    cone = serializers.CharField(max_length=20, allow_blank=True, default="", help_text="Always text: 06 is not 6.")
    glaze = serializers.CharField(max_length=80, allow_blank=True, default="")
    zone = serializers.CharField(max_length=80, allow_blank=True, default="")
    importance = serializers.IntegerField(default=1)
    is_runny = serializers.BooleanField(default=False)
    is_fragile = serializers.BooleanField(default=False)
    wants_soda = serializers.BooleanField(default=False)
    note = serializers.CharField(max_length=200, allow_blank=True, default="")
    may_wait = serializers.BooleanField(default=True)


class PieceCreateSerializer(PieceWriteSerializer):
    """A piece to be listed; ``member`` is for the lead who lists for somebody else."""

    member = serializers.UUIDField(required=False, allow_null=True, default=None)


class PieceListTextSerializer(serializers.Serializer[Any]):
    """A whole list as CSV text, header first; all of it is taken or nothing."""

    text = serializers.CharField(max_length=4_000_000, trim_whitespace=False)
    by_member_column = serializers.BooleanField(
        default=False, help_text="The lead lists for the members named in the rows."
    )


class BroughtSerializer(serializers.Serializer[Any]):
    """How many of a row were really brought."""

    brought = serializers.IntegerField(min_value=0, max_value=500)


class PieceSerializer(serializers.Serializer[Any]):
    """A row of pieces as it stands; ``zone`` is null while it waits."""

    id = serializers.UUIDField(source="public_id")
    member = serializers.UUIDField(source="booking.member.public_id")
    member_name = serializers.CharField(source="booking.member.person.name")
    name = serializers.CharField()
    count = serializers.IntegerField()
    shape = serializers.CharField()
    diameter_mm = serializers.IntegerField(allow_null=True)
    width_mm = serializers.IntegerField(allow_null=True)
    length_mm = serializers.IntegerField(allow_null=True)
    height_mm = serializers.IntegerField()
    body = serializers.CharField(source="body_name")
    cone = serializers.CharField()
    glaze = serializers.CharField()
    importance = serializers.IntegerField()
    is_runny = serializers.BooleanField()
    is_fragile = serializers.BooleanField()
    wants_soda = serializers.BooleanField()
    note = serializers.CharField()
    state = serializers.CharField()
    zone = serializers.SerializerMethodField()
    asked_ml = serializers.IntegerField()
    asked_at = serializers.DateTimeField()
    moved_up_at = serializers.DateTimeField(allow_null=True)
    brought = serializers.IntegerField(allow_null=True)

    def get_zone(self, piece: Piece) -> str | None:
        return piece.zone.zone.name if piece.zone is not None else None


class ZoneSpaceSerializer(serializers.Serializer[Any]):
    """One zone's space in a firing, ml."""

    id = serializers.UUIDField(source="firing_zone.public_id")
    name = serializers.CharField()
    cone = serializers.CharField()
    is_soda = serializers.BooleanField()
    capacity_ml = serializers.IntegerField()
    taken_ml = serializers.IntegerField()
    free_ml = serializers.IntegerField()


class SpaceSerializer(serializers.Serializer[Any]):
    """How full a firing is, and what the caller holds in it."""

    zones = ZoneSpaceSerializer(many=True)
    held_ml = serializers.IntegerField()
    waiting = serializers.IntegerField()
    rough_cost_minor = serializers.IntegerField(allow_null=True)
    currency = serializers.CharField()


class WaitingSerializer(serializers.Serializer[Any]):
    """One place on the waiting list."""

    place = serializers.IntegerField()
    piece = PieceSerializer()


def _pieces(firing: Firing) -> Any:
    return Piece.objects.filter(coop=firing.coop_id, booking__firing=firing).select_related(
        "booking__member__person", "zone__zone"
    )


def spec_from(said: dict[str, Any]) -> PieceSpec:
    """The piece as the services take it; whose it is and which piece it changes are said apart."""
    return PieceSpec(**{name: value for name, value in said.items() if name not in ("member", "changes")})


class SpaceView(CoopAPIView):
    """How full a firing is."""

    @extend_schema(operation_id="space_read", responses=SpaceSerializer)
    def get(self, request: Request, firing: UUID) -> Response:
        row = firing_of(self.coop, firing)
        spaces = queries.space_by_zone(row)
        held = queries.held_ml(row, self.membership)
        answer = {
            "zones": spaces,
            "held_ml": held,
            "waiting": len(queries.places_in_line(row)),
            "rough_cost_minor": queries.rough_cost_minor(row, held, spaces, queries.terms_of(row)),
            "currency": self.coop.currency,
        }
        return Response(SpaceSerializer(answer).data)


class PiecesView(CoopAPIView):
    """The caller's pieces in a firing; list another one."""

    @extend_schema(operation_id="pieces_list", responses=PieceSerializer(many=True))
    def get(self, request: Request, firing: UUID) -> Response:
        row = firing_of(self.coop, firing)
        mine = _pieces(row).filter(booking__member=self.membership).exclude(state=Piece.State.WITHDRAWN)
        return Response(PieceSerializer(mine.order_by("importance", "pk"), many=True).data)

    @extend_schema(operation_id="piece_create", request=PieceCreateSerializer, responses={201: PieceSerializer})
    def post(self, request: Request, firing: UUID) -> Response:
        said = self.read(PieceCreateSerializer)
        piece = services.list_piece(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            firing_id=firing,
            piece=spec_from(said),
            member_id=said["member"],
        )
        return Response(PieceSerializer(piece).data, status=201)


class PiecesCsvView(CoopAPIView):
    """List a whole CSV of pieces."""

    @extend_schema(
        operation_id="pieces_create_csv",
        request=PieceListTextSerializer,
        responses={201: PieceSerializer(many=True)},
    )
    def post(self, request: Request, firing: UUID) -> Response:
        said = self.read(PieceListTextSerializer)
        row = firing_of(self.coop, firing)
        table = read_pieces(said["text"], member=None if said["by_member_column"] else self.membership.name)
        if table.faults:
            shown = [str(fault) for fault in table.faults[:50]]
            more = len(table.faults) - len(shown)
            raise Malformed([*shown, f"And {more} more faults; mend these first."] if more else shown)
        made = services.list_pieces(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            firing_id=firing,
            rows=table.rows,
            by_name=said["by_member_column"],
        )
        rows = _pieces(row).filter(pk__in=[piece.pk for piece in made][:500]).order_by("pk")
        return Response(PieceSerializer(rows, many=True).data, status=201)


class PieceView(CoopAPIView):
    """One piece: change or withdraw it."""

    @extend_schema(operation_id="piece_change", request=PieceWriteSerializer, responses=PieceSerializer)
    def patch(self, request: Request, firing: UUID, piece: UUID) -> Response:
        old = self._piece(firing, piece)
        said = {**_as_said(old), **self.read(PieceWriteSerializer, partial=True)}
        changed = services.change_piece(
            self.coop, by=self.membership, now=timezone.now(), piece_id=piece, piece=spec_from(said)
        )
        return Response(PieceSerializer(changed).data)

    @extend_schema(operation_id="piece_withdraw", request=None, responses=PieceSerializer)
    def delete(self, request: Request, firing: UUID, piece: UUID) -> Response:
        self._piece(firing, piece)
        gone = services.withdraw_piece(self.coop, by=self.membership, now=timezone.now(), piece_id=piece)
        return Response(PieceSerializer(gone).data)

    def _piece(self, firing: UUID, piece: UUID) -> Piece:
        found: Piece | None = _pieces(firing_of(self.coop, firing)).filter(public_id=piece).first()
        if found is None:
            raise NotFound("There is no such piece here.")
        return found


class BroughtView(PieceView):
    """How many of a row were brought."""

    http_method_names = ["post", "options"]

    @extend_schema(operation_id="piece_brought", request=BroughtSerializer, responses=PieceSerializer)
    def post(self, request: Request, firing: UUID, piece: UUID) -> Response:
        self._piece(firing, piece)
        row = services.bring(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            piece_id=piece,
            brought=self.read(BroughtSerializer)["brought"],
        )
        return Response(PieceSerializer(row).data)


class WaitingListView(CoopAPIView):
    """Who waits, in the order in which freed space is offered."""

    @extend_schema(operation_id="waiting_list", responses=WaitingSerializer(many=True))
    def get(self, request: Request, firing: UUID) -> Response:
        rows = _pieces(firing_of(self.coop, firing)).waiting()[:500]
        answer = [{"place": place, "piece": piece} for place, piece in enumerate(rows, start=1)]
        return Response(WaitingSerializer(answer, many=True).data)


def _as_said(piece: Piece) -> dict[str, Any]:
    plain = (
        *("name", "count", "shape", "diameter_mm", "width_mm", "length_mm", "height_mm", "cone", "glaze"),
        *("importance", "is_runny", "is_fragile", "wants_soda", "note"),
    )
    wish = str(piece.wished_zone.public_id) if piece.wished_zone is not None else ""
    return {**{name: getattr(piece, name) for name in plain}, "body": piece.body_name, "zone": wish}


_FIRING = "firings/<uuid:firing>/"
urls = [
    path(f"{_FIRING}space/", SpaceView.as_view(), name="api_space"),
    path(f"{_FIRING}waiting-list/", WaitingListView.as_view(), name="api_waiting_list"),
    path(f"{_FIRING}pieces/", PiecesView.as_view(), name="api_pieces"),
    path(f"{_FIRING}pieces/csv/", PiecesCsvView.as_view(), name="api_pieces_csv"),
    path(f"{_FIRING}pieces/<uuid:piece>/", PieceView.as_view(), name="api_piece"),
    path(f"{_FIRING}pieces/<uuid:piece>/brought/", BroughtView.as_view(), name="api_piece_brought"),
]
