"""The kiln work app."""

from django.apps import AppConfig


class FiringsConfig(AppConfig):
    name = "firings"
    verbose_name = "Firings"

    def ready(self) -> None:
        from coop.notices import Weight, declare
        from firings import home, joining  # noqa: F401

        declare(Weight.URGENT, "watch-call", "watch-reminder")
        declare(Weight.OWN, "allotted", "moved_up", "hours")
        declare(Weight.NEWS, "firing_called", "place-free")
