"""People and things for tests, made through the services where a service makes them.

Ada leads firings, Ben is a member, Tess is treasurer, Stu is steward, Cora coordinates; Cy is in another co-op.
"""

from __future__ import annotations

from datetime import UTC, date, datetime

from coop.models import Coop, Membership, Person, Policy, Role, SignOff
from coop.policy import Terms

NOW = datetime(2026, 5, 1, 9, 0, tzinfo=UTC)
TODAY = date(2026, 5, 1)
PASSWORD = "ash-and-cinders-2026"


def make_coop(slug="hollow-lane", name="Hollow Lane Kilns", currency="EUR", time_zone="Europe/Dublin") -> Coop:
    coop, _ = Coop.objects.get_or_create(
        slug=slug, defaults={"name": name, "currency": currency, "time_zone": time_zone}
    )
    Policy.objects.get_or_create(coop=coop, version=1, defaults={"terms": Terms().to_json(), "adopted_at": NOW})
    return coop


def make_member(name="Ben", *, coop=None, roles=("member",), sign_offs=()) -> Membership:
    """A member of the co-op (or the one that is there already), with roles and sign-offs."""
    coop = coop or make_coop()
    email = f"{name.lower().replace(' ', '.')}@{coop.slug}.example"
    person = Person.objects.filter(email=email).first() or Person.objects.create_user(email, PASSWORD, name=name)
    membership, _ = Membership.objects.get_or_create(coop=coop, person=person, defaults={"joined_at": NOW})
    for kind in {"member", *roles}:
        Role.objects.get_or_create(coop=coop, membership=membership, kind=kind)
    for kind in sign_offs:
        SignOff.objects.get_or_create(coop=coop, membership=membership, kind=kind, defaults={"given_on": TODAY})
    return Membership.objects.with_roles().select_related("coop").get(pk=membership.pk)


def ada(coop=None) -> Membership:
    return make_member("Ada", coop=coop, roles=("lead",), sign_offs=("stoking", "leading", "soda"))


def ben(coop=None) -> Membership:
    return make_member("Ben", coop=coop)


def tess(coop=None) -> Membership:
    return make_member("Tess", coop=coop, roles=("treasurer",))


def stu(coop=None) -> Membership:
    return make_member("Stu", coop=coop, roles=("steward",), sign_offs=("grinding", "splitter"))


def cora(coop=None) -> Membership:
    return make_member("Cora", coop=coop, roles=("coordinator",))


def cy() -> Membership:
    return make_member("Cy", coop=make_coop("far-field", "Far Field Kilns"), roles=("lead", "coordinator"))
