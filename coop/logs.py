"""Log lines as JSON, with the request's id; never passwords, tokens, cookies or bodies."""

from __future__ import annotations

import json
import logging
from contextvars import ContextVar

request_id: ContextVar[str] = ContextVar("request_id", default="")
coop_slug: ContextVar[str] = ContextVar("coop_slug", default="")


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
