"""Exchange files at the prompt: ``-`` is standard input, faults go to standard error, one a line."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import NoReturn

from django.core.management.base import CommandError, OutputWrapper

from coop.errors import Malformed, Refused

MOST_BYTES = 20_000_000
NO_ANSWER, BAD_FILE = 1, 2


def read_text(name: str) -> str:
    """The text of a file. Raises Malformed where it cannot be read."""
    try:
        data = sys.stdin.buffer.read(MOST_BYTES + 1) if name == "-" else Path(name).read_bytes()
    except OSError as error:
        raise Malformed([f"{name}: cannot be read ({error.strerror}); give the path of a file."]) from error
    if len(data) > MOST_BYTES:
        raise Malformed([f"{name}: is larger than {MOST_BYTES // 1_000_000} MB; give a smaller file."])
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise Malformed([f"{name}: is not UTF-8 at byte {error.start}; save it as UTF-8."]) from error


def write_text(text: str, out: str, stdout: OutputWrapper) -> None:
    """To standard output (``-``) or a file. Raises CommandError where it cannot be written."""
    if out == "-":
        stdout.write(text)
        return
    try:
        Path(out).write_text(text + "\n", encoding="utf-8")
    except OSError as error:
        raise CommandError(f"{out}: cannot be written ({error.strerror}).", returncode=BAD_FILE) from error


def end_with(error: Refused, stderr: OutputWrapper) -> NoReturn:
    """Say why not and end: 2 for a file that breaks its form, 1 for a problem without an answer."""
    lines = error.faults if isinstance(error, Malformed) else (str(error),)
    for line in lines:
        stderr.write(line)
    sys.exit(BAD_FILE if isinstance(error, Malformed) else NO_ANSWER)
