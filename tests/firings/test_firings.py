"""A firing is called, put off, called off and carried from stage to stage; guests come for one firing."""

import json
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest

from coop.access import allowed
from coop.errors import NotAllowed, NotFound, Refused, Taken
from coop.models import AuditEntry, Notice, Policy
from coop.policy import Terms
from coop.services import accept_invitation, adopt_policy
from firings import lifecycle
from firings.access import check_takes_part
from firings.models import (
    CheckItem,
    Checklist,
    ChorePlace,
    Firing,
    GuestPass,
    HoursEntry,
    LogEntry,
    Piece,
    StageMove,
    Watch,
    WatchPlace,
)
from firings.services import firings, space, watches
from firings.services.space import PieceSpec
from tests.factories import NOW, ada, ben, cora, cy, make_coop, make_member, stu
from tests.factories_firings import SAMPLE, carry_to, make_firing, make_kiln, man_first_watch

pytestmark = pytest.mark.django_db
DAY, H = timedelta(days=1), timedelta(hours=1)
BEGINS = NOW + 14 * DAY


def call(by=None, kiln=None, **fields):
    kiln = kiln or make_kiln()
    said = {"name": "Spring ash", "occupied_from": BEGINS, "lights_at": BEGINS + 20 * H, **fields}
    return firings.call(kiln.coop, by=by or ada(), now=NOW, kiln_id=kiln.public_id, **said)


def move(firing, to, *, by=None, now=NOW, **more):
    return firings.move_on(firing.coop, by=by or firing.lead, now=now, firing_id=firing.public_id, to=to, **more)


def put_off(firing, begins, **more):
    return firings.put_off(
        firing.coop,
        by=firing.lead,
        now=NOW,
        firing_id=firing.public_id,
        occupied_from=begins,
        lights_at=begins + 20 * H,
        **more,
    )


def mails(kind):
    return sorted(Notice.objects.filter(kind=kind).values_list("to_email", flat=True))


def stages(firing):
    return list(StageMove.objects.filter(firing=firing).values_list("from_stage", "to_stage"))


def list_bowl(firing, member):
    bowl = PieceSpec(name="bowl", diameter_mm=200, height_mm=100, body="grey clay", cone="11")
    return space.list_piece(firing.coop, by=member, now=NOW, firing_id=firing.public_id, piece=bowl)


# --- Calling --------------------------------------------------------------------------------


def test_what_is_not_said_follows_from_the_kiln():
    firing = call()
    # the sample kiln: 24 h of fire, 72 h of cooling, 48 h of clean-up; hottest zone cone 10
    assert firing.ends_at == BEGINS + 44 * H
    assert firing.opens_at == BEGINS + 116 * H
    assert firing.occupied_until == BEGINS + 164 * H
    assert firing.booking_closes_at == BEGINS - DAY
    assert (firing.target_cone, firing.lead, firing.holds_kiln) == ("10", ada(), True)


def test_a_call_measures_the_space_of_every_zone_and_writes_itself_down():
    firing = call()
    # boards x area x height: 3 x 610 x 305 x 1150 mm and 3 x 610 x 305 x 1000 mm
    assert list(firing.zones.values_list("zone__name", "capacity_ml", "taken_ml")) == [
        ("Front, hot", 641_872, 0),
        ("Back, soda", 558_150, 0),
    ]
    assert stages(firing) == [("", "called")]
    assert AuditEntry.objects.filter(action="firings.call", by=ada()).count() == 1


def test_every_member_hears_of_a_call_once():
    people = [ada(), ben(), stu()]
    cy()
    call()
    assert mails("firing_called") == sorted(member.person.email for member in people)


def test_a_call_the_day_before_takes_pieces_until_loading_begins():
    assert call(occupied_from=NOW + 3 * H, lights_at=NOW + 23 * H).booking_closes_at == NOW + 3 * H


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"occupied_from": NOW - H}, "in the past"),
        ({"lights_at": BEGINS - H}, "Lighting comes after loading"),
        ({"ends_at": BEGINS + 20 * H}, "end of the fire comes after lighting"),
        ({"opens_at": BEGINS + 21 * H}, "Unpacking comes after"),
        ({"occupied_until": BEGINS + 116 * H}, "Clean-up ends after"),
        ({"booking_closes_at": BEGINS + 21 * H}, "Booking must close before"),
        ({"occupied_until": BEGINS + 91 * DAY}, "more than 90 days"),
        ({"target_cone": "6a"}, "no cone “6a”"),
        ({"name": "   "}, "name of at most 80"),
        ({"name": "x" * 81}, "name of at most 80"),
        ({"cost_estimate_minor": -1}, "less than nothing"),
    ],
)
def test_a_call_that_makes_no_sense_is_refused_and_takes_nothing(fields, sentence):
    with pytest.raises(Refused, match=sentence):
        call(**fields)
    assert not Firing.objects.exists()
    assert not Notice.objects.exists()


