"""The clean-up checklist: shared out fairly, mailed once, ticked, signed; until then the kiln stays blocked."""

from datetime import timedelta

import pytest
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext

from coop.errors import NotAllowed, NotFound, Refused
from coop.models import AuditEntry, Notice
from firings.models import CheckItem, Checklist, Firing, StageMove, TemplateItem
from firings.queries import cleanup as queries
from firings.services import cleanup, firings
from tests.factories import NOW, ada, ben, cora, cy, make_member, stu, tess
from tests.factories_fire import HOUR, make_fire_with_pieces
from tests.factories_firings import make_kiln

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)
GRINDING = "Scrape and grind the boards, goggles and respirator on"


def make_cleanup(**fields):
    """A firing of Ben and Dora (with Lena and Stoker on watch) in clean-up; Stu is steward, Tess treasurer."""
    stu(), tess()
    return make_fire_with_pieces(stage="cleanup", **fields)


def items(firing):
    return list(firing.checklist.items.select_related("assigned_to__person").order_by("position"))


def item(firing, text):
    return next(one for one in items(firing) if one.text.startswith(text))


def tick(firing, line, by, done=True):
    return cleanup.tick(firing.coop, by=by, now=NOW, item_id=line.public_id, done=done)


def tick_all(firing):
    for line in items(firing):
        tick(firing, line, by=firing.lead)


def sign(firing, by=None, now=None):
    return cleanup.sign_off(
        firing.coop, by=by or stu(), now=now or firing.opens_at + 10 * HOUR, firing_id=firing.public_id
    )


def mails(kind):
    return Notice.objects.filter(kind=kind).order_by("pk")


# --- Made ---


def test_the_checklist_is_the_kilns_template_shared_out_evenly_among_those_who_fired():
    firing = make_cleanup()
    lines = items(firing)
    assert [line.text for line in lines] == list(
        TemplateItem.objects.filter(kiln=firing.kiln).order_by("position").values_list("text", flat=True)
    )
    names = [line.assigned_to.name for line in lines if line.assigned_to]
    assert sorted(set(names)) == ["Ben", "Dora", "Lena", "Stoker"]
    counts = sorted(names.count(name) for name in set(names))
    assert counts[-1] - counts[0] <= 1


def test_a_line_that_needs_a_sign_off_goes_to_somebody_who_has_it():
    make_member("Dora", sign_offs=("grinding",))
    assert item(make_cleanup(), "Scrape").assigned_to.name == "Dora"


def test_where_nobody_who_fired_has_the_sign_off_the_line_has_no_name_and_the_lead_is_told():
    firing = make_cleanup()
    assert item(firing, "Scrape").assigned_to is None
    told = mails("cleanup_all").get(to_person=firing.lead.person).text
    assert f"- {GRINDING} (by 2026-05-22, needs the sign-off shelf grinding, nobody yet)" in told
    assert "1 line has no name" in told


def test_lines_are_due_so_many_days_on_but_not_after_the_kiln_is_promised_to_others():
    firing = make_cleanup()
    began = StageMove.objects.get(firing=firing, to_stage="cleanup").at.date()
    last = firing.occupied_until.date()
    wanted = TemplateItem.objects.filter(kiln=firing.kiln).order_by("position").values_list("due_days", flat=True)
    assert [line.due_on for line in items(firing)] == [min(began + days * DAY, last) for days in wanted]


def test_whoever_had_fewest_lines_so_far_gets_the_one_too_many():
    first = make_cleanup()
    tick_all(first)
    sign(first)
    had = {line.assigned_to.name for line in items(first) if line.assigned_to}
    counts = {
        name: sum(1 for line in items(first) if line.assigned_to and line.assigned_to.name == name) for name in had
    }
    second = make_cleanup(occupied_from=NOW + 60 * DAY)
    for line in items(second):
        if line.assigned_to:
            counts[line.assigned_to.name] += 1
    # 6 lines twice among 4 people: everybody ends with 3
    assert counts == {"Ben": 3, "Dora": 3, "Lena": 3, "Stoker": 3}


def test_nobody_who_left_gets_a_line():
    firing = make_fire_with_pieces(stage="unpacking")
    dora = make_member("Dora")
    type(dora).objects.filter(pk=dora.pk).update(left_at=NOW)
    firings.move_on(firing.coop, by=firing.lead, now=firing.opens_at, firing_id=firing.public_id, to="cleanup")
    assert "Dora" not in {line.assigned_to.name for line in items(firing) if line.assigned_to}


# --- Mailed ---


def test_entering_clean_up_mails_everybody_their_lines_once_and_lead_and_steward_the_whole_list():
    firing = make_cleanup()
    assert sorted(mails("cleanup").values_list("to_person__name", flat=True)) == ["Ben", "Dora", "Lena", "Stoker"]
    assert sorted(mails("cleanup_all").values_list("to_person__name", flat=True)) == ["Ada", "Stu"]
    for notice in mails("cleanup"):
        mine = [line for line in items(firing) if line.assigned_to and line.assigned_to.person == notice.to_person]
        others = [line for line in items(firing) if line not in mine]
        assert all(f"{line.text} (by {line.due_on:%Y-%m-%d}" in notice.text for line in mine)
        assert not any(line.text in notice.text for line in others)
        assert notice.link.endswith(f"/hollow-lane/firings/{firing.public_id}/cleanup/")


