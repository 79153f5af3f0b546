"""Who withdrew late or brought nothing bears a part, in the cost shares and in the posting."""

from datetime import timedelta
from fractions import Fraction

import pytest

from billing.queries.costs import costs_of
from coop.policy import Terms
from firings.models import Damage, Firing, FiringZone, Piece
from tests.factories import NOW, ada, ben, cora, stu, tess
from tests.factories_money import draft, make_settling_firing, posted, take

pytestmark = pytest.mark.django_db

TERMS = Terms(fill_guarantee=Fraction(0))


def withdraw(firing, member, days):
    """As the service leaves it: withdrawn so many days before loading, the space given back."""
    for piece in Piece.objects.filter(booking__firing=firing, booking__member=member):
        FiringZone.objects.filter(pk=piece.zone_id).update(taken_ml=piece.zone.taken_ml - piece.asked_ml)
        piece.state, piece.withdrawn_at = Piece.State.WITHDRAWN, firing.occupied_from - timedelta(days=days)
        piece.save()


def spring():
    firing = make_settling_firing(litres={"Ada": (30, 10), "Ben": 20, "Tess": 20}, terms=TERMS)
    tess()
    take(firing, 60_000)
    return firing


@pytest.mark.parametrize(("days", "litres"), [(20, 0), (5, 10), (1, 20)])
def test_a_late_withdrawal_counts_by_the_policys_steps(days, litres):
    firing = spring()
    withdraw(firing, ben(), days)
    settlement = draft(firing)
    wood = {share.member.name: share.amount_minor for share in settlement.shares.all()}
    whole = 60 + litres
    assert wood.get("Ben", 0) == 60_000 * litres // whole
    assert sum(wood.values()) == 60_000
    assert bool(litres) == any("withdrawn late" in note for note in settlement.answer["notes"])
    assert bool(litres) == (
        str(ben().public_id) in settlement.answer["space"]
        and "withdrawn" in settlement.answer["space"][str(ben().public_id)]
    )


def test_calling_a_firing_off_makes_nobody_late():
    firing = spring()
    withdraw(firing, ben(), 1)
    Firing.objects.filter(pk=firing.pk).update(called_off_at=NOW)
    firing.refresh_from_db()
    assert costs_of(firing).late == ()


def test_the_reserve_bears_what_the_terms_leave_to_it_in_the_posting():
    terms = Terms(fill_guarantee=Fraction(1), empty_borne_by="reserve", levy_minor_per_litre=5)
    firing = make_settling_firing(litres={"Ada": 30, "Ben": 30}, terms=terms)
    tess()
    capacity = costs_of(firing).capacity_ml
    take(firing, 60_000)
    settlement = posted(firing)
    lines = {line.account.kind: line.amount_minor for line in settlement.posting.lines.exclude(account__kind="member")}
    borne = settlement.answer["reserve_bears"]
    assert abs(borne - 60_000 * (capacity - 60_000) // capacity) <= 1
    assert lines["bank"] == -60_000
    assert lines["reserve"] == borne - 300, "less the levy of 5 cents a litre"
    assert sum(settlement.posting.lines.values_list("amount_minor", flat=True)) == 0


def test_an_under_fired_zone_is_given_back_for_once_two_have_decided():
    firing = make_settling_firing(litres={"Ada": (0, 30), "Ben": 30}, terms=TERMS)
    tess()
    take(firing, 60_000)
    row = Damage.objects.create(
        coop=firing.coop,
        firing=firing,
        what="zone",
        zone=firing.zones.get(zone__is_soda=True),
        note="cone 8 stood",
        bearer="reserve",
        decided_by=stu(),
        decided_at=NOW,
        reported_by=ben(),
        reported_at=NOW,
    )
    assert draft(firing).answer["totals"] == {str(ada().public_id): 30_000, str(ben().public_id): 30_000}
    Damage.objects.filter(pk=row.pk).update(agreed_by=cora(), agreed_at=NOW)
    settlement = posted(firing)
    assert settlement.answer["totals"] == {str(ada().public_id): 15_000, str(ben().public_id): 30_000}
    lines = {line.account.kind: line.amount_minor for line in settlement.posting.lines.exclude(account__kind="member")}
    assert lines == {"bank": -60_000, "reserve": 15_000}
