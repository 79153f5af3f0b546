"""Pictures as they are served: after asking who may see them, and so that no browser runs anything in them."""

from __future__ import annotations

from uuid import UUID

from django.http import HttpResponse, HttpResponseNotModified
from django.urls import URLPattern, path
from django.utils.cache import patch_cache_control
from django.utils.http import content_disposition_header

from coop import pictures
from coop.http import CoopRequest, coop_page
from coop.models import Picture, PictureData


@coop_page
def picture(request: CoopRequest, picture: UUID) -> HttpResponse:
    """The picture, in the page or with ``?keep`` as a file to keep."""
    row = pictures.find(request.coop, picture)
    pictures.check_may_see(request.membership, row)
    return _answer(request, row, PictureData.Size.FULL)


@coop_page
def picture_small(request: CoopRequest, picture: UUID) -> HttpResponse:
    """The small size, for lists."""
    row = pictures.find(request.coop, picture)
    pictures.check_may_see(request.membership, row)
    return _answer(request, row, PictureData.Size.SMALL)


def _answer(request: CoopRequest, row: Picture, size: str) -> HttpResponse:
    # A picture never changes, so its id is its version; the browser still asks each time whether it may show it.
    tag = f'"{row.public_id.hex}-{size}"'
    known = request.headers.get("If-None-Match", "")
    response: HttpResponse
    if tag in (one.strip() for one in known.split(",")):
        response = HttpResponseNotModified()
    else:
        response = HttpResponse(pictures.content_of(row, size), content_type="image/jpeg")
        response["Content-Disposition"] = str(
            content_disposition_header("keep" in request.GET, f"picture-{row.added_at:%Y-%m-%d}-{row.pk}.jpg")
        )
    response["ETag"] = tag
    response["X-Content-Type-Options"] = "nosniff"
    response["Content-Security-Policy"] = "default-src 'none'; sandbox"
    response["Cross-Origin-Resource-Policy"] = "same-origin"
    patch_cache_control(response, private=True, no_cache=True)
    return response


urls: list[URLPattern] = [
    path("pictures/<uuid:picture>/", picture, name="picture"),
    path("pictures/<uuid:picture>/small/", picture_small, name="picture_small"),
]
