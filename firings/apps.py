"""The kiln work app."""

from django.apps import AppConfig


class FiringsConfig(AppConfig):
    name = "firings"
    verbose_name = "Firings"

    def ready(self) -> None:
        from firings import home, joining  # noqa: F401
