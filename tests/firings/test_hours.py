"""The hours account: owed to the minute, credited once, adjusted with a reason."""

from datetime import UTC, datetime, timedelta
from fractions import Fraction

import pytest
from django.db import IntegrityError, transaction
from django.db.models import Sum
from hypothesis import given
from hypothesis import strategies as st

from billing.invariants import check_all
from coop.errors import Malformed, NotAllowed, NotFound, Refused, Taken
from coop.models import Notice
from coop.policy import Terms
from firings.models import Chore, Firing, HoursEntry
from firings.queries import hours as queries
from firings.roster.hours import credited_minutes
from firings.services import chores, hours
from tests.factories import NOW, ada, ben, cora, cy, make_member, tess
from tests.factories_watches import LIGHTS, give_space, join, make_watch_firing, watches_of

moments = st.datetimes(datetime(2026, 1, 1), datetime(2026, 12, 31)).map(
    lambda at: at.replace(tzinfo=UTC, microsecond=0)
)


@given(moments, st.integers(1, 60 * 72))
def test_minutes_agree_with_the_roster_core_at_its_night(start, minutes):
    end = start + timedelta(minutes=minutes)
    core = credited_minutes(start, end, "Europe/Dublin", night_weight=Fraction(3, 2))
    assert abs(queries.credited(start, end, "Europe/Dublin", Terms()) - core) <= 1  # halves round differently


@pytest.mark.parametrize(
    ("local", "night"),
    [
        # Dublin 2026: clocks go forward 29 March 01:00, back 25 October 02:00; the night is 22:00 to 06:00.
        ((datetime(2026, 3, 28, 22, tzinfo=UTC), datetime(2026, 3, 29, 5, tzinfo=UTC)), 7 * 60),
        ((datetime(2026, 10, 24, 21, tzinfo=UTC), datetime(2026, 10, 25, 6, tzinfo=UTC)), 9 * 60),
    ],
)
def test_the_night_of_the_clock_change_is_as_long_as_it_is(local, night):
    assert queries.night_minutes(*local, "Europe/Dublin", Terms()) == night


def test_a_night_that_does_not_pass_midnight_counts():
    terms = Terms(night_from_hour=1, night_to_hour=5)
    start = datetime(2026, 1, 10, 22, tzinfo=UTC)
    assert queries.night_minutes(start, start + timedelta(hours=8), "Europe/Dublin", terms) == 4 * 60


@pytest.mark.django_db
def test_what_is_owed_adds_up_to_the_work_to_the_minute():
    firing = make_watch_firing(terms=Terms(owed_share_even=Fraction(1, 3)))
    for member, ml in ((ada(), 10_000), (ben(), 20_001), (tess(), 7)):
        give_space(firing, member, ml)
    hours.owe_for(firing, ada(), NOW)
    owed = HoursEntry.objects.filter(kind="owed").aggregate(minutes=Sum("minutes"))["minutes"]
    assert -owed == queries.work_asked(firing) > 0


@pytest.mark.django_db
def test_half_is_owed_alike_and_half_by_litres():
    firing = make_watch_firing()  # owed_share_even 1/2
    give_space(firing, ada(), 30_000)
    give_space(firing, ben(), 10_000)
    hours.owe_for(firing, None, NOW)
    work = queries.work_asked(firing)
    minutes = {entry.member.name: -entry.minutes for entry in HoursEntry.objects.all()}
    assert abs(minutes["Ada"] - work * Fraction(5, 8)) < 1  # 1/2 x 1/2 + 1/2 x 3/4
    assert abs(minutes["Ben"] - work * Fraction(3, 8)) < 1


@pytest.mark.django_db
def test_owing_twice_owes_once():
    firing = make_watch_firing()
    give_space(firing, ben(), 10_000)
    assert len(hours.owe_for(firing, None, NOW)) == 1
    assert hours.owe_for(firing, None, NOW) == []
    assert HoursEntry.objects.count() == 1


@pytest.mark.django_db
def test_nobody_with_space_owes_nothing():
    assert hours.owe_for(make_watch_firing(), None, NOW) == []


