"""A receipt's photo: kept with it, seen by whoever bears the cost, and on the payer's statement."""

import io

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from PIL import Image
from pypdf import PdfReader

from billing import services
from billing.models import Receipt, ReceiptPicture, Statement
from coop import pictures, queues
from coop.errors import NotAllowed
from coop.models import Picture
from tests.billing.test_money_api import Caller
from tests.factories import NOW, ben, cy, make_coop, make_member
from tests.factories_money import PAID_ON, make_settling_firing, posted

pytestmark = pytest.mark.django_db


def photo(size=(640, 480)):
    drawn = io.BytesIO()
    Image.new("RGB", size, "wheat").save(drawn, "JPEG")
    return drawn.getvalue()


def sent(member, firing, content, **changed):
    client = Client()
    client.force_login(member.person)
    said = {"pool": "wood", "amount": "58", "on": "2026-04-20", "paid_by": str(member.public_id), **changed}
    upload = SimpleUploadedFile("receipt.jpg", content, "image/jpeg")
    return client, client.post(
        reverse("receipt_new", args=[make_coop().slug, firing.public_id]), {**said, "photo": upload}
    )


def test_a_photo_handed_in_with_a_receipt_is_seen_by_those_who_take_part_only():
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 10})
    client, answer = sent(ben(), firing, photo())
    assert answer.status_code == 303
    held = ReceiptPicture.objects.get()
    assert held.receipt == Receipt.objects.get()
    shown = client.get(reverse("firing_money", args=[make_coop().slug, firing.public_id])).content.decode()
    small = reverse("picture_small", args=[make_coop().slug, held.picture.public_id])
    assert small in shown
    assert client.get(small)["Content-Type"] == "image/jpeg"
    guest = make_member("Gwen", roles=("guest",))
    guest.roles.filter(kind="member").delete()
    with pytest.raises(NotAllowed):
        pictures.check_may_see(type(guest).objects.with_roles().get(pk=guest.pk), held.picture)
    stranger = Client()
    stranger.force_login(cy().person)
    assert stranger.get(small).status_code == 404


def test_what_is_no_picture_enters_no_receipt():
    firing = make_settling_firing(litres={"Ben": 10})
    _client, answer = sent(ben(), firing, b"<svg onload='x'/>")
    assert answer.status_code == 400
    assert "Drawings (SVG) are not taken" in answer.content.decode()
    assert (Receipt.objects.count(), Picture.objects.count()) == (0, 0)


def test_the_api_names_a_photo_sent_before():
    firing = make_settling_firing(litres={"Ben": 10})
    row = pictures.add(make_coop(), by=ben(), now=NOW, picture=pictures.cleaned(photo()))
    said = {"on": "2026-04-20", "pool": "wood", "amount_minor": 580, "paid_by": str(ben().public_id)}
    caller = Caller(ben())
    at = f"firings/{firing.public_id}/receipts/"
    assert caller.send(at, {**said, "picture": str(row.public_id)}).status_code == 201
    assert ReceiptPicture.objects.get().picture == row
    assert caller.send(at, {**said, "picture": str(row.public_id)}).status_code == 409
    assert Receipt.objects.count() == 1


@pytest.mark.slow
def test_the_statement_of_who_paid_shows_the_photo():
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 10})
    services.take_receipt(
        firing.coop,
        by=ben(),
        now=NOW,
        firing_id=firing.public_id,
        on=PAID_ON,
        pool="wood",
        amount_minor=5800,
        paid_by_id=ben().public_id,
        picture=pictures.cleaned(photo()),
    )
    posted(firing)
    queues.sweep()
    papers = {
        row.member.name: PdfReader(io.BytesIO(bytes(row.document.content)))
        for row in Statement.objects.select_related("member__person", "document")
    }
    assert sum(len(page.images) for page in papers["Ben"].pages) == 1
    assert sum(len(page.images) for page in papers["Ada"].pages) == 0
    assert papers["Ben"].trailer["/Root"]["/Lang"] == "en"
