"""The firing log, its curve and hand-overs over the API."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from uuid import UUID

from django.core.paginator import Paginator
from django.middleware.csrf import get_token
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from coop.api_ground import CoopAPIView, Moment
from firings.access import check_takes_part
from firings.fire.ahead import Ahead
from firings.fire.entries import Entry, readings
from firings.models import Firing, HandOver, LogEntry
from firings.queries import fire as queries
from firings.queries.firings import firing_of
from firings.queries.outlook import FireOutlook, outlook_of
from firings.services import hand_overs, log
from firings.services.log import EntrySpec

PAGE = 50


class EntryIn(serializers.Serializer[Any]):
    """One entry; which fields it needs follows from its kind. ``id`` may be made by the device."""

    id = serializers.UUIDField(required=False, help_text="Made by the device: sent again, nothing happens twice.")
    kind = serializers.ChoiceField(choices=LogEntry.Kind.choices)
    observed_at = Moment(required=False, help_text="When it was seen; left out: now.")
    device_id = serializers.CharField(required=False, allow_blank=True, max_length=40)
    device_seq = serializers.IntegerField(required=False, allow_null=True, min_value=0)
    device_at = Moment(required=False, allow_null=True, help_text="The device's own clock.")
    device_offset_min = serializers.IntegerField(
        required=False, allow_null=True, help_text="Minutes the device's clock is ahead of UTC."
    )
    probe = serializers.CharField(required=False, allow_blank=True, max_length=200)
    temperature_dc = serializers.IntegerField(
        required=False, allow_null=True, help_text="Tenths of °C, as the probe shows it; or of the air outside."
    )
    cone = serializers.CharField(required=False, allow_blank=True, max_length=200)
    pack = serializers.CharField(required=False, allow_blank=True, max_length=200)
    cone_state = serializers.CharField(
        required=False, allow_blank=True, max_length=20, help_text="standing, soft, bent or down."
    )
    port = serializers.CharField(required=False, allow_blank=True, max_length=200)
    pieces = serializers.IntegerField(required=False, allow_null=True)
    wood_size = serializers.CharField(required=False, allow_blank=True, max_length=200)
    damper = serializers.CharField(required=False, allow_blank=True, max_length=200)
    phase = serializers.CharField(required=False, allow_blank=True, max_length=20, help_text="start or stop.")
    grams = serializers.IntegerField(required=False, allow_null=True)
    soda_form = serializers.CharField(
        required=False, allow_blank=True, max_length=20, help_text="dry, damp, spray or block."
    )
    place = serializers.CharField(required=False, allow_blank=True, max_length=200)
    air = serializers.CharField(required=False, allow_blank=True, max_length=200)
    flame = serializers.CharField(required=False, allow_blank=True, max_length=200)
    smoke = serializers.CharField(
        required=False, allow_blank=True, max_length=20, help_text="none, light, grey or black."
    )
    kg = serializers.IntegerField(required=False, allow_null=True, help_text="Wood brought.")
    reason = serializers.CharField(required=False, allow_blank=True, help_text="Why it was decided.")
    text = serializers.CharField(required=False, allow_blank=True)
    picture_ids = serializers.ListField(
        child=serializers.UUIDField(), required=False, max_length=log.MOST_PICTURES, help_text="Photos sent before."
    )


class EntriesIn(serializers.Serializer[Any]):
    entries = EntryIn(many=True, allow_empty=False)


class StrikeIn(serializers.Serializer[Any]):
    id = serializers.UUIDField(required=False, help_text="Of the line that strikes, made by the device.")
    why = serializers.CharField(required=False, allow_blank=True, max_length=200)


class EntryOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    kind = serializers.CharField()
    observed_at = serializers.DateTimeField()
    entered_at = serializers.DateTimeField()
    by_id = serializers.UUIDField()
    by = serializers.CharField()
    logger = serializers.CharField(allow_blank=True, help_text="The logger that sent it; then by answers for it.")
    device_id = serializers.CharField(allow_blank=True)
    device_seq = serializers.IntegerField(allow_null=True)
    device_at = serializers.DateTimeField(allow_null=True)
    device_offset_min = serializers.IntegerField(allow_null=True)
    probe = serializers.CharField(allow_blank=True)
    temperature_dc = serializers.IntegerField(allow_null=True)
    cone = serializers.CharField(allow_blank=True)
    pack = serializers.CharField(allow_blank=True)
    cone_state = serializers.CharField(allow_blank=True)
    port = serializers.CharField(allow_blank=True)
    pieces = serializers.IntegerField(allow_null=True)
    wood_size = serializers.CharField(allow_blank=True)
    damper = serializers.CharField(allow_blank=True)
    phase = serializers.CharField(allow_blank=True)
    grams = serializers.IntegerField(allow_null=True)
    soda_form = serializers.CharField(allow_blank=True)
    offset_dc = serializers.IntegerField(help_text="Of the probe at that time: add it to temperature_dc.")
    place = serializers.CharField(allow_blank=True)
    air = serializers.CharField(allow_blank=True)
    flame = serializers.CharField(allow_blank=True)
    smoke = serializers.CharField(allow_blank=True)
    kg = serializers.IntegerField(allow_null=True)
    reason = serializers.CharField(allow_blank=True)
    text = serializers.CharField(allow_blank=True)
    picture_ids = serializers.ListField(child=serializers.UUIDField())
    corrects_id = serializers.UUIDField(allow_null=True)
    strikes = serializers.BooleanField()
    warnings = serializers.ListField(
        child=serializers.CharField(), help_text="What looks odd; told when it is written, never in the way."
    )


class LogOut(serializers.Serializer[Any]):
    count = serializers.IntegerField()
    page = serializers.IntegerField()
    pages = serializers.IntegerField()
    entries = EntryOut(many=True)


class WrittenOut(serializers.Serializer[Any]):
    entries = EntryOut(many=True)


class AnswerOut(serializers.Serializer[Any]):
    id = serializers.CharField(help_text="As it was sent.")
    outcome = serializers.ChoiceField(choices=["written", "known", "refused"])
    detail = serializers.CharField(allow_blank=True, help_text="Why it was refused, in one sentence.")
    warnings = serializers.ListField(child=serializers.CharField())


class BatchIn(serializers.Serializer[Any]):
    """Entries are judged one by one, so that a faulty one keeps no other out; each needs its ``id``."""

    entries = serializers.ListField(child=serializers.JSONField(), allow_empty=False, max_length=log.MOST_AT_ONCE)


class BatchOut(serializers.Serializer[Any]):
    answers = AnswerOut(many=True)


class ReachedOut(serializers.Serializer[Any]):
    at = serializers.DateTimeField(help_text="The clock here, to judge the device's own by.")
    member_id = serializers.UUIDField(help_text="Who is signed in.")
    stage = serializers.CharField()
    csrf_token = serializers.CharField(help_text="For a browser that sends its batch by its sign-in.")


class PointOut(serializers.Serializer[Any]):
    at = serializers.DateTimeField()
    temperature_dc = serializers.IntegerField()


class ProbeOut(serializers.Serializer[Any]):
    probe = serializers.CharField()
    last_dc = serializers.IntegerField()
    last_at = serializers.DateTimeField()
    rate_dc_per_h = serializers.IntegerField(allow_null=True)
    rate_low_dc_per_h = serializers.IntegerField(allow_null=True)
    rate_high_dc_per_h = serializers.IntegerField(allow_null=True)
    points = PointOut(many=True)


class CoolingOut(serializers.Serializer[Any]):
    below_at = serializers.DateTimeField()
    earliest = serializers.DateTimeField(help_text="Eight in ten kilns fall between earliest and latest.")
    latest = serializers.DateTimeField()
    half_from = serializers.DateTimeField(help_text="Half of all kilns: half_from to half_to.")
    half_to = serializers.DateTimeField()
    based_on = serializers.CharField()


class AheadOut(serializers.Serializer[Any]):
    likely = serializers.DateTimeField()
    earliest = serializers.DateTimeField(help_text="Eight in ten fires fall between earliest and latest.")
    latest = serializers.DateTimeField()


class FireOutlookOut(serializers.Serializer[Any]):
    cone = serializers.CharField()
    target_c = serializers.IntegerField(help_text="The cone's temperature by the chart at 60 °C an hour.")
    target = AheadOut()
    end_of_fire = AheadOut()
    based_on = serializers.CharField()


class CurveOut(serializers.Serializer[Any]):
    at = serializers.DateTimeField()
    lit_minutes = serializers.IntegerField(allow_null=True, help_text="Elapsed, between instants.")
    spread_dc = serializers.IntegerField(allow_null=True)
    is_stalled = serializers.BooleanField()
    round_minutes = serializers.IntegerField(allow_null=True, help_text="How long the round has been running.")
    soda_g = serializers.IntegerField()
    soda_g_per_m3 = serializers.IntegerField(allow_null=True)
    opening_c = serializers.IntegerField()
    cooling = CoolingOut(allow_null=True, help_text="An estimate of when it is below opening_c.")
    outlook = FireOutlookOut(allow_null=True, help_text="When the cone and the end of the fire are due.")
    probes = ProbeOut(many=True)


class HandOverIn(serializers.Serializer[Any]):
    text = serializers.CharField(required=False, max_length=8000, help_text="Only who goes may change the words.")


class HandOverOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    drafted_at = serializers.DateTimeField()
    text = serializers.CharField()
    outgoing_id = serializers.UUIDField(allow_null=True)
    outgoing_at = serializers.DateTimeField(allow_null=True)
    incoming_id = serializers.UUIDField(allow_null=True)
    incoming_at = serializers.DateTimeField(allow_null=True)


SAME = (
    "kind",
    "observed_at",
    "entered_at",
    "device_id",
    "device_seq",
    "device_at",
    "device_offset_min",
    "probe",
    "temperature_dc",
    "cone",
    "pack",
    "cone_state",
    "port",
    "pieces",
    "wood_size",
    "damper",
    "phase",
    "grams",
    "soda_form",
    "offset_dc",
    "place",
    "air",
    "flame",
    "smoke",
    "kg",
    "reason",
    "text",
    "strikes",
)


def _entry(row: LogEntry, warnings: Sequence[str] = ()) -> dict[str, Any]:
    return {
        **{name: getattr(row, name) for name in SAME},
        "id": row.public_id,
        "by_id": row.by.public_id,
        "by": row.by.name,
        "logger": row.logger.name if row.logger is not None else "",
        "picture_ids": [held.picture.public_id for held in row.pictures.all()],
        "corrects_id": row.corrects.public_id if row.corrects is not None else None,
        "warnings": list(warnings),
    }


def _spec(said: dict[str, Any]) -> EntrySpec:
    values = {name: value for name, value in said.items() if value is not None}
    photos = tuple(values.pop("picture_ids", ()))
    return EntrySpec(public_id=values.pop("id", None), pictures=photos, **values)


def _note(note: HandOver) -> dict[str, Any]:
    return {
        "id": note.public_id,
        "drafted_at": note.drafted_at,
        "text": note.text,
        "outgoing_id": note.outgoing.public_id if note.outgoing else None,
        "outgoing_at": note.outgoing_at,
        "incoming_id": note.incoming.public_id if note.incoming else None,
        "incoming_at": note.incoming_at,
    }


class _OfFiring(CoopAPIView):
    def seen(self, firing: UUID) -> Firing:
        found = firing_of(self.coop, firing)
        check_takes_part(self.membership, found)
        return found


class LogView(_OfFiring):
    @extend_schema(
        operation_id="log_list",
        parameters=[OpenApiParameter("page", OpenApiTypes.INT, description="From 1; 50 entries a page.")],
        responses=LogOut,
    )
    def get(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """The log in the order of writing; a correction names the entry it corrects."""
        rows = (
            LogEntry.objects.of(self.coop)
            .filter(firing=self.seen(firing))
            .select_related("by__person", "corrects", "logger")
            .prefetch_related("pictures__picture")
            .order_by("pk")
        )
        page = Paginator(rows, PAGE).get_page(request.query_params.get("page", "1"))
        said = {
            "count": page.paginator.count,
            "page": page.number,
            "pages": page.paginator.num_pages,
            "entries": [_entry(row) for row in page.object_list],
        }
        return Response(LogOut(said).data)

    @extend_schema(operation_id="log_write", request=EntriesIn, responses=WrittenOut)
    def post(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """Write entries, all or none; those whose id is in the log already stay as they are."""
        said = self.read(EntriesIn)
        before = queries.entries_of(queries.rows_of(self.seen(firing)))
        known = {entry.id for entry in before}
        rows = log.write(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            firing_id=firing,
            entries=[_spec(one) for one in said["entries"]],
        )
        new = [row for row in rows if str(row.public_id) not in known]
        told = [*before, *queries.entries_of(new)]
        doubts = {row.public_id: queries.doubts(row, told) for row in new}
        return Response(WrittenOut({"entries": [_entry(row, doubts.get(row.public_id, ())) for row in rows]}).data)


class BatchView(_OfFiring):
    needs_key = False  # the entries' own ids let each be written once

    @extend_schema(operation_id="log_batch_reach", responses=ReachedOut)
    def get(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """Whether a device gets through, and as whom."""
        said = {
            "at": timezone.now(),
            "member_id": self.membership.public_id,
            "stage": self.seen(firing).stage,
            "csrf_token": get_token(request._request),
        }
        return Response(ReachedOut(said).data, headers={"Cache-Control": "no-store"})

    @extend_schema(operation_id="log_batch", request=EntriesIn, responses=BatchOut)
    def post(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """Take what a device kept: each entry once, in the order of its numbers, each with its own answer."""
        sent = self.read(BatchIn)["entries"]
        before = queries.entries_of(queries.rows_of(self.seen(firing)))
        checked = [EntryIn(data=one if isinstance(one, dict) else {}) for one in sent]
        fit = [one for one in checked if one.is_valid() and "id" in one.validated_data]
        received = log.receive(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            firing_id=firing,
            entries=[_spec(dict(one.validated_data)) for one in fit],
        )
        outcomes = dict(zip(map(id, fit), received, strict=True))
        new = [one.row for one in received if one.outcome == "written" and one.row is not None]
        told = [*before, *queries.entries_of(new)]
        answers = [_answer(said, form, outcomes.get(id(form)), told) for said, form in zip(sent, checked, strict=True)]
        return Response(BatchOut({"answers": answers}).data)


def _answer(said: Any, form: EntryIn, got: log.Received | None, told: Sequence[Entry]) -> dict[str, Any]:
    named = str(said.get("id", ""))[:40] if isinstance(said, dict) else ""
    if got is None:
        faults = [f"{name}: {texts[0]}" for name, texts in form.errors.items()]
        detail = " ".join(faults) or _("Give the entry an id made by the device, so that it is written once.")
        return {"id": named, "outcome": "refused", "detail": detail, "warnings": []}
    odd = queries.doubts(got.row, told) if got.outcome == "written" and got.row is not None else []
    return {"id": named, "outcome": got.outcome, "detail": str(got.why or ""), "warnings": odd}


class CorrectionsView(CoopAPIView):
    @extend_schema(operation_id="log_correct", request=EntryIn, responses={201: EntryOut})
    def post(self, request: Request, entry: UUID, **kwargs: Any) -> Response:
        """Put a new entry in place of an old one; the old one stays in the log."""
        row = log.correct(
            self.coop, by=self.membership, now=timezone.now(), entry_id=entry, entry=_spec(self.read(EntryIn))
        )
        return Response(EntryOut(_entry(row)).data, status=201)


class StrikeView(CoopAPIView):
    @extend_schema(operation_id="log_strike", request=StrikeIn, responses={201: EntryOut})
    def post(self, request: Request, entry: UUID, **kwargs: Any) -> Response:
        """Strike an entry out; it stays in the log."""
        said = self.read(StrikeIn)
        row = log.strike(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            entry_id=entry,
            why=said.get("why", ""),
            public_id=said.get("id"),
        )
        return Response(EntryOut(_entry(row)).data, status=201)


def _outlook(seen: FireOutlook | None) -> dict[str, Any] | None:
    if seen is None:
        return None

    def said(due: Ahead) -> dict[str, Any]:
        earliest, latest = due.span(due.most)
        return {"likely": due.likely, "earliest": earliest, "latest": latest}

    return {
        "cone": seen.cone,
        "target_c": seen.target_c,
        "target": said(seen.target),
        "end_of_fire": said(seen.end),
        "based_on": seen.target.based_on,
    }


class CurveView(_OfFiring):
    @extend_schema(operation_id="fire_curve", responses=CurveOut)
    def get(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """Where the fire stands and the curve of every probe, corrections applied."""
        found = self.seen(firing)
        now = timezone.now()
        state = queries.state_of(found, queries.entries_of(queries.rows_of(found)), now)

        def minutes(length: Any) -> int | None:
            return None if length is None else int(length.total_seconds()) // 60

        said = {
            "at": now,
            "lit_minutes": minutes(state.hours_lit),
            "spread_dc": state.spread_dc,
            "is_stalled": state.is_stalled,
            "round_minutes": minutes(state.round_since),
            "soda_g": state.soda_g,
            "soda_g_per_m3": state.soda_g_per_m3,
            "opening_c": state.opening_c,
            "cooling": state.cooling,
            "outlook": _outlook(outlook_of(found, state.log, now)),
            "probes": [
                {
                    "probe": probe.name,
                    "last_dc": probe.last_dc,
                    "last_at": probe.last_at,
                    "rate_dc_per_h": probe.rate_dc,
                    "rate_low_dc_per_h": probe.rate_low_dc,
                    "rate_high_dc_per_h": probe.rate_high_dc,
                    "points": [
                        {"at": at, "temperature_dc": round(c * 10)} for at, c in readings(state.log, probe.name)
                    ],
                }
                for probe in state.probes
            ],
        }
        return Response(CurveOut(said).data)


class HandOversView(_OfFiring):
    @extend_schema(operation_id="hand_overs_list", responses=HandOverOut(many=True))
    def get(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """The last three notes from watch to watch, newest first."""
        notes = queries.hand_overs_of(self.seen(firing))
        return Response(HandOverOut([_note(note) for note in notes], many=True).data)

    @extend_schema(operation_id="hand_over_draft", request=None, responses={201: HandOverOut})
    def post(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """Draft the note from the log."""
        note = hand_overs.draft(self.coop, by=self.membership, now=timezone.now(), firing_id=firing)
        return Response(HandOverOut(_note(note)).data, status=201)


class HandOverAcceptView(CoopAPIView):
    @extend_schema(operation_id="hand_over_accept", request=HandOverIn, responses=HandOverOut)
    def post(self, request: Request, hand_over: UUID, **kwargs: Any) -> Response:
        """Accept the note: first whoever goes, then whoever comes."""
        note = hand_overs.accept(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            hand_over_id=hand_over,
            text=self.read(HandOverIn).get("text"),
        )
        return Response(HandOverOut(_note(note)).data)


urls = [
    path("firings/<uuid:firing>/log/", LogView.as_view(), name="api_log"),
    path("firings/<uuid:firing>/log/batch/", BatchView.as_view(), name="api_log_batch"),
    path("firings/<uuid:firing>/curve/", CurveView.as_view(), name="api_curve"),
    path("firings/<uuid:firing>/hand-overs/", HandOversView.as_view(), name="api_hand_overs"),
    path("log-entries/<uuid:entry>/corrections/", CorrectionsView.as_view(), name="api_log_correct"),
    path("log-entries/<uuid:entry>/strike/", StrikeView.as_view(), name="api_log_strike"),
    path("hand-overs/<uuid:hand_over>/accept/", HandOverAcceptView.as_view(), name="api_hand_over_accept"),
]