@pytest.mark.django_db
def test_the_account_says_owed_worked_and_missing():
    firing = make_watch_firing()
    give_space(firing, ben(), 10_000)
    hours.owe_for(firing, None, NOW)
    hours.credit(member=ben(), firing=firing, kind="chore", minutes=60, why="Wads", key="chore:1", by=ada(), now=NOW)
    [account] = queries.for_firing(firing.coop, firing)
    assert account.worked == 60
    assert account.short == account.owed - 60 == -account.balance


@pytest.mark.django_db
def test_only_the_coordinator_adjusts_with_a_reason_and_the_member_is_told():
    firing = make_watch_firing()
    said = {"member_id": ben().public_id, "minutes": 90, "why": "Carried bricks", "firing_id": firing.public_id}
    with pytest.raises(NotAllowed):
        hours.adjust(firing.coop, by=ada(), now=NOW, key="1", **said)
    entry = hours.adjust(firing.coop, by=cora(), now=NOW, key="1", **said)
    assert (entry.minutes, entry.kind, entry.by) == (90, "adjusted", cora())
    assert Notice.objects.filter(to_person=ben().person, kind="hours").count() == 1
    with pytest.raises(Taken, match="nothing was credited twice"):
        hours.adjust(firing.coop, by=cora(), now=NOW, key="1", **said)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("minutes", "why", "match"),
    [(0, "because", "above or below zero"), (60, "   ", "Say why"), (10**7, "because", "31 days")],
)
def test_an_adjustment_that_says_nothing_is_refused(minutes, why, match):
    with pytest.raises(Malformed, match=match):
        hours.adjust(ben().coop, by=cora(), now=NOW, member_id=ben().public_id, minutes=minutes, why=why, key="1")


@pytest.mark.django_db
def test_another_coops_member_is_not_found():
    with pytest.raises(NotFound):
        hours.adjust(ben().coop, by=cora(), now=NOW, member_id=cy().public_id, minutes=5, why="x", key="1")


@pytest.mark.django_db
def test_the_database_refuses_change_twice_and_nothing():
    firing = make_watch_firing()
    entry = hours.credit(
        member=ben(), firing=firing, kind="chore", minutes=60, why="Wads", key="chore:1", by=None, now=NOW
    )
    values = {"coop": firing.coop, "member": ben(), "kind": "chore", "why": "x", "at": NOW}
    with pytest.raises(IntegrityError), transaction.atomic():
        HoursEntry.objects.create(key="chore:1", minutes=5, **values)
    with pytest.raises(IntegrityError, match="hours_entry_is_not_nothing"), transaction.atomic():
        HoursEntry.objects.create(key="chore:2", minutes=0, **values)
    with pytest.raises(IntegrityError, match="append_only"), transaction.atomic():
        HoursEntry.objects.filter(pk=entry.pk).update(minutes=600)


# --- Carried over, settled in money ---


def work(member, firing, minutes, key):
    return hours.credit(
        member=member, firing=firing, kind="chore", minutes=minutes, why="Wads", key=key, by=None, now=NOW
    )


def account_of(firing, member):
    return next(one for one in queries.for_firing(firing.coop, firing) if one.member.pk == member.pk)


def a_firing_that_is_over(stage="closed", **more):
    firing = make_watch_firing(lights_at=LIGHTS - timedelta(days=60), **more)
    Firing.objects.filter(pk=firing.pk).update(stage=stage, holds_kiln=False)
    return firing


@pytest.mark.django_db
@pytest.mark.parametrize(("before", "into"), [(100, 100), (10**5, "all that is owed"), (-250, -250)])
def test_what_is_left_from_a_closed_firing_is_carried_over_and_the_account_as_a_whole_stays(before, into):
    work(ben(), a_firing_that_is_over(), before, "old")
    firing = make_watch_firing()
    give_space(firing, ben(), 10_000)
    hours.owe_for(firing, None, NOW)
    account = account_of(firing, ben())
    assert account.carried == (account.owed if into == "all that is owed" else into)
    assert account.balance == account.carried - account.owed
    assert queries.balances(firing.coop)[ben().pk] == before - account.owed
    lines = HoursEntry.objects.filter(kind="carried")
    assert sum(lines.values_list("minutes", flat=True)) == 0
    assert all(firing.name in line.why for line in lines)
    hours.owe_for(firing, None, NOW)
    assert lines.count() == 2


