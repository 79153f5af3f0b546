"""Operators look at the rows of the kiln work and change none of them."""

import pytest
from django.apps import apps
from django.urls import reverse

from coop.models import Person
from firings.models import Firing
from tests.factories_firings import make_firing

pytestmark = pytest.mark.django_db


@pytest.fixture
def operator(client):
    client.force_login(Person.objects.create_superuser("op@example.org", "a long way from any kiln", name="Op"))
    return client


@pytest.mark.parametrize("model", list(apps.get_app_config("firings").get_models()), ids=lambda model: model.__name__)
def test_operators_may_look_at_every_table_and_add_nothing(operator, model):
    make_firing(stage="cleanup")
    name = f"admin:firings_{model._meta.model_name}"
    assert operator.get(reverse(f"{name}_changelist")).status_code == 200
    assert operator.get(reverse(f"{name}_add")).status_code == 403


def test_operators_see_a_firing_and_cannot_change_or_delete_it(operator):
    firing = make_firing()
    address = reverse("admin:firings_firing_change", args=[firing.pk])
    assert firing.name in operator.get(address).content.decode()
    assert operator.post(address, {"name": "Theirs now"}).status_code == 403
    assert operator.post(reverse("admin:firings_firing_delete", args=[firing.pk])).status_code == 403
    assert Firing.objects.get() == firing
    assert Firing.objects.get().name == firing.name
