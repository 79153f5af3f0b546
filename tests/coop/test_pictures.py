"""Photos: what is taken, what of them is kept, who may see them, and how they are served."""

import struct
import uuid
import zlib
from datetime import timedelta
from io import BytesIO

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import IntegrityError, transaction
from django.urls import reverse
from PIL import Image, ImageFile

from coop import pictures
from coop.errors import Malformed, NotFound, Refused, Taken
from coop.forms import PictureField
from coop.models import Picture, PictureData
from coop.transactions import use_case
from firings.models import LogPicture
from tests.factories import NOW, ada, ben, cy, make_member
from tests.factories_fire import HOUR, make_fire, reading, write


def photo(width=60, height=40, kind="JPEG", **options):
    """A picture whose left half is red and right half blue."""
    image = Image.new("RGB", (width, height), "red")
    image.paste("blue", (width // 2, 0, width, height))
    made = BytesIO()
    image.save(made, kind, **options)
    return made.getvalue()


def with_exif(**tags):
    exif = Image.Exif()
    exif[0x010F] = "Lens & Sons"
    exif[0x8825] = {1: "N", 2: (53.0, 20.0, 6.0)}
    for tag, value in tags.items():
        exif[int(tag.lstrip("t"))] = value
    return exif.tobytes()


def png_header(width, height):
    """A PNG that claims a size and holds nearly nothing."""

    def chunk(name, data):
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(b"\0" * 1000))
        + chunk(b"IEND", b"")
    )


# --- What is taken --------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_jpeg_png_and_webp_become_jpeg(kind):
    clean = pictures.cleaned(photo(kind=kind))
    for content in (clean.full, clean.small):
        assert Image.open(BytesIO(content)).format == "JPEG"
    assert (clean.width, clean.height) == (60, 40)


def test_nothing_of_the_camera_is_kept():
    sent = photo(exif=with_exif(), comment=b"kiln shed, back door", icc_profile=b"x" * 200)
    assert b"Lens & Sons" in sent
    clean = pictures.cleaned(sent)
    for content in (clean.full, clean.small):
        kept = Image.open(BytesIO(content))
        assert not kept.getexif()
        assert not {"exif", "comment", "icc_profile"} & set(kept.info)
        assert b"Lens & Sons" not in content
        assert b"back door" not in content


def test_the_picture_stands_as_the_camera_was_held():
    turned = pictures.cleaned(photo(exif=with_exif(t274=6)))  # turn by 90 degrees clockwise to see it upright
    assert (turned.width, turned.height) == (40, 60)
    upright = Image.open(BytesIO(turned.full))
    assert upright.getpixel((20, 5))[0] > 200
    assert upright.getpixel((20, 55))[2] > 200


def test_a_large_photo_is_made_smaller_and_has_a_small_size_for_lists():
    clean = pictures.cleaned(photo(3000, 1500))
    assert (clean.width, clean.height) == (2048, 1024)
    assert max(Image.open(BytesIO(clean.small)).size) == pictures.SMALL_SIDE


def test_what_is_see_through_lies_on_white():
    made = BytesIO()
    Image.new("RGBA", (20, 20), (0, 0, 0, 0)).save(made, "PNG")
    assert Image.open(BytesIO(pictures.cleaned(made.getvalue()).full)).getpixel((5, 5)) == (255, 255, 255)


@pytest.mark.parametrize("mode", ["1", "L", "P", "LA", "I;16", "CMYK"])
def test_any_kind_of_colour_is_read(mode):
    made = BytesIO()
    Image.new(mode, (20, 20)).save(made, "TIFF" if mode not in ("1", "L", "P", "LA", "I;16") else "PNG")
    if mode == "CMYK":
        made = BytesIO()
        Image.new(mode, (20, 20)).save(made, "JPEG")
    assert pictures.cleaned(made.getvalue()).width == 20


# --- What is refused ------------------------------------------------------------------------


