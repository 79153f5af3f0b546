"""HTML to PDF: the one user of WeasyPrint. It reads nothing outside the HTML it is given."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any

from django.template.loader import render_to_string
from django.utils.translation import gettext as _

from coop.errors import Refused


class PdfOff(Refused):
    """The libraries that set type are not on this machine."""

    kind = "pdf-off"
    status = 503


@cache
def _setter() -> tuple[Any, Any, Any]:
    """WeasyPrint and a shared font configuration; takes a second and 50 MB, so only where a PDF is made."""
    try:
        import weasyprint
        from weasyprint.text.fonts import FontConfiguration
        from weasyprint.urls import URLFetcher
    except OSError as error:
        raise PdfOff(
            _("PDFs are off on this machine. Run: apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0")
        ) from error
    return weasyprint, FontConfiguration(), URLFetcher(allowed_protocols=["data"])


def from_html(html: str) -> bytes:
    """A tagged PDF (pdf/ua-1) of one HTML document; same input, same bytes. Raises PdfOff."""
    weasyprint, fonts, fetcher = _setter()
    with _no_pauses():
        source = weasyprint.HTML(string=html, url_fetcher=fetcher)
        made: bytes = source.write_pdf(font_config=fonts, pdf_variant="pdf/ua-1")
    return made


@contextmanager
def _no_pauses() -> Iterator[None]:
    """Without Python's search for cycles meanwhile: setting one page makes a million objects that live until its end,
    and looking through them again and again takes a fifth of the time."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def from_template(template: str, context: dict[str, Any]) -> bytes:
    """A PDF of a template that extends ``print/base.html``."""
    return from_html(render_to_string(template, context))
