"""Photos people send: read with care, made anew as JPEG without what the camera wrote into them, kept by the co-op.

A picture belongs to one thing: the app that uses it has a table based on ``HoldsPicture`` and calls ``hold`` inside
its own use case; ``seen_by`` says who may see it. Until it is held only who sent it may, and after some days it goes.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from io import BytesIO
from typing import Any, Final, TypeVar, cast
from uuid import UUID, uuid4

from django.conf import settings
from django.db.models import Sum
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from PIL import Image, ImageFile, ImageOps, UnidentifiedImageError

from coop.errors import Malformed, NotAllowed, NotFound, Refused, Taken
from coop.models import Coop, HoldsPicture, Membership, Picture, PictureData
from coop.transactions import say, use_case

MOST_BYTES: Final = 10 * 1024 * 1024
MOST_PIXELS: Final = 40_000_000
LONGEST_SIDE: Final = 2048
SMALL_SIDE: Final = 320
QUALITY: Final = 85
READ: Final = ("JPEG", "PNG", "WEBP")
ACCEPT: Final = "image/jpeg,image/png,image/webp"  # phones that keep HEIC send JPEG to a page that asks so
LOOSE_DAYS: Final = 3
MB: Final = 1024 * 1024

Held = TypeVar("Held", bound=HoldsPicture)
_SEEN_BY: dict[type[HoldsPicture], Callable[[Membership, Any], None]] = {}

say(
    picture_shows_something=gettext_lazy("The picture is empty; send it again."),
    picture_has_each_size_once=gettext_lazy("This picture is there already; load the page again."),
)


class TooLarge(Malformed):
    """More bytes than a picture may have."""

    kind = "too-large"
    status = 413


class Full(Refused):
    """The co-op's room for pictures is used up."""

    kind = "pictures-full"
    status = 409


@dataclass(frozen=True, slots=True)
class Clean:
    """A picture fit to keep: JPEG in both sizes, upright, with nothing of the camera's in it."""

    full: bytes
    small: bytes
    width: int
    height: int

    @property
    def byte_count(self) -> int:
        return len(self.full) + len(self.small)


# --- Read ---------------------------------------------------------------------------------


def cleaned(content: bytes) -> Clean:
    """A photo made anew from what was sent: at most 10 MB, 40 megapixels, JPEG, PNG or WebP by its content.

    The kept picture has at most 2048 pixels a side, stands as the camera was held, and carries no EXIF, colour
    profile, comment or second frame. Raises Malformed with one sentence that says what to do.
    """
    if not content:
        raise _no(_("The file is empty; choose the picture again."))
    if len(content) > MOST_BYTES:
        said = _("The picture is larger than %(most)s MB; take it again in a smaller size.") % {
            "most": MOST_BYTES // MB
        }
        raise TooLarge([said], fields={"picture": [said]})
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(BytesIO(content), formats=READ) as image:
                _check_size(image)
                image.draft("RGB", (LONGEST_SIDE, LONGEST_SIDE))
                upright = _flat(_upright(image))
    except Refused:
        raise
    except UnidentifiedImageError as error:
        raise _no(_unreadable(content)) from error
    except Image.DecompressionBombError as error:
        raise _no(_too_many_pixels()) from error
    except Exception as error:  # a decoder meets whatever somebody made to break it
        raise _no(_("The picture is damaged or cut off; take it again, or send it once more.")) from error
    upright.thumbnail((LONGEST_SIDE, LONGEST_SIDE), Image.Resampling.LANCZOS)
    small = upright.copy()
    small.thumbnail((SMALL_SIDE, SMALL_SIDE), Image.Resampling.LANCZOS)
    return Clean(_jpeg(upright), _jpeg(small), *upright.size)


def _check_size(image: Image.Image) -> None:
    """Before anything is decoded: the header says how large it will be."""
    width, height = image.size
    if width * height > MOST_PIXELS:
        raise _no(_too_many_pixels())
    if width < 1 or height < 1:
        raise _no(_("The picture is empty; choose another one."))


def _too_many_pixels() -> str:
    return _("The picture has more than %(most)s megapixels; take it again in a smaller size.") % {
        "most": MOST_PIXELS // 1_000_000
    }


def _upright(image: Image.Image) -> Image.Image:
    """Turned as the camera was held; EXIF that cannot be read turns nothing."""
    # WeasyPrint, once loaded, has Pillow fill up what is cut off, in the whole process; here that must be refused.
    ImageFile.LOAD_TRUNCATED_IMAGES = False
    image.load()
    try:
        return ImageOps.exif_transpose(image)
    except Exception:
        return image


def _flat(image: Image.Image) -> Image.Image:
    """Plain RGB; what is see-through lies on white."""
    if image.mode not in ("RGBA", "LA", "PA") and "transparency" not in image.info:
        return image.convert("RGB")
    layered = image.convert("RGBA")
    flat = Image.new("RGB", image.size, "white")
    flat.paste(layered, mask=layered.getchannel("A"))
    return flat


def _jpeg(image: Image.Image) -> bytes:
    """The pixels alone: a fresh image has no EXIF, profile or comment to be written along."""
    bare = Image.new("RGB", image.size)
    bare.paste(image)
    made = BytesIO()
    bare.save(made, "JPEG", quality=QUALITY, optimize=True, progressive=True)
    return made.getvalue()


