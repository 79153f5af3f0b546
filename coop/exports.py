"""One co-op out of one database and into another: every row it has, as JSON lines, with figures to compare."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import IO, Any

from django.apps import apps
from django.core import serializers
from django.core.serializers.base import DeserializationError
from django.db import connection
from django.db.models import Field, Model
from django.utils.translation import gettext as _

from coop.errors import Malformed, Refused, Taken
from coop.models import Coop, CoopOwned, IdempotencyKey, Person
from coop.transactions import founding, reading

FORMAT = "coop-export/1"
# Answers to requests of the old address: of no use at a new one.
LEFT_BEHIND = frozenset({IdempotencyKey})
# What stands in the file of a person; who moves house sets a new password by mail.
OF_A_PERSON = ("public_id", "email", "name", "temperature_unit", "length_unit", "volume_unit")

Figure = Callable[[Coop], int | str]
_FIGURES: dict[str, Figure] = {}


def figure(name: str, of: Figure) -> None:
    """Have a figure written into each export and compared after each import (apps register theirs)."""
    _FIGURES[name] = of


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import brought in."""

    coop: Coop
    rows: int
    new_people: int


def models() -> list[type[Model]]:
    """Every kind of row a co-op owns and takes along, in the order of the apps."""
    return [model for model in apps.get_models() if issubclass(model, CoopOwned) and model not in LEFT_BEHIND]


def figures(coop: Coop) -> dict[str, int | str]:
    """Rows of each kind and the registered figures. Read inside ``reading``."""
    counted: dict[str, int | str] = {
        model._meta.label: model._default_manager.filter(coop=coop).count() for model in models()
    }
    return counted | {name: of(coop) for name, of in _FIGURES.items()}


# --- Out ----------------------------------------------------------------------------------


def write(coop: Coop, out: IO[str]) -> int:
    """Write the co-op as JSON lines: a head, its people, its rows; how many lines. One snapshot throughout."""
    with reading(coop):
        people = _people_of(coop)
        head = {
            "format": FORMAT,
            "coop": {name: str(getattr(coop, name)) for name in ("public_id", "slug", "name", "time_zone", "currency")}
            | {"founded_at": coop.founded_at.isoformat()},
            "figures": figures(coop),
        }
        lines = 1
        out.write(json.dumps(head, ensure_ascii=False) + "\n")
        for person in people:
            said = {name: str(getattr(person, name)) for name in OF_A_PERSON} | {"pk": person.pk}
            out.write(json.dumps({"person": said}, ensure_ascii=False) + "\n")
            lines += 1
        for model in models():
            rows = model._default_manager.filter(coop=coop).order_by("pk").iterator(chunk_size=500)
            for row in rows:
                out.write(serializers.serialize("jsonl", [row], ensure_ascii=False))
                lines += 1
    return lines


def _people_of(coop: Coop) -> list[Person]:
    """Everybody a row of the co-op points at, members or not."""
    wanted: set[int] = set()
    for model in models():
        for field in model._meta.local_fields:
            if field.related_model is Person:
                keys = model._default_manager.filter(coop=coop).values_list(field.attname, flat=True)
                wanted.update(pk for pk in keys if pk is not None)
    return list(Person.objects.filter(pk__in=wanted).order_by("pk"))


# --- In -----------------------------------------------------------------------------------


def read(source: IO[str], *, slug: str = "") -> Imported:
    """Bring a co-op in from its export, whole or not at all; ``slug`` gives it another address.

    Raises Malformed for a file that is none or was cut, Taken where the co-op or its address is there
    already, Refused where the figures after the import are not those of the file.
    """
    lines = _lines(source)
    head = next(lines, {})
    if head.get("format") != FORMAT:
        raise _malformed(
            _("This is no co-op export (%(format)s); make one with manage.py export_coop.") % {"format": FORMAT}
        )
    people, rows = _sorted(lines)
    counted = {model._meta.label: len(rows.get(model._meta.label, [])) for model in models()}
    promised = {name: head["figures"].get(name) for name in counted}
    if promised != counted:
        wrong = next(name for name in counted if counted[name] != promised[name])
        raise _malformed(
            _("The file was cut or changed: it should hold %(wanted)s rows of %(kind)s and holds %(found)s.")
            % {"wanted": promised[wrong], "kind": wrong, "found": counted[wrong]}
        )
    with founding():
        coop = _coop(head["coop"], slug)
        known, new_people = _bring_people(people)
        _bring_rows(coop, rows, known)
        found = figures(coop)
        differing = [name for name, value in head["figures"].items() if found.get(name) != value]
        if differing:
            raise Refused(
                _("After the import %(names)s would differ from the export, so nothing was brought in.")
                % {"names": ", ".join(differing)}
            )
    return Imported(coop, sum(counted.values()), new_people)


