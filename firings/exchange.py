"""Reading exchange files: JSON against its schema, one sentence per fault. Knows no Django."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator
from jsonschema.exceptions import ValidationError

from coop.errors import Malformed

MOST_FAULTS = 50
KINDS = {
    "object": "an object {...}",
    "array": "a list [...]",
    "string": "a text",
    "integer": "a whole number",
    "number": "a number",
    "boolean": "true or false",
    "null": "null",
}


def read_schema(path: Path) -> dict[str, Any]:
    """The JSON Schema beside a core."""
    schema: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return schema


def read(text: str, schema: dict[str, Any]) -> dict[str, Any]:
    """The document in ``text`` if it obeys ``schema``.

    Raises Malformed with one sentence per fault: where, what, how to mend it.
    """
    document = _parsed(text)
    problems = sorted(
        Draft202012Validator(schema).iter_errors(document), key=lambda error: [str(p) for p in error.path]
    )
    sentences = list(dict.fromkeys(line for problem in problems for line in _sentences(problem)))
    if sentences:
        shown, more = sentences[:MOST_FAULTS], len(sentences) - MOST_FAULTS
        raise Malformed([*shown, f"And {more} more faults; mend these first."] if more > 0 else shown)
    read_document: dict[str, Any] = document
    return read_document


def _parsed(text: str) -> Any:
    try:
        document = json.loads(
            text.removeprefix("\ufeff"), object_pairs_hook=_without_repeats, parse_constant=_no_constant
        )
        json.dumps(document, ensure_ascii=False).encode()
    except json.JSONDecodeError as error:
        raise Malformed(
            [f"Line {error.lineno}, column {error.colno}: this is not JSON ({error.msg}); correct it there."]
        ) from error
    except UnicodeEncodeError as error:
        raise Malformed(["A text holds half a character (a lone surrogate); write it anew."]) from error
    except (RecursionError, ValueError) as error:
        raise Malformed([f"The file cannot be read as JSON: {error}; write it anew."]) from error
    return document


def _without_repeats(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise Malformed([f"The key {twice!r} stands twice in one object; keep one of them."])
    return made


def _no_constant(name: str) -> Any:
    raise Malformed([f"{name} is not a number; write a plain number."])


def _sentences(error: ValidationError) -> Iterator[str]:
    where = _where(error)
    rule: Any = error.validator_value
    instance: Any = error.instance
    shown = json.dumps(instance, ensure_ascii=False)
    shown = shown if len(shown) <= 60 else shown[:57] + "..."
    match error.validator:
        case "additionalProperties":
            known = error.schema.get("properties", {}) if isinstance(error.schema, dict) else {}
            for key in sorted(set(instance) - set(known)):
                yield f"{where}: unknown key {key!r}; remove it or correct its spelling."
        case "required":
            for key in rule:
                if key not in instance:
                    yield f"{where}: {key!r} is missing; add it."
        case "type":
            kinds = [rule] if isinstance(rule, str) else list(rule)
            yield f"{where}: {shown} must be {' or '.join(KINDS[kind] for kind in kinds)}."
        case "const":
            yield f"{where}: {shown} must be {json.dumps(rule)}."
        case "enum":
            yield f"{where}: {shown} must be one of {', '.join(json.dumps(one) for one in rule)}."
        case "minimum":
            yield f"{where}: {shown} is too small; it must be at least {rule}."
        case "exclusiveMinimum":
            yield f"{where}: {shown} is too small; it must be more than {rule}."
        case "maximum":
            yield f"{where}: {shown} is too large; it must be at most {rule}."
        case "minItems" | "minLength":
            yield f"{where}: is empty or too short; give at least {rule}."
        case "maxItems" | "maxLength":
            yield f"{where}: is too long; give at most {rule}."
        case "uniqueItems":
            yield f"{where}: the same entry stands there twice; keep one."
        case _:
            yield f"{where}: {shown} has the wrong form; it must obey {error.validator} {json.dumps(rule)}."


def _where(error: ValidationError) -> str:
    text = ""
    for step in error.absolute_path:
        text += f"[{step}]" if isinstance(step, int) else (f".{step}" if text else str(step))
    return text or "The file"
