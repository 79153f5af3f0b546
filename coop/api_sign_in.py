"""Sign-in to the API by token. Apart from the rest, since the framework's base view needs it while it loads."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from django.utils.translation import gettext as _
from rest_framework import exceptions
from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.permissions import BasePermission
from rest_framework.request import Request

from coop.models import ApiToken
from coop.tokens import token_hash

if TYPE_CHECKING:
    from rest_framework.views import APIView


class TokenSignIn(BaseAuthentication):
    """``Authorization: Bearer <token>``; only the token's hash is kept."""

    def authenticate(self, request: Request) -> tuple[Any, Any] | None:
        words = get_authorization_header(request).split()
        if not words or words[0].lower() != b"bearer":
            return None
        if len(words) != 2:
            raise exceptions.AuthenticationFailed(_("Send the header as: Authorization: Bearer TOKEN."))
        found = (
            ApiToken.objects.filter(token_hash=token_hash(words[1].decode("latin-1")), revoked_at=None)
            .select_related("person")
            .first()
        )
        if found is None or not found.person.is_active:
            raise exceptions.AuthenticationFailed(_("This token is not known or was revoked; make a new one."))
        today = datetime.now(UTC).date()
        if found.last_used_on != today:
            ApiToken.objects.filter(pk=found.pk).update(last_used_on=today)
        return found.person, found

    def authenticate_header(self, request: Request) -> str:
        return "Bearer"


class BelongsToCoop(BasePermission):
    """Only signed-in people; membership was checked when the co-op was entered."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        return bool(request.user and request.user.is_authenticated)
