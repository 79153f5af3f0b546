"""The co-op's bank account, files of the bank and movements as JSON."""

from __future__ import annotations

import base64
import binascii
from typing import Any
from uuid import UUID

from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from billing import services
from billing.access import check_treasurer
from billing.api.ledger import SLICE, page_asked
from billing.queries import bank as queries
from coop.api_ground import CoopAPIView
from coop.errors import Malformed, NotFound


class BankAccountOut(serializers.Serializer[Any]):
    holder = serializers.CharField()
    iban = serializers.CharField()
    bic = serializers.CharField()
    set_at = serializers.DateTimeField()


class BankAccountIn(serializers.Serializer[Any]):
    holder = serializers.CharField(max_length=200)
    iban = serializers.CharField(max_length=60)
    bic = serializers.CharField(max_length=20, required=False, allow_blank=True, default="")


class BankAccount(CoopAPIView):
    @extend_schema(operation_id="bank_account_read", responses=BankAccountOut)
    def get(self, request: Request) -> Response:
        """The account members pay into; 404 while none is set."""
        account = queries.bank_account(self.coop)
        if account is None:
            raise NotFound(_("No account is set yet; the treasurer sets it under Money."))
        return Response(BankAccountOut(account).data)

    @extend_schema(operation_id="bank_account_set", request=BankAccountIn, responses=BankAccountOut)
    def put(self, request: Request) -> Response:
        """Set the account members pay into; treasurers and coordinators are mailed."""
        said = self.read(BankAccountIn)
        account = services.set_bank_account(self.coop, by=self.membership, now=timezone.now(), **said)
        return Response(BankAccountOut(account).data)


class BankProfileOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")
    name = serializers.CharField()
    rules = serializers.JSONField()


class BankProfileList(serializers.Serializer[Any]):
    profiles = BankProfileOut(many=True)


class ProfileIn(serializers.Serializer[Any]):
    name = serializers.CharField(max_length=200)
    rules = serializers.JSONField(
        help_text="separator, decimal, dates, encoding, and columns: ours to the bank's header"
    )


class FileIn(serializers.Serializer[Any]):
    name = serializers.CharField(max_length=200)
    content = serializers.CharField(help_text="The file's bytes in base64.", trim_whitespace=False)
    profile = serializers.UUIDField(required=False, allow_null=True, default=None)
    opening_minor = serializers.IntegerField(required=False, allow_null=True, default=None)
    closing_minor = serializers.IntegerField(required=False, allow_null=True, default=None)


class ProposedOut(serializers.Serializer[Any]):
    key = serializers.CharField()
    on = serializers.DateField(source="movement.on")
    amount_minor = serializers.IntegerField(source="movement.amount_minor")
    name = serializers.CharField(source="movement.name")
    text = serializers.CharField(source="movement.text")
    reference = serializers.CharField(source="movement.reference")
    member = serializers.UUIDField(source="member.public_id", allow_null=True, default=None)
    reason = serializers.CharField()


class BankFileOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="file.public_id")
    name = serializers.CharField(source="file.name")
    form = serializers.CharField(source="file.form")
    state = serializers.CharField(source="file.state")
    opening_minor = serializers.IntegerField(source="file.opening_minor")
    closing_minor = serializers.IntegerField(source="file.closing_minor")
    currency = serializers.CharField(source="file.currency")
    by_reference = ProposedOut(many=True, source="certain")
    proposals = ProposedOut(many=True)
    nobodys = ProposedOut(many=True, source="waiting")
    known = serializers.IntegerField()
    remarks = serializers.ListField(child=serializers.CharField())


class TakeIn(serializers.Serializer[Any]):
    accepted = serializers.ListField(
        child=serializers.CharField(max_length=64), required=False, default=list, max_length=20_000
    )


class BankFileTaken(serializers.Serializer[Any]):
    new = serializers.IntegerField()
    payments = serializers.IntegerField()
    waiting = serializers.IntegerField()
    known = serializers.IntegerField()


class BankLineOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(source="public_id")
    on = serializers.DateField()
    amount_minor = serializers.IntegerField()
    currency = serializers.CharField()
    name = serializers.CharField()
    iban = serializers.CharField()
    reference = serializers.CharField()
    text = serializers.CharField()
    state = serializers.CharField()
    why = serializers.CharField()
    payment = serializers.UUIDField(source="payment.public_id", allow_null=True, default=None)


class BankLinePage(serializers.Serializer[Any]):
    lines = BankLineOut(many=True)
    next_offset = serializers.IntegerField(allow_null=True)