def test_made_again_nothing_changes_and_nobody_is_mailed_again():
    firing = make_cleanup()
    before = (CheckItem.objects.count(), Notice.objects.count())
    cleanup.make_checklist(firing, firing.lead, NOW)
    assert (CheckItem.objects.count(), Notice.objects.count()) == before


# --- Worked through ---


def test_whoever_has_a_line_ticks_it_and_may_take_the_tick_back():
    firing = make_cleanup()
    line = item(firing, "Rake")
    by = make_member(line.assigned_to.name)
    done = tick(firing, line, by)
    assert (done.done_at, done.done_by) == (NOW, by)
    again = tick(firing, line, by, done=False)
    assert (again.done_at, again.done_by) == (None, None)


def test_a_tick_pressed_twice_keeps_the_first():
    firing = make_cleanup()
    line = item(firing, "Rake")
    tick(firing, line, by=make_member(line.assigned_to.name))
    assert tick(firing, line, by=firing.lead).done_by == line.assigned_to


def test_nobody_ticks_somebody_elses_line_but_lead_and_steward():
    firing = make_cleanup()
    line = item(firing, "Rake")
    stranger = make_member("Zoe")
    with pytest.raises(NotAllowed, match=f"{line.assigned_to.name} or the lead ticks it"):
        tick(firing, line, by=stranger)
    assert tick(firing, line, by=stu()).done_by == stu()


def test_the_lead_gives_a_line_to_somebody_who_is_told():
    firing = make_cleanup()
    line = item(firing, "Rake")
    zoe = make_member("Zoe")
    cleanup.assign(firing.coop, by=firing.lead, now=NOW, item_id=line.public_id, member_id=zoe.public_id)
    assert item(firing, "Rake").assigned_to == zoe
    notice = mails("cleanup_item").get()
    assert notice.to_person == zoe.person
    assert line.text in notice.text
    with pytest.raises(NotAllowed):
        cleanup.assign(firing.coop, by=zoe, now=NOW, item_id=line.public_id, member_id=None)


def test_anybody_with_the_sign_off_takes_a_line_that_has_no_name():
    firing = make_cleanup()
    line = item(firing, "Scrape")
    with pytest.raises(Refused, match="does not have the sign-off “shelf grinding”"):
        cleanup.assign(firing.coop, by=ben(), now=NOW, item_id=line.public_id, member_id=ben().public_id)
    gus = make_member("Gus", sign_offs=("grinding",))
    cleanup.assign(firing.coop, by=gus, now=NOW, item_id=line.public_id, member_id=gus.public_id)
    assert item(firing, "Scrape").assigned_to == gus
    assert not mails("cleanup_item").exists()


def test_a_done_line_is_not_given_away():
    firing = make_cleanup()
    line = item(firing, "Rake")
    tick(firing, line, by=firing.lead)
    with pytest.raises(Refused, match="untick it first"):
        cleanup.assign(firing.coop, by=firing.lead, now=NOW, item_id=line.public_id, member_id=ben().public_id)


# --- Signed ---


def test_until_it_is_signed_the_kiln_stays_blocked_and_then_it_is_free():
    firing = make_cleanup()
    with pytest.raises(Refused, match="7 lines are not done yet"):
        sign(firing)
    tick_all(firing)
    firing.refresh_from_db()
    assert (firing.stage, firing.holds_kiln) == ("cleanup", True)
    now = firing.opens_at + 6 * HOUR
    assert now < firing.occupied_until
    signed = sign(firing, now=now)
    assert (signed.stage, signed.holds_kiln) == ("settling", False)
    assert (signed.occupied_until, signed.cleaned_at) == (now, now)
    checklist = Checklist.objects.get()
    assert (checklist.signed_by, checklist.signed_at) == (stu(), now)
    free = firings.call(
        firing.coop,
        by=ada(),
        now=now,
        kiln_id=firing.kiln.public_id,
        name="The next one",
        occupied_from=now,
        lights_at=now + DAY,
    )
    assert free.holds_kiln


def test_signing_tells_the_treasurer_once():
    firing = make_cleanup()
    tick_all(firing)
    sign(firing)
    assert mails("cleanup_signed").get().to_person == tess().person
    with pytest.raises(Refused, match="not in clean-up"):
        sign(firing)
    assert mails("cleanup_signed").count() == 1


def test_only_a_steward_or_the_coordinator_signs():
    firing = make_cleanup()
    tick_all(firing)
    for by in (firing.lead, ben()):
        with pytest.raises(NotAllowed):
            sign(firing, by=by)
    assert sign(firing, by=cora()).stage == "settling"


def test_a_signed_checklist_is_read_only():
    firing = make_cleanup()
    tick_all(firing)
    sign(firing)
    with pytest.raises(Refused, match="signed off and read-only"):
        tick(firing, items(firing)[0], by=firing.lead, done=False)


