"""Mail written to a folder instead of sent: the embedded default, read under /outbox/ in a demo."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

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
            name = re.sub(r"[^A-Za-z0-9.-]+", "_", str(message["Message-ID"]).strip("<>"))[:120]
            unfinished = folder / f".{name}.part"
            unfinished.write_bytes(message.as_bytes())
            unfinished.replace(folder / f"{name}.eml")
        return len(email_messages)