def _unreadable(content: bytes) -> str:
    head = content[:512].lstrip().lower()
    if content[4:8] == b"ftyp":
        return _(
            "This kind of picture (HEIC, AVIF or a film) cannot be read here; set the camera to JPEG and take it again."
        )
    if head.startswith((b"<svg", b"<?xml", b"<!doctype")):
        return _("Drawings (SVG) are not taken, since they may carry programs; send a photo as JPEG, PNG or WebP.")
    return _("This is not a picture that can be read here; send a photo as JPEG, PNG or WebP.")


def _no(sentence: str) -> Malformed:
    return Malformed([sentence], fields={"picture": [sentence]})


# --- Keep ---------------------------------------------------------------------------------


@use_case
def add(
    coop: Coop,
    *,
    by: Membership,
    now: datetime,
    picture: Clean,
    caption: str = "",
    public_id: UUID | None = None,
) -> Picture:
    """Keep a picture that will be used in a moment; sent again under the same id, the first one stays.

    Loose pictures of earlier days go meanwhile. Raises Full, and Taken where the id is another's.
    """
    if public_id is not None:
        there: Picture | None = Picture.objects.filter(public_id=public_id).first()
        if there is not None:
            if there.coop_id != coop.pk or there.by_id != by.pk:
                raise Taken(_("This id belongs to another picture; take a new id and send it again."))
            return there
    Picture.objects.of(coop).filter(held_at=None, added_at__lt=now - timedelta(days=LOOSE_DAYS)).delete()
    return _keep(coop, by=by, now=now, picture=picture, caption=caption, public_id=public_id)


def _keep(
    coop: Coop, *, by: Membership, now: datetime, picture: Clean, caption: str, public_id: UUID | None = None
) -> Picture:
    said = " ".join(caption.split())
    if len(said) > 120:
        text = _("Say what the picture shows in at most 120 letters.")
        raise Refused(text, fields={"caption": [text]})
    _check_room(coop, picture.byte_count)
    row = Picture.objects.create(
        coop=coop,
        public_id=public_id or uuid4(),
        by=by,
        added_at=now,
        caption=said,
        width=picture.width,
        height=picture.height,
        byte_count=picture.byte_count,
    )
    for size, content in ((PictureData.Size.FULL, picture.full), (PictureData.Size.SMALL, picture.small)):
        PictureData.objects.create(coop=coop, picture=row, size=size, content=content)
    return row


def _check_room(coop: Coop, more: int) -> None:
    """Two at once must not both find the last room: the co-op's row is held meanwhile."""
    Coop.objects.select_for_update(no_key=True).get(pk=coop.pk)
    used = room_used(coop)
    if used + more > settings.PICTURES_MB * MB:
        said = _(
            "The co-op's %(most)s MB for pictures are used up; the picture was not kept. "
            "Ask whoever runs the service for more room."
        ) % {"most": settings.PICTURES_MB}
        raise Full(said, fields={"picture": [said]})


def room_used(coop: Coop) -> int:
    """Bytes of all pictures of the co-op."""
    return Picture.objects.of(coop).aggregate(sum=Sum("byte_count"))["sum"] or 0


def hold(
    table: type[Held],
    coop: Coop,
    *,
    by: Membership | None,
    now: datetime,
    picture: Clean | UUID,
    caption: str = "",
    **to: Any,
) -> Held:
    """Inside a use case: say what a picture belongs to. It is one sent in the form, or the id of one added before.

    ``to`` fills the rest of the row. Raises NotFound for an id that is not there or is another's loose picture,
    Taken for one that belongs to something already, Full.
    """
    if isinstance(picture, Clean):
        if by is None:
            raise NotAllowed(_("Only a member can send a picture."))
        row = _keep(coop, by=by, now=now, picture=picture, caption=caption)
    else:
        found: Picture | None = Picture.objects.of(coop).filter(public_id=picture).first()
        if found is None or (found.held_at is None and by is not None and found.by_id != by.pk):
            raise NotFound(_("There is no such picture here; send it again."))
        row = found
    if not Picture.objects.filter(pk=row.pk, held_at=None).update(held_at=now):
        raise Taken(_("This picture belongs to something else already; send it again to use it twice."))
    return cast(Held, table.objects.create(coop=coop, picture=row, **to))


# --- See ----------------------------------------------------------------------------------


def find(coop: Coop, picture_id: UUID) -> Picture:
    """Raises NotFound."""
    found: Picture | None = Picture.objects.of(coop).filter(public_id=picture_id).first()
    if found is None:
        raise NotFound(_("There is no such picture here."))
    return found


def seen_by(table: type[Held]) -> Callable[[Callable[[Membership, Held], None]], Callable[[Membership, Held], None]]:
    """Register who may see the pictures of one table: a check that raises NotAllowed."""

    def register(check: Callable[[Membership, Held], None]) -> Callable[[Membership, Held], None]:
        _SEEN_BY[table] = check
        return check

    return register


def check_may_see(reader: Membership, picture: Picture) -> None:
    """Who may see what the picture belongs to may see the picture; a loose one is for who sent it."""
    for table, check in _SEEN_BY.items():
        held = table.objects.filter(coop_id=picture.coop_id, picture=picture).first()
        if held is not None:
            check(reader, held)
            return
    if picture.by_id != reader.pk:
        raise NotFound(_("There is no such picture here."))


def content_of(picture: Picture, size: str) -> bytes:
    """The bytes of one size. Raises NotFound."""
    found = PictureData.objects.filter(coop_id=picture.coop_id, picture=picture, size=size).first()
    if found is None:
        raise NotFound(_("There is no such picture here."))
    return bytes(found.content)
