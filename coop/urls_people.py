"""Addresses of people, sign-in and the co-op itself."""

from django.urls import URLPattern, URLResolver

urlpatterns: list[URLPattern | URLResolver] = []
