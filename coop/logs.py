"""Log lines as JSON, with the request's id; never passwords, tokens, cookies or bodies."""

from __future__ import annotations

import json
import logging
import re
from contextvars import ContextVar

request_id: ContextVar[str] = ContextVar("request_id", default="")
coop_slug: ContextVar[str] = ContextVar("coop_slug", default="")


_KEYS_IN_ADDRESSES = re.compile(r"(/join/|/password/reset/key/|/feeds/|/mail/stop/[0-9a-f-]+/)[^/\s\"']+")


class WithoutKeys(logging.Filter):
    """Hides the keys that stand in addresses of invitations, password links, calendar feeds and mails."""

    def filter(self, record: logging.LogRecord) -> bool:
        said = record.getMessage()
        hidden = _KEYS_IN_ADDRESSES.sub(r"\1...", said)
        if hidden != said:
            record.msg, record.args = hidden, ()
        return True


class JsonFormatter(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        line = {
            "at": self.formatTime(record, "%Y-%m-%dT%H:%M:%S%z"),
            "level": record.levelname,
            "logger": record.name,
            "message": record.getMessage(),
            "request": request_id.get(),
            "coop": coop_slug.get(),
        }
        if record.exc_info:
            line["trace"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False)