class PlaceIn(serializers.Serializer[Any]):
    member = serializers.UUIDField(required=False, allow_null=True, default=None)
    why = serializers.CharField(max_length=300, required=False, allow_blank=True, default="")


class Profiles(CoopAPIView):
    @extend_schema(operation_id="bank_profiles_list", responses=BankProfileList)
    def get(self, request: Request) -> Response:
        """How the co-op's banks write their CSV."""
        check_treasurer(self.membership)
        return Response(BankProfileList({"profiles": queries.profiles(self.coop)}).data)

    @extend_schema(operation_id="bank_profiles_save", request=ProfileIn, responses={201: BankProfileOut})
    def post(self, request: Request) -> Response:
        """Keep a new profile."""
        said = self.read(ProfileIn)
        row = services.save_bank_profile(self.coop, by=self.membership, now=timezone.now(), **said)
        return Response(BankProfileOut(row).data, status=201)


class Files(CoopAPIView):
    @extend_schema(operation_id="bank_files_read", request=FileIn, responses={201: BankFileOut})
    def post(self, request: Request) -> Response:
        """Read a file of the bank and see whose payments it holds; nothing is posted yet."""
        said = self.read(FileIn)
        try:
            content = base64.b64decode(said.pop("content"), validate=True)
        except (binascii.Error, ValueError):
            sentence = _("Send the file's bytes in base64.")
            raise Malformed([sentence], fields={"content": [sentence]}) from None
        profile = said.pop("profile")
        file = services.read_bank_file(
            self.coop, by=self.membership, now=timezone.now(), content=content, profile_id=profile, **said
        )
        return Response(BankFileOut(queries.preview(self.coop, file.public_id)).data, status=201)


class OneFile(CoopAPIView):
    @extend_schema(operation_id="bank_files_show", responses=BankFileOut)
    def get(self, request: Request, file: UUID) -> Response:
        """A file read and not taken yet, matched with the members as they stand now."""
        check_treasurer(self.membership)
        return Response(BankFileOut(queries.preview(self.coop, file)).data)


class TakeFile(CoopAPIView):
    @extend_schema(operation_id="bank_files_take", request=TakeIn, responses=BankFileTaken)
    def post(self, request: Request, file: UUID) -> Response:
        """Take the whole file: post what has a reference and the proposals accepted by their keys; the rest waits."""
        said = self.read(TakeIn)
        done = services.take_bank_file(
            self.coop, by=self.membership, now=timezone.now(), file_id=file, accepted=said["accepted"]
        )
        return Response(BankFileTaken(done).data)


class LeaveFile(CoopAPIView):
    @extend_schema(operation_id="bank_files_leave", request=None, responses={204: None})
    def post(self, request: Request, file: UUID) -> Response:
        """Leave a file that was read; nothing of it is taken."""
        services.leave_bank_file(self.coop, by=self.membership, now=timezone.now(), file_id=file)
        return Response(status=204)


class Lines(CoopAPIView):
    @extend_schema(operation_id="bank_lines_list", parameters=SLICE, responses=BankLinePage)
    def get(self, request: Request) -> Response:
        """Movements on the account, newest first."""
        check_treasurer(self.membership)
        start, limit = page_asked(request)
        found = list(queries.lines(self.coop)[start : start + limit + 1])
        more = start + limit if len(found) > limit else None
        return Response(BankLinePage({"lines": found[:limit], "next_offset": more}).data)


class PlaceLine(CoopAPIView):
    @extend_schema(operation_id="bank_lines_place", request=PlaceIn, responses=BankLineOut)
    def post(self, request: Request, line: UUID) -> Response:
        """Say whose payment a waiting movement is, or why it is none: one of the two."""
        said = self.read(PlaceIn)
        if bool(said["member"]) == bool(said["why"].strip()):
            raise Malformed([_("Name the member, or say why it is no member's payment: one of the two.")])
        who: dict[str, Any] = {"by": self.membership, "now": timezone.now(), "line_id": line}
        if said["member"]:
            services.place_bank_line(self.coop, **who, member_id=said["member"])
        else:
            services.set_bank_line_aside(self.coop, **who, why=said["why"])
        return Response(BankLineOut(queries.line_of(self.coop, line)).data)


urls = [
    path("bank/account/", BankAccount.as_view()),
    path("bank/profiles/", Profiles.as_view()),
    path("bank/files/", Files.as_view()),
    path("bank/files/<uuid:file>/", OneFile.as_view()),
    path("bank/files/<uuid:file>/take/", TakeFile.as_view()),
    path("bank/files/<uuid:file>/leave/", LeaveFile.as_view()),
    path("bank/lines/", Lines.as_view()),
    path("bank/lines/<uuid:line>/", PlaceLine.as_view()),
]
