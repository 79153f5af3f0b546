"""Addresses of people, sign-in and the co-op itself."""

from django.urls import URLPattern, URLResolver, include, path

from coop import api, api_pictures
from coop.views import front, own, people, pictures, records

urlpatterns: list[URLPattern | URLResolver] = [
    *front.urls,
    path("api/v1/schema", api.Schema.as_view(), name="schema"),
    path("<slug:coop>/api/v1/", include([*api.urls, *api_pictures.urls])),
    path("<slug:coop>/", include([*people.urls, *own.urls, *records.urls, *pictures.urls])),
]
