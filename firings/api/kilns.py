"""Kilns, materials and wood stacks over the API."""

from __future__ import annotations

import json
from typing import Any
from uuid import UUID

from django.core.paginator import Page, Paginator
from django.db.models import QuerySet
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from coop.api_ground import CoopAPIView
from coop.errors import NotFound
from firings.fire.cones import CONES
from firings.kiln_file import read_kiln
from firings.models import Kiln, Material, WoodStack
from firings.services import kilns as services

PER_PAGE = 50
PAGE = OpenApiParameter("page", int, OpenApiParameter.QUERY, description="From 1; 50 rows a page.")


class PostSpotOut(serializers.Serializer[Any]):
    x0_mm = serializers.IntegerField()
    y0_mm = serializers.IntegerField()
    x1_mm = serializers.IntegerField()
    y1_mm = serializers.IntegerField()


class ZoneOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")
    name = serializers.CharField()
    boards_per_layer = serializers.IntegerField()
    board_w_mm = serializers.IntegerField()
    board_l_mm = serializers.IntegerField()
    board_thickness_mm = serializers.IntegerField()
    usable_height_mm = serializers.IntegerField()
    air_above_mm = serializers.IntegerField()
    wad_mm = serializers.IntegerField()
    gap_mm = serializers.IntegerField()
    posts_per_board = serializers.IntegerField()
    is_soda = serializers.BooleanField()
    cone = serializers.CharField(help_text="Hottest cone reached here, as text: 06 is not 6.")
    capacity_ml = serializers.IntegerField()
    post_spots = PostSpotOut(many=True)


class PostsOut(serializers.Serializer[Any]):
    height_mm = serializers.IntegerField()
    count = serializers.IntegerField()


class CrewPhaseOut(serializers.Serializer[Any]):
    name = serializers.CharField()
    from_permille = serializers.IntegerField(help_text="Thousandths of the burn.")
    to_permille = serializers.IntegerField()
    people = serializers.IntegerField()
    most_people = serializers.IntegerField()
    leads = serializers.IntegerField()


class TemplateLineOut(serializers.Serializer[Any]):
    text = serializers.CharField()
    due_days = serializers.IntegerField()
    is_safety = serializers.BooleanField()
    needs_sign_off = serializers.CharField(allow_blank=True)


class KilnOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")
    name = serializers.CharField()
    place = serializers.CharField(allow_blank=True)
    volume_l = serializers.IntegerField()
    takes_soda = serializers.BooleanField()
    target_cone = serializers.CharField()
    hours_low = serializers.IntegerField()
    hours_likely = serializers.IntegerField()
    hours_high = serializers.IntegerField()
    loading_hours = serializers.IntegerField()
    cooling_hours = serializers.IntegerField()
    cleanup_hours = serializers.IntegerField()
    watch_hours = serializers.IntegerField()
    opening_c = serializers.IntegerField(help_text="May be opened below, °C.")
    least_rate_c_per_h = serializers.IntegerField()
    wood_kg_per_m3 = serializers.IntegerField()
    retired_at = serializers.DateTimeField(allow_null=True)


class KilnWholeOut(KilnOut):
    zones = ZoneOut(many=True)
    posts = PostsOut(many=True)
    phases = CrewPhaseOut(many=True)
    checklist = TemplateLineOut(many=True, source="template_items")


class KilnIn(serializers.Serializer[Any]):
    kiln = serializers.DictField(help_text="A kiln/1 document.")
    place = serializers.CharField(required=False, allow_blank=True, default="", max_length=120)


class KilnsOut(serializers.Serializer[Any]):
    kilns = KilnOut(many=True)
    next_page = serializers.IntegerField(allow_null=True)


class MaterialOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")
    kind = serializers.ChoiceField(choices=Material.Kind.choices)
    name = serializers.CharField()
    stands_cone = serializers.CharField(allow_blank=True, help_text="As text: 06 is not 6.")
    is_runny = serializers.BooleanField()
    price_minor = serializers.IntegerField(allow_null=True)
    currency = serializers.SerializerMethodField()
    price_unit = serializers.CharField(allow_blank=True)
    notes = serializers.CharField(allow_blank=True)
    retired_at = serializers.DateTimeField(allow_null=True)

    def get_currency(self, material: Material) -> str:
        return str(self.context["currency"])


class MaterialsOut(serializers.Serializer[Any]):
    materials = MaterialOut(many=True)
    next_page = serializers.IntegerField(allow_null=True)


class MaterialIn(serializers.Serializer[Any]):
    kind = serializers.ChoiceField(choices=Material.Kind.choices)
    name = serializers.CharField(max_length=80)
    stands_cone = serializers.ChoiceField(choices=CONES, required=False, allow_blank=True, default="")
    is_runny = serializers.BooleanField(required=False, default=False)
    price_minor = serializers.IntegerField(required=False, allow_null=True, default=None, min_value=0)
    price_unit = serializers.CharField(required=False, allow_blank=True, default="", max_length=12)
    notes = serializers.CharField(required=False, allow_blank=True, default="")


class WoodStackOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")
    name = serializers.CharField()
    species = serializers.CharField()
    size_class = serializers.CharField()
    stacked_dm3 = serializers.IntegerField(help_text="Litres stacked, air between the pieces included.")
    moisture_permille = serializers.IntegerField(help_text="Parts of 1000 on wet mass.")
    split_on = serializers.DateField(allow_null=True)
    is_covered = serializers.BooleanField()
    reach_order = serializers.IntegerField()
    counted_at = serializers.DateTimeField(allow_null=True)


class WoodCountIn(serializers.Serializer[Any]):
    counted_dm3 = serializers.IntegerField(min_value=0, max_value=10_000_000, help_text="Litres stacked, as measured.")
    why = serializers.CharField(required=False, allow_blank=True, default="", max_length=200)


class WoodStacksOut(serializers.Serializer[Any]):
    wood_stacks = WoodStackOut(many=True)
    next_page = serializers.IntegerField(allow_null=True)


class WoodMoveIn(serializers.Serializer[Any]):
    stacked_dm3 = serializers.IntegerField(help_text="Litres stacked; minus is taken off.")
    firing_id = serializers.UUIDField(required=False, allow_null=True, default=None)
    note = serializers.CharField(required=False, allow_blank=True, default="", max_length=200)


class WoodMoveOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")
    stacked_dm3 = serializers.IntegerField()
    counted_dm3 = serializers.IntegerField(allow_null=True, help_text="What was there, where this is a stock-taking.")
    at = serializers.DateTimeField()
    note = serializers.CharField(allow_blank=True)


def _page(rows: QuerySet[Any], number: str | None) -> Page[Any]:
    return Paginator(rows, PER_PAGE).get_page(number)


def _following(page: Page[Any]) -> int | None:
    return page.next_page_number() if page.has_next() else None


def _whole(view: CoopAPIView, kiln_id: UUID) -> Kiln:
    found: Kiln | None = (
        Kiln.objects.of(view.coop)
        .prefetch_related("zones__post_spots", "posts", "phases", "template_items")
        .filter(public_id=kiln_id)
        .first()
    )
    if found is None:
        raise NotFound(_("There is no such kiln here."))
    return found


class KilnsView(CoopAPIView):
    @extend_schema(operation_id="kilns_list", parameters=[PAGE], responses=KilnsOut)
    def get(self, request: Request, **kwargs: Any) -> Response:
        """The co-op's kilns, retired ones too."""
        page = _page(Kiln.objects.of(self.coop), request.query_params.get("page"))
        return Response(KilnsOut({"kilns": list(page), "next_page": _following(page)}).data)

    @extend_schema(operation_id="kiln_add", request=KilnIn, responses={201: KilnWholeOut})
    def post(self, request: Request, **kwargs: Any) -> Response:
        """Add a kiln described as a kiln/1 document; a kiln steward may."""
        said = self.read(KilnIn)
        spec = read_kiln(json.dumps(said["kiln"]))
        kiln = services.add_kiln(self.coop, by=self.membership, now=timezone.now(), spec=spec, place=said["place"])
        return Response(KilnWholeOut(_whole(self, kiln.public_id)).data, status=201)


