"""The clean-up checklist over the API."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.urls import path
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from coop.api_ground import CoopAPIView
from firings.models import CheckItem
from firings.queries import cleanup as queries
from firings.services import cleanup as services


class CheckItemOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    position = serializers.IntegerField()
    text = serializers.CharField()
    assigned_to_id = serializers.UUIDField(allow_null=True)
    assigned_to = serializers.CharField(allow_blank=True)
    due_on = serializers.DateField()
    is_safety = serializers.BooleanField(help_text="The next fire must not be lit before this is done.")
    needs_sign_off = serializers.CharField(allow_blank=True)
    done_at = serializers.DateTimeField(allow_null=True)


class ChecklistOut(serializers.Serializer[Any]):
    made_at = serializers.DateTimeField(allow_null=True, help_text="Null before clean-up.")
    signed_at = serializers.DateTimeField(allow_null=True)
    items = CheckItemOut(many=True)


class AssignIn(serializers.Serializer[Any]):
    member_id = serializers.UUIDField(allow_null=True, help_text="Null takes the name off the line.")


class TickIn(serializers.Serializer[Any]):
    done = serializers.BooleanField()


class SignedOut(serializers.Serializer[Any]):
    stage = serializers.CharField()
    occupied_until = serializers.DateTimeField()
    cleaned_at = serializers.DateTimeField()


def _item(item: CheckItem) -> dict[str, Any]:
    return {
        "id": item.public_id,
        "position": item.position,
        "text": item.text,
        "assigned_to_id": item.assigned_to.public_id if item.assigned_to is not None else None,
        "assigned_to": item.assigned_to.name if item.assigned_to is not None else "",
        "due_on": item.due_on,
        "is_safety": item.is_safety,
        "needs_sign_off": item.needs_sign_off,
        "done_at": item.done_at,
    }


class ChecklistView(CoopAPIView):
    @extend_schema(operation_id="checklist_read", responses=ChecklistOut)
    def get(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """The checklist of a firing with names and due dates."""
        page = queries.checklist_page(self.coop, firing, self.membership, now=timezone.now())
        said = {
            "made_at": page.checklist.made_at if page.checklist else None,
            "signed_at": page.checklist.signed_at if page.checklist else None,
            "items": [_item(line.item) for line in page.lines],
        }
        return Response(ChecklistOut(said).data)


class AssignView(CoopAPIView):
    @extend_schema(operation_id="check_item_assign", request=AssignIn, responses=CheckItemOut)
    def post(self, request: Request, item: UUID, **kwargs: Any) -> Response:
        """Give a line to somebody; anybody may take one without a name."""
        row = services.assign(
            self.coop,
            by=self.membership,
            now=timezone.now(),
            item_id=item,
            member_id=self.read(AssignIn)["member_id"],
        )
        return Response(CheckItemOut(_item(row)).data)


class TickView(CoopAPIView):
    @extend_schema(operation_id="check_item_tick", request=TickIn, responses=CheckItemOut)
    def post(self, request: Request, item: UUID, **kwargs: Any) -> Response:
        """Mark a line done, or open again."""
        row = services.tick(
            self.coop, by=self.membership, now=timezone.now(), item_id=item, done=self.read(TickIn)["done"]
        )
        return Response(CheckItemOut(_item(row)).data)


class SignOffView(CoopAPIView):
    @extend_schema(operation_id="checklist_sign_off", request=None, responses=SignedOut)
    def post(self, request: Request, firing: UUID, **kwargs: Any) -> Response:
        """Sign the finished checklist: the kiln is free and the firing settles."""
        done = services.sign_off(self.coop, by=self.membership, now=timezone.now(), firing_id=firing)
        return Response(
            SignedOut({"stage": done.stage, "occupied_until": done.occupied_until, "cleaned_at": done.cleaned_at}).data
        )


urls = [
    path("firings/<uuid:firing>/checklist/", ChecklistView.as_view(), name="api_checklist"),
    path("firings/<uuid:firing>/checklist/sign-off/", SignOffView.as_view(), name="api_checklist_sign_off"),
    path("check-items/<uuid:item>/assign/", AssignView.as_view(), name="api_check_item_assign"),
    path("check-items/<uuid:item>/tick/", TickView.as_view(), name="api_check_item_tick"),
]
