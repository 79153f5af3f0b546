"""Mail written to a folder instead of sent: the embedded default, read under /outbox/ in a demo."""

from __future__ import annotations

import re
from collections.abc import Sequence
from email import message_from_bytes, policy
from email.message import EmailMessage as ParsedMail
from pathlib import Path
from urllib.parse import urlsplit
from uuid import UUID

from django.conf import settings
from django.core.mail import EmailMessage
from django.core.mail.backends.base import BaseEmailBackend


class FolderBackend(BaseEmailBackend):
    """One .eml file per mail in ``EMAIL_FILE_PATH``, named by its Message-ID: sent twice, it is still one file."""

    def send_messages(self, email_messages: Sequence[EmailMessage]) -> int:
        folder = Path(settings.EMAIL_FILE_PATH)
        folder.mkdir(parents=True, exist_ok=True)
        for mail in email_messages:
            message = mail.message()
            name = _file_name(str(message["Message-ID"]))
            unfinished = folder / f".{name}.part"
            unfinished.write_bytes(message.as_bytes())
            unfinished.replace(folder / f"{name}.eml")
        return len(email_messages)


def message_id(of: UUID) -> str:
    """The Message-ID of the mail a row stands for: sent twice, it is still the same mail."""
    return f"<{of}@{urlsplit(settings.SITE_URL).hostname or 'localhost'}>"


def kept(of: UUID) -> str | None:
    """The text of a mail as it lies in the folder, or None when mail is not kept there."""
    path = Path(settings.EMAIL_FILE_PATH) / f"{_file_name(message_id(of))}.eml"
    if not path.is_file():
        return None
    parsed = message_from_bytes(path.read_bytes(), _class=ParsedMail, policy=policy.default)
    body = parsed.get_body(("plain",))
    return str(body.get_content()) if body is not None else ""


def _file_name(identifier: str) -> str:
    return re.sub(r"[^A-Za-z0-9.-]+", "_", identifier.strip("<>"))[:120]
