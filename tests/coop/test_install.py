"""A phone can keep the service as an app: a manifest whose icons are there in the sizes it says."""

import json
import struct
from pathlib import Path

import pytest
from django.contrib.staticfiles import finders


def found(name):
    return Path(finders.find(f"coop/{name}"))


def test_every_icon_of_the_manifest_is_there_in_its_size():
    manifest = json.loads(found("app.webmanifest").read_text())
    assert (manifest["start_url"], manifest["display"]) == ("/", "standalone")
    sizes = set()
    for icon in manifest["icons"]:
        content = found(icon["src"]).read_bytes()
        if icon["type"] == "image/png":
            width, height = struct.unpack(">II", content[16:24])
            assert icon["sizes"] == f"{width}x{height}"
            sizes.add(width)
    assert {192, 512} <= sizes  # what installing asks for: W3C Web Application Manifest, and browsers' criteria


@pytest.mark.django_db
def test_every_page_names_the_manifest(client):
    page = client.get("/accounts/login/").content.decode()
    assert 'rel="manifest"' in page
    assert 'rel="apple-touch-icon"' in page