def test_cones_06_and_6_are_kept_apart():
    assert call(target_cone="cone 06").target_cone == "06"


def test_no_soda_goes_into_a_kiln_without_a_soda_zone():
    kiln = make_kiln(
        name="Dry kiln", zones=[{**zone, "soda": False} for zone in json.loads(SAMPLE.read_text())["zones"]]
    )
    with pytest.raises(Refused, match="No soda goes into Dry kiln"):
        call(kiln=kiln, with_soda=True)


def test_a_taken_kiln_names_who_has_it_and_the_next_free_moment():
    first = call()
    with pytest.raises(Taken) as no:
        call(name="Too soon", occupied_from=BEGINS + DAY, lights_at=BEGINS + 2 * DAY)
    # 2026-05-15 10:00 in Dublin, taken 164 h
    assert "is taken by Spring ash 2026-05-15 10:00 to 2026-05-22 06:00" in str(no.value)
    assert "next free moment is 2026-05-22 06:00" in str(no.value)
    assert call(name="After", occupied_from=first.occupied_until, lights_at=first.occupied_until + DAY)


def test_the_next_free_moment_skips_gaps_that_are_too_short():
    first = call()
    gap = call(name="Second", occupied_from=first.occupied_until + DAY, lights_at=first.occupied_until + 2 * DAY)
    with pytest.raises(Taken) as no:
        call(name="Third")
    shown = gap.occupied_until.astimezone(ZoneInfo("Europe/Dublin"))
    assert f"next free moment is {shown:%Y-%m-%d %H:%M}" in str(no.value)


def test_another_kiln_is_free_at_the_same_time():
    call()
    assert call(kiln=make_kiln(name="Wren kiln"), name="Beside it").holds_kiln


def test_a_name_is_used_once():
    call()
    with pytest.raises(Taken, match="of this name already"):
        call(kiln=make_kiln(name="Wren kiln"))


def test_only_leads_and_coordinators_call():
    with pytest.raises(NotAllowed, match="To call a firing you need to be"):
        call(by=ben())
    assert call(by=cora()).lead == cora()


def test_lead_and_deputy_are_people_who_may_lead():
    with pytest.raises(Refused, match="Ben is no firing lead"):
        call(lead_id=ben().public_id)
    with pytest.raises(Refused, match="Ben is no firing lead"):
        call(deputy_id=ben().public_id)
    other = make_member("Lia", roles=("lead",))
    assert call(by=cora(), lead_id=ada().public_id, deputy_id=other.public_id).deputy == other


def test_another_co_ops_kiln_is_not_there():
    foreign = make_kiln(cy().coop)
    with pytest.raises(NotFound):
        firings.call(
            make_coop(),
            by=ada(),
            now=NOW,
            kiln_id=foreign.public_id,
            name="Theirs",
            occupied_from=BEGINS,
            lights_at=BEGINS + DAY,
        )


# --- Putting off ----------------------------------------------------------------------------


def test_putting_off_moves_every_date_and_tells_who_takes_part():
    firing = make_firing(stage="booking")
    list_bowl(firing, ben())
    make_member("Uma")
    moved = put_off(firing, BEGINS + 7 * DAY)
    assert moved.occupied_until == BEGINS + 7 * DAY + 164 * H
    assert mails("firing_put_off") == sorted([ada().person.email, ben().person.email])
    assert min(watch.starts_at for watch in Watch.objects.filter(firing=firing).standing()) == moved.lights_at


def test_a_firing_is_not_put_off_onto_another():
    first, second = call(), None
    second = call(name="Second", occupied_from=first.occupied_until, lights_at=first.occupied_until + DAY)
    with pytest.raises(Taken, match="taken by Second"):
        put_off(first, second.occupied_from)
    first.refresh_from_db()
    assert first.occupied_from == BEGINS


def test_a_firing_may_shift_within_its_own_days():
    assert put_off(call(), BEGINS + H).occupied_from == BEGINS + H


