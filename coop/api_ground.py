"""What every API view stands on: sign-in, the co-op, problem+json, idempotency keys, the schema."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from datetime import datetime, tzinfo
from typing import Any, ClassVar
from zoneinfo import ZoneInfo

from django.conf import settings
from django.core.exceptions import PermissionDenied, RequestDataTooBig
from django.http import Http404
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework import exceptions, serializers, status
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from coop.errors import Malformed, NotFound, Refused
from coop.http import enter_coop, membership_of
from coop.models import Coop, IdempotencyKey, Membership
from coop.periods import local_moment
from coop.transactions import Once, once, reading
from coop.uploads import most_mb

PROBLEM = "application/problem+json"
UNSAFE = ("POST", "PUT", "PATCH", "DELETE")


class TokenScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    target_class = "coop.api_sign_in.TokenSignIn"
    name = "token"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:
        return {"type": "http", "scheme": "bearer"}


class CoopAPIView(APIView):
    """A view inside one co-op. GET runs in one read-only snapshot; unsafe calls need an Idempotency-Key."""

    signs_in_itself: ClassVar[bool] = True
    needs_key: ClassVar[bool] = True
    told_once: ClassVar[tuple[str, ...]] = ()  # keys of the answer that are secret and kept nowhere
    coop: Coop
    membership: Membership

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        slug = getattr(request._request, "coop_slug", None) or kwargs["coop"]
        membership = membership_of(request.user, slug)
        enter_coop(request._request, membership)
        self.coop, self.membership = membership.coop, membership

    def dispatch(self, request: Any, *args: Any, **kwargs: Any) -> Any:
        handler = getattr(self, request.method.lower(), None)
        if handler is not None and request.method in ("GET", "HEAD", *UNSAFE):
            guarded = _reads(self, handler) if request.method in ("GET", "HEAD") else _writes(self, handler)
            setattr(self, request.method.lower(), guarded)
        return super().dispatch(request, *args, **kwargs)

    def read(self, serializer: type[serializers.Serializer[Any]], **extra: Any) -> dict[str, Any]:
        """The request's body as checked values; unknown keys change nothing."""
        checked = serializer(data=self.request.data, **extra)
        checked.is_valid(raise_exception=True)
        return dict(checked.validated_data)


def _reads(view: CoopAPIView, handler: Callable[..., Response]) -> Callable[..., Response]:
    def run(request: Request, *args: Any, **kwargs: Any) -> Response:
        with reading(view.coop):
            return handler(request, *args, **kwargs)

    return run


def _writes(view: CoopAPIView, handler: Callable[..., Response]) -> Callable[..., Response]:
    def run(request: Request, *args: Any, **kwargs: Any) -> Response:
        key = request.headers.get("Idempotency-Key", "")[:100]
        if not key:
            if view.needs_key:
                raise Malformed(
                    [_("Send an Idempotency-Key header (any unique text), so that a retry has one effect.")]
                )
            return handler(request, *args, **kwargs)
        wanted = Once(view.membership.person, f"{request.method} {request.path}"[:200], key, _hash(request.data))
        if (answer := _answered(view, wanted)) is not None:
            return answer
        token = once.set(wanted)
        try:
            response = handler(request, *args, **kwargs)
        finally:
            once.reset(token)
        if wanted.row is not None:
            kept = _storable(json.loads(json.dumps(response.data, default=str)))
            kept = {**kept, **{name: "" for name in view.told_once if name in kept}} if view.told_once else kept
            IdempotencyKey.objects.filter(pk=wanted.row.pk).update(status=response.status_code, answer=kept)
        return response

    return run


def _storable(value: Any) -> Any:
    """As a database can keep it: an answer may say back a text with a NUL, which PostgreSQL's JSON cannot hold."""
    if isinstance(value, str):
        return value.replace("\0", "\N{REPLACEMENT CHARACTER}")
    if isinstance(value, list):
        return [_storable(one) for one in value]
    if isinstance(value, dict):
        return {_storable(name): _storable(one) for name, one in value.items()}
    return value


def _hash(data: Any) -> str:
    return hashlib.sha256(json.dumps(data, sort_keys=True, default=_plain).encode()).hexdigest()


def _plain(value: Any) -> str:
    """A file in the body counts by its content, not by its name."""
    return hashlib.sha256(value).hexdigest() if isinstance(value, bytes) else str(value)


def _answered(view: CoopAPIView, wanted: Once) -> Response | None:
    row = IdempotencyKey.objects.filter(
        coop=view.coop, person=wanted.person, route=wanted.route, key=wanted.key
    ).first()
    if row is None:
        return None
    if row.body_hash != wanted.body_hash:
        raise Refused(_("This Idempotency-Key was used with another body; take a new key for a new request."))
    if row.status == 0:
        return Response(
            _problem("taken", 409, _("This request was already carried out; read the resource to see it.")),
            status=409,
            content_type=PROBLEM,
        )
    return Response(row.answer, status=row.status, headers={"Idempotent-Replay": "true"})