class KilnView(CoopAPIView):
    @extend_schema(operation_id="kiln_read", responses=KilnWholeOut)
    def get(self, request: Request, kiln: UUID, **kwargs: Any) -> Response:
        """One kiln with zones, posts, crew by phase and checklist template."""
        return Response(KilnWholeOut(_whole(self, kiln)).data)


class MaterialsView(CoopAPIView):
    @extend_schema(operation_id="materials_list", parameters=[PAGE], responses=MaterialsOut)
    def get(self, request: Request, **kwargs: Any) -> Response:
        """Clay bodies, glazes and consumables with the cone they stand and their price."""
        page = _page(Material.objects.of(self.coop), request.query_params.get("page"))
        told = MaterialsOut({"materials": list(page), "next_page": _following(page)}, context=self._context())
        return Response(told.data)

    @extend_schema(operation_id="material_add", request=MaterialIn, responses={201: MaterialOut})
    def post(self, request: Request, **kwargs: Any) -> Response:
        """Add a material; a kiln steward may. A clay body says the cone it stands."""
        said = self.read(MaterialIn)
        material = services.add_material(self.coop, by=self.membership, now=timezone.now(), **said)
        return Response(MaterialOut(material, context=self._context()).data, status=201)

    def _context(self) -> dict[str, Any]:
        return {"currency": self.coop.currency}


class WoodStacksView(CoopAPIView):
    @extend_schema(operation_id="wood_stacks_list", parameters=[PAGE], responses=WoodStacksOut)
    def get(self, request: Request, **kwargs: Any) -> Response:
        """Wood stacks in the order they are reached."""
        page = _page(WoodStack.objects.of(self.coop), request.query_params.get("page"))
        return Response(WoodStacksOut({"wood_stacks": list(page), "next_page": _following(page)}).data)


class WoodMovesView(CoopAPIView):
    @extend_schema(operation_id="wood_move", request=WoodMoveIn, responses={201: WoodMoveOut})
    def post(self, request: Request, stack: UUID, **kwargs: Any) -> Response:
        """Put wood on a stack, or take it off."""
        said = self.read(WoodMoveIn)
        move = services.move_wood(self.coop, by=self.membership, now=timezone.now(), stack_id=stack, **said)
        return Response(WoodMoveOut(move).data, status=201)


class WoodCountsView(CoopAPIView):
    @extend_schema(operation_id="wood_count", request=WoodCountIn, responses={201: WoodMoveOut})
    def post(self, request: Request, stack: UUID, **kwargs: Any) -> Response:
        """Write down what a stack holds by measuring it; a difference from the book needs its reason."""
        said = self.read(WoodCountIn)
        counted = services.count_wood(self.coop, by=self.membership, now=timezone.now(), stack_id=stack, **said)
        return Response(WoodMoveOut(counted).data, status=201)


urls = [
    path("kilns/", KilnsView.as_view(), name="api_kilns"),
    path("kilns/<uuid:kiln>/", KilnView.as_view(), name="api_kiln"),
    path("materials/", MaterialsView.as_view(), name="api_materials"),
    path("wood-stacks/", WoodStacksView.as_view(), name="api_wood_stacks"),
    path("wood-stacks/<uuid:stack>/counts/", WoodCountsView.as_view(), name="api_wood_counts"),
    path("wood-stacks/<uuid:stack>/moves/", WoodMovesView.as_view(), name="api_wood_moves"),
]