def animated_gif():
    made = BytesIO()
    Image.new("P", (9, 9)).save(made, "GIF")
    return made.getvalue()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>", "SVG"),
        (b"<?xml version='1.0'?><svg/>", "SVG"),
        (b"\0\0\0\x18ftypheic" + b"\0" * 40, "HEIC"),
        (b"%PDF-1.7 ...", "JPEG, PNG or WebP"),
        (animated_gif(), "JPEG, PNG or WebP"),
        (photo()[:300], "cut off|not a picture"),
        (photo(400, 400, quality=95)[:-900], "cut off"),
        (png_header(60_000, 60_000), "megapixels"),
        (png_header(8_000, 5_001), "megapixels"),
        (png_header(100, 100), "damaged"),
        (b"\x89PNG\r\n\x1a\n" + b"\xff" * 200, "picture"),
    ],
)
def test_what_is_no_photo_is_refused_in_one_sentence(content, said):
    with pytest.raises(Malformed, match=said) as no:
        pictures.cleaned(content)
    assert len(no.value.faults) == 1
    assert no.value.fields["picture"]


def test_a_cut_off_photo_is_refused_although_another_library_told_pillow_to_fill_it_up(monkeypatch):
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", True)  # as WeasyPrint does when it is loaded
    with pytest.raises(Malformed, match="cut off"):
        pictures.cleaned(photo(400, 400, quality=95)[:-900])


def test_a_bomb_is_refused_before_it_is_unpacked(monkeypatch):
    def never(*_args, **_more):
        raise AssertionError("decoded")

    monkeypatch.setattr(Image.Image, "load", never)
    with pytest.raises(Malformed, match="megapixels"):
        pictures.cleaned(png_header(40_000, 40_000))


def test_ten_megabytes_are_the_most():
    with pytest.raises(pictures.TooLarge, match="10 MB") as no:
        pictures.cleaned(photo() + b"\0" * pictures.MOST_BYTES)
    assert no.value.status == 413


def test_the_form_says_what_is_wrong_beside_its_field():
    from django.forms import Form

    class Sheet(Form):
        photo = PictureField(required=False)

    bad = Sheet({}, {"photo": SimpleUploadedFile("x.jpg", b"not a photo", "image/jpeg")})
    assert not bad.is_valid()
    assert "JPEG, PNG or WebP" in bad.errors["photo"][0]
    empty = Sheet({}, {"photo": SimpleUploadedFile("x.jpg", b"", "image/jpeg")})
    assert not empty.is_valid()
    assert "empty" in empty.errors["photo"][0]
    none = Sheet({}, {})
    assert none.is_valid()
    assert none.cleaned_data["photo"] is None
    good = Sheet({}, {"photo": SimpleUploadedFile("../../x.svg", photo(), "text/html")})
    assert good.is_valid()
    assert good.cleaned_data["photo"].width == 60


# --- Kept -----------------------------------------------------------------------------------


def add(who, content=None, *, now=NOW, **more):
    return pictures.add(who.coop, by=who, now=now, picture=pictures.cleaned(content or photo()), **more)


@use_case
def put_into_log(coop, *, by, now, picture, entry):
    return pictures.hold(LogPicture, coop, by=by, now=now, picture=picture, entry=entry)


def a_fire_with_an_entry():
    firing = make_fire()
    return firing, write(firing, reading(9000, firing.lit_at + HOUR))[0]


pytestmark = pytest.mark.django_db


def test_a_picture_sent_twice_is_kept_once():
    who, own = ben(), uuid.uuid4()
    assert add(who, public_id=own) == add(who, public_id=own)
    assert Picture.objects.count() == 1
    assert PictureData.objects.count() == 2


def test_an_id_of_somebody_else_is_taken():
    own = uuid.uuid4()
    add(ben(), public_id=own)
    with pytest.raises(Taken, match="another picture"):
        add(make_member("Dora"), public_id=own)


def test_the_room_of_a_co_op_is_bounded(settings):
    settings.PICTURES_MB = 0
    with pytest.raises(pictures.Full, match="0 MB"):
        add(ben())
    assert not Picture.objects.exists()
    assert not PictureData.objects.exists()


