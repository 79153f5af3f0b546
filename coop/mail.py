"""Mail written to a folder instead of sent: the embedded default, read under /outbox/ in a demo."""

from __future__ import annotations

import re
from collections.abc import Sequence
from email import message_from_bytes, message_from_string, policy
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


def notice_of(bounce: ParsedMail) -> tuple[UUID, str] | None:
    """Which row's mail came back for good, and why, by a delivery status notification (RFC 3464, 3462).

    None for any other mail, for one that is only late, and for one that was not ours.
    """
    if bounce.get_content_type() != "multipart/report":
        return None
    why, identifier = "", ""
    for part in bounce.walk():
        if part.get("Action") is not None and str(part["Action"]).strip().lower() == "failed":
            why = str(part.get("Diagnostic-Code") or part.get("Status") or "failed")
        if part.get_content_type() == "text/rfc822-headers":
            part = message_from_string(part.get_content(), _class=ParsedMail, policy=policy.default)
        if part is not bounce and part.get("Message-ID"):
            identifier = str(part["Message-ID"]).strip()
    if not why:
        return None
    try:
        of = UUID(identifier.strip("<>").partition("@")[0])
    except ValueError:
        return None
    return (of, why) if identifier == message_id(of) else None


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
