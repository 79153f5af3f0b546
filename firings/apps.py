"""The kiln work app."""

from django.apps import AppConfig


class FiringsConfig(AppConfig):
    name = "firings"
    verbose_name = "Firings"
