"""The note from watch to watch: drafted from the log, changed by who goes, accepted by two different people."""

import pytest
from django.db import IntegrityError, transaction

from coop.errors import NotAllowed, NotFound, Refused
from firings.models import HandOver, Watch
from firings.services import hand_overs, watches
from firings.services.log import EntrySpec
from tests.factories import NOW, ben, cy, make_member
from tests.factories_fire import HOUR, make_fire, on_watch, reading, write

pytestmark = pytest.mark.django_db


def next_lead(firing):
    """Nora leads the second watch."""
    nora = make_member("Nora", sign_offs=("stoking", "leading"))
    second = Watch.objects.filter(firing=firing, cancelled_at=None).order_by("starts_at")[1]
    watches.sign_up(firing.coop, by=nora, now=NOW, watch_id=second.public_id)
    return nora


def draft(firing, by=None, after=2):
    return hand_overs.draft(
        firing.coop, by=by or firing.lead, now=firing.lit_at + after * HOUR, firing_id=firing.public_id
    )


def accept(note, by, text=None, after=3):
    return hand_overs.accept(
        note.coop, by=by, now=note.firing.lit_at + after * HOUR, hand_over_id=note.public_id, text=text
    )


def test_the_draft_says_in_local_time_how_the_fire_stands():
    firing = make_fire()
    seen = firing.lit_at + HOUR  # 07:00 in Dublin in May
    write(firing, reading(4210, seen), EntrySpec(kind="stoke", port="main", pieces=5, observed_at=seen))
    note = draft(firing)
    assert "Probe front reads 421 °C at 07:00" in note.text
    assert "Stoked once at main since 06:00, 5 pieces" in note.text
    assert (note.outgoing, note.incoming) == (None, None)


def test_a_draft_nobody_accepted_is_drafted_anew_in_place():
    firing = make_fire()
    first = draft(firing)
    write(firing, EntrySpec(kind="note", text="chimney roars"))
    again = draft(firing, after=3)
    assert again.pk == first.pk
    assert "chimney roars" in again.text


def test_the_next_draft_begins_where_the_last_note_ended():
    firing = make_fire()
    write(firing, EntrySpec(kind="note", text="old news", observed_at=firing.lit_at + HOUR))
    note = accept(draft(firing), firing.lead)
    write(firing, EntrySpec(kind="note", text="fresh news"), now=firing.lit_at + 3 * HOUR)
    second = draft(firing, after=4)
    assert second.pk != note.pk
    assert "fresh news" in second.text
    assert "old news" not in second.text


def test_who_goes_may_change_the_words_and_who_comes_takes_them_as_they_are():
    firing = make_fire()
    lena, nora = on_watch(firing, "Lena"), next_lead(firing)
    note = accept(draft(firing), lena, text="Damper sticks; two hours of thin wood left.")
    with pytest.raises(Refused, match="not changed any more"):
        accept(note, nora, text="All is well.")
    note = accept(note, nora, text="Damper sticks; two hours of thin wood left.", after=4)
    note.refresh_from_db()
    assert (note.outgoing, note.incoming) == (lena, nora)
    assert note.text == "Damper sticks; two hours of thin wood left."
    assert note.outgoing_at == firing.lit_at + 3 * HOUR
    assert note.incoming_at == firing.lit_at + 4 * HOUR
    with pytest.raises(Refused, match="Both crews have accepted"):
        accept(note, firing.lead)


def test_one_person_does_not_hand_over_to_themselves():
    firing = make_fire()
    note = accept(draft(firing), firing.lead)
    with pytest.raises(Refused, match="You handed this over"):
        accept(note, firing.lead)
    assert HandOver.objects.get().incoming is None


def test_whoever_only_stokes_does_not_hand_over_for_the_one_who_leads():
    firing = make_fire()
    with pytest.raises(NotAllowed, match="The lead of the watch that goes"):
        accept(draft(firing), on_watch(firing, "Stoker"))


def test_somebody_of_the_watch_that_goes_does_not_take_over():
    firing = make_fire()
    note = accept(draft(firing), firing.lead)
    with pytest.raises(NotAllowed, match="leads a watch after this one"):
        accept(note, on_watch(firing, "Lena"))


def test_an_empty_note_hands_nothing_over():
    firing = make_fire()
    with pytest.raises(Refused, match="Say how the fire stands"):
        accept(draft(firing), firing.lead, text="  ")


def test_who_may_not_write_the_log_may_not_draft():
    firing = make_fire()
    with pytest.raises(NotAllowed):
        draft(firing, by=ben())


def test_there_is_nothing_to_hand_over_before_the_fire_or_after_it_is_open():
    firing = make_fire(stage="unpacking")
    with pytest.raises(Refused, match="not burning or cooling"):
        draft(firing)


def test_another_co_ops_note_is_not_there():
    firing, other = make_fire(), cy()
    note = draft(firing)
    with pytest.raises(NotFound):
        hand_overs.accept(other.coop, by=other, now=NOW, hand_over_id=note.public_id)


def test_the_database_itself_wants_two_people():
    firing = make_fire()
    with pytest.raises(IntegrityError, match="hand_over_is_between_two_people"), transaction.atomic():
        HandOver.objects.create(
            coop=firing.coop,
            firing=firing,
            drafted_at=NOW,
            text="x",
            outgoing=firing.lead,
            incoming=firing.lead,
        )
