"""A co-op's terms: every rule co-ops differ in, with a default, checked, and kept as JSON with a firing."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from fractions import Fraction
from itertools import pairwise
from typing import Any, Final, Literal

from coop.errors import Malformed

POOLS: Final = ("wood", "soda", "shelf_wash", "wads_cones", "permit", "per_head", "reserve", "breakage")
COST_KEYS: Final = ("litres", "soda_litres", "board_area", "pieces", "heads", "decision", "fund")
USED: Final = ("larger", "loaded", "booked")
ALLOTMENT_RULES: Final = ("equal", "hours_worked", "turns_left_out", "booking_order")
EMPTY_BORNE_BY: Final = ("fund", "members", "reserve")

Used = Literal["larger", "loaded", "booked"]

_DEFAULT_KEYS: Final[Mapping[str, str]] = {
    "wood": "litres",
    "soda": "soda_litres",
    "shelf_wash": "board_area",
    "wads_cones": "pieces",
    "permit": "litres",
    "per_head": "heads",
    "reserve": "litres",
    "breakage": "decision",
}


@dataclass(frozen=True, slots=True)
class FeeStep:
    """From ``days_before`` days before loading on (and nearer), ``share`` of the quoted cost is charged."""

    days_before: int
    share: Fraction


@dataclass(frozen=True, slots=True)
class Terms:
    """One version of the terms. Shares are exact fractions, money minor units, volumes ml, time as named.

    Raises Malformed with one sentence per fault, named by field.
    """

    cost_keys: Mapping[str, str] = field(default_factory=lambda: dict(_DEFAULT_KEYS))
    used: Used = "larger"
    booked_unused_share: Fraction = Fraction(1, 2)
    fill_guarantee: Fraction = Fraction(7, 10)
    empty_borne_by: str = "fund"
    minimum_fill: Fraction = Fraction(7, 10)
    allotment_rule: str = "equal"
    cap_ml_per_member: int | None = None
    floor_ml_per_member: int = 0
    owed_share_even: Fraction = Fraction(1, 2)
    hours_per_litre: Fraction = Fraction(1, 10)
    hour_rate_minor: int = 0
    night_weight: Fraction = Fraction(3, 2)
    night_from_hour: int = 22
    night_to_hour: int = 6
    splitting_weight: Fraction = Fraction(1)
    grinding_weight: Fraction = Fraction(1)
    guest_factor: Fraction = Fraction(1)
    floor_minor_per_member: int = 0
    cap_minor_per_member: int | None = None
    late_cancel: tuple[FeeStep, ...] = (FeeStep(13, Fraction(1, 2)), FeeStep(1, Fraction(1)))
    no_show_share: Fraction = Fraction(1)
    failed_refund: Mapping[str, Fraction] = field(
        default_factory=lambda: {"wood": Fraction(1, 2), "soda": Fraction(1, 2)}
    )
    levy_minor_per_litre: int = 0
    deposit_minor: int = 0
    question_days: int = 7
    rest_hours: int = 8
    most_hours_in_24: int = 8
    most_nights_in_a_row: int = 2
    remind_hours: int = 24
    take_up_minutes: int = 15

    def __post_init__(self) -> None:
        faults: dict[str, str] = {}
        for name, check in _CHECKS.items():
            if complaint := check(getattr(self, name)):
                faults[name] = complaint
        if not faults and self.floor_ml_per_member > (self.cap_ml_per_member or self.floor_ml_per_member):
            faults["floor_ml_per_member"] = "nobody can be promised more than the most they may hold; lower it."
        if not faults and self.floor_minor_per_member > (self.cap_minor_per_member or self.floor_minor_per_member):
            faults["floor_minor_per_member"] = "nobody can pay at least more than the most they may pay; lower it."
        if not faults and self.most_hours_in_24 + self.rest_hours > 24:
            faults["rest_hours"] = "rest and the most hours in 24 add up to more than a day; lower one of them."
        if faults:
            raise Malformed(
                [f"{name}: {text}" for name, text in faults.items()],
                fields={name: [text] for name, text in faults.items()},
            )

    def chore_weight(self, kind: str) -> Fraction:
        """What an hour of this kind of chore counts: cutting and splitting wood, grinding shelves by rule, else 1."""
        if kind in ("cut", "split"):
            return self.splitting_weight
        return self.grinding_weight if kind == "grinding" else Fraction(1)

    def cancel_share(self, days_before_loading: int) -> Fraction:
        """Share of the quoted cost charged to one who withdraws that many days before loading."""
        due = [step.share for step in self.late_cancel if days_before_loading <= step.days_before]
        return max(due, default=Fraction(0))

    def used_ml(self, *, booked_ml: int, loaded_ml: int) -> Fraction:
        """What counts as used, in ml.

        "larger" is max(loaded, ``booked_unused_share`` x booked): space booked and left empty still counts
        in part, because nobody else could have it.
        """
        if self.used == "loaded":
            return Fraction(loaded_ml)
        if self.used == "booked":
            return Fraction(booked_ml)
        return max(Fraction(loaded_ml), self.booked_unused_share * booked_ml)

    def to_json(self) -> dict[str, object]:
        """Plain values for ``json.dumps``; fractions as text ("7/10"). ``from_json`` gives the same Terms."""
        return {item.name: _plain(getattr(self, item.name)) for item in fields(self)}

    @classmethod
    def from_json(cls, data: object) -> Terms:
        """Terms from plain values; what is missing takes the default. Raises Malformed naming every fault."""
        if not isinstance(data, Mapping):
            raise Malformed(["The terms must be an object of names and values."])
        known = {item.name for item in fields(cls)}
        faults = [
            f"{name}: there is no such rule; leave it out or pick one of: {', '.join(sorted(known))}."
            for name in sorted(str(key) for key in data if key not in known)
        ]
        values: dict[str, Any] = {}
        for name in sorted(known & set(data)):
            try:
                values[name] = _READERS[name](data[name])
            except (ValueError, TypeError, ZeroDivisionError, KeyError) as fault:
                faults.append(f"{name}: {_said(fault)}")
        if faults:
            raise Malformed(faults)
        return replace(cls(), **values)


def _said(fault: Exception) -> str:
    return fault.args[0] if isinstance(fault, _Unreadable) else "give a value of the right kind."


class _Unreadable(ValueError):
    """A value of the wrong kind; its text says which kind is meant."""


def _plain(value: object) -> object:
    if isinstance(value, Fraction):
        return str(value)
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if isinstance(value, FeeStep):
        return {"days_before": value.days_before, "share": str(value.share)}
    return value


def _fraction(value: object) -> Fraction:
    """A whole number, "7/10" or "0.7"; no binary floats, so that a share means what it says."""
    if isinstance(value, bool) or not isinstance(value, int | str):
        raise _Unreadable('write a share as text, like "0.7" or "7/10".')
    if isinstance(value, str) and not re.fullmatch(r"-?[0-9]{1,9}([/.][0-9]{1,9})?", value):
        raise _Unreadable('write a share as text, like "0.7" or "7/10".')
    return Fraction(value)


def _whole(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise _Unreadable("give a whole number.")
    return value


def _whole_or_none(value: object) -> int | None:
    return None if value is None else _whole(value)


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise _Unreadable("give a word as text.")
    return value


def _keys(value: object) -> dict[str, str]:
    if not isinstance(value, Mapping):
        raise _Unreadable("give a cost key for each pool by name.")
    return {**_DEFAULT_KEYS, **{_text(pool): _text(key) for pool, key in value.items()}}


def _shares(value: object) -> dict[str, Fraction]:
    if not isinstance(value, Mapping):
        raise _Unreadable("give a share for each pool by name.")
    return {_text(pool): _fraction(share) for pool, share in value.items()}


def _steps(value: object) -> tuple[FeeStep, ...]:
    if not isinstance(value, list | tuple):
        raise _Unreadable("give a list of steps with days_before and share.")
    steps = []
    for step in value:
        if not isinstance(step, Mapping) or set(step) != {"days_before", "share"}:
            raise _Unreadable("each step needs days_before and share, and nothing else.")
        steps.append(FeeStep(_whole(step["days_before"]), _fraction(step["share"])))
    return tuple(steps)


_FRACTIONS: Final = (
    "booked_unused_share",
    "fill_guarantee",
    "minimum_fill",
    "owed_share_even",
    "no_show_share",
)
_READERS: Final[Mapping[str, Callable[[object], object]]] = {
    "cost_keys": _keys,
    "used": _text,
    "empty_borne_by": _text,
    "allotment_rule": _text,
    "cap_ml_per_member": _whole_or_none,
    "cap_minor_per_member": _whole_or_none,
    "hours_per_litre": _fraction,
    "night_weight": _fraction,
    "splitting_weight": _fraction,
    "grinding_weight": _fraction,
    "guest_factor": _fraction,
    "late_cancel": _steps,
    "failed_refund": _shares,
    **dict.fromkeys(_FRACTIONS, _fraction),
    **dict.fromkeys(
        (
            "hour_rate_minor",
            "night_from_hour",
            "night_to_hour",
            "levy_minor_per_litre",
            "deposit_minor",
            "floor_ml_per_member",
            "floor_minor_per_member",
            "question_days",
            "rest_hours",
            "most_hours_in_24",
            "most_nights_in_a_row",
            "remind_hours",
            "take_up_minutes",
        ),
        _whole,
    ),
}


def _one_of(*words: str) -> Callable[[object], str]:
    return lambda value: "" if value in words else f"pick one of: {', '.join(words)}."


def _within(low: int, high: int) -> Callable[[object], str]:
    def complain(value: object) -> str:
        fits = isinstance(value, int | Fraction) and low <= value <= high
        return "" if fits else f"give a value from {low} to {high}."

    return complain


def _cap(value: object) -> str:
    fits = value is None or (isinstance(value, int) and value > 0)
    return "" if fits else "give a number of ml above zero, or nothing for no cap."


def _cap_minor(value: object) -> str:
    fits = value is None or (isinstance(value, int) and 0 < value <= 1_000_000_000)
    return "" if fits else "give an amount above zero, or nothing for no cap."


def _cost_keys_fit(value: object) -> str:
    assert isinstance(value, Mapping)
    for pool, key in value.items():
        if pool not in POOLS:
            return f"there is no pool “{pool}”; pick from: {', '.join(POOLS)}."
        if key not in COST_KEYS:
            return f"the pool {pool} cannot be shared by “{key}”; pick one of: {', '.join(COST_KEYS)}."
    missing = [pool for pool in POOLS if pool not in value]
    return f"say how these pools are shared: {', '.join(missing)}." if missing else ""


def _refund_fits(value: object) -> str:
    assert isinstance(value, Mapping)
    for pool, share in value.items():
        if pool not in POOLS:
            return f"there is no pool “{pool}”; pick from: {', '.join(POOLS)}."
        if not 0 <= share <= 1:
            return f"the share given back of {pool} must be from 0 to 1."
    return ""


def _steps_fit(value: object) -> str:
    assert isinstance(value, tuple)
    if any(step.days_before < 0 or not 0 <= step.share <= 1 for step in value):
        return "each step needs days from 0 up and a share from 0 to 1."
    far_first = sorted(value, key=lambda step: -step.days_before)
    if any(a.share > b.share for a, b in pairwise(far_first)):
        return "withdrawing earlier must never cost more than withdrawing later."
    return ""


_CHECKS: Final[Mapping[str, Callable[[object], str]]] = {
    "cost_keys": _cost_keys_fit,
    "used": _one_of(*USED),
    "empty_borne_by": _one_of(*EMPTY_BORNE_BY),
    "allotment_rule": _one_of(*ALLOTMENT_RULES),
    "cap_ml_per_member": _cap,
    "floor_ml_per_member": _within(0, 10_000_000),
    "floor_minor_per_member": _within(0, 1_000_000_000),
    "cap_minor_per_member": _cap_minor,
    "failed_refund": _refund_fits,
    "late_cancel": _steps_fit,
    **dict.fromkeys(_FRACTIONS, _within(0, 1)),
    "hours_per_litre": _within(0, 100),
    "night_weight": _within(1, 5),
    "splitting_weight": _within(1, 5),
    "grinding_weight": _within(1, 5),
    "guest_factor": _within(0, 10),
    "hour_rate_minor": _within(0, 10_000_000),
    "levy_minor_per_litre": _within(0, 10_000_000),
    "deposit_minor": _within(0, 1_000_000_000),
    "night_from_hour": _within(0, 23),
    "night_to_hour": _within(0, 23),
    "question_days": _within(0, 90),
    "rest_hours": _within(0, 24),
    "most_hours_in_24": _within(1, 24),
    "most_nights_in_a_row": _within(0, 30),
    "remind_hours": _within(1, 168),
    "take_up_minutes": _within(5, 240),
}
