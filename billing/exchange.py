"""Reads a JSON exchange file against its schema; every fault is one line: where, what, how to mend it."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator
from jsonschema.exceptions import ValidationError

from coop.errors import Malformed

MAX_DIGITS = 19  # a longer integer cannot fit 64 bits and is only slow to read
_MOST_FAULTS = 50


@cache
def schema_named(name: str) -> dict[str, Any]:
    """The schema file beside this module, as ``cost-shares-1``."""
    text = (Path(__file__).parent / f"{name}.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def read(text: str | bytes, schema_name: str) -> dict[str, Any]:
    """The file's content, fit to its schema. Raises Malformed with one sentence per fault."""
    try:
        if isinstance(text, bytes):
            text = text.decode("utf-8-sig")
        content = json.loads(
            text, object_pairs_hook=_no_key_twice, parse_int=_integer, parse_float=_Real, parse_constant=_Real
        )
    except UnicodeDecodeError as error:
        raise Malformed([f"The file is not UTF-8 (byte {error.start}); save it as UTF-8."]) from None
    except json.JSONDecodeError as error:
        raise Malformed(
            [f"Line {error.lineno}, column {error.colno}: this is not JSON ({error.msg}); mend it there."]
        ) from None
    except RecursionError:
        raise Malformed(["The file is nested too deeply to be read; use the published form."]) from None
    errors = Draft202012Validator(schema_named(schema_name)).iter_errors(content)
    faults = [
        _sentence(error) for error in sorted(errors, key=lambda error: list(map(str, error.absolute_path)))
    ]
    if faults:
        more = len(faults) - _MOST_FAULTS
        raise Malformed(faults[:_MOST_FAULTS] + ([f"And {more} faults more."] if more > 0 else []))
    result: dict[str, Any] = content
    return result


class _Real:
    """A number with a point: no money, no weight. Kept as text, so that nothing is lost before it is refused."""

    def __init__(self, text: str) -> None:
        self.text = text

    def __repr__(self) -> str:
        return self.text


def _integer(text: str) -> int | _Real:
    return int(text) if len(text.lstrip("-")) <= MAX_DIGITS else _Real(text[:12] + "...")


def _no_key_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    content = dict(pairs)
    if len(content) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise Malformed([f"The key {twice[:40]!r} stands twice in one place; leave one of them out."])
    return content


def _sentence(error: ValidationError) -> str:
    where = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in error.absolute_path)
    where = where.lstrip(".") or "The file"
    value = repr(error.instance)[:60]
    rule = error.validator
    schema: dict[str, Any] = error.schema if isinstance(error.schema, dict) else {}
    if rule == "additionalProperties":
        known = schema.get("properties", {})
        unknown = sorted(set(error.instance) - set(known))
        named = ", ".join(repr(name[:40]) for name in unknown[:5])
        return f"{where}: unknown key {named}; leave it out or use one of {', '.join(known)}."
    if rule == "required":
        missing = [name for name in schema["required"] if name not in error.instance]
        return f"{where}: {', '.join(missing)} is missing; add it."
    if rule == "const":
        return f"{where}: {value} is not the form read here; write {error.validator_value!r}."
    mend = schema.get("description", f"it must agree with {rule} {error.validator_value!r}")
    return f"{where}: {value} will not do; {mend}."
