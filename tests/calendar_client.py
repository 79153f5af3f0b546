"""A calendar program's view of a feed: read by vobject, which shares no code with the library that wrote it."""

from typing import Any

import vobject


def read(text: bytes) -> dict[str, dict[str, Any]]:
    """The events of a feed by their ids, in the words and values of ``tests.strict_calendar``."""
    calendar = vobject.readOne(text.decode("utf-8"), validate=True)
    return {
        event.uid.value: {name.upper(): _value(name, lines[0].value) for name, lines in event.contents.items()}
        for event in calendar.contents.get("vevent", [])
    }


def _value(name: str, value: Any) -> Any:
    if name == "sequence":
        return int(value)
    return ",".join(value) if name == "categories" else value