@pytest.mark.django_db
def test_what_an_open_firing_leaves_is_not_carried_before_its_cost_shares_settle_it():
    work(ben(), a_firing_that_is_over("settling"), -250, "old")
    firing = make_watch_firing()
    give_space(firing, ben(), 10_000)
    hours.owe_for(firing, None, NOW)
    assert account_of(firing, ben()).carried == 0


@pytest.mark.django_db
def test_hours_paid_for_leave_both_accounts_and_the_cost_shares_see_them_as_before():
    firing = make_watch_firing(terms=Terms(hour_rate_minor=1200))
    work(ada(), firing, 90, "a")
    for member, minutes in ((ben(), -100), (tess(), -50)):
        hours.credit(
            member=member, firing=firing, kind="owed", minutes=minutes, why="Space", key=member.name, by=None, now=NOW
        )
    before = {one.member.name: one.balance for one in queries.for_firing(firing.coop, firing)}
    assert len(hours.settle_in_money(firing, tess(), NOW)) == 3
    assert hours.settle_in_money(firing, tess(), NOW) == []
    accounts = {one.member.name: one for one in queries.for_firing(firing.coop, firing)}
    assert {name: one.balance for name, one in accounts.items()} == before
    assert {name: one.left for name, one in accounts.items()} == {"Ada": 0, "Ben": -40, "Tess": -20}
    assert queries.balances(firing.coop) == {ada().pk: 0, ben().pk: -40, tess().pk: -20}


@pytest.mark.django_db
def test_where_an_hour_has_no_price_nothing_is_settled_in_money():
    firing = make_watch_firing()
    work(ada(), firing, 90, "a")
    work(ben(), firing, -90, "b")
    assert hours.settle_in_money(firing, None, NOW) == []


# --- Corrections ---


@pytest.mark.django_db
def test_a_correction_is_a_line_of_its_own_that_points_back_and_the_member_is_told():
    firing = make_watch_firing()
    entry = work(ben(), firing, 120, "chore:1")
    made = hours.correct(firing.coop, by=cora(), now=NOW, entry_id=entry.public_id, minutes=90, why=" Left  early ")
    assert (made.minutes, made.kind, made.corrects, made.why, made.by) == (
        -30,
        "corrected",
        entry,
        "Left early",
        cora(),
    )
    again = hours.correct(firing.coop, by=cora(), now=NOW, entry_id=entry.public_id, minutes=0, why="Was not there")
    assert again.minutes == -90
    assert account_of(firing, ben()).worked == 0
    assert HoursEntry.objects.get(pk=entry.pk).minutes == 120
    assert Notice.objects.filter(kind="hours", to_person=ben().person).count() == 2


@pytest.mark.django_db
def test_a_correction_of_what_is_owed_counts_as_owed():
    firing = make_watch_firing()
    give_space(firing, ben(), 10_000)
    [entry] = hours.owe_for(firing, None, NOW)
    hours.correct(firing.coop, by=cora(), now=NOW, entry_id=entry.public_id, minutes=-60, why="Half the shelf broke")
    account = account_of(firing, ben())
    assert (account.owed, account.worked) == (60, 0)


@pytest.mark.django_db
def test_corrections_that_make_no_sense_are_refused_and_change_nothing():
    firing = make_watch_firing()
    entry = work(ben(), firing, 120, "chore:1")
    said = {"entry_id": entry.public_id, "minutes": 90, "why": "Left early"}
    for refusal, by, change in (
        (NotAllowed, ada(), {}),
        (Malformed, cora(), {"why": "  "}),
        (Malformed, cora(), {"minutes": -90}),
        (Malformed, cora(), {"minutes": 10**6}),
        (Refused, cora(), {"minutes": 120}),
        (NotFound, cora(), {"entry_id": firing.public_id}),
    ):
        with pytest.raises(refusal):
            hours.correct(firing.coop, by=by, now=NOW, **{**said, **change})
    with pytest.raises(NotFound):
        hours.correct(cy().coop, by=cy(), now=NOW, **said)
    made = hours.correct(firing.coop, by=cora(), now=NOW, **said)
    with pytest.raises(Refused, match="correction itself"):
        hours.correct(firing.coop, by=cora(), now=NOW, **{**said, "entry_id": made.public_id})
    assert HoursEntry.objects.count() == 2