def _malformed(sentence: str) -> Malformed:
    return Malformed([sentence])


def _lines(source: IO[str]) -> Iterator[dict[str, Any]]:
    for number, text in enumerate(source, start=1):
        try:
            line = json.loads(text)
        except ValueError as error:
            raise _malformed(_("Line %(number)s of the file is not JSON: was it cut?") % {"number": number}) from error
        if not isinstance(line, dict):
            raise _malformed(_("Line %(number)s of the file is no row of an export.") % {"number": number})
        yield line


def _sorted(lines: Iterator[dict[str, Any]]) -> tuple[list[dict[str, Any]], dict[str, list[Any]]]:
    """People as they stand; rows as unsaved objects by the label of their model."""
    people: list[dict[str, Any]] = []
    rows: dict[str, list[Any]] = {}
    known = {model._meta.label_lower for model in models()}
    for number, line in enumerate(lines, start=2):
        if "person" in line:
            people.append(line["person"])
            continue
        if line.get("model") not in known:
            raise _malformed(
                _("Line %(number)s of the file is no row this version of the service knows.") % {"number": number}
            )
        try:
            row = next(serializers.deserialize("python", [line])).object
        except DeserializationError as error:
            raise _malformed(
                _("Line %(number)s of the file does not fit this version of the service: %(why)s")
                % {"number": number, "why": error}
            ) from error
        rows.setdefault(row._meta.label, []).append(row)
    return people, rows


def _coop(said: dict[str, Any], slug: str) -> Coop:
    address = slug or said["slug"]
    if Coop.objects.filter(public_id=said["public_id"]).exists():
        raise Taken(_("This co-op is in this database already; an export goes into a database without it."))
    if Coop.objects.filter(slug=address).exists():
        raise Taken(_("The address “%(slug)s” is taken here; give another with --slug.") % {"slug": address})
    coop = Coop.objects.create(**{**said, "slug": address})
    coop.refresh_from_db()
    return coop


def _bring_people(people: list[dict[str, Any]]) -> tuple[dict[int, int], int]:
    """Old keys to new ones; a person already here is known by their e-mail address."""
    keys, new = {}, 0
    for said in people:
        fields = {name: said[name] for name in OF_A_PERSON}
        person = Person.objects.filter(email=fields["email"]).first()
        if person is None:
            person = Person(**fields)
            person.set_unusable_password()
            person.save()
            new += 1
        keys[said["pk"]] = person.pk
    return keys, new


def _bring_rows(coop: Coop, rows: dict[str, list[Any]], people: dict[int, int]) -> None:
    """Give every row a new key, point everything at the new keys, write all of it."""
    keys: dict[type[Model], dict[int, int]] = {Person: people}
    for model in models():
        mine = rows.get(model._meta.label, [])
        fresh = _fresh_keys(model, len(mine))
        keys[model] = dict(zip((row.pk for row in mine), fresh, strict=True))
    for model in models():
        mine = rows.get(model._meta.label, [])
        for row in mine:
            row.pk, row.coop = keys[model][row.pk], coop
            for field in model._meta.local_fields:
                if field.related_model in keys and (old := getattr(row, field.attname)) is not None:
                    setattr(row, field.attname, _known(keys[field.related_model], old, field))
        model._default_manager.bulk_create(mine, batch_size=200)


def _known(keys: dict[int, int], old: int, field: Field[Any, Any]) -> int:
    if old not in keys:
        raise _malformed(
            _("The file was cut or changed: %(field)s points at number %(old)s, which is not in it.")
            % {"field": field, "old": old}
        )
    return keys[old]


def _fresh_keys(model: type[Model], count: int) -> list[int]:
    """Keys nobody else has or will get."""
    table = model._meta.db_table
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "SELECT nextval(pg_get_serial_sequence(%s, 'id')) FROM generate_series(1, %s)", [table, count]
            )
            return [key for (key,) in cursor.fetchall()]
        cursor.execute("SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = %s", [table])
        last = cursor.fetchone()[0]
        return list(range(last + 1, last + 1 + count))
