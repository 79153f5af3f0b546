"""Every expected "no": typed, with a sentence fit for a member. Knows no framework."""

from __future__ import annotations

from collections.abc import Mapping, Sequence


class Refused(Exception):
    """The request breaks a rule; nothing was changed.

    ``str(error)`` is one sentence that says what to do. ``fields`` maps the name of an
    input to its own sentences where the fault belongs to one input.
    """

    kind = "refused"
    status = 422

    def __init__(self, message: object, *, fields: Mapping[str, Sequence[str]] | None = None) -> None:
        super().__init__(message)
        self.fields: dict[str, list[str]] = {name: list(texts) for name, texts in (fields or {}).items()}

    def __str__(self) -> str:
        return str(self.args[0])


class NotAllowed(Refused):
    """The person's role or sign-off does not cover this."""

    kind = "not-allowed"
    status = 403


class NotFound(Refused):
    """No such thing in this co-op; another co-op's things are also not found."""

    kind = "not-found"
    status = 404


class Taken(Refused):
    """Somebody got there first: the space, the place, the kiln or the key is taken."""

    kind = "taken"
    status = 409


class Malformed(Refused):
    """The input does not say anything that could be carried out.

    ``faults`` holds one sentence per fault: where, what, how to mend it.
    """

    kind = "malformed"
    status = 400

    def __init__(self, faults: Sequence[str], *, fields: Mapping[str, Sequence[str]] | None = None) -> None:
        super().__init__(" ".join(faults), fields=fields)
        self.faults = tuple(faults)