def test_a_firing_is_not_put_off_into_the_past():
    with pytest.raises(Refused, match="in the past"):
        put_off(call(), NOW - DAY)


def test_a_lit_firing_keeps_its_dates():
    with pytest.raises(Refused, match="was lit"):
        put_off(make_firing(stage="lit"), BEGINS + 30 * DAY)


# --- Calling off ----------------------------------------------------------------------------


def call_off(firing, why="The wood is wet", by=None):
    return firings.call_off(firing.coop, by=by or firing.lead, now=NOW, firing_id=firing.public_id, why=why)


def test_calling_off_releases_everything_and_tells_everyone_once():
    firing = make_firing(stage="booking")
    list_bowl(firing, ben())
    man_first_watch(firing)
    chore = firing.chores.first()
    ChorePlace.objects.create(coop=firing.coop, chore=chore, member=stu(), taken_at=NOW)
    before = Notice.objects.count()

    gone = call_off(firing)

    assert (gone.stage, gone.holds_kiln, gone.called_off_why) == ("called_off", False, "The wood is wet")
    assert not Piece.objects.exclude(state="withdrawn").exists()
    assert list(firing.zones.values_list("taken_ml", flat=True)) == [0, 0]
    assert not Watch.objects.filter(firing=firing).standing().exists()
    assert not firing.chores.standing().exists()
    assert not WatchPlace.objects.filter(watch__firing=firing, given_up_at=None).exists()
    told = [ada(), ben(), stu(), make_member("Lena"), make_member("Stoker")]
    assert mails("firing_called_off") == sorted(member.person.email for member in told)
    assert Notice.objects.count() == before + len(told)
    assert call(name="Instead").holds_kiln


def test_calling_off_says_why():
    firing = call()
    with pytest.raises(Refused, match="why it is called off"):
        call_off(firing, "  ")
    firing.refresh_from_db()
    assert firing.stage == "called"


def test_a_burning_kiln_is_not_called_off():
    with pytest.raises(Refused, match="has been lit cannot be called off"):
        call_off(make_firing(stage="lit"))


def test_only_its_lead_calls_a_firing_off():
    with pytest.raises(NotAllowed, match="Only the lead of this firing"):
        call_off(call(), by=make_member("Lia", roles=("lead",)))
    with pytest.raises(NotFound):
        firings.call_off(
            cy().coop, by=cy(), now=NOW, firing_id=call(name="Ours", kiln=make_kiln(name="K")).public_id, why="x"
        )


# --- From stage to stage --------------------------------------------------------------------


def test_opening_booking_freezes_the_policy_and_cuts_the_watches():
    firing = make_firing(stage="booking")
    frozen = firing.policy
    assert frozen == Policy.objects.of(firing.coop).order_by("-version").first()
    spans = list(firing.watches.order_by("starts_at").values_list("starts_at", "ends_at"))
    assert (spans[0][0], spans[-1][1]) == (firing.lights_at, firing.ends_at)
    adopt_policy(firing.coop, by=None, terms=Terms(question_days=21), now=NOW)
    firing.refresh_from_db()
    assert firing.policy == frozen


def test_booking_does_not_open_after_it_would_have_closed():
    firing = make_firing()
    with pytest.raises(Refused, match="closed already"):
        move(firing, "booking", now=firing.booking_closes_at)


def test_a_whole_firing_is_written_down_move_by_move():
    firing = make_firing(stage="cleanup")
    way = ["called", "booking", "loading", "lit", "cooling", "unpacking", "cleanup"]
    assert stages(firing) == list(zip(["", *way], way, strict=False))
    assert all(by == ada().pk for by in firing.moves.values_list("by", flat=True))


def test_a_stage_is_not_skipped_or_made_up():
    firing = make_firing(stage="booking")
    with pytest.raises(Refused, match="cannot go to “lit”"):
        move(firing, "lit")
    with pytest.raises(Refused, match="no stage “soup”"):
        move(firing, "soup")


def test_clean_up_and_settling_are_left_on_their_own_pages():
    firing = make_firing(stage="cleanup")
    with pytest.raises(Refused, match="Sign off the clean-up"):
        move(firing, "settling", now=firing.opens_at + DAY)


def test_only_the_lead_deputy_or_coordinator_moves_a_firing_on():
    deputy = make_member("Lia", roles=("lead",))
    firing = make_firing(deputy_id=deputy.public_id)
    for stranger in (ben(), stu(), make_member("Otto", roles=("lead",))):
        with pytest.raises(NotAllowed):
            move(firing, "booking", by=stranger)
    assert move(firing, "booking", by=deputy).stage == "booking"
    assert move(firing, "allotted", by=cora()).stage == "allotted"


