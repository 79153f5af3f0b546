"""Probes and loggers over the API, and the one address a logger itself may reach."""

from __future__ import annotations

import math
from typing import Any, ClassVar
from uuid import UUID
from zoneinfo import ZoneInfo

from django.contrib.auth.models import AnonymousUser
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from drf_spectacular.utils import extend_schema
from rest_framework import exceptions, serializers
from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from coop.api_ground import CoopAPIView, Moment
from coop.logs import coop_slug
from coop.models import Coop
from coop.transactions import set_coop
from firings.models import Logger
from firings.queries import probes as queries
from firings.services import probes as services
from firings.services.kilns import kiln_of
from firings.services.log import MOST_AT_ONCE, Received


class ProbeIn(serializers.Serializer[Any]):
    name = serializers.CharField(max_length=200)
    place = serializers.CharField(required=False, allow_blank=True, max_length=200, default="")
    offset_dc = serializers.IntegerField(required=False, default=0, help_text="Tenths of °C added to what it shows.")


class ProbeChangeIn(serializers.Serializer[Any]):
    place = serializers.CharField(required=False, allow_blank=True, max_length=200, default="")
    offset_dc = serializers.IntegerField(required=False, default=0)


class ProbeFactsOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")
    name = serializers.CharField()
    place = serializers.CharField(allow_blank=True)
    offset_dc = serializers.IntegerField()
    changed_at = serializers.DateTimeField()


class LoggerIn(serializers.Serializer[Any]):
    name = serializers.CharField(max_length=200)


class LoggerOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")
    name = serializers.CharField()
    made_at = serializers.DateTimeField()
    last_sent_at = serializers.DateTimeField(allow_null=True)


class LoggerMadeOut(LoggerOut):
    key = serializers.CharField(help_text="Shown this once.")


class SentIn(serializers.Serializer[Any]):
    """One reading; ``c`` or ``f``, not both."""

    seq = serializers.IntegerField(min_value=0, max_value=2_147_483_647)
    at = Moment(help_text="RFC 3339; without an offset by the co-op's clock.")
    probe = serializers.CharField(max_length=30)
    c = serializers.FloatField(required=False, help_text="°C")
    f = serializers.FloatField(required=False, help_text="°F")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("c" in attrs) == ("f" in attrs):
            raise serializers.ValidationError(_("Give the temperature once: c for °C, or f for °F."))
        degrees = attrs["c"] if "c" in attrs else (attrs["f"] - 32) * 5 / 9
        if not math.isfinite(degrees) or abs(degrees) > 10_000:
            raise serializers.ValidationError(_("Give the temperature as a number, e.g. 1043.5."))
        return {**attrs, "temperature_dc": round(degrees * 10)}


class SentBatchIn(serializers.Serializer[Any]):
    """What is checked first: a list, not too long; its readings are then judged one by one."""

    device_id = serializers.CharField(required=False, allow_blank=True, max_length=20, default="")
    readings = serializers.ListField(
        child=serializers.JSONField(allow_null=True), allow_empty=False, max_length=MOST_AT_ONCE
    )


class SentBatchShown(serializers.Serializer[Any]):
    device_id = serializers.CharField(
        required=False, allow_blank=True, max_length=20, help_text="Another one after the logger counts anew."
    )
    readings = SentIn(many=True)


class SentAnswerOut(serializers.Serializer[Any]):
    seq = serializers.IntegerField(allow_null=True)
    outcome = serializers.ChoiceField(choices=["written", "known", "refused"])
    detail = serializers.CharField(allow_blank=True, help_text="Why it was refused, in one sentence.")


class SentBatchOut(serializers.Serializer[Any]):
    answers = SentAnswerOut(many=True)


class LoggerReachedOut(serializers.Serializer[Any]):
    at = serializers.DateTimeField(help_text="The clock here, to set the logger's own by.")
    kiln = serializers.CharField()
    probes = serializers.ListField(child=serializers.CharField())


class LoggerSignIn(BaseAuthentication):
    """``Authorization: Bearer <key of a logger>``; the co-op is the address's, and only its loggers are looked at."""

    def authenticate(self, request: Request) -> tuple[Any, Any]:
        words = get_authorization_header(request).split()
        if len(words) != 2 or words[0].lower() != b"bearer":
            raise exceptions.NotAuthenticated(_("Send the logger's key in the header: Authorization: Bearer KEY."))
        coop = Coop.objects.filter(slug=getattr(request._request, "coop_slug", "")).first()
        logger = None
        if coop is not None:
            request._request.coop = coop  # type: ignore[attr-defined]
            set_coop(coop.pk, local=False)
            logger = services.logger_by_key(coop, words[1].decode("latin-1"))
        if logger is None:
            raise exceptions.AuthenticationFailed(
                _("This key is not known or was revoked; ask the kiln steward for a new one.")
            )
        coop_slug.set(logger.coop.slug)
        timezone.activate(ZoneInfo(logger.coop.time_zone))
        return AnonymousUser(), logger

    def authenticate_header(self, request: Request) -> str:
        return "Bearer"


class LoggerScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    target_class = "firings.api.probes.LoggerSignIn"
    name = "logger"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:
        return {"type": "http", "scheme": "bearer"}