@pytest.mark.django_db
def test_half_of_a_pair_is_not_corrected_alone():
    work(ben(), a_firing_that_is_over(), -100, "old")
    firing = make_watch_firing()
    give_space(firing, ben(), 10_000)
    hours.owe_for(firing, None, NOW)
    line = HoursEntry.objects.filter(kind="carried").first()
    with pytest.raises(Refused, match="another half"):
        hours.correct(firing.coop, by=cora(), now=NOW, entry_id=line.public_id, minutes=0, why="No")


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("name", "more"),
    [
        ("hours_entry_says_why", {"why": ""}),
        ("hours_correction_points_back", {"kind": "corrected"}),
        ("hours_correction_points_back", {"kind": "chore", "points": True}),
    ],
)
def test_the_database_refuses_a_line_without_reason_or_aim(name, more):
    firing = make_watch_firing()
    entry = work(ben(), firing, 60, "chore:1")
    values = {"coop": firing.coop, "member": ben(), "kind": "chore", "why": "x", "at": NOW, "minutes": 5, **more}
    if values.pop("points", False):
        values["corrects"] = entry
    with pytest.raises(IntegrityError, match=name), transaction.atomic():
        HoursEntry.objects.create(key="k", **values)


@pytest.mark.django_db
def test_verify_finds_hours_that_went_astray():
    def faults():
        return [fault for one in check_all(firing.coop) for fault in one.faults if "our" in fault or "line" in fault]

    hours.credit(
        member=ben(),
        firing=a_firing_that_is_over(),
        kind="adjusted",
        minutes=-100,
        why="Went home early",
        key="old",
        by=None,
        now=NOW,
    )
    firing = make_watch_firing(terms=Terms(hour_rate_minor=100))
    give_space(firing, ben(), 10_000)
    [owed] = hours.owe_for(firing, None, NOW)
    work(ada(), firing, 50, "a")
    hours.settle_in_money(firing, None, NOW)
    hours.correct(firing.coop, by=cora(), now=NOW, entry_id=owed.public_id, minutes=-1, why="A loan")
    assert faults() == []
    values = {"coop": firing.coop, "firing": firing, "why": "x", "at": NOW, "minutes": 7}
    HoursEntry.objects.create(kind="carried", member=tess(), key="1", **values)
    HoursEntry.objects.create(kind="money", member=tess(), key="2", **values)
    HoursEntry.objects.create(kind="corrected", member=tess(), key="3", corrects=owed, **values)
    said = " ".join(faults())
    assert "Hours Tess carried over leave 7 minutes." in said
    assert "leave 7 minutes" in said.replace("Hours Tess carried over leave 7 minutes.", "")
    assert "corrects a line of somebody else" in said


# --- The outlook before loading ---


@pytest.mark.django_db
def test_the_outlook_counts_what_is_owed_carried_worked_and_signed_up_for():
    work(ben(), a_firing_that_is_over(), 30, "old")
    firing = make_watch_firing(terms=Terms(hour_rate_minor=1200))
    give_space(firing, ben(), 10_000)
    give_space(firing, tess(), 10_000)
    first, wads = watches_of(firing)[0], Chore.objects.get(firing=firing, kind="wads")
    join(first, ada(), make_member("Sid", sign_offs=("stoking",)))
    chores.sign_up(firing.coop, by=ben(), now=NOW, chore_id=wads.public_id)
    work(ben(), firing, 45, "chore:x")
    rows = {row.member.name: row for row in queries.outlook_of(firing)}
    total = queries.work_asked(firing)
    assert rows["Ben"].outlook.owed + rows["Tess"].outlook.owed == total
    ben_s = rows["Ben"].outlook
    assert (ben_s.carried, ben_s.worked, ben_s.planned) == (30, 45, 120)
    assert ben_s.short == ben_s.owed - 195
    assert rows["Tess"].outlook.short == rows["Tess"].outlook.owed
    assert rows["Ben"].most_minor == round(ben_s.short * 1200 / 60)
    assert rows["Ada"].outlook.ahead == 360  # no space: all she does is ahead
    assert queries.outlook_of(firing)[0].member == tess()