def test_a_kiln_opened_and_cleaned_before_its_planned_day_is_signed_all_the_same():
    firing = make_cleanup()
    tick_all(firing)
    signed = sign(firing, now=firing.opens_at - HOUR)
    assert signed.occupied_until > signed.opens_at
    assert not signed.holds_kiln


# --- Reminders ---


def test_reminders_come_the_day_before_and_daily_from_then_on_once_a_day():
    firing = make_cleanup()
    line = item(firing, "Rake")
    for other in items(firing):
        if other.pk != line.pk:
            tick(firing, other, by=firing.lead)
    due = firing.occupied_until.replace(year=line.due_on.year, month=line.due_on.month, day=line.due_on.day, hour=9)
    assert cleanup.remind(firing.coop, now=due - 2 * DAY) == 0
    assert cleanup.remind(firing.coop, now=due - DAY) == 1
    assert cleanup.remind(firing.coop, now=due - DAY + HOUR) == 0
    assert cleanup.remind(firing.coop, now=due) == 1
    assert cleanup.remind(firing.coop, now=due + DAY) == 1
    told = list(mails("cleanup_reminder"))
    assert [notice.to_person for notice in told] == [line.assigned_to.person] * 3
    assert [notice.subject.split()[-1] for notice in told] == ["due", "due", "overdue"]
    tick(firing, line, by=firing.lead)
    assert cleanup.remind(firing.coop, now=due + 2 * DAY) == 0


def test_the_lead_is_reminded_of_lines_without_a_name():
    firing = make_cleanup()
    for other in items(firing):
        if not other.text.startswith("Scrape"):
            tick(firing, other, by=firing.lead)
    cleanup.remind(firing.coop, now=firing.occupied_until)
    notice = mails("cleanup_reminder").get()
    assert notice.to_person == firing.lead.person
    assert GRINDING in notice.text


def test_with_nothing_due_reminding_leaves_no_trace():
    firing = make_fire_with_pieces(stage="unpacking")
    before = AuditEntry.objects.count()
    assert cleanup.remind(firing.coop, now=NOW) == 0
    assert AuditEntry.objects.count() == before


def test_a_kiln_that_is_not_clean_in_time_stays_taken_a_day_longer_but_not_into_the_next_firing():
    firing = make_cleanup()
    late = firing.occupied_until + HOUR
    cleanup.remind(firing.coop, now=late)
    firing.refresh_from_db()
    assert firing.occupied_until == late + DAY
    begins = firing.occupied_until + 2 * HOUR
    firings.call(
        firing.coop,
        by=ada(),
        now=NOW,
        kiln_id=firing.kiln.public_id,
        name="The next one",
        occupied_from=begins,
        lights_at=begins + DAY,
    )
    cleanup.remind(firing.coop, now=firing.occupied_until + HOUR)
    firing.refresh_from_db()
    assert firing.occupied_until == begins


# --- Tenancy, walls, cost ---


def test_another_co_ops_checklist_is_not_there():
    firing, other = make_cleanup(), cy()
    with pytest.raises(NotFound):
        cleanup.tick(other.coop, by=other, now=NOW, item_id=items(firing)[0].public_id, done=True)
    with pytest.raises(NotFound):
        cleanup.sign_off(other.coop, by=other, now=NOW, firing_id=firing.public_id)


def test_the_database_numbers_lines_once_and_wants_a_name_for_what_is_done():
    firing = make_cleanup()
    line = items(firing)[0]
    with pytest.raises(IntegrityError, match=r"check_item_numbered_once|position"), transaction.atomic():
        CheckItem.objects.create(
            coop=firing.coop, checklist=firing.checklist, position=line.position, text="x", due_on=NOW.date()
        )
    with pytest.raises(IntegrityError, match="done_item_says_by_whom"), transaction.atomic():
        CheckItem.objects.filter(pk=line.pk).update(done_at=NOW)


def test_the_cost_of_the_page_does_not_grow_with_lines_or_people():
    def queries_for(firing):
        reader, coop = ada(), firing.coop
        with CaptureQueriesContext(connection) as seen:
            queries.checklist_page(coop, firing.public_id, reader, now=NOW)
        return len(seen)

    firing = make_cleanup()
    before = queries_for(firing)
    for n in range(20):
        CheckItem.objects.create(
            coop=firing.coop,
            checklist=firing.checklist,
            position=50 + n,
            text=f"line {n}",
            due_on=NOW.date(),
            assigned_to=make_member(f"Member {n}"),
        )
    assert queries_for(firing) == before


def test_a_firing_without_a_template_has_an_empty_list_that_may_be_signed():
    kiln = make_kiln(name="Bare kiln", checklist=[])
    stu()
    firing = make_fire_with_pieces(stage="cleanup", kiln=kiln)
    assert items(firing) == []
    assert "the list is empty" in mails("cleanup_all").first().text
    assert Firing.objects.get(pk=sign(firing).pk).stage == "settling"