def test_the_next_firing_is_not_loaded_before_the_clean_up_is_signed():
    first = make_firing(stage="cleanup")
    second = make_firing(kiln=first.kiln, stage="booking", occupied_from=first.occupied_until)
    with pytest.raises(Refused, match=f"until the clean-up of {first.name} is signed off. Ask Ada"):
        move(second, "loading", now=second.occupied_from)


def test_a_kiln_with_an_open_safety_item_is_not_lit():
    first = make_firing(stage="cleanup")
    CheckItem.objects.filter(checklist__firing=first).exclude(is_safety=True).update(done_at=NOW, done_by=ada())
    Checklist.objects.filter(firing=first).update(signed_at=NOW, signed_by=stu())
    Firing.objects.filter(pk=first.pk).update(stage="settling", holds_kiln=False)
    second = carry_to(make_firing(kiln=first.kiln, occupied_from=first.occupied_until), "loading")
    man_first_watch(second)
    with pytest.raises(Refused, match="must not be lit before this is done: “Look at arch"):
        move(second, "lit", now=second.lights_at, note="empty, to dry the arch")
    CheckItem.objects.update(done_at=NOW, done_by=ada())
    assert move(second, "lit", now=second.lights_at, note="empty, to dry the arch").stage == "lit"


def test_nobody_is_alone_at_the_fire():
    firing = make_firing(stage="loading")
    list_or_note = {"note": "empty, to dry the arch"}
    with pytest.raises(Refused, match="0 of at least 2 people"):
        move(firing, "lit", now=firing.lights_at, **list_or_note)
    first = firing.watches.order_by("starts_at").first()
    watches.sign_up(
        firing.coop, by=make_member("Lena", sign_offs=("stoking", "leading")), now=NOW, watch_id=first.public_id
    )
    with pytest.raises(Refused, match="1 of at least 2 people"):
        move(firing, "lit", now=firing.lights_at, **list_or_note)
    firing.refresh_from_db()
    assert (firing.stage, firing.lit_at) == ("loading", None)


def test_a_first_watch_without_somebody_who_may_lead_does_not_light():
    firing = make_firing(stage="loading")
    man_first_watch(firing)
    WatchPlace.objects.filter(watch__firing=firing).update(is_leading=False)
    with pytest.raises(Refused, match=r"Nobody on the first watch .* is signed off to lead"):
        move(firing, "lit", now=firing.lights_at, note="empty")


def test_lighting_an_empty_kiln_needs_a_word():
    firing = make_firing(stage="loading")
    man_first_watch(firing)
    with pytest.raises(Refused, match="why an empty kiln is lit"):
        move(firing, "lit", now=firing.lights_at)
    assert move(firing, "lit", now=firing.lights_at, note="To dry the new arch").lit_at == firing.lights_at


def test_lighting_with_pieces_owes_hours_and_needs_no_word():
    firing = make_firing(stage="booking")
    list_bowl(firing, ben())
    carry_to_from_booking(firing)
    lit = move(firing, "lit", now=firing.lights_at)
    assert lit.stage == "lit"
    assert HoursEntry.objects.filter(firing=firing, kind="owed", member=ben(), minutes__lt=0).count() == 1


def carry_to_from_booking(firing):
    move(firing, "loading", now=firing.occupied_from)
    man_first_watch(firing)
    firing.refresh_from_db()


def test_what_happened_earlier_is_said_with_its_time_and_never_ahead():
    firing = make_firing(stage="loading")
    man_first_watch(firing)
    with pytest.raises(Refused, match="still to come"):
        move(firing, "lit", now=firing.lights_at, at=firing.lights_at + H, note="empty")
    lit = move(firing, "lit", now=firing.lights_at + 2 * H, at=firing.lights_at + H, note="empty")
    assert lit.lit_at == firing.lights_at + H


def test_the_end_of_fire_says_why_by_whom_and_whether_it_failed():
    firing = make_firing(stage="lit")
    with pytest.raises(Refused, match="Write down why the fire ended"):
        move(firing, "cooling", now=firing.ends_at)
    with pytest.raises(Refused, match="must come after it was lit"):
        move(firing, "cooling", now=firing.ends_at, at=firing.lit_at, note="cone 10 down")
    ended = move(firing, "cooling", now=firing.ends_at, note="Stalled at cone 6, out of wood", failed=True)
    assert (ended.ended_by, ended.end_reason, ended.has_failed, ended.ended_at) == (
        ada(),
        "Stalled at cone 6, out of wood",
        True,
        firing.ends_at,
    )