class LoggerReadings(APIView):
    """The only address a logger's key opens."""

    signs_in_itself: ClassVar[bool] = True
    authentication_classes = [LoggerSignIn]
    permission_classes: Any = []

    @extend_schema(operation_id="logger_reach", responses=LoggerReachedOut)
    def get(self, request: Request, **kwargs: Any) -> Response:
        """Whether the logger gets through, what time it is, and the names of the kiln's probes."""
        logger = request.auth
        assert isinstance(logger, Logger)
        said = {
            "at": timezone.now(),
            "kiln": logger.kiln.name,
            "probes": [probe.name for probe in queries.probes_of(logger.kiln)],
        }
        return Response(LoggerReachedOut(said).data, headers={"Cache-Control": "no-store"})

    @extend_schema(operation_id="logger_readings", request=SentBatchShown, responses=SentBatchOut)
    def post(self, request: Request, **kwargs: Any) -> Response:
        """Take a logger's readings: each device_id and seq once, each with its own answer."""
        logger = request.auth
        assert isinstance(logger, Logger)
        body = SentBatchIn(data=request.data)
        body.is_valid(raise_exception=True)
        sent = body.validated_data["readings"]
        checked = [SentIn(data=one if isinstance(one, dict) else {}) for one in sent]
        fit = [one for one in checked if one.is_valid()]
        taken = services.take_readings(
            logger.coop,
            by=None,
            now=timezone.now(),
            logger=logger,
            device_id=body.validated_data["device_id"],
            readings=[
                services.Sent(one["seq"], one["at"], one["probe"], one["temperature_dc"])
                for one in (dict(form.validated_data) for form in fit)
            ],
        )
        outcomes = dict(zip(map(id, fit), taken, strict=True))
        answers = [_answer(form, outcomes.get(id(form))) for form in checked]
        return Response(SentBatchOut({"answers": answers}).data)


def _answer(form: SentIn, got: Received | None) -> dict[str, Any]:
    if got is not None:
        return {"seq": form.validated_data["seq"], "outcome": got.outcome, "detail": str(got.why or "")}
    seq = form.initial_data.get("seq")
    faults = [
        str(texts[0]) if name == "non_field_errors" else f"{name}: {texts[0]}" for name, texts in form.errors.items()
    ]
    known = seq if isinstance(seq, int) and not isinstance(seq, bool) and 0 <= seq < 2**31 else None
    return {"seq": known, "outcome": "refused", "detail": " ".join(faults)}


class KilnProbes(CoopAPIView):
    @extend_schema(operation_id="probes_list", responses=ProbeFactsOut(many=True))
    def get(self, request: Request, kiln: UUID, **kwargs: Any) -> Response:
        """The kiln's probes in use, by name."""
        return Response(ProbeFactsOut(queries.probes_of(kiln_of(self.coop, kiln)), many=True).data)

    @extend_schema(operation_id="probe_add", request=ProbeIn, responses={201: ProbeFactsOut})
    def post(self, request: Request, kiln: UUID, **kwargs: Any) -> Response:
        """Add a probe; readings of its name carry its offset from now on."""
        said = self.read(ProbeIn)
        row = services.add_probe(self.coop, by=self.membership, now=timezone.now(), kiln_id=kiln, **said)
        return Response(ProbeFactsOut(row).data, status=201)


class ProbeView(CoopAPIView):
    @extend_schema(operation_id="probe_change", request=ProbeChangeIn, responses=ProbeFactsOut)
    def put(self, request: Request, probe: UUID, **kwargs: Any) -> Response:
        """Another place or offset; readings written before keep theirs."""
        said = self.read(ProbeChangeIn)
        row = services.change_probe(self.coop, by=self.membership, now=timezone.now(), probe_id=probe, **said)
        return Response(ProbeFactsOut(row).data)

    @extend_schema(operation_id="probe_retire", responses={204: None})
    def delete(self, request: Request, probe: UUID, **kwargs: Any) -> Response:
        """The probe is used no more; its readings stay."""
        services.retire_probe(self.coop, by=self.membership, now=timezone.now(), probe_id=probe)
        return Response(status=204)


class KilnLoggers(CoopAPIView):
    told_once = ("key",)

    @extend_schema(operation_id="loggers_list", responses=LoggerOut(many=True))
    def get(self, request: Request, kiln: UUID, **kwargs: Any) -> Response:
        """The loggers whose keys stand."""
        return Response(LoggerOut(queries.loggers_of(kiln_of(self.coop, kiln)), many=True).data)

    @extend_schema(operation_id="logger_make", request=LoggerIn, responses={201: LoggerMadeOut})
    def post(self, request: Request, kiln: UUID, **kwargs: Any) -> Response:
        """Make a logger and its key, which is shown this once; repeated, the answer has no key."""
        row, key = services.make_logger(
            self.coop, by=self.membership, now=timezone.now(), kiln_id=kiln, name=self.read(LoggerIn)["name"]
        )
        return Response({**LoggerOut(row).data, "key": key}, status=201)


class LoggerView(CoopAPIView):
    @extend_schema(operation_id="logger_revoke", responses={204: None})
    def delete(self, request: Request, logger: UUID, **kwargs: Any) -> Response:
        """End the logger's key at once."""
        services.revoke_logger(self.coop, by=self.membership, now=timezone.now(), logger_id=logger)
        return Response(status=204)


urls = [
    path("logger-readings/", LoggerReadings.as_view(), name="api_logger_readings"),
    path("kilns/<uuid:kiln>/probes/", KilnProbes.as_view(), name="api_kiln_probes"),
    path("probes/<uuid:probe>/", ProbeView.as_view(), name="api_probe"),
    path("kilns/<uuid:kiln>/loggers/", KilnLoggers.as_view(), name="api_kiln_loggers"),
    path("loggers/<uuid:logger>/", LoggerView.as_view(), name="api_logger"),
]
