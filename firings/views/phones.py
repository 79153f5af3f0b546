"""What a phone needs to write the log without signal: the worker that keeps the fire page, and the words it says."""

from __future__ import annotations

import functools
import hashlib
import json
from pathlib import Path
from typing import Final

from django.contrib.staticfiles import finders
from django.http import HttpRequest, HttpResponse
from django.template.loader import render_to_string
from django.templatetags.static import static
from django.urls import URLPattern, path
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

FILES: Final = ("coop/app.css", "coop/app.js", "coop/fire.js", "coop/icons.svg", "coop/favicon.svg")


@require_safe
def fire_worker(request: HttpRequest) -> HttpResponse:
    """The service worker; the same for everybody, so that a browser may look for a newer one signed out."""
    response = HttpResponse(_worker(), content_type="text/javascript; charset=utf-8")
    response["Cache-Control"] = "no-cache"
    return response


fire_worker.signs_in_itself = True  # type: ignore[attr-defined]


@functools.cache
def _worker() -> str:
    """With a version that changes whenever one of the files it keeps does."""
    version = hashlib.sha256(b"".join(_bytes(name) for name in FILES)).hexdigest()[:16]
    files = json.dumps([static(name) for name in FILES])
    return render_to_string("firings/fire_worker.js", {"version": version, "files": files})


def _bytes(name: str) -> bytes:
    found = finders.find(name)
    if not isinstance(found, str):
        raise FileNotFoundError(name)
    return Path(found).read_bytes()


def words() -> dict[str, str]:
    """What the script on the fire page says; ``{n}`` and the like are filled in there."""
    return {
        "saved": _("Saved on this phone: {said}"),
        "saving": _("Saving…"),
        "not_saved": _("Not saved: this phone has no room or keeps nothing. Write it on paper."),
        "sent": _("Everything is sent."),
        "sending": _("Sending: {n}"),
        "waiting": _("Saved on this phone, not yet sent: {n}"),
        "waiting_box": _("Not yet sent: {n}"),
        "no_signal": _("No signal. What you write is kept on this phone."),
        "one_to_sign_in": _("Saved on this phone. Sign in to send 1 entry."),
        "sign_in": _("Saved on this phone. Sign in to send {n} entries."),
        "signed_out": _("Signed out. What you write is kept on this phone."),
        "sign_in_link": _("Sign in"),
        "refused": _("Not taken: {n}. Look under “On this phone”."),
        "held": _("Not sent: {why}"),
        "of_others": _("Kept for somebody else, until they sign in on this phone: {n}"),
        "again": _("Try again"),
        "off": _("Take off this phone"),
        "really_off": _("Take it off this phone for good? It is not in the log."),
        "undone": _("Undone: {said}"),
        "undo": _("Undo ({n})"),
        "is_waiting": _("not yet sent"),
        "is_refused": _("not taken"),
        "as_of": _("The figures are as of {at}. What you write is added once there is signal."),
        "number": _("Give the temperature as a number, e.g. 1043."),
        "no_such_time": _("That time did not exist: the clocks went forward. Give another."),
        "incomplete": _("Something is missing; look at the field."),
        "clock": _("This phone's clock is {n} min off. Times of entries follow the phone; set its clock."),
        "rate": _("{rate} an hour since the reading before"),
        "here": _("on this phone"),
        "days": _("{n} days"),
    }


urls: list[URLPattern] = [path("fire-worker.js", fire_worker, name="fire_worker")]
