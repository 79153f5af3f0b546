"""The body of an API request. Apart from the rest, since the framework's base view needs it while it loads."""

from __future__ import annotations

from collections.abc import Mapping
from typing import IO, Any, Final

from django.utils.translation import gettext as _
from rest_framework.exceptions import ParseError
from rest_framework.parsers import JSONParser

DEEPEST: Final = 30


class Body(JSONParser):
    """JSON that can be kept and shown again: not nested without end, and every text of it is text."""

    def parse(
        self, stream: IO[Any], media_type: str | None = None, parser_context: Mapping[str, Any] | None = None
    ) -> Any:
        try:
            said = super().parse(stream, media_type, parser_context)
        except RecursionError as error:
            raise ParseError(_too_deep()) from error
        _check(said)
        return said


def _check(said: Any) -> None:
    level, depth = [said], 0
    while level:
        if (depth := depth + 1) > DEEPEST:
            raise ParseError(_too_deep())
        below: list[Any] = []
        for value in level:
            if isinstance(value, dict):
                below += [*value, *value.values()]
            elif isinstance(value, list):
                below += value
            elif isinstance(value, str) and not _is_text(value):
                raise ParseError(_("A text holds half a character (a lone surrogate); send it again as proper UTF-8."))
        level = below


def _is_text(value: str) -> bool:
    try:
        value.encode()
    except UnicodeEncodeError:
        return False
    return True


def _too_deep() -> str:
    return _("The body is nested too deeply; send it in at most %(most)s levels.") % {"most": DEEPEST}
