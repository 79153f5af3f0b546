"""The life of a firing: one table of stages and moves, and who may move it on."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

from coop.errors import NotAllowed, Refused

LEAD: Final = "lead"
STEWARD: Final = "steward"
TREASURER: Final = "treasurer"
CALLED_OFF: Final = "called_off"


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage: its identifier, its word on screen and what happens in it."""

    key: str
    word: str
    happens: str


@dataclass(frozen=True, slots=True)
class Move:
    """One allowed step and the roles of which any one may take it."""

    origin: str
    to: str
    roles: frozenset[str]
    word: str


STAGES: Final[tuple[Stage, ...]] = (
    Stage("called", "called", "kiln, dates, target cone and estimate stand; the kiln is taken in the calendar"),
    Stage("booking", "booking", "members list pieces and ask for space"),
    Stage("allotted", "allotted", "the space is shared out; the rest waits in order"),
    Stage("loading", "loading", "pieces go in by the load plan"),
    Stage("lit", "lit", "watches, log, cones, rounds and soda"),
    Stage("cooling", "cooling", "clammed up; nobody opens early"),
    Stage("unpacking", "unpacking", "what happened to every piece, board and post"),
    Stage("cleanup", "clean-up", "the kiln stays blocked until the checklist is signed off"),
    Stage("settling", "settling", "receipts, hours, cost shares, questions, posting, payments"),
    Stage("closed", "closed", "the record is complete and read-only"),
    Stage(CALLED_OFF, "called off", "what was held is released and what was paid is reversed"),
)
STAGE_KEYS: Final = tuple(stage.key for stage in STAGES)
WORDS: Final = {stage.key: stage.word for stage in STAGES}

BEFORE_LIT: Final = frozenset({"called", "booking", "allotted", "loading"})
HOLDS_KILN: Final = BEFORE_LIT | {"lit", "cooling", "unpacking", "cleanup"}
TAKES_PIECES: Final = frozenset({"booking"})
TAKES_LOG: Final = frozenset({"lit", "cooling"})
TAKES_RECEIPTS: Final = HOLDS_KILN | {"settling"}
FINAL: Final = frozenset({"closed", CALLED_OFF})

_LEAD: Final = frozenset({LEAD})

MOVES: Final[tuple[Move, ...]] = (
    Move("called", "booking", _LEAD, "Open booking"),
    Move("booking", "allotted", _LEAD, "Share out the space"),
    Move("booking", "loading", _LEAD, "Close booking and load"),
    Move("allotted", "loading", _LEAD, "Start loading"),
    Move("loading", "lit", _LEAD, "Light the kiln"),
    Move("lit", "cooling", _LEAD, "End of fire"),
    Move("cooling", "unpacking", _LEAD, "Open the kiln"),
    Move("unpacking", "cleanup", _LEAD, "Start clean-up"),
    Move("cleanup", "settling", frozenset({STEWARD}), "Sign off the clean-up"),
    Move("settling", "closed", frozenset({TREASURER}), "Close the firing"),
    *(Move(stage, CALLED_OFF, _LEAD, "Call off") for stage in STAGE_KEYS if stage in BEFORE_LIT),
)


def moves_from(stage: str) -> tuple[Move, ...]:
    """Every move that leaves ``stage``, the usual next step first; raises Refused for an unknown stage."""
    _check_known(stage)
    return tuple(move for move in MOVES if move.origin == stage)


def check_move(stage: str, to: str, *, roles: Collection[str] | None = None) -> Move:
    """The move from ``stage`` to ``to``, or Refused saying what can be done instead.

    With ``roles`` given, raises NotAllowed unless one of them may take the step.
    """
    _check_known(stage)
    _check_known(to)
    for move in moves_from(stage):
        if move.to == to:
            if roles is not None and move.roles.isdisjoint(roles):
                raise NotAllowed(f"Only the {_either(move.roles)} can do this: ask them to “{move.word}”.")
            return move
    raise Refused(_why_not(stage, to))


def can_move(stage: str, to: str, *, roles: Collection[str] | None = None) -> bool:
    """True if ``check_move`` would not refuse."""
    try:
        check_move(stage, to, roles=roles)
    except Refused:
        return False
    return True


def _check_known(stage: str) -> None:
    if stage not in WORDS:
        raise Refused(f"There is no stage “{stage[:30]}”; pick one of: {', '.join(WORDS.values())}.")


def _why_not(stage: str, to: str) -> str:
    if stage == to:
        return f"This firing is already {_is_in(stage)}; there is nothing to do."
    if stage in FINAL:
        return f"This firing is {WORDS[stage]} and its record is read-only; call a new firing instead."
    if to == CALLED_OFF:
        return (
            "A firing that has been lit cannot be called off; "
            "mark it as failed and take it through cooling, unpacking, clean-up and settling."
        )
    following = " or ".join(f"“{WORDS[move.to]}”" for move in moves_from(stage) if move.to != CALLED_OFF)
    return f"This firing is {_is_in(stage)} and cannot go to “{WORDS[to]}”; the next stage is {following}."


def _is_in(stage: str) -> str:
    return f"at the stage “{WORDS[stage]}”"


def _either(roles: Collection[str]) -> str:
    names = {LEAD: "firing lead", STEWARD: "kiln steward", TREASURER: "treasurer"}
    return " or ".join(sorted(names[role] for role in roles))