def _problem(kind: str, code: int, detail: str, **more: Any) -> dict[str, Any]:
    return {
        "type": f"{settings.SITE_URL}/problems/{kind}",
        "title": kind.replace("-", " "),
        "status": code,
        "detail": detail,
        **more,
    }


def problem(error: Exception, context: dict[str, Any]) -> Response | None:
    """Every refusal as ``application/problem+json`` (RFC 9457); surprises stay surprises."""
    headers: dict[str, str] = {}
    if isinstance(error, Refused):
        more: dict[str, Any] = {"fields": error.fields} if error.fields else {}
        if isinstance(error, Malformed) and len(error.faults) > 1:
            more["faults"] = list(error.faults)
        body = _problem(error.kind, error.status, str(error), **more)
    elif isinstance(error, Http404):
        body = _problem(NotFound.kind, 404, _("There is no such thing in this co-op."))
    elif isinstance(error, PermissionDenied):
        body = _problem("not-allowed", 403, _("Your roles do not cover this."))
    elif isinstance(error, RequestDataTooBig):
        said = _("The body is larger than %(most)s MB; send it in smaller parts.") % {"most": most_mb(error)}
        body = _problem("too-large", 413, said)
    elif isinstance(error, exceptions.ValidationError):
        fields = _flat(error.detail)
        body = _problem("malformed", 400, " ".join(f"{k}: {v[0]}" for k, v in fields.items()), fields=fields)
    elif isinstance(error, exceptions.APIException):
        kind = "not-signed-in" if error.status_code in (401,) else str(error.default_code).replace("_", "-")
        body = _problem(kind, error.status_code, str(error.detail))
        if (wait := getattr(error, "wait", None)) is not None:
            headers["Retry-After"] = str(int(wait) + 1)
        if (challenge := getattr(error, "auth_header", None)) is not None:
            headers["WWW-Authenticate"] = challenge
    else:
        return None
    return Response(body, status=body["status"], content_type=PROBLEM, headers=headers)


def _flat(detail: Any, at: str = "") -> dict[str, list[str]]:
    """Nested validation errors as ``{"pieces.0.count": ["..."]}``."""
    found: dict[str, list[str]] = {}
    if isinstance(detail, dict):
        for key, value in detail.items():
            found.update(_flat(value, f"{at}.{key}" if at else str(key)))
    elif isinstance(detail, list) and any(isinstance(item, dict | list) for item in detail):
        for number, item in enumerate(detail):
            found.update(_flat(item, f"{at}.{number}" if at else str(number)))
    elif detail:
        found[at or "body"] = [str(item) for item in (detail if isinstance(detail, list) else [detail])]
    return found


class Moment(serializers.DateTimeField):
    """A moment that is sent: RFC 3339; without an offset it is the co-op's clock, and must have been on it."""

    default_error_messages = {
        "invalid": gettext_lazy("Write a moment like 2026-05-09T06:00:00Z, or without the Z by the co-op's clock."),
        "overflow": gettext_lazy("This moment is too far away; check the year."),
    }

    def enforce_timezone(self, value: datetime) -> datetime:
        zone: tzinfo = timezone.get_current_timezone()
        if timezone.is_aware(value) or not isinstance(zone, ZoneInfo):
            return super().enforce_timezone(value)
        try:
            return local_moment(value.date(), value.time(), zone)
        except Refused as no:
            raise serializers.ValidationError(str(no)) from no


class ProblemSerializer(serializers.Serializer[Any]):
    """An error as RFC 9457 describes it."""

    type = serializers.CharField()
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField()
    fields_ = serializers.DictField(child=serializers.ListField(child=serializers.CharField()), required=False)

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        named = super().get_fields()
        named["fields"] = named.pop("fields_")
        return named


class Schema(AutoSchema):
    """Every operation tells its refusals; unsafe ones take an Idempotency-Key."""

    def get_override_parameters(self) -> list[Any]:
        if self.method in UNSAFE and getattr(self.view, "needs_key", False):
            return [
                OpenApiParameter(
                    "Idempotency-Key",
                    OpenApiTypes.STR,
                    OpenApiParameter.HEADER,
                    required=True,
                    description="Any unique text; the same key again gives the same answer and no second effect.",
                )
            ]
        return []

    def _get_response_bodies(self, direction: Any = "response") -> Any:
        bodies = super()._get_response_bodies(direction)
        codes = ["400", "401", "403", "404"] + (["409", "422"] if self.method in UNSAFE else [])
        for code in codes:
            bodies.setdefault(
                code,
                self._get_response_for_code(ProblemSerializer, code, [PROBLEM], direction),  # type: ignore[no-untyped-call]
            )
        return bodies


__all__ = ["CoopAPIView", "Moment", "ProblemSerializer", "problem", "status"]