@pytest.mark.django_db
def test_what_the_outlook_says_is_what_is_owed_once_the_kiln_is_lit():
    work(ben(), a_firing_that_is_over(), -77, "old")
    firing = make_watch_firing(terms=Terms(owed_share_even=Fraction(1, 3)))
    for member, ml in ((ada(), 10_000), (ben(), 20_001), (tess(), 7)):
        give_space(firing, member, ml)
    foreseen = {row.member.pk: row.outlook for row in queries.outlook_of(firing)}
    hours.owe_for(firing, None, NOW)
    for account in queries.for_firing(firing.coop, firing):
        seen = foreseen[account.member.pk]
        assert (account.owed, account.carried, account.short) == (seen.owed, seen.carried, seen.short)


@pytest.mark.django_db
def test_open_work_is_what_is_short_of_people_and_to_come():
    firing = make_watch_firing()
    first = watches_of(firing)[0]
    join(first, ada(), make_member("Sid", sign_offs=("stoking",)))
    found = queries.open_work(firing, NOW)
    assert first not in [one.shift for one in found]
    assert [one.shift.starts_at for one in found] == sorted(one.shift.starts_at for one in found)
    night = next(one for one in found if one.is_watch and one.shift.number == 4)
    assert night.minutes == 360 * 3 // 2  # midnight to six, nights one and a half
    assert queries.open_work(firing, firing.occupied_until) == []


# --- Pages and API ---


def as_member(client, member):
    client.force_login(member.person)
    return client


@pytest.mark.django_db
def test_the_lead_sees_everybodys_outlook_a_member_their_own(client, monkeypatch):
    monkeypatch.setattr("django.utils.timezone.now", lambda: NOW)
    firing = make_watch_firing()
    give_space(firing, ben(), 10_000)
    give_space(firing, tess(), 5_000)
    page = f"/hollow-lane/firings/{firing.public_id}/hours/"
    seen = as_member(client, ada()).get(page).content.decode()
    assert "Before loading" in seen
    assert "Tess" in seen
    own = as_member(client, ben()).get(page).content.decode()
    assert "You will be short of" in own
    assert "Tess" not in own
    assert "Work that still needs people" in own
    api = f"/hollow-lane/api/v1/firings/{firing.public_id}/hours/outlook/"
    assert [row["name"] for row in client.get(api).json()] == ["Ben"]
    assert {row["name"] for row in as_member(client, ada()).get(api).json()} == {"Ben", "Tess"}


@pytest.mark.django_db
def test_the_coordinator_corrects_a_line_on_the_page_and_over_the_api(client):
    firing = make_watch_firing()
    entry = work(ben(), firing, 120, "chore:1")
    account = f"/hollow-lane/members/{ben().public_id}/hours/"
    correct = f"/hollow-lane/hours/lines/{entry.public_id}/correct/"
    assert as_member(client, ben()).get(account).status_code == 403
    assert client.get(correct).status_code == 403
    assert client.post(correct, {"minutes": 600, "why": "More", "once": "0"}).status_code == 403
    assert correct.encode() in as_member(client, cora()).get(account).content
    empty = client.post(correct, {"minutes": "90", "why": "", "once": "1"})
    assert empty.status_code == 422
    assert "why" in empty.context["form"].errors
    answer = client.post(correct, {"minutes": "90", "why": "Left early", "once": "2"}, follow=True)
    assert "corrects “Wads”" in answer.content.decode()
    api = f"/hollow-lane/api/v1/hours/lines/{entry.public_id}/correct/"
    said = {"content_type": "application/json", "headers": {"Idempotency-Key": "1"}}
    made = client.post(api, {"minutes": 100, "why": "Ten more"}, **said)
    assert (made.status_code, made.json()["minutes"]) == (201, 10)
    assert made.json()["corrects_id"] == str(entry.public_id)


@pytest.mark.django_db
def test_the_outlook_costs_the_same_for_many_members(django_assert_max_num_queries):
    firing = make_watch_firing()
    for number in range(12):
        give_space(firing, make_member(f"M{number:02d}"), 1000 + number)
    with django_assert_max_num_queries(16):
        assert len(queries.outlook_of(firing)) == 12
