"""The money app."""

from django.apps import AppConfig


class BillingConfig(AppConfig):
    name = "billing"
    verbose_name = "Money"

    def ready(self) -> None:
        from billing import figures, firing_money, home, tasks  # noqa: F401
        from coop.notices import Weight, declare

        declare(Weight.OWN, "questions", "answer", "statement", "reversed")
