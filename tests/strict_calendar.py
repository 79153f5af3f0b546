"""A reader of iCalendar text that forgives nothing: a second opinion beside the library that wrote it.

Written from RFC 5545 (lines and folding 3.1, values 3.3, properties 3.6 to 3.8) and RFC 7986 (5.1 to 5.9).
"""

import re
from datetime import UTC, datetime, timedelta

LINE = re.compile(r'([A-Z-]+)((?:;[A-Z-]+=(?:"[^"\x00-\x1f]*"|[^";:,\x00-\x1f]*))*):(.*)', re.DOTALL)
ONCE = {  # property -> kind of value; each at most once in its component
    "VCALENDAR": {
        "PRODID": "text",
        "VERSION": "text",
        "CALSCALE": "text",
        "UID": "text",
        "NAME": "text",
        "DESCRIPTION": "text",
        "LAST-MODIFIED": "utc",
        "URL": "uri",
        "COLOR": "text",
        "REFRESH-INTERVAL": "duration",
    },
    "VEVENT": {
        "UID": "text",
        "DTSTAMP": "utc",
        "LAST-MODIFIED": "utc",
        "SEQUENCE": "integer",
        "DTSTART": "utc",
        "DTEND": "utc",
        "SUMMARY": "text",
        "DESCRIPTION": "text",
        "LOCATION": "text",
        "URL": "uri",
        "CATEGORIES": "text",
        "STATUS": "text",
        "TRANSP": "text",
    },
}
NEEDED = {"VCALENDAR": {"PRODID", "VERSION"}, "VEVENT": {"UID", "DTSTAMP", "DTSTART"}}


def read(text: bytes) -> tuple[dict, list[dict]]:
    """The calendar's own properties and its events; AssertionError for anything the standard does not allow."""
    stack, calendar, events, seen = [], None, [], set()
    for name, parameters, value in _lines(text):
        if name == "BEGIN":
            assert (not stack and value == "VCALENDAR") or (stack == ["VCALENDAR"] and value == "VEVENT"), value
            stack.append(value)
            found = {}
        elif name == "END":
            assert stack.pop() == value
            assert NEEDED[value] <= set(found if value == "VEVENT" else calendar)
            if value == "VEVENT":
                _check_event(found)
                assert found["UID"] not in seen
                seen.add(found["UID"])
                events.append(found)
        else:
            if stack == ["VCALENDAR"]:
                assert not events, "the calendar's own properties stand before its events"
                calendar = found = found if calendar is None else calendar
            known = ONCE[stack[-1]]
            assert name in known, name
            assert name not in found, f"{name} twice"
            found[name] = _value(known[name], value, parameters)
    assert not stack
    assert calendar["VERSION"] == "2.0"
    return calendar, events


def _lines(text: bytes):
    assert text.endswith(b"\r\n")
    raw = text[:-2].split(b"\r\n")
    logical = []
    for line in raw:
        assert 0 < len(line) <= 75, f"{len(line)} octets"
        assert not re.search(rb"[\x00-\x08\x0a-\x1f\x7f]", line), "a control character or a bare line break"
        if line[:1] in (b" ", b"\t"):
            logical[-1] += line[1:]
        else:
            logical.append(line)
    for line in logical:
        name, parameters, value = LINE.fullmatch(line.decode("utf-8")).groups()
        yield name, dict(one.split("=", 1) for one in parameters.split(";")[1:]), value


def _value(kind, value, parameters):
    if kind == "utc":
        assert not parameters
        return datetime.strptime(value, "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    if kind == "integer":
        assert re.fullmatch(r"\d+", value)
        return int(value)
    if kind == "uri":
        assert re.fullmatch(r"[a-z]+://[^\s<>\"]+", value)
        return value
    if kind == "duration":
        assert parameters == {"VALUE": "DURATION"}
        hours = re.fullmatch(r"PT(\d+)H", value)
        return timedelta(hours=int(hours[1]))
    assert not re.search(r"(?<!\\)(?:\\\\)*[;,]", value), f"unescaped: {value}"
    assert not re.search(r"(?<!\\)(?:\\\\)*\\(?![\\;,nN])", value), f"a stray backslash: {value}"
    return re.sub(r"\\(.)", lambda one: "\n" if one[1] in "nN" else one[1], value)


def _check_event(event):
    assert event["STATUS"] in ("CONFIRMED", "CANCELLED", "TENTATIVE")
    assert event["TRANSP"] in ("OPAQUE", "TRANSPARENT")
    assert "DTEND" not in event or event["DTEND"] > event["DTSTART"]