def test_the_room_is_counted_by_co_op(settings):
    settings.PICTURES_MB = 1
    add(cy())
    who = ben()
    size = add(who).byte_count
    assert pictures.room_used(who.coop) == size


def test_a_picture_nobody_used_goes_after_some_days():
    who = ben()
    _firing, entry = a_fire_with_an_entry()
    loose, kept = add(who), add(who)
    put_into_log(who.coop, by=who, now=NOW, picture=kept.public_id, entry=entry)
    add(who, now=NOW + timedelta(days=pictures.LOOSE_DAYS, minutes=1))
    assert Picture.objects.filter(pk=kept.pk).exists()
    assert not Picture.objects.filter(pk=loose.pk).exists()


def test_a_picture_belongs_to_one_thing():
    who = ben()
    _firing, entry = a_fire_with_an_entry()
    sent = add(who)
    put_into_log(who.coop, by=who, now=NOW, picture=sent.public_id, entry=entry)
    with pytest.raises(Taken, match="something else"):
        put_into_log(who.coop, by=who, now=NOW, picture=sent.public_id, entry=entry)


def test_a_photo_from_a_form_is_kept_with_what_it_belongs_to_or_not_at_all(settings):
    who = ben()
    _firing, entry = a_fire_with_an_entry()
    held = put_into_log(who.coop, by=who, now=NOW, picture=pictures.cleaned(photo()), entry=entry)
    assert held.entry == entry
    settings.PICTURES_MB = 0
    with pytest.raises(Refused):
        put_into_log(who.coop, by=who, now=NOW, picture=pictures.cleaned(photo()), entry=entry)
    assert Picture.objects.count() == LogPicture.objects.count() == 1


def test_somebody_elses_loose_picture_cannot_be_used():
    sent = add(ben())
    _firing, entry = a_fire_with_an_entry()
    with pytest.raises(NotFound):
        put_into_log(entry.coop, by=make_member("Dora"), now=NOW, picture=sent.public_id, entry=entry)


def test_the_database_refuses_an_empty_picture():
    row = add(ben())
    with pytest.raises(IntegrityError, match="picture_shows_something"), transaction.atomic():
        Picture.objects.filter(pk=row.pk).update(width=0)


def test_the_database_refuses_one_size_twice():
    row = add(ben())
    with (
        pytest.raises(IntegrityError, match=r"picture_has_each_size_once|coop_picturedata\.size"),
        transaction.atomic(),
    ):
        PictureData.objects.create(coop=row.coop, picture=row, size="full", content=b"x")


# --- Seen -----------------------------------------------------------------------------------


def address(who, row, name="picture"):
    return reverse(name, kwargs={"coop": who.coop.slug, "picture": row.public_id})


def test_a_picture_is_served_so_that_nothing_in_it_can_run(client):
    who = ben()
    row = add(who)
    client.force_login(who.person)
    for name in ("picture", "picture_small"):
        answer = client.get(address(who, row, name))
        assert answer.status_code == 200
        assert answer["Content-Type"] == "image/jpeg"
        assert answer["X-Content-Type-Options"] == "nosniff"
        assert answer["Content-Security-Policy"] == "default-src 'none'; sandbox"
        assert answer["Content-Disposition"].startswith("inline")
        assert "private" in answer["Cache-Control"]
        assert Image.open(BytesIO(answer.content)).format == "JPEG"
        assert client.get(address(who, row, name), HTTP_IF_NONE_MATCH=answer["ETag"]).status_code == 304
    assert client.get(address(who, row) + "?keep")["Content-Disposition"].startswith("attachment")


def test_a_loose_picture_is_only_for_who_sent_it(client):
    row = add(ben())
    client.force_login(ada().person)
    assert client.get(address(ada(), row)).status_code == 404