def reading(firing, tenths, *, at, **fields):
    return LogEntry.objects.create(
        coop=firing.coop,
        firing=firing,
        kind="reading",
        probe="arch",
        temperature_dc=tenths,
        observed_at=at,
        entered_at=at,
        by=firing.lead,
        **fields,
    )


@pytest.mark.parametrize(
    ("tenths", "opens"), [([900], True), ([1000], True), ([1001], False), ([900, 3000], False), ([3000, 900], True)]
)
def test_the_last_reading_says_whether_the_kiln_may_be_opened(tenths, opens):
    firing = make_firing(stage="cooling")
    for hours, value in enumerate(tenths):
        reading(firing, value, at=firing.ended_at + hours * H)
    if opens:
        assert move(firing, "unpacking", now=firing.opens_at).opened_at == firing.opens_at
        return
    with pytest.raises(Refused, match="may be opened below 100 °C; last seen: "):
        move(firing, "unpacking", now=firing.opens_at)
    assert move(firing, "unpacking", now=firing.opens_at, note="On Ada's word, gloves on").stage == "unpacking"


def test_a_corrected_reading_does_not_open_the_kiln():
    firing = make_firing(stage="cooling")
    reading(firing, 3000, at=firing.ended_at + H)
    wrong = reading(firing, 900, at=firing.ended_at + 2 * H)
    reading(firing, 2900, at=firing.ended_at + 2 * H, corrects=wrong)
    with pytest.raises(Refused, match=r"last seen: arch 290\.0 °C"):
        move(firing, "unpacking", now=firing.opens_at)


def test_a_kiln_nobody_measured_opens_on_the_leads_word_only():
    firing = make_firing(stage="cooling")
    with pytest.raises(Refused, match="nobody has taken a reading"):
        move(firing, "unpacking", now=firing.opens_at)


def test_entering_clean_up_makes_the_checklist():
    firing = make_firing(stage="cleanup")
    assert firing.checklist.items.count() == firing.kiln.template_items.count() == 7


def test_the_table_of_stages_and_the_rows_agree():
    assert set(Firing.Stage.values) == set(lifecycle.STAGE_KEYS)
    assert {value: str(label) for value, label in Firing.Stage.choices} == dict(lifecycle.WORDS)


# --- Guests ---------------------------------------------------------------------------------


def bring(firing, by, email="nia@far.example", name="Nia"):
    return firings.bring_guest(firing.coop, by=by, now=NOW, firing_id=firing.public_id, email=email, name=name)


def test_a_guest_takes_part_in_the_firing_they_were_invited_to_only():
    firing = make_firing(stage="booking")
    other = make_firing(kiln=make_kiln(name="Wren kiln"), stage="booking")
    given = bring(firing, ben())
    assert given.host == ben()
    token = Notice.objects.get(to_email="nia@far.example").link.rstrip("/").rsplit("/", 1)[-1]
    guest = accept_invitation(firing.coop, token=token, name="Nia", password="a long way from any kiln", now=NOW)
    assert allowed(check_takes_part, guest, firing)
    assert not allowed(check_takes_part, guest, other)


def test_a_guest_who_is_known_gets_a_pass_without_a_second_invitation():
    guest = make_member("Gus", roles=("guest",))
    guest.roles.filter(kind="member").delete()
    firing = make_firing(stage="booking")
    given = bring(firing, ben(), email=guest.person.email)
    assert (given.guest, given.invitation) == (guest, None)
    with pytest.raises(Taken, match="Gus may take part already"):
        bring(firing, ben(), email=guest.person.email)
    assert GuestPass.objects.count() == 1


def test_guests_bring_no_guests_and_nobody_does_after_booking():
    guest = make_member("Gus", roles=("guest",))
    guest.roles.filter(kind="member").delete()
    firing = make_firing(stage="booking")
    with pytest.raises(NotAllowed, match="bring a guest"):
        bring(firing, make_member_again(guest))
    move(firing, "allotted")
    with pytest.raises(Refused, match="Booking is over"):
        bring(firing, ben())


def make_member_again(member):
    return type(member).objects.with_roles().get(pk=member.pk)
