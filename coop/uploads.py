"""Files that are sent: a form with files is refused by its length before anything of it is read."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.exceptions import RequestDataTooBig
from django.core.files.uploadhandler import FileUploadHandler


class UploadTooBig(RequestDataTooBig):
    """The whole form is larger than any file this service takes."""


class Bounded(FileUploadHandler):
    """Takes no file itself; the handlers after it do, as far as the form is short enough."""

    def handle_raw_input(
        self, input_data: Any, META: Any, content_length: int, boundary: Any, encoding: str | None = None
    ) -> None:
        if content_length > settings.UPLOAD_MOST_BYTES:
            raise UploadTooBig

    def receive_data_chunk(self, raw_data: bytes, start: int) -> bytes:
        return raw_data

    def file_complete(self, file_size: int) -> None:
        return None


def most_mb(error: RequestDataTooBig) -> int:
    """The limit that was passed, in MB."""
    most = settings.UPLOAD_MOST_BYTES if isinstance(error, UploadTooBig) else settings.DATA_UPLOAD_MAX_MEMORY_SIZE
    return (most or 0) // 1_000_000
