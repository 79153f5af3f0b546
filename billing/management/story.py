"""Carry one firing through its stages by the services, as its people would; for the walk and the demo.

Moments are given, never read from the clock, so a story can be told as having happened.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from django.contrib.auth.hashers import make_password

from billing.models import Settlement, Statement
from billing.services import receipts, settlements
from coop import queues, services
from coop.errors import Refused
from coop.models import Computation, Coop, Membership, Notice, Person
from firings.models import Firing, LoadPlan, Piece, Placement, Watch, WatchPlace, WatchProposal
from firings.services import (
    allotments,
    chores,
    cleanup,
    firings,
    hand_overs,
    load_plans,
    log,
    on_call,
    space,
    unpacking,
    watches,
)
from firings.services.log import EntrySpec
from firings.services.space import PieceSpec

from . import invented

HOUR, DAY = timedelta(hours=1), timedelta(days=1)


@dataclass(slots=True)
class Cast:
    """Who does what in a story."""

    coop: Coop
    lead: Membership
    deputy: Membership
    treasurer: Membership
    steward: Membership
    members: dict[str, Membership] = field(default_factory=dict)


def found(name: str, slug: str, *, currency: str, time_zone: str, people: Iterable[invented.Someone], now: datetime,
          password: str | None = None) -> Cast:  # fmt: skip
    """A co-op with these people; the first coordinates. Addresses end in ``.example``: no mail leaves."""
    everyone = list(people)
    secret = make_password(password)
    first = Person(email=f"m01@{slug}.example", name=everyone[0].name, password=secret)
    coop = services.found(name=name, slug=slug, currency=currency, time_zone=time_zone, founder=first, now=now)
    for number, someone in enumerate(everyone[1:], start=2):
        services.enrol(
            coop,
            by=None,
            email=f"m{number:02d}@{slug}.example",
            name=someone.name,
            roles=someone.roles,
            now=now,
            mark=someone.mark,
            hashed_password=secret,
        )
    members = {m.name: m for m in Membership.objects.with_roles().filter(coop=coop).select_related("coop", "person")}
    for kind in everyone[0].roles:
        if kind not in ("member", "coordinator"):
            services.give_role(coop, by=None, membership_id=members[first.name].public_id, kind=kind, now=now)
    for someone in everyone:
        for kind in someone.sign_offs:
            services.sign_off(
                coop, by=None, membership_id=members[someone.name].public_id, kind=kind, valid_until=None, now=now
            )
    members = {m.name: m for m in Membership.objects.with_roles().filter(coop=coop).select_related("coop", "person")}
    leads = [m for m in members.values() if m.holds("lead")]
    return Cast(
        coop=coop,
        lead=leads[0],
        deputy=leads[1],
        treasurer=next(m for m in members.values() if m.holds("treasurer")),
        steward=next(m for m in members.values() if m.holds("steward")),
        members=members,
    )


def call(cast: Cast, *, kiln_id: Any, name: str, loads_at: datetime, lights_at: datetime, now: datetime,
         **more: Any) -> Firing:  # fmt: skip
    """The lead calls the firing and opens booking the same day."""
    firing = firings.call(
        cast.coop,
        by=cast.lead,
        now=now,
        kiln_id=kiln_id,
        name=name,
        occupied_from=loads_at,
        lights_at=lights_at,
        deputy_id=cast.deputy.public_id,
        **more,
    )
    return to(cast, firing, "booking", now + HOUR)


def to(cast: Cast, firing: Firing, stage: str, now: datetime, **more: Any) -> Firing:
    """The lead moves the firing on."""
    return firings.move_on(cast.coop, by=cast.lead, now=now, firing_id=firing.public_id, to=stage, **more)


def share_out(cast: Cast, firing: Firing, now: datetime) -> Firing:
    """The lead has the space shared out, looks at the proposal and accepts it; without any piece there is none."""
    if not Piece.objects.of(cast.coop).filter(booking__firing=firing).exclude(state=Piece.State.WITHDRAWN).exists():
        return to(cast, firing, "allotted", now)
    proposed = allotments.propose(cast.coop, by=cast.lead, now=now, firing_id=firing.public_id)
    allotments.accept(cast.coop, by=cast.lead, now=now, allotment_id=proposed.public_id)
    firing.refresh_from_db()
    return firing


def book(
    cast: Cast, firing: Firing, rows: Iterable[tuple[str, Mapping[str, Any]]], *, now: datetime
) -> list[tuple[str, str, str]]:
    """Everybody lists their pieces themselves; what was refused comes back as (member, piece, why)."""
    refused: list[tuple[str, str, str]] = []
    for name, fields in rows:
        piece = PieceSpec(**fields)
        try:
            space.list_piece(cast.coop, by=cast.members[name], now=now, firing_id=firing.public_id, piece=piece)
        except Refused as no:
            refused.append((name, piece.name, str(no)))
        now += timedelta(minutes=1)
    return refused


def crew(cast: Cast, firing: Firing, *, now: datetime) -> list[str]:
    """The planner proposes a roster for all watches and the lead accepts; then empty places are filled by hand.

    Returns what is still missing, in words.
    """
    first = Watch.objects.of(cast.coop).filter(firing=firing).standing().first()
    if first is not None and not first.taken:
        with suppress(Refused):  # nobody lights without a lead on the first watch; who is busy is found another way
            watches.sign_up(cast.coop, by=cast.lead, now=now, watch_id=first.public_id)
    watches.propose_roster(cast.coop, by=cast.lead, now=now, firing_id=firing.public_id)
    work_off(cast.coop, lambda: now)
    proposal = WatchProposal.objects.of(cast.coop).filter(firing=firing, accepted_at=None, replaced_at=None).first()
    if proposal is not None:
        watches.accept_roster(cast.coop, by=cast.lead, now=now, proposal_id=proposal.public_id)
    for watch in Watch.objects.of(cast.coop).filter(firing=firing).standing():
        for member in cast.members.values():
            watch.refresh_from_db(fields=["taken"])
            if not watch.short_of:
                break
            try:
                watches.sign_up(cast.coop, by=member, now=now, watch_id=watch.public_id)
            except Refused:
                continue
    for chore in firing.chores.all():
        for member in cast.members.values():
            chore.refresh_from_db(fields=["taken"])
            if chore.starts_at <= now or not chore.short_of:
                break
            try:
                chores.sign_up(cast.coop, by=member, now=now, chore_id=chore.public_id)
            except Refused:
                continue
    return [
        f"watch {watch.number}: {watch.short_of} short"
        for watch in Watch.objects.of(cast.coop).filter(firing=firing).standing()
        if watch.short_of
    ]


def load(cast: Cast, firing: Firing, *, now: datetime, seed: int = 1, all_in: bool = True) -> LoadPlan:
    """Plan the load, accept the plan, and tick the pots off as they go in."""
    plan = load_plans.propose_now(cast.coop, by=cast.lead, now=now, firing_id=firing.public_id, seed=seed)
    plan = load_plans.accept(cast.coop, by=cast.lead, now=now, plan_id=plan.public_id)
    if all_in:
        for layer in plan.layers.all():
            load_plans.tick_layer(cast.coop, by=cast.lead, now=now, layer_id=layer.public_id, loaded=True)
    return plan


def print_papers(cast: Cast, plan: LoadPlan, *, now: datetime) -> None:
    """Ask for load sheets and piece labels."""
    load_plans.ask_load_sheets(cast.coop, by=cast.lead, now=now, plan_id=plan.public_id)
    load_plans.ask_labels(cast.coop, by=cast.lead, now=now, firing_id=plan.firing.public_id)
    work_off(cast.coop, lambda: now)


def burn(cast: Cast, firing: Firing, *, until: datetime, seed: int, target_c: int, cones: tuple[str, ...]) -> int:
    """Light the kiln and keep the log up to ``until``; each crew says it is there, two hand over in writing.

    Returns the entries written.
    """
    firing = to(cast, firing, "lit", firing.lights_at)
    length = (firing.ends_at - firing.lights_at) / HOUR
    entries = list(
        invented.fire(
            firing.lights_at,
            hours=length,
            target_c=target_c,
            seed=seed,
            until=until,
            with_soda=firing.with_soda,
            cones=cones,
        )
    )
    write(cast, firing, entries, by=cast.lead, now=min(until, firing.ends_at))
    begun = Watch.objects.of(cast.coop).filter(firing=firing, starts_at__lte=until).standing()
    for place in WatchPlace.objects.filter(watch__in=begun, given_up_at=None).select_related("watch", "member__person"):
        on_call.here(cast.coop, by=place.member, now=place.watch.starts_at, watch_id=place.watch.public_id)
    for watch in begun.filter(ends_at__lte=until)[:2]:
        note = hand_overs.draft(cast.coop, by=cast.lead, now=watch.ends_at, firing_id=firing.public_id)
        hand_overs.accept(cast.coop, by=cast.lead, now=watch.ends_at, hand_over_id=note.public_id)
        hand_overs.accept(cast.coop, by=cast.deputy, now=watch.ends_at, hand_over_id=note.public_id)
    return len(entries)


def write(cast: Cast, firing: Firing, entries: Iterable[Mapping[str, Any]], *, by: Membership, now: datetime) -> None:
    """Write entries into the log, 100 at a time."""
    specs = [EntrySpec(**entry) for entry in entries]
    for start in range(0, len(specs), 100):
        log.write(cast.coop, by=by, now=now, firing_id=firing.public_id, entries=specs[start : start + 100])


def cool(cast: Cast, firing: Firing, *, cones: tuple[str, ...], top_c: int, until: datetime | None = None) -> Firing:
    """End the fire; readings while it cools; watches confirmed by the deputy (his own by the lead)."""
    firing = to(
        cast, firing, "cooling", firing.ends_at, note=f"Cones {', '.join(cones)} down in front; draw tile good."
    )
    stop = until or firing.opens_at
    hours = firing.kiln.cooling_hours
    write(cast, firing, invented.cooling(firing.ends_at, top_c=top_c, hours=hours, until=stop), by=cast.lead, now=stop)
    for place in WatchPlace.objects.of(cast.coop).filter(watch__firing=firing, given_up_at=None, confirmed_at=None):
        by = cast.lead if place.member_id == cast.deputy.pk else cast.deputy
        watches.confirm(cast.coop, by=by, now=firing.ends_at + HOUR, place_id=place.public_id)
    return firing


def unpack(cast: Cast, firing: Firing, *, now: datetime, accident: bool = True) -> Firing:
    """Open the kiln, write down what came out, one board damaged; then enter clean-up, which mails everybody."""
    firing = to(cast, firing, "unpacking", now, note="Below opening temperature by the front probe; lead was there.")
    loaded = Placement.objects.of(cast.coop).filter(layer__plan__firing=firing, loaded_at__isnull=False)
    pieces = {p.piece for p in loaded.select_related("piece__booking")}
    for number, piece in enumerate(sorted(pieces, key=lambda piece: piece.pk)):
        counts = {"good": piece.count} if number % 9 else {"good": piece.count - 1, "flawed": 1}
        counts = {result: n for result, n in counts.items() if n}
        unpacking.set_outcome(cast.coop, by=cast.lead, now=now + HOUR, piece_id=piece.public_id, counts=counts)
    if accident:
        damage = unpacking.report_damage(
            cast.coop,
            by=cast.lead,
            now=now + HOUR,
            firing_id=firing.public_id,
            what="board",
            count=1,
            cause="unknown",
            note="A glaze run the size of a coin; ground out, the board stays in use.",
        )
        unpacking.decide_damage(
            cast.coop, by=cast.lead, now=now + 2 * HOUR, damage_id=damage.public_id, bearer="nobody", amount_minor=None
        )
        unpacking.agree_on_damage(cast.coop, by=cast.treasurer, now=now + 3 * HOUR, damage_id=damage.public_id)
    return to(cast, firing, "cleanup", now + 3 * HOUR)


def clean(cast: Cast, firing: Firing, *, now: datetime) -> Firing:
    """Everyone ticks their lines; the steward signs off and the kiln is free."""
    for item in firing.checklist.items.select_related("assigned_to"):
        by = item.assigned_to or cast.lead
        cleanup.tick(cast.coop, by=by, now=now, item_id=item.public_id, done=True)
    for chore in firing.chores.filter(cancelled_at=None, ends_at__lte=now):
        for place in chore.places_held.filter(given_up_at=None, confirmed_at=None):
            by = cast.lead if place.member_id == cast.deputy.pk else cast.deputy
            chores.confirm(cast.coop, by=by, now=now, place_id=place.public_id)
    return cleanup.sign_off(cast.coop, by=cast.steward, now=now, firing_id=firing.public_id)


def settle(cast: Cast, firing: Firing, rows: Iterable[Any], *, now: datetime) -> Settlement:
    """Take the receipts, draft, open for questions, answer one, post; statements are made and mailed."""
    receipts.take_receipts(cast.coop, by=cast.treasurer, now=now, firing_id=firing.public_id, rows=list(rows))
    draft = settlements.draft_shares(cast.coop, by=cast.treasurer, now=now, firing_id=firing.public_id)
    draft = settlements.open_questions(cast.coop, by=cast.treasurer, now=now, settlement_id=draft.public_id)
    share = draft.shares.select_related("member").order_by("-amount_minor").first()
    if share is not None:
        question = settlements.ask(
            cast.coop,
            by=cast.members[share.member.name],
            now=now,
            settlement_id=draft.public_id,
            share_id=share.public_id,
            text="How was this worked out?",
        )
        settlements.answer(
            cast.coop,
            by=cast.treasurer,
            now=now,
            question_id=question.public_id,
            text="By what you used; the sum stands beside the figure.",
        )
    posted = settlements.post_shares(cast.coop, by=cast.treasurer, now=now, settlement_id=draft.public_id, early=True)
    work_off(cast.coop, lambda: now)
    return posted


def statements_of(settlement: Settlement) -> list[Statement]:
    return list(Statement.objects.of(settlement.coop).filter(settlement=settlement).select_related("document"))


def work_off(coop: Coop, clock: Any) -> None:
    """Carry out every computation that waits for this co-op, those that follow from others too."""
    while pks := list(
        Computation.objects.of(coop).filter(state=Computation.State.WAITING).order_by("pk").values_list("pk", flat=True)
    ):
        if sum(queues.compute(pk, clock) for pk in pks) == 0:
            return


def send_mails(coop: Coop, clock: Any) -> int:
    """Send every notice of this co-op that is due; returns how many were sent."""
    waiting = Notice.objects.of(coop).filter(sent_at=None, dead_at=None).order_by("pk")
    return sum(queues.deliver_notice(pk, clock) for pk in list(waiting.values_list("pk", flat=True)))