def test_a_picture_of_the_log_is_for_whoever_takes_part(client):
    who = ben()
    _firing, entry = a_fire_with_an_entry()
    row = add(who)
    put_into_log(who.coop, by=who, now=NOW, picture=row.public_id, entry=entry)
    client.force_login(ada().person)
    assert client.get(address(who, row)).status_code == 200
    guest = make_member("Gwen", roles=("guest",))
    guest.roles.exclude(kind="guest").delete()
    client.force_login(guest.person)
    assert client.get(address(who, row)).status_code == 403
    client.force_login(cy().person)
    assert client.get(f"/{cy().coop.slug}/pictures/{row.public_id}/").status_code == 404


# --- Over the API ---------------------------------------------------------------------------


def send(client, who, content, kind=None, **more):
    where = reverse("api_pictures", kwargs={"coop": who.coop.slug})
    headers = {"HTTP_IDEMPOTENCY_KEY": uuid.uuid4().hex}
    client.force_login(who.person)
    if kind:
        return client.post(where, content, content_type=kind, **headers)
    return client.post(where, {"picture": SimpleUploadedFile("p.jpg", content), **more}, **headers)


def test_a_picture_is_sent_as_a_form_or_as_the_body(client):
    who = ben()
    by_form = send(client, who, photo(), caption="left port")
    assert by_form.status_code == 201
    assert by_form.json()["caption"] == "left port"
    by_body = send(client, who, photo(90, 30), kind="image/jpeg")
    assert by_body.status_code == 201
    assert (by_body.json()["width"], by_body.json()["height"]) == (90, 30)
    facts = reverse("api_picture", kwargs={"coop": who.coop.slug, "picture": by_body.json()["id"]})
    assert client.get(facts).json() == by_body.json()
    small = client.get(facts + "content/?small=1")
    assert small["Content-Type"] == "image/jpeg"
    assert small["Content-Security-Policy"].endswith("sandbox")


@pytest.mark.parametrize(
    ("content", "kind", "status", "said"),
    [
        (b"<svg/>", "image/svg+xml", 400, "SVG"),
        (b"", "image/jpeg", 400, "Send the picture"),
        (photo() + b"\0" * pictures.MOST_BYTES, "image/jpeg", 413, "10 MB"),
        (b"{}", "application/json", 415, ""),
    ],
)
def test_a_bad_picture_is_refused_by_the_api(client, content, kind, status, said):
    answer = send(client, ben(), content, kind=kind)
    assert answer.status_code == status
    assert answer["Content-Type"] == "application/problem+json"
    assert said in answer.json()["detail"]
    assert not Picture.objects.exists()


def test_a_form_longer_than_any_picture_is_not_even_read(client, settings):
    settings.UPLOAD_MOST_BYTES = 10_000
    answer = send(client, ben(), b"\0" * 20_000)
    assert answer.status_code == 413
    assert not Picture.objects.exists()


def test_a_form_without_a_picture_says_so(client):
    who = ben()
    client.force_login(who.person)
    where = reverse("api_pictures", kwargs={"coop": who.coop.slug})
    answer = client.post(where, {"caption": "x"}, HTTP_IDEMPOTENCY_KEY="k")
    assert answer.status_code == 400
    assert "field “picture”" in answer.json()["detail"]


@pytest.mark.parametrize(
    ("body", "kind"),
    [
        (b"x" * 50, "multipart/form-data"),
        (
            b'--b\r\nContent-Disposition: form-data; name="picture"\r\n\r\ntext\r\n--b--\r\n',
            "multipart/form-data; boundary=b",
        ),
        (b'--b\r\nContent-Disposition: form-data; name="id"\r\n\r\n7\r\n--b--\r\n', "multipart/form-data; boundary=b"),
        (b"\xff\xfe\x00", "multipart/form-data; boundary=\x80"),
    ],
)
def test_a_broken_form_is_refused_as_a_problem(client, body, kind):
    answer = send(client, ben(), body, kind=kind)
    assert answer.status_code == 400
    assert answer["Content-Type"] == "application/problem+json"
