"""The operators' pages: look at everything, change only who may sign in and what a co-op is called."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from allauth.account.decorators import secure_admin_login
from django.apps import apps
from django.contrib import admin
from django.contrib.auth import admin as _registers_groups  # noqa: F401
from django.contrib.auth.models import Group
from django.db.models import BinaryField, Model
from django.http import HttpRequest

from coop.models import ApiToken, Coop, CoopOwned, Person

if TYPE_CHECKING:  # generic for the type checker only
    AnyAdmin = admin.ModelAdmin[Any]
    PersonBase = admin.ModelAdmin[Person]
    CoopBase = admin.ModelAdmin[Coop]
else:
    AnyAdmin = PersonBase = CoopBase = admin.ModelAdmin

# One door for everybody: the sign-in page with its limits, not the admin's own.
admin.site.login = secure_admin_login(admin.site.login)  # type: ignore[method-assign]
admin.site.unregister(Group)

_SECRET = {"token_hash", "body_hash", "answer", "text", "link"}


class ReadOnly(AnyAdmin):
    """Rows that services own: the admin shows them and changes none."""

    list_per_page = 50
    show_full_result_count = False

    def has_add_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def get_fields(self, request: HttpRequest, obj: Any = None) -> Any:
        return [
            field.name
            for field in self.model._meta.fields
            if field.name not in _SECRET and not isinstance(field, BinaryField)
        ]


@admin.register(Person)
class PersonAdmin(PersonBase):
    list_display = ("name", "email", "is_active", "is_staff", "last_login")
    search_fields = ("name", "email")
    fields = ("name", "email", "is_active", "last_login", "joined_at", "public_id")
    readonly_fields = ("email", "last_login", "joined_at", "public_id")
    list_per_page = 50

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Person | None = None) -> bool:
        return False


@admin.register(Coop)
class CoopAdmin(CoopBase):
    list_display = ("name", "slug", "currency", "time_zone", "founded_at")
    fields = ("name", "time_zone", "slug", "currency", "founded_at", "public_id")
    readonly_fields = ("slug", "currency", "founded_at", "public_id")

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Coop | None = None) -> bool:
        return False


def _register(model: type[Model]) -> None:
    if not admin.site.is_registered(model):
        admin.site.register(model, ReadOnly)


_register(ApiToken)
for owned in apps.get_models():
    if issubclass(owned, CoopOwned):
        _register(owned)
