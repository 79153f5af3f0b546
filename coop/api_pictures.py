"""Photos over the API: sent first, then named by id where they belong; read again by who may see them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import IO, Any
from uuid import UUID

from django.http import HttpResponse
from django.urls import URLPattern, path
from django.utils import timezone
from django.utils.translation import gettext as _
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.parsers import BaseParser, MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from coop import pictures
from coop.api_ground import CoopAPIView
from coop.errors import Malformed
from coop.models import Picture, PictureData


class PictureIn(serializers.Serializer[Any]):
    """A picture as a form with a file."""

    id = serializers.UUIDField(required=False, help_text="Made by the device: sent again, nothing happens twice.")
    caption = serializers.CharField(required=False, default="", allow_blank=True, max_length=120)
    picture = serializers.FileField(help_text="JPEG, PNG or WebP; at most 10 MB and 40 megapixels.")


class PictureOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")
    caption = serializers.CharField(allow_blank=True)
    added_at = serializers.DateTimeField()
    width = serializers.IntegerField()
    height = serializers.IntegerField()


class Bare(BaseParser):
    """The file itself as the body; how large it may be is known before it is read."""

    media_type = "image/*"

    def parse(
        self, stream: IO[Any], media_type: str | None = None, parser_context: Mapping[str, Any] | None = None
    ) -> Any:
        return {"content": stream.read(pictures.MOST_BYTES + 1)}


class Form(MultiPartParser):
    """A form with a file; the file becomes its bytes."""

    def parse(
        self, stream: IO[Any], media_type: str | None = None, parser_context: Mapping[str, Any] | None = None
    ) -> Any:
        sent = super().parse(stream, media_type, parser_context)
        file = sent.files.get("picture")
        told: dict[str, Any] = {name: sent.data.get(name) for name in ("id", "caption") if sent.data.get(name)}
        return {**told, "content": file.read(pictures.MOST_BYTES + 1) if file is not None else None}


class FactsIn(serializers.Serializer[Any]):
    id = serializers.UUIDField(required=False)
    caption = serializers.CharField(required=False, default="", allow_blank=True, max_length=120)


class PicturesView(CoopAPIView):
    parser_classes = [Form, Bare]

    @extend_schema(
        operation_id="picture_add",
        request={"multipart/form-data": PictureIn, "image/*": OpenApiTypes.BINARY},
        responses={201: PictureOut},
    )
    def post(self, request: Request, **kwargs: Any) -> Response:
        """Send a photo, as a form or as the body itself; then name its id where it belongs, within three days."""
        said = self.read(FactsIn)
        content = request.data.get("content") if isinstance(request.data, dict) else None
        if content is None:
            raise Malformed([_("Send the picture as the field “picture” of a form, or as the body.")])
        row = pictures.add(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            picture=pictures.cleaned(content),
            caption=said["caption"],
            public_id=said.get("id"),
        )
        return Response(PictureOut(row).data, status=201)


class PictureView(CoopAPIView):
    @extend_schema(operation_id="picture_facts", responses=PictureOut)
    def get(self, request: Request, picture: UUID, **kwargs: Any) -> Response:
        """What is known of a picture you may see."""
        return Response(PictureOut(_seen(self, picture)).data)


class PictureContentView(CoopAPIView):
    @extend_schema(
        operation_id="picture_content",
        parameters=[OpenApiParameter("small", bool, description="The small size, for lists.")],
        responses={(200, "image/jpeg"): OpenApiTypes.BINARY},
    )
    def get(self, request: Request, picture: UUID, **kwargs: Any) -> HttpResponse:
        """The picture itself, as JPEG."""
        small = request.query_params.get("small", "").lower() in ("1", "true")
        size = PictureData.Size.SMALL if small else PictureData.Size.FULL
        content = pictures.content_of(_seen(self, picture), size)
        response = HttpResponse(content, content_type="image/jpeg")
        response["Content-Disposition"] = "attachment"
        response["Content-Security-Policy"] = "default-src 'none'; sandbox"
        response["Cache-Control"] = "private, no-cache"
        return response


def _seen(view: CoopAPIView, picture: UUID) -> Picture:
    row = pictures.find(view.coop, picture)
    pictures.check_may_see(view.membership, row)
    return row


urls: list[URLPattern] = [
    path("pictures/", PicturesView.as_view(), name="api_pictures"),
    path("pictures/<uuid:picture>/", PictureView.as_view(), name="api_picture"),
    path("pictures/<uuid:picture>/content/", PictureContentView.as_view(), name="api_picture_content"),
]
