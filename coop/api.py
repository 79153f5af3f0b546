"""The API of people: who I am here, members, invitations, and the schema of the whole."""

from __future__ import annotations

from typing import Any, ClassVar

from django.urls import URLPattern, path
from django.utils import timezone
from drf_spectacular.utils import OpenApiParameter, extend_schema
from drf_spectacular.views import SpectacularAPIView
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from coop import queries, services
from coop.access import check_coordinate
from coop.api_ground import CoopAPIView
from coop.models import MailWishes, Membership, Person, Role, SignOff


class SignOffOut(serializers.Serializer[Any]):
    kind = serializers.ChoiceField(choices=SignOff.Kind.choices)
    valid_until = serializers.DateField(allow_null=True)


class MemberOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    name = serializers.CharField()
    mark = serializers.CharField()
    roles = serializers.ListField(child=serializers.ChoiceField(choices=Role.Kind.choices))
    sign_offs = SignOffOut(many=True)


class CoopOut(serializers.Serializer[Any]):
    address = serializers.CharField()
    name = serializers.CharField()
    currency = serializers.CharField()
    time_zone = serializers.CharField()


class MeOut(MemberOut):
    email = serializers.EmailField()
    temperature_unit = serializers.ChoiceField(choices=Person.Temperature.choices)
    length_unit = serializers.ChoiceField(choices=Person.Length.choices)
    volume_unit = serializers.ChoiceField(choices=Person.Volume.choices)
    coop = CoopOut()


class MembersOut(serializers.Serializer[Any]):
    members = MemberOut(many=True)
    next_page = serializers.IntegerField(allow_null=True)


class InvitationIn(serializers.Serializer[Any]):
    email = serializers.EmailField(max_length=254)
    name = serializers.CharField(max_length=120, required=False, default="", allow_blank=True)
    roles = serializers.ListField(child=serializers.ChoiceField(choices=Role.Kind.choices), min_length=1)


class InvitationOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")
    email = serializers.EmailField()
    name = serializers.CharField()
    roles = serializers.ListField(child=serializers.ChoiceField(choices=Role.Kind.choices))
    invited_at = serializers.DateTimeField()
    expires_at = serializers.DateTimeField()


class InvitationsOut(serializers.Serializer[Any]):
    invitations = InvitationOut(many=True)
    next_page = serializers.IntegerField(allow_null=True)


PAGE = OpenApiParameter("page", int, OpenApiParameter.QUERY, description="From 1; 50 rows a page.")


def _told(member: Membership) -> dict[str, Any]:
    today = timezone.localdate()
    return {
        "id": member.public_id,
        "name": member.name,
        "mark": member.mark,
        "roles": [role.kind for role in member.roles.all()],
        "sign_offs": [
            {"kind": s.kind, "valid_until": s.valid_until} for s in member.sign_offs.all() if s.stands_on(today)
        ],
    }


class Me(CoopAPIView):
    @extend_schema(operation_id="me", responses=MeOut)
    def get(self, request: Request) -> Response:
        """Who you are in this co-op."""
        person, coop = self.membership.person, self.coop
        told = {
            **_told(self.membership),
            "email": person.email,
            "temperature_unit": person.temperature_unit,
            "length_unit": person.length_unit,
            "volume_unit": person.volume_unit,
            "coop": {
                "address": coop.slug,
                "name": coop.name,
                "currency": coop.currency,
                "time_zone": coop.time_zone,
            },
        }
        return Response(MeOut(told).data)


class MailWishesBody(serializers.Serializer[Any]):
    own = serializers.ChoiceField(choices=MailWishes.When.choices[:2], help_text="One's own pots, money and hours.")
    news = serializers.ChoiceField(choices=MailWishes.When.choices, help_text="Firings called, places free to take.")
    quiet_from = serializers.TimeField(allow_null=True, help_text="Local time of the co-op.")
    quiet_to = serializers.TimeField(allow_null=True)


class MyMail(CoopAPIView):
    @extend_schema(operation_id="my_mail", responses=MailWishesBody)
    def get(self, request: Request) -> Response:
        """Which of your mails come at once, which once a day, and when none do."""
        return Response(MailWishesBody(queries.mail_wishes_of(self.membership)).data)

    @extend_schema(operation_id="my_mail_change", request=MailWishesBody, responses=MailWishesBody)
    def put(self, request: Request) -> Response:
        """Choose anew. Your own watches, chores and clean-up are always mailed."""
        told = self.read(MailWishesBody)
        row = services.change_mail_wishes(self.coop, by=self.membership, **told, now=timezone.now())
        return Response(MailWishesBody(row).data)


class Members(CoopAPIView):
    @extend_schema(operation_id="members_list", parameters=[PAGE], responses=MembersOut)
    def get(self, request: Request) -> Response:
        """The members with roles and standing sign-offs, by name."""
        page = queries.members(self.coop, request.query_params.get("page"))
        following = page.next_page_number() if page.has_next() else None
        return Response(MembersOut({"members": [_told(row) for row in page], "next_page": following}).data)


class Invitations(CoopAPIView):
    @extend_schema(operation_id="invitations_list", parameters=[PAGE], responses=InvitationsOut)
    def get(self, request: Request) -> Response:
        """Open invitations; for the coordinator."""
        check_coordinate(self.membership)
        page = queries.open_invitations(self.coop, request.query_params.get("page"))
        following = page.next_page_number() if page.has_next() else None
        return Response(InvitationsOut({"invitations": list(page), "next_page": following}).data)

    @extend_schema(operation_id="invitations_create", request=InvitationIn, responses={201: InvitationOut})
    def post(self, request: Request) -> Response:
        """Mail somebody a link by which they join. The link itself is only in the mail."""
        told = self.read(InvitationIn)
        row = services.invite(self.coop, by=self.membership, **told, now=timezone.now())
        return Response(InvitationOut(row).data, status=201)


class Schema(SpectacularAPIView):
    """The whole API as OpenAPI 3.1; it holds nothing of any co-op, so anybody may read it."""

    signs_in_itself: ClassVar[bool] = True


urls: list[URLPattern] = [
    path("me", Me.as_view(), name="api_me"),
    path("me/mail", MyMail.as_view(), name="api_my_mail"),
    path("members", Members.as_view(), name="api_members"),
    path("invitations", Invitations.as_view(), name="api_invitations"),
    path("schema", Schema.as_view(), name="coop_schema"),
]
